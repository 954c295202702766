// Package desk keeps the board of alarms of a running server. What detectors find comes in here; each change of an alarm is
// recorded, logged and told to pages and to whoever is to be told outside, in one order. It never waits for the disk, nor for
// anybody: an alarm is told before it is stored.
//
// What a rewind finds in late readings is held against what is known already, so that one episode of a condition, seen live and again
// in the past, or twice in the past, is one alarm. Where one of a key stands now an earlier episode of it cannot be told as an alarm of its
// own: the history of readings has it. A vessel-held that is found late and over is latched like any other; what lets it go
// is an answer that becomes the good one after that, not the one that was served when it was found.
package desk

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/records"
)

// Records are those of alarms.
type Records interface {
	AddAlarm(records.Alarm) *records.Write
	AddTransition(records.Transition) *records.Write
	Acknowledge(records.Acknowledgement) *records.Write
	Alarms(ctx context.Context, q records.Query) (records.Page[records.Alarm], error)
}

// Options of a desk. Units, Records and Log are needed; nil funcs are left out.
type Options struct {
	Units   []alarm.Unit
	Records Records
	Open    []records.Alarm // those that were open at the start
	Log     *slog.Logger

	// Tell is told of every change, with the agent that it concerns, in their order. It must not block, nor call the desk.
	Tell func(c alarm.Change, agent string)
	// Changed says that the standing alarms are not what they were. It must not block, nor call the desk.
	Changed func()
	// Assume tells a pot's detector of a condition that stands as late readings have shown; Ease of one that was only assumed and has
	// ended: false where live readings have shown it.
	Assume func(alarm.Key)
	Ease   func(alarm.Key) bool
}

// mostKept is how many transitions of an open alarm are held in memory: its first, and the newest.
const mostKept = 200

// trim leaves out what stands after the first, where there are too many.
func trim(of []records.Transition) []records.Transition {
	if more := len(of) - mostKept; more > 0 {
		return slices.Delete(of, 1, 1+more)
	}
	return of
}

// mostEnded is how many alarms that are over are held in memory, as the records may not have them yet.
const mostEnded = 256

// A Desk is safe for concurrent use.
type Desk struct {
	o     Options
	agent map[string]string // of a pot

	mu      sync.Mutex
	board   *alarm.Board
	changes []alarm.Change
	kept    map[string]*records.Alarm // open ones, and those that ended lately
	ended   []string                  // ids of the latter, the oldest first
	seen    map[alarm.Key]*episodes
	version uint64
	listed  uint64 // version of list
	list    []live.StandingAlarm
}

// New is a desk that goes on with the alarms that were open, and remembers those of the last thirty days. What of the records cannot be
// read is logged and left out.
func New(ctx context.Context, o Options, now time.Time) *Desk {
	if o.Tell == nil {
		o.Tell = func(alarm.Change, string) {}
	}
	if o.Changed == nil {
		o.Changed = func() {}
	}
	if o.Assume == nil {
		o.Assume = func(alarm.Key) {}
	}
	if o.Ease == nil {
		o.Ease = func(alarm.Key) bool { return false }
	}
	d := &Desk{o: o, agent: map[string]string{}, board: alarm.NewBoard(o.Units, records.NewID), kept: map[string]*records.Alarm{},
		seen: map[alarm.Key]*episodes{}, version: 1}
	for _, u := range o.Units {
		d.agent[u.Pot] = u.Agent
	}
	recalled := d.recall(ctx, now)
	d.restore(now, recalled)
	return d
}

// restore takes over the open alarms of the records.
func (d *Desk) restore(now time.Time, recalled map[string]bool) {
	open := make([]alarm.Alarm, len(d.o.Open))
	for i := range d.o.Open {
		r := &d.o.Open[i]
		open[i] = alarmOf(r)
		if !recalled[r.ID] {
			d.remember(&open[i])
		}
		keep := *r
		keep.Transitions = trim(slices.Clone(r.Transitions))
		d.kept[r.ID] = &keep
	}
	changes, err := d.board.Restore(open, si.InstantOf(now))
	if err != nil {
		d.o.Log.Error("alarms of the records cannot be understood and were left out", slog.String("reason", err.Error()))
	}
	d.take(changes)
}

// Times of what is remembered.
const (
	recallFor  = 30 * 24 * time.Hour
	recallMost = 20_000 // alarms, the newest
	recallIn   = 10 * time.Second
)

