// Package generate plays a scenario as fast as it can and writes what a logger would have kept, with the truth beside it:
// for each pot a folder with samples.csv, pot.yaml and truth.jsonl (of a scenario of one pot, the folder itself).
//
// samples.csv has the header "time" and the pot's points, and a row every period: RFC 3339 UTC with milliseconds, gauge
// pressures in the pot's unit (kPa where it has none) with a last digit finer than any gauge's, an electric handle as 0
// or 1, an empty field where there is no reading: the gauge gave none, or a fault of its line met it. Nothing is clamped.
// All points of a row are of one instant.
//
// The folder appears whole or not at all: it is written beside its place under a name that begins with a point, and moved
// there at the end. The same scenario, seed and options give the same bytes.
package generate

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"gritwatch/sim-sensor/internal/scenario"
)

// Options of Run. Dir and Length are needed.
type Options struct {
	Dir        string // made; it must not exist, or be empty
	Length     time.Duration
	Rate       float64       // rows a second, MinRate to MaxRate; 0: the scenario's, else 10
	Start      time.Time     // of the first instant; zero: DefaultStart
	TruthEvery time.Duration // a multiple of scenario.Tick; 0: 100 ms
	Comment    string        // one line for the head of pot.yaml; empty: none

	// Played is called when all is played, before the folder has its place; nil: nothing is.
	Played func(*scenario.World)
}

// MinRate and MaxRate bound the rows a second.
const MinRate, MaxRate = 1.0, 50.0

const (
	defaultRate  = 10.0
	defaultTruth = 100 * time.Millisecond
)

// DefaultStart is when a run begins unless the options say otherwise: a fixed time, so that the same seed gives the same
// bytes on any day.
var DefaultStart = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)

// A Result is what was written of one pot.
type Result struct {
	Pot     string
	Dir     string
	Rows    int
	Missing int // fields
	Bytes   int64
}

// ErrStopped is what Run gives when its context ends before it does; nothing is left of it then.
var ErrStopped = errors.New("stopped")

// ErrTaken says that the folder cannot be used since something is in it.
var ErrTaken = errors.New("is not empty")

// Run plays the scenario and writes the folder.
func Run(ctx context.Context, s *scenario.Scenario, o Options) (results []Result, err error) {
	o.Rate = cmp.Or(o.Rate, s.Rate, defaultRate)
	if o.Start.IsZero() {
		o.Start = DefaultStart
	}
	if o.TruthEvery == 0 {
		o.TruthEvery = defaultTruth
	}
	world, err := scenario.NewWorld(s)
	if err != nil {
		return nil, err
	}
	place, err := filepath.Abs(o.Dir)
	if err != nil {
		return nil, fmt.Errorf("folder %s: %w", o.Dir, err)
	}
	if err := free(place); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(place), 0o755); err != nil {
		return nil, fmt.Errorf("make the folder's parent: %w", err)
	}
	part, err := os.MkdirTemp(filepath.Dir(place), "."+filepath.Base(place)+".part-*")
	if err != nil {
		return nil, fmt.Errorf("make a folder to write in: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.RemoveAll(part))
		}
	}()
	if err := os.Chmod(part, 0o755); err != nil {
		return nil, err
	}
	pots, err := open(s, world, part, o)
	if err == nil {
		err = play(ctx, world, pots, o)
	}
	if err == nil && o.Played != nil {
		o.Played(world)
	}
	for _, p := range pots {
		err = errors.Join(err, p.close())
	}
	if err != nil {
		return nil, err
	}
	// An empty folder must make way; one that has been filled meanwhile does not.
	if err := os.Remove(place); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("move the folder to its place: %w", err)
	}
	if err := os.Rename(part, place); err != nil {
		return nil, fmt.Errorf("move the folder to its place: %w", err)
	}
	for _, p := range pots {
		results = append(results, p.result(o.Dir))
	}
	return results, nil
}

// free tells with an error that there is something at the place already.
func free(place string) error {
	entries, err := os.ReadDir(place)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("folder: %w", err)
	case len(entries) > 0:
		return fmt.Errorf("folder %s %w; name another, or remove it: nothing is ever written over", place, ErrTaken)
	}
	return nil
}

// play writes every pot's rows and truth until the length is over.
func play(ctx context.Context, w *scenario.World, pots []*pot, o Options) error {
	const second = int64(time.Second / scenario.Tick) // ticks
	ticks := int64(o.Length / scenario.Tick)
	row, nextRow := int64(0), int64(0)
	truthEvery := int64(o.TruthEvery / scenario.Tick)
	for tick := int64(0); tick < ticks; tick++ {
		if tick > 0 {
			w.Step()
		}
		if tick%second == 0 && ctx.Err() != nil {
			return fmt.Errorf("%w at %v of %v; nothing is written", ErrStopped, w.At(), o.Length)
		}
		at := o.Start.Add(w.At())
		if tick == nextRow {
			for _, p := range pots {
				if err := p.row(w, at); err != nil {
					return err
				}
			}
			row++
			nextRow = int64(float64(row) * float64(second) / o.Rate)
		}
		if tick%truthEvery == 0 {
			for i, t := range w.Truth() {
				if err := pots[i].tell(t, at); err != nil {
					return err
				}
			}
		}
	}
	return nil
}
