package guard_test

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/guard"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A clock set by hand.
type clock struct {
	now   si.Instant
	epoch uint64
}

func (c *clock) Read() (si.Instant, uint64) { return c.now, c.epoch }

func alder() vent.Pot {
	return vent.Pot{Name: "alder", Volume: 0.184, Rated: 150 * si.PSI, Target: 100 * si.PSI, Points: points.SetOf(points.Vessel, points.Control)}
}

// A rig feeds a guard ten times a second.
type rig struct {
	*guard.Guard
	clock *clock
	told  []vent.Word
}

func newRig(t *testing.T, dir string, p vent.Pot) *rig {
	t.Helper()
	r := &rig{clock: &clock{now: 1_760_000_000_000_000, epoch: 1}}
	g, err := guard.New(guard.Options{Pots: []vent.WatchParams{{Pot: p}}, Clock: r.clock, Dir: dir, Changed: func(pot string, w vent.Word) {
		if pot != "alder" {
			t.Errorf("told of %s", pot)
		}
		r.told = append(r.told, w)
	}})
	if err != nil {
		t.Fatal(err)
	}
	r.Guard = g
	return r
}

// run reads control and vessel (kPa, by seconds from now) for a while.
func (r *rig) run(seconds float64, control float64, vessel func(t float64) float64) {
	for i := 1; i <= int(seconds*10); i++ {
		r.clock.now = r.clock.now.Add(100 * time.Millisecond)
		at := r.clock.now.Add(-10 * time.Millisecond)
		r.Sample("alder", points.Sample{Point: points.Control, Quality: points.Good, At: at, Value: si.GaugePressure(control * si.KPa)})
		r.Sample("alder", points.Sample{Point: points.Vessel, Quality: points.Good, At: at + 1, Value: si.GaugePressure(vessel(float64(i)/10) * si.KPa)})
	}
}

func level(v float64) func(float64) float64 { return func(float64) float64 { return v } }

// cycle is a press of 10 s and its vent, on a gauge that reads off by offset kPa.
func (r *rig) cycle(offset float64) {
	r.run(5, 0, level(offset))
	r.run(10, 600, func(t float64) float64 { return offset + 650*math.Min(1, t/4) })
	r.run(20, 0, func(t float64) float64 { return offset + 650*math.Exp(-t/1.5) })
}

func TestWordsOfACycle(t *testing.T) {
	r := newRig(t, t.TempDir(), alder())
	if w := r.Word("alder"); w != vent.NotProven {
		t.Fatalf("before anything: %v", w)
	}
	r.run(20, 0, level(0))
	if w := r.Word("alder"); w != vent.NotProven {
		t.Fatalf("at zero since the start, no vent seen: %v", w)
	}
	r.cycle(0)
	if w := r.Word("alder"); w != vent.Vented {
		t.Fatalf("after a healthy vent: %v", w)
	}
	if w := r.Word("birch"); w != vent.NotProven {
		t.Errorf("a pot unknown: %v", w)
	}
	want := []vent.Word{vent.Pressurised, vent.NotProven, vent.Vented}
	if len(r.told) != 3 || r.told[0] != want[0] || r.told[1] != want[1] || r.told[2] != want[2] {
		t.Errorf("told %v, want %v", r.told, want)
	}
}

// The word holds no longer than the readings behind it: 2 s (R6).
func TestSilence(t *testing.T) {
	r := newRig(t, t.TempDir(), alder())
	r.cycle(0)
	r.told = nil
	r.clock.now = r.clock.now.Add(vent.MaxAge - 10*time.Millisecond)
	r.Check()
	if w := r.Word("alder"); w != vent.Vented {
		t.Errorf("within 2 s of the last reading: %v", w)
	}
	r.clock.now = r.clock.now.Add(10 * time.Millisecond)
	if w := r.Word("alder"); w != vent.NotProven {
		t.Errorf("2 s after the last reading: %v", w)
	}
	r.Check()
	r.Check()
	if len(r.told) != 1 || r.told[0] != vent.NotProven {
		t.Errorf("told %v", r.told)
	}
	// High pressure is not claimed for ever either.
	r.run(5, 0, level(300))
	r.clock.now = r.clock.now.Add(3 * time.Second)
	if w := r.Word("alder"); w != vent.NotProven {
		t.Errorf("3 s after a high reading: %v", w)
	}
}

