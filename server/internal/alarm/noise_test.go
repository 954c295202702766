package alarm

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// TestNoiseOnVents: vents, stops and rises that lie about the limits of the vent watch, with white noise of 0.2 % of 200 psi on real readings.
// Each release begins a condition once at most.
func TestNoiseOnVents(t *testing.T) {
	const (
		sd      = 0.002 * 200 * si.PSI
		up      = 100 * si.PSI
		cycle   = time.Minute
		pressed = 20 * time.Second
	)
	var params vent.WatchParams
	params.Pot.Rated, params.Pot.Volume = 150*si.PSI, 0.1
	params.Pot.Points = points.SetOf(points.Supply, points.Vessel, points.Hose, points.Control)
	for p := range params.Pot.Gauges {
		params.Pot.Gauges[p].Hi = 200 * si.PSI
	}
	// of gives vessel and hose, Pa, some seconds after a release.
	falls := func(tau float64) func(float64) (float64, float64) {
		return func(s float64) (float64, float64) { return up * math.Exp(-s/tau), 0 }
	}
	stops := func(share float64) func(float64) (float64, float64) {
		return func(s float64) (float64, float64) {
			if s > 15 {
				return 0, 0
			}
			return share * up, share * 0.95 * up
		}
	}
	rises := func(kPa float64) func(float64) (float64, float64) {
		return func(s float64) (float64, float64) {
			return up*math.Exp(-s/0.5) + kPa*si.KPa*min(1, max(0, s-10)/20), 0
		}
	}
	for _, x := range []struct {
		name string
		kind Kind
		of   []func(float64) (float64, float64)
	}{
		{"vents of 4 to 7 s", VentSlow, []func(float64) (float64, float64){falls(4), falls(5), falls(5.5), falls(6), falls(7)}},
		{"stops at about a third", StopSlow, []func(float64) (float64, float64){stops(0.30), stops(0.32), stops(1.0 / 3), stops(0.35)}},
		{"rises by 20 to 80 kPa", PressureCreep, []func(float64) (float64, float64){rises(20), rises(35), rises(45), rises(55), rises(80)}},
	} {
		most, all := 0, 0
		for _, of := range x.of {
			random := rand.New(rand.NewPCG(9, 3))
			w, p := vent.NewWatch(params), newPot(t)
			p.s.Vent = w
			h, n := vent.Handle{Known: true}, 0 // begun since the last press
			p.run(10*time.Minute, func(at time.Duration) {
				s := at % cycle
				vessel, hose := up, 0.95*up
				if s >= pressed {
					vessel, hose = of((s - pressed).Seconds())
				}
				if is := s < pressed; is != h.Pressed {
					h.Pressed, h.Since = is, p.s.At
				}
				if h.Pressed {
					n, _ = p.times(x.kind)
				}
				for _, r := range []struct {
					p points.Point
					v float64
				}{{points.Supply, 110 * si.PSI}, {points.Vessel, vessel}, {points.Hose, hose}} {
					w.Step(points.Sample{Point: r.p, At: p.s.At, Quality: points.Good, Value: si.GaugePressure(r.v + sd*random.NormFloat64())}, h)
				}
				p.s.Handle, p.s.Vessel.Value = h, si.GaugePressure(vessel)
				begun, _ := p.times(x.kind)
				most = max(most, begun-n)
			})
			begun, _ := p.times(x.kind)
			all += begun
		}
		t.Logf("%s: %s began %d times, most after one release %d", x.name, x.kind, all, most)
		if most != 1 {
			t.Errorf("%s: %s began %d times after one release, should once, and in some case not at all", x.name, x.kind, most)
		}
	}
}

// TestNoiseOnWhatOthersFind: what another package finds, and a code of the answer, that come and go from step to step where something stands at its limit. However
// often that is, the alarm begins once or twice, and does not chatter.
func TestNoiseOnWhatOthersFind(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 7))
	code := func(c ...vent.Code) func(*pot, bool) {
		return func(p *pot, is bool) {
			b := vent.CodesOf(vent.NoVentSeen)
			if is {
				b |= vent.CodesOf(c...)
			}
			p.s.Answer = vent.Answer{Word: vent.NotProven, Because: b}
		}
	}
	for _, x := range []struct {
		name string
		kind Kind
		set  func(p *pot, is bool)
	}{
		{"vessel out of range", VesselUnknown, code(vent.VesselBad)},
		{"vessel old", VesselUnknown, code(vent.VesselOld)},
		{"pressure in the hose", VesselUnknown, code(vent.HosePressure)},
		{"configurations differ", ConfigDoubt, code(vent.ConfigDiffers)},
		{"a part", HoseRestricted, func(p *pot, is bool) { p.s.Wear[Hose].Found = is }},
		{"the stream stops", AbrasiveStopped, func(p *pot, is bool) {
			// Where air alone cannot be told from a stream for sure, the finder says neither.
			p.s.Level.Feed = FeedUnknown
			if is {
				p.s.Level.Feed = Blocked
			}
		}},
	} {
		for _, share := range []float64{0.02, 0.1, 0.5, 0.9, 0.98} {
			p := newPot(t)
			p.runSlow(20*time.Minute, func(time.Duration) { x.set(p, random.Float64() < share) })
			on, off := p.times(x.kind)
			t.Logf("%s, %g of the time: began %d, ended %d", x.name, share, on, off)
			if on > 2 {
				t.Errorf("%s, %g of the time: %s began %d times in 20 min", x.name, share, x.kind, on)
			}
		}
	}
}

// TestNoiseOfClocks: a clock that is off by about the limit, measured through a network that wavers.
func TestNoiseOfClocks(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 8))
	for _, mean := range []float64{0.9, 1, 1.5, 1.95, 2, 2.05} { // s
		for _, wavers := range []float64{0.02, 0.1, 0.3} {
			d := NewAgentDetector("quay-1")
			s := AgentSignals{At: begin, Heard: true, ClockKnown: true}
			var found []Found
			for i := range 3600 {
				s.At = s.At.Add(time.Second)
				if i%5 == 0 { // as often as an agent is asked
					s.Ahead = time.Duration((mean + wavers*random.NormFloat64()) * float64(time.Second))
					s.Round = time.Duration(math.Abs(random.NormFloat64()) * 0.05 * float64(time.Second))
				}
				found = d.Step(&s, found)
			}
			if len(found) > 4 { // begun twice, ended twice
				t.Errorf("%g s off, give or take %g: %d changes in an hour", mean, wavers, len(found))
			}
		}
	}
}
