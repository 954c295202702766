package rewind

import (
	"cmp"
	"context"
	"encoding/binary"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/pot"
	"gritwatch/server/internal/records"
	"gritwatch/server/internal/signals"
)

// A job is one rewind of one pot.
type job struct {
	r      *Rewinder
	a      *pot.Actor
	agent  string
	follow *engine.Follower
	epoch  uint64 // of the samples that are played
	shift  time.Duration
	from   si.Instant // stored time from which on what is found is news
	cycles int

	restored bool // it began with a checkpoint

	alarms  *alarm.Detector
	signals alarm.Signals
	moment  signals.Moment
	sample  si.Instant // the newest that the alarms were looked at with, by the agent's clock
	newest  si.Instant // the newest that was stepped over
	found   []alarm.Found
}

// mostFound bounds what is told of one rewind's alarms.
const mostFound = 10_000

// stepApart is how far apart samples are at least between which the alarms are looked at, as of live ones.
const stepApart = 50 * time.Millisecond

// rewind goes over a pot's samples from before the first late one to the present. It is false where more is to come first, unless
// patience is over.
func (r *Rewinder) rewind(ctx context.Context, a *pot.Actor, d due, patience bool) (bool, error) {
	now, heard := a.Hold()
	defer a.Let()
	if !heard && !patience {
		return false, nil
	}
	c, from, news, err := r.beginning(ctx, a.Name(), d)
	if err != nil {
		return false, err
	}
	if !c.ok && !c.none && d.first == 0 {
		return true, nil // another version of this program has judged it
	}
	next, same := c.next(now.Journal)
	here, err := r.o.Keeper.Whole(ctx, now.Agent, now.Journal, next, now.Next) // all that Hold has seen is stored now
	if err != nil {
		return false, err
	}
	if !here && !patience && now.Journal != "" {
		return false, nil
	}
	whole := here && same
	about := a.Config().Pot
	j := &job{r: r, a: a, agent: a.Agent(), follow: a.Follower(), from: news, alarms: signals.Alarms(about)}
	j.moment.Target, j.moment.Ambient = about.Nozzle.Target, about.Atmosphere.Pressure()
	if err := j.play(ctx, c, from, now.Epoch); err != nil {
		return false, err
	}
	j.tell() // before the live ones show it, so that it is told of its own time
	took := heard && j.epoch == now.Epoch && a.Adopt(now, j.follow, whole, j.step)
	j.tell()
	if took && whole && j.restored {
		a.Recalled()
	}
	if whole && !took && !patience {
		return false, nil // the two do not meet yet
	}
	if !c.none || d.first != 0 || j.cycles > 0 { // else it is a pot of which nothing was known
		r.o.Log.LogAttrs(ctx, slog.LevelInfo, "late readings of a pot have been judged", slog.String("pot", a.Name()),
			slog.Int("cycles", j.cycles), slog.Bool("whole", whole), slog.Bool("taken over", took))
	}
	if d.first != 0 {
		r.o.Checkpoints.DropCheckpoints(a.Name(), d.first.Add(-time.Microsecond))
	}
	if c, ok := r.checkpoint(a); took && ok {
		r.o.Checkpoints.SaveCheckpoints([]records.Checkpoint{c})
	}
	return true, nil
}

// begin is where a rewind begins.
type begin struct {
	records.Checkpoint
	ok    bool // there is a checkpoint
	none  bool // there is not even one of another version
	epoch uint64
}

// next is the first record of a journal that is not in the checkpoint; 0 and false where there is none of that journal.
func (b begin) next(journal string) (uint64, bool) {
	for _, n := range b.Next {
		if n.Journal == journal && journal != "" {
			return n.Position, b.ok
		}
	}
	return 0, false
}

// beginning is the checkpoint that a rewind begins with, the instant from which samples are to be read, and that from which on what is
// found is news, both in stored time. After a start nobody has judged what lies behind the newest checkpoint, as what is late drops
// those behind its beginning.
func (r *Rewinder) beginning(ctx context.Context, name string, d due) (c begin, from, news si.Instant, err error) {
	at := si.InstantOf(time.Now())
	first := d.first
	if first == 0 {
		first = at
	}
	c, from, err = r.before(ctx, name, first)
	news = max(first, from)
	switch {
	case err != nil || !d.start:
	case c.none: // a server that knew nothing may have been stopped when it had the past of a pot, or a part of it
		from = first.Add(-unjudged)
		news = from
	default:
		_, at, err = r.before(ctx, name, at)
		news = max(from, min(news, at))
	}
	return c, from, news, err
}

