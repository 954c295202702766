// Package app plays a scenario in real time on its lines. It alone starts goroutines and reads the clock.
package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"gritwatch/sim-sensor/internal/fault"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/scenario"
)

// TruthEvery is how often the truth is written unless the options say otherwise.
const TruthEvery = 100 * time.Millisecond

// behind is how far play may fall behind the clock (a suspended machine) before the time is let go; up to it, play
// catches up.
const behind = time.Second

// Options of Run. Out and Log are needed.
type Options struct {
	Out   io.Writer     // gets one line when the lines can be opened
	Truth io.Writer     // gets the truth as JSON lines, each write one moment; nil: nobody wants it
	Every time.Duration // of the truth, a multiple of scenario.Tick; 0: TruthEvery
	Log   *slog.Logger
}

// Run opens the scenario's lines and plays until ctx ends; then it gives nil. No link is left behind.
func Run(ctx context.Context, s *scenario.Scenario, o Options) (err error) {
	if o.Every == 0 {
		o.Every = TruthEvery
	}
	world, err := scenario.NewWorld(s)
	if err != nil {
		return err
	}
	var lines []*line.Line
	defer func() {
		for _, l := range lines {
			err = errors.Join(err, l.Close())
		}
	}()
	for _, lu := range world.Lines() {
		var count played
		lu.Options.Events = events(ctx, lu.Link, &count, o.Log)
		defer func() { count.report(ctx, lu.Link, o.Log) }()
		l, err := line.Open(lu.Link, lu.Options)
		if err != nil {
			return err
		}
		lines = append(lines, l)
	}

	group, ctx := errgroup.WithContext(ctx)
	var names []string
	for _, l := range lines {
		names = append(names, l.String())
		group.Go(func() error { return l.Run(ctx) })
	}
	group.Go(func() error { return play(ctx, world, o) })
	if _, err := fmt.Fprintf(o.Out, "lines ready: %s\n", strings.Join(names, " ")); err != nil {
		group.Go(func() error { return fmt.Errorf("say that the lines are ready: %w", err) })
	}
	return group.Wait()
}

// played counts the faults of a line by kind. Its line's goroutine counts; it is read when that has ended.
type played [fault.Kinds]int

func (p *played) report(ctx context.Context, link string, log *slog.Logger) {
	for k, n := range p {
		if n > 0 {
			log.LogAttrs(ctx, slog.LevelDebug, "faults played", slog.String("line", link), slog.String("kind", fault.Kind(k).String()), slog.Int("times", n))
		}
	}
}

// events counts and logs what happens on a line.
func events(ctx context.Context, link string, count *played, log *slog.Logger) line.Events {
	return line.Events{
		Damaged: func(n int) {
			log.LogAttrs(ctx, slog.LevelDebug, "damaged request", slog.String("line", link), slog.Int("bytes", n))
		},
		Fault: func(k fault.Kind) { count[k]++ },
		Plugged: func(there bool) {
			log.LogAttrs(ctx, slog.LevelInfo, "port", slog.String("line", link), slog.Bool("there", there))
		},
	}
}

// play steps the world as the clock goes.
func play(ctx context.Context, w *scenario.World, o Options) error {
	ticker := time.NewTicker(scenario.Tick)
	defer ticker.Stop()
	start := time.Now()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
		late := time.Since(start) - w.At()
		if late > behind {
			o.Log.LogAttrs(ctx, slog.LevelWarn, "fell behind the clock; the time is let go", slog.Duration("late", late))
			start = start.Add(late - scenario.Tick)
			late = scenario.Tick
		}
		for ; late >= scenario.Tick; late -= scenario.Tick {
			w.Step()
			if o.Truth != nil && w.At()%o.Every == 0 {
				if err := write(o.Truth, w.Truth(), time.Now()); err != nil {
					return err
				}
			}
		}
	}
}

// write writes one moment's truth, a line a pot.
func write(to io.Writer, truth []scenario.Truth, now time.Time) error {
	var text []byte
	for _, t := range truth {
		t.T = now.UTC().Format("2006-01-02T15:04:05.000Z")
		line, err := json.Marshal(t)
		if err != nil {
			return fmt.Errorf("truth of %s: %w", t.Pot, err)
		}
		text = append(append(text, line...), '\n')
	}
	if _, err := to.Write(text); err != nil {
		return fmt.Errorf("write the truth: %w", err)
	}
	return nil
}
