package uplink

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"time"

	"gritwatch/internal/edgenode"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// send publishes what waits for a pot, or was kept of it in the journal: live readings, and the guard's word. Readings that
// have no position and are late go in a message of their own.
func (u *Uplink) send(s Session, p *pot, kept []batch) {
	word := u.o.Word(p.Name)
	now, epoch := u.o.Clock.Read()
	u.mu.Lock()
	if u.o.Journal == nil {
		kept = []batch{{entries: p.waiting}}
	}
	if p.silent() || u.epoch != 0 && u.epoch != epoch { // dead, or the births of the new epoch come first
		for _, b := range kept {
			if !b.placed && u.o.Journal != nil {
				u.drop(p, len(b.entries))
			}
		}
		u.mu.Unlock()
		return
	}
	p.urgent = false
	var out []readings
	wall := time.Now()
	for _, b := range kept {
		live, late := readings{epoch: epoch, placed: b.placed}, readings{historical: true}
		for i, e := range b.entries {
			switch {
			case e.epoch != epoch && !b.placed:
				u.drop(p, 1) // its time means nothing beside those of this epoch
			case e.epoch != epoch:
			case !e.late(wall):
				if len(live.samples) == 0 {
					live.first = b.first + uint64(i)
				}
				live.samples = append(live.samples, e.s)
			case !b.placed:
				late.samples = append(late.samples, e.s)
			default: // the server asks for it; what comes behind has a message of its own
				out = append(out, live)
				live.samples = nil
			}
		}
		out = append(out, late, live)
	}
	if u.o.Journal == nil {
		p.waiting = p.waiting[:0]
	}
	speak := !p.spoken || p.word != word
	u.mu.Unlock()

	out = slices.DeleteFunc(out, func(r readings) bool { return len(r.samples) == 0 })
	if speak && !slices.ContainsFunc(out, func(r readings) bool { return !r.historical }) {
		out = append(out, readings{})
	}
	for _, r := range out {
		u.message(s, p, r, word, now)
	}
}

// readings are those of one message.
type readings struct {
	samples    []points.Sample
	first      uint64 // position of the first
	epoch      uint64
	placed     bool // first and epoch hold
	historical bool
}

// metrics are the message's, by name.
func (r readings) metrics(electric bool) []sparkplug.Metric {
	ms := make([]sparkplug.Metric, 0, len(r.samples)+4)
	if r.placed {
		at := r.samples[0].At // so that they stay first where the message is sorted by time
		ms = append(ms, sparkplug.Uint(points.MetricJournalPosition, at, r.first),
			sparkplug.Uint(points.MetricJournalCount, at, uint64(len(r.samples))), sparkplug.Uint(points.MetricJournalEpoch, at, r.epoch))
	}
	for _, x := range r.samples {
		ms = append(ms, sparkplug.OfSample(x, electric))
	}
	return ms
}

// mark sets the flag of historical metrics.
func mark(ms []sparkplug.Metric, historical bool) []sparkplug.Metric {
	for i := range ms {
		ms[i].Historical = historical
	}
	return ms
}

// message publishes one DDATA; a pot that is not born is born first.
func (u *Uplink) message(s Session, p *pot, r readings, word vent.Word, now si.Instant) {
	samples, historical := r.samples, r.historical
	build := func() []sparkplug.Metric {
		return mark(append(r.metrics(p.Electric), sparkplug.Str(points.MetricGuardState, now, word.String())), historical)
	}
	err := s.PublishDevice(p.Name, build())
	if errors.Is(err, edgenode.ErrNotBorn) {
		u.mu.Lock()
		birth := u.birth(p, word, now, u.epoch)
		u.mu.Unlock()
		if err = s.BirthDevice(p.Name, birth); err == nil {
			err = s.PublishDevice(p.Name, build())
		}
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	if err != nil {
		if !r.placed {
			u.drop(p, len(samples))
		}
		if !errors.Is(err, edgenode.ErrOffline) && !errors.Is(err, edgenode.ErrNotBorn) {
			u.o.Log.LogAttrs(context.Background(), slog.LevelError, "readings not published", slog.String("pot", p.Name), slog.Any("reason", err))
		}
		return
	}
	if u.lost > 0 {
		u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "readings lost while nothing could be published", slog.Int("readings", u.lost))
		u.lost = 0
	}
	if historical {
		return
	}
	p.word, p.spoken = word, true
	for _, r := range samples {
		p.told[r.Point] = r
	}
}

