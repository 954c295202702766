// Package records keeps what a site must remember besides its samples: cycles, alarms, what people recorded, how far each
// agent's journal is stored, and the engines' checkpoints.
//
// # Methods of Records
//
//	cycles       AddCycle, Cycles
//	alarms       AddAlarm, AddTransition, Acknowledge; Alarms, Alarm, OpenAlarms, Acknowledgements
//	people       AddRefill, Refills, AddService, Services, PutShift, Shifts, AddBaseline, Baselines
//	journals     PutPositions, Positions, AddLosses, Losses, PutPlacements, Placements
//	tellings     PutTelling, DropTelling, Tellings
//	checkpoints  SaveCheckpoints, DropCheckpoints, NewestCheckpoints, CheckpointBefore
//	the store    Backup, Fault, Damage, Counts, Close
//
// Open gives the ones in SQLite. NewID makes the ids, which whoever adds a record gives to it. Stored makes a Write for tests.
//
// # Writing
//
// A method that writes never waits for the disk: it copies what it is given into a queue and returns a Write, for whoever
// wants to know what became of it. Wait comes back once it is stored, with an error if not. One goroutine takes what waits
// in one transaction, in the order in which it was handed in: at once if somebody waits, else once a second. What could not be
// stored for the disk's sake stays in the queue and is tried again, after 1 s, 2 s and so on up to a minute. Of each kind the queue takes
// 4096; one more is dropped, which its Write, Counts and the log tell. Of positions, checkpoints and tellings only the newest of a
// journal, pot or alarm waits, and of these the queue takes 32,768 each; of alarms and their transitions too.
//
// All writes but that of a transition and of an acknowledgement, which need their alarm, stand by themselves. All may be
// handed in again: what is there already is left as it is.
//
// # What holds
//
// What Wait gave nil for survives the end of the process and a cut of the power. What is handed in later is never stored
// without what was handed in earlier, unless that was dropped or refused. An order that goes beyond this package is the
// caller's: a position must not be handed in before the samples that it covers are on the disk (history.OnDisk), for the
// agent may forget them once the position is stored.
package records

import (
	"context"
	"errors"
	"math"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/engine"
)

// Errors of a Write.
var (
	// ErrWaiting says that a write could not be stored yet: it stays in the queue, and is tried again.
	ErrWaiting = errors.New("not stored yet")
	// ErrDropped says that a write will not be stored: too many wait already, or the records were closed.
	ErrDropped = errors.New("not stored")
	// ErrRefused says that a write will never be stored: it is not in order.
	ErrRefused = errors.New("refused")
	// ErrFull says, beside ErrWaiting, that the disk is full.
	ErrFull = errors.New("the disk is full")
	// ErrClosed says that the records were closed.
	ErrClosed = errors.New("the records are closed")
)

// ErrHeld says that a running server has the records.
var ErrHeld = errors.New("in use by a running server")

// ErrDamaged says that a file, or one record in it, is not as it was written.
var ErrDamaged = errors.New("damaged")

