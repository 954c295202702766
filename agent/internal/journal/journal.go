package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"sync"
	"time"

	"gritwatch/agent/internal/journal/frame"
	"gritwatch/protocol/points"
)

// Defaults and limits.
const (
	DefaultMaxBytes   = 512 << 20
	DefaultMaxAge     = 24 * time.Hour
	DefaultWriteEvery = time.Second
	DefaultSyncEvery  = 5 * time.Second
	DefaultRetry      = time.Second
	DefaultBuffer     = 512 << 10
	maxRetry          = 10 * time.Second // what waits for the disk is lost by a kill, so it must not wait long when there is room again
	maxSegment        = 16 << 20
	patience          = 10 * time.Minute // with a file that cannot be read, until what is missing in it counts as lost
	parts             = 16               // segments that the greatest size is cut into at least
	ages              = 24               // segments that the greatest age is cut into at least
	minReserve        = 1024             // positions
	reserveTimes      = 4                // as many positions as were used from one sync to the next
)

// MaxBatch is how many samples can be appended at once. So many are always reserved, as long as the disk can be written.
const MaxBatch = minReserve / 2

// A Batch is records of one pot with consecutive positions.
type Batch = frame.Batch

// ErrClosed says that the journal has ended.
var ErrClosed = errors.New("the journal has ended")

// A TooOldError says that records were asked for that have been dropped.
type TooOldError struct {
	From   uint64 // as asked for
	Oldest uint64 // position that there is
}

func (e *TooOldError) Error() string {
	return fmt.Sprintf("the journal begins at position %d: ask from there on, not from %d; what lay before has been dropped", e.Oldest, e.From)
}

// An UnreadableError says that the disk does not give what is to be read. It may pass.
type UnreadableError struct {
	From, To uint64 // positions, among which some cannot be read
	Reason   error
}

func (e *UnreadableError) Error() string {
	return fmt.Sprintf("positions %d to %d of the journal cannot be read now: %v", e.From, e.To, e.Reason)
}

func (e *UnreadableError) Unwrap() error { return e.Reason }

// Events are told as they happen, by the goroutine that does the disk work; nil funcs are not called.
type Events struct {
	Fault  func(error)          // the disk cannot be written; told once
	Mended func(refused uint64) // it can again; so many samples got no position in the meantime
}

// Options of a journal. Folder is needed.
type Options struct {
	Folder     Folder               // that it has for itself, but for files of other names
	MaxBytes   int64                // on disk; 0: 512 MiB; at least 16 times Buffer
	MaxAge     time.Duration        // of running time; 0: a day
	WriteEvery time.Duration        // 0: 1 s
	SyncEvery  time.Duration        // 0: 5 s
	Retry      time.Duration        // after a fault, doubled each time up to 10 s; 0: 1 s
	Buffer     int                  // bytes of records that wait for the disk at most; 0: 512 KiB
	Mono       func() time.Duration // since any fixed moment, never set back; nil: the machine's
	Log        *slog.Logger         // nil: silent
	Events     Events
}

// A Status is how a journal stands.
type Status struct {
	ID           string // 32 hexadecimal digits, new with a new folder
	Oldest       uint64 // position that can still be read
	Next         uint64 // position of the record to come
	Synced       uint64 // what lies before outlasts a cut of the power
	Lost         uint64 // positions dropped unacknowledged, or spoilt or skipped; see the package
	Acknowledged uint64 // what lies before this position
	Refused      uint64 // samples that got no position since Open
	Bytes        int64  // on disk
	Fault        error  // nil: the disk can be written
	Recovered    Recovery
}

// A Recovery is what Open had to give up of what it found.
type Recovery struct {
	Bytes     int64  // that are no whole frames; those in the middle of a segment are found again
	Positions uint64 // that hold nothing, and were or may have been given away
}

// A segment is one file. Guarded by Journal.mu.
type segment struct {
	number uint64
	base   uint64        // first position
	end    uint64        // position of what follows in another segment
	size   int64         // bytes of it that are safe
	ran    time.Duration // running time of the journal at its end
	empty  bool          // it holds no record, as far as is known
}

func (s segment) name() string { return fmt.Sprintf("%010d.segment", s.number) }

