// Command gritwatch-sim simulates blasting pots whose pressure transducers stand on serial lines.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"syscall"
	"text/tabwriter"

	"github.com/alecthomas/kong"

	"gritwatch/internal/yamlfile"
	"gritwatch/sim-sensor/internal/app"
	"gritwatch/sim-sensor/internal/scenario"
)

// version is set by the build.
var version string

// Exit codes.
const (
	exitOK      = 0
	exitFailed  = 1
	exitBadFile = 2 // bad usage or configuration
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

type flags struct {
	LogLevel string           `enum:"debug,info,warn,error" default:"info" help:"What goes to the log: ${enum}."`
	Version  kong.VersionFlag `help:"Print the version and end."`

	Run  runFlags  `cmd:"" help:"Play a simulated site in real time, its transducers on pseudo-terminals."`
	List listFlags `cmd:"" help:"Print the scenarios built in."`
}

type runFlags struct {
	Config   string `xor:"what" placeholder:"FILE" help:"The simulated site, sim.yaml."`
	Scenario string `xor:"what" placeholder:"NAME" help:"A scenario built in, in place of a file."`
	Truth    string `placeholder:"FILE" help:"Write what is really the case, JSON lines every 100 ms."`
}

type listFlags struct {
	Show string `placeholder:"NAME" help:"Print the file of this scenario instead."`
}

// ended is how the flag parser ends after --help or --version.
type ended int

// run is the program: it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) (code int) {
	defer func() {
		if r := recover(); r != nil {
			e, ok := r.(ended)
			if !ok {
				panic(r)
			}
			code = int(e)
		}
	}()
	var f flags
	parser, err := kong.New(&f, kong.Name("gritwatch-sim"), kong.Writers(stdout, stderr), kong.Vars{"version": versionText()},
		kong.Exit(func(code int) { panic(ended(code)) }), kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.Description("Simulates blasting pots and their pressure transducers, for demonstrations and tests."))
	if err != nil {
		fmt.Fprintln(stderr, "gritwatch-sim:", err)
		return exitFailed
	}
	command, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(stderr, "gritwatch-sim: %v; --help lists commands and flags\n", err)
		return exitBadFile
	}
	if command.Command() == "list" {
		err = list(f.List.Show, stdout)
	} else {
		err = play(ctx, f, stdout, stderr)
	}
	var bad *yamlfile.Error
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &bad):
		fmt.Fprintln(stderr, err)
		return exitBadFile
	case errors.Is(err, errBadFile):
		fmt.Fprintln(stderr, "gritwatch-sim:", err)
		return exitBadFile
	}
	fmt.Fprintln(stderr, "gritwatch-sim:", err)
	return exitFailed
}

var errBadFile = errors.New("the simulated site cannot be used")

// list prints the names and what they are about, or one scenario's file.
func list(show string, stdout io.Writer) error {
	if show != "" {
		text, err := scenario.Text(show)
		if err != nil {
			return fmt.Errorf("%w: %w", errBadFile, err)
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

func play(ctx context.Context, f flags, stdout, stderr io.Writer) (err error) {
	s, err := read(f.Run)
	if err != nil {
		return err
	}
	var level slog.Level
	if err := level.UnmarshalText([]byte(f.LogLevel)); err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: level}))
	o := app.Options{Out: stdout, Log: log}
	if f.Run.Truth != "" {
		if derr := os.MkdirAll(filepath.Dir(f.Run.Truth), 0o755); derr != nil {
			return fmt.Errorf("folder of the truth: %w", derr)
		}
		file, ferr := os.Create(f.Run.Truth)
		if ferr != nil {
			return fmt.Errorf("file of the truth: %w", ferr)
		}
		defer func() { err = errors.Join(err, file.Close()) }()
		o.Truth = file
	}
	if err = app.Run(ctx, s, o); err == nil && ctx.Err() != nil {
		log.LogAttrs(ctx, slog.LevelInfo, "stopped", slog.String("reason", context.Cause(ctx).Error()))
	}
	return err
}

// read reads the simulated site; a file that is absent is a bad configuration.
func read(f runFlags) (*scenario.Scenario, error) {
	if f.Scenario != "" {
		s, err := scenario.Builtin(f.Scenario)
		if err != nil {
			err = fmt.Errorf("%w: %w", errBadFile, err)
		}
		return s, err
	}
	if f.Config == "" {
		return nil, fmt.Errorf("%w: none is named; write run --config FILE, or run --scenario NAME (list prints the names)", errBadFile)
	}
	s, err := scenario.Load(f.Config)
	var bad *yamlfile.Error
	if err != nil && !errors.As(err, &bad) {
		err = fmt.Errorf("%w: %w", errBadFile, err)
	}
	return s, err
}

func versionText() string {
	if version != "" {
		return version
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		return info.Main.Version
	}
	return "unversioned"
}
