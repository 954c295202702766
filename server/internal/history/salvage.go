package history

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"

	"github.com/oklog/ulid/v2"
	"github.com/prometheus/prometheus/tsdb"
)

// A Damage is something of the store that could not be read as it should.
type Damage struct {
	File string // what was damaged; empty: no single file
	Kept string // where it lies now for inspection; empty: it is not kept
	What string // in words
}

// salvage looks through a store that is not open and puts what is damaged into the folder kept, so that the library,
// which would drop a log from the first damage on, refuse a checkpoint, and pass over a block, opens all that is good. The
// library's files of full chunks that are not in a block yet are deleted. They only spare it some work: all that they hold is in
// the log, and where they and the log disagree, as after a kill, it goes by the wrong one.
func salvage(dir, kept string) (damage []Damage, err error) {
	note := func(d Damage) { damage = append(damage, d) }
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err := salvageBlocks(dir, kept, note); err != nil {
		return damage, err
	}
	for _, name := range logs {
		paths, err := segments(filepath.Join(dir, name))
		if err != nil {
			return damage, err
		}
		for _, path := range paths {
			rel, err := filepath.Rel(dir, path)
			if err != nil {
				return damage, err
			}
			if err := salvageSegment(path, filepath.Join(kept, rel), note); err != nil {
				return damage, err
			}
		}
	}
	return damage, os.RemoveAll(filepath.Join(dir, "chunks_head"))
}

// segments is the paths of a log's segments, those of its checkpoints too.
func segments(dir string) (paths []string, err error) {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		switch {
		case e.IsDir() && strings.HasPrefix(e.Name(), "checkpoint.") && !strings.HasSuffix(e.Name(), ".tmp"):
			inside, err := segments(path)
			if err != nil {
				return nil, err
			}
			paths = append(paths, inside...)
		case !e.IsDir() && isSegment(e.Name()):
			paths = append(paths, path)
		}
	}
	return paths, err
}

// isSegment: segments of a log are named by eight digits.
func isSegment(name string) bool {
	return len(name) == 8 && strings.Trim(name, "0123456789") == ""
}

// salvageBlocks moves away blocks that do not open.
func salvageBlocks(dir, kept string, note func(Damage)) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if _, err := ulid.ParseStrict(e.Name()); err != nil || !e.IsDir() {
			continue
		}
		path := filepath.Join(dir, e.Name())
		b, err := tsdb.OpenBlock(slog.New(slog.DiscardHandler), path, nil, nil)
		if err == nil {
			if err = b.Close(); err != nil {
				return err
			}
			continue
		}
		to := filepath.Join(kept, e.Name())
		if err := os.MkdirAll(kept, 0o750); err != nil {
			return err
		}
		if err := os.Rename(path, to); err != nil {
			return err
		}
		note(Damage{File: path, Kept: to, What: fmt.Sprintf("block does not open: %v", err)})
	}
	return nil
}

// salvageSegment mends a segment, and keeps it as it was if it is damaged.
func salvageSegment(path, kept string, note func(Damage)) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	changed, lost, why := mendSegment(b, judgeRecords())
	if !changed {
		return nil
	}
	if lost > 0 {
		if err := link(path, kept); err != nil {
			return err
		}
	}
	if err := replace(path, b); err != nil {
		return fmt.Errorf("mending %s: %w", path, err)
	}
	if err := fsyncFile(filepath.Dir(path)); err != nil || lost == 0 {
		return err
	}
	note(Damage{File: path, Kept: kept, What: fmt.Sprintf("%d of %d bytes of the log cannot be read; %s", lost, len(b), why)})
	return nil
}

// replace gives a file other bytes, in another place of the disk, at one stroke.
func replace(path string, b []byte) error {
	tmp := path + ".mending"
	defer os.Remove(tmp)
	if err := write(tmp, b); err != nil {
		return err
	}
	return os.Rename(tmp, path)
}

// write makes a file, and brings it to the disk.
func write(path string, b []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	if _, err = f.Write(b); err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// link gives a file a second name, so that it outlives the loss of the first; where the file system has no such names,
// a copy does.
func link(path, to string) error {
	if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
		return err
	}
	if os.Link(path, to) == nil {
		return nil
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	return write(to, b)
}
