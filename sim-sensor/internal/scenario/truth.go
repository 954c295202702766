package scenario

import (
	"math"
	"strings"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Truth is what is really the case at a pot, for checking what others say of it. Pressures are Pa, rounded to a tenth;
// masses, flows and ratios to seven digits. All is of the moment, but for what says since the start.
//
// Raw is exact: until the next Step, registers and texts hold this number and no other. It is the 32-bit float, the
// register's whole number (of a module: the counts), the number that a text shows, or 1 and 0 of a switch that is closed
// and open. An electric handle stands in Raw alone.
//
// The resistance of a segment is (p1^2 - p2^2)/m^2 of air without grit, as a ratio to that of the healthy equipment: 1 is
// as commissioned, null is shut; grit in the stream makes mixing and hose dearer on top of it, which loading tells.
// Exhaust is the exhaust's conductance as a ratio to the healthy one's, 0 is shut.
//
// Gauges are the faults of transducers among Faults, with their size at the moment.
type Truth struct {
	T        string              `json:"t,omitempty"` // wall clock, RFC 3339 UTC with milliseconds; whoever writes it fills it in
	AtS      float64             `json:"at_s"`        // seconds since the start
	Pot      string              `json:"pot"`
	Pressed  bool                `json:"pressed"`          // the handle
	VesselPa float64             `json:"vessel_pa"`        // true gauge pressure
	TruePa   map[string]float64  `json:"true_pa"`          // true gauge pressure at all six points, transducer or not
	ReadsPa  map[string]*float64 `json:"reads_pa"`         // what the transducers show, in their own terms; null: nothing
	Raw      map[string]*float64 `json:"raw"`              // what the lines offer, in their own numbers; null: nothing
	Faults   []string            `json:"faults"`           // events that hold, other than what people do, and faults of the pot's lines
	Gauges   []GaugeTruth        `json:"gauges,omitempty"` // transducers that have a fault, an entry for each fault
	Events   []string            `json:"events"`           // what people do: press, refill, blowdown
	Level    float64             `json:"level"`            // abrasive, share of capacity
	Relays   map[string]Relay    `json:"relays,omitempty"` // what hangs on relays at this pot, a beacon for one, by name

	LevelKg    float64             `json:"level_kg"`     // abrasive in the vessel
	GritKgS    float64             `json:"grit_kg_s"`    // abrasive out of the nozzle
	MeteredKgS float64             `json:"metered_kg_s"` // abrasive through the metering valve, which the hose delays
	AirKgS     float64             `json:"air_kg_s"`     // air out of the nozzle; the segments carry leaks besides
	Loading    float64             `json:"loading"`      // GritKgS/AirKgS; 0 where no air flows
	BoreM      float64             `json:"bore_m"`       // of the nozzle, as worn
	Resistance map[string]*float64 `json:"resistance"`   // of separator, valve, mixing, hose
	Exhaust    float64             `json:"exhaust"`
	VesselK    float64             `json:"vessel_k"`     // mean temperature of the vessel's air
	SprayedKg  float64             `json:"sprayed_kg"`   // abrasive out of the nozzle since the start
	FilledKg   float64             `json:"filled_kg"`    // abrasive that the tender poured since the start
	CarriedKg  float64             `json:"carried_kg"`   // water past the separator since the start
	DrainedKg  float64             `json:"drained_kg"`   // water out of the separator's drain since the start
	SumpKg     float64             `json:"sump_kg"`      // water in the separator
	DampKg     float64             `json:"damp_kg"`      // water in the vessel's grit
	BaroPa     float64             `json:"barometer_pa"` // absolute
	AmbientK   float64             `json:"ambient_k"`
}

// A GaugeTruth is a fault that a transducer has. Of the sizes those are there that the fault has; a pair that is exchanged
// stands under one of its points.
type GaugeTruth struct {
	Point  string  `json:"point"`
	Fault  string  `json:"fault"`             // drift, span, scale, noise, lag, port, spikes, swapped, stuck, isolated, current, failed, unplugged, reads
	ZeroPa float64 `json:"zero_pa,omitempty"` // of a drift: what the gauge shows of no pressure, with the error that it had before
	LagS   float64 `json:"lag_s,omitempty"`   // time constant of a lag or a port
	With   string  `json:"with,omitempty"`    // the other point of a pair
}

// A misled is a fault of a transducer that holds, and how far it has grown.
type misled struct {
	event *Event
	grown float64
}

func (p *pot) misleads(m misled) GaugeTruth {
	_, kind, _ := strings.Cut(m.event.Name, " ") // an event's name is the point and the fault
	g := m.event.Gauge
	t := GaugeTruth{Point: g.Point.String(), Fault: kind, LagS: digits((g.Fault.Lag + g.Fault.Port).Seconds())}
	if own := p.gauges[g.Point]; own != nil && g.Fault.Drift != 0 {
		t.ZeroPa = tenth(float64(own.zero) + float64(float64(g.Fault.Drift)*m.grown))
	}
	if g.Swapped != nil {
		t.With = g.Swapped.String()
	}
	return t
}

// Truth is the state of every pot, in the order of the file.
func (w *World) Truth() []Truth {
	out := make([]Truth, 0, len(w.pots))
	for _, p := range w.pots {
		t := Truth{AtS: tenth(w.at.Seconds()*10) / 10, Pot: p.spec.Name, Pressed: p.in.Pressed,
			VesselPa: tenth(float64(p.plant.Pressure(points.Vessel))), TruePa: map[string]float64{}, ReadsPa: map[string]*float64{}, Raw: map[string]*float64{},
			Faults: append([]string{}, p.active...), Events: append([]string{}, p.doing...), Level: math.Round(float64(p.plant.Level())*1e4) / 1e4,
			Relays: p.outputs(w.at)}
		for _, m := range p.misled {
			t.Gauges = append(t.Gauges, p.misleads(m))
		}
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
		p.more(&t)
		out = append(out, t)
	}
	return out
}

// still is the flow of air under which there is none to speak of.
const still si.MassFlow = 1e-4

// more fills in what the pressures come from.
func (p *pot) more(t *Truth) {
	vessel, _ := p.plant.Grit()
	air, grit := p.plant.NozzleFlow()
	t.LevelKg, t.GritKgS, t.AirKgS, t.MeteredKgS = digits(vessel), digits(grit), digits(air), digits(p.plant.Metered())
	if air > still {
		t.Loading = digits(grit / air)
	}
	t.BoreM = digits(p.plant.Bore(&p.in.Condition))
	r := p.plant.Resistances(&p.in.Condition)
	t.Resistance = map[string]*float64{"separator": number(digits(r.Separator)), "valve": number(digits(r.Valve)),
		"mixing": number(digits(r.Mixing)), "hose": number(digits(r.Hose))}
	t.Exhaust, t.VesselK = digits(r.Exhaust), digits(p.plant.Temperature())
	l := p.plant.Ledger()
	t.SprayedKg, t.FilledKg, t.CarriedKg, t.DrainedKg = digits(l.GritOut), digits(l.GritIn), digits(l.Carried), digits(l.Drained)
	sump, damp := p.plant.Water()
	t.SumpKg, t.DampKg = digits(sump), digits(damp)
	t.BaroPa, t.AmbientK = tenth(float64(p.plant.Barometer())), digits(p.plant.Ambient())
}

// digits rounds to seven significant digits; what is under a billionth becomes zero.
func digits[T ~float64](v T) float64 {
	x := float64(v)
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return x
	}
	if math.Abs(x) < 1e-9 {
		return 0
	}
	scale := math.Pow(10, 6-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*scale)/scale + 0
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
