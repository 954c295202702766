package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/program"
	"gritwatch/internal/terminal"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/replay"
)

type replayFlags struct {
	Pot     string        `required:"" placeholder:"FILE" help:"The pot's file, pot.yaml."`
	Out     string        `placeholder:"FILE" help:"Write the lines to this file, which appears when it is whole; else to standard output."`
	Every   time.Duration `default:"1s" help:"Time of the log between estimates (${default})."`
	Period  time.Duration `placeholder:"1s" help:"Time between rows, where the log's beginning does not tell it."`
	Lenient bool          `help:"Count bad rows and skip them; else the first one ends the replay."`
	Samples string        `arg:"" placeholder:"SAMPLES.CSV" help:"The log: CSV, also packed as .gz; - reads standard input."`
}

const (
	minEvery  = time.Millisecond
	maxPeriod = time.Hour
)

// replayLog runs a logged CSV through judge and engine.
func replayLog(ctx context.Context, f replayFlags, stdout, stderr io.Writer, log *slog.Logger) (err error) {
	switch {
	case f.Every < minEvery:
		return fmt.Errorf("--every %v %w: write at least %v", f.Every, program.ErrUsage, minEvery)
	case f.Period < 0 || f.Period > maxPeriod:
		return fmt.Errorf("--period %v %w: write up to %v; 0 measures it", f.Period, program.ErrUsage, maxPeriod)
	}
	pot, err := program.ReadFile("the pot's file", f.Pot, potfile.Read)
	if err != nil {
		return err
	}
	in, err := replay.Open(ctx, f.Samples, os.Stdin)
	if err != nil {
		return fmt.Errorf("the log %w: %w", program.ErrUsage, err)
	}
	defer func() { err = errors.Join(err, in.Close()) }()

	o := replay.Options{Name: filepath.Base(in.Name), Lenient: f.Lenient, Every: f.Every, Period: f.Period}
	run := func(out io.Writer) (replay.Summary, error) { return play(ctx, pot, in, out, o) }
	if terminal.Is(stderr) {
		bar := &replay.Bar{Show: terminal.Status(stderr), Now: time.Now, In: in}
		o.Progress = bar.Rows
		run = func(out io.Writer) (replay.Summary, error) {
			defer bar.Clear() // before anything else is said there
			return play(ctx, pot, in, out, o)
		}
	}
	if f.Out == "" {
		s, err := run(stdout)
		return report(ctx, pot, s, err, o, log)
	}
	file, err := replay.Create(f.Out, f.Pot, f.Samples)
	if err != nil {
		return fmt.Errorf("--out %w: %w", program.ErrUsage, err)
	}
	s, err := run(file)
	if err := report(ctx, pot, s, err, o, log); err != nil || ctx.Err() != nil {
		return errors.Join(err, file.Discard())
	}
	return file.Commit()
}

// play replays into out.
func play(ctx context.Context, pot potfile.Pot, in io.Reader, out io.Writer, o replay.Options) (replay.Summary, error) {
	w := bufio.NewWriterSize(out, 1<<16)
	s, err := replay.Run(ctx, pot, in, w, o)
	if ferr := w.Flush(); err == nil && ferr != nil { // else err tells of it
		err = fmt.Errorf("write the lines: %w", ferr)
	}
	return s, err
}

// report says what the user should know of the log beside its lines, and gives back how the replay ended.
func report(ctx context.Context, pot potfile.Pot, s replay.Summary, err error, o replay.Options, log *slog.Logger) error {
	var header *replay.HeaderError
	switch {
	case errors.As(err, &header):
		return fmt.Errorf("the log %w: %w", program.ErrUsage, err)
	case s.Columns == 0, err != nil && s.Rows == 0:
		return err
	}
	var missing []string
	for _, pt := range points.All() {
		if pot.Points.Has(pt) && !s.Columns.Has(pt) {
			missing = append(missing, pt.String())
		}
	}
	if missing != nil {
		log.LogAttrs(ctx, slog.LevelInfo, "points of the pot that the log has no column for", slog.String("points", strings.Join(missing, ", ")))
	}
	if n := s.Skipped.Total(); n > 0 {
		log.LogAttrs(ctx, slog.LevelWarn, "bad rows were skipped", slog.Int("rows", n), slog.String("kinds", s.Skipped.String()))
	}
	if s.TooSlow() {
		log.LogAttrs(ctx, slog.LevelWarn, "the log is slower than 2 s: it can never prove that the vessel was vented", slog.Duration("period", s.Period))
	}
	if s.Rows > 0 {
		log.LogAttrs(ctx, slog.LevelInfo, "replayed", slog.String("log", o.Name), slog.Int("rows", s.Rows), slog.Int("lines", s.Lines),
			slog.String("from", s.From.String()), slog.String("to", s.To.String()), slog.Duration("period", s.Period))
	} else if ctx.Err() == nil {
		log.LogAttrs(ctx, slog.LevelWarn, "the log has no row that can be used", slog.String("log", o.Name))
	}
	return err
}
