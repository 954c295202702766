package ingest

import (
	"log/slog"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// A bench plays the agents of a site against the session machine, in made-up time.
type bench struct {
	t        *testing.T
	h        *host
	now      time.Time
	events   []feed.Event
	echoes   []feed.Echo
	lines    []feed.Lines
	journals []feed.Journal
	sent     []command
	gaps     int
	bad      []string
	moved    int // samples
	loose    int // those that are in no journal
}

type command struct {
	agent  string
	at     time.Time
	metric sparkplug.Metric
	all    []sparkplug.Metric
}

// Event, Echo, Lines and Journal make the bench a feed.Sink.
func (b *bench) Event(e feed.Event)     { b.events = append(b.events, e) }
func (b *bench) Echo(e feed.Echo)       { b.echoes = append(b.echoes, e) }
func (b *bench) Lines(l feed.Lines)     { b.lines = append(b.lines, l) }
func (b *bench) Journal(j feed.Journal) { b.journals = append(b.journals, j) }

func newBench(t *testing.T) *bench {
	b := &bench{t: t, now: time.Now()}
	b.h = newHost(Options{Site: "harrow-quay", Sink: b, Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Pots: []Pot{
		{Name: "alder", Agent: "quay-1", Points: points.SetOf(points.Vessel, points.Control)},
		{Name: "birch", Agent: "quay-1", Electric: true, Points: points.SetOf(points.Vessel, points.Control)},
		{Name: "cedar", Agent: "quay-2", Points: points.SetOf(points.Vessel)},
	}, Events: Events{
		Gap:     func(string) { b.gaps++ },
		Bad:     func(topic, why string) { b.bad = append(b.bad, why) },
		Samples: func(n int, _ bool) { b.moved += n },
		Loose:   func(_ string, n int) { b.loose += n },
	}}.withDefaults(), func(agent string, at time.Time, ms []sparkplug.Metric) {
		b.sent = append(b.sent, command{agent, at, ms[0], ms})
	})
	return b
}

func (b *bench) put(topic string, payload []byte) {
	b.h.handle(message{topic: topic, payload: payload, at: b.now})
}

func (b *bench) wait(d time.Duration) {
	for end := b.now.Add(d); b.now.Before(end); {
		b.now = b.now.Add(min(tickEvery, end.Sub(b.now)))
		b.h.tick(b.now)
	}
}

// count tells how many events of a kind a pot got, and forgets all events.
func (b *bench) count(pot string, k feed.Kind) int {
	n := 0
	for _, e := range b.events {
		if e.Pot == pot && e.Kind == k {
			n++
		}
	}
	return n
}

func (b *bench) clear() { b.events, b.echoes, b.lines, b.sent, b.bad = nil, nil, nil, nil, nil }

func (b *bench) rebirths(agent string) int {
	n := 0
	for _, c := range b.sent {
		if v, ok := c.metric.Value.Bool(); c.agent == agent && c.metric.Name == points.MetricRebirth && v && ok {
			n++
		}
	}
	return n
}

// An edge is one session of an agent.
type edge struct {
	b       *bench
	node    string
	session string
	epoch   uint64
	bdSeq   uint8
	seq     sparkplug.Counter
	lines   []sparkplug.Metric // of serial lines, told at birth
}

func (b *bench) edge(node, session string, bdSeq uint8) *edge {
	return &edge{b: b, node: node, session: session, epoch: 7, bdSeq: bdSeq}
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

func (e *edge) topic(k sparkplug.Kind, device string) string {
	return sparkplug.Topic{Kind: k, Group: "harrow-quay", Node: e.node, Device: device}.String()
}

func (e *edge) born(devices ...string) {
	at := si.InstantOf(e.b.now)
	e.b.put(e.topic(sparkplug.NodeBirth, ""), must(sparkplug.EncodeBirth(at, e.seq.Birth(), append([]sparkplug.Metric{
		sparkplug.BdSeq(at, e.bdSeq), sparkplug.Bool(points.MetricRebirth, at, false), sparkplug.Uint(points.MetricEcho, at, 0),
		sparkplug.Uint(points.MetricClockEpoch, at, e.epoch), sparkplug.Str(points.MetricSession, at, e.session)}, e.lines...))))
	for _, d := range devices {
		e.device(d)
	}
}

func (e *edge) device(d string) {
	at := si.InstantOf(e.b.now)
	e.b.put(e.topic(sparkplug.DeviceBirth, d), must(sparkplug.EncodeBirth(at, e.seq.Next(), []sparkplug.Metric{
		sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: 1000}, false),
		sparkplug.Str(points.MetricConfig, at, "vent/1:ab"), sparkplug.Bool(points.MetricSimulated, at, true),
		sparkplug.Str(points.MetricGuardState, at, "pressurised")})))
}

func (e *edge) data(device string, ms ...sparkplug.Metric) {
	at := si.InstantOf(e.b.now)
	if len(ms) == 0 {
		ms = []sparkplug.Metric{
			sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: 2500}, false),
			sparkplug.Str(points.MetricGuardState, at, "pressurised")}
	}
	// Protobuf messages written one behind the other are one message: so nothing is sorted or checked on the way out.
	payload := sparkplug.EncodeDeviceDeath(at, e.seq.Next()) // time and number alone
	for _, m := range ms {
		payload = append(payload, must(sparkplug.EncodeCommand(at, []sparkplug.Metric{m}))...)
	}
	e.b.put(e.topic(sparkplug.DeviceData, device), payload)
}

func (e *edge) die() {
	e.b.put(e.topic(sparkplug.NodeDeath, ""), sparkplug.EncodeNodeDeath(0, e.bdSeq))
}
