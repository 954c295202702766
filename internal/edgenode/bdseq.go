package edgenode

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"gritwatch/protocol/sparkplug"
)

// A bdFile keeps the number of the last will, as text, in the file bdseq. Where it cannot, counting goes on in
// memory: a node that may not write must still speak.
type bdFile struct {
	path string // "": not kept
	last uint8
	any  bool // there was a last one
	bad  bool // said that it cannot be written
}

func (f *bdFile) open(dir string, log *slog.Logger) {
	if dir == "" {
		return
	}
	f.path = filepath.Join(dir, "bdseq")
	text, err := os.ReadFile(f.path)
	if errors.Is(err, fs.ErrNotExist) {
		return
	}
	var n uint64
	if err == nil {
		n, err = strconv.ParseUint(strings.TrimSpace(string(text)), 10, 8)
	}
	f.last, f.any = uint8(n), true
	if err != nil {
		// Any number will do that an old will is unlikely to carry.
		f.last = uint8(time.Now().UnixMilli())
		log.LogAttrs(context.Background(), slog.LevelWarn, "number of the last session is not readable; counting goes on anywhere",
			slog.String("file", f.path), slog.Any("reason", err))
	}
}

// next is the number for another CONNECT, on disk before it is used.
func (f *bdFile) next(log *slog.Logger) uint8 {
	n := uint8(0)
	if f.any {
		n = sparkplug.NextBdSeq(f.last)
	}
	f.last, f.any = n, true
	if f.path == "" {
		return n
	}
	err := writeFile(f.path, strconv.Itoa(int(n))+"\n")
	if err != nil && !f.bad {
		log.LogAttrs(context.Background(), slog.LevelWarn, "number of the session cannot be kept: make room, or make the directory writable",
			slog.Any("reason", err))
	}
	f.bad = err != nil
	return n
}

// writeFile puts text in the place of path, whole or not at all.
func writeFile(path, text string) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".bdseq-*")
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	// The new name must outlast a loss of power too, or the next life would use the number of a will that may still come. Not
	// every file system can; then nothing is lost by the attempt.
	if dir, err := os.Open(filepath.Dir(path)); err == nil {
		_ = dir.Sync()
		_ = dir.Close()
	}
	return nil
}
