package scenario

import (
	"math"

	"gritwatch/protocol/points"
)

// A Truth is what is really the case at a pot, for checking what others say of it. Pressures are Pa, rounded to a tenth.
//
// Raw is exact: until the next Step, registers and texts hold this number and no other. It is the 32-bit float, the
// register's whole number (of a module: the counts), the number that a text shows, or 1 and 0 of a switch that is closed
// and open. An electric handle stands in Raw alone.
type Truth struct {
	T        string              `json:"t,omitempty"` // wall clock, RFC 3339 UTC with milliseconds; whoever writes it fills it in
	AtS      float64             `json:"at_s"`        // seconds since the start
	Pot      string              `json:"pot"`
	Pressed  bool                `json:"pressed"`   // the handle
	VesselPa float64             `json:"vessel_pa"` // true gauge pressure
	TruePa   map[string]float64  `json:"true_pa"`   // true gauge pressure at all six points, transducer or not
	ReadsPa  map[string]*float64 `json:"reads_pa"`  // what the transducers show, in their own terms; null: nothing
	Raw      map[string]*float64 `json:"raw"`       // what the lines offer, in their own numbers; null: nothing
	Faults   []string            `json:"faults"`    // events that hold, other than presses and refills, and faults of the pot's lines
	Level    float64             `json:"level"`     // abrasive, share of capacity
}

// Truth is the state of every pot, in the order of the file.
func (w *World) Truth() []Truth {
	out := make([]Truth, 0, len(w.pots))
	for _, p := range w.pots {
		t := Truth{AtS: tenth(w.at.Seconds()*10) / 10, Pot: p.spec.Name, Pressed: p.in.Pressed,
			VesselPa: tenth(float64(p.plant.Pressure(points.Vessel))), TruePa: map[string]float64{}, ReadsPa: map[string]*float64{}, Raw: map[string]*float64{},
			Faults: append([]string{}, p.active...), Level: math.Round(float64(p.plant.Level())*1e4) / 1e4}
		for _, pt := range points.All() {
			t.TruePa[pt.String()] = tenth(float64(p.plant.Pressure(pt)))
			g := p.gauges[pt]
			if g == nil {
				continue
			}
			t.Raw[pt.String()] = number(g.raw)
			if g.tr != nil {
				t.ReadsPa[pt.String()] = number(tenth(g.reads()))
			}
		}
		out = append(out, t)
	}
	return out
}

// tenth rounds to a tenth; negative zero becomes zero.
func tenth(v float64) float64 { return math.Round(v*10)/10 + 0 }

// number is v for JSON, which has neither NaN nor infinities.
func number(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	v += 0 // no negative zero
	return &v
}
