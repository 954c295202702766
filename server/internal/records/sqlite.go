package records

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"gritwatch/protocol/si"
)

// Names in the folder of the records.
const (
	fileName    = "records.db"
	lockName    = "lock"
	damagedName = "damaged"  // folder of what was found damaged
	oldName     = "replaced" // folder of what a restore has replaced
)

const (
	readers   = 4
	busyFor   = 5 * time.Second
	mostInLog = 16 << 20 // bytes of the write-ahead log that are left in place
)

// Folder is where the records of a server lie whose data directory is data.
func Folder(data string) string { return filepath.Join(data, "records") }

// SQLite are records in one file of that library.
type SQLite struct {
	queue
	path   string
	write  *sql.DB // one connection, the writer's
	read   *sql.DB
	lock   *os.File
	damage string
	end    func() error
}

var _ Records = (*SQLite)(nil)

// Open opens the records in a folder, which is made if need be. A damaged file is moved into the folder damaged, where it
// stays, and new records are begun: see Damage. What another server has (ErrHeld), what a newer program has written and what cannot be
// read or written is an error.
func Open(folder string, log *slog.Logger) (*SQLite, error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, fmt.Errorf("records: %w; set data: to a directory this user may write", err)
	}
	lock, err := hold(folder)
	if err != nil {
		return nil, err
	}
	s := &SQLite{path: filepath.Join(folder, fileName), lock: lock}
	s.end = sync.OnceValue(func() error { return errors.Join(s.queue.close(), s.release()) })
	s.queue = queue{commit: s.commit, refuses: refuses, explain: explain, words: s.wordsOf, log: log, inOne: mostInOne}
	if err := s.open(context.Background(), log); err != nil {
		return nil, errors.Join(err, s.release())
	}
	s.queue.start()
	return s, nil
}

// open opens the file, a new one in place of a damaged one.
func (s *SQLite) open(ctx context.Context, log *slog.Logger) error {
	made, err := wereMade(s.lock)
	if err != nil {
		return fmt.Errorf("records: %w", err)
	}
	found, err := examine(ctx, s.path)
	switch {
	case errors.Is(err, errEmpty) && !made:
		err, found = nil, false // a start that did not get further: the disk was full
	case err == nil && !found && made:
		err = fmt.Errorf("%w: the file is gone", ErrDamaged)
	}
	if err != nil {
		err = fmt.Errorf("records %s: %w", s.path, err)
	}
	switch {
	case errors.Is(err, ErrDamaged):
		kept, moveErr := setAside(s.path, damagedName, time.Now())
		if moveErr != nil {
			return fmt.Errorf("%w; it could not be moved away: %w", err, moveErr)
		}
		s.damage = err.Error()
		if kept != "" {
			s.damage += "; what was there is kept in " + kept
		}
		s.damage += "; new records were begun: gritwatch-server restore brings back a backup"
		log.LogAttrs(ctx, slog.LevelError, "records are damaged", slog.String("reason", err.Error()), slog.String("kept", kept))
	case full(err):
		return fmt.Errorf("%w: %w", ErrFull, err)
	case err != nil:
		return fmt.Errorf("%w: %s", err, s.wordsOf(err))
	case !found:
		log.LogAttrs(ctx, slog.LevelInfo, "new records are begun", slog.String("file", s.path))
	}
	if s.write, err = connect(s.path, "rwc", "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)",
		fmt.Sprintf("journal_size_limit(%d)", mostInLog)); err != nil {
		return err
	}
	s.write.SetMaxOpenConns(1)
	if err := keepLog(ctx, s.write); err != nil {
		return fmt.Errorf("records %s: %w", s.path, explain(err))
	}
	if err := migrate(ctx, s.write, migrations(), log); err != nil {
		return fmt.Errorf("records %s: %w", s.path, explain(err))
	}
	if s.read, err = connect(s.path, "rw", "query_only(1)"); err != nil {
		return err
	}
	s.read.SetMaxOpenConns(readers)
	s.read.SetMaxIdleConns(readers)
	if !made {
		if err := setMade(s.lock); err != nil {
			return fmt.Errorf("records %s: %w", s.lock.Name(), err)
		}
	}
	// The name of the file must be as safe as what is in it.
	return syncFolder(filepath.Dir(s.path))
}

// keepLog has SQLite leave its log and the log's index in place, empty, when the last connection goes: a disk that is
// full then has room for them at the next start. It makes the one connection of db.
func keepLog(ctx context.Context, db *sql.DB) (err error) {
	c, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	return c.Raw(func(driver any) error {
		f, ok := driver.(sqlite.FileControl)
		if !ok {
			return errors.New("records: the driver has no file control")
		}
		_, err := f.FileControlPersistWAL("main", 1)
		return err
	})
}

