package ingest

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// A message is one MQTT message as it came.
type message struct {
	topic    string
	payload  []byte
	retained bool
	at       time.Time // of its arrival, with its monotonic reading
}

// host is the session machine: messages and times in, events and commands out. It does no I/O, knows no clock and draws no
// numbers; say.go gives it a log and its questions. One goroutine.
type host struct {
	o     Options
	pots  map[string]*Pot
	nodes map[string]*node
	names []string // of the agents, in the order of the file
	send  func(agent string, at time.Time, ms []sparkplug.Metric)
	nonce func() uint64
	note  note
	quiet quiet
}

func newHost(o Options, send func(agent string, at time.Time, ms []sparkplug.Metric)) *host {
	note := noteTo(o.Log)
	h := &host{o: o, pots: map[string]*Pot{}, nodes: map[string]*node{}, send: send, nonce: randomNonce, note: note, quiet: quiet{note: note}}
	for i := range o.Pots {
		p := &o.Pots[i]
		h.pots[p.Name] = p
		n := h.nodes[p.Agent]
		if n == nil {
			n = &node{agent: p.Agent, devices: map[string]*device{}}
			h.nodes[p.Agent] = n
			h.names = append(h.names, p.Agent)
		}
		n.devices[p.Name] = &device{pot: p}
		n.pots = append(n.pots, p.Name)
	}
	return h
}

// linked asks every agent for its births, as they may have been live before the link was.
func (h *host) linked(now time.Time) {
	for _, name := range h.names {
		h.rebirth(h.nodes[name], now)
	}
}

// unlinked: what the agents do now is not known.
func (h *host) unlinked(now time.Time, reason string) {
	for _, name := range h.names {
		h.died(h.nodes[name], now, reason)
		h.nodes[name].unanswered = unanswered{}
	}
}

// tick does what is due.
func (h *host) tick(now time.Time) {
	for _, name := range h.names {
		n := h.nodes[name]
		h.deathOverdue(n, now)
		h.missing(n, now)
		if n.wantRebirth {
			h.rebirth(n, now)
		}
		if n.state == live && now.Sub(n.lastEcho) >= echoEvery {
			h.echo(n, now)
		}
	}
}

// handle takes one message. Nothing in it can do more than be refused.
func (h *host) handle(m message) {
	t, err := sparkplug.ParseTopic(m.topic)
	switch {
	case err != nil:
		h.bad(m, err.Error())
		return
	case t.Group != h.o.Site:
		return
	case m.retained:
		h.bad(m, "retained; agents' messages never are, and this one may be old")
		return
	}
	h.o.Events.Message(string(t.Kind))
	n, known := h.nodes[t.Node]
	if t.Kind == sparkplug.DeviceBirth || t.Kind == sparkplug.DeviceData {
		if p := h.pots[t.Device]; p != nil && p.Agent != t.Node {
			h.otherAgent(p, t, m)
		}
	}
	if !known {
		h.quiet.say(m.at, "agent "+t.Node, "agent is not in the site's file; its messages are left out", "agent", t.Node)
		return
	}
	h.deathOverdue(n, m.at)
	msg, err := sparkplug.Decode(m.payload)
	if err == nil && !msg.HasSeq && t.Kind != sparkplug.NodeDeath {
		err = fmt.Errorf("%s without seq", t.Kind)
	}
	if err != nil {
		h.bad(m, err.Error())
		if t.Kind != sparkplug.NodeDeath {
			h.lose(n, m.at) // what it said is not known: it may have been a birth
		}
		return
	}
	h.missing(n, m.at)
	switch t.Kind {
	case sparkplug.NodeBirth:
		n.held = held{} // whatever was missing is said anew
		h.nodeBirth(n, m, msg)
	case sparkplug.NodeDeath:
		h.nodeDeath(n, m, msg)
	case sparkplug.NodeData, sparkplug.DeviceBirth, sparkplug.DeviceData, sparkplug.DeviceDeath:
		h.inOrder(n, t, m, msg)
	}
}

// deviceDied is why a pot is dead whose agent is not.
const deviceDied = "agent hears no point of the pot"

