package scenario_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/scenario"
)

// play is a built-in scenario in play.
func play(t *testing.T, name string) *scenario.World {
	t.Helper()
	s, err := scenario.Builtin(name)
	if err != nil {
		t.Fatal(err)
	}
	w, err := scenario.NewWorld(s)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// to plays until the time given and returns the truth there, by pot.
func to(w *scenario.World, at time.Duration) map[string]scenario.Truth {
	for w.At() < at {
		w.Step()
	}
	return truth(w)
}

func truth(w *scenario.World) map[string]scenario.Truth {
	out := map[string]scenario.Truth{}
	for _, t := range w.Truth() {
		out[t.Pot] = t
	}
	return out
}

// psi is what a gauge shows, NaN for nothing.
func psi(t scenario.Truth, point string) float64 {
	if v := t.ReadsPa[point]; v != nil {
		return *v / si.PSI
	}
	return math.NaN()
}

func vessel(t scenario.Truth) float64 { return t.VesselPa / si.PSI }

func within(t *testing.T, what string, got, lo, hi float64) {
	t.Helper()
	if !(got >= lo && got <= hi) {
		t.Errorf("%s = %.3f, want %.3f to %.3f", what, got, lo, hi)
	}
}

// The presses of the fault scenarios begin at 3, 43, 83 ... s and end at 23, 63, 103 ... s. A gauge's noise is 0.1 psi
// (0.05 % of 200 psi), so five deviations are 0.5 psi.
func TestFaults(t *testing.T) {
	const s = time.Second
	worlds := map[string]*scenario.World{}
	for _, tt := range []struct {
		name                     string
		at                       time.Duration
		trueLo, trueHi           float64 // psi in the vessel
		readsLo, readsHi         float64 // psi on its gauge; NaN: nothing
		fault                    string
		pressed                  bool
		controlReads, otherGauge float64 // psi at least on control
	}{
		{name: "healthy", at: 21 * s, trueLo: 95, trueHi: 120, readsLo: 95, readsHi: 120, pressed: true, controlReads: 90},
		{name: "healthy", at: 40 * s, trueHi: 0.1, readsLo: -0.5, readsHi: 0.5},
		{name: "isolated", at: 99 * s, trueLo: 95, trueHi: 120, readsLo: 95, readsHi: 120, pressed: true, controlReads: 90},
		{name: "isolated", at: 118 * s, trueHi: 0.1, readsLo: 75, readsHi: 95, fault: "vessel isolated"}, // exp(-18/60) of about 109
		{name: "isolated-at-zero", at: 100 * s, trueLo: 95, trueHi: 120, readsLo: -0.5, readsHi: 0.5, fault: "vessel isolated", pressed: true, controlReads: 90},
		{name: "drift", at: 73*s + 300*time.Millisecond, trueHi: 0.1, readsLo: -2.1, readsHi: -1, fault: "vessel drift"}, // halfway
		{name: "drift", at: 160 * s, trueHi: 0.1, readsLo: -3.5, readsHi: -2.5, fault: "vessel drift"},
		{name: "scale", at: 21 * s, trueLo: 95, trueHi: 120, readsLo: 9, readsHi: 12.5, fault: "vessel scale", pressed: true, controlReads: 90},
		{name: "trapped", at: 40 * s, trueHi: 0.1, readsLo: -0.5, readsHi: 0.5},
		{name: "trapped", at: 80 * s, trueLo: 1.2, trueHi: 3.5, readsLo: 0.7, readsHi: 4, fault: "trap"},
		{name: "exhaust-shut", at: 118 * s, trueLo: 90, trueHi: 120, readsLo: 90, readsHi: 120, fault: "exhaust_shut"},
		{name: "exhaust-slow", at: 350 * s, trueLo: 5, trueHi: 60, readsLo: 4, readsHi: 60, fault: "exhaust_shut"},
		{name: "stuck", at: 118 * s, trueHi: 0.1, readsLo: 95, readsHi: 120, fault: "vessel stuck"},
		{name: "out-of-range", at: 60 * s, trueLo: 95, trueHi: 120, readsLo: -6.26, readsHi: -6.24, fault: "vessel current", pressed: true, controlReads: 90}, // (3.5-4)/16 of 200
		{name: "out-of-range", at: 100 * s, trueLo: 95, trueHi: 120, readsLo: 219.9, readsHi: 220.1, fault: "vessel current", pressed: true, controlReads: 90},
		{name: "out-of-range", at: 140 * s, trueLo: 95, trueHi: 120, readsLo: math.NaN(), fault: "vessel failed", pressed: true, controlReads: 90},
		{name: "unplugged", at: 60 * s, trueLo: 95, trueHi: 120, readsLo: math.NaN(), fault: "vessel unplugged", pressed: true, controlReads: 90},
		{name: "compressor-off", at: 102 * s, trueLo: 20, trueHi: 95, readsLo: 20, readsHi: 95, fault: "compressor", pressed: true, controlReads: 20},
		{name: "swapped", at: 22 * s, trueLo: 95, trueHi: 120, readsLo: -0.5, readsHi: 0.5, fault: "vessel reads", pressed: true, controlReads: 90},
	} {
		if w := worlds[tt.name]; w == nil || w.At() > tt.at {
			worlds[tt.name] = play(t, tt.name)
		}
		got := to(worlds[tt.name], tt.at)["alder"]
		name := tt.name + " at " + tt.at.String()
		within(t, name+": vessel", vessel(got), tt.trueLo-0.05, tt.trueHi)
		if math.IsNaN(tt.readsLo) {
			if v := psi(got, "vessel"); !math.IsNaN(v) {
				t.Errorf("%s: the gauge shows %v", name, v)
			}
		} else {
			within(t, name+": gauge", psi(got, "vessel"), tt.readsLo, tt.readsHi)
		}
		if faults := strings.Join(got.Faults, ", "); tt.fault == "" && faults != "" || !strings.Contains(faults, tt.fault) {
			t.Errorf("%s: faults are %q, want %q", name, faults, tt.fault)
		}
		if got.Pressed != tt.pressed {
			t.Errorf("%s: pressed is %v", name, got.Pressed)
		}
		if tt.pressed {
			within(t, name+": control", psi(got, "control"), tt.controlReads, 105)
		} else {
			within(t, name+": control", psi(got, "control"), -0.5, 0.5)
		}
	}
}

func TestSwappedBothWays(t *testing.T) {
	got := to(play(t, "swapped"), 42*time.Second) // birch presses from 23 to 43 s
	within(t, "alder's vessel", vessel(got["alder"]), -0.05, 0.1)
	within(t, "alder's gauge", psi(got["alder"], "vessel"), 95, 120)
	within(t, "birch's vessel", vessel(got["birch"]), 95, 120)
	within(t, "birch's gauge", psi(got["birch"], "vessel"), -0.5, 0.5)
}

// Supply falls below a vessel that is up when the compressor stops.
func TestReference(t *testing.T) {
	s, err := scenario.Parse("reference.yaml", []byte(scenario.Reference))
	if err != nil {
		t.Fatal(err)
	}
	w, err := scenario.NewWorld(s)
	if err != nil {
		t.Fatal(err)
	}
	got := to(w, 20*time.Second)["birch"]
	within(t, "birch while pressed by an event", vessel(got), 80, 120)
	before := got.Level
	got = to(w, 39*time.Second)["birch"]
	within(t, "birch after it", vessel(got), -0.05, 0.1)
	if got.Level >= before || got.Pressed {
		t.Errorf("birch: %+v after %v", got, before)
	}
	got = to(w, 72*time.Second)["birch"]
	within(t, "level after the refill", got.Level, 0.999, 1)
	if v, ok := got.ReadsPa["hose"]; ok {
		t.Errorf("birch has no hose gauge, yet it shows %v", v)
	}
	if v := got.TruePa["hose"]; math.Abs(v) > 1e4 {
		t.Errorf("hose at %v Pa", v)
	}
	alder := to(w, 155*time.Second)["alder"]
	if v := alder.ReadsPa["control"]; v != nil {
		t.Errorf("a failed gauge shows %v", *v)
	}
	if v := alder.ReadsPa["separator"]; v != nil {
		t.Errorf("an unplugged gauge shows %v", *v)
	}
	if n := len(alder.Faults); n != 4 { // drift of hose and scale of supply hold for ever
		t.Errorf("faults %v", alder.Faults)
	}
}

// Four and a half minutes of the demonstration.
func TestDemo(t *testing.T) {
	w := play(t, "demo")
	pots := len(truth(w))
	released := map[string]float64{} // when
	before := map[string]scenario.Truth{}
	vented := map[string]int{}
	lastCharge, lastVent, refilled := 45.0, 45.0, false
	held := 0.0
	for w.At() < 262*time.Second {
		for range 10 {
			w.Step()
		}
		at := w.At().Seconds()
		blasting := 0
		for name, now := range truth(w) {
			old, ok := before[name]
			before[name] = now
			if !ok {
				continue
			}
			v := vessel(now)
			switch {
			case now.Pressed && v > 75:
				blasting++
			case now.Pressed && v > 1:
				lastCharge = at
			case !now.Pressed && v > 1 && v < vessel(old):
				lastVent = at
			}
			if old.Pressed && !now.Pressed {
				released[name] = at
				if nozzle := old.TruePa["nozzle"] / si.PSI; at > 30 {
					within(t, name+" nozzle at the release", nozzle, 93, 105)
				}
			}
			if r, ok := released[name]; ok && v < 0.5 && !now.Pressed {
				delete(released, name)
				vented[name]++
				if len(now.Faults)+len(old.Faults) == 0 && (name != "rowan" || at < 206 || at > 260) {
					within(t, name+" vent s", at-r, 4, 9)
				}
			}
			if name == "rowan" && !now.Pressed && v > 37 && v < 42 && math.Abs(v-vessel(old)) < 0.2 {
				held += 0.1
			}
			if name == "rowan" && at > 256 && at < 261 {
				within(t, "rowan after it came free", v, -0.05, 0.5)
			}
			refilled = refilled || now.Level > old.Level+0.001
		}
		if at > 45 && (blasting == 0 || at-lastCharge > 15 || at-lastVent > 10) {
			t.Errorf("at %.1f s: %d blast, last charge %.1f s, last vent %.1f s", at, blasting, lastCharge, lastVent)
		}
		if at > 60 && at < 60.15 {
			for name := range before {
				if vented[name] == 0 && name != "rowan" {
					t.Errorf("%s has not vented in a minute", name)
				}
			}
		}
	}
	within(t, "seconds that rowan was held", held, 18, 25)
	if !refilled || pots != 6 {
		t.Errorf("refilled: %v, pots: %d", refilled, pots)
	}
}

// The same seed gives the same run.
func TestSeed(t *testing.T) {
	a, b := to(play(t, "demo"), 10*time.Second), to(play(t, "demo"), 10*time.Second)
	for name := range a {
		for point, v := range a[name].ReadsPa {
			if *v != *b[name].ReadsPa[point] {
				t.Errorf("%s %s: %v and %v", name, point, *v, *b[name].ReadsPa[point])
			}
		}
	}
}

// A pot with its gauges, and six; at least 500 times real time are wanted of one.
func BenchmarkStep(b *testing.B) {
	for _, name := range []string{"holds-pressure", "demo"} {
		b.Run(name, func(b *testing.B) {
			s, err := scenario.Builtin(name)
			if err != nil {
				b.Fatal(err)
			}
			w, err := scenario.NewWorld(s)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				w.Step()
			}
			b.ReportMetric(float64(b.N)*scenario.Tick.Seconds()/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}

// A step allocates nothing, whatever holds.
func TestStepAllocs(t *testing.T) {
	for _, name := range []string{"demo", "swapped-pair", "spikes", "weather-front", "handle-flickers"} {
		w := play(t, name)
		to(w, 50*time.Second)
		if n := testing.AllocsPerRun(200, w.Step); n > 0 {
			t.Errorf("%s: a step allocates %v times", name, n)
		}
	}
}
