package records

import (
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"slices"
	"strconv"
	"sync"
	"time"
)

const (
	gatherFor   = time.Second // how long a write waits for others, unless somebody waits for it
	firstRetry  = time.Second
	longestWait = time.Minute // between two tries
	closeWithin = 5 * time.Second
	mostOfKind  = 4096    // writes that wait
	mostOfKeys  = 1 << 15 // of a kind of which only the newest of a journal, pot or alarm waits: of the largest site all do; of alarms too, as all its vessels may be lost at once
	mostInOne   = 2048    // writes in one transaction
)

// A kind is what a write is of; each has its own places in the queue, so that many of one kind cannot push out another.
type kind uint8

const (
	ofCycle kind = iota
	ofAlarm
	ofPeople
	ofPosition
	ofLoss
	ofCheckpoint
	ofTelling
	kinds
)

var kindNames = [kinds]string{"cycle", "alarm", "record of a person", "position", "loss", "checkpoint", "telling"}

func (k kind) String() string { return kindNames[k] }

// most is how many writes of a kind may wait.
func (k kind) most() int {
	if k == ofPosition || k == ofCheckpoint || k == ofTelling || k == ofAlarm {
		return mostOfKeys
	}
	return mostOfKind
}

// A session is what SQL is carried out in: a transaction, or a database where one statement stands by itself.
type session interface {
	ExecContext(ctx context.Context, query string, args ...any) (sql.Result, error)
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// An entry is one thing to be stored.
type entry struct {
	kind kind
	key  string // of what only the newest waits; empty: it is not replaced
	do   func(ctx context.Context, s session) error
	// join, if set, takes into a newer entry of the same key what the older one was to do.
	join   func(older *entry)
	after  int64 // what join works on
	writes []*Write
}

func (e *entry) finish(err error) {
	for _, w := range e.writes {
		w.finish(err)
	}
}

// A queue hands what is to be stored to its commit, from one goroutine. It knows nothing of the disk.
type queue struct {
	commit  func([]*entry) error   // all of it in one transaction
	refuses func(error) bool       // an error of commit is that of one entry, which another try would meet again
	explain func(error) error      // what an error of commit is, for those who wait
	words   func(err error) string // what is wrong and what to do
	log     *slog.Logger
	inOne   int // writes in one transaction, at most

	wake  chan struct{} // something waits
	now   chan struct{} // somebody waits for it
	stop  chan struct{}
	ended chan struct{}

	mu      sync.Mutex
	waiting []*entry          // in order; nil where a newer one has taken its place
	newest  map[string]*entry // of a key, in waiting
	places  map[string]int    // of it in waiting
	count   [kinds]int        // of those in waiting and in the transaction that is under way
	counts  Counts            // but for Waiting
	fault   *Fault            // but for Waits
	told    bool              // that writes are being dropped
	lost    uint64            // Counts.Dropped when the fault began
	closed  bool
}

func (q *queue) init() {
	q.wake, q.now = make(chan struct{}, 1), make(chan struct{}, 1)
	q.stop, q.ended = make(chan struct{}), make(chan struct{})
	q.newest, q.places = map[string]*entry{}, map[string]int{}
}

func (q *queue) start() {
	q.init()
	go q.run()
}

// notify does not block: one signal is enough.
func notify(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// add takes entries, which make up one Write.
func (q *queue) add(entries ...*entry) *Write {
	w := newWrite(len(entries), func() { notify(q.now) })
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.fault != nil {
		w.fail(q.fault.Err)
	}
	for _, e := range entries {
		e.writes = append(e.writes, w)
		if why := q.put(e); why != nil {
			q.counts.Dropped++
			e.finish(why)
			if !q.told {
				q.told = true
				q.log.LogAttrs(context.Background(), slog.LevelError, "records are lost", slog.String("first", e.kind.String()), slog.String("reason", why.Error()))
			}
		}
	}
	notify(q.wake)
	return w
}

// put gives an entry its place, with mu held; an error says why it has none.
func (q *queue) put(e *entry) error {
	if q.closed {
		return fmt.Errorf("%w: %w", ErrDropped, ErrClosed)
	}
	if e.key != "" && q.newest[e.key] != nil {
		q.replace(q.newest[e.key], e)
		q.waiting[q.places[e.key]] = nil
	} else if q.count[e.kind] >= e.kind.most() {
		return fmt.Errorf("%w: %d of the kind %s wait already", ErrDropped, e.kind.most(), e.kind)
	} else {
		q.count[e.kind]++
	}
	if e.key != "" {
		q.newest[e.key], q.places[e.key] = e, len(q.waiting)
	}
	q.waiting = append(q.waiting, e)
	return nil
}

// replace lets a newer entry stand for an older one, too.
func (q *queue) replace(older, newer *entry) {
	q.counts.Replaced++
	newer.writes = append(newer.writes, older.writes...)
	if newer.join != nil {
		newer.join(older)
	}
}

// take takes the first entries out of the queue.
func (q *queue) take() []*entry {
	q.mu.Lock()
	defer q.mu.Unlock()
	var out []*entry
	n := 0
	for ; n < len(q.waiting) && len(out) < q.inOne; n++ {
		e := q.waiting[n]
		if e == nil {
			continue
		}
		out = append(out, e)
		if e.key != "" {
			delete(q.newest, e.key)
			delete(q.places, e.key)
		}
	}
	q.waiting = append([]*entry(nil), q.waiting[n:]...)
	for key := range q.places {
		q.places[key] -= n
	}
	return out
}

// giveBack puts entries in front again, but for those in whose place a newer one waits.
func (q *queue) giveBack(batch []*entry) {
	q.mu.Lock()
	defer q.mu.Unlock()
	var front []*entry
	for _, e := range batch {
		if newer := q.newest[e.key]; e.key != "" && newer != nil {
			q.replace(e, newer)
			q.count[e.kind]--
			continue
		}
		front = append(front, e)
	}
	for key := range q.places {
		q.places[key] += len(front)
	}
	for i, e := range front {
		if e.key != "" {
			q.newest[e.key], q.places[e.key] = e, i
		}
	}
	q.waiting = append(front, q.waiting...)
}

// run stores what waits until stop, and then the rest.
func (q *queue) run() {
	defer close(q.ended)
	wait := firstRetry
	for {
		select {
		case <-q.stop:
			q.last()
			return
		case <-q.wake:
		}
		if q.pause(gatherFor, 0) {
			q.last()
			return
		}
		for !q.work() {
			if q.pause(wait, firstRetry) {
				q.last()
				return
			}
			wait = min(2*wait, longestWait)
		}
		wait = firstRetry
	}
}

// pause waits: for the time, or until somebody waits for a write, and then for least at least. True: the queue is to end.
func (q *queue) pause(long, least time.Duration) bool {
	begin := time.Now()
	timer := time.NewTimer(long)
	defer timer.Stop()
	select {
	case <-q.stop:
		return true
	case <-timer.C:
		return false
	case <-q.now:
	}
	timer.Reset(min(long-time.Since(begin), least-time.Since(begin)))
	select {
	case <-q.stop:
		return true
	case <-timer.C:
		return false
	}
}

// last stores what waits before the end, as far as the time goes.
func (q *queue) last() {
	for end := time.Now().Add(closeWithin); !q.work() && time.Now().Before(end); {
		time.Sleep(firstRetry)
	}
}

// work stores all that waits; false: it could not.
func (q *queue) work() bool {
	for {
		batch := q.take()
		if len(batch) == 0 {
			return true
		}
		if q.store(batch, nil) != nil {
			return false
		}
	}
}

// store stores entries; where one is refused it halves them until that one stands alone. After an error what is left of
// them waits again, and behind that the rest.
func (q *queue) store(batch, rest []*entry) error {
	err := q.commit(batch)
	switch {
	case err == nil:
		q.stored(batch)
		return nil
	case !q.refuses(err):
		q.failed(slices.Concat(batch, rest), err)
		return err
	case len(batch) == 1:
		q.refused(batch[0], err)
		return nil
	}
	half := len(batch) / 2
	if err := q.store(batch[:half], slices.Concat(batch[half:], rest)); err != nil {
		return err
	}
	return q.store(batch[half:], rest)
}

// refused tells of an entry that will never be stored.
func (q *queue) refused(e *entry, err error) {
	q.mu.Lock()
	q.count[e.kind]--
	q.counts.Refused++
	q.mu.Unlock()
	q.log.LogAttrs(context.Background(), slog.LevelError, "a record was refused", slog.String("kind", e.kind.String()), slog.String("reason", err.Error()))
	e.finish(fmt.Errorf("%s %w: %w", e.kind, ErrRefused, err))
}

// stored tells of entries that are stored, and that there is no fault.
func (q *queue) stored(batch []*entry) {
	q.mu.Lock()
	for _, e := range batch {
		q.count[e.kind]--
	}
	q.counts.Stored += uint64(len(batch))
	fault := q.fault
	lost := q.counts.Dropped - q.lost
	q.fault, q.told = nil, false
	q.mu.Unlock()
	if fault != nil {
		level := slog.LevelInfo
		if lost > 0 {
			level = slog.LevelError
		}
		q.log.LogAttrs(context.Background(), level, "records are stored again",
			slog.Duration("after", time.Since(fault.Since).Round(time.Second)), slog.Uint64("lost", lost))
	}
	for _, e := range batch {
		e.finish(nil)
	}
}

// failed takes entries back that could not be stored.
func (q *queue) failed(batch []*entry, err error) {
	q.giveBack(batch)
	told := fmt.Errorf("%w: %w", ErrWaiting, q.explain(err))
	q.mu.Lock()
	q.counts.Failed++
	first := q.fault == nil
	if first {
		q.fault = &Fault{Since: time.Now()}
		q.lost = q.counts.Dropped
	}
	q.fault.Err, q.fault.Words = told, q.words(err)
	words := q.fault.Words
	q.mu.Unlock()
	if first {
		q.log.LogAttrs(context.Background(), slog.LevelError, "records cannot be stored", slog.String("reason", words))
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, e := range q.waiting {
		if e != nil {
			for _, w := range e.writes {
				w.fail(told)
			}
		}
	}
}

// Fault tells what keeps records from being stored now; false: nothing.
func (q *queue) Fault() (Fault, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.fault == nil {
		return Fault{}, false
	}
	f := *q.fault
	f.Waits = q.waits()
	lost := q.counts.Dropped - q.lost
	f.Losing = lost > 0
	f.Words += "; writes that wait: " + strconv.Itoa(f.Waits)
	if f.Losing {
		f.Words += ", lost: " + strconv.FormatUint(lost, 10)
	}
	return f, true
}

func (q *queue) waits() int {
	n := 0
	for _, k := range q.count {
		n += k
	}
	return n
}

// Counts tells what became of writes.
func (q *queue) Counts() Counts {
	q.mu.Lock()
	defer q.mu.Unlock()
	c := q.counts
	c.Waiting = q.waits()
	return c
}

// close takes nothing more, and stores what waits if that can be done in time. It is called once.
func (q *queue) close() error {
	q.mu.Lock()
	q.closed = true
	q.mu.Unlock()
	close(q.stop)
	<-q.ended
	var why error = ErrClosed
	q.mu.Lock()
	if q.fault != nil {
		why = q.fault.Err
	}
	q.mu.Unlock()
	rest := q.take()
	for n := len(rest); n > 0; {
		more := q.take()
		n = len(more)
		rest = append(rest, more...)
	}
	if len(rest) == 0 {
		return nil
	}
	q.mu.Lock()
	q.counts.Dropped += uint64(len(rest))
	q.count = [kinds]int{}
	q.mu.Unlock()
	for _, e := range rest {
		e.finish(fmt.Errorf("%w: %w", ErrDropped, ErrClosed))
	}
	return fmt.Errorf("records: %d writes were lost at the end: %w", len(rest), why)
}

// refuse counts records that are not in order.
func (q *queue) refuse(n int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.counts.Refused += uint64(n)
}
