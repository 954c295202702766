package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

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
	if s.records, err = records.Open(records.Folder(c.Data), log); err != nil {
		return nil, err
	}
	if s.positions, err = s.records.Positions(ctx); err != nil {
		return nil, err
	}
	if s.placements, err = s.records.Placements(ctx); err != nil {
		return nil, err
	}
	if s.open, err = s.records.OpenAlarms(ctx); err != nil {
		return nil, err
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
	return errors.Join(err, s.history.Close())
}
