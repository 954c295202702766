package history

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/fileutil"
	"github.com/prometheus/prometheus/util/compression"
	"golang.org/x/sys/unix"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Errors that callers tell apart; all others are of the disk.
var (
	ErrQuery  = errors.New("history cannot be read so") // the caller asks for something that cannot be
	ErrFault  = errors.New("history is not writable")   // nothing is taken now; offer it again later
	ErrClosed = errors.New("history is closed")
	ErrAway   = errors.New("history cannot be read at the moment") // it is being opened anew; ask again
)

// MinWindow is the least Options.Window: an agent that was cut off over a weekend may still deliver.
const MinWindow = 48 * time.Hour

// Options of a store. Site and Log are needed; zero values of the others stand for the defaults.
type Options struct {
	Site string // label of every series; samples of another site's name are not seen
	Log  *slog.Logger

	Retention time.Duration // samples are kept at least so long, unless MaxBytes is passed. Default 400 days
	MaxBytes  int64         // of all files; the oldest blocks go first. Default 0: no bound
	Window    time.Duration // how late a sample may come. Default 7 days, at least MinWindow
	Ahead     time.Duration // how far a sample's time may lie in the future. Default 1 h
	// Block is the time of the smallest block, and so how much is held in memory and in the log: up to one and a half
	// times as much. Default 1 h; for a thousand pots and more 15 min.
	Block   time.Duration
	MinFree int64 // bytes on the disk under which nothing is taken any more. Default 256 MiB

	// Later has Open return at once: Run opens the files. Until then nothing is taken and nothing is given, as while a fault stands.
	// A long log takes a while to go through, and what does not need it should not wait.
	Later bool

	Now func() time.Time // default time.Now
}

func (o Options) withDefaults() (Options, error) {
	if o.Site == "" || o.Log == nil {
		return o, errors.New("history: Options.Site and Options.Log are needed")
	}
	set := func(d *time.Duration, to time.Duration) {
		if *d == 0 {
			*d = to
		}
	}
	set(&o.Retention, 400*24*time.Hour)
	set(&o.Window, 7*24*time.Hour)
	set(&o.Ahead, time.Hour)
	set(&o.Block, time.Hour)
	if o.MinFree == 0 {
		o.MinFree = 256 << 20
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	switch {
	case o.Window < MinWindow:
		return o, fmt.Errorf("history: window %v is too short; agents that were cut off need at least %v", o.Window, MinWindow)
	case o.Retention < o.Block:
		return o, fmt.Errorf("history: retention %v is shorter than one block of %v", o.Retention, o.Block)
	case o.Block < time.Minute || o.Ahead < 0 || o.MaxBytes < 0 || o.MinFree < 0:
		return o, fmt.Errorf("history: block %v must be at least 1 min; ahead %v, most bytes %d and least free %d not negative", o.Block, o.Ahead, o.MaxBytes, o.MinFree)
	}
	return o, nil
}

// A Store keeps the samples of a site's pots. Its methods may be called from any goroutine.
type Store struct {
	o    Options
	dir  string // of the library's store; what was damaged and the lock lie beside it
	root string
	lock fileutil.Releaser

	// Stand-ins for the operating system, for tests.
	free  func(dir string) (uint64, error)
	fsync func(path string) error

	writing sync.Mutex // one writer; held while the store is opened anew. Guards what follows
	tracks  map[trackKey]*track
	late    []lateSample
	commits int64

	tending sync.Mutex // one at a time writes blocks
	gate    gate

	syncing sync.Mutex
	onDisk  map[string]int // by directory of the log: the last segment of which a part is known to be on the disk

	mu      sync.Mutex // guards what follows; never held for long
	current *opening   // nil: could not be opened, see fault
	closed  bool
	fault   error    // why nothing is taken
	anew    bool     // the fault ends by opening the store anew
	suspect bool     // a part of the log may be missing on the disk: it must be written anew
	ended   []uint64 // by opening before this one: how many appends of it were on the disk at its end
	stats   Stats
	damage  []Damage
}

// An opening is one opening of the library's store. After a fault it is given up for another.
type opening struct {
	db       *tsdb.DB
	counters *counters
	ctx      context.Context // ends when its readers must leave
	leave    context.CancelFunc
	stop     context.CancelFunc // ends the writing of blocks for good
	users    sync.WaitGroup
	stuck    bool // a lock inside may never be given back: it cannot be closed

	done, synced uint64 // appends done, and how many of them are on the disk; guarded by Store.mu
}

// Open opens the history in a directory, which it makes if need be, and looks through it first: what is damaged is moved
// or copied into the folder damaged, told by Damage, and the rest is opened. Where the disk is full the store opens all
// the same, takes and gives nothing, and Run tries again. Another store on the same directory is an error.
func Open(dir string, o Options) (*Store, error) {
	return open(dir, o, freeBytes, fsyncFile)
}

func open(dir string, o Options, free func(string) (uint64, error), fsync func(string) error) (*Store, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("history: data directory: %w", err)
	}
	lock, _, err := fileutil.Flock(filepath.Join(dir, "lock"))
	if err != nil {
		return nil, fmt.Errorf("history: %s is in use by another server; stop that one, or give this one a directory of its own (%w)", dir, err)
	}
	s := &Store{o: o, root: dir, dir: filepath.Join(dir, "samples"), lock: lock, free: free, fsync: fsync,
		tracks: map[trackKey]*track{}, onDisk: map[string]int{}}
	if o.Later {
		s.anew, s.fault = true, errOpening
		return s, nil
	}
	if err := s.room(); err != nil {
		s.failed(nil, err)
		return s, nil
	}
	if s.current, err = s.openLibrary(); err != nil {
		return nil, errors.Join(err, lock.Release())
	}
	return s, nil
}

