package load

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"log/slog"
	"sync"
	"time"

	"gritwatch/internal/edgenode"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// How an agent batches: what it hands out every so often, and at once when vessel or control has moved by so much.
const (
	flush  = 500 * time.Millisecond
	gather = 50 * time.Millisecond
	move   = 3.5 * si.KPa
	late   = time.Second          // a reading older than this would not be live any more
	stand  = time.Minute          // how often it is told how the journal stands
	apart  = 3 * time.Millisecond // between two points of a pot: they are read one after another
)

// An agent is one edge node of the fleet.
type agent struct {
	fleet   *Fleet
	session string
	began   time.Time
	journal string
	lost    func(readings int)
	log     *slog.Logger

	mu   sync.Mutex
	pots []*pot
	sent uint64 // positions before it were published, or never will be
	next uint64 // position of the reading to come
	gone uint64 // positions that were not published
}

// A pot of an agent while it is played.
type pot struct {
	*member
	tape    *tape
	digest  string
	next    int // reading, from the start; the first is a period after it
	waiting []points.Sample
	told    [points.Count]float32
	newest  [points.Count]points.Sample
	urgent  time.Time // when it is to be sent at the latest; zero: with the others
}

// newAgent is an agent whose pots have no tape yet.
func newAgent(f *Fleet, index int, lost func(int), log *slog.Logger) *agent {
	a := &agent{fleet: f, session: newID(), journal: newID(), lost: lost, log: log}
	for i := range f.pots {
		if m := &f.pots[i]; m.agent == index {
			a.pots = append(a.pots, &pot{member: m, digest: m.Vent().Digest(), next: 1})
		}
	}
	return a
}

// newID is one that nobody else has.
func newID() string {
	var id [16]byte
	rand.Read(id[:]) // never fails: the program would end first
	return hex.EncodeToString(id[:])
}

// start gives its pots their tapes, and begins its time.
func (a *agent) start(tapes []tape, began time.Time) {
	a.began = began
	for _, p := range a.pots {
		p.tape = &tapes[p.member.tape]
	}
}

// now is the agent's time: the wall clock of the start carried on by the monotonic one.
func (a *agent) now() si.Instant { return si.InstantOf(a.began).Add(time.Since(a.began)) }

func (a *agent) epoch() uint64 { return uint64(si.InstantOf(a.began)) }

// births is what node and pots are born with now.
func (a *agent) births() (node []sparkplug.Metric, devices []edgenode.DeviceBirth) {
	a.mu.Lock()
	defer a.mu.Unlock()
	now := a.now()
	none := func(name string) sparkplug.Metric {
		return sparkplug.Metric{Name: name, Type: sparkplug.UInt64, At: now, Null: true, Quality: points.Good}
	}
	asked := none(points.MetricReplayID)
	asked.Type = sparkplug.String
	node = append([]sparkplug.Metric{sparkplug.Str(points.MetricSession, now, a.session), sparkplug.Uint(points.MetricClockEpoch, now, a.epoch()),
		none(points.MetricEcho), none(points.MetricClockEcho), none(points.MetricClockEchoAt), asked, none(points.MetricReplayFrom), none(points.MetricReplayTo),
		none(points.MetricJournalVoidFrom), none(points.MetricJournalVoidTo)}, a.standing(now)...)
	for _, p := range a.pots {
		ms := make([]sparkplug.Metric, 0, points.Count+6)
		ms = append(ms, none(points.MetricJournalPosition), none(points.MetricJournalCount), none(points.MetricJournalEpoch))
		for _, pt := range p.tape.points {
			s := p.newest[pt]
			if s.At == 0 {
				s = points.Sample{Point: pt, At: now} // not read yet
			}
			ms = append(ms, sparkplug.OfSample(s, false))
		}
		ms = append(ms, sparkplug.Str(points.MetricGuardState, now, vent.NotProven.String()), sparkplug.Str(points.MetricConfig, now, p.digest),
			sparkplug.Bool(points.MetricSimulated, now, true))
		devices = append(devices, edgenode.DeviceBirth{Device: p.Name, Metrics: ms})
	}
	return node, devices
}

// standing is the journal's id and how it stands, with mu held: it keeps nothing, so that its oldest record is the one to come.
func (a *agent) standing(now si.Instant) []sparkplug.Metric {
	return []sparkplug.Metric{sparkplug.Str(points.MetricJournalID, now, a.journal), sparkplug.Uint(points.MetricJournalOldest, now, a.sent),
		sparkplug.Uint(points.MetricJournalNext, now, a.next), sparkplug.Uint(points.MetricJournalLost, now, a.gone)}
}