// take takes a message in its turn.
func (h *host) take(n *node, t sparkplug.Topic, m message, msg sparkplug.Message) {
	believed := h.believed(n, m, msg)
	switch {
	case t.Kind == sparkplug.DeviceDeath:
		// A death is heard whatever the state of the session: it only lowers the word.
		if d := n.devices[t.Device]; d != nil && n.state != refused {
			d.born = false
			h.event(n, d, feed.Event{Kind: feed.Death, Received: m.at, Reason: deviceDied})
		}
	case !believed:
	case t.Kind == sparkplug.NodeData:
		h.nodeData(n, m, msg)
	case t.Kind == sparkplug.DeviceBirth:
		h.deviceBirth(n, t, m, msg)
	case t.Kind == sparkplug.DeviceData:
		h.deviceData(n, t, m, msg)
	}
}

// otherAgent: data for a pot that is bound to another agent.
func (h *host) otherAgent(p *Pot, t sparkplug.Topic, m message) {
	h.o.Events.Refused(p.Name, false)
	h.quiet.say(m.at, "pot "+p.Name, "another agent claims the pot; refused, and the pot is not proven until 60 s after its last message",
		"pot", p.Name, "agent", t.Node, "bound_to", p.Agent)
	h.o.Sink.Event(feed.Event{Kind: feed.Contest, Pot: p.Name, Agent: t.Node, Received: m.at, Reason: "data of agent " + t.Node})
}

// believed takes the message's sequence number and tells whether the message counts.
func (h *host) believed(n *node, m message, msg sparkplug.Message) bool {
	due := n.order.Take(msg.Seq)
	if n.state != refused || !due {
		n.rival = m.at // it does not go on from the birth that was refused
	}
	switch n.state {
	case refused:
		n.refuse(m.at)
		h.contest(n, m.at, "data of a session that was replaced")
		h.rebirth(n, m.at)
		return false
	case live:
		if due {
			n.heard = m.at
			return true
		}
		h.gap(n, m.at)
	}
	h.lose(n, m.at)
	return false
}

// gap tells that an agent's messages are missing.
func (h *host) gap(n *node, now time.Time) {
	h.o.Events.Gap(n.agent)
	h.quiet.say(now, "gap "+n.agent, "gap in an agent's messages; asking for its births", "agent", n.agent)
}

// resolve gives the metrics of data their names by the births. What speaks of numbers that were never born may mean anything:
// then nothing of the agent is believed until it has said them.
func (h *host) resolve(n *node, a *sparkplug.Aliases, m message, msg sparkplug.Message) bool {
	err := a.Resolve(msg.Metrics)
	if err != nil {
		h.bad(m, err.Error())
		h.lose(n, m.at)
	}
	return err == nil
}

// lose believes nothing of an agent until it has repeated its births, which are asked for.
func (h *host) lose(n *node, now time.Time) {
	if n.state == live {
		n.state = lost
	}
	n.held = held{}
	h.rebirth(n, now)
}

func (h *host) nodeData(n *node, m message, msg sparkplug.Message) {
	if !h.resolve(n, &n.aliases, m, msg) {
		return
	}
	if e := msg.Find(points.MetricClockEpoch); e != nil {
		if v, ok := e.Value.Uint(); !ok || v != n.epoch {
			h.lose(n, m.at) // a new time base comes with births
			return
		}
	}
	h.lines(n, m, msg)
	h.journalData(n, m, msg)
	echo, at := msg.Find(points.MetricClockEcho), msg.Find(points.MetricClockEchoAt)
	if echo == nil || at == nil {
		return
	}
	nonce, ok1 := echo.Value.Uint()
	us, ok2 := at.Value.Uint()
	if !ok1 || !ok2 || us == 0 || us > maxInstant {
		h.bad(m, "Clock/Echo or Clock/Echo At is not a number that can be")
		return
	}
	if sent, ok := n.answered(nonce, m.at); ok {
		h.o.Sink.Echo(feed.Echo{Agent: n.agent, Session: n.session, Epoch: n.epoch, Sent: sent, Received: m.at, AgentAt: si.Instant(us)})
	}
}

// maxInstant is the year 9999, us.
const maxInstant = 253_402_300_799_999_999

