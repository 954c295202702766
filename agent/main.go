// Command gritwatch-agent reads the pressure transducers of blasting pots over serial lines, judges at the pot whether
// it may be opened, and publishes over MQTT.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/alecthomas/kong"

	"gritwatch/agent/internal/app"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/internal/yamlfile"
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

	Run   fileFlag `cmd:"" help:"Read the lines, judge and publish."`
	Check fileFlag `cmd:"" help:"Validate the agent's file and say what would be read, and how busy that keeps each line."`
}

type fileFlag struct {
	Config string `required:"" type:"path" placeholder:"FILE" help:"The agent's file, agent.yaml."`
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
	parser, err := kong.New(&f, kong.Name("gritwatch-agent"), kong.Writers(stdout, stderr), kong.Vars{"version": versionText()},
		kong.Exit(func(code int) { panic(ended(code)) }), kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.Description("Reads the pressure transducers of blasting pots over serial Modbus RTU and publishes over MQTT (Sparkplug B). "+
			"Not a safety-rated system: it replaces no gauge, lockout, relief valve or procedure."))
	if err != nil {
		fmt.Fprintln(stderr, "gritwatch-agent:", err)
		return exitFailed
	}
	command, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(stderr, "gritwatch-agent: %v; --help lists commands and flags\n", err)
		return exitBadFile
	}
	if command.Command() == "check" {
		err = check(f.Check.Config, stdout)
	} else {
		err = serve(ctx, f, stderr)
	}
	var bad *yamlfile.Error
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &bad):
		fmt.Fprintln(stderr, err)
		return exitBadFile
	case errors.Is(err, errBadFile), errors.Is(err, poll.ErrTooSlow):
		fmt.Fprintln(stderr, "gritwatch-agent:", err)
		return exitBadFile
	}
	fmt.Fprintln(stderr, "gritwatch-agent:", err)
	return exitFailed
}

func check(path string, stdout io.Writer) error {
	c, err := read(path)
	if err != nil {
		return err
	}
	text, err := poll.Check(c)
	if _, werr := io.WriteString(stdout, text); werr != nil {
		return errors.Join(err, werr)
	}
	return err
}

func serve(ctx context.Context, f flags, stderr io.Writer) error {
	c, err := read(f.Run.Config)
	if err != nil {
		return err
	}
	var level slog.Level
	if err := level.UnmarshalText([]byte(f.LogLevel)); err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: level}))
	err = app.Run(ctx, c, app.Options{Log: log})
	if ctx.Err() != nil {
		log.LogAttrs(ctx, slog.LevelInfo, "stopped", slog.String("reason", context.Cause(ctx).Error()))
	}
	return err
}

var errBadFile = errors.New("the agent's file cannot be used")

// read reads the agent's file; one that is absent is a bad configuration.
func read(path string) (config.Config, error) {
	c, err := config.Load(path)
	var bad *yamlfile.Error
	if errors.Is(err, fs.ErrNotExist) {
		return c, fmt.Errorf("%w: there is no %s", errBadFile, path)
	}
	if err != nil && !errors.As(err, &bad) {
		err = fmt.Errorf("%w: %w", errBadFile, err)
	}
	return c, err
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
