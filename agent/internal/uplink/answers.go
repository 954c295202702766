package uplink

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"gritwatch/agent/internal/backlog"
	"gritwatch/agent/internal/journal"
	"gritwatch/internal/edgenode"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// answers is what is being answered; of the goroutine that publishes.
type answers struct {
	now     *backlog.Answer // nil: nothing is
	session uint64          // in which it was asked for
	pace    backlog.Pace
}

func (a *answers) end() {
	if a.now != nil {
		a.now.Close()
		a.now = nil
	}
}

// Offline says that a session has ended: what was asked for in it is forgotten, for the server asks again.
func (u *Uplink) Offline() {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.session++
	u.requests.Forget()
	signal(u.asked) // so that nothing of it is kept open
}

// replay takes a request for records, or an acknowledgement alone.
func (u *Uplink) replay(s Session, m sparkplug.Message) {
	id, from, to := m.Find(points.MetricReplayID), m.Find(points.MetricReplayFrom), m.Find(points.MetricReplayTo)
	if id == nil && from == nil && to == nil {
		return
	}
	r, name, err := parseRequest(id, from, to)
	j := u.o.Journal
	switch {
	case err != nil:
	case j == nil:
		err = errors.New("there is no journal that could be used")
	case name != j.Status().ID:
		err = fmt.Errorf("the journal asked for is %.40q, and this one is %q", name, j.Status().ID)
	}
	if err != nil {
		u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "request for records refused", slog.Any("reason", err))
		u.tell(s, u.standing(), "how the journal stands")
		return
	}
	j.Acknowledge(r.From)
	if r.To = min(r.To, j.Status().Next); r.From >= r.To {
		return
	}
	u.mu.Lock()
	added := u.requests.Add(r)
	u.mu.Unlock()
	if !added {
		u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "request for records refused: too many wait already",
			slog.Uint64("from", r.From), slog.Uint64("to", r.To), slog.Int("waiting", backlog.MaxWaiting))
		return
	}
	signal(u.asked)
}

func parseRequest(id, from, to *sparkplug.Metric) (r backlog.Request, name string, err error) {
	if id == nil || from == nil || to == nil || id.Null || from.Null || to.Null {
		return r, "", errors.New("id, from and to of a request come in one command")
	}
	name, okID := id.Value.Text()
	var okFrom, okTo bool
	r.From, okFrom = from.Value.Uint()
	r.To, okTo = to.Value.Uint()
	if !okID || !okFrom || !okTo || r.From > r.To {
		return r, "", errors.New("id is a text, and from and to are whole numbers, from no more than to")
	}
	return r, name, nil
}

// answer says the next part of what was asked for. It is to be called again after wait, if it says so.
func (u *Uplink) answer(s Session) (again bool, wait time.Duration) {
	a := &u.answers
	_, epoch := u.o.Clock.Read()
	u.mu.Lock()
	if a.now != nil && a.session != u.session {
		a.end()
	}
	if a.now == nil {
		if r, ok := u.requests.Next(); ok {
			a.now, a.session = backlog.NewAnswer(r, u.o.Journal.Read, u.carries), u.session
		}
	}
	stepped := u.epoch != epoch
	u.mu.Unlock()
	wait = a.pace.Wait(time.Now(), s.Waiting())
	switch {
	case a.now == nil:
		return a.pace.Judging(), wait
	case stepped:
		return true, beat // the births of the new epoch come first
	case wait > 0:
		return true, wait
	}
	part, ok, err := a.now.Next(a.pace.Size())
	switch {
	case err != nil: // it may pass, and the server asks again
		u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "records that were asked for cannot be read now", slog.Any("reason", err))
		a.end()
	case !ok:
		a.end()
	case part.Void():
		u.tellVoid(s, part)
	default:
		u.history(s, part)
	}
	return true, 0
}

// carries tells whether a reading can be published: its pot is born with its point.
func (u *Uplink) carries(name string, s points.Sample) bool {
	p := u.names[name]
	return p != nil && p.Points.Has(s.Point)
}