// command answers an echo, or a request for records.
func (a *agent) command(node *edgenode.Node, m sparkplug.Message) {
	now := a.now()
	if nonce, ok := number(m, points.MetricEcho); ok {
		a.tell(node, "echo", sparkplug.Uint(points.MetricClockEcho, now, nonce), sparkplug.Uint(points.MetricClockEchoAt, now, uint64(now)))
	}
	id := m.Find(points.MetricReplayID)
	from, ok1 := number(m, points.MetricReplayFrom)
	to, ok2 := number(m, points.MetricReplayTo)
	if id == nil || !ok1 || !ok2 {
		return
	}
	a.mu.Lock()
	to = min(to, a.sent) // what lies behind may be on its way
	standing := a.standing(now)
	a.mu.Unlock()
	if name, _ := id.Value.Text(); name != a.journal {
		a.tell(node, "how the journal stands", standing...)
	} else if from < to {
		a.tell(node, "void positions", sparkplug.Uint(points.MetricJournalVoidFrom, now, from), sparkplug.Uint(points.MetricJournalVoidTo, now, to))
	}
}

// number is a metric's value; false where it is absent, null or none.
func number(m sparkplug.Message, name string) (uint64, bool) {
	x := m.Find(name)
	if x == nil || x.Null {
		return 0, false
	}
	return x.Value.Uint()
}

// tell publishes metrics of the node.
func (a *agent) tell(node *edgenode.Node, what string, ms ...sparkplug.Metric) {
	if err := node.PublishNode(ms); err != nil && !errors.Is(err, edgenode.ErrOffline) {
		a.log.LogAttrs(context.Background(), slog.LevelWarn, what+" not told", slog.Any("reason", err))
	}
}

// run reads and publishes until ctx ends. The agent's batches begin at a part of their period of its own, so that the
// fleet does not send all at once.
func (a *agent) run(ctx context.Context, node *edgenode.Node, phase time.Duration) error {
	period := time.Duration(float64(time.Second) / a.fleet.rate)
	tick := time.NewTicker(min(gather, period))
	defer tick.Stop()
	next, told := phase, phase+stand
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		since := time.Since(a.began)
		due := since >= next
		for since >= next {
			next += flush
		}
		if since >= told {
			told += stand
			a.mu.Lock()
			ms := a.standing(a.now())[1:]
			a.mu.Unlock()
			a.tell(node, "how the journal stands", ms...)
		}
		for _, p := range a.pots {
			a.mu.Lock()
			lost := p.read(since, period, a.began)
			a.skip(lost)
			send := len(p.waiting) > 0 && (due || !p.urgent.IsZero() && !time.Now().Before(p.urgent))
			a.mu.Unlock()
			if send {
				lost += a.send(node, p)
			}
			if lost > 0 {
				a.lost(lost)
			}
		}
	}
}

// read takes the readings that are due at a time since the start, and tells how many of them are too old to be live.
func (p *pot) read(since, period time.Duration, began time.Time) (lost int) {
	for ; time.Duration(p.next)*period <= since; p.next++ {
		at := time.Duration(p.next) * period
		if since-at > late {
			lost += len(p.tape.points)
			continue
		}
		row := &p.tape.rows[(p.from+p.next)%len(p.tape.rows)]
		for i, pt := range p.tape.points {
			// The last of them may be a few milliseconds ahead of the tick; none is ahead of the clock when it goes out.
			s := points.Sample{Point: pt, Quality: points.Good, At: si.InstantOf(began).Add(at - time.Duration(len(p.tape.points)-1-i)*apart), Value: si.GaugePressure(row[pt])}
			p.waiting, p.newest[pt] = append(p.waiting, s), s
			if moved := row[pt] - p.told[pt]; p.urgent.IsZero() && (pt == points.Vessel || pt == points.Control) && (moved > move || moved < -move) {
				p.urgent = time.Now().Add(gather)
			}
		}
	}
	return lost
}

// skip gives positions to readings that are not published, with mu held.
func (a *agent) skip(readings int) {
	a.next += uint64(readings)
	a.sent = a.next
	a.gone += uint64(readings)
}

// send publishes what waits for a pot, and tells how many readings were lost with it.
func (a *agent) send(node *edgenode.Node, p *pot) (lost int) {
	a.mu.Lock()
	n, at := len(p.waiting), p.waiting[0].At
	ms := make([]sparkplug.Metric, 0, n+4)
	ms = append(ms, sparkplug.Uint(points.MetricJournalPosition, at, a.next), sparkplug.Uint(points.MetricJournalCount, at, uint64(n)),
		sparkplug.Uint(points.MetricJournalEpoch, at, a.epoch()))
	for _, s := range p.waiting {
		ms = append(ms, sparkplug.OfSample(s, false))
		p.told[s.Point] = float32(s.Value)
	}
	a.next += uint64(n)
	p.waiting, p.urgent = p.waiting[:0], time.Time{}
	a.mu.Unlock()
	ms = append(ms, sparkplug.Str(points.MetricGuardState, a.now(), vent.NotProven.String()))
	err := node.PublishDevice(p.Name, ms)
	a.mu.Lock()
	defer a.mu.Unlock()
	a.sent = a.next
	if err == nil {
		return 0
	}
	a.gone += uint64(n)
	if !errors.Is(err, edgenode.ErrOffline) {
		a.log.LogAttrs(context.Background(), slog.LevelError, "readings not published", slog.String("pot", p.Name), slog.Any("reason", err))
	}
	return n
}