// birth is what a pot is born with: every configured point, those without a reading null and stale. With mu held.
func (u *Uplink) birth(p *pot, word vent.Word, now si.Instant, epoch uint64) []sparkplug.Metric {
	ms := make([]sparkplug.Metric, 0, points.Count+6)
	for _, pt := range points.All() {
		if !p.Points.Has(pt) {
			continue
		}
		r := points.Sample{Point: pt, At: now}
		if p.epochs[pt] == epoch && epoch != 0 {
			r = p.newest[pt]
		}
		ms = append(ms, sparkplug.OfSample(r, p.Electric))
	}
	return append(ms, none(points.MetricJournalPosition, sparkplug.UInt64, now), none(points.MetricJournalCount, sparkplug.UInt64, now),
		none(points.MetricJournalEpoch, sparkplug.UInt64, now), sparkplug.Str(points.MetricGuardState, now, word.String()),
		sparkplug.Str(points.MetricConfig, now, p.Digest), sparkplug.Bool(points.MetricSimulated, now, u.o.Simulated))
}

// Births is what node and pots are born with now: all configured pots, silent ones too, which are then told dead.
func (u *Uplink) Births() (node []sparkplug.Metric, devices []edgenode.DeviceBirth) {
	words := make([]vent.Word, len(u.pots))
	for i, p := range u.pots {
		words[i] = u.o.Word(p.Name)
	}
	lines := u.lines()
	now, epoch := u.o.Clock.Read()
	u.mu.Lock()
	defer u.mu.Unlock()
	u.epoch, u.toldLines = epoch, slices.Clone(lines)
	node = []sparkplug.Metric{sparkplug.Str(points.MetricSession, now, u.o.SessionID), sparkplug.Uint(points.MetricClockEpoch, now, epoch),
		none(points.MetricEcho, sparkplug.UInt64, now), none(points.MetricClockEcho, sparkplug.UInt64, now), none(points.MetricClockEchoAt, sparkplug.UInt64, now)}
	node = append(node, u.bornJournal(now)...)
	node = append(node, bornLines(lines, now)...)
	for i, p := range u.pots {
		devices = append(devices, edgenode.DeviceBirth{Device: p.Name, Metrics: u.birth(p, words[i], now, epoch)})
		p.word, p.spoken = words[i], true
	}
	return node, devices
}

// none is a metric without a value.
func none(name string, t sparkplug.Type, at si.Instant) sparkplug.Metric {
	return sparkplug.Metric{Name: name, Type: t, At: at, Null: true, Quality: points.Good}
}

// Command takes what a server asks: an echo, which is answered at once, or records of the journal.
func (u *Uplink) Command(s Session, m sparkplug.Message) {
	u.echo(s, m)
	u.replay(s, m)
}

// echo gives the nonce back, and the agent's time at that.
func (u *Uplink) echo(s Session, m sparkplug.Message) {
	echo := m.Find(points.MetricEcho)
	if echo == nil || echo.Null {
		return
	}
	nonce, ok := echo.Value.Uint()
	if !ok {
		return
	}
	now, epoch := u.o.Clock.Read()
	u.mu.Lock()
	known := u.epoch == epoch
	u.mu.Unlock()
	if !known {
		return // the server would reckon ages across a step of the clock; it asks again
	}
	err := s.PublishNode([]sparkplug.Metric{sparkplug.Uint(points.MetricClockEcho, now, nonce),
		sparkplug.Uint(points.MetricClockEchoAt, now, uint64(now))})
	if err != nil && !errors.Is(err, edgenode.ErrOffline) {
		u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "echo not answered", slog.Any("reason", err))
	}
}