// recall counts the alarms of the last thirty days, and remembers when their conditions stood. It gives their ids.
func (d *Desk) recall(ctx context.Context, now time.Time) map[string]bool {
	ctx, cancel := context.WithTimeout(ctx, recallIn)
	defer cancel()
	q := records.Query{From: si.InstantOf(now.Add(-recallFor)), Limit: 1000}
	var all []records.Alarm
	for len(all) < recallMost {
		p, err := d.o.Records.Alarms(ctx, q)
		if err != nil {
			d.o.Log.Warn("alarms of the last thirty days cannot be read, so that their figures are too small", slog.String("reason", err.Error()))
			break
		}
		all = append(all, p.Items...)
		if q.After = p.Next; q.After == "" {
			break
		}
	}
	ids := make(map[string]bool, len(all))
	for i := len(all) - 1; i >= 0; i-- { // the oldest first
		a := alarmOf(&all[i])
		d.board.Recall(&a)
		d.remember(&a)
		ids[a.ID] = true
	}
	return ids
}

// remember notes when the condition of a recorded alarm stood.
func (d *Desk) remember(a *alarm.Alarm) {
	k, err := a.Key()
	if err != nil {
		return
	}
	for i := range a.Transitions {
		t := &a.Transitions[i]
		d.episodesOf(k).note(t.Event, t.At)
	}
	if a.Ended != 0 {
		d.episodesOf(k).note(alarm.EventReturned, a.Ended)
	}
}

func (d *Desk) episodesOf(k alarm.Key) *episodes {
	e := d.seen[k]
	if e == nil {
		e = &episodes{}
		d.seen[k] = e
	}
	return e
}

// Standing are the conditions that stand at a pot, or at an agent where pot is empty.
func (d *Desk) Standing(pot, agent string) []alarm.Key {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.board.Standing(pot, agent)
}

