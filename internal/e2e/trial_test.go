package e2e_test

import (
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"
)

// A trial is one go at a scenario that is timed. A line that a busy machine serves late is to an agent a line that does not
// answer, and then a healthy pot cannot be said to be what it is. So where a trial has fallen short while the machine was late, by the
// simulator's own record, there is another; the last one stands whatever the machine did. What may never be, late or not, is
// told by never.
type trial struct {
	testing.TB
	lateness func() string // how late the machine was; empty: it was not

	mu       sync.Mutex
	short    []string
	cleanups []func()
}

// trials are how often a scenario is played at most.
const trials = 3

// over ends a trial.
type over struct{}

// try plays a scenario, and again where a busy machine may have spoilt it.
func try(t *testing.T, play func(x *trial)) {
	t.Helper()
	for n := 1; ; n++ {
		x := &trial{TB: t, lateness: func() string { return "" }}
		late := x.run(play)
		if len(x.short) > 0 && late != "" && n < trials && !t.Failed() {
			t.Logf("played again, as %s, and so fell short: %q", late, x.short)
			continue
		}
		for _, s := range x.short {
			t.Error(s)
		}
		if late != "" {
			t.Logf("%s", late)
		}
		return
	}
}

func (x *trial) run(play func(x *trial)) (late string) {
	defer func() {
		if v := recover(); v != nil && v != (any)(over{}) {
			panic(v)
		}
		late = x.lateness()
		for len(x.cleanups) > 0 {
			last := x.cleanups[len(x.cleanups)-1]
			x.cleanups = x.cleanups[:len(x.cleanups)-1]
			last()
		}
	}()
	play(x)
	return ""
}

func (x *trial) Cleanup(f func()) { x.cleanups = append(x.cleanups, f) }

func (x *trial) falls(text string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.short = append(x.short, text)
}

// Failed tells whether this trial has fallen short.
func (x *trial) Failed() bool {
	x.mu.Lock()
	defer x.mu.Unlock()
	return len(x.short) > 0 || x.TB.Failed()
}

func (x *trial) Error(args ...any) { x.falls(fmt.Sprint(args...)) }

func (x *trial) Errorf(format string, args ...any) { x.falls(fmt.Sprintf(format, args...)) }

func (x *trial) Fatal(args ...any) { x.Error(args...); panic(over{}) }

func (x *trial) Fatalf(format string, args ...any) { x.Errorf(format, args...); panic(over{}) }

// never fails the test, whatever the machine did.
func (x *trial) never(format string, args ...any) {
	x.Helper()
	x.TB.Errorf(format, args...)
}

// always is how what must hold on any machine is told to have failed, in a trial as elsewhere.
func always(t testing.TB) func(format string, args ...any) {
	if x, is := t.(*trial); is {
		return x.never
	}
	return t.Errorf
}

// by takes the record of a simulator that writes a row every so often as the measure of the machine.
func (x *trial) by(truth string, every time.Duration) {
	x.lateness = func() string { return lateBy(x.TB, truth, every) }
}

// forgiven is how late a row of the truth may be: an agent waits 100 ms for a reply.
const forgiven = 60 * time.Millisecond

// lateBy tells of the rows of a simulator's record that were written late.
func lateBy(t testing.TB, path string, every time.Duration) string {
	var last, at time.Time
	var longest time.Duration
	n := 0
	for _, row := range jsonLines[truth](t, path) {
		if d := row.T.Sub(last); !last.IsZero() && d > every+forgiven {
			n++
			if d-every > longest {
				longest, at = d-every, row.T
			}
		}
		last = row.T
	}
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("the simulator was late %d times, once by %v, at %s", n, longest.Round(time.Millisecond), at.Format("15:04:05.0"))
}

// starved is how long the simulator stood still at most between two instants: whoever waits for what it does waits so much longer.
func starved(rows []lamp, from, to time.Time) (longest time.Duration) {
	i, _ := slices.BinarySearchFunc(rows, from, func(l lamp, at time.Time) int { return l.T.Compare(at) })
	for i = max(1, i); i < len(rows) && !rows[i-1].T.After(to); i++ {
		longest = max(longest, rows[i].T.Sub(rows[i-1].T))
	}
	return longest
}
