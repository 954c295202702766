package records

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// parts are the files of a database: the database, what was written and is not in it yet, and the index of that.
var parts = []string{"", "-wal", "-shm"}

// setAside moves a database into a new folder below the one in which it lies, and gives that folder; empty: there was
// nothing to move.
func setAside(path, name string, at time.Time) (string, error) {
	kept, err := newFolder(filepath.Join(filepath.Dir(path), name), at)
	if err != nil {
		return "", err
	}
	moved := false
	for _, p := range parts {
		err := os.Rename(path+p, filepath.Join(kept, filepath.Base(path)+p))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
		moved = moved || err == nil
	}
	if !moved {
		return "", os.Remove(kept)
	}
	return kept, errors.Join(syncFolder(kept), syncFolder(filepath.Dir(path)))
}

// newFolder makes a folder that is named by an instant.
func newFolder(in string, at time.Time) (string, error) {
	if err := os.MkdirAll(in, 0o755); err != nil {
		return "", err
	}
	name := at.UTC().Format("20060102T150405Z")
	for n := 0; ; n++ {
		path := filepath.Join(in, name)
		if n > 0 {
			path += fmt.Sprintf("-%d", n)
		}
		err := os.Mkdir(path, 0o755)
		if !errors.Is(err, fs.ErrExist) {
			return path, errors.Join(err, syncFolder(in))
		}
	}
}

// copyFile makes a copy that must not exist yet, safe on the disk.
func copyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}

// syncFile makes a file safe on the disk.
func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// syncFolder makes the names in a folder safe on the disk.
func syncFolder(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
