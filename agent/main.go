// Command gritwatch-agent reads the pressure transducers of blasting pots over serial lines, judges at the pot whether
// it may be opened, and publishes over MQTT.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"gritwatch/agent/internal/app"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/probe"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/watch"
	"gritwatch/internal/brokerlink"
	"gritwatch/internal/program"
	"gritwatch/internal/terminal"
)

// version is set by the build.
var version string

func main() { program.Main(run) }

type flags struct {
	program.Flags

	Run     fileFlag     `cmd:"" help:"Read the lines, judge and publish."`
	Check   checkFlags   `cmd:"" help:"Validate the agent's file and say what would be read, and how busy that keeps each line."`
	Probe   probeFlags   `cmd:"" help:"Look for units that answer on a serial line; only reads."`
	Watch   watchFlags   `cmd:"" help:"Show what the gauges read, live: a table on a terminal, else lines of JSON. Judges nothing."`
	Journal journalFlags `cmd:"" help:"Say how the journal stands, or write its records. Changes nothing; the agent may be running."`
}

type fileFlag struct {
	Config string `required:"" placeholder:"FILE" help:"The agent's file, agent.yaml."`
}

type checkFlags struct {
	fileFlag
	Live  bool          `help:"Then read every point for a while and say what is wrong; the agent must not be running."`
	For   time.Duration `placeholder:"3s" help:"How long --live reads."`
	Prove bool          `name:"prove-beacons" help:"Then prove of every beacon that it drops out, as each start does. Writes to the relays, lights nothing; the agent must not be running."`
}

type probeFlags struct {
	Port      string        `required:"" placeholder:"PATH" help:"The serial port; the agent must not be running on it."`
	Units     string        `xor:"units" placeholder:"1-247" help:"Units to ask, for example 1-32 or 9,21."`
	Unit      string        `xor:"units" placeholder:"N" help:"The one unit to ask."`
	Modes     string        `placeholder:"\"19200 8E1,9600 8N1\"" help:"Settings to try; else the common ones, the likeliest first."`
	Timeout   time.Duration `default:"100ms" help:"How long a unit may take to answer."`
	All       bool          `help:"Go on in the other settings after one in which something answered."`
	Registers string        `placeholder:"input:0-99" help:"Show these registers of --unit: input, holding, discrete or coil, addresses from 0."`
}

type watchFlags struct {
	fileFlag
	JSON bool          `name:"json" help:"Lines of JSON on a terminal too."`
	For  time.Duration `placeholder:"10s" help:"End after this time; else on Ctrl-C."`
}

// run is the program: it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var f flags
	return program.Program{
		Name: "gritwatch-agent", Version: version, Flags: &f,
		About: "Reads the pressure transducers of blasting pots over serial lines (Modbus RTU or text) and publishes over MQTT (Sparkplug B). " +
			"Not a safety-rated system: it replaces no gauge, lockout, relief valve or procedure.",
		Do: func(ctx context.Context, command string, stdout io.Writer, log *slog.Logger) error {
			var err error
			switch command {
			case "check":
				err = check(ctx, f.Check, stdout)
			case "probe":
				err = search(ctx, f.Probe, stdout, stderr)
			case "watch":
				err = show(ctx, f.Watch, stdout, log)
			case "journal":
				err = tellJournal(ctx, f.Journal, stdout, stderr)
			default:
				err = serve(ctx, f.Run.Config, log)
			}
			if errors.Is(err, poll.ErrTooSlow) {
				err = fmt.Errorf("the agent's file %w: %w", program.ErrUsage, err)
			}
			return err
		},
	}.Run(ctx, args, stdout, stderr)
}

func check(ctx context.Context, f checkFlags, stdout io.Writer) error {
	if f.For != 0 && !f.Live {
		return fmt.Errorf("--for %w without --live", program.ErrUsage)
	}
	if f.For < 0 {
		return fmt.Errorf("--for %w: it is under zero", program.ErrUsage)
	}
	c, found, err := readWhole(f.Config)
	if err != nil {
		return err
	}
	text, err := poll.Check(c)
	text += app.Room(c)
	for _, x := range found {
		text += "broker: " + x.String() + "\n"
	}
	_, werr := io.WriteString(stdout, text)
	if err := errors.Join(err, werr); err != nil {
		return err
	}
	if f.Live {
		err = watch.Live(ctx, c, watch.Options{Out: stdout, For: f.For})
	}
	if f.Prove && ctx.Err() == nil {
		err = errors.Join(err, app.Prove(ctx, c, stdout, nil))
	}
	return err
}

func show(ctx context.Context, f watchFlags, stdout io.Writer, log *slog.Logger) error {
	if f.For < 0 {
		return fmt.Errorf("--for %w: it is under zero", program.ErrUsage)
	}
	c, err := read(f.Config)
	if err != nil {
		return err
	}
	o := watch.Options{Out: stdout, For: f.For, Log: log}
	if terminal.Is(stdout) && !f.JSON {
		o.Screen = func() (cols, rows int) {
			cols, rows, _ = terminal.Size(stdout)
			return cols, rows
		}
	}
	return watch.Run(ctx, c, o)
}

// Bounds of a unit's time to answer, as in agent.yaml.
const minTimeout, maxTimeout = 5 * time.Millisecond, 2 * time.Second

func search(ctx context.Context, f probeFlags, stdout, stderr io.Writer) error {
	o := probe.Options{Port: f.Port, Timeout: f.Timeout, All: f.All, Out: stdout,
		Open: func(m serialport.Mode) (serialport.Port, error) { return serialport.Open(f.Port, m) }}
	var err error
	set := func(flag, text string, parse func() error) {
		if text != "" && err == nil {
			if perr := parse(); perr != nil {
				err = fmt.Errorf("--%s %w: %w", flag, program.ErrUsage, perr)
			}
		}
	}
	set("units", f.Units, func() (err error) { o.Units, err = probe.ParseUnits(f.Units); return err })
	set("unit", f.Unit, func() (err error) { o.Units, err = probe.ParseUnits(f.Unit); return err })
	set("modes", f.Modes, func() (err error) { o.Modes, err = probe.ParseModes(f.Modes); return err })
	set("registers", f.Registers, func() (err error) { o.Ranges, err = probe.ParseRanges(f.Registers); return err })
	switch {
	case err != nil:
		return err
	case f.Timeout < minTimeout || f.Timeout > maxTimeout:
		return fmt.Errorf("--timeout %w: %v is not from %v to %v", program.ErrUsage, f.Timeout, minTimeout, maxTimeout)
	case len(o.Ranges) > 0 && len(o.Units) != 1:
		return fmt.Errorf("--registers %w without the one unit they are of: write for example --unit 9", program.ErrUsage)
	}
	if terminal.Is(stderr) {
		o.Progress = terminal.Status(stderr)
	}
	return probe.Run(ctx, o)
}

func serve(ctx context.Context, path string, log *slog.Logger) error {
	c, found, err := readWhole(path)
	if err != nil {
		return err
	}
	for _, x := range found {
		if x.Warn {
			log.LogAttrs(ctx, slog.LevelWarn, "broker: "+x.Text)
		}
	}
	return app.Run(ctx, c, options(log))
}

func read(path string) (config.Config, error) {
	return program.ReadFile("the agent's file", path, config.Load)
}

// readWhole reads an agent's file and those of its broker.
func readWhole(path string) (c config.Config, found []brokerlink.Finding, err error) {
	c, err = program.ReadFile("the agent's file", path, func(path string) (c config.Config, err error) {
		c, found, err = config.LoadWhole(path, time.Now())
		return c, err
	})
	return c, found, err
}
