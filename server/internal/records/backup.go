package records

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"gritwatch/protocol/si"
)

// workName begins the name of the folder in which a restore works.
const workName = ".restore-"

// A Summary says what is in a file of records.
type Summary struct {
	Version int64 // of its tables
	Bytes   int64
	Cycles  int
	Alarms  int
	Newest  si.Instant // press or alarm; 0: none
}

// Backup writes all records to a new file.
func (s *SQLite) Backup(ctx context.Context, path string) error {
	return backup(ctx, s.path, path)
}

// BackupFolder writes the records in a folder to a new file, as Records.Backup does. A server may have them, even one that
// writes.
func BackupFolder(ctx context.Context, folder, path string) (Summary, error) {
	from := filepath.Join(folder, fileName)
	if _, err := os.Stat(from); errors.Is(err, fs.ErrNotExist) {
		return Summary{}, fmt.Errorf("there are no records in %s: a server that has run with this data directory makes them", folder)
	}
	if err := backup(ctx, from, path); err != nil {
		return Summary{}, err
	}
	return Inspect(ctx, path)
}

func backup(ctx context.Context, from, path string) (err error) {
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("backup: %s %w; name a new file", path, fs.ErrExist)
	}
	// A folder of its own, so that nothing else has the name, and so that what SQLite leaves beside it goes too.
	work, err := os.MkdirTemp(filepath.Dir(path), ".backup-*")
	if err != nil {
		return fmt.Errorf("backup: %w; name a file in a folder that this user may write", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	made := filepath.Join(work, fileName)
	// Not query_only, under which SQLite takes this for a write to the records.
	db, err := connect(from, "rw")
	if err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	db.SetMaxOpenConns(1)
	if err = keepLog(ctx, db); err == nil {
		// It reads one state of the records, whatever is written meanwhile.
		_, err = db.ExecContext(ctx, "VACUUM INTO $1", made)
	}
	if err = errors.Join(err, db.Close()); err != nil {
		return fmt.Errorf("backup: %w", explain(err))
	}
	if _, err := inspect(ctx, made); err != nil {
		return fmt.Errorf("backup: what was written: %w", err)
	}
	if err := syncFile(made); err != nil {
		return fmt.Errorf("backup: %w", err)
	}
	// Unlike a renaming, a link does not replace what has come there meanwhile.
	if err := os.Link(made, path); errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("backup: %s %w; name a new file", path, fs.ErrExist)
	} else if err != nil {
		// There are file systems without links.
		if err := os.Rename(made, path); err != nil {
			return fmt.Errorf("backup: %w", err)
		}
	}
	return syncFolder(filepath.Dir(path))
}

// Inspect checks a file of records from end to end, and says what is in it. It must be one that nobody writes.
func Inspect(ctx context.Context, path string) (Summary, error) {
	s, err := inspect(ctx, path)
	if err != nil {
		return Summary{}, fmt.Errorf("%s: %w", path, err)
	}
	return s, nil
}

// inspect is Inspect with errors that do not name the file.
func inspect(ctx context.Context, path string) (s Summary, err error) {
	found, err := examine(ctx, path)
	if err != nil {
		return s, err
	}
	if !found {
		return s, fs.ErrNotExist
	}
	db, err := connect(path, "rw", "query_only(1)")
	if err != nil {
		return s, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	have, known, err := versionOf(ctx, db)
	if err != nil {
		return s, fmt.Errorf("the version cannot be read: %w", err)
	}
	if have > known {
		return s, fmt.Errorf("%w: it has version %d, and this one knows %d", ErrNewer, have, known)
	}
	info, err := os.Stat(path)
	if err != nil {
		return s, err
	}
	s = Summary{Version: have, Bytes: info.Size()}
	var pressed, raised si.Instant
	err = errors.Join(
		db.QueryRowContext(ctx, "SELECT COUNT(*), COALESCE(MAX(press_us), 0) FROM cycles").Scan(&s.Cycles, &pressed),
		db.QueryRowContext(ctx, "SELECT COUNT(*), COALESCE(MAX(raised_us), 0) FROM alarms").Scan(&s.Alarms, &raised))
	s.Newest = max(pressed, raised)
	return s, err
}

// Restore puts a backup in the place of the records in a folder. What was there is kept in a folder below it, which is
// given; empty: there was nothing. ErrHeld says that a server has them; nothing was changed then, nor after any other
// error that comes before the backup is there as a whole.
func Restore(ctx context.Context, folder, backup string, now time.Time) (kept string, sum Summary, err error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return "", sum, fmt.Errorf("restore: %w", err)
	}
	lock, err := hold(folder)
	if err != nil {
		return "", sum, err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	path := filepath.Join(folder, fileName)
	// What a restore that was killed left.
	left, err := filepath.Glob(filepath.Join(folder, workName+"*"))
	for _, name := range left {
		err = errors.Join(err, os.RemoveAll(name))
	}
	if err != nil {
		return "", sum, fmt.Errorf("restore: %w", err)
	}
	work, err := os.MkdirTemp(folder, workName+"*")
	if err != nil {
		return "", sum, fmt.Errorf("restore: %w", err)
	}
	defer func() { err = errors.Join(err, os.RemoveAll(work)) }()
	if log, err := os.Stat(backup + "-wal"); err == nil && log.Size() > 0 {
		return "", sum, fmt.Errorf("restore: %s has a log beside it, with records that are not in it: it is no backup. Copy both into a folder named records, and make a backup of that", backup)
	}
	// The copy is what counts, so it is the copy that is checked.
	fresh := filepath.Join(work, fileName)
	if err := copyFile(backup, fresh); err != nil {
		return "", sum, fmt.Errorf("restore: %w", err)
	}
	if sum, err = inspect(ctx, fresh); err != nil {
		return "", Summary{}, fmt.Errorf("restore: %s: %w", backup, err)
	}
	if err := syncFile(fresh); err != nil {
		return "", sum, fmt.Errorf("restore: %w", err)
	}
	if kept, err = keep(ctx, path, now); err != nil {
		return "", sum, fmt.Errorf("restore: what is there could not be kept: %w", err)
	}
	if err := os.Rename(fresh, path); err != nil {
		return kept, sum, fmt.Errorf("restore: %w", err)
	}
	return kept, sum, syncFolder(folder)
}

// keep puts a copy of the records aside and takes away the log beside them, which must not meet another file. Until the
// new file takes their place the records stay where they are, whole: a cut of the power leaves one or the other.
func keep(ctx context.Context, path string, now time.Time) (string, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	// What is in the log goes into the file. A damaged file stays as it is.
	if _, err := examine(ctx, path); err == nil {
		db, err := connect(path, "rw")
		if err != nil {
			return "", err
		}
		var busy, frames, done int
		err = db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &done)
		if err = errors.Join(err, db.Close()); err != nil {
			return "", explain(err)
		}
		if busy != 0 {
			return "", errors.New("another program reads them; wait for its end")
		}
	}
	kept, err := newFolder(filepath.Join(filepath.Dir(path), oldName), now)
	if err != nil {
		return "", err
	}
	for _, p := range parts {
		if err := copyFile(path+p, filepath.Join(kept, fileName+p)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", errors.Join(err, os.RemoveAll(kept))
		}
	}
	if err := syncFolder(kept); err != nil {
		return "", err
	}
	for _, p := range parts[1:] {
		if err := os.Remove(path + p); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return kept, syncFolder(filepath.Dir(path))
}
