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

// send publishes what waits for a pot: late readings in one message, live ones in another, the guard's word in both.
func (u *Uplink) send(s Session, p *pot) {
	word := u.o.Word(p.Name)
	now, epoch := u.o.Clock.Read()
	u.mu.Lock()
	if p.silent() || u.epoch != 0 && u.epoch != epoch {
		u.mu.Unlock()
		return // dead, or the births of the new epoch come first
	}
	p.urgent = false
	var live, late []points.Sample
	wall := time.Now()
	for _, e := range p.waiting {
		switch {
		case e.epoch != epoch:
			u.drop(p, 1) // its time means nothing beside those of this epoch
		case e.late(wall):
			late = append(late, e.s)
		default:
			live = append(live, e.s)
		}
	}
	p.waiting = p.waiting[:0]
	speak := len(live) > 0 || !p.spoken || p.word != word
	u.mu.Unlock()

	if len(late) > 0 {
		u.message(s, p, late, word, now, true)
	}
	if speak {
		u.message(s, p, live, word, now, false)
	}
}

// message publishes one DDATA; a pot that is not born is born first.
func (u *Uplink) message(s Session, p *pot, samples []points.Sample, word vent.Word, now si.Instant, historical bool) {
	build := func() []sparkplug.Metric {
		ms := make([]sparkplug.Metric, 0, len(samples)+1)
		for _, r := range samples {
			ms = append(ms, sparkplug.OfSample(r, p.Electric))
		}
		ms = append(ms, sparkplug.Str(points.MetricGuardState, now, word.String()))
		for i := range ms {
			ms[i].Historical = historical
		}
		return ms
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
		u.drop(p, len(samples))
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
	ms := make([]sparkplug.Metric, 0, points.Count+3)
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
	return append(ms, sparkplug.Str(points.MetricGuardState, now, word.String()),
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
	none := func(name string) sparkplug.Metric {
		return sparkplug.Metric{Name: name, Type: sparkplug.UInt64, At: now, Null: true, Quality: points.Good}
	}
	node = []sparkplug.Metric{sparkplug.Str(points.MetricSession, now, u.o.SessionID), sparkplug.Uint(points.MetricClockEpoch, now, epoch),
		none(points.MetricEcho), none(points.MetricClockEcho), none(points.MetricClockEchoAt)}
	node = append(node, bornLines(lines, now)...)
	for i, p := range u.pots {
		devices = append(devices, edgenode.DeviceBirth{Device: p.Name, Metrics: u.birth(p, words[i], now, epoch)})
		p.word, p.spoken = words[i], true
	}
	return node, devices
}

// Command answers an echo at once: the nonce given back, and the agent's time at that.
func (u *Uplink) Command(s Session, m sparkplug.Message) {
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