func (h *host) deviceBirth(n *node, t sparkplug.Topic, m message, msg sparkplug.Message) {
	d := n.devices[t.Device]
	if d == nil {
		if h.pots[t.Device] == nil {
			h.quiet.say(m.at, "device "+t.Device, "pot is not in the site's file; its messages are left out",
				"pot", t.Device, "agent", n.agent)
		}
		return
	}
	if err := d.aliases.Born(msg.Metrics); err != nil {
		h.bad(m, err.Error())
		d.born = false
		h.lose(n, m.at)
		return
	}
	d.born, d.simulated, d.digest = true, false, ""
	d.facts(msg)
	h.event(n, d, feed.Event{Kind: feed.Birth, Received: m.at})
}

func (h *host) deviceData(n *node, t sparkplug.Topic, m message, msg sparkplug.Message) {
	d := n.devices[t.Device]
	if d == nil {
		return
	}
	if !d.born {
		h.lose(n, m.at)
		return
	}
	if !h.resolve(n, &d.aliases, m, msg) {
		return
	}
	d.facts(msg)
	var err error
	e := feed.Event{Kind: feed.Data, Received: m.at, Samples: make([]points.Sample, 0, len(msg.Metrics))}
	readings := uint64(0)
	for i := range msg.Metrics {
		metric := &msg.Metrics[i]
		if metric.Historical {
			e.Kind = feed.LateData // one late metric makes the message late
		}
		if metric.Name == points.MetricGuardState {
			if word, ok := metric.Value.Text(); ok && metric.At != 0 && len(word) <= maxText && !metric.Null {
				e.Guard, e.GuardAt = word, metric.At
			}
			continue
		}
		s, ok := metric.Sample()
		if !ok {
			continue
		}
		readings++
		if s.Point == points.Control && d.pot.Electric != (metric.Name == points.MetricControlPressed) {
			h.bad(m, "the handle's kind is not the one of the site's file (control: electric)")
			continue
		}
		if s.At <= 0 {
			h.bad(m, metric.Name+" without a timestamp")
			return
		}
		if d.pot.Points.Has(s.Point) {
			e.Samples = append(e.Samples, s)
		}
	}
	byTime := func(a, b points.Sample) int { return cmp.Compare(a.At, b.At) }
	if !slices.IsSortedFunc(e.Samples, byTime) {
		slices.SortStableFunc(e.Samples, byTime)
	}
	if e.Kind == feed.LateData {
		e.Guard, e.GuardAt = "", 0
	}
	if e.Records, err = n.records(msg, readings); err == nil && e.Records.Journal != "" && e.Kind == feed.Data && e.Records.Epoch != n.epoch {
		err = errors.New("live readings of another Clock/Epoch than the birth's")
	}
	if err != nil {
		h.bad(m, err.Error())
		h.lose(n, m.at)
		return
	}
	h.o.Events.Samples(len(e.Samples), e.Kind == feed.LateData)
	if e.Records.Journal == "" && e.Kind == feed.Data {
		h.o.Events.Loose(n.agent, len(e.Samples))
	}
	h.event(n, d, e)
}

// event fills in who speaks and hands over.
func (h *host) event(n *node, d *device, e feed.Event) {
	e.Pot, e.Agent = d.pot.Name, n.agent
	e.Session, e.Epoch, e.Simulated, e.Digest = n.session, n.epoch, d.simulated, d.digest
	h.o.Sink.Event(e)
}

// rebirth asks for births, or remembers to.
func (h *host) rebirth(n *node, now time.Time) {
	if n.wantRebirth = !n.lastRebirth.IsZero() && now.Sub(n.lastRebirth) < rebirthEvery; n.wantRebirth {
		return
	}
	n.lastRebirth = now
	h.send(n.agent, now, []sparkplug.Metric{sparkplug.Bool(points.MetricRebirth, si.InstantOf(now), true)})
}

// echo asks an agent for its time.
func (h *host) echo(n *node, now time.Time) {
	nonce := h.nonce()
	n.lastEcho = now
	n.ask(nonce, now)
	h.send(n.agent, now, []sparkplug.Metric{n.controls.named(sparkplug.Uint(points.MetricEcho, si.InstantOf(now), nonce))})
}

func (h *host) bad(m message, why string) {
	h.o.Events.Bad(m.topic, why)
	h.quiet.say(m.at, "bad "+m.topic, "message refused", "topic", m.topic, "reason", why)
}