// before is the newest checkpoint before an instant, and the instant from which samples are to be read, both in stored time. Without a
// checkpoint that is all there is.
func (r *Rewinder) before(ctx context.Context, name string, at si.Instant) (begin, si.Instant, error) {
	c, ok, err := r.o.Checkpoints.CheckpointBefore(ctx, name, at)
	if err != nil || !ok {
		return begin{none: true}, at.Add(-unwitnessed), err
	}
	epoch, state, ok := splitEpoch(c.State)
	if !ok || c.Version != engine.StateVersion() {
		return begin{}, at.Add(-unwitnessed), nil // of another version of this program
	}
	c.State = state
	return begin{Checkpoint: c, ok: true, epoch: epoch}, c.At, nil
}

// unwitnessed is how far before the first late sample a rewind begins that has no checkpoint: long enough for the press of a vent to
// be in it, whose cycle would else be lost.
const unwitnessed = 30 * time.Minute

// unjudged is how far back it begins where the pot never had a checkpoint, so that nothing of it was judged: as far as the oldest
// checkpoints reach.
const unjudged = 26 * time.Hour

// play steps a follower from a checkpoint over all that is stored behind it, one epoch of the clock after the other; that of the
// present is the last.
func (j *job) play(ctx context.Context, b begin, from si.Instant, present uint64) error {
	from = from.Add(-overlap)
	epochs, err := j.epochs(ctx, from, present)
	if err != nil {
		return err
	}
	if b.ok {
		if err := j.restore(ctx, b); err != nil {
			return err
		}
	}
	for _, e := range epochs {
		if j.epoch != 0 && j.epoch != e.epoch {
			j.follow.Break(vent.NewSession) // perhaps only its clock was stepped: nothing that is stored tells
			j.follow.Reset()
		}
		if err := j.enter(e.epoch); err != nil {
			return err
		}
		if err := j.each(ctx, history.Query{From: max(e.first, from), To: e.last + 1}, func(s points.Sample) { j.step(s) }); err != nil {
			return err
		}
	}
	return nil
}

// span is an epoch of an agent's clock, with what is stored of it, in stored time.
type span struct {
	epoch       uint64
	first, last si.Instant
}

// epochs are those of which samples are stored.
func (j *job) epochs(ctx context.Context, from si.Instant, present uint64) ([]span, error) {
	var out []span
	now := 0
	err := j.r.o.History.Range(ctx, history.Query{Pot: j.a.Name(), From: max(0, from)}, func(x history.Record) error {
		if now >= len(out) || out[now].epoch != x.Epoch {
			if now = slices.IndexFunc(out, func(s span) bool { return s.epoch == x.Epoch }); now < 0 {
				now = len(out)
				out = append(out, span{x.Epoch, x.At, x.At})
			}
		}
		out[now].last = x.At
		return nil
	})
	slices.SortStableFunc(out, func(a, b span) int {
		switch {
		case a.epoch == present && b.epoch != present:
			return 1
		case b.epoch == present && a.epoch != present:
			return -1
		}
		return cmp.Compare(a.first, b.first)
	})
	return out, err
}

// enter goes over to the times of another epoch.
func (j *job) enter(epoch uint64) error {
	p, ok := j.r.o.Keeper.Placement(j.agent, epoch)
	if !ok {
		return fmt.Errorf("where the clock of %s stood in epoch %d is not known", j.agent, epoch)
	}
	j.look()
	j.epoch, j.shift, j.newest, j.sample = epoch, p.Shift, 0, 0
	return nil
}

// each gives the stored samples of the present epoch, by the agent's clock.
func (j *job) each(ctx context.Context, q history.Query, each func(points.Sample)) error {
	q.Pot, q.From = j.a.Name(), max(0, q.From)
	return j.r.o.History.Range(ctx, q, func(x history.Record) error {
		if x.Epoch == j.epoch {
			s := x.Sample
			s.At = s.At.Add(-j.shift)
			each(s)
		}
		return nil
	})
}

