package keep

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/ledger"
	"gritwatch/server/internal/records"
)

// A Store is what is needed of the history.
type Store interface {
	Append(...history.Batch) (history.Result, error)
	Sync() error
	Fate(history.Mark) history.Fate
}

// A Book is what is needed of the records.
type Book interface {
	PutPositions([]records.Position) *records.Write
	AddLosses([]records.Loss) *records.Write
	PutPlacements([]clocks.Placement) *records.Write
}

// A JournalKey names a journal.
type JournalKey struct{ Agent, Journal string }

// Late tells of samples that came late and are stored now: what was said of that time was said without them.
type Late struct {
	Pot, Agent string
	Records    feed.Records
	First      si.Instant // of the earliest, by the agent's clock
}

// Events tell of what is kept, for metrics and the rewind. Nil funcs are left out. They must not block.
type Events struct {
	Late    func(Late)
	Stored  func(history.Result) // of each append
	Dropped func(samples int)    // for want of room
	Lost    func(records.Loss)
	// Clock tells how far an agent's clock is ahead of the server's, by each echo: right within half of the echo's round trip.
	Clock func(agent string, ahead, round time.Duration)
}

// Options of a keeper. Store, Book, Ask and Log are needed.
type Options struct {
	Store Store
	Book  Book
	// Ask asks an agent for the records from from to to (exclusive) of its journal, and tells it that it may forget what
	// lies before from. It does not block, and is false where it could not.
	Ask        func(agent, journal string, from, to uint64) bool
	Positions  []records.Position    // stored before
	LostTo     map[JournalKey]uint64 // recorded before: the end of the last range that was lost
	Placements []clocks.Placement    // stored before
	Electric   map[string]bool       // pots whose handle is a discrete input
	Room       int                   // samples that may wait to be stored; 0, or too few: 400,000
	Log        *slog.Logger
	Events     Events
}

// Times of a keeper.
const (
	tickEvery  = 250 * time.Millisecond
	gatherFor  = 100 * time.Millisecond // what arrives, before it is stored in one go
	syncEvery  = 5 * time.Second        // and at once where a ledger waits for it
	beforeBy   = 5 * time.Minute        // what is asked for again after a start
	beforeStep = 30 * time.Second
	quietFor   = 30 * time.Second // of complaints of one kind
)

// maxHeld bounds the messages of an agent that wait until it is known where its clock stands.
const maxHeld = 256

// maxLosses bounds the ranges that are recorded one by one when a journal ends.
const maxLosses = 1000

// A Keeper keeps what arrives. Its methods may be called from any goroutine.
type Keeper struct {
	o   Options
	box box

	mu     sync.Mutex // over clocks
	clocks *clocks.Clocks

	// Of Run's goroutine.
	ctx     context.Context
	agents  map[string]*agent
	names   []string // in the order in which they were heard
	stored  map[JournalKey]records.Position
	unsafe  map[placed]bool // shifts that are not stored yet
	batch   []history.Batch
	events  []*feed.Event // of batch
	news    bool          // something of it was not there before
	pending []pending
	syncing bool
	synced  time.Time // began
	put     time.Time // positions
	hurry   bool      // a ledger waits for a sync
	said    map[string]time.Time
}

type placed struct {
	agent string
	epoch uint64
}

// agent is what is known of one agent.
type agent struct {
	name    string
	ledger  *ledger.Ledger // nil: it has no journal, or was not heard yet
	known   uint64         // all before it was stored when the ledger began
	lostTo  uint64         // the end of the last range that was lost
	trail   []uint64       // what was safe, every beforeStep, the oldest first
	trailAt time.Time
	held    []feed.Event // wait until it is known where the clock stands
	told    records.Position
}

// pending is what was appended and is not known to be on the disk.
type pending struct {
	ledger *ledger.Ledger
	r      ledger.Range
	mark   history.Mark
}

// New is a keeper that has heard nothing. Run it.
func New(o Options) *Keeper {
	e := &o.Events
	if e.Late == nil {
		e.Late = func(Late) {}
	}
	if e.Stored == nil {
		e.Stored = func(history.Result) {}
	}
	if e.Dropped == nil {
		e.Dropped = func(int) {}
	}
	if e.Lost == nil {
		e.Lost = func(records.Loss) {}
	}
	if e.Clock == nil {
		e.Clock = func(string, time.Duration, time.Duration) {}
	}
	k := &Keeper{o: o, box: box{room: max(o.Room, leastRoom), notify: make(chan struct{}, 1), hurry: make(chan struct{}, 1)}, clocks: clocks.New(o.Placements), agents: map[string]*agent{},
		stored: map[JournalKey]records.Position{}, unsafe: map[placed]bool{}, said: map[string]time.Time{}}
	for _, p := range o.Positions {
		k.stored[JournalKey{p.Agent, p.Journal}] = p
	}
	return k
}

// String names the keeper in logs.
func (k *Keeper) String() string { return "keeper of samples" }

// Event hands over what happened to a pot. Its samples are shared with whoever else has them.
func (k *Keeper) Event(e feed.Event) {
	if !k.box.put(item{event: e}) {
		k.o.Events.Dropped(len(e.Samples))
	}
}

// Echo hands over an echo, by which an agent's clock is measured.
func (k *Keeper) Echo(e feed.Echo) { k.box.put(item{echo: &e}) }

// Journal hands over what an agent says of its journal.
func (k *Keeper) Journal(j feed.Journal) { k.box.put(item{journal: &j}) }

// Placement tells where an epoch of an agent's clock stands, if that is decided.
func (k *Keeper) Placement(agent string, epoch uint64) (clocks.Placement, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.clocks.Placed(agent, epoch)
}

// Whole waits until all that was handed over before is stored, or was not taken, and tells whether every record of a journal from
// from to to (exclusive) has arrived, none of them lost. Without a journal it only waits.
func (k *Keeper) Whole(ctx context.Context, agent, journal string, from, to uint64) (bool, error) {
	answer := make(chan bool, 1)
	k.box.put(item{do: func() {
		a := k.agents[agent]
		answer <- a != nil && a.ledger != nil && a.ledger.ID() == journal && a.lostTo <= from && a.ledger.Whole(ledger.Range{From: from, To: to})
	}})
	select {
	case ok := <-answer:
		return ok, nil
	case <-ctx.Done():
		return false, ctx.Err()
	}
}
