package history

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"

	"github.com/prometheus/prometheus/tsdb/wlog"
)

// A Mark stands for what one Append took, and is of use only to the store that gave it. The zero mark stands for nothing.
type Mark struct {
	opening int    // number of the opening, from 1
	n       uint64 // number of the Append in it, from 1
}

// A Fate is what is known of a mark.
type Fate uint8

// The fates.
const (
	Pending Fate = iota // in the log, where it outlives this process, but not yet brought to the disk
	OnDisk              // it survives a power cut
	// Void: after a fault the store was opened anew before the mark was on the disk, and is not known to hold all of it.
	// Have the samples sent again: those that are there will be Repeated.
	Void
)

// String names the fate in logs.
func (f Fate) String() string { return [...]string{"pending", "on disk", "void"}[f] }

// errSuspect: after a failed fsync the kernel forgets what it could not write, and the next one succeeds all the same.
var errSuspect = errors.New("the log could not be brought to the disk; it must be written out anew first")

// logs are the directories of the log, by name: of samples as they come, and of late ones.
var logs = [...]string{"wal", wlog.WblDirName}

// Sync waits until all that was appended before the call is on the disk; the marks of that are then OnDisk. Only then may
// a position be acknowledged to an agent. After an error nothing is known of what was Pending; Run mends it.
func (s *Store) Sync() error {
	s.syncing.Lock()
	defer s.syncing.Unlock()
	o, err := s.use()
	if err != nil {
		return err
	}
	defer o.users.Done()
	s.mu.Lock()
	upTo, suspect := o.done, s.suspect
	s.mu.Unlock()
	if suspect {
		return fmt.Errorf("%w: %w", ErrFault, errSuspect)
	}
	for _, name := range logs {
		if err := s.syncLog(filepath.Join(s.dir, name)); err != nil {
			s.mu.Lock()
			s.suspect, s.anew, s.fault = true, true, errSuspect
			s.stats.Faults++
			s.mu.Unlock()
			s.o.Log.LogAttrs(context.Background(), slog.LevelError, "history cannot be brought to the disk; agents keep their samples until it can be",
				slog.String("reason", err.Error()))
			return fmt.Errorf("%w: %w", ErrFault, err)
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	o.synced = max(o.synced, upTo)
	return nil
}

// Fate tells whether what an Append took is on the disk.
func (s *Store) Fate(m Mark) Fate {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := len(s.ended) + 1 // the number of the current opening, or of the next
	switch {
	case m.opening == now && s.current != nil && m.n <= s.current.synced, m.opening > 0 && m.opening < now && m.n <= s.ended[m.opening-1]:
		return OnDisk
	case m.opening == now:
		return Pending
	}
	return Void
}

// syncLog brings the segments of a log to the disk that are not known to be there: at first all, as the process that
// wrote them may have been killed. A segment that is gone meanwhile was put into a block or a checkpoint, which the
// library brings to the disk before it drops segments.
func (s *Store) syncLog(dir string) error {
	first, last, err := wlog.Segments(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("log %s: %w", dir, err)
	}
	from, known := s.onDisk[dir]
	for i := max(first, from); i <= last; i++ {
		if err := s.fsync(wlog.SegmentName(dir, i)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	if !known || last != from {
		if err := s.fsync(dir); err != nil { // the names of new segments
			return err
		}
	}
	s.onDisk[dir] = last
	return nil
}

// renew writes the segments of the log that may not be on the disk anew, to other places of it, as far as they can still
// be read. The store is closed meanwhile.
func (s *Store) renew() error {
	for _, name := range logs {
		dir := filepath.Join(s.dir, name)
		first, last, err := wlog.Segments(dir)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return fmt.Errorf("log %s: %w", dir, err)
		}
		for i := max(first, s.onDisk[dir]); i <= last; i++ {
			if err := s.renewFile(wlog.SegmentName(dir, i)); err != nil {
				return err
			}
		}
		if err := s.fsync(dir); err != nil {
			return err
		}
	}
	return nil
}

func (s *Store) renewFile(path string) error {
	b, err := os.ReadFile(path)
	if err == nil {
		err = replace(path, b)
	}
	if err == nil {
		err = s.fsync(path)
	}
	if err != nil {
		return fmt.Errorf("writing %s anew: %w", path, err)
	}
	return nil
}