// wereMade tells whether records were once made where the lock is. Without that, a file that somebody removed or emptied would
// be taken for one that was not made yet.
func wereMade(lock *os.File) (bool, error) {
	info, err := lock.Stat()
	return err == nil && info.Size() > 0, err
}

func setMade(lock *os.File) error {
	_, err := lock.WriteAt([]byte("Records were made here. A running server holds this file.\n"), 0)
	return errors.Join(err, lock.Sync())
}

// connect gives connections to a file; mode is SQLite's: ro, rw or rwc.
func connect(path, mode string, pragmas ...string) (*sql.DB, error) {
	whole, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	q := url.Values{"mode": {mode}, "_txlock": {"immediate"}, "_dqs": {"0"}}
	q.Add("_pragma", fmt.Sprintf("busy_timeout(%d)", busyFor.Milliseconds()))
	for _, p := range pragmas {
		q.Add("_pragma", p)
	}
	name := url.URL{Scheme: "file", Path: whole, RawQuery: q.Encode()}
	return sql.Open("sqlite", name.String())
}

// code is SQLite's result code, without its extension.
func code(err error) int {
	if e := (*sqlite.Error)(nil); errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return sqlite3.SQLITE_OK
}

func refuses(err error) bool {
	switch code(err) {
	case sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_RANGE, sqlite3.SQLITE_ERROR:
		return true
	}
	return false
}

func explain(err error) error {
	if full(err) {
		return fmt.Errorf("%w: %w", ErrFull, err)
	}
	return err
}

// full tells whether the disk is full. That the log's index cannot be made has no other cause where the file itself can be
// opened.
func full(err error) bool {
	e := (*sqlite.Error)(nil)
	return errors.As(err, &e) && (e.Code()&0xff == sqlite3.SQLITE_FULL || e.Code() == sqlite3.SQLITE_IOERR_SHMSIZE) || errors.Is(err, syscall.ENOSPC)
}

// wordsOf says of an error what to do.
func (s *SQLite) wordsOf(err error) string {
	switch {
	case full(err):
		return "the disk is full: free room where " + s.path + " lies"
	case errors.Is(err, errForeign):
		return "move it away, or set data: to another directory"
	}
	switch code(err) {
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return s.path + " is damaged: stop the server and restore a backup; at its next start it sets the file aside"
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN:
		return s.path + " cannot be written: let this user write it and its folder (" + err.Error() + ")"
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return "another program holds " + s.path + ": end it"
	}
	return s.path + " cannot be written: look at the disk (" + err.Error() + ")"
}

// commit stores entries in one transaction.
func (s *SQLite) commit(batch []*entry) error {
	ctx := context.Background()
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	for _, e := range batch {
		if err := e.do(ctx, tx); err != nil {
			// After some errors SQLite has done so by itself; the first error tells more.
			_ = tx.Rollback()
			return err
		}
	}
	return tx.Commit()
}

// Damage says what Open found damaged.
func (s *SQLite) Damage() string { return s.damage }

// Close stores what waits and ends.
func (s *SQLite) Close() error { return s.end() }

func (s *SQLite) release() (err error) {
	for _, db := range []*sql.DB{s.read, s.write} {
		if db != nil {
			err = errors.Join(err, db.Close())
		}
	}
	return errors.Join(err, s.lock.Close())
}

