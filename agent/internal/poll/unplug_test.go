package poll_test

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"

	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"

	"github.com/creack/pty"
)

// adapter is a pseudo-terminal with slaves on it, whose device appears under a path.
type adapter struct {
	path string
	end  func()
}

func plug(t *testing.T, path string) adapter {
	t.Helper()
	master, tty, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(tty.Name(), path); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		rtutest.Slave(master, half)
	}()
	return adapter{path: path, end: func() {
		tty.Close()
		master.Close()
		<-done
	}}
}

func (a adapter) unplug(t *testing.T) {
	t.Helper()
	if err := os.Remove(a.path); err != nil {
		t.Fatal(err)
	}
	a.end()
}

func descriptors(t *testing.T) int {
	t.Helper()
	names, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(names)
}

// An adapter is unplugged and plugged in again a hundred times, as the same device and, behind a link that follows it,
// as another one. Every point says so both times, the new device is read at once, and nothing is left over.
func TestUnpluggedAHundredTimes(t *testing.T) {
	const period = 50 * time.Millisecond
	dir := t.TempDir()
	devices := [2]string{filepath.Join(dir, "tty0"), filepath.Join(dir, "tty1")}
	link := filepath.Join(dir, "by-id")
	cfg := twoUnits()
	cfg.Port, cfg.Period, cfg.Turnaround, cfg.Mode.Baud = link, period, time.Millisecond, 115200
	if err := poll.Feasible(cfg); err != nil {
		t.Fatal(err)
	}

	got := make(chan points.Sample, 1000)
	bus := poll.NewBus(cfg, poll.Options{
		Now:  func() si.Instant { return si.InstantOf(time.Now()) },
		Sink: func(_ string, s points.Sample) { got <- s },
		Log:  slog.New(slog.DiscardHandler),
	})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- bus.Run(ctx) }()

	// all waits until every point has given a sample of the quality after another.
	all := func(q points.Quality) {
		t.Helper()
		limit := time.After(time.Minute)
		for seen := points.Set(0); seen != points.SetOf(points.Vessel, points.Hose, points.Supply); {
			select {
			case s := <-got:
				if s.Quality == q {
					seen |= points.SetOf(s.Point)
				} else {
					seen = 0
				}
			case <-limit:
				t.Fatalf("not all points are %v", q)
			}
		}
	}
	var fds, routines int
	var slowest time.Duration
	for i := range 101 {
		device := devices[i/2%2] // the same one twice, then the other one
		a := plug(t, device)
		back := time.Now()
		next := link + strconv.Itoa(i)
		if err := errors.Join(os.Symlink(device, next), os.Rename(next, link)); err != nil {
			t.Fatal(err)
		}
		all(points.Good)
		slowest = max(slowest, time.Since(back))
		if i == 0 {
			fds, routines = descriptors(t), runtime.NumGoroutine()
		} else if n := descriptors(t); n > fds {
			t.Fatalf("%d descriptors after %d times, %d at first", n, i, fds)
		}
		a.unplug(t)
		all(points.NoReply)
	}
	if n := runtime.NumGoroutine(); n > routines {
		t.Errorf("%d goroutines, %d at first", n, routines)
	}
	// Three points, some periods: far under the second that a port is left alone after a failure.
	t.Logf("all points read again %v after the adapter was back, at the slowest", slowest)
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}
