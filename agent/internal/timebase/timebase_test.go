package timebase_test

import (
	"context"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/timebase"
	"gritwatch/protocol/si"
)

// A machine has a wall clock and a monotonic one, set by hand.
type machine struct {
	mu   sync.Mutex
	wall time.Time
	mono time.Duration
}

func (m *machine) pass(wall, mono time.Duration) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.wall, m.mono = m.wall.Add(wall), m.mono+mono
}

func (m *machine) options() timebase.Options {
	return timebase.Options{
		Wall: func() time.Time { m.mu.Lock(); defer m.mu.Unlock(); return m.wall },
		Mono: func() time.Duration { m.mu.Lock(); defer m.mu.Unlock(); return m.mono },
	}
}

func TestSteps(t *testing.T) {
	const start si.Instant = 1_760_000_000_000_000
	for name, c := range map[string]struct {
		wall, mono time.Duration
		epoch      bool
		now        si.Instant
	}{
		"both run":          {time.Hour, time.Hour, false, start.Add(time.Hour)},
		"a second forward":  {11 * time.Second, 10 * time.Second, false, start.Add(10 * time.Second)},
		"more than that":    {11*time.Second + time.Microsecond, 10 * time.Second, true, start.Add(11*time.Second + time.Microsecond)},
		"an hour back":      {-time.Hour, 10 * time.Second, true, start.Add(-time.Hour)},
		"asleep":            {8 * time.Hour, 0, true, start.Add(8 * time.Hour)},
		"back to the start": {0, 2 * time.Second, true, start + 1},
	} {
		t.Run(name, func(t *testing.T) {
			m := &machine{wall: start.Time(), mono: 77 * time.Second}
			var by []time.Duration
			o := m.options()
			o.Changed = func(d time.Duration) { by = append(by, d) }
			clock := timebase.New(o)
			if clock.Now() != start || clock.Epoch() != uint64(start) {
				t.Fatalf("starts at %v, epoch %d", clock.Now(), clock.Epoch())
			}
			m.pass(c.wall, c.mono)
			if got := clock.Now(); got != start.Add(c.mono) {
				t.Errorf("before looking: %v", got)
			}
			if clock.Step() != c.epoch || clock.Step() {
				t.Errorf("new epoch not as wanted: %v", c.epoch)
			}
			now, epoch := clock.Read()
			if now != c.now || (epoch != uint64(start)) != c.epoch || clock.Epoch() != epoch {
				t.Errorf("now %v, want %v; epoch %d", now, c.now, epoch)
			}
			if c.epoch && (len(by) != 1 || by[0] != c.wall-c.mono) {
				t.Errorf("told %v", by)
			}
		})
	}
}

func TestOwnClockRuns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		changes := 0
		clock := timebase.New(timebase.Options{Changed: func(time.Duration) { changes++ }})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- clock.Run(ctx) }()
		before := clock.Now()
		time.Sleep(time.Hour)
		if d := clock.Now().Sub(before); d != time.Hour {
			t.Errorf("an hour took %v", d)
		}
		cancel()
		if err := <-done; err != nil || changes != 0 {
			t.Errorf("%v, %d epochs", err, changes)
		}
	})
}

func TestRunSeesAStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := &machine{wall: time.Now()}
		seen := make(chan time.Duration, 1)
		o := m.options()
		o.Changed = func(by time.Duration) { seen <- by }
		clock := timebase.New(o)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- clock.Run(ctx) }()
		m.pass(-time.Hour, 0)
		began := time.Now()
		if by := <-seen; by != -time.Hour || time.Since(began) > timebase.Every {
			t.Errorf("step of %v seen after %v", by, time.Since(began))
		}
		cancel()
		<-done
	})
}
