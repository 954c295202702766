package scenario_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/fault"
	"gritwatch/sim-sensor/internal/scenario"
)

// raw is what the line offers of a point, NaN for nothing.
func raw(t scenario.Truth, point string) float64 {
	if v := t.Raw[point]; v != nil {
		return *v
	}
	return math.NaN()
}

// The handle is pressed from 3 to 23, 43 to 63, 83 to 103, 123 to 143 s; its switch sticks from 95 to 125 s and is silent
// from 150 to 160 s.
func TestElectric(t *testing.T) {
	for at, want := range map[int]float64{2: 0, 4: 1, 22: 1, 24: 0, 94: 1, 104: 1, 122: 1, 126: 1, 144: 0, 151: math.NaN(), 161: 0} {
		got := to(play(t, "electric"), time.Duration(at)*time.Second)["alder"]
		if v := raw(got, "control"); v != want && !(math.IsNaN(v) && math.IsNaN(want)) {
			t.Errorf("at %d s the switch shows %v, want %v", at, v, want)
		}
		if _, ok := got.ReadsPa["control"]; ok || len(got.Raw) != 4 || len(got.ReadsPa) != 3 {
			t.Errorf("a switch reads a pressure: %+v", got)
		}
	}
	got := to(play(t, "electric"), 21*time.Second)["alder"]
	within(t, "vessel", vessel(got), 95, 120) // an electric handle works the pot all the same
}

// What a line offers is what the gauge shows in the line's own terms, but for the last digit: half of 0.001 psi, half of
// 0.01 bar, half a count, half the last digit of a text; a float32 has 24 bits.
func TestRaw(t *testing.T) {
	s, err := scenario.Parse("reference.yaml", []byte(scenario.Reference))
	if err != nil {
		t.Fatal(err)
	}
	w, err := scenario.NewWorld(s)
	if err != nil {
		t.Fatal(err)
	}
	whole := func(v float64) bool { return v == math.Round(v) }
	most := 0.0
	for w.At() < 40*time.Second {
		w.Step()
		got := truth(w)
		for _, tt := range []struct {
			pot, point string
			unit, off  float64 // Pa
			whole      bool
		}{
			{"alder", "supply", si.PSI, 0.2, false},
			{"alder", "vessel", si.Bar, 0.2, false},
			{"cedar", "vessel", si.PSI / 1000, si.PSI/2000 + 0.1, true},
			{"cedar", "separator", 1000, 500.1, true},
			{"cedar", "supply", si.PSI, si.PSI/200 + 0.2, false},
			{"cedar", "hose", si.Bar, 50.2, false},
		} {
			v, show := raw(got[tt.pot], tt.point), *got[tt.pot].ReadsPa[tt.point]
			if math.Abs(v*tt.unit-show) > tt.off || tt.whole && !whole(v) {
				t.Fatalf("at %v %s %s: the line offers %v, the gauge shows %v Pa", w.At(), tt.pot, tt.point, v, show)
			}
			most = max(most, show)
		}
		if v, show := raw(got["birch"], "vessel"), *got["birch"].ReadsPa["vessel"]; !whole(v) || math.Abs((v/27648*20-4)/16*200*si.PSI-show) > 200*si.PSI/27648*20/16/2+0.2 {
			t.Fatalf("at %v the module offers %v, the gauge shows %v Pa", w.At(), v, show)
		}
		if v := raw(got["cedar"], "control"); v != 0 && v != 1 || (v == 1) != got["cedar"].Pressed {
			t.Fatalf("the switch offers %v", v)
		}
	}
	if most < 90*si.PSI {
		t.Errorf("nothing went above %v Pa", most)
	}
}

// Whole numbers stay at their ends; a failed transmitter shows its far end, a silent one nothing.
func TestRawEnds(t *testing.T) {
	for _, tt := range []struct {
		replace, with string // of the vessel gauge, which is unit 23's int32 in thousandths of a psi
		event         string
		want          float64
	}{
		{"type: int32", "type: int32", "failed: true", math.MinInt32},
		{"type: int32", "type: int32", "unplugged: true", math.NaN()},
		{"type: int32", "type: int32", "drift: 200000 bar", math.MaxInt32},
		{"type: int32, order: high-first", "type: int16", "failed: true", math.MinInt16},
		{"type: int32, order: high-first", "type: int16", "drift: 10 bar", math.MaxInt16},
		{"type: int32, order: high-first", "type: uint16", "failed: true", math.MaxUint16},
		{"type: int32, order: high-first", "type: uint16", "drift: -1 bar", 0},
		{"type: int32, order: high-first", "type: uint16", "drift: 10 bar", math.MaxUint16},
		{"type: int32, ", "", "failed: true", math.NaN()},
	} {
		text := strings.NewReplacer(tt.replace, tt.with, "{at: 60 s, for: 30 s, gauge: control, stuck: true}", "{at: 10 ms, gauge: vessel, "+tt.event+"}").Replace(scenario.Reference)
		s, err := scenario.Parse("reference.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		w, err := scenario.NewWorld(s)
		if err != nil {
			t.Fatal(err)
		}
		got := to(w, 100*time.Millisecond)["cedar"]
		if v := raw(got, "vessel"); v != tt.want && !(math.IsNaN(v) && math.IsNaN(tt.want)) {
			t.Errorf("%s, %s: %v, want %v", tt.with, tt.event, v, tt.want)
		}
	}
}

// While a fault of a line holds, the pots that it meets say so, and no others.
func TestLineFaultsAreTrue(t *testing.T) {
	w := play(t, "line-faults")
	seen := map[string]int{}
	for w.At() < 160*time.Second {
		for range 50 {
			w.Step()
		}
		for _, f := range truth(w)["alder"].Faults {
			seen[f]++
		}
		if w.Now() != w.At() {
			t.Fatalf("the lines have %v at %v", w.Now(), w.At())
		}
	}
	for k := range fault.Kind(fault.Kinds) {
		if n := seen["line "+k.String()]; n != 20 { // 10 s, looked at every half
			t.Errorf("%v holds at %d half seconds", k, n)
		}
	}

	text := strings.Replace(scenario.Reference, "{at: 245 s", "{at: 1 s", 1) // exception, of unit 21, where only alder is
	text = strings.Replace(text, "    faults:\n      - {at: 200 s", "    faults:\n      - {at: 2 s, for: 1 s, noise: 1 %}\n      - {at: 200 s", 1)
	s, err := scenario.Parse("reference.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if w, err = scenario.NewWorld(s); err != nil {
		t.Fatal(err)
	}
	got := to(w, 2500*time.Millisecond)
	for pot, want := range map[string][]string{"alder": {"line noise", "line exception"}, "birch": {"line noise"}, "cedar": {"line noise"}} {
		if faults := got[pot].Faults; len(faults) < len(want) || !slices.Equal(faults[len(faults)-len(want):], want) {
			t.Errorf("%s: faults %v, want %v", pot, faults, want)
		}
	}
}