// history publishes readings of the journal. A pot that is told dead is born for it, and dies again when nothing more of it has
// been asked for.
func (u *Uplink) history(s Session, part backlog.Part) {
	p := u.names[part.Pot]
	u.mu.Lock()
	p.lent = time.Now()
	u.mu.Unlock()
	build := func() []sparkplug.Metric {
		r := readings{samples: part.Samples, first: part.From, epoch: part.Epoch, placed: true}
		return mark(r.metrics(p.Electric), true)
	}
	err := s.PublishDevice(p.Name, build())
	if errors.Is(err, edgenode.ErrNotBorn) {
		word := u.o.Word(p.Name)
		now := u.now()
		u.mu.Lock()
		birth := u.birth(p, word, now, u.epoch)
		u.mu.Unlock()
		if err = s.BirthDevice(p.Name, birth); err == nil {
			err = s.PublishDevice(p.Name, build())
		}
	}
	u.answers.pace.Sent(time.Now(), len(part.Samples))
	switch {
	case err == nil:
	case errors.Is(err, edgenode.ErrOffline):
		u.Offline()
	default:
		u.o.Log.LogAttrs(context.Background(), slog.LevelError, "readings of the journal cannot be published: they are told to be void",
			slog.String("pot", p.Name), slog.Uint64("from", part.From), slog.Uint64("to", part.To), slog.Any("reason", err))
		u.tellVoid(s, backlog.Part{From: part.From, To: part.To})
	}
}

func (u *Uplink) now() si.Instant {
	now, _ := u.o.Clock.Read()
	return now
}

// tellVoid says that positions which were asked for hold nothing.
func (u *Uplink) tellVoid(s Session, part backlog.Part) {
	if part.Dropped {
		u.tellStand(s)
	}
	now := u.now()
	u.tell(s, []sparkplug.Metric{sparkplug.Uint(points.MetricJournalVoidFrom, now, part.From), sparkplug.Uint(points.MetricJournalVoidTo, now, part.To)},
		"void positions")
}

// tellStand says how far the journal reaches.
func (u *Uplink) tellStand(s Session) {
	if u.o.Journal == nil {
		return
	}
	u.tell(s, u.standing()[1:], "how the journal stands")
}

// tell publishes metrics of the node. Without a session, nobody asks any more.
func (u *Uplink) tell(s Session, ms []sparkplug.Metric, what string) {
	_, epoch := u.o.Clock.Read()
	u.mu.Lock()
	born := u.epoch == epoch // else births come first
	u.mu.Unlock()
	if !born {
		return
	}
	switch err := s.PublishNode(ms); {
	case err == nil:
	case errors.Is(err, edgenode.ErrOffline):
		u.Offline()
	default:
		u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, what+" not told", slog.Any("reason", err))
	}
}

// standing is the journal's id and how far it reaches, in the order in which they are born; all null without a journal.
func (u *Uplink) standing() []sparkplug.Metric {
	now := u.now()
	if u.o.Journal == nil {
		return []sparkplug.Metric{none(points.MetricJournalID, sparkplug.String, now), none(points.MetricJournalOldest, sparkplug.UInt64, now),
			none(points.MetricJournalNext, sparkplug.UInt64, now), none(points.MetricJournalLost, sparkplug.UInt64, now)}
	}
	return standingOf(u.o.Journal.Status(), now)
}

func standingOf(st journal.Status, now si.Instant) []sparkplug.Metric {
	return []sparkplug.Metric{sparkplug.Str(points.MetricJournalID, now, st.ID), sparkplug.Uint(points.MetricJournalOldest, now, st.Oldest),
		sparkplug.Uint(points.MetricJournalNext, now, st.Next), sparkplug.Uint(points.MetricJournalLost, now, st.Lost)}
}

// bornJournal is what a node is born with of its journal.
func (u *Uplink) bornJournal(now si.Instant) []sparkplug.Metric {
	ms := u.standing()
	for i := range ms {
		ms[i].At = now
	}
	return append(ms, none(points.MetricJournalVoidFrom, sparkplug.UInt64, now), none(points.MetricJournalVoidTo, sparkplug.UInt64, now),
		none(points.MetricReplayID, sparkplug.String, now), none(points.MetricReplayFrom, sparkplug.UInt64, now), none(points.MetricReplayTo, sparkplug.UInt64, now))
}
