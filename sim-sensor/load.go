package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"gritwatch/internal/program"
	"gritwatch/sim-sensor/internal/load"
)

type loadFlags struct {
	Broker   string        `default:"mqtt://127.0.0.1:1883" placeholder:"URL" help:"The broker (${default})."`
	Site     string        `default:"load" placeholder:"NAME" help:"The site's name (${default})."`
	Pots     int           `required:"" placeholder:"N" help:"How many pots, up to 20000. Their readings have positions, but no journal keeps them: requests for them are answered as void."`
	Rate     float64       `default:"10" placeholder:"HZ" help:"Readings a second of each point, 1 to 50 (${default})."`
	Agents   int           `placeholder:"K" help:"Over how many agents they are spread; without it one for eight pots."`
	For      time.Duration `placeholder:"D" help:"How long, for example 5m; without it until it is stopped."`
	SiteFile string        `placeholder:"FILE" help:"First write the site.yaml with which a server takes the fleet in."`
}

// publish plays a fleet on a broker.
func publish(ctx context.Context, f loadFlags, stdout io.Writer, log *slog.Logger) error {
	fleet, err := load.NewFleet(f.Site, f.Pots, f.Agents, f.Rate)
	if err == nil && f.For < 0 {
		err = fmt.Errorf("--for %v: write how long, for example 5m", f.For)
	}
	if err != nil {
		return fmt.Errorf("the fleet %w: %w", program.ErrUsage, err)
	}
	if f.SiteFile != "" {
		if err := os.MkdirAll(filepath.Dir(f.SiteFile), 0o755); err != nil {
			return fmt.Errorf("folder of the site file: %w", err)
		}
		if err := fleet.WriteSite(f.SiteFile, f.Broker); err != nil {
			return err
		}
		if _, err := fmt.Fprintf(stdout, "start the server with: gritwatch-server run --config %s\n", f.SiteFile); err != nil {
			return fmt.Errorf("say what is written: %w", err)
		}
	}
	began := time.Now()
	t, err := load.Run(ctx, fleet, load.Options{Broker: f.Broker, Out: stdout, Log: log, Length: f.For})
	if err != nil {
		return err
	}
	s := time.Since(began).Seconds()
	_, err = fmt.Fprintf(stdout, "sent %d messages (%.0f/s) with %d values (%.0f/s), %.1f MB, in %d sessions; lost %d readings\n",
		t.Messages, float64(t.Messages)/s, t.Metrics, float64(t.Metrics)/s, float64(t.Bytes)/1e6, t.Sessions, t.Lost)
	if err != nil {
		return fmt.Errorf("say what was sent: %w", err)
	}
	return nil
}
