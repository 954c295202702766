// Command gritwatch-server follows the blasting pots of a site and tells for each whether it may be opened.
package main

import (
	"context"
	"io"
	"log/slog"
	"time"

	"gritwatch/dashboard"
	"gritwatch/internal/program"
	"gritwatch/server/internal/app"
	"gritwatch/server/internal/config"
)

// version is set by the build.
var version string

func main() { program.Main(run) }

type flags struct {
	program.Flags

	Run   fileFlag `cmd:"" help:"Serve the site: broker, API and page."`
	Check fileFlag `cmd:"" help:"Validate the site's file and say what can and cannot be answered for each pot."`

	Agent struct {
		Add addFlags `cmd:"" help:"Give an agent (or an observer) a password for the embedded broker. Shown once; the users' file keeps its hash."`
	} `cmd:"" help:"Users of the embedded broker."`

	Notify struct {
		Test notifyTestFlags `cmd:"" help:"Send a test to those outside who are told of alarms, and say of each what became of it."`
	} `cmd:"" help:"Who outside is told of alarms."`

	Backup  backupFlags  `cmd:"" help:"Write the server's records (not its samples) to a new file; a running server goes on."`
	Restore restoreFlags `cmd:"" help:"Put a backup in the place of the server's records, which are kept; the server must be stopped."`

	Replay replayFlags `cmd:"" help:"Run judge and engine over a logged CSV of one pot; lines of JSON. No broker, no clock, no network."`
}

type fileFlag struct {
	Config string `required:"" placeholder:"FILE" help:"The site's file, site.yaml."`
}

// run is the program: it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	var f flags
	return program.Program{
		Name: "gritwatch-server", Version: version, Flags: &f,
		About: "Follows the blasting pots of a site over MQTT and tells for each whether it may be opened. " +
			"Not a safety-rated system: it replaces no gauge, lockout, relief valve or procedure.",
		Do: func(ctx context.Context, command string, stdout io.Writer, log *slog.Logger) error {
			switch command {
			case "check":
				return check(f.Check.Config, stdout)
			case "agent add":
				return addUser(f.Agent.Add, stdout)
			case "notify test":
				return tryReceivers(ctx, f.Notify.Test, stdout)
			case "backup":
				return backUp(ctx, f.Backup, stdout)
			case "restore":
				return restore(ctx, f.Restore, stdout)
			case "replay <samples>":
				return replayLog(ctx, f.Replay, stdout, stderr, log)
			}
			c, found, err := readWhole(f.Run.Config)
			if err != nil {
				return err
			}
			for _, w := range found {
				if w.Warn {
					log.LogAttrs(ctx, slog.LevelWarn, w.About+": "+w.Text)
				}
			}
			return app.Run(ctx, c, app.Options{Out: stdout, Log: log, Page: dashboard.Dist()})
		},
	}.Run(ctx, args, stdout, stderr)
}

// readWhole reads a site's file and those of its broker and receivers.
func readWhole(path string) (c config.Config, found []config.Found, err error) {
	c, err = program.ReadFile("the site's file", path, func(path string) (c config.Config, err error) {
		c, found, err = config.ReadWhole(path, time.Now())
		return c, err
	})
	return c, found, err
}
