package scenario_test

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/sim-sensor/internal/scenario"
)

// The families of fills and wear have all points, ten rows a second, full pots that empty themselves, and the same site
// under the same seed; what differs from seed to seed does.
func TestFillFamilies(t *testing.T) {
	for _, name := range []string{scenario.SteadyFills, scenario.ChangedFills, scenario.LateShut, scenario.SlowWear} {
		volumes, nozzles, settings, electric, commissioned, pots := map[float64]bool{}, map[float64]bool{}, map[float64]bool{}, 0, 0, 0
		kinds := map[string]int{}
		for seed := range uint64(12) {
			s, err := scenario.Seeded(name, seed)
			if err != nil {
				t.Fatalf("%s seed %d: %v", name, seed, err)
			}
			if s.Rate != 10 {
				t.Errorf("%s seed %d: %g Hz", name, seed, s.Rate)
			}
			for _, p := range s.Pots {
				pots++
				volumes[float64(p.Vessel.Volume)], nozzles[float64(p.Nozzle.Bore)], settings[float64(p.Equipment.Metering)] = true, true, true
				if p.Control.Electric {
					electric++
				}
				if p.Commissioned != nil {
					commissioned++
				}
				for _, pt := range points.All() {
					if !p.Points.Has(pt) {
						t.Errorf("%s seed %d: %s has no %v", name, seed, p.Name, pt)
					}
				}
				if c := p.Script.Cycle; p.Vessel.HoldsPressure || p.Fill != 1 || c.RefillTo != 1 || c.Notices < 3*time.Second || c.Notices > 25*time.Second {
					t.Errorf("%s seed %d: %s holds %v, full to %v, %+v", name, seed, p.Name, p.Vessel.HoldsPressure, p.Fill, c)
				}
				for i := range p.Script.Events {
					kinds[p.Script.Events[i].Name]++
				}
			}
			if seed > 0 {
				continue
			}
			if again, err := scenario.Seeded(name, seed); err != nil || !reflect.DeepEqual(s, again) {
				t.Errorf("%s seed %d is not the same twice: %v", name, seed, err)
			}
			if _, err := scenario.NewWorld(s); err != nil {
				t.Errorf("%s seed %d: %v", name, seed, err)
			}
		}
		if len(volumes) < 4 || len(nozzles) < 3 || len(settings) < 8 || electric < 3 || commissioned < pots/3 || name == scenario.LateShut && commissioned < pots {
			t.Errorf("%s: %d volumes, %d nozzles, %d settings, %d electric, %d of %d commissioned", name, len(volumes), len(nozzles), len(settings), electric, commissioned, pots)
		}
		want := map[string][]string{scenario.ChangedFills: {"metering_by", "metering blocked", "metering bridged"}, scenario.LateShut: {"exhaust_shut"},
			scenario.SlowWear: {"metering_by", "nozzle_worn", "separator_lost", "exhaust_shut", "hose_kink", "choke_shut", "consumer"}}[name]
		for _, kind := range want {
			if kinds[kind] < 4 {
				t.Errorf("%s: %v", name, kinds)
			}
		}
		if len(kinds) != len(want) {
			t.Errorf("%s: %v", name, kinds)
		}
	}
}

// Settings change four times an hour, one after the other and each to another one; what clogs grows, stays and ends.
func TestFillScripts(t *testing.T) {
	changes, hours := 0, 0.0
	for seed := range uint64(12) {
		s, err := scenario.Seeded(scenario.ChangedFills, seed)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range s.Pots {
			var last *scenario.Event
			for i := range p.Script.Events {
				e := &p.Script.Events[i]
				if e.Name != "metering_by" {
					continue
				}
				if last != nil {
					if gap := e.At - last.At - last.For; gap.Abs() > time.Second {
						t.Errorf("seed %d: a setting ends at %v, the next begins at %v", seed, last.At+last.For, e.At)
					}
					if math.Abs(float64(e.Equipment.MeteringBy-last.Equipment.MeteringBy)) < 0.09 {
						t.Errorf("seed %d: from %v to %v", seed, last.Equipment.MeteringBy, e.Equipment.MeteringBy)
					}
					changes, hours = changes+1, hours+(e.At-last.At).Hours()
				}
				last = e
			}
		}
		wear, err := scenario.Seeded(scenario.SlowWear, seed)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range wear.Pots {
			for i := range p.Script.Events {
				e := &p.Script.Events[i]
				if slices.Contains([]string{"separator_lost", "exhaust_shut"}, e.Name) && !(e.Over >= 9*time.Minute && e.For >= e.Over+39*time.Minute && e.Every >= e.For+39*time.Minute) {
					t.Errorf("seed %d: %+v", seed, e)
				}
			}
		}
	}
	if each := 60 * hours / float64(changes); !(each > 14 && each < 16) {
		t.Errorf("a setting lasts %.1f min", each)
	}
}

