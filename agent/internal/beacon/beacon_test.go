package beacon_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/agent/internal/beacon"
	"gritwatch/agent/internal/config"
	"gritwatch/protocol/modbus"
)

const ms = time.Millisecond

var start = time.Unix(1_000_000, 0)

// unit is a relay: coil 0 and coil 7 with its watchdog, coil 1 lit by change for hold.
type unit struct {
	watchdog, hold time.Duration
	coils          [8]bool
	dead           bool // coil 0 is never on
	fed, changed   time.Time
}

func (u *unit) settle(now time.Time) {
	if now.Sub(u.fed) > u.watchdog {
		u.coils[0], u.coils[7] = false, false
	}
}

func (u *unit) lit(coil int, now time.Time) bool {
	if u.settle(now); coil == 1 {
		return !u.changed.IsZero() && now.Sub(u.changed) <= u.hold
	}
	return u.coils[coil]
}

// do does what the action asks for and gives the value where it is a reading.
func (u *unit) do(a beacon.Action, now time.Time) (value uint16) {
	u.settle(now)
	switch {
	case a.Writes():
		if u.fed = now; a.Write.Address == 1 && u.coils[1] != a.Write.On() {
			u.changed = now
		}
		u.coils[a.Write.Address] = a.Write.On() && !(u.dead && a.Write.Address == 0)
	case a.Function == modbus.ReadDiscreteInputs && u.lit(int(a.Address), now), a.Function == modbus.ReadCoils && u.coils[a.Address]:
		return 1
	}
	return 0
}

// rig drives a line in steps of 10 ms.
type rig struct {
	*beacon.Line
	unit   unit
	now    time.Time
	vented bool
	events []beacon.Event
	asked  []beacon.Action
	what   func(beacon.Action) (outcome beacon.Outcome, done bool) // nil: all is well
}

func newRig(beacons ...config.Beacon) *rig {
	r := &rig{unit: unit{watchdog: 2 * time.Second, hold: 1500 * ms, fed: start.Add(-time.Hour)}, now: start}
	r.Line = beacon.New([]config.Unit{{Unit: 5, Beacons: beacons}}, beacon.Options{Busy: 150 * ms, Tell: func(e beacon.Event) { r.events = append(r.events, e) }})
	return r
}

func watched() config.Beacon {
	return config.Beacon{Pot: "alder", Watchdog: 2 * time.Second, Prove: &config.Output{Address: 7}}
}

func changed() config.Beacon {
	contact := uint16(1)
	return config.Beacon{Pot: "birch", Output: config.Output{Address: 1}, Contact: &contact}
}

// serve does what is to be done now.
func (r *rig) serve(t interface{ Fatalf(string, ...any) }) {
	for n := 0; ; n++ {
		if n > 50 {
			t.Fatalf("there is no end to what is to be done: %+v", r.asked[len(r.asked)-5:])
		}
		word := r.vented
		a, ok := r.Next(r.now, func(string) bool { return word }, false)
		if !ok {
			return
		}
		if r.Rests(a.Unit, r.now) {
			t.Fatalf("asks a unit that is left alone")
		}
		outcome, done := beacon.Good, true
		if r.what != nil {
			outcome, done = r.what(a)
		}
		var value uint16
		if done {
			value = r.unit.do(a, r.now)
		}
		r.asked = append(r.asked, a)
		r.Done(a, r.now, value, outcome)
	}
}

func (r *rig) run(t *testing.T, d time.Duration) {
	t.Helper()
	for end := r.now.Add(d); r.now.Before(end); r.now = r.now.Add(10 * ms) {
		r.serve(t)
	}
}

func (r *rig) text() (out []string) {
	for _, e := range r.events {
		out = append(out, fmt.Sprint([...]string{"lit", "dark", "proven", "unproven", "faulty", "fatal"}[e.Kind], " ", e.Pot))
	}
	return out
}

