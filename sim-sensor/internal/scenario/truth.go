package scenario

import (
	"math"

	"gritwatch/protocol/points"
)

// A Truth is what is really the case at a pot, for checking what others say of it. Pressures are Pa.
type Truth struct {
	T        string              `json:"t,omitempty"` // wall clock, RFC 3339 UTC with milliseconds; whoever writes it fills it in
	AtS      float64             `json:"at_s"`        // seconds since the start
	Pot      string              `json:"pot"`
	Pressed  bool                `json:"pressed"`   // the handle
	VesselPa float64             `json:"vessel_pa"` // true gauge pressure
	TruePa   map[string]float64  `json:"true_pa"`   // true gauge pressure at all six points, transducer or not
	ReadsPa  map[string]*float64 `json:"reads_pa"`  // what the transducers show, in their own terms; null: nothing
	Faults   []string            `json:"faults"`    // events that hold, other than presses and refills
	Level    float64             `json:"level"`     // abrasive, share of capacity
}

// Truth is the state of every pot, in the order of the file.
func (w *World) Truth() []Truth {
	out := make([]Truth, 0, len(w.pots))
	for _, p := range w.pots {
		t := Truth{AtS: tenth(w.at.Seconds()*10) / 10, Pot: p.spec.Name, Pressed: p.in.Pressed,
			VesselPa: tenth(float64(p.plant.Pressure(points.Vessel))), TruePa: map[string]float64{}, ReadsPa: map[string]*float64{},
			Faults: append([]string{}, p.active...), Level: math.Round(float64(p.plant.Level())*1e4) / 1e4}
		for _, pt := range points.All() {
			t.TruePa[pt.String()] = tenth(float64(p.plant.Pressure(pt)))
			if g := p.gauges[pt]; g != nil {
				t.ReadsPa[pt.String()] = nil
				if v := g.reads(); !math.IsNaN(v) {
					v = tenth(v)
					t.ReadsPa[pt.String()] = &v
				}
			}
		}
		out = append(out, t)
	}
	return out
}

// tenth rounds to a tenth; negative zero becomes zero.
func tenth(v float64) float64 { return math.Round(v*10)/10 + 0 }
