package alarm

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/gauges"
)

// anyKey is a key of what is configured.
func anyKey(t *rapid.T) Key {
	k := Key{Kind: Kind(rapid.IntRange(0, Kinds-1).Draw(t, "kind"))}
	switch k.Kind {
	case AgentSilent, ClockSkew:
		k.Agent = rapid.SampledFrom([]string{"quay-1", "quay-2"}).Draw(t, "agent")
		return k
	case SensorFault:
		k.Point = rapid.SampledFrom([]string{"vessel", "hose"}).Draw(t, "point")
		k.Fault = rapid.SampledFrom([]string{"stuck", "noisy", "declared-error"}).Draw(t, "fault")
	}
	k.Pot = rapid.SampledFrom([]string{"alder", "birch", "cedar"}).Draw(t, "pot")
	return k
}

// likely are keys that have to do with each other, so that random sequences meet.
func likelyKey(t *rapid.T) Key {
	if rapid.IntRange(0, 4).Draw(t, "any") == 0 {
		return anyKey(t)
	}
	return rapid.SampledFrom([]Key{latch, plain, alone, under, over, silent, lost, {Pot: "birch", Kind: VesselHeld}, {Pot: "alder", Kind: VentSlow}}).Draw(t, "key")
}

// mostOpen is how many alarms a pot can have at once: one of each kind, and of each gauge and fault.
const mostOpen = Kinds - 3 + points.Count*faultKinds

// A held is what must have happened to a latched alarm before it may go, reckoned apart from the board.
type held struct{ on, ended, answered, known, reset bool }

// TestRandom: whatever comes in whatever order, no critical alarm of a vessel is shelved or out of service; a latched one
// goes only by its conditions; what stands is never lost; no pot has more alarms than it can have; and a board made
// from the records is the same. A comment changes nothing (see rig.do).
func TestRandom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(t)
		stands := map[Key]bool{}
		helds := map[string]*held{"alder": {}, "birch": {}, "cedar": {}}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			k := likelyKey(t)
			h := helds[k.Pot]
			r.late = time.Duration(rapid.IntRange(0, 3).Draw(t, "late")) * 20 * time.Second
			open := r.state(k) != Normal
			switch op := rapid.SampledFrom([]string{"on", "on", "on", "off", "off", "answer", "wait", "acknowledge", "reset", "shelve", "unshelve", "take out", "bring back", "comment", "restart"}).Draw(t, "do"); op {
			case "on":
				r.found(k, true)
				if k.Kind == VesselHeld && !stands[k] {
					*h = held{on: true}
				}
				stands[k] = true
			case "off":
				r.found(k, false)
				if k.Kind == VesselHeld && stands[k] {
					h.ended = true
				}
				stands[k] = false
			case "answer":
				if k.Pot == "" {
					continue
				}
				r.proven(k.Pot)
				h.answered = h.answered || h.ended
			case "wait":
				r.after(time.Duration(rapid.Int64Range(0, int64(3*time.Hour)).Draw(t, "wait")))
			case "restart":
				before := r.b.Open()
				if err := r.restart(); err != nil {
					t.Fatalf("%v", err)
				}
				wantSame(t, before, r.b.Open())
			default:
				can := false
				for _, v := range r.b.Open() {
					can = can || v.Key == k && slices.Contains(v.Can, strings.ReplaceAll(op, " ", "-"))
				}
				err := r.do(op, k)
				if (err == nil) != can {
					t.Fatalf("%s of %v: people were told that it can be done: %t, and then: %v", op, k, can, err)
				}
				if k.Kind == VesselHeld {
					h.known = h.known || op == "acknowledge" && err == nil
					h.reset = h.reset || op == "reset" && err == nil
					if op == "reset" && err == nil && !h.ended {
						t.Fatalf("reset while its condition stands")
					}
				}
				if err == nil && !open {
					t.Fatalf("%s of an alarm that is not open", op)
				}
			}
			each := map[string]int{}
			var seen []string
			for _, v := range r.b.Open() {
				each[v.Key.Pot]++
				seen = append(seen, v.ID)
				vessel := slices.Contains([]Kind{VesselHeld, VentSlow, PressureCreep, VesselUnknown, OverPressure}, v.Key.Kind) ||
					v.Key.Point == "vessel" && v.Key.Fault != "noisy"
				if vessel && (v.State == Shelved || v.State == OutOfService) {
					t.Fatalf("%v is %s", v.Key, v.State)
				}
				if v.Key.Kind != VesselUnknown && vessel && v.State == Suppressed {
					t.Fatalf("%v is %s", v.Key, v.State)
				}
				if v.Active != stands[v.Key] {
					t.Fatalf("%v stands %v, shown as %v", v.Key, stands[v.Key], v.Active)
				}
			}
			for pot, n := range each {
				if pot != "" && n > mostOpen {
					t.Fatalf("%s has %d alarms", pot, n)
				}
			}
			for k, is := range stands {
				if is && r.state(k) == Normal {
					t.Fatalf("%v stands and is not open", k)
				}
			}
			for pot, h := range helds {
				if k := (Key{Pot: pot, Kind: VesselHeld}); h.on && r.state(k) == Normal && !h.reset && !(h.ended && h.answered && h.known) {
					t.Fatalf("vessel-held of %s is gone: %+v", pot, *h)
				}
			}
			var recorded []string
			for _, a := range r.s.open() {
				recorded = append(recorded, a.ID)
			}
			slices.Sort(recorded)
			slices.Sort(seen)
			if !slices.Equal(recorded, seen) {
				t.Fatalf("recorded %v, open %v", recorded, seen)
			}
		}
	})
}