// errOpening stands while the files are opened for the first time.
var errOpening = errors.New("the files are being opened")

// openLibrary looks the files through and opens them.
func (s *Store) openLibrary() (*opening, error) {
	found, err := salvage(s.dir, filepath.Join(s.root, "damaged", s.o.Now().UTC().Format("20060102T150405.000000")))
	if err != nil {
		return nil, fmt.Errorf("history: looking through %s: %w", s.dir, err)
	}
	s.report(found)
	o := &opening{counters: newCounters()}
	us := func(d time.Duration) int64 { return d.Microseconds() }
	opts := tsdb.DefaultOptions()
	opts.NoLockfile = true // the store's own lock outlives a fault
	opts.RetentionDuration, opts.MaxBytes = us(s.o.Retention), s.o.MaxBytes
	opts.MinBlockDuration, opts.MaxBlockDuration = us(s.o.Block), max(us(s.o.Block), min(us(s.o.Retention)/10, us(31*24*time.Hour)))
	// The library judges lateness by the newest sample of all pots, which may lie ahead of this server's clock.
	opts.OutOfOrderTimeWindow = us(s.o.Window + s.o.Ahead + s.o.Block)
	opts.OutOfOrderCapMax = 240
	opts.SamplesPerChunk = 240
	opts.WALSegmentSize = 32 << 20
	opts.WALCompression = compression.Snappy
	opts.StripeSize = 1 << 10
	opts.HeadChunksWriteBufferSize = 64 << 10
	opts.MaxBlockChunkSegmentSize = 64 << 20
	// The library's own goroutine would crash the program where a chunk cannot be written: Run does its work, guarded.
	opts.BlockReloadInterval = 1 << 62
	o.ctx, o.leave = context.WithCancel(context.Background())
	var compacting context.Context
	compacting, o.stop = context.WithCancel(o.ctx)
	opts.NewCompactorFunc = s.gate.compactors(compacting)
	db, err := tsdb.Open(s.dir, slog.New(quieter{s.o.Log.Handler()}), o.counters, opts, nil)
	if err != nil {
		o.leave()
		return nil, fmt.Errorf("history: opening %s: %w", s.dir, err)
	}
	db.DisableCompactions()
	o.db = db
	if err := o.counters.complete(); err != nil {
		return nil, errors.Join(fmt.Errorf("history: %w", err), s.closeLibrary(o))
	}
	if n := o.counters.sum(countUnknownSeries) + o.counters.sum(countUnknownSeries2); n > 0 {
		s.report([]Damage{{What: fmt.Sprintf("%.0f records of the log belong to series whose names are lost", n)}})
	}
	return o, nil
}

// closeLibrary waits for readers and closes. What it cannot close it leaves.
func (s *Store) closeLibrary(o *opening) (err error) {
	o.leave()
	if o.stuck {
		return nil // a reader may wait for ever too
	}
	o.users.Wait()
	defer catch(&err)
	return o.db.Close()
}

// Close writes out what is held and closes the store. Readers are sent away.
func (s *Store) Close() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	o, was := s.current, s.closed
	s.current, s.closed = nil, true
	s.mu.Unlock()
	if was {
		return nil
	}
	var err error
	if o != nil {
		err = s.closeLibrary(o)
	}
	return errors.Join(err, s.lock.Release())
}

// use gives the opening to a user, who calls its users.Done.
func (s *Store) use() (*opening, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case s.closed:
		return nil, ErrClosed
	case s.current == nil || s.current.stuck:
		return nil, fmt.Errorf("%w: %w", ErrAway, s.fault)
	}
	s.current.users.Add(1)
	return s.current, nil
}

