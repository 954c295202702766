// Command gritwatch-sim simulates blasting pots whose pressure transducers stand on serial lines.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"gritwatch/internal/program"
	"gritwatch/sim-sensor/internal/app"
	"gritwatch/sim-sensor/internal/scenario"
)

// version is set by the build.
var version string

func main() { program.Main(run) }

type flags struct {
	program.Flags

	Run      runFlags      `cmd:"" help:"Play a simulated site in real time, its transducers on pseudo-terminals."`
	Generate generateFlags `cmd:"" help:"Play a simulated site as fast as possible and write what a logger would keep, with the truth."`
	Load     loadFlags     `cmd:"" help:"Publish the readings of many simulated pots to a broker, to measure a server."`
	List     listFlags     `cmd:"" help:"Print the scenarios built in."`
}

type runFlags struct {
	Config     string        `xor:"what" placeholder:"FILE" help:"The simulated site, sim.yaml."`
	Scenario   string        `xor:"what" placeholder:"NAME" help:"A scenario built in, in place of a file."`
	Truth      string        `placeholder:"FILE" help:"Write what is really the case, as JSON lines."`
	TruthEvery time.Duration `default:"100ms" help:"How often the truth is written: a multiple of 10ms, the step of the simulation (${default})."`
}

type listFlags struct {
	Show string `placeholder:"NAME" help:"Print the file of this scenario instead."`
}

// run is the program: it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var f flags
	return program.Program{
		Name: "gritwatch-sim", Version: version, Flags: &f,
		About: "Simulates blasting pots and their pressure transducers, for demonstrations and tests.",
		Do: func(ctx context.Context, command string, stdout io.Writer, log *slog.Logger) error {
			switch command {
			case "list":
				return list(f.List.Show, stdout)
			case "generate":
				return write(ctx, f.Generate, stdout)
			case "load":
				return publish(ctx, f.Load, stdout, log)
			}
			return play(ctx, f.Run, stdout, log)
		},
	}.Run(ctx, args, stdout, stderr)
}

// list prints the names and what they are about, or one scenario's file.
func list(show string, stdout io.Writer) error {
	if show != "" {
		text, err := program.ReadFile(what, show, scenario.Text)
		if err != nil {
			return err
		}
		_, err = stdout.Write(text)
		return err
	}
	table := tabwriter.NewWriter(stdout, 0, 0, 2, ' ', 0)
	for _, name := range scenario.Names() {
		s, err := scenario.Builtin(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(table, "%s\t%s\n", name, s.About)
	}
	return table.Flush()
}

func play(ctx context.Context, f runFlags, stdout io.Writer, log *slog.Logger) (err error) {
	s, err := read(f.Config, f.Scenario, "run")
	if err != nil {
		return err
	}
	if f.TruthEvery < scenario.Tick || f.TruthEvery%scenario.Tick != 0 {
		return fmt.Errorf("--truth-every %v %w: write a multiple of %v", f.TruthEvery, program.ErrUsage, scenario.Tick)
	}
	o := app.Options{Out: stdout, Every: f.TruthEvery, Log: log}
	if f.Truth != "" {
		if derr := os.MkdirAll(filepath.Dir(f.Truth), 0o755); derr != nil {
			return fmt.Errorf("folder of the truth: %w", derr)
		}
		file, ferr := os.Create(f.Truth)
		if ferr != nil {
			return fmt.Errorf("file of the truth: %w", ferr)
		}
		defer func() { err = errors.Join(err, file.Close()) }()
		o.Truth = file
	}
	return app.Run(ctx, s, o)
}

const what = "the simulated site"

// read is the simulated site, from a file or built in.
func read(config, name, command string) (*scenario.Scenario, error) {
	if name != "" {
		return program.ReadFile(what, name, scenario.Builtin)
	}
	if config == "" {
		return nil, fmt.Errorf(what+" %w: none is named; write %s --config FILE, or %s --scenario NAME (list prints the names)", program.ErrUsage, command, command)
	}
	return program.ReadFile(what, config, scenario.Load)
}