// A step of the clock ends the run (R3): only another vent proves anything again.
func TestClockStep(t *testing.T) {
	for name, step := range map[string]time.Duration{"an hour back": -time.Hour, "an hour on": time.Hour} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, t.TempDir(), alder())
			r.cycle(0)
			r.clock.now, r.clock.epoch = r.clock.now.Add(step), 2
			if w := r.Word("alder"); w != vent.NotProven {
				t.Errorf("at the step: %v", w)
			}
			r.run(30, 0, level(0))
			if w := r.Word("alder"); w != vent.NotProven {
				t.Errorf("at zero after the step: %v", w)
			}
			r.cycle(0)
			if w := r.Word("alder"); w != vent.Vented {
				t.Errorf("after another vent: %v", w)
			}
		})
	}
}

// A reading stamped in an epoch that is over, far in the future, must not stand for now.
func TestFutureReading(t *testing.T) {
	r := newRig(t, t.TempDir(), alder())
	r.cycle(0)
	r.Sample("alder", points.Sample{Point: points.Vessel, Quality: points.Good, At: r.clock.now.Add(time.Hour)})
	r.clock.now = r.clock.now.Add(3 * time.Second)
	if w := r.Word("alder"); w != vent.NotProven {
		t.Errorf("on a reading of the future: %v", w)
	}
}

// A gauge proven faulty stays so over a restart, until a named person records another zero.
func TestFaultIsKept(t *testing.T) {
	dir := t.TempDir()
	r := newRig(t, dir, alder())
	r.run(10, 0, level(-20))
	r.cycle(0)
	if w := r.Word("alder"); w != vent.NotProven {
		t.Fatalf("a faulty gauge: %v", w)
	}
	r = newRig(t, dir, alder())
	r.cycle(0)
	if w := r.Word("alder"); w != vent.NotProven {
		t.Errorf("a faulty gauge after a restart: %v", w)
	}
	p := alder()
	p.Gauges[points.Vessel].Zero = &vent.Zero{Offset: 100, By: "the mechanic", At: "2025-10-09"}
	r = newRig(t, dir, p)
	r.cycle(0)
	if w := r.Word("alder"); w != vent.Vented {
		t.Errorf("after a recorded zero: %v", w)
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Errorf("left behind: %v, %v", entries, err)
	}
}

func TestLatchBroken(t *testing.T) {
	for name, text := range map[string]string{"empty": "", "cut": `{"faults":{"al`, "other": `{}`, "list": `[]`} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "sensor-fault.json"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, err := guard.New(guard.Options{Pots: []vent.WatchParams{{Pot: alder()}}, Clock: &clock{}, Dir: dir})
		if err == nil || !strings.Contains(err.Error(), "before you delete it") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Where the disk refuses, the finding holds in memory and is written as soon as it can be.
func TestLatchWrittenLater(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "later")
	r := newRig(t, dir, alder())
	r.run(10, 0, level(-20))
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	r.run(2, 0, level(0))
	text, err := os.ReadFile(filepath.Join(dir, "sensor-fault.json"))
	if err != nil || !strings.Contains(string(text), `"alder": "none"`) {
		t.Errorf("holds %s, %v", text, err)
	}
}

func TestPotTwice(t *testing.T) {
	if _, err := guard.New(guard.Options{Pots: []vent.WatchParams{{Pot: alder()}, {Pot: alder()}}, Clock: &clock{}}); err == nil {
		t.Error("taken")
	}
}

func TestRunLetsWordsGrowOld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, "", alder())
		r.cycle(0)
		r.clock.now = r.clock.now.Add(3 * time.Second)
		r.told = nil
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(2 * guard.Every)
		cancel()
		if err := <-done; err != nil || len(r.told) != 1 || r.told[0] != vent.NotProven {
			t.Errorf("%v, told %v", err, r.told)
		}
	})
}