// failed notes a fault. Where an opening is named it must be given up.
func (s *Store) failed(o *opening, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if o == nil || o == s.current {
		s.anew = true
	}
	if s.fault == nil {
		s.stats.Faults++
		s.sayFault(err)
	}
	s.fault = err
	clear(s.tracks) // what they say of the store may not have come about; the caller holds writing
}

// room tells whether the disk has room for more.
func (s *Store) room() error {
	free, err := s.free(s.root)
	if err != nil {
		return fmt.Errorf("free space of %s: %w", s.root, err)
	}
	if free < uint64(s.o.MinFree) {
		return fmt.Errorf("disk of %s is full: %d MiB are free, %d MiB must be; make room, or set a bound to the bytes of the history",
			s.root, free>>20, s.o.MinFree>>20)
	}
	return nil
}

// Times of Run.
const (
	lookEvery   = 2 * time.Second
	upkeepEvery = time.Minute
)

// String names the store in logs.
func (s *Store) String() string { return "history" }

// Run looks after the store until ctx ends, and returns nil: it writes full chunks and blocks out, drops what is past
// its time, and after a fault opens the store anew as soon as the disk takes writes. Without it memory grows. It does not
// sync: that is for whoever waits for it.
func (s *Store) Run(ctx context.Context) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	var last time.Time
	s.mend()
	for {
		select {
		case <-ctx.Done():
			return nil
		case now := <-tick.C:
			s.mend()
			if now.Sub(last) >= upkeepEvery {
				last = now
				s.upkeep(ctx)
			}
		}
	}
}

// upkeep writes out what is due.
func (s *Store) upkeep(ctx context.Context) {
	s.mu.Lock()
	fault := s.fault
	s.mu.Unlock()
	if fault != nil || s.room() != nil {
		return
	}
	o, err := s.use()
	if err != nil {
		return
	}
	err = s.writeOut(ctx, o)
	o.users.Done() // before writing is taken, whose holder may wait for all users to go
	var broken chunkError
	switch {
	case errors.As(err, &broken):
		s.writing.Lock()
		s.failed(o, err)
		s.writing.Unlock()
	case err != nil && ctx.Err() == nil && o.ctx.Err() == nil:
		s.mu.Lock()
		s.stats.UpkeepFailed++
		s.mu.Unlock()
		s.o.Log.LogAttrs(ctx, slog.LevelError, "history cannot write its blocks; it will try again", slog.String("reason", err.Error()))
	}
	s.forget()
}

// writeOut writes full chunks, and the blocks that are due.
func (s *Store) writeOut(ctx context.Context, o *opening) (err error) {
	s.tending.Lock()
	defer s.tending.Unlock()
	defer s.gate.open()
	defer catch(&err)
	defer context.AfterFunc(ctx, o.stop)()
	o.db.ForceHeadMMap()
	return o.db.Compact(ctx)
}

// A chunkError is a panic of the library, which is how it says that a chunk could not be written.
type chunkError struct{ what any }

func (e chunkError) Error() string { return fmt.Sprintf("chunk cannot be written: %v", e.what) }

// catch makes an error of such a panic. Deferred.
func catch(err *error) {
	if p := recover(); p != nil {
		*err = chunkError{p}
	}
}

// forget drops what is remembered of points that have been silent for long, such as those of a former epoch.
func (s *Store) forget() {
	s.writing.Lock()
	defer s.writing.Unlock()
	const commits = 100_000
	for k, t := range s.tracks {
		if s.commits-t.seen > commits {
			delete(s.tracks, k)
		}
	}
}

// mend ends a fault, if it can: it gives the opening up for a new one, once the disk takes writes again.
func (s *Store) mend() {
	s.mu.Lock()
	due := s.anew && !s.closed
	s.mu.Unlock()
	if !due {
		return
	}
	err := s.room()
	if err == nil {
		err = s.probe()
	}
	if err == nil {
		err = s.reopen()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err == nil {
		return
	}
	if errors.Is(s.fault, errOpening) {
		s.stats.Faults++
		s.sayFault(err)
	}
	s.fault = err
}

// sayFault says once that storing has stopped.
func (s *Store) sayFault(err error) {
	s.o.Log.LogAttrs(context.Background(), slog.LevelError, "samples are not stored; agents keep them until they can be", slog.String("reason", err.Error()))
}

func (s *Store) reopen() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.syncing.Lock()
	defer s.syncing.Unlock()
	s.mu.Lock()
	old, suspect, closed := s.current, s.suspect, s.closed
	s.current = nil
	if old != nil {
		s.ended = append(s.ended, old.synced)
	}
	s.mu.Unlock()
	if closed {
		return nil
	}
	if old != nil {
		if err := s.closeLibrary(old); err != nil {
			s.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "history did not close well before it was opened anew", slog.String("reason", err.Error()))
		}
	}
	clear(s.tracks)
	if suspect {
		if err := s.renew(); err != nil {
			return err
		}
	}
	o, err := s.openLibrary()
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	first := errors.Is(s.fault, errOpening)
	s.current, s.anew, s.suspect, s.fault = o, false, false, nil
	if !first {
		s.o.Log.Info("history opened anew; samples are stored again")
	}
	return nil
}