// Records are those of a site. All methods may be called from several goroutines. A method that writes copies what it is
// given; one that reads waits for the disk, and ends with ctx.
type Records interface {
	// AddCycle stores a cycle. Of one pot and press there is one: a second is left out, unless the one that is stored is
	// Incomplete, and the new one is not or is Late. A Late one that is complete also takes the place of all incomplete ones of
	// its pot that lie, wholly or partly, between its press and its end: what was missing can have moved a press.
	AddCycle(c Cycle) *Write
	// Cycles gives cycles by their press.
	Cycles(ctx context.Context, q Query) (Page[Cycle], error)

	// AbrasiveUsed gives what a pot's cycles used, by steps of time of a whole number of us from an instant on; each counts in the step in which it was
	// pressed. Steps without a cycle are left out.
	AbrasiveUsed(ctx context.Context, pot string, from, to si.Instant, step time.Duration) ([]AbrasiveUse, error)

	// AddAlarm stores an alarm that was raised, and its first transition, if it has one. Further ones are not looked at.
	AddAlarm(a Alarm) *Write
	// AddTransition stores what became of an alarm; ErrRefused where there is no such alarm.
	AddTransition(t Transition) *Write
	// Acknowledge stores an acknowledgement and, under the same id, the transition acknowledged; ErrRefused where there is no
	// such alarm.
	Acknowledge(a Acknowledgement) *Write
	// Alarms gives alarms with all their transitions, by the instant at which they were raised.
	Alarms(ctx context.Context, q Query) (Page[Alarm], error)
	// Alarm gives one with all its transitions; false: there is none of the id.
	Alarm(ctx context.Context, id string) (Alarm, bool, error)
	// OpenAlarms gives all alarms that no transition has ended, the oldest first.
	OpenAlarms(ctx context.Context) ([]Alarm, error)
	// Acknowledgements gives those of one alarm, the oldest first.
	Acknowledgements(ctx context.Context, alarm string) ([]Acknowledgement, error)

	// AddRefill stores a refill.
	AddRefill(r Refill) *Write
	// Refills gives refills by their instant.
	Refills(ctx context.Context, q Query) (Page[Refill], error)
	// AddService stores a service.
	AddService(s Service) *Write
	// Services gives services by their instant.
	Services(ctx context.Context, q Query) (Page[Service], error)
	// PutShift stores a shift; one of the same id is replaced, so that a shift that goes on can get its end.
	PutShift(s Shift) *Write
	// Shifts gives shifts by their beginning. Query.Pot is not looked at.
	Shifts(ctx context.Context, q Query) (Page[Shift], error)
	// AddBaseline stores a baseline. Older ones stay, so that the past can be judged by what held then.
	AddBaseline(b Baseline) *Write
	// Baselines gives baselines by their instant.
	Baselines(ctx context.Context, q Query) (Page[Baseline], error)

	// PutPositions replaces the positions of journals. Only hand in what is on the disk: see the package's documentation.
	PutPositions(p []Position) *Write
	// Positions gives those of all journals, by agent and journal.
	Positions(ctx context.Context) ([]Position, error)
	// PutPlacements stores where epochs of agents' clocks stand in time; what is stored of one already stays.
	PutPlacements(p []clocks.Placement) *Write
	// Placements gives those of all epochs, by agent.
	Placements(ctx context.Context) ([]clocks.Placement, error)
	// AddLosses stores losses. What of a range is recorded as lost already is left out, so no position is counted twice.
	AddLosses(l []Loss) *Write
	// Losses gives losses by the instant at which they were found. Query.Pot is the agent here.
	Losses(ctx context.Context, q Query) (Page[Loss], error)

	// PutTelling stores what a receiver outside the building knows of an alarm; the one before is replaced.
	PutTelling(t Telling) *Write
	// DropTelling forgets it.
	DropTelling(receiver, alarm string) *Write
	// Tellings gives those of all receivers, by receiver and alarm.
	Tellings(ctx context.Context) ([]Telling, error)

	// SaveCheckpoints stores the states of engines; see Checkpoint for how many are kept. At most every 30 s, of all
	// pots together.
	SaveCheckpoints(c []Checkpoint) *Write
	// DropCheckpoints removes a pot's checkpoints that are newer than an instant: late samples have made them untrue.
	DropCheckpoints(pot string, after si.Instant) *Write
	// NewestCheckpoints gives the newest of each pot, by pot. Damaged ones are passed over, and logged.
	NewestCheckpoints(ctx context.Context) ([]Checkpoint, error)
	// CheckpointBefore gives the newest of a pot that is not newer than an instant; false: there is none. Damaged ones are
	// passed over, and logged.
	CheckpointBefore(ctx context.Context, pot string, at si.Instant) (Checkpoint, bool, error)

	// Backup writes all records to a new file while others read and write. The file appears as a whole, checked and safe on the
	// disk, or not at all; one that exists is not replaced.
	Backup(ctx context.Context, path string) error
	// Fault tells what keeps records from being stored now; false: nothing.
	Fault() (Fault, bool)
	// Damage says in words what Open found damaged, and where it is kept; empty: nothing. New records were begun then.
	Damage() string
	// Counts tells what became of writes since Open.
	Counts() Counts
	// Close stores what waits, for 5 s at most, and ends. An error says what was not stored.
	Close() error
}

// A Cycle is one press of the handle and the vent after it, of one pot.
type Cycle struct {
	Pot string
	engine.Cycle
	Healthy engine.Envelope // that its vent was judged by; the zero value: none is known
	Ended   si.Instant      // with the vent, or with the next press
	// Late: made from samples that came afterwards; Incomplete: samples are missing between Press and Ended.
	Late, Incomplete bool
}

// An AbrasiveUse is what the cycles of a stretch of time used.
type AbrasiveUse struct {
	From    si.Instant    // beginning of the stretch
	Used    si.Mass       // kg, by the cycles of which it is known
	Cycles  int           // all
	Unknown int           // of them, of which it is not known
	Blast   time.Duration // press to release, of all
	Metered time.Duration // of those of which it is known
}

// An Alarm is one that was raised.
type Alarm struct {
	ID       string // ULID
	Pot      string // empty: of an agent
	Agent    string // empty: of a pot
	Kind     string // as vessel-held
	Priority string // critical, high, medium, low
	Raised   si.Instant
	Ended    si.Instant // of the transition with Ends; 0: still open
	// Transitions are all of them by instant, the oldest first; those of one instant by id.
	Transitions []Transition
}

