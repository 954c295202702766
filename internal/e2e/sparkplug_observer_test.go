package e2e_test

import (
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/protocol/sparkplug/sparkplugtest"
)

// outsider listens to everything on a broker and judges it by the rules of Sparkplug alone. It breaks none of the programs' secrets:
// what it knows it was told.
type outsider struct {
	t    testing.TB
	addr string
	pots []string

	mu     sync.Mutex
	client mqtt.Client
	wrong  []string
	names  sparkplugtest.Names
	node   heardNode
	host   heardHost
	read   map[string]sparkplug.Message // of the agent, as it travelled, by readKey
}

// readKey is the same for everybody who hears a message: two of a topic never have both.
func readKey(topic string, ms int64, seq uint8) string { return fmt.Sprint(topic, ms, seq) }

// heardNode is what was heard of the agent.
type heardNode struct {
	born    bool // since this listener's own connection began
	seq     uint8
	bdSeq   int // of the last NBIRTH; -1: none
	due     int // pots whose DBIRTH is due, from the birth on
	alive   map[string]bool
	births  int
	deaths  int
	data    int
	times   []uint8 // bdSeq of each NBIRTH
	devices int     // DDEATHs
}

type heardHost struct {
	words []sparkplug.State
}

func listenTo(t testing.TB, addr string, pots ...string) *outsider {
	o := &outsider{t: t, addr: addr, pots: pots, node: heardNode{bdSeq: -1, alive: map[string]bool{}}, read: map[string]sparkplug.Message{}}
	o.connect()
	t.Cleanup(func() { o.client.Disconnect(50) })
	return o
}

// connect comes as soon as the broker listens, before others do.
func (o *outsider) connect() {
	o.t.Helper()
	o.mu.Lock()
	o.node.born = false // what was said meanwhile is not known
	clear(o.node.alive)
	o.mu.Unlock()
	eventually(o.t, soon, "the observer is connected", func() bool {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + o.addr).SetClientID("observer").SetProtocolVersion(4).SetAutoReconnect(false))
		if token := c.Connect(); !token.WaitTimeout(time.Second) || token.Error() != nil {
			return false
		}
		o.client = c
		token := c.Subscribe("spBv1.0/#", 2, func(_ mqtt.Client, m mqtt.Message) { o.hear(m) })
		return token.WaitTimeout(soon) && token.Error() == nil
	})
}

func (o *outsider) blame(format string, args ...any) {
	o.wrong = append(o.wrong, fmt.Sprintf(format, args...))
}

func (o *outsider) hear(m mqtt.Message) {
	o.mu.Lock()
	defer o.mu.Unlock()
	topic, err := sparkplug.ParseTopic(m.Topic())
	if err != nil {
		o.blame("%v", err)
		return
	}
	if topic.Kind == sparkplug.HostState {
		s, err := sparkplug.DecodeState(m.Payload())
		if err != nil || m.Qos() != 1 || topic.Host != "gritwatch" {
			o.blame("STATE %s at QoS %d of %s: %v", m.Payload(), m.Qos(), topic.Host, err)
		}
		o.host.words = append(o.host.words, s)
		return
	}
	msg, err := sparkplug.Decode(m.Payload())
	if err != nil || m.Retained() || topic.Group != "harrow-quay" || topic.Node != "quay-1" {
		o.blame("%s: retained %v, %v", topic, m.Retained(), err)
		return
	}
	if topic.Kind == sparkplug.NodeCommand {
		if msg.HasSeq || m.Qos() != 0 || msg.At == 0 {
			o.blame("NCMD at QoS %d: %+v", m.Qos(), msg)
		}
		return
	}
	as := msg
	as.Metrics = slices.Clone(msg.Metrics)
	o.read[readKey(m.Topic(), int64(msg.At)/1000, msg.Seq)] = as
	o.judge(topic, msg, m.Qos())
}

