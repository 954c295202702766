package app

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/journal"
	"gritwatch/agent/internal/journal/slate"
)

// kept is the journal's folder and what is in it. Where it cannot be used the agent goes on without, as far as that is safe: the
// guard's own file is read all the same, for it may hold a finding.
type kept struct {
	dir     string // "": there is no such folder
	held    io.Closer
	journal *journal.Journal // nil: none
	slate   *slate.Slate     // nil: none
	found   slate.Found
}

// takeUpWithin is how long the start waits for the disk to take what stood on the slate.
const takeUpWithin = 5 * time.Second

// openKept opens the journal. The error wraps ErrHeld: the folder is another agent's.
func openKept(ctx context.Context, c config.Journal, log *slog.Logger) (*kept, error) {
	k := &kept{}
	held, err := hold(c.Path)
	if errors.Is(err, ErrHeld) {
		return nil, err
	}
	if held != nil {
		k.held = held
	}
	if is, e := os.Stat(c.Path); e == nil && is.IsDir() {
		k.dir = c.Path
	}
	var j *journal.Journal
	if k.dir != "" {
		var e error
		j, e = journal.Open(journal.Options{Folder: journal.Dir(c.Path), MaxBytes: c.Size, MaxAge: c.Age, SyncEvery: c.Sync,
			WriteEvery: min(c.Sync, journal.DefaultWriteEvery), Log: log})
		if errors.Is(e, journal.ErrHeld) {
			return nil, errors.Join(errors.Join(ErrHeld, e), k.close())
		}
		err = errors.Join(err, e)
	}
	if err != nil {
		log.LogAttrs(ctx, slog.LevelError, "the journal's folder cannot be used: what is read while the broker or the server is away will be lost; guard and live readings are not affected",
			slog.Any("reason", err))
	}
	if j == nil {
		return k, nil
	}
	k.journal = j
	st := j.Status()
	log.LogAttrs(ctx, slog.LevelInfo, "journal", slog.String("folder", c.Path), slog.String("id", st.ID), slog.Uint64("oldest", st.Oldest),
		slog.Uint64("next", st.Next), slog.Uint64("lost", st.Lost), slog.Int64("bytes", st.Bytes))
	boot, err := slate.Boot()
	if err == nil {
		k.slate, k.found, err = slate.Open(journal.Dir(c.Path), boot, st.ID, log)
	}
	if err != nil {
		log.LogAttrs(ctx, slog.LevelWarn, "there is no slate beside the journal: if the agent is killed, the readings since the last flush are lost", slog.Any("reason", err))
	}
	return k, nil
}

// run does the journal's disk work until ctx ends.
func (k *kept) run(ctx context.Context) error {
	if k.journal == nil {
		return nil
	}
	return k.journal.Run(ctx)
}

// takeUp appends what a killed agent had read last; run must be going, and nothing may be written to the slate yet.
func (k *kept) takeUp(ctx context.Context, log *slog.Logger) {
	if k.journal == nil {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, takeUpWithin)
	defer cancel()
	n, err := slate.TakeUp(ctx, k.journal, k.found)
	switch {
	case err != nil:
		log.LogAttrs(ctx, slog.LevelWarn, "the last readings before the end of a former run are lost", slog.Any("reason", err))
	case n > 0:
		log.LogAttrs(ctx, slog.LevelInfo, "the last readings of a former run, which did not end in order, are in the journal now", slog.Int("readings", n))
	}
	k.found = slate.Found{}
}

// close gives everything back; the journal's Run has ended.
func (k *kept) close() error {
	var errs error
	if k.slate != nil {
		errs = errors.Join(errs, k.slate.Close())
	}
	if k.journal != nil {
		errs = errors.Join(errs, k.journal.Close())
	}
	if k.held != nil {
		errs = errors.Join(errs, k.held.Close())
	}
	return errs
}
