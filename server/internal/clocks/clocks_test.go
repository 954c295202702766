package clocks_test

import (
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
)

var now = si.InstantOf(time.Date(2026, 5, 4, 9, 0, 0, 0, time.UTC))

func TestPlace(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name     string
		current  bool
		ahead    time.Duration
		measured bool
		first    si.Instant
		wait     bool
		shift    time.Duration
		estimate bool
	}{
		{name: "right", current: true, measured: true, ahead: 40 * time.Millisecond, first: now},
		{name: "20 min ahead: flagged, not moved", current: true, measured: true, ahead: 20 * time.Minute, first: now.Add(20 * time.Minute)},
		{name: "a year ahead", current: true, measured: true, ahead: 365*day + 300*time.Microsecond, first: now.Add(365 * day), shift: -365 * day},
		{name: "2 h behind", current: true, measured: true, ahead: -2 * time.Hour, first: now.Add(-2 * time.Hour), shift: 2 * time.Hour},
		{name: "not measured yet", current: true, first: now, wait: true},
		{name: "not measured yet, and wrong", current: true, first: 5_000_000, wait: true},
		{name: "an epoch before, right", first: now.Add(-20 * time.Hour)},
		{name: "an epoch before, of 1970", first: 5_000_000, shift: now.Add(-day + time.Second).Sub(5_000_000), estimate: true},
		{name: "an epoch before, of next year", first: now.Add(300 * day), shift: -301*day + time.Second, estimate: true},
	} {
		k := clocks.New(nil)
		if c.current {
			k.Began("quay-1", 7)
		} else {
			k.Began("quay-1", 8)
		}
		if c.measured {
			k.Measured("quay-1", 7, c.ahead)
		}
		p, fresh, ok := k.Place("quay-1", 7, c.first, c.first.Add(time.Second), now)
		if ok == c.wait || fresh == c.wait {
			t.Errorf("%s: decided %v, fresh %v", c.name, ok, fresh)
			continue
		}
		if c.wait {
			continue
		}
		want := clocks.Placement{Agent: "quay-1", Epoch: 7, Shift: c.shift, Estimated: c.estimate}
		if p != want {
			t.Errorf("%s: %+v, want %+v", c.name, p, want)
		}
		// Decided once: whatever is measured later changes nothing, nor does a start with what was stored.
		k.Measured("quay-1", 7, time.Hour*77)
		again, fresh, ok := k.Place("quay-1", 7, 1, 2, now.Add(99*day))
		other, _, _ := clocks.New([]clocks.Placement{again}).Place("quay-1", 7, 1, 2, now)
		if again != p || fresh || !ok || other != again {
			t.Errorf("%s: decided anew: %+v, %+v", c.name, again, other)
		}
	}
}

// TestOrder: epochs that nobody measured stand behind what came before them in the journal.
func TestOrder(t *testing.T) {
	k := clocks.New(nil)
	k.Began("quay-1", 99)
	end := now.Add(-5 * time.Hour)
	k.Stored("quay-1", end)
	k.Stored("quay-1", end.Add(-time.Minute))
	p, _, _ := k.Place("quay-1", 3, 3_000_000, 4_000_000, now)
	if at := si.Instant(3_000_000).Add(p.Shift); at.Sub(end) < 900*time.Millisecond || at.Sub(end) > 1100*time.Millisecond || !p.Estimated {
		t.Errorf("placed %v after what came before", at.Sub(end))
	}
}