// A crew of steady-fills empties the pot, lets go and fills it up, in about the time drawn, and nothing is ever wrong.
func TestSteadyFills(t *testing.T) {
	s, err := scenario.Seeded(scenario.SteadyFills, 2)
	if err != nil {
		t.Fatal(err)
	}
	w, err := scenario.NewWorld(s)
	if err != nil {
		t.Fatal(err)
	}
	emptied, filled := make([]time.Duration, len(s.Pots)), make([]time.Duration, len(s.Pots))
	long := 33 * time.Minute
	if testing.Short() { // will do for the race detector
		long = 3 * time.Minute
	}
	for w.At() < long {
		for range 100 {
			w.Step()
		}
		for i, row := range w.Truth() {
			if len(row.Faults) > 0 {
				t.Fatalf("%v: %v", w.At(), row.Faults)
			}
			switch {
			case emptied[i] == 0 && row.Level < 0.01:
				emptied[i] = w.At()
			case emptied[i] != 0 && filled[i] == 0 && row.Level > 0.99:
				filled[i] = w.At()
			}
		}
	}
	for i := range s.Pots {
		if !testing.Short() && !(emptied[i] > 12*time.Minute && filled[i] > emptied[i] && filled[i] < emptied[i]+6*time.Minute) {
			t.Errorf("%s: empty at %v, full at %v", s.Pots[i].Name, emptied[i], filled[i])
		}
	}
}

// Who notices lets go when no abrasive has come for so long, not while the vessel fills, and not when the metering valve is
// shut on purpose; who does not blasts on.
func TestNotices(t *testing.T) {
	for _, tt := range []struct {
		event, notices string
		from, to       float64 // s, the release of the first press
	}{
		{"", ", notices: 8 s", 200, 200},
		{"", "", 200, 200},
		{"{at: 60 s, metering: blocked}", ", notices: 8 s", 68, 78}, // the hose still empties itself
		{"{at: 60 s, metering: blocked}", "", 200, 200},
		{"{metering: blocked}", ", notices: 8 s", 14, 30},
		{"{at: 60 s, metering_by: -100 %}", ", notices: 8 s", 200, 200},
	} {
		text, err := scenario.Text("full-to-empty")
		if err != nil {
			t.Fatal(err)
		}
		file := strings.NewReplacer("fill: 15 %", "fill: 90 %", "press: 60 s", "press: 197 s", "vary: 30 %, ", "", "refill_time: 90 s}", "refill_time: 90 s"+tt.notices+"}\n      events: ["+tt.event+"]").Replace(string(text))
		s, err := scenario.Parse("notices.yaml", []byte(file))
		if err != nil {
			t.Fatal(err)
		}
		w, err := scenario.NewWorld(s)
		if err != nil {
			t.Fatal(err)
		}
		was := false
		for w.At() < 250*time.Second {
			w.Step()
			if now := w.Truth()[0].Pressed; was && !now {
				break
			} else {
				was = now
			}
		}
		if at := w.At().Seconds(); !(at > tt.from-0.1 && at < tt.to+0.1) {
			t.Errorf("%s%s: lets go at %.1f s, want %v to %v", tt.event, tt.notices, at, tt.from, tt.to)
		}
	}
}