// A Transition is a step in an alarm's life.
type Transition struct {
	ID       string // ULID
	Alarm    string // ULID
	At       si.Instant
	Event    string // raised, returned, acknowledged, reset, shelved, unshelved, suppressed, unsuppressed
	By       string // person; empty: nobody
	Evidence string // JSON; empty: none
	Ends     bool   // nothing is left to do: the alarm is over
}

// An Acknowledgement says who has seen an alarm.
type Acknowledgement struct {
	ID    string // ULID
	Alarm string // ULID
	At    si.Instant
	By    string // person
	Note  string // may be empty
	Ends  bool   // as of a Transition
	// Evidence is that of the transition, JSON; empty: none. It is stored with that alone.
	Evidence string
}

// A Refill is abrasive put into a pot.
type Refill struct {
	ID   string // ULID
	Pot  string
	At   si.Instant
	Mass si.Mass // kg; 0: not known
	By   string  // person; empty: told by the engine
	Note string  // may be empty
}

// A Service is work on a pot.
type Service struct {
	ID   string // ULID
	Pot  string
	At   si.Instant
	Part string // as separator, exhaust, nozzle
	Work string // as cleaned, replaced
	By   string // person
	Note string // may be empty
}

// A Shift is a stretch of work on the site.
type Shift struct {
	ID   string // ULID
	Name string
	From si.Instant
	To   si.Instant // 0: it goes on
	By   string     // person who answers for it
	Note string     // may be empty
}

// A Baseline is a healthy figure of a pot.
type Baseline struct {
	ID    string // ULID
	Pot   string
	At    si.Instant
	What  string  // names quantity and unit, as exhaust_m3_s
	Value float64 // finite
	SD    float64 // standard deviation of Value; 0: not known
	By    string  // person; empty: learned
	Note  string  // may be empty
}

// A Position is how far a journal's samples are stored here. Positions of a journal are under 2^63.
type Position struct {
	Agent, Journal string
	Stored         uint64     // all positions before it are stored, or recorded as lost
	Before         uint64     // Stored of five minutes before: the disk may forget what came since
	At             si.Instant // of Stored, by the server's clock
}

// A Loss is a range of a journal's positions that will never be stored.
type Loss struct {
	Agent, Journal string
	From, To       uint64     // To exclusive
	At             si.Instant // when it was found, by the server's clock
	Why            string     // words
}

// A Telling is what a receiver outside the building knows of an alarm.
type Telling struct {
	Receiver  string
	Alarm     string // ULID
	Told      string // the state of which it knows; empty: it knows nothing yet
	Waiting   bool   // something is still to be told
	Simulated bool   // the readings behind it came from a simulator
}

// A Checkpoint is the state of what follows one pot, between two samples.
//
// Kept of a pot are the newest; the oldest of each five minutes (of the clock) of the hour before it; the oldest of each hour
// of the 26 hours before it; and, of those before these, the newest. So where one was saved every 30 s a rewind within the last hour
// finds one at most 5.5 minutes further back, within the last day one at most 61 minutes further back. There are 41 of a pot at most.
type Checkpoint struct {
	Pot     string
	At      si.Instant        // of the newest sample in State
	Next    []JournalPosition // of each journal, the first position that is not in State
	Version uint32            // of State's coding
	State   []byte            // at most 64 KiB; under 6 KiB is right
}

// A JournalPosition is a sample's place: the two together name it for ever.
type JournalPosition struct {
	Journal  string
	Position uint64
}

// Always is an instant after all others, for CheckpointBefore.
const Always = si.Instant(math.MaxInt64)

// MaxState is the most bytes that Checkpoint.State has.
const MaxState = 64 << 10

// A Query chooses records and pages through them.
type Query struct {
	Pot         string     // empty: of all
	From, To    si.Instant // To exclusive; 0: without end
	After       string     // Next of the page before; empty: from the beginning
	Limit       int        // records in a page, up to 1000; 0: 100
	Ended       bool       // of alarms: only those that are over
	OldestFirst bool       // else the newest first; the same on all pages
}

// A Page is a part of a list. What is added while somebody pages shows if its place is still to come.
type Page[T any] struct {
	Items []T
	Next  string // Query.After of the next page; empty: this is the last
}

// A Fault is what keeps records from being stored.
type Fault struct {
	Since  time.Time
	Err    error  // ErrFull is in it where the disk is full
	Words  string // what it is and what to do, in one sentence
	Waits  int    // writes that wait
	Losing bool   // writes were dropped since it began
}

// Counts are of writes; each checkpoint and position counts as one.
type Counts struct {
	Waiting  int    // now
	Stored   uint64 // committed
	Replaced uint64 // by a newer one of the same pot or journal, while they waited
	Dropped  uint64 // ErrDropped
	Refused  uint64 // ErrRefused
	Failed   uint64 // transactions that could not be committed, and were tried again
}
