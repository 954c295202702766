// Package watch reads the gauges of a configuration as the agent does and shows what they say: in a table that is
// redrawn on a terminal, as lines of JSON, or as a report on what is wrong with a new installation. It publishes
// nothing, keeps nothing and judges nothing.
package watch

import (
	"context"
	"io"
	"log/slog"
	"time"

	"golang.org/x/sync/errgroup"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/serialport"
	"gritwatch/internal/terminal"
)

// Options say how long and where to.
type Options struct {
	Out    io.Writer
	Screen func() (cols, rows int)                   // of the terminal that Out is; nil: Out is none, or JSON is wanted
	For    time.Duration                             // 0: until ctx ends
	Log    *slog.Logger                              // unused with a Screen, which shows the same
	Open   func(config.Bus) (serialport.Port, error) // nil: the configured ports
}

// drawEvery is how often the table is redrawn.
const drawEvery = 250 * time.Millisecond

// Run shows the readings until ctx ends or the time is over, and then gives nil. Errors are of a configuration that
// cannot be kept, a port that another program holds, or of writing.
func Run(ctx context.Context, c config.Config, o Options) error {
	for _, b := range c.Buses {
		if err := poll.Feasible(b); err != nil {
			return err
		}
	}
	if o.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, o.For)
		defer cancel()
	}
	s := newSession(c)
	log := o.Log
	var show func(context.Context) error
	if o.Screen == nil {
		show = newWriter(s, o.Out).run
	} else {
		n := &notes{}
		log = slog.New(n)
		t := newTable(c, s, n, time.Now)
		show = func(ctx context.Context) error { return redraw(ctx, t, terminal.NewBlock(o.Out, o.Screen), o.Screen) }
	}
	// What shows ends behind what reads, so that the last reading is shown too.
	g, gctx := errgroup.WithContext(ctx)
	sctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	g.Go(func() error { return show(sctx) })
	g.Go(func() error { defer stop(); return s.poll(gctx, o.Open, log) })
	return g.Wait()
}

// redraw draws the table again and again.
func redraw(ctx context.Context, t *table, block *terminal.Block, size func() (cols, rows int)) error {
	tick := time.NewTicker(drawEvery)
	defer tick.Stop()
	for {
		if err := block.Draw(t.lines(size())); err != nil {
			return err
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return block.Draw(t.lines(size()))
		}
	}
}