func TestFromStartToLight(t *testing.T) {
	r := newRig(watched(), changed())
	r.vented = true // from the first moment: nothing is lit before its proof
	r.run(t, 2300*ms)
	if r.unit.coils[0] || !r.unit.changed.IsZero() {
		t.Error("lit before it was proven")
	}
	if first := r.asked[0]; !first.Writes() || first.Write.On() || first.Write.Address != 0 {
		t.Errorf("the first thing is %+v, want coil 0 off", first)
	}
	r.run(t, 6*time.Second)
	if !r.unit.lit(0, r.now) || !r.unit.lit(1, r.now) {
		t.Errorf("not lit: %v", r.text())
	}
	// The one lit by change goes through its trial: lit, seen to drop out, lit.
	if got := strings.Join(slices.DeleteFunc(r.text(), func(s string) bool { return strings.HasSuffix(s, "alder") }), ", "); got != "proven birch, lit birch, dark birch, lit birch" {
		t.Errorf("birch: %s", got)
	}
	var last time.Time
	for _, a := range r.asked {
		if a.Writes() && a.Write.On() && a.Write.Address == 0 {
			if a.Until.IsZero() {
				t.Fatal("a write that lights may be sent at any time")
			}
			if at := a.Until.Add(-beacon.Held); !last.IsZero() && at.Sub(last) > beacon.Refresh-150*ms+10*ms {
				t.Errorf("kept alight after %v", at.Sub(last))
			}
			last = a.Until.Add(-beacon.Held)
		}
	}
}

func TestTestOutputIsSwitchedOff(t *testing.T) {
	r := newRig(watched())
	r.unit.watchdog = time.Hour // it has none
	r.run(t, 4*time.Second)
	if r.unit.coils[7] || r.unit.coils[0] {
		t.Error("an output was left on by the proof")
	}
	if got := strings.Join(r.text(), ", "); got != "unproven alder" || !strings.Contains(r.events[0].Why, "set the relay's watchdog to 2 s") {
		t.Errorf("%s: %v", got, r.events)
	}
}

func TestWithoutMeansOfProof(t *testing.T) {
	bare, blind := watched(), changed()
	bare.Prove, blind.Contact = nil, nil
	r := newRig(bare, blind)
	r.vented = true
	r.run(t, 20*time.Second)
	for _, a := range r.asked {
		if a.Writes() && (a.Write.On() || a.Write.Address != 0) {
			t.Fatalf("wrote %+v", a.Write)
		}
	}
	if got := strings.Join(r.text(), ", "); got != "unproven alder, unproven birch" {
		t.Error(got)
	}
}

// A unit that was away may be another one: it is proven again.
func TestUnitThatWasAway(t *testing.T) {
	r := newRig(watched(), changed())
	r.vented = true
	r.run(t, 10*time.Second)
	r.what = func(beacon.Action) (beacon.Outcome, bool) { return beacon.NoAnswer, false }
	r.run(t, 4*time.Second)
	if r.unit.lit(0, r.now) || r.unit.lit(1, r.now) {
		t.Error("lit with a unit that was not reached for 4 s")
	}
	n := len(r.events)
	r.what = nil
	r.run(t, 2300*ms)
	if r.unit.lit(0, r.now) || r.unit.lit(1, r.now) {
		t.Error("lit before it was proven again")
	}
	r.run(t, 8*time.Second)
	if !r.unit.lit(0, r.now) || !r.unit.lit(1, r.now) || !slices.Contains(r.text()[n:], "proven alder") || !slices.Contains(r.text()[n:], "proven birch") {
		t.Errorf("afterwards: %v", r.text()[n:])
	}
}

