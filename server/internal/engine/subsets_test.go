package engine_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"

	"pgregory.net/rapid"
)

// A phase is what a pot truly does from an instant on, s.
type phase struct {
	from    float64
	state   engine.State
	pressed bool
}

// day are two cycles: a healthy one, and one whose vent stalls at 200 kPa until it is let out by hand.
var day = []phase{
	{0, engine.AtRest, false},
	{10, engine.Charging, true}, {20.2, engine.Blasting, true},
	{45, engine.Venting, false}, {53.5, engine.AtRest, false},
	{80, engine.Charging, true}, {90.2, engine.Blasting, true},
	{110, engine.Venting, false}, {112.5, engine.Held, false},
	{140, engine.Venting, false}, {146.3, engine.AtRest, false}, {170, engine.AtRest, false},
}

// phaseAt is the phase at a time, and how far its beginning and its end are away.
func phaseAt(s float64) (p phase, since, until float64) {
	for i := len(day) - 1; i >= 0; i-- {
		if s >= day[i].from {
			until = math.Inf(1)
			if i+1 < len(day) {
				until = day[i+1].from - s
			}
			return day[i], s - day[i].from, until
		}
	}
	return day[0], 0, 0
}

// shown are the pressures of the day, kPa. They only have to look like a pot: straight charge, exponential fall.
func shown(p points.Point, s float64) float64 {
	fall := func(from, start, tau float64) float64 { return from * math.Exp(-max(0, s-start-0.3)/tau) }
	vessel := 0.0
	switch {
	case s < 10:
	case s < 45:
		vessel = min(670, (s-10)*60)
	case s < 80:
		vessel = fall(670, 45, 1.8)
	case s < 110:
		vessel = min(670, (s-80)*60)
	case s < 140:
		vessel = max(200, fall(670, 110, 1.8))
	default:
		vessel = fall(200, 140, 1.8)
	}
	ph, _, _ := phaseAt(s)
	switch p {
	case points.Supply:
		return 700
	case points.Separator:
		return 692
	case points.Vessel:
		return vessel
	case points.Hose:
		return 0.95 * vessel * boole(ph.pressed || vessel > 200.5)
	case points.Nozzle:
		return 0.87 * vessel * boole(ph.pressed || vessel > 200.5)
	}
	return 620 * boole(ph.pressed)
}

func boole(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// TestAnySubset plays the day to pots with any of the points, read 1 to 50 times a second, from any instant on, with a
// gap somewhere: no state says what is not so, and where the control point tells of the handle every phase is told.
func TestAnySubset(t *testing.T) {
	checks(t, "60")
	told := 0
	rapid.Check(t, func(t *rapid.T) {
		set := points.SetOf(points.Vessel)
		for _, p := range []points.Point{points.Supply, points.Separator, points.Hose, points.Nozzle, points.Control} {
			if rapid.Bool().Draw(t, p.String()) {
				set |= points.SetOf(p)
			}
		}
		period := rapid.SampledFrom([]time.Duration{20 * time.Millisecond, 50 * time.Millisecond, 100 * time.Millisecond,
			200 * time.Millisecond, 400 * time.Millisecond, time.Second}).Draw(t, "period")
		start := rapid.Float64Range(0, 165).Draw(t, "start")
		gapAt := rapid.Float64Range(0, 170).Draw(t, "gap at")
		gap := rapid.SampledFrom([]float64{0, 0.3, 1.5, 4, 30}).Draw(t, "gap")
		pot := vent.Pot{Name: "alder", Volume: 6.5 * si.CubicFoot, Rated: 150 * si.PSI, Target: 100 * si.PSI, Points: set}
		pot.Gauges[points.Vessel] = vent.Gauge{Kind: vent.KindGauge, Lo: 0, Hi: 200 * si.PSI}
		pot.Electric = rapid.Bool().Draw(t, "electric")
		f := engine.NewFollower(pot, engine.Params{Period: period})
		witness := set.Has(points.Control) || set.Has(points.Hose)
		clear := start // since when readings come without a gap
		for n := 0; ; n++ {
			s := start + float64(n)*period.Seconds()
			if s > 170 {
				return
			}
			if s >= gapAt && s < gapAt+gap {
				clear = s
				continue
			}
			for i, p := range points.All() {
				if !set.Has(p) {
					continue
				}
				x := s + float64(i)*0.001
				v := shown(p, x)
				f.Step(points.Sample{Point: p, Quality: points.Good, At: t0.Add(time.Duration(x * 1e9)), Value: si.GaugePressure(v * si.KPa),
					Pressed: pot.Electric && p == points.Control && v > 300})
			}
			state := f.Out.State
			ph, since, until := phaseAt(s)
			v := shown(points.Vessel, s)
			late := 2.5*period.Seconds() + 1
			if !set.Has(points.Control) {
				late += 4 // the hose falls with the vessel
			}
			switch state {
			case engine.AtRest:
				if v > 12 && since > late {
					t.Fatalf("%v at %.2f s, the vessel at %.0f kPa", state, s, v)
				}
			case engine.Venting, engine.Held:
				if v < 1 && since > late+3 {
					t.Fatalf("%v at %.2f s, the vessel at %.1f kPa", state, s, v)
				}
				if witness && ph.pressed && since > late && until > 0.02 {
					t.Fatalf("%v at %.2f s in a press", state, s)
				}
			case engine.Charging, engine.Blasting:
				if witness && !ph.pressed && since > late && until > 0.02 {
					t.Fatalf("%v at %.2f s after the release", state, s)
				}
				if v < 1 && since > late && until > 0.02 {
					t.Fatalf("%v at %.2f s with nothing in the vessel", state, s)
				}
			}
			// Where the handle is seen and nothing is about to change, the phase is told.
			if set.Has(points.Control) && s-clear > 5+5*period.Seconds() && since > 4+2*period.Seconds() && until > 0.5 {
				told++
				if state != ph.state {
					t.Fatalf("%v at %.2f s (%.2f s into it), want %v; points %v, every %v, from %.2f s, gap of %.1f s at %.2f s", state, s, since, ph.state, set, period, start, gap, gapAt)
				}
			}
		}
	})
	if !testing.Short() && told < 1000 {
		t.Errorf("%d states held against the phase only", told)
	}
}
