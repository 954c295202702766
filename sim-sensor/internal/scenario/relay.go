package scenario

import (
	"fmt"
	"time"

	"gritwatch/sim-sensor/internal/line"
)

// A wire leads from an output of a relay to what it switches at a pot.
type wire struct {
	name  string
	relay *line.Relay
	index int // of the output
}

// relay makes a unit that is written to, and shows its outputs in their pots' truth.
func relay(spec *Unit, l *Line, byName map[string]*pot) (*line.Relay, error) {
	outputs := make([]line.Output, 0, len(spec.Outputs))
	for i := range spec.Outputs {
		outputs = append(outputs, spec.Outputs[i].Output)
	}
	r, err := line.NewRelay(spec.ID, outputs, spec.Watchdog)
	if err != nil {
		return nil, err
	}
	for i, o := range spec.Outputs {
		p := byName[o.Pot]
		if p == nil {
			return nil, fmt.Errorf("unit %d: the pot %s is not there", spec.ID, o.Pot)
		}
		p.relays = append(p.relays, wire{o.Name, r, i})
		p.standsOn(l, spec.ID)
	}
	return r, nil
}

// A Relay is what hangs on an output of a relay, as it really is.
type Relay struct {
	Value uint16 `json:"value"` // as the unit reads it back; of a coil: 0 or 1
	On    bool   `json:"on"`    // it is energised
}

// outputs are what hangs on relays at a pot, by name; nil where there are none.
func (p *pot) outputs(at time.Duration) map[string]Relay {
	if len(p.relays) == 0 {
		return nil
	}
	out := make(map[string]Relay, len(p.relays))
	for _, w := range p.relays {
		s := w.relay.State(w.index, at)
		out[w.name] = Relay{s.Value, s.On}
	}
	return out
}
