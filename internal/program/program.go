// Package program is what the project's commands have in common: flags, the log, exit codes, and a clean stop on SIGINT
// and SIGTERM.
package program

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/alecthomas/kong"

	"gritwatch/internal/yamlfile"
)

// Exit codes.
const (
	exitOK     = 0
	exitFailed = 1
	exitUsage  = 2 // bad usage or configuration
)

// ErrUsage marks an error as the user's: a file that cannot be used, flags that do not go together. A *yamlfile.Error is
// one by itself.
var ErrUsage = errors.New("cannot be used")

// Flags are those that every program has; embed them in the program's own.
type Flags struct {
	LogLevel string           `enum:"debug,info,warn,error" default:"info" help:"What goes to the log: ${enum}."`
	Version  kong.VersionFlag `help:"Print the version and end."`
}

func (f *Flags) common() *Flags { return f }

// A Program is one command. Flags is a pointer to a struct that embeds Flags and describes the commands for kong.
type Program struct {
	Name    string
	About   string
	Version string // set by the build; empty: the module's
	Flags   interface{ common() *Flags }

	// Do carries out a command, named as in Flags. An error is printed in one line; nil and a cancelled ctx are a good end.
	// The log never waits for what takes its lines.
	Do func(ctx context.Context, command string, stdout io.Writer, log *slog.Logger) error
}

// Main runs a program and ends the process.
func Main(run func(ctx context.Context, args []string, stdout, stderr io.Writer) int) {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// ended is how the flag parser ends after --help or --version.
type ended int

// Run parses the arguments, carries out the command and returns the exit code: 0 good, 1 failure, 2 bad usage or
// configuration.
func (p Program) Run(ctx context.Context, args []string, stdout, stderr io.Writer) (code int) {
	defer func() {
		if r := recover(); r != nil {
			e, ok := r.(ended)
			if !ok {
				panic(r)
			}
			code = int(e)
		}
	}()
	parser, err := kong.New(p.Flags, kong.Name(p.Name), kong.Description(p.About), kong.Writers(stdout, stderr),
		kong.Vars{"version": p.version()}, kong.Exit(func(code int) { panic(ended(code)) }), kong.ConfigureHelp(kong.HelpOptions{Compact: true}))
	if err != nil {
		fmt.Fprintf(stderr, "%s: %v\n", p.Name, err)
		return exitFailed
	}
	command, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(stderr, "%s: %v; --help lists commands and flags\n", p.Name, err)
		return exitUsage
	}
	var level slog.Level
	if err := level.UnmarshalText([]byte(p.Flags.common().LogLevel)); err != nil {
		fmt.Fprintf(stderr, "%s: %v\n", p.Name, err)
		return exitUsage
	}
	lines := newAside(stderr)
	log := slog.New(slog.NewTextHandler(lines, &slog.HandlerOptions{Level: level}))
	err = p.Do(ctx, command.Command(), stdout, log)
	if err == nil && ctx.Err() != nil {
		log.LogAttrs(ctx, slog.LevelInfo, "stopped", slog.String("reason", context.Cause(ctx).Error()))
	}
	lines.end()
	var file *yamlfile.Error
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &file): // its lines begin with the file's name
		fmt.Fprintln(stderr, err)
		return exitUsage
	}
	fmt.Fprintf(stderr, "%s: %v\n", p.Name, err)
	if errors.Is(err, ErrUsage) {
		return exitUsage
	}
	return exitFailed
}

func (p Program) version() string {
	if p.Version != "" {
		return p.Version
	}
	if info, ok := debug.ReadBuildInfo(); ok {
		return info.Main.Version
	}
	return "unversioned"
}

// ReadFile is a configuration read by load, any failure of which is the user's to mend.
func ReadFile[T any](what, path string, load func(path string) (T, error)) (T, error) {
	c, err := load(path)
	var file *yamlfile.Error
	if err != nil && !errors.As(err, &file) {
		err = fmt.Errorf("%s %w: %w", what, ErrUsage, err)
	}
	return c, err
}