// Found takes what a detector has found. The list is not kept.
func (d *Desk) Found(found []alarm.Found) {
	if len(found) == 0 {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.changes = d.changes[:0]
	for i := range found {
		d.changes = d.board.Note(found[i], d.changes)
	}
	d.take(d.changes)
}

// Tick lets time pass; to be called about once a second.
func (d *Desk) Tick(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.changes = d.board.Tick(si.InstantOf(now), d.changes[:0])
	d.take(d.changes)
}

// take records and tells what has changed, and gives what is to be waited for by those who want it stored. The lock is held.
func (d *Desk) take(changes []alarm.Change) []*records.Write {
	var writes []*records.Write
	for i := range changes {
		c := &changes[i]
		t := records.Transition(c.Transition)
		var w *records.Write
		switch {
		case c.New:
			r := c.Record()
			a := records.Alarm{ID: r.ID, Pot: r.Pot, Agent: r.Agent, Kind: r.Kind, Priority: r.Priority, Raised: r.Raised, Transitions: []records.Transition{t}}
			w = d.o.Records.AddAlarm(a)
			w.Hurry() // it is told now: a kill would leave who was told with an alarm that nobody ends
			d.kept[a.ID] = &a
		case c.Event == alarm.EventAcknowledged:
			w = d.o.Records.Acknowledge(records.Acknowledgement{ID: t.ID, Alarm: t.Alarm, At: t.At, By: t.By, Note: c.Note, Ends: t.Ends, Evidence: t.Evidence})
		default:
			w = d.o.Records.AddTransition(t)
		}
		writes = append(writes, w)
		d.keep(c, t)
		d.episodesOf(c.Key).note(c.Event, c.Was)
		d.log(c)
		d.o.Tell(*c, d.agentOf(c.Key))
	}
	if len(changes) > 0 {
		d.version++
		d.o.Changed()
	}
	return writes
}

// keep holds a transition in memory, where the records may not have it for long.
func (d *Desk) keep(c *alarm.Change, t records.Transition) {
	a := d.kept[c.Alarm]
	if a == nil { // it could not be understood when it was restored
		return
	}
	if !c.New {
		a.Transitions = append(a.Transitions, t)
		slices.SortStableFunc(a.Transitions, func(x, y records.Transition) int { return cmp.Compare(x.At, y.At) }) // a comment may come before what is told late
		a.Transitions = trim(a.Transitions)
	}
	if !c.Ends {
		return
	}
	a.Ended = c.At
	d.ended = append(d.ended, a.ID)
	if len(d.ended) > mostEnded {
		delete(d.kept, d.ended[0])
		d.ended = slices.Delete(d.ended, 0, 1)
	}
}

func (d *Desk) agentOf(k alarm.Key) string {
	if k.Pot == "" {
		return k.Agent
	}
	return d.agent[k.Pot]
}

// log says what has become of an alarm, on a short line: the records have the evidence.
func (d *Desk) log(c *alarm.Change) {
	attrs := []slog.Attr{slog.String("alarm", c.Alarm), slog.String("priority", c.Priority.String())}
	add := func(name, value string) {
		if value != "" {
			attrs = append(attrs, slog.String(name, value))
		}
	}
	add("pot", c.Key.Pot)
	add("agent", c.Key.Agent)
	add("point", c.Key.Point)
	add("fault", c.Key.Fault)
	add("by", c.By)
	if e, err := alarm.ParseEvidence(c.Evidence); err == nil {
		add("figure", e.Figure())
	}
	level, says := slog.LevelInfo, c.Key.Kind.String()+" "+c.Event
	switch {
	case c.Loud:
		level, says = slog.LevelWarn, c.Key.Kind.String()+": "+alarm.Text(c.Key).Says
	case c.Event == alarm.EventReturned:
		says = c.Key.Kind.String() + " has ended"
	}
	d.o.Log.LogAttrs(context.Background(), level, says, attrs...)
}

// An Act is what a person wants done with an alarm.
type Act struct {
	Deed string // of alarm.DoAcknowledge and the others
	By   string
	Note string
	For  time.Duration // of a shelf
	Seen string        // id of the newest transition that the person knows of; empty: not told
}

// Do does it. stored waits until it is on the disk, or tells why it is not yet; it has its effect all the same. What is refused is an
// *alarm.Refusal.
func (d *Desk) Do(id string, act Act, now time.Time) (stored func(context.Context) error, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	at := si.InstantOf(now)
	a := alarm.Act{At: at, By: act.By, Note: act.Note, Seen: act.Seen}
	b, dst := d.board, d.changes[:0]
	switch act.Deed {
	case alarm.DoAcknowledge:
		dst, err = b.Acknowledge(id, a, dst)
	case alarm.DoShelve:
		dst, err = b.Shelve(id, at.Add(act.For), a, dst)
	case alarm.DoUnshelve:
		dst, err = b.Unshelve(id, a, dst)
	case alarm.DoReset:
		dst, err = b.Reset(id, a, dst)
	case alarm.DoTakeOut:
		dst, err = b.TakeOut(id, a, dst)
	case alarm.DoBringBack:
		dst, err = b.BringBack(id, a, dst)
	case alarm.DoComment:
		dst, err = b.Comment(id, a, dst)
	default:
		return nil, fmt.Errorf("desk: %q is nothing that can be done with an alarm", act.Deed)
	}
	if err != nil {
		return nil, err
	}
	d.changes = dst
	writes := d.take(dst)
	return func(ctx context.Context) error {
		var errs []error
		for _, w := range writes {
			errs = append(errs, w.Wait(ctx))
		}
		return errors.Join(errs...)
	}, nil
}

// CommentAfter keeps what a person writes to an alarm that is open no more, as it was found in memory or in the records, and gives it with the
// comment. stored and what is refused are as those of Do.
func (d *Desk) CommentAfter(r records.Alarm, act Act, now time.Time) (with records.Alarm, stored func(context.Context) error, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	kept := d.kept[r.ID]
	if kept != nil { // there may be more than when it was found
		r = *kept
	}
	a := alarmOf(&r)
	c, err := d.board.CommentAfter(&a, alarm.Act{At: si.InstantOf(now), By: act.By, Note: act.Note})
	if err != nil {
		return r, nil, err
	}
	t := records.Transition(c)
	r.Transitions = append(slices.Clone(r.Transitions), t)
	if kept != nil {
		r.Transitions = trim(r.Transitions)
		*kept = r
	}
	d.o.Log.LogAttrs(context.Background(), slog.LevelInfo, r.Kind+" "+c.Event, slog.String("alarm", r.ID), slog.String("by", c.By))
	return r, d.o.Records.AddTransition(t).Wait, nil
}

// alarmOf is a recorded alarm for the board.
func alarmOf(r *records.Alarm) alarm.Alarm {
	a := alarm.Alarm{ID: r.ID, Pot: r.Pot, Agent: r.Agent, Kind: r.Kind, Priority: r.Priority, Raised: r.Raised, Ended: r.Ended,
		Transitions: make([]alarm.Transition, len(r.Transitions))}
	for i, t := range r.Transitions {
		a.Transitions[i] = alarm.Transition(t)
	}
	return a
}