// TestMostOpen: a pot of which everything is found at once has as many alarms as it can have, however often it is found.
func TestMostOpen(t *testing.T) {
	r := newRig(t)
	for range 3 {
		for k := range Kind(Kinds) {
			switch k {
			case AgentSilent, ClockSkew:
			case SensorFault:
				for _, p := range points.All() {
					for f := range gauges.Kinds + 1 {
						r.found(Key{Pot: "alder", Kind: k, Point: p.String(), Fault: faultName(f)}, true)
					}
				}
			default:
				r.found(Key{Pot: "alder", Kind: k}, true)
			}
		}
	}
	if n := len(r.b.Open()); n != mostOpen {
		t.Errorf("%d open, want %d", n, mostOpen)
	}
}

// TestDetectorAndBoard: noise and accidents over both together. A restart at any moment, with a watch that knows nothing,
// neither raises a standing alarm again nor loses one.
func TestDetectorAndBoard(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := newRig(t)
		p := newPot(nil)
		var found []Found
		step := func() {
			for range 100 {
				p.s.At = p.s.At.Add(100 * time.Millisecond)
				r.at = p.s.At
				found = p.d.Step(&p.s, found[:0])
				for _, f := range found {
					r.took(r.b.Note(f, nil))
				}
			}
		}
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			switch rapid.SampledFrom([]string{"held", "ends", "empty", "flows", "stuck", "restart"}).Draw(t, "do") {
			case "held":
				p.w.vent[VesselHeld].On, p.w.vent[VesselHeld].Since = true, p.s.At
			case "ends":
				p.w.vent[VesselHeld].On, p.w.vent[VesselHeld].Since = false, p.s.At
			case "empty":
				p.s.Level.Feed = Empty
			case "flows":
				p.s.Level.Feed = Flowing
			case "stuck":
				p.w.gauges[points.Vessel][gauges.Stuck].On, p.w.gauges[points.Vessel][gauges.Stuck].Since = true, p.s.At
			case "restart":
				before := r.b.Open()
				if err := r.restart(); err != nil {
					t.Fatalf("%v", err)
				}
				q := newPot(nil)
				q.s.At, q.s.Level = p.s.At, p.s.Level
				for _, k := range r.b.Standing("alder", "") {
					q.d.Assume(k)
				}
				p = q
				r.loud = 0
				step()
				if r.loud != 0 || len(r.b.Open()) != len(before) {
					t.Fatalf("after a restart %d told, %v; before %v", r.loud, r.b.Open(), before)
				}
				continue
			}
			step()
		}
	})
}