func (o *outsider) judge(topic sparkplug.Topic, msg sparkplug.Message, qos byte) {
	n := &o.node
	if topic.Kind == sparkplug.NodeDeath {
		n.deaths++
		bd, ok := msg.BdSeq()
		if !ok || msg.HasSeq || qos != 1 || len(msg.Metrics) != 1 || msg.Metrics[0].Type != sparkplug.Int64 || n.born && int(bd) != n.bdSeq {
			o.blame("NDEATH at QoS %d after the birth of %d: %+v", qos, n.bdSeq, msg)
		}
		n.born = false
		return
	}
	if qos != 0 || !msg.HasSeq || msg.At == 0 {
		o.blame("%s: QoS %d, seq %v, time %v", topic, qos, msg.HasSeq, msg.At)
	}
	if topic.Kind == sparkplug.NodeBirth {
		n.seq, n.born, n.due = 255, true, len(o.pots)
		clear(n.alive)
		n.births++
		bd, ok := msg.BdSeq()
		if r := msg.Find(points.MetricRebirth); !ok || r == nil || r.Type != sparkplug.Boolean || r.Aliased {
			o.blame("NBIRTH %+v", msg)
		}
		n.bdSeq = int(bd)
		n.times = append(n.times, bd)
	}
	if !n.born {
		return // begun before this listener came; its numbers are not known
	}
	if n.seq++; msg.Seq != n.seq {
		o.blame("%s: seq %d, due was %d", topic, msg.Seq, n.seq)
		n.seq = msg.Seq
	}
	if err := o.names.Take(topic, msg); err != nil {
		o.blame("%v", err)
	}
	switch topic.Kind {
	case sparkplug.DeviceBirth:
		n.alive[topic.Device] = true
		if n.due > 0 {
			if want := o.pots[len(o.pots)-n.due]; want != topic.Device {
				o.blame("DBIRTH of %s, due was %s", topic.Device, want)
			}
			n.due--
		}
	case sparkplug.DeviceDeath:
		n.devices++
		n.alive[topic.Device] = false
	case sparkplug.NodeData, sparkplug.DeviceData:
		n.data++
		if n.due > 0 || topic.Device != "" && !n.alive[topic.Device] {
			o.blame("%s before its birth, %d births due", topic, n.due)
		}
	}
	birth := topic.Kind == sparkplug.NodeBirth || topic.Kind == sparkplug.DeviceBirth
	for i, x := range msg.Metrics {
		switch {
		case x.At == 0 || x.At > msg.At.Add(time.Second):
			o.blame("%s: %s of %v in a message of %v", topic, x.Name, x.At, msg.At)
		case birth && (x.Name == "" || x.Type == sparkplug.Unknown || x.Value.IsNone() != x.Null):
			o.blame("%s: born with %+v", topic, x)
		case i > 0 && (x.At < msg.Metrics[i-1].At || x.Historical != msg.Metrics[0].Historical):
			o.blame("%s: %+v after %+v", topic, x, msg.Metrics[i-1])
		}
	}
}

// until waits for something to be heard.
func (o *outsider) until(what string, ok func(n *heardNode, h *heardHost) bool) {
	o.t.Helper()
	eventually(o.t, 3*soon, what, func() bool {
		o.mu.Lock()
		defer o.mu.Unlock()
		return ok(&o.node, &o.host)
	})
}

// flowing waits for ten messages of data, of the births just heard.
func (o *outsider) flowing(bdSeq int) {
	o.t.Helper()
	from := 0
	o.until(fmt.Sprintf("births of %d, all of them", bdSeq), func(n *heardNode, _ *heardHost) bool {
		from = n.data
		return n.born && n.bdSeq == bdSeq && n.due == 0
	})
	o.until("data", func(n *heardNode, _ *heardHost) bool { return n.born && n.data >= from+10 })
}

func (o *outsider) births() int { o.mu.Lock(); defer o.mu.Unlock(); return o.node.births }
func (o *outsider) deaths() int { o.mu.Lock(); defer o.mu.Unlock(); return o.node.deaths }

// kept are the topics of which the broker keeps a message.
func kept(t testing.TB, addr string) (out []string) {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("latecomer").SetProtocolVersion(4).SetAutoReconnect(false))
	if token := c.Connect(); !token.WaitTimeout(soon) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	defer c.Disconnect(50)
	var mu sync.Mutex
	ended := make(chan struct{})
	token := c.Subscribe("#", 1, func(_ mqtt.Client, m mqtt.Message) {
		mu.Lock()
		defer mu.Unlock()
		if m.Retained() {
			out = append(out, m.Topic())
		}
		if m.Topic() == "end" {
			close(ended)
		}
	})
	if !token.WaitTimeout(soon) || token.Error() != nil {
		t.Fatal(token.Error())
	}
	c.Publish("end", 1, false, "") // comes behind what is kept
	select {
	case <-ended:
	case <-time.After(soon):
		t.Fatal("the broker does not hand out")
	}
	mu.Lock()
	defer mu.Unlock()
	return out
}

