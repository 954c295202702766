package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
)

// TestClockIsBounded: an agent that is reborn without end makes the clock neither grow nor believe a reading younger.
func TestClockIsBounded(t *testing.T) {
	var c vent.Clock
	at := instant(100)
	add := func(i int) {
		sent := time.Duration(i) * time.Millisecond
		c.Add(sent, sent+5*time.Millisecond, at.Add(sent))
	}
	for i := range 5000 {
		add(i)
	}
	next := 5000
	if n := testing.AllocsPerRun(1000, func() { add(next); next++ }); n != 0 {
		t.Errorf("%v allocations an echo once it is full", n)
	}
	now := time.Duration(next) * time.Millisecond
	age, ok := c.Age(at.Add(now), now)
	if !ok || age < 0 || age > 100*time.Millisecond {
		t.Errorf("a reading of this moment is told %v old (%v)", age, ok)
	}
}