// restore takes up a checkpoint. One that cannot be taken up is passed over: the rewind then knows less, and says less.
func (j *job) restore(ctx context.Context, b begin) error {
	if err := j.enter(b.epoch); err != nil {
		return err
	}
	if err := j.follow.SetState(b.State); err != nil {
		j.r.o.Log.LogAttrs(ctx, slog.LevelInfo, "a checkpoint cannot be taken up; beginning without", slog.String("pot", j.a.Name()), slog.String("reason", err.Error()))
		j.follow, j.epoch = j.a.Follower(), 0
		return nil
	}
	if err := j.each(ctx, history.Query{From: b.At.Add(-primeBy), To: b.At + 1}, j.follow.Prime); err != nil {
		return err
	}
	j.follow.Primed()
	j.restored = true
	return nil
}

// step steps the follower, and tells what it finds that is news.
func (j *job) step(s points.Sample) {
	if s.At > j.newest && s.At.Sub(j.sample) > stepApart {
		j.look()
	}
	before, refills := j.follow.Out.Cycles, j.follow.Out.Level.Refills
	j.follow.Step(s)
	j.newest = s.At
	at := j.follow.Out.At
	news := at.Add(j.shift) >= j.from
	if c := &j.follow.Out.Cycle; j.follow.Out.Cycles != before && news {
		j.cycles++
		j.r.o.Finder.LateCycle(j.a.Name(), j.agent, j.epoch, *c, j.follow.Judged(), at)
	}
	if l := &j.follow.Out.Level; l.Refills != refills && news {
		j.r.o.Finder.Refill(j.a.Name(), j.agent, j.epoch, l.Refill)
	}
}

// look looks at the pot's alarms as of the newest sample. The answer is not known: what was served then is not stored, and nothing that
// is played back lets an alarm go.
func (j *job) look() {
	o := &j.follow.Out
	if j.newest == 0 || j.newest == j.sample {
		return
	}
	j.sample = j.newest
	m := &j.moment
	m.At, m.Shift, m.Fresh = j.newest.Add(j.shift), j.shift, 0
	for p := range points.Point(points.Count) {
		if x := &o.Readings[p]; x.Quality == points.Good && x.At != 0 && o.At.Sub(x.At) <= vent.MaxAge {
			m.Fresh |= points.SetOf(p)
		}
	}
	signals.Fill(&j.signals, j.follow, m)
	n := len(j.found)
	j.found = j.alarms.Step(&j.signals, j.found)
	// What began before the news is known; its end may not be.
	kept := slices.DeleteFunc(j.found[n:], func(f alarm.Found) bool { return f.On && f.At < j.from })
	j.found = j.found[:min(n+len(kept), max(n, mostFound))]
}

// tell tells what was found since it was called last.
func (j *job) tell() {
	j.look()
	if len(j.found) > 0 {
		j.r.o.Finder.LateAlarms(j.found)
		j.found = j.found[:0]
	}
}

// checkpoint is the state of a pot as it is now, with its place in stored time.
func (r *Rewinder) checkpoint(a *pot.Actor) (records.Checkpoint, bool) {
	c, ok := a.Checkpoint(appendEpoch(nil, 0))
	if !ok {
		return records.Checkpoint{}, false
	}
	p, ok := r.o.Keeper.Placement(c.Agent, c.Epoch)
	if !ok {
		return records.Checkpoint{}, false // none of its samples is stored yet
	}
	out := records.Checkpoint{Pot: a.Name(), At: c.At.Add(p.Shift), Version: engine.StateVersion(), State: appendEpoch(c.State[:0], c.Epoch)[:len(c.State)]}
	if c.Journal != "" {
		out.Next = []records.JournalPosition{{Journal: c.Journal, Position: c.Next}}
	}
	return out, true
}

// The epoch stands before the state, 8 bytes.
func appendEpoch(dst []byte, epoch uint64) []byte {
	return binary.LittleEndian.AppendUint64(dst, epoch)
}

func splitEpoch(b []byte) (epoch uint64, state []byte, ok bool) {
	if len(b) < 8 {
		return 0, nil, false
	}
	return binary.LittleEndian.Uint64(b), b[8:], true
}
