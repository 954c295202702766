package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/keep"
	"gritwatch/server/internal/records"
)

// historyFolder stands in the data directory.
const historyFolder = "history"

// manyPots is from how many pots on the history writes smaller blocks, so that it holds less in memory.
const manyPots = 1000

// A store is what the server keeps on its disk: the samples, and the records.
type store struct {
	history *history.Store
	records *records.SQLite

	positions  []records.Position
	placements []clocks.Placement
	lostTo     map[keep.JournalKey]uint64
	open       []records.Alarm

	scratch string // where records are that are gone with this run, as their own folder could not be opened; empty: they are not
}

// memory is a folder that needs no disk.
const memory = "/dev/shm"

// openRecords opens the records. Where the disk has no room even for that, the server must answer all the same: records are then
// kept in memory until it ends.
func (s *store) openRecords(folder string, log *slog.Logger) (err error) {
	if s.records, err = records.Open(folder, log); err == nil || !errors.Is(err, records.ErrFull) && !noRoom(filepath.Dir(folder)) {
		return err
	}
	log.Error("the disk is full: cycles and alarms are kept in memory until the server ends; make room and start it again", slog.String("reason", err.Error()))
	if s.scratch, err = os.MkdirTemp(memory, "gritwatch-records-"); err != nil {
		return err
	}
	s.records, err = records.Open(s.scratch, log)
	return err
}

// noRoom tells whether the disk of a folder takes nothing any more. SQLite says of that in a dozen ways that something went wrong.
func noRoom(folder string) bool {
	const least = 1 << 20
	var disk unix.Statfs_t
	return unix.Statfs(folder, &disk) == nil && disk.Bavail*uint64(disk.Bsize) < least
}

// openStore opens both, and reads what the parts begin with.
func openStore(ctx context.Context, c config.Config, log *slog.Logger) (s *store, err error) {
	o := history.Options{Site: c.Site, Log: log, Retention: c.History.Age, MaxBytes: c.History.Size, Later: true}
	if len(c.Pots) >= manyPots {
		o.Block = 15 * time.Minute
	}
	opened := &store{lostTo: map[keep.JournalKey]uint64{}}
	s = opened
	if s.history, err = history.Open(filepath.Join(c.Data, historyFolder), o); err != nil {
		return nil, fmt.Errorf("samples: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, opened.close())
		}
	}()
	if err = s.openRecords(records.Folder(c.Data), log); err != nil {
		return nil, err
	}
	if s.positions, err = s.records.Positions(ctx); err != nil {
		return nil, err
	}
	if s.placements, err = s.records.Placements(ctx); err != nil {
		return nil, err
	}
	if s.open, err = s.records.OpenAlarms(ctx); err != nil {
		// What stands is found again; what was latched is not.
		log.Error("the open alarms cannot be read: those that are latched are forgotten", slog.String("reason", err.Error()))
		s.open, err = nil, nil
	}
	for q := (records.Query{Limit: 1000}); ; {
		p, err := s.records.Losses(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, l := range p.Items {
			k := keep.JournalKey{Agent: l.Agent, Journal: l.Journal}
			s.lostTo[k] = max(s.lostTo[k], l.To)
		}
		if q.After = p.Next; q.After == "" {
			return s, nil
		}
	}
}

// close writes out what waits. It is called when nothing hands in any more.
func (s *store) close() error {
	var err error
	if s.records != nil {
		err = s.records.Close()
	}
	if s.scratch != "" {
		err = errors.Join(err, os.RemoveAll(s.scratch))
	}
	return errors.Join(err, s.history.Close())
}