func TestSomebodyElse(t *testing.T) {
	r := newRig(watched(), changed())
	r.run(t, 10*time.Second)
	r.unit.coils[0], r.unit.fed = true, r.now
	r.run(t, 1100*ms)
	if r.unit.coils[0] || !slices.Contains(r.text(), "faulty alder") {
		t.Errorf("switched on by somebody else: still on %v, %v", r.unit.coils[0], r.text())
	}
	r.vented = true
	r.run(t, 3*time.Second)
	if !r.unit.lit(0, r.now) {
		t.Error("not lit with the next word")
	}
	r.unit.dead = true // as one that somebody else keeps off
	r.run(t, 1100*ms)
	if !slices.ContainsFunc(r.events, func(e beacon.Event) bool {
		return e.Kind == beacon.Faulty && e.Why == "it reads off while it should be on"
	}) {
		t.Errorf("it does not go on, and nobody says so: %v", r.text())
	}
	r.unit.dead = false
	r.run(t, 10*time.Second)
	if r.unit.coils[0] {
		t.Error("lit before another word was said")
	}
	r.vented = false
	r.run(t, 3*time.Second)
	r.vented = true
	r.run(t, 3*time.Second)
	if !r.unit.coils[0] {
		t.Error("not lit with the next word")
	}
}

func TestLostLineAndEnd(t *testing.T) {
	r := newRig(watched(), changed())
	r.vented = true
	r.run(t, 10*time.Second)
	last := r.Last(r.now)
	var off []uint16
	for _, a := range last {
		if a.Write.On() {
			t.Errorf("the end writes %+v", a.Write)
		}
		off = append(off, a.Write.Address)
	}
	if !slices.Contains(off, 0) || !slices.Contains(off, 7) {
		t.Errorf("the end switches off %v, want 0 and 7 among them", off)
	}
	r = newRig(watched(), changed())
	r.vented = true
	r.run(t, 10*time.Second)
	r.Lost(r.now)
	if got := r.text(); got[len(got)-1] != "dark birch" || got[len(got)-2] != "dark alder" {
		t.Error(got)
	}
	// What is lit by change is not written to when the line is back and the word has gone: that would light it.
	r.vented = false
	r.now = r.now.Add(20 * time.Second)
	before := r.unit.changed
	r.run(t, 5*time.Second)
	if r.unit.changed != before {
		t.Error("lit by switching it off")
	}
}

// Whatever is answered, done or lost, and however the word changes: no lamp is lit 3 s after its word fell, the
// unit's watchdog being as configured, and the beacons being served at least four times a second.
func TestNeverLitWithoutTheWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(watched(), changed())
		outcomes := []beacon.Outcome{beacon.Good, beacon.Refused, beacon.Unclear, beacon.NoAnswer, beacon.Unsent}
		mood, fell := 0, start
		r.what = func(beacon.Action) (beacon.Outcome, bool) {
			if mood == 0 {
				return beacon.Good, true
			}
			o := beacon.Refused
			if mood == 1 {
				o = rapid.SampledFrom(outcomes).Draw(t, "outcome")
			}
			switch o {
			case beacon.Good:
				return o, true
			case beacon.Unsent:
				return o, false
			case beacon.Refused:
				r.unit.settle(r.now)
				r.unit.fed = r.now // by whatever it hears, done or not
				return o, false
			}
			return o, rapid.Bool().Draw(t, "done")
		}
		for range rapid.IntRange(1, 60).Draw(t, "spells") {
			// All is well, anything may happen, or the unit hears everything and does nothing.
			mood = rapid.IntRange(0, 2).Draw(t, "mood")
			if word := rapid.Bool().Draw(t, "word"); word != r.vented {
				r.vented, fell = word, r.now
			}
			if rapid.IntRange(0, 9).Draw(t, "lost") == 0 {
				r.Lost(r.now)
			}
			for range rapid.IntRange(1, 30).Draw(t, "steps") {
				r.serve(t)
				for range rapid.IntRange(1, 25).Draw(t, "10 ms") {
					r.now = r.now.Add(10 * ms)
					for coil := range 2 {
						if r.unit.lit(coil, r.now) && !r.vented && r.now.Sub(fell) > 3*time.Second {
							t.Fatalf("coil %d is lit %v after the word fell: %v", coil, r.now.Sub(fell), r.text())
						}
					}
				}
			}
		}
	})
}
