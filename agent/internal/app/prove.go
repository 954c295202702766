package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"gritwatch/agent/internal/beacon"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/timebase"
	"gritwatch/protocol/points"
)

// ErrUnproven stands in the error of Prove where a beacon will stay dark.
var ErrUnproven = errors.New("not every beacon is proven to drop out")

// proveWithin is how long Prove waits for a unit.
const proveWithin = 15 * time.Second

// Prove does with every beacon what a start does before it may be lit, says what came of it and lights none. It needs
// the lines for itself. The error wraps ErrUnproven and names the beacons that would stay dark. An end of ctx cuts it short.
func Prove(ctx context.Context, c config.Config, out io.Writer, open func(config.Bus) (serialport.Port, error)) error {
	p := &proof{out: out, results: map[place]string{}, done: make(chan struct{})}
	clock := timebase.New(timebase.Options{})
	ctx, cancel := context.WithTimeout(ctx, proveWithin)
	defer cancel()
	var tasks []poll.Runner
	for i, b := range c.Buses {
		var beacons []place
		for _, u := range b.Units {
			for _, l := range u.Beacons {
				beacons = append(beacons, place{i, u.Unit, l.Output, l.Pot})
			}
		}
		if len(beacons) == 0 {
			continue
		}
		if err := poll.Feasible(b); err != nil {
			return err
		}
		p.wanted = append(p.wanted, beacons...)
		o := poll.Options{Now: clock.Now, Log: slog.New(slog.DiscardHandler), Sink: func(string, points.Sample) {},
			Vented: func(string) bool { return false },
			Open: func() (serialport.Port, error) {
				s, err := p.openPort(b, open)
				if errors.Is(err, serialport.ErrBusy) || errors.Is(err, serialport.ErrPermission) || errors.Is(err, serialport.ErrMissing) {
					p.fail(err)
				}
				return s, err
			}}
		o.Events.Beacon = func(e beacon.Event) { p.take(i, e) }
		tasks = append(tasks, poll.New(b, o))
	}
	if len(p.wanted) == 0 {
		_, err := fmt.Fprintln(out, "\nno beacon is configured")
		return err
	}
	fmt.Fprintf(out, "\nproving %d beacons; none is lit for it\n", len(p.wanted))
	g, gctx := errgroup.WithContext(ctx)
	for _, task := range tasks {
		g.Go(func() error { return task.Run(gctx) })
	}
	g.Go(func() error {
		select {
		case <-p.done:
		case <-gctx.Done():
		}
		cancel()
		return nil
	})
	return errors.Join(g.Wait(), p.report())
}

// place is where a beacon is; bus is the line's place in the file.
type place struct {
	bus    int
	unit   uint8
	output config.Output
	pot    string
}

func (p place) String() string {
	return fmt.Sprintf("beacon of %s, unit %d, %s", p.pot, p.unit, p.output)
}

// proof gathers what is told of the beacons.
type proof struct {
	out    io.Writer
	wanted []place

	mu      sync.Mutex
	results map[place]string // "" is proven
	failed  error
	done    chan struct{}
	closed  bool
}

func (p *proof) openPort(b config.Bus, open func(config.Bus) (serialport.Port, error)) (serialport.Port, error) {
	if open == nil {
		return serialport.Open(b.Port, b.Mode)
	}
	return open(b)
}

func (p *proof) fail(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.failed = fmt.Errorf("%w; a line has one user, so gritwatch-agent run must not be running", err)
	p.end()
}

func (p *proof) end() {
	if !p.closed {
		p.closed = true
		close(p.done)
	}
}

func (p *proof) take(bus int, e beacon.Event) {
	p.mu.Lock()
	defer p.mu.Unlock()
	at := place{bus, e.Unit, e.Output, e.Pot}
	switch e.Kind {
	case beacon.Proven:
		if _, known := p.results[at]; !known {
			p.results[at] = ""
			fmt.Fprintf(p.out, "  %s: %s\n", at, e.Why)
		}
	case beacon.Unproven, beacon.Fatal:
		p.results[at] = e.Why
		fmt.Fprintf(p.out, "  %s: STAYS DARK: %s\n", at, e.Why)
	}
	if len(p.results) >= len(p.wanted) {
		p.end()
	}
}

func (p *proof) report() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.failed != nil {
		return p.failed
	}
	var bad []string
	for _, w := range p.wanted {
		why, known := p.results[w]
		if !known {
			fmt.Fprintf(p.out, "  %s: STAYS DARK: its unit does not answer, or not as it must: look at its power, wiring, address and the line's mode\n", w)
		}
		if !known || why != "" {
			bad = append(bad, w.pot)
		}
	}
	if len(bad) > 0 {
		return fmt.Errorf("%w: %s", ErrUnproven, strings.Join(bad, ", "))
	}
	return nil
}
