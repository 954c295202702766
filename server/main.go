// Command gritwatch-server follows the blasting pots of a site and tells for each whether it may be opened.
package main

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

	"gritwatch/dashboard"
	"gritwatch/internal/yamlfile"
	"gritwatch/server/internal/app"
	"gritwatch/server/internal/config"
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

	Run   fileFlag `cmd:"" help:"Serve the site: broker, API and page."`
	Check fileFlag `cmd:"" help:"Validate the site's file and say what can and cannot be answered for each pot."`
}

type fileFlag struct {
	Config string `required:"" placeholder:"FILE" help:"The site's file, site.yaml."`
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
	parser, err := kong.New(&f, kong.Name("gritwatch-server"), kong.Writers(stdout, stderr), kong.Vars{"version": versionText()},
		kong.Exit(func(code int) { panic(ended(code)) }), kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.Description("Follows the blasting pots of a site over MQTT and tells for each whether it may be opened. "+
			"Not a safety-rated system: it replaces no gauge, lockout, relief valve or procedure."))
	if err != nil {
		fmt.Fprintln(stderr, "gritwatch-server:", err)
		return exitFailed
	}
	command, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(stderr, "gritwatch-server: %v; --help lists commands and flags\n", err)
		return exitBadFile
	}
	if command.Command() == "check" {
		err = check(f.Check.Config, stdout)
	} else {
		err = serve(ctx, f, stdout, stderr)
	}
	var bad *yamlfile.Error
	switch {
	case err == nil:
		return exitOK
	case errors.As(err, &bad), errors.Is(err, errBadFile):
		fmt.Fprintln(stderr, err)
		return exitBadFile
	}
	fmt.Fprintln(stderr, "gritwatch-server:", err)
	return exitFailed
}

func serve(ctx context.Context, f flags, stdout, stderr io.Writer) error {
	c, err := read(f.Run.Config)
	if err != nil {
		return err
	}
	var level slog.Level
	if err := level.UnmarshalText([]byte(f.LogLevel)); err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{Level: level}))
	err = app.Run(ctx, c, app.Options{Out: stdout, Log: log, Page: dashboard.Dist()})
	if ctx.Err() != nil {
		log.Info("stopped", slog.String("reason", context.Cause(ctx).Error()))
	}
	return err
}

var errBadFile = errors.New("the site's file cannot be used")

// read reads the site's file; one that is absent is a bad configuration.
func read(path string) (config.Config, error) {
	c, err := config.Read(path)
	var bad *yamlfile.Error
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