// A Journal keeps records. All of it but Run and Close is safe for concurrent use; Append, Acknowledge and Status never
// wait for the disk.
type Journal struct {
	o       Options
	id      frame.ID
	salt    frame.Salt
	held    io.Closer
	opened  time.Duration // Mono at Open
	ranThen time.Duration // running time at Open
	wake    chan struct{}
	writes  chan chan error
	syncs   chan chan error
	done    chan struct{} // closed when Run has ended

	mu        sync.Mutex
	buf       []byte // the frames from synced on; its room never grows, what lies in it moves only in the work
	next      uint64
	synced    uint64
	limit     uint64 // no position from here on may be given away: the disk holds no word of it
	oldest    uint64
	lost      uint64
	acked     uint64
	holes     holes
	news      uint64    // times that holes changed
	told      uint64    // of them, those that a head tells
	reserve   uint64    // positions kept ahead
	segments  []segment // oldest first, the one being written last
	refused   uint64
	failing   map[uint64]time.Duration // when reading a segment first failed, of those where it did the last time
	hint      hint
	ended     bool
	fault     error
	recovered Recovery

	// Of whoever does disk work, who has put a token into disk. A sync lets it go while the card takes its time.
	disk     chan struct{}
	syncing  chan struct{} // has the token of whoever syncs, who takes it first
	file     File          // the last segment; nil: none is being written
	offset   int64         // in file
	written  int           // bytes of buf that are in file
	upTo     uint64        // position behind them
	number   uint64        // of the last file made or found
	began    time.Duration
	doomed   []segment // to be removed
	trims    []segment // to be cut to size, once there is a new head
	useless  []segment // to be removed then
	retries  int
	retryAt  time.Duration
	refusals uint64 // refused when the fault began
	scratch  []byte
}

// Open takes the folder, finds what is in it, and starts a new segment. A disk that cannot be written is no
// error but a fault, which is tried again; errors are of a folder that is held, or cannot be read at all.
func Open(o Options) (*Journal, error) {
	def := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	def(&o.MaxAge, DefaultMaxAge)
	def(&o.WriteEvery, DefaultWriteEvery)
	def(&o.SyncEvery, DefaultSyncEvery)
	def(&o.Retry, DefaultRetry)
	if o.MaxBytes == 0 {
		o.MaxBytes = DefaultMaxBytes
	}
	if o.Buffer == 0 {
		o.Buffer = DefaultBuffer
	}
	if o.MaxBytes < parts*int64(o.Buffer) {
		return nil, fmt.Errorf("a journal of %d bytes is too small: give it %d or more", o.MaxBytes, parts*int64(o.Buffer))
	}
	if o.Mono == nil {
		start := time.Now()
		o.Mono = func() time.Duration { return time.Since(start) }
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	held, err := o.Folder.Lock()
	if err != nil {
		return nil, err
	}
	j := &Journal{o: o, held: held, opened: o.Mono(), wake: make(chan struct{}, 1), writes: make(chan chan error), syncs: make(chan chan error), done: make(chan struct{}),
		buf: make([]byte, 0, o.Buffer), reserve: minReserve, failing: map[uint64]time.Duration{}, disk: make(chan struct{}, 1), syncing: make(chan struct{}, 1)}
	if err := j.recover(); err != nil {
		return nil, errors.Join(fmt.Errorf("journal: %w", err), held.Close())
	}
	_ = j.attempt(true) // a fault, where it fails
	return j, nil
}

// Append gives the samples of one pot positions, the first of which it returns, and keeps them for the disk. All of
// them get one or none does: false where the disk has been out of reach for too long, the journal has ended, or a
// name, a sample or a number of samples (1 to MaxBatch) is none that can be kept; they may then go live without. It
// allocates nothing, keeps nothing of what it is given, and never waits for the disk. Values are kept as float32, those
// without a reply not at all.
func (j *Journal) Append(pot string, epoch uint64, samples []points.Sample) (first uint64, ok bool) {
	n := uint64(len(samples))
	j.mu.Lock()
	defer j.mu.Unlock()
	b := Batch{First: j.next, Pot: pot, Epoch: epoch, Samples: samples}
	if j.ended || !b.Fits() || n > j.limit-j.next || frame.Room(pot, len(samples)) > cap(j.buf)-len(j.buf) {
		j.refused += n
		return 0, false
	}
	j.buf = frame.AppendBatch(j.buf, j.salt, b)
	j.next += n
	if j.limit-j.next < j.reserve/2 || len(j.buf) > cap(j.buf)/2 {
		select {
		case j.wake <- struct{}{}:
		default:
		}
	}
	return b.First, true
}

// Acknowledge says that what lies before a position has arrived where it matters: what is dropped of it is not lost.
// It is kept with the next sync that there is for another reason.
func (j *Journal) Acknowledge(before uint64) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.acked = max(j.acked, min(before, j.next))
}

