package vent_test

import (
	"fmt"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// releaseConditions are those that rest on a release.
var releaseConditions = []vent.Condition{vent.VentSlow, vent.VesselHeld, vent.PressureCreep, vent.StopSlow}

// silent plays the rig on for a time of which no reading comes.
func (r *ventRig) silent(d time.Duration) {
	w := r.w
	r.w = vent.NewWatch(watched(0))
	r.run(d, nil)
	r.w = w
}

// none fails if anything that rests on a release was found.
func (r *ventRig) none(t *testing.T, when string) {
	t.Helper()
	for _, c := range releaseConditions {
		if f := r.w.Find(c); f.On {
			t.Fatalf("%s, at %.1f s: %v %+v", when, r.released, c, f)
		}
	}
}

// inVent is a rig that was pressed for two seconds and let go for as long as given.
func inVent(p vent.WatchParams, seed uint64, since time.Duration) *ventRig {
	r := newVentRig(p, seed)
	r.controlled(2*time.Second, 1, true, nil)
	r.released = 0
	r.controlled(since, 1, false, nil)
	return r
}

// Readings that stop in a vent and come again when the pot is pressed, or in the healthy vent after that press, are no vent that was slow or
// stalled, however many the vessel has before the handle is told.
func TestPressInASilence(t *testing.T) {
	for _, length := range []time.Duration{4, 7, 20, 32, 60, 90} {
		for _, before := range []int{0, 1, 5} { // readings of the vessel before that of the handle
			for _, again := range []float64{-1, 0.5, 1, 2, 4} { // s since the second release when readings come again; negative: pressed
				seed := uint64(length)*100 + uint64(before)
				r := inVent(watched(emptyVent()), seed, 2500*time.Millisecond)
				when := fmt.Sprintf("silent for %v s, %d readings before the handle's, released again for %v s", int(length), before, again)
				r.silent(length*time.Second - time.Duration(max(0, again)*float64(time.Second)))
				r.p, r.released = 690e3+ambient, -1
				if again >= 0 {
					r.released = 0
					r.silent(time.Duration(again * float64(time.Second)))
				}
				for range before {
					r.run(r.period, func() { r.none(t, when) })
				}
				r.controlled(60*time.Second, 1, again < 0, func() { r.none(t, when) })
			}
		}
	}
}

// A vessel that holds pressure before, in and after a silence is found as soon as it was watched for as long as any that stalls: also where the handle
// is never told again, and on a line that is only read once in three seconds.
func TestHeldThroughASilence(t *testing.T) {
	for name, c := range map[string]struct {
		since, silent time.Duration
		every         int // readings of the vessel to one of the handle; 0: it has died
		period        time.Duration
		within        time.Duration
		holds         bool
	}{
		"both come again":      {since: 2 * time.Second, silent: 25 * time.Second, every: 1, period: 100 * time.Millisecond, within: 5 * time.Second},
		"a short silence":      {since: 2 * time.Second, silent: 3 * time.Second, every: 1, period: 100 * time.Millisecond, within: 5 * time.Second},
		"the handle has died":  {since: 2 * time.Second, silent: 60 * time.Second, every: 0, period: 100 * time.Millisecond, within: 8 * time.Second},
		"a sparse line":        {since: 2 * time.Second, silent: 10 * time.Second, every: 1, period: 3 * time.Second, within: 2*emptyVent() + 6*time.Second},
		"a pot that may be up": {since: 3 * time.Second, silent: 25 * time.Second, every: 1, period: 100 * time.Millisecond, within: 5 * time.Second, holds: true},
	} {
		t.Run(name, func(t *testing.T) {
			p := watched(emptyVent())
			p.Pot.HoldsPressure = c.holds
			r := newVentRig(p, 7)
			r.stopAt = 300e3
			r.controlled(2*time.Second, 1, true, nil)
			r.released = 0
			r.controlled(c.since, 1, false, nil)
			r.none(t, "before the silence")
			r.silent(c.silent)
			woke, found := r.released, 0.0
			r.period = c.period
			each := func() {
				if found == 0 && r.w.Find(vent.VesselHeld).On {
					found = r.released
				}
			}
			if c.every == 0 {
				r.run(c.within+time.Second, each)
			} else {
				r.controlled(c.within+2*c.period, c.every, false, each)
			}
			if found == 0 || found > woke+c.within.Seconds() {
				t.Errorf("found %.1f s after the release, readings came again at %.1f s, within %v", found, woke, c.within)
			}
		})
	}
}

// A blast that goes on through a silence is found once it was watched for as long as any.
func TestBlastThroughASilence(t *testing.T) {
	r := inVent(watched(emptyVent()), 5, time.Second)
	blast := func() {
		r.w.Step(points.Sample{Point: points.Hose, Quality: points.Good, At: r.at, Value: 500 * si.KPa}, r.handle)
	}
	r.controlled(time.Second, 1, true, blast)
	r.stopAt, r.p, r.released = 1e9, 690e3+ambient, 0
	r.controlled(time.Second, 1, false, blast)
	r.silent(30 * time.Second)
	woke := r.released
	for !r.w.Find(vent.StopSlow).On {
		if r.released > woke+7 {
			t.Fatal("not found 7 s after readings came again")
		}
		r.controlled(r.period, 1, false, blast)
	}
}

// Readings that are missing around a release make it no vent that is slower than expected: when in that time it was let go is not known.
func TestReleaseInAHole(t *testing.T) {
	for _, hole := range []time.Duration{400, 700, 960, 1400} {
		for _, into := range []time.Duration{0, 100, 300, 600, 900, 1300} { // of the hole, until the release
			if into > hole {
				continue
			}
			for _, before := range []int{0, 2} { // readings of the vessel before that of the handle
				seed := uint64(hole*10+into) + uint64(before)
				r := newVentRig(watched(emptyVent()), seed)
				r.controlled(2*time.Second, 1, true, nil)
				last := r.at
				r.w.Expect(3700*time.Millisecond, 250*time.Millisecond)
				r.silent(into * time.Millisecond)
				r.released = 0
				r.silent((hole - into) * time.Millisecond)
				for range before {
					r.run(r.period, nil)
				}
				r.handle = vent.Handle{Known: true, Since: last}
				r.run(12*time.Second, func() {
					r.w.Step(points.Sample{Point: points.Control, Quality: points.Good, At: r.at}, r.handle)
					r.none(t, fmt.Sprintf("released %v ms into a hole of %v ms", int(into), int(hole)))
				})
			}
		}
	}
}