// TestObserver: somebody who only listens judges what agent and server say on a broker that is not ours, while the agent is
// killed, stopped and asked for its births, the server is stopped, and the broker is killed.
func TestObserver(t *testing.T) {
	t.Parallel()
	pots := []pot{{name: "birch"}, {name: "alder"}}
	s := newSite(t)
	host, port, _ := strings.Cut(s.mqtt, ":")
	s.write("mosquitto.conf", "listener "+port+" "+host+"\nallow_anonymous true\nlog_type all\nlog_dest stderr\n")
	startBroker := func() *program {
		p := s.command("/usr/sbin/mosquitto", "-c", "mosquitto.conf")
		p.says("running", soon)
		return p
	}
	broker := startBroker()
	o := listenTo(t, s.mqtt, "birch", "alder")
	listener := s.peer("listen.mjs")
	listener.says("listening", soon)

	s.write("sim.yaml", simConfig(pots, "line"))
	s.write("site.yaml", strings.Replace(siteConfig(pots), `{embedded: "$MQTT"}`, `{url: "mqtt://$MQTT"}`, 1))
	s.write("agent.yaml", agentConfig("quay-1", s.mqtt, "line", pots))
	sim := s.start("gritwatch-sim", "run", "--config", "sim.yaml")
	sim.says("lines ready", soon)
	startServer := func() *program {
		p := s.start("gritwatch-server", "run", "--config", "site.yaml")
		p.says("linked to the broker", soon)
		return p
	}
	startAgent := func() *program { return s.start("gritwatch-agent", "run", "--config", "agent.yaml") }
	server := startServer()
	o.until("the server online", func(_ *heardNode, h *heardHost) bool { return len(h.words) > 0 && h.words[len(h.words)-1].Online })
	agent := startAgent()
	o.flowing(0)

	// Births on request: the same connection, the same bdSeq, no death.
	births, deaths := o.births(), o.deaths()
	payload, err := sparkplug.EncodeCommand(si.InstantOf(time.Now()), []sparkplug.Metric{sparkplug.Bool(points.MetricRebirth, si.InstantOf(time.Now()), true)})
	if err != nil {
		t.Fatal(err)
	}
	o.client.Publish("spBv1.0/harrow-quay/NCMD/quay-1", 0, false, payload)
	o.until("births on request", func(n *heardNode, _ *heardHost) bool { return n.births == births+1 })
	o.flowing(0)
	if n := o.deaths(); n != deaths {
		t.Errorf("%d deaths at a rebirth", n-deaths)
	}

	// Killed: the broker says the death. The next life has the next number, though the last ended without a word.
	agent.kill()
	o.until("the agent's will", func(n *heardNode, _ *heardHost) bool { return n.deaths == deaths+1 })
	agent = startAgent()
	o.flowing(1)

	// Stopped: it says its death itself, once.
	agent.stop()
	o.until("the agent's own death", func(n *heardNode, _ *heardHost) bool { return n.deaths == deaths+2 })
	agent = startAgent()
	o.flowing(2)
	if n := o.deaths(); n != deaths+2 {
		t.Errorf("%d deaths of one stop", n-deaths-1)
	}

	// The server stops and comes back; readings flow on without it. It says so, in times that only grow.
	data := o.node.dataNow(o)
	server.stop()
	o.until("the server offline", func(_ *heardNode, h *heardHost) bool { return !h.words[len(h.words)-1].Online })
	o.until("data without a server", func(n *heardNode, _ *heardHost) bool { return n.data >= data+10 })
	server = startServer()
	o.until("the server online again", func(_ *heardNode, h *heardHost) bool { return h.words[len(h.words)-1].Online })
	server.kill() // and now by its will
	o.until("the server's will", func(_ *heardNode, h *heardHost) bool { return !h.words[len(h.words)-1].Online })
	server = startServer()
	o.until("the server online once more", func(_ *heardNode, h *heardHost) bool { return h.words[len(h.words)-1].Online })
	o.flowing(2)

	// The broker dies, with all it kept: nothing but the server's STATE is there again, and the agent comes with the next number.
	broker.kill()
	o.client.Disconnect(0)
	log := broker.out.String()
	broker = startBroker()
	o.connect()
	o.flowing(3)
	o.until("the server online on the new broker", func(_ *heardNode, h *heardHost) bool { return h.words[len(h.words)-1].Online })
	if got := strings.Join(kept(t, s.mqtt), " "); got != "spBv1.0/STATE/gritwatch" {
		t.Errorf("the broker keeps %s", got)
	}
	agent.stop()
	server.stop()
	o.until("the last words", func(n *heardNode, h *heardHost) bool { return !n.born && !h.words[len(h.words)-1].Online })
	connections(t, log+broker.out.String())
	published(t, log+broker.out.String())

	o.mu.Lock()
	defer o.mu.Unlock()
	o.peerAgrees(listener)
	for _, w := range o.wrong[:min(20, len(o.wrong))] {
		t.Error(w)
	}
	if len(o.wrong) > 20 {
		t.Errorf("and %d more", len(o.wrong)-20)
	}
	for i, w := range o.host.words {
		if i == 0 {
			continue
		}
		// A STATE is never older than the one before; a new connection's is newer, its own will's is the same.
		before := o.host.words[i-1]
		if w.At < before.At || w.Online && !before.Online && w.At == before.At {
			t.Errorf("STATE %+v after %+v", w, before)
		}
	}
	text, err := os.ReadFile(s.dir + "/journal-quay-1-line/bdseq")
	if err != nil || strings.TrimSpace(string(text)) != "3" {
		t.Errorf("bdseq holds %q, %v", text, err)
	}
}