// hold takes the lock of a folder. The kernel gives it back when the process ends, however that happens.
func hold(folder string) (*os.File, error) {
	path := filepath.Join(folder, lockName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, fmt.Errorf("records: %w; set data: to a directory this user may write", err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	switch {
	case errors.Is(err, syscall.EWOULDBLOCK):
		err = fmt.Errorf("records %s are %w; stop that one, or give each server a data directory of its own", folder, ErrHeld)
	case err != nil:
		err = fmt.Errorf("records %s cannot be locked: %w; set data: to a directory on a local disk", folder, err)
	default:
		return f, nil
	}
	return nil, errors.Join(err, f.Close())
}

// hasHead tells whether a file begins as those of SQLite do. No connection of this process may have it open: closing a
// file takes all locks from it that a process has.
func hasHead(path string) (ok bool, err error) {
	f, err := os.Open(path)
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	const head = "SQLite format 3\x00"
	b := make([]byte, len(head))
	_, err = io.ReadFull(f, b)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = nil
	}
	return string(b) == head, err
}

var errForeign = errors.New("it is a database of another program")

var errEmpty = fmt.Errorf("%w: the file is empty", ErrDamaged)

// examine looks whether a file is whole; false: there is none. ErrDamaged says that it is not; other errors say that it
// cannot be told, or that the file is not one of records. They do not name the file.
func examine(ctx context.Context, path string) (found bool, err error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	} else if err != nil {
		return false, err
	}
	if info.Size() == 0 {
		// SQLite would take it for a new one.
		return true, errEmpty
	}
	// SQLite would write what is in the log into whatever the file is, and remove the log.
	if ok, err := hasHead(path); err != nil {
		return true, err
	} else if !ok {
		return true, fmt.Errorf("%w: its head is not that of a database", ErrDamaged)
	}
	db, err := connect(path, "rw", "query_only(1)")
	if err != nil {
		return true, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	told, err := all(ctx, db, func(r row) (s string, err error) { return s, r.Scan(&s) }, "PRAGMA quick_check(3)")
	switch c := code(err); {
	case c == sqlite3.SQLITE_CORRUPT || c == sqlite3.SQLITE_NOTADB:
		return true, fmt.Errorf("%w: %w", ErrDamaged, err)
	case err != nil:
		return true, err
	case !slices.Equal(told, []string{"ok"}):
		return true, fmt.Errorf("%w: %s", ErrDamaged, strings.ReplaceAll(strings.Join(told, "; "), "\n", " "))
	}
	got, ours, err := marks(ctx, db)
	if err == nil && got == 0 {
		// A server that was killed while it made the file left no table.
		var tables int
		err = db.QueryRowContext(ctx, "SELECT COUNT(*) FROM sqlite_master").Scan(&tables)
		ours = tables == 0
	}
	if err == nil && !ours {
		err = fmt.Errorf("%w (application id %#x)", errForeign, got)
	}
	return true, err
}

// AddCycle stores a cycle.
func (s *SQLite) AddCycle(c Cycle) *Write { return put(s, ofCycle, c, addCycle) }

// AddAlarm stores an alarm and its first transition.
func (s *SQLite) AddAlarm(a Alarm) *Write {
	a.Transitions = slices.Clone(a.Transitions[:min(1, len(a.Transitions))])
	return put(s, ofAlarm, a, addAlarm)
}

// AddTransition stores what became of an alarm.
func (s *SQLite) AddTransition(t Transition) *Write { return put(s, kindOf(t), t, addTransition) }

// kindOf keeps what people did, of which there may be any number, out of the places of what alarms did.
func kindOf(t Transition) kind {
	if t.By != "" {
		return ofPeople
	}
	return ofAlarm
}

// Acknowledge stores an acknowledgement and its transition.
func (s *SQLite) Acknowledge(a Acknowledgement) *Write { return put(s, ofPeople, a, acknowledge) }

// AddRefill stores a refill.
func (s *SQLite) AddRefill(r Refill) *Write { return put(s, ofPeople, r, addRefill) }

// AddService stores a service.
func (s *SQLite) AddService(x Service) *Write { return put(s, ofPeople, x, addService) }

// PutShift stores a shift, or replaces it.
func (s *SQLite) PutShift(x Shift) *Write { return put(s, ofPeople, x, putShift) }

// AddBaseline stores a baseline.
func (s *SQLite) AddBaseline(b Baseline) *Write { return put(s, ofPeople, b, addBaseline) }

// PutPositions replaces the positions of journals.
func (s *SQLite) PutPositions(p []Position) *Write {
	return putEach(s, ofPosition, p, putPosition, func(p Position) string { return "position/" + p.Agent + "/" + p.Journal })
}

// AddLosses stores losses.
func (s *SQLite) AddLosses(l []Loss) *Write { return putEach(s, ofLoss, l, addLoss, nil) }

// SaveCheckpoints stores the states of engines.
func (s *SQLite) SaveCheckpoints(c []Checkpoint) *Write {
	own := make([]Checkpoint, len(c))
	for i := range c {
		own[i] = c[i].clone()
	}
	return putEach(s, ofCheckpoint, own, saveCheckpoint, func(c Checkpoint) string { return "checkpoint/" + c.Pot })
}

// DropCheckpoints removes a pot's checkpoints that are newer than an instant. Two that wait become one that removes what
// either would.
func (s *SQLite) DropCheckpoints(pot string, after si.Instant) *Write {
	e := &entry{kind: ofCheckpoint, key: "drop/" + pot, after: int64(after)}
	e.do = func(ctx context.Context, in session) error { return dropCheckpoints(ctx, in, pot, si.Instant(e.after)) }
	e.join = func(older *entry) { e.after = min(e.after, older.after) }
	return s.queue.add(e)
}

// A checked record tells what is not in order with it.
type checked interface{ check() error }

func put[T checked](s *SQLite, k kind, x T, do func(context.Context, session, T) error) *Write {
	return putEach(s, k, []T{x}, do, nil)
}

// putEach queues records, all or none. key, if not nil, is what only the newest waits of.
func putEach[T checked](s *SQLite, k kind, list []T, do func(context.Context, session, T) error, key func(T) string) *Write {
	entries := make([]*entry, len(list))
	for i, x := range list {
		if err := x.check(); err != nil {
			s.queue.refuse(len(list))
			return Stored(err)
		}
		entries[i] = &entry{kind: k, do: func(ctx context.Context, in session) error { return do(ctx, in, x) }}
		if key != nil {
			entries[i].key = key(x)
		}
	}
	return s.queue.add(entries...)
}

// Cycles gives cycles by their press.
func (s *SQLite) Cycles(ctx context.Context, q Query) (Page[Cycle], error) {
	return list(ctx, s.read, &cycles, q)
}

// AbrasiveUsed gives what a pot's cycles used, by steps of time.
func (s *SQLite) AbrasiveUsed(ctx context.Context, pot string, from, to si.Instant, step time.Duration) ([]AbrasiveUse, error) {
	return abrasiveUsed(ctx, s.read, pot, from, to, step)
}

// Alarms gives alarms with all their transitions.
func (s *SQLite) Alarms(ctx context.Context, q Query) (Page[Alarm], error) {
	p, err := list(ctx, s.read, &alarms, q)
	if err != nil {
		return Page[Alarm]{}, err
	}
	return p, withTransitions(ctx, s.read, p.Items)
}

// Alarm gives one with all its transitions; false: there is none of the id.
func (s *SQLite) Alarm(ctx context.Context, id string) (Alarm, bool, error) {
	return alarmOf(ctx, s.read, id)
}

// OpenAlarms gives all alarms that no transition has ended.
func (s *SQLite) OpenAlarms(ctx context.Context) ([]Alarm, error) { return openAlarms(ctx, s.read) }

// Acknowledgements gives those of one alarm.
func (s *SQLite) Acknowledgements(ctx context.Context, alarm string) ([]Acknowledgement, error) {
	return acknowledgements(ctx, s.read, alarm)
}

// Refills gives refills by their instant.
func (s *SQLite) Refills(ctx context.Context, q Query) (Page[Refill], error) {
	return list(ctx, s.read, &refills, q)
}

// Services gives services by their instant.
func (s *SQLite) Services(ctx context.Context, q Query) (Page[Service], error) {
	return list(ctx, s.read, &services, q)
}

// Shifts gives shifts by their beginning.
func (s *SQLite) Shifts(ctx context.Context, q Query) (Page[Shift], error) {
	return list(ctx, s.read, &shifts, q)
}

// Baselines gives baselines by their instant.
func (s *SQLite) Baselines(ctx context.Context, q Query) (Page[Baseline], error) {
	return list(ctx, s.read, &baselines, q)
}

// Positions gives those of all journals.
func (s *SQLite) Positions(ctx context.Context) ([]Position, error) { return positions(ctx, s.read) }

// Losses gives losses by the instant at which they were found.
func (s *SQLite) Losses(ctx context.Context, q Query) (Page[Loss], error) {
	p, err := list(ctx, s.read, &losses, q)
	out := Page[Loss]{Next: p.Next}
	for _, l := range p.Items {
		out.Items = append(out.Items, l.Loss)
	}
	return out, err
}

// NewestCheckpoints gives the newest of each pot.
func (s *SQLite) NewestCheckpoints(ctx context.Context) ([]Checkpoint, error) {
	found, err := newestCheckpoints(ctx, s.read)
	if err != nil {
		return nil, err
	}
	var out []Checkpoint
	for _, k := range found {
		if k.damage == nil {
			out = append(out, k.Checkpoint)
			continue
		}
		c, ok, err := s.CheckpointBefore(ctx, k.Pot, k.At)
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, c)
		}
	}
	return out, nil
}

// CheckpointBefore gives the newest of a pot that is not newer than an instant.
func (s *SQLite) CheckpointBefore(ctx context.Context, pot string, at si.Instant) (Checkpoint, bool, error) {
	found, damaged, err := checkpointBefore(ctx, s.read, pot, at)
	for _, k := range damaged {
		s.log.LogAttrs(ctx, slog.LevelError, "a checkpoint is passed over", slog.String("reason", k.damage.Error()))
	}
	if err != nil || found == nil {
		return Checkpoint{}, false, err
	}
	return found.Checkpoint, true, nil
}