// Status is how the journal stands.
func (j *Journal) Status() Status {
	j.mu.Lock()
	defer j.mu.Unlock()
	s := Status{ID: j.id.String(), Oldest: j.oldest, Next: j.next, Synced: j.synced, Lost: j.lost, Acknowledged: j.acked,
		Refused: j.refused, Fault: j.fault, Recovered: j.recovered}
	for _, g := range j.segments {
		s.Bytes += g.size
	}
	return s
}

// Write has everything handed to the operating system that was appended before: it then outlasts the end of this process,
// however that comes. It wears no card: the system writes to it at the next sync. A sync under way does not hold it up. It
// needs Run; the error is the disk's fault, ErrClosed, or the context's.
func (j *Journal) Write(ctx context.Context) error { return ask(ctx, j.writes, j.done) }

// Sync has everything on disk that was appended before, in a way that outlasts a cut of the power. It needs Run; the
// error is the disk's fault, ErrClosed, or the context's.
func (j *Journal) Sync(ctx context.Context) error { return ask(ctx, j.syncs, j.done) }

func ask(ctx context.Context, of chan<- chan error, done <-chan struct{}) error {
	answer := make(chan error, 1)
	select {
	case of <- answer:
	case <-done:
		return ErrClosed
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Run does the disk work until ctx ends; then it writes what still waits, and gives nil. It runs once.
func (j *Journal) Run(ctx context.Context) error {
	defer close(j.done)
	var writer sync.WaitGroup
	writer.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case answer := <-j.writes:
				answer <- j.attempt(false)
			}
		}
	})
	tick := time.NewTicker(min(j.o.WriteEvery, j.o.SyncEvery))
	defer tick.Stop()
	synced := time.Now()
	for {
		select {
		case <-ctx.Done():
			writer.Wait()
			j.finish()
			return nil
		case <-tick.C: // Append, Status and Events tell of faults
			due := time.Since(synced) > j.o.SyncEvery-j.o.WriteEvery/2
			if due {
				synced = time.Now()
			}
			_ = j.attempt(due)
		case <-j.wake:
			_ = j.attempt(true)
		case answer := <-j.syncs:
			answer <- j.attempt(true)
		}
	}
}

// Close gives the folder back. What Run has not written is lost: end Run first.
func (j *Journal) Close() error {
	j.mu.Lock()
	j.ended = true
	j.mu.Unlock()
	var err error
	if j.file != nil {
		err = j.file.Close()
		j.file = nil
	}
	return errors.Join(err, j.held.Close())
}

// miss counts positions as lost that turn out to hold nothing; with mu held.
func (j *Journal) miss(from, to uint64) (n uint64) {
	from = max(from, j.oldest)
	if from >= to {
		return 0
	}
	n = j.unaccounted(from, to)
	if j.holes.within(from, to) < to-from {
		j.holes.add(from, to)
		j.news++
	}
	j.lost += n
	return n
}

// unaccounted is how many positions would be lost if none of them could be read; with mu held.
func (j *Journal) unaccounted(from, to uint64) uint64 {
	from = max(from, j.acked)
	if from >= to {
		return 0
	}
	return to - from - j.holes.within(from, to)
}

// running is how long the journal has been open in all its life.
func (j *Journal) running() time.Duration { return j.ranThen + j.o.Mono() - j.opened }

func (j *Journal) log(level slog.Level, text string, attrs ...slog.Attr) {
	j.o.Log.LogAttrs(context.Background(), level, "journal: "+text, attrs...)
}

// named are the holes that a head names: the newest, where there are too many. Those left out may be counted again.
func (j *Journal) named() []frame.Range {
	return slices.Clone(j.holes[max(0, len(j.holes)-frame.MaxHoles):])
}