// peerAgrees holds what an independent implementation read against what was read here; with mu held.
func (o *outsider) peerAgrees(listener *peer) {
	o.t.Helper()
	kinds := map[sparkplug.Kind]int{}
	for line := range strings.Lines(listener.out.String()) {
		var r readByPeer
		if !strings.HasPrefix(line, "{") || json.Unmarshal([]byte(line), &r) != nil {
			continue
		}
		topic, err := sparkplug.ParseTopic(r.Topic)
		if err != nil {
			o.t.Fatal(err)
		}
		seq := uint8(0)
		if r.Seq != nil {
			seq = *r.Seq
		}
		m, ok := o.read[readKey(r.Topic, r.Time, seq)]
		if !ok {
			continue // a command, or what was said before the observer knew of it
		}
		kinds[topic.Kind]++
		if err := r.agrees(topic, m); err != nil {
			o.blame("%v", err)
		}
	}
	for _, k := range []sparkplug.Kind{sparkplug.NodeBirth, sparkplug.DeviceBirth, sparkplug.NodeData, sparkplug.DeviceData, sparkplug.NodeDeath} {
		if kinds[k] == 0 {
			o.t.Errorf("the peer read no %s", k)
		}
	}
}

// TestPrimaryHost: an agent that is told to wait for the server says nothing without it, and goes when it goes.
func TestPrimaryHost(t *testing.T) {
	t.Parallel()
	pots := []pot{{name: "alder"}}
	s := newSite(t)
	host, port, _ := strings.Cut(s.mqtt, ":")
	s.write("mosquitto.conf", "listener "+port+" "+host+"\nallow_anonymous true\nlog_type all\nlog_dest stderr\n")
	broker := s.command("/usr/sbin/mosquitto", "-c", "mosquitto.conf")
	broker.says("running", soon)
	o := listenTo(t, s.mqtt, "alder")
	s.write("sim.yaml", simConfig(pots, "line"))
	s.write("site.yaml", strings.Replace(siteConfig(pots), `{embedded: "$MQTT"}`, `{url: "mqtt://$MQTT"}`, 1))
	s.write("agent.yaml", agentConfig("quay-1", s.mqtt, "line", pots)+"primary_host: gritwatch\n")
	s.start("gritwatch-sim", "run", "--config", "sim.yaml").says("lines ready", soon)
	agent := s.start("gritwatch-agent", "run", "--config", "agent.yaml")
	births := 0
	for i := range 2 {
		eventually(t, soon, "the agent waits for the server", func() bool {
			return strings.Count(agent.out.String(), "waiting for the primary host") == i+1
		})
		if n := o.births(); n != births {
			t.Fatalf("%d births before the server came", n-births)
		}
		server := s.start("gritwatch-server", "run", "--config", "site.yaml")
		o.flowing(i)
		if i == 0 {
			server.kill() // the server's will is heard first, then the agent's death
		} else {
			server.stop()
		}
		o.until("the agent's death with the server", func(n *heardNode, h *heardHost) bool {
			return n.deaths == i+1 && !n.born && !h.words[len(h.words)-1].Online
		})
		births = o.births()
	}
	agent.stop()
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, w := range o.wrong[:min(20, len(o.wrong))] {
		t.Error(w)
	}
}

