// Command gritwatch-agent reads the pressure transducers of blasting pots over serial lines, judges at the pot whether
// it may be opened, and publishes over MQTT.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"

	"gritwatch/agent/internal/app"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/internal/program"
)

// version is set by the build.
var version string

func main() { program.Main(run) }

type flags struct {
	program.Flags

	Run   fileFlag `cmd:"" help:"Read the lines, judge and publish."`
	Check fileFlag `cmd:"" help:"Validate the agent's file and say what would be read, and how busy that keeps each line."`
}

type fileFlag struct {
	Config string `required:"" placeholder:"FILE" help:"The agent's file, agent.yaml."`
}

// run is the program: it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var f flags
	return program.Program{
		Name: "gritwatch-agent", Version: version, Flags: &f,
		About: "Reads the pressure transducers of blasting pots over serial Modbus RTU and publishes over MQTT (Sparkplug B). " +
			"Not a safety-rated system: it replaces no gauge, lockout, relief valve or procedure.",
		Do: func(ctx context.Context, command string, stdout io.Writer, log *slog.Logger) error {
			var err error
			if command == "check" {
				err = check(f.Check.Config, stdout)
			} else {
				err = serve(ctx, f.Run.Config, log)
			}
			if errors.Is(err, poll.ErrTooSlow) {
				err = fmt.Errorf("the agent's file %w: %w", program.ErrUsage, err)
			}
			return err
		},
	}.Run(ctx, args, stdout, stderr)
}

func check(path string, stdout io.Writer) error {
	c, err := read(path)
	if err != nil {
		return err
	}
	text, err := poll.Check(c)
	_, werr := io.WriteString(stdout, text)
	return errors.Join(err, werr)
}

func serve(ctx context.Context, path string, log *slog.Logger) error {
	c, err := read(path)
	if err != nil {
		return err
	}
	return app.Run(ctx, c, app.Options{Log: log})
}

func read(path string) (config.Config, error) {
	return program.ReadFile("the agent's file", path, config.Load)
}
