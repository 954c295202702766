package replay

import (
	"encoding/json"
	"io"
	"math"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/signals"
)

// lines writes one JSON object a line.
type lines struct {
	enc *json.Encoder
	n   int
}

func newLines(out io.Writer) lines { return lines{enc: json.NewEncoder(out)} }

// write writes a value of one kind of line.
func (l *lines) write(line any) error {
	l.n++
	return l.enc.Encode(line)
}

// An estimate is the line of that kind. Its fields are those of the API's pots; what is not known is absent.
type estimate struct {
	Kind           string         `json:"kind"`
	T              string         `json:"t"`
	State          string         `json:"state"`
	PressurePa     live.Pressures `json:"pressure_pa"`
	DropPa         live.Drops     `json:"drop_pa"`
	NozzlePa       *float64       `json:"nozzle_pa,omitempty"`
	NozzleMeasured bool           `json:"nozzle_measured"`
	Answer         live.Answer    `json:"answer"`
	Production     *float64       `json:"production,omitempty"`
	live.Figures
}

// numbers is how many an estimate has at most, without the figures' own.
const numbers = 1 + points.Count + points.SegmentCount + 2

// estimate writes what is known as of the newest sample.
func (p *Player) estimate() error {
	o := p.out
	answer := p.follow.Answer()
	n := 0
	figure := func(v, parts float64) *float64 {
		f := &p.numbers[n]
		*f, n = round(v, parts), n+1
		return f
	}
	e := &p.line
	*e = estimate{Kind: "estimate", T: o.At.String(), State: engine.Unknown.String(),
		Answer: live.Answer{Word: answer.Word.String(), Because: answer.Because.Strings()}}
	if answer.At != 0 {
		e.Answer.AgeS = figure(o.At.Sub(answer.At).Seconds(), 1e3)
	}
	if _, ok := p.reading(points.Vessel); ok {
		e.State = o.State.String()
	}
	at := [points.Count]**float64{&e.PressurePa.Supply, &e.PressurePa.Separator, &e.PressurePa.Vessel,
		&e.PressurePa.Hose, &e.PressurePa.Nozzle, &e.PressurePa.Control}
	for pt := range at {
		if v, ok := p.reading(points.Point(pt)); ok && !(points.Point(pt) == points.Control && p.pot.Control.Electric) {
			*at[pt] = figure(v, 1)
		}
	}
	drops := [points.SegmentCount]**float64{&e.DropPa.Separator, &e.DropPa.Valve, &e.DropPa.Mixing, &e.DropPa.Hose}
	for s := range drops {
		from, to := points.Segment(s).Ends()
		_, okFrom := p.reading(from)
		_, okTo := p.reading(to)
		if o.Drops[s].Known && p.isFresh(o.DropsAt) && okFrom && okTo {
			*drops[s] = figure(float64(o.Drops[s].Loss), 1)
		}
	}
	if v, ok := p.reading(points.Nozzle); ok && o.NozzleMeasured {
		e.NozzlePa, e.NozzleMeasured = figure(v, 1), true
	}
	if o.ProductionKnown && o.State == engine.Blasting {
		e.Production = figure(float64(o.Production), 1e4)
	}
	_, vessel := p.reading(points.Vessel)
	p.sheet.Fill(&p.about, o, vessel && o.State == engine.Blasting, 0)
	e.Figures = p.sheet.Figures
	if e.NozzlePa == nil {
		e.NozzlePa, e.Production = p.sheet.NozzlePa, p.sheet.Production
	}
	if err := p.lines.write(e); err != nil {
		return err
	}
	if p.unseen.lacks(p, &answer) {
		return p.lines.write(eventLine{Kind: "event", T: o.At.String(), Event: vent.NoVentSeen.String()})
	}
	return nil
}

// news writes what has just become so: a cycle's end, what happens to the abrasive, alarms.
func (p *Player) news(at si.Instant) error {
	o := p.out
	if o.Cycles != p.cycles {
		p.cycles = o.Cycles
		if err := p.lines.write(cycleOf(o.At, &o.Cycle)); err != nil {
			return err
		}
	}
	if err := p.happenings(); err != nil {
		return err
	}
	return p.alarm(at)
}