// dataNow is how many messages of data were heard.
func (n *heardNode) dataNow(o *outsider) int { o.mu.Lock(); defer o.mu.Unlock(); return n.data }

// connections holds the broker's own log against the rules of CONNECT and SUBSCRIBE.
func connections(t *testing.T, log string) {
	t.Helper()
	const agent, server = "gritwatch-agent-harrow-quay-quay-1", "gritwatch-server-harrow-quay"
	for client, c := range map[string]struct {
		connects int
		will     string // flags and topic
		topics   []string
	}{
		agent:  {4, "r0, q1 spBv1.0/harrow-quay/NDEATH/quay-1", []string{"spBv1.0/harrow-quay/NCMD/quay-1"}},
		server: {4, "r1, q1 spBv1.0/STATE/gritwatch", []string{"spBv1.0/STATE/gritwatch", "spBv1.0/harrow-quay/NBIRTH/+", "spBv1.0/harrow-quay/DDATA/+/+"}},
	} {
		// p2: MQTT 3.1.1; c1: a clean session.
		connect := regexp.MustCompile(`New client connected from \S+ as ` + client + ` \(p2, c1, k\d+\)\.\n\S+ Will message specified \(\d+ bytes\) \((.*)\)\.\n\S+ \t(\S+)\n`)
		found := connect.FindAllStringSubmatch(log, -1)
		any := regexp.MustCompile(`New client connected from \S+ as ` + client + ` `)
		if n := len(any.FindAllString(log, -1)); len(found) != c.connects || n != c.connects {
			t.Errorf("%s: %d connections of %d are clean ones of MQTT 3.1.1 with a will, want %d", client, len(found), n, c.connects)
		}
		for _, f := range found {
			if got := f[1] + " " + f[2]; got != c.will {
				t.Errorf("%s: its will is %s, want %s", client, got, c.will)
			}
		}
		for _, topic := range c.topics {
			if n := strings.Count(log, client+" 1 "+topic+"\n"); n != c.connects {
				t.Errorf("%s: subscribed %d times to %s at QoS 1, want %d", client, n, topic, c.connects)
			}
		}
	}
}

// published holds what the broker's log says of every message that came: who subscribed first, what was said first on each
// connection, and the flags of each.
func published(t *testing.T, log string) {
	t.Helper()
	const agent, server = "gritwatch-agent-harrow-quay-quay-1", "gritwatch-server-harrow-quay"
	connected := regexp.MustCompile(`New client connected from \S+ as (\S+) `)
	subscribed := regexp.MustCompile(`Received SUBSCRIBE from (\S+)$`)
	publish := regexp.MustCompile(`Received PUBLISH from (\S+) \(d(\d), q(\d), r(\d), m\d+, '([^']+)'`)
	first := map[string]string{agent: "NBIRTH", server: "STATE"}
	flags := map[string]string{"NDEATH": "0 1 0", "STATE": "0 1 1"} // duplicate, QoS, retain; all others are 0
	type connection struct{ subscribed, spoke bool }
	now := map[string]*connection{}
	seen := map[string]int{}
	for line := range strings.Lines(log) {
		line = strings.TrimSpace(line)
		if m := connected.FindStringSubmatch(line); m != nil {
			now[m[1]] = &connection{}
		}
		if m := subscribed.FindStringSubmatch(line); m != nil && now[m[1]] != nil {
			now[m[1]].subscribed = true
		}
		m := publish.FindStringSubmatch(line)
		if m == nil || first[m[1]] == "" {
			continue
		}
		topic, err := sparkplug.ParseTopic(m[5])
		c := now[m[1]]
		if err != nil || c == nil {
			t.Errorf("%s: %v", line, err)
			continue
		}
		kind := string(topic.Kind)
		seen[kind]++
		want := flags[kind]
		if want == "" {
			want = "0 0 0"
		}
		if got := m[2] + " " + m[3] + " " + m[4]; got != want {
			t.Errorf("%s: flags %s, want %s", line, got, want)
		}
		if !c.spoke && (kind != first[m[1]] || !c.subscribed) {
			t.Errorf("%s: the first words of a connection, subscribed before: %v", line, c.subscribed)
		}
		c.spoke = true
	}
	for _, kind := range []string{"NBIRTH", "DBIRTH", "NDATA", "DDATA", "NDEATH", "NCMD", "STATE"} {
		if seen[kind] == 0 {
			t.Errorf("the broker's log has no %s", kind)
		}
	}
}