// probe writes something to the disk and takes it away.
func (s *Store) probe() error {
	path := filepath.Join(s.root, "probe")
	defer os.Remove(path)
	if err := os.WriteFile(path, make([]byte, 1<<20), 0o640); err != nil {
		return fmt.Errorf("disk takes no writes: %w", err)
	}
	return s.fsync(path)
}

// Stats counts since Open.
type Stats struct {
	Stored, Repeated, Conflicts, TooOld, TooNew, Invalid int64      // see Result
	Unchecked                                            int64      // late ones stored without a look at what was there, which could not be read
	Faults                                               int64      // times that storing stopped
	UpkeepFailed                                         int64      // times that blocks could not be written
	Damaged                                              int        // things found damaged
	Fault                                                string     // why nothing is stored now; empty: all is well
	Pending                                              uint64     // appends that are not on the disk yet
	Series                                               int        // of which samples are in memory
	Bytes                                                int64      // of blocks and logs
	Oldest                                               si.Instant // of a block, or in memory, but for late ones there; 0: nothing is stored
}

// Stats tells how the store is.
func (s *Store) Stats() Stats {
	s.mu.Lock()
	st := s.stats
	st.Damaged = len(s.damage)
	if s.current != nil {
		st.Pending = s.current.done - s.current.synced
	}
	if s.fault != nil {
		st.Fault = s.fault.Error()
	}
	s.mu.Unlock()
	if st.Fault == "" {
		if err := s.room(); err != nil {
			st.Fault = err.Error()
		}
	}
	o, err := s.use()
	if err != nil {
		return st
	}
	defer o.users.Done()
	st.Series = int(o.db.Head().NumSeries())
	st.Bytes = o.db.Head().Size()
	oldest := int64(maxInstant)
	if st.Series > 0 {
		oldest = o.db.Head().MinTime()
	}
	for _, b := range o.db.Blocks() {
		st.Bytes += b.Size()
		oldest = min(oldest, b.MinTime())
	}
	if oldest < int64(maxInstant) {
		st.Oldest = si.Instant(oldest)
	}
	return st
}

// Damage tells what was found damaged since Open.
func (s *Store) Damage() []Damage {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Damage(nil), s.damage...)
}

func (s *Store) report(found []Damage) {
	s.mu.Lock()
	s.damage = append(s.damage, found...)
	s.mu.Unlock()
	for _, d := range found {
		s.o.Log.LogAttrs(context.Background(), slog.LevelError, "history is damaged; the rest was opened",
			slog.String("file", d.File), slog.String("reason", d.What), slog.String("kept", d.Kept))
	}
}

// freeBytes is what a program without privileges may still write.
func freeBytes(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, err
	}
	return uint64(st.Bavail) * uint64(st.Bsize), nil
}

// fsyncFile waits until a file, or a directory, is on the disk. It need not be the descriptor that wrote it.
func fsyncFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// quieter passes the library's log on, what it does in the normal course only at level debug.
type quieter struct{ slog.Handler }

func (q quieter) Enabled(ctx context.Context, l slog.Level) bool {
	return q.Handler.Enabled(ctx, quieten(l))
}

func (q quieter) Handle(ctx context.Context, r slog.Record) error {
	r.Level = quieten(r.Level)
	return q.Handler.Handle(ctx, r)
}

func (q quieter) WithAttrs(a []slog.Attr) slog.Handler { return quieter{q.Handler.WithAttrs(a)} }

func (q quieter) WithGroup(g string) slog.Handler { return quieter{q.Handler.WithGroup(g)} }

func quieten(l slog.Level) slog.Level {
	if l == slog.LevelInfo {
		return slog.LevelDebug
	}
	return l
}

// maxInstant bounds what can be: the year 9999, us.
const maxInstant = si.Instant(253_402_300_799_999_999)

// allPoints is every point there is.
var allPoints = points.SetOf(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control)
