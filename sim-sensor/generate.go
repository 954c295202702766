package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"gritwatch/internal/program"
	"gritwatch/sim-sensor/internal/generate"
	"gritwatch/sim-sensor/internal/scenario"
)

type generateFlags struct {
	Config     string        `xor:"what" placeholder:"FILE" help:"The simulated site, sim.yaml."`
	Scenario   string        `xor:"what" placeholder:"NAME" help:"A scenario built in, in place of a file."`
	Seed       *uint64       `placeholder:"N" help:"Of noise, and of all that the scenario draws; without it the scenario's own."`
	Hours      float64       `required:"" placeholder:"H" help:"How long it plays, for example 8 or 0.25."`
	Out        string        `required:"" placeholder:"DIR" help:"The folder to make. It must not exist, or be empty."`
	Rate       float64       `placeholder:"HZ" help:"Rows a second, 1 to 50 (what the scenario says, else 10)."`
	Start      string        `default:"2026-01-05T06:00:00Z" placeholder:"TIME" help:"When it begins, RFC 3339 (${default})."`
	TruthEvery time.Duration `default:"100ms" help:"How often the truth is written: a multiple of 10ms, the step of the simulation (${default})."`
}

// write generates the files of a simulated site.
func write(ctx context.Context, f generateFlags, stdout io.Writer) error {
	start, err := time.Parse(time.RFC3339, f.Start)
	length := time.Duration(f.Hours * float64(time.Hour)).Truncate(scenario.Tick)
	switch {
	case err != nil:
		return fmt.Errorf("--start %q %w: write for example 2026-01-05T06:00:00Z", f.Start, program.ErrUsage)
	case !(f.Hours > 0 && f.Hours <= maxHours) || length < time.Second:
		return fmt.Errorf("--hours %v %w: write more than 0, at least a second's worth, and at most %d", f.Hours, program.ErrUsage, maxHours)
	case f.Rate != 0 && !(f.Rate >= generate.MinRate && f.Rate <= generate.MaxRate):
		return fmt.Errorf("--rate %v %w: write %v to %v", f.Rate, program.ErrUsage, generate.MinRate, generate.MaxRate)
	case f.TruthEvery < scenario.Tick || f.TruthEvery%scenario.Tick != 0:
		return fmt.Errorf("--truth-every %v %w: write a multiple of %v", f.TruthEvery, program.ErrUsage, scenario.Tick)
	}
	s, err := seeded(f)
	if err != nil {
		return err
	}
	name := f.Scenario
	if name == "" {
		name = f.Config
	}
	results, err := generate.Run(ctx, s, generate.Options{Dir: f.Out, Length: length, Rate: f.Rate, Start: start, TruthEvery: f.TruthEvery,
		Comment: fmt.Sprintf("SIMULATED: %q, seed %d. Nothing here is a real vessel.", name, s.Seed)})
	if errors.Is(err, generate.ErrTaken) {
		err = fmt.Errorf("--out %w: %w", program.ErrUsage, err)
	}
	if err != nil {
		return err
	}
	for _, r := range results {
		if _, err := fmt.Fprintf(stdout, "%s: %s, %d rows, %d fields missing, %.1f MB\n", r.Dir, r.Pot, r.Rows, r.Missing, float64(r.Bytes)/1e6); err != nil {
			return fmt.Errorf("say what is written: %w", err)
		}
	}
	return nil
}

// maxHours bounds a run: half a year.
const maxHours = 4400

// seeded is the simulated site under the seed that was asked for.
func seeded(f generateFlags) (*scenario.Scenario, error) {
	switch {
	case f.Seed == nil:
		return read(f.Config, f.Scenario, "generate")
	case f.Scenario != "":
		return program.ReadFile(what, f.Scenario, func(name string) (*scenario.Scenario, error) { return scenario.Seeded(name, *f.Seed) })
	}
	s, err := read(f.Config, f.Scenario, "generate")
	if err == nil {
		s.Seed = *f.Seed
	}
	return s, err
}