// alarm looks at the pot's alarms and writes what has begun and ended.
func (p *Player) alarm(at si.Instant) error {
	m := &p.moment
	m.At, m.Answer, m.Fresh = at, p.follow.Answer(), 0
	for pt := range points.Point(points.Count) {
		r := &p.out.Readings[pt]
		if p.pot.Points.Has(pt) && r.Quality == points.Good && r.At != 0 && at.Sub(r.At) <= p.fresh {
			m.Fresh |= points.SetOf(pt)
		}
	}
	signals.Fill(&p.signals, p.follow, m)
	p.found = p.alarms.Step(&p.signals, p.found[:0])
	for i := range p.found {
		if f := &p.found[i]; !f.Proven { // nothing is latched here, so nothing is let go
			if err := p.lines.write(alarmOf(f)); err != nil {
				return err
			}
		}
	}
	return nil
}

// A cycleLine is the line of a cycle. T is when it ended: with the vent, or with the next press, which leaves the vent's
// end unknown.
type cycleLine struct {
	Kind     string   `json:"kind"`
	T        string   `json:"t"`
	Press    string   `json:"press"`
	Release  string   `json:"release"`
	Inferred bool     `json:"inferred,omitempty"` // told by the hose point
	BlastS   *float64 `json:"blast_s"`
	Vent     ventLine `json:"vent"`
	Abrasive *float64 `json:"abrasive_kg,omitempty"`
}

type ventLine struct {
	P0Pa       *float64 `json:"p0_pa"`
	TauS       *float64 `json:"tau_s,omitempty"`
	ResidualPa *float64 `json:"residual_pa,omitempty"`
	SettledS   *float64 `json:"settled_s,omitempty"`
}

func cycleOf(at si.Instant, c *engine.Cycle) cycleLine {
	l := cycleLine{Kind: "cycle", T: at.String(), Press: c.Press.String(), Release: c.Release.String(), Inferred: c.Inferred,
		BlastS: rounded(c.Blast().Seconds(), 1e3), Vent: ventLine{P0Pa: rounded(float64(c.Vent.From), 1)}}
	if c.Abrasive > 0 {
		l.Abrasive = rounded(float64(c.Abrasive), 1e2)
	}
	if c.Vent.Tau > 0 {
		l.Vent.TauS = rounded(c.Vent.Tau, 1e3)
	}
	if c.Vent.Settled > 0 {
		l.Vent.ResidualPa, l.Vent.SettledS = rounded(float64(c.Vent.Residual), 1), rounded(c.Vent.Settled.Seconds(), 1e3)
	}
	return l
}

// An alarmLine is the line of an alarm. Nothing is latched: it returns when its condition ends.
type alarmLine struct {
	Kind     string          `json:"kind"`
	T        string          `json:"t"`
	Alarm    string          `json:"alarm"`
	Event    string          `json:"event"`
	Priority string          `json:"priority"`
	Evidence *alarm.Evidence `json:"evidence,omitempty"`
}

func alarmOf(f *alarm.Found) alarmLine {
	l := alarmLine{Kind: "alarm", T: f.At.String(), Alarm: f.Kind.String(), Event: alarm.EventReturned, Priority: f.Priority.String()}
	if f.On {
		l.Event = alarm.EventRaised
	}
	if f.On || f.Point != "" { // else it tells nothing but its end
		l.Evidence = &f.Evidence
	}
	return l
}

func (p *Player) isFresh(at si.Instant) bool { return at != 0 && p.out.At.Sub(at) <= p.fresh }

// reading is a point's value if it is good and fresh.
func (p *Player) reading(pt points.Point) (float64, bool) {
	r := &p.out.Readings[pt]
	return float64(r.Value), r.Quality == points.Good && p.isFresh(r.At)
}

// round is v to a part of one.
func round(v, parts float64) float64 {
	v = math.Round(v*parts) / parts
	if v == 0 {
		v = 0 // not minus zero
	}
	return v
}

func rounded(v, parts float64) *float64 {
	v = round(v, parts)
	return &v
}
