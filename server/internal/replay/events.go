package replay

import (
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/figures"
)

// happened is what was told of what happens to a pot's abrasive.
type happened struct {
	refills uint64
	stop    level.Stop
}

// happenings writes the events of the abrasive: a refill, and each change of whether abrasive flows.
func (p *Player) happenings() error {
	l := &p.out.Level
	if l.Refills != p.told.refills {
		p.told.refills = l.Refills
		e := eventLine{Kind: "event", T: p.out.At.String(), Event: "refill", Began: l.Refill.At.String()}
		e.From, e.To = rounded(float64(l.Refill.From), 1e3), rounded(float64(l.Refill.To), 1e3)
		if err := p.lines.write(e); err != nil {
			return err
		}
	}
	if l.Stop == p.told.stop {
		return nil
	}
	p.told.stop = l.Stop
	name := figures.Stopped(l.Stop).String()
	if name == "" {
		name = "abrasive-flows"
	}
	return p.lines.write(eventLine{Kind: "event", T: p.out.At.String(), Event: name})
}

// An eventLine is the line of something that happened and alarms nobody.
type eventLine struct {
	Kind  string `json:"kind"`
	T     string `json:"t"`
	Event string `json:"event"`

	// Of a refill: the first press after it, and the shares of capacity before and after it.
	Began string   `json:"press,omitempty"`
	From  *float64 `json:"from,omitempty"`
	To    *float64 `json:"to,omitempty"`
}
