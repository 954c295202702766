package session

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// ErrOffline says that nothing can be published now: no connection, or its births are not out yet.
var ErrOffline = errors.New("no session with the broker")

// ErrNotBorn says that data of a device came before its birth, or after its death.
var ErrNotBorn = errors.New("device is not born in this session")

// A DeviceBirth is what a device is born with.
type DeviceBirth struct {
	Device  string
	Metrics []sparkplug.Metric
}

// A Message is what is to be published; never retained.
type Message struct {
	Topic   string
	QoS     byte
	Payload []byte
	Metrics int // in the payload
}

// Options of a machine. Group and Node are needed.
type Options struct {
	Group, Node string

	// Primary is the id of the host without which nothing is to be said: births wait until it is online, and its death
	// ends the session. Empty: data flow whoever listens.
	Primary string

	// Asker is the id of a host that asks a question every few seconds while it is online. Where they stay away, the
	// broker may have lost the subscription. Empty: not watched.
	Asker string
}

// A Machine is one edge node through all its connections. It is not safe for concurrent use.
type Machine struct {
	o     Options
	state state
	bdSeq uint8
	seq   sparkplug.Counter

	names     map[metricKey]bornAs // of the last births
	aliases   map[metricKey]uint64 // of this connection: births again give the same
	nextAlias uint64
	commands  sparkplug.Aliases // of the node, by which commands may name its metrics
	devices   map[string]bool   // those that the births named; true: alive

	hosts map[string]*hostView
	watch watch
}

type state uint8

const (
	closed    state = iota
	connected       // no births yet
	born
)

type metricKey struct{ device, name string }

type bornAs struct {
	typ     sparkplug.Type
	alias   uint64
	aliased bool
}

// New checks the ids.
func New(o Options) (*Machine, error) {
	m := &Machine{o: o, hosts: map[string]*hostView{}}
	for _, c := range []struct {
		what, id string
		host     bool
	}{{"group", o.Group, false}, {"node", o.Node, false}, {"primary host", o.Primary, true}, {"host that asks", o.Asker, true}} {
		if c.host && c.id == "" {
			continue
		}
		if err := sparkplug.CheckID(c.id); err != nil {
			return nil, fmt.Errorf("%s: %w", c.what, err)
		}
		if c.host {
			m.hosts[c.id] = &hostView{}
		}
	}
	return m, nil
}

// Connect begins a connection whose will has the number bdSeq, and gives the will.
func (m *Machine) Connect(now si.Instant, bdSeq uint8) Message {
	m.state, m.bdSeq = connected, bdSeq
	m.devices = map[string]bool{}
	m.names, m.aliases = map[metricKey]bornAs{}, map[metricKey]uint64{}
	// Each connection counts from another place, so that a host that has missed the births of this one takes none of its
	// numbers for the name they stood for in the last.
	m.nextAlias = uint64(bdSeq)<<10 + 1
	return m.death(now)
}

// Subscriptions are the topics to listen to, at QoS 1, before the births. No metric of a device can be written, so there
// are none for devices.
func (m *Machine) Subscriptions() []string {
	topics := []string{m.topic(sparkplug.NodeCommand, "")}
	for _, id := range []string{m.o.Primary, m.o.Asker} {
		if t := (sparkplug.Topic{Kind: sparkplug.HostState, Host: id}).String(); id != "" && topics[len(topics)-1] != t {
			topics = append(topics, t)
		}
	}
	return topics
}

// Ready tells whether births may go out: connected, and the primary host, where there is one, online.
func (m *Machine) Ready() bool {
	return m.state != closed && (m.o.Primary == "" || m.hosts[m.o.Primary].online)
}

// Births are NBIRTH and every DBIRTH, to be published in this order with nothing between. It adds bdSeq and
// Node Control/Rebirth, and gives every other metric an alias, but for those that a host writes: a name is safer there.
// Metrics are taken over and sorted by time. After an error nothing was born, and the connection is of no use.
func (m *Machine) Births(now si.Instant, at time.Time, node []sparkplug.Metric, devices []DeviceBirth) ([]Message, error) {
	if !m.Ready() {
		return nil, ErrOffline
	}
	before := m.state
	m.state = connected
	var seq sparkplug.Counter
	clear(m.devices)
	clear(m.names)
	cases := map[string]string{}
	node = append([]sparkplug.Metric{sparkplug.BdSeq(now, m.bdSeq), sparkplug.Bool(points.MetricRebirth, now, false)}, node...)
	if err := m.learn("", node, cases); err != nil {
		return nil, err
	}
	b, err := sparkplug.EncodeBirth(now, seq.Birth(), node)
	if err != nil {
		return nil, fmt.Errorf("births of node %s: %w", m.o.Node, err)
	}
	if err := m.commands.Born(node); err != nil {
		return nil, fmt.Errorf("births of node %s: %w", m.o.Node, err)
	}
	out := make([]Message, 0, 1+len(devices))
	out = append(out, Message{m.topic(sparkplug.NodeBirth, ""), 0, b, len(node)})
	ids := map[string]string{}
	for _, d := range devices {
		if err := sparkplug.CheckID(d.Device); err != nil {
			return nil, fmt.Errorf("device: %w", err)
		}
		if other, ok := ids[strings.ToLower(d.Device)]; ok {
			return nil, fmt.Errorf("devices %q and %q of one node: ids must differ by more than case", other, d.Device)
		}
		ids[strings.ToLower(d.Device)] = d.Device
		if err := m.learn(d.Device, d.Metrics, cases); err != nil {
			return nil, err
		}
		b, err := sparkplug.EncodeBirth(now, seq.Next(), d.Metrics)
		if err != nil {
			return nil, fmt.Errorf("birth of device %s: %w", d.Device, err)
		}
		out = append(out, Message{m.topic(sparkplug.DeviceBirth, d.Device), 0, b, len(d.Metrics)})
		m.devices[d.Device] = true
	}
	m.state, m.seq = born, seq
	if before != born {
		m.watch.begin(at)
	}
	return out, nil
}

// learn notes the metrics of a birth, and gives them their aliases.
func (m *Machine) learn(device string, ms []sparkplug.Metric, cases map[string]string) error {
	seen := make(map[string]bool, len(ms))
	for i := range ms {
		x := &ms[i]
		if seen[x.Name] {
			return fmt.Errorf("metric %q stands twice in one birth", x.Name)
		}
		seen[x.Name] = true
		folded := strings.ToLower(x.Name)
		if other, ok := cases[folded]; ok && other != x.Name {
			return fmt.Errorf("metrics %q and %q of one node: names must differ by more than case", other, x.Name)
		}
		cases[folded] = x.Name
		key := metricKey{device, x.Name}
		k := bornAs{typ: x.Type, aliased: numbered(x.Name)}
		if k.aliased {
			var known bool
			if k.alias, known = m.aliases[key]; !known {
				k.alias = m.nextAlias
				m.aliases[key] = k.alias
				m.nextAlias++
			}
		}
		m.names[key] = k
		x.Alias, x.Aliased = k.alias, k.aliased
	}
	return nil
}

// numbered tells whether a metric gets an alias: bdSeq does not, as the will names it, nor does what hosts write.
func numbered(name string) bool {
	return name != points.MetricBdSeq && !strings.HasPrefix(name, "Node Control/")
}

// Data is an NDATA, or a DDATA where a device is named. Metrics are taken over and sorted by time; each must have been born,
// with the type it has now. Historical ones go by name: they may outlive the births whose aliases they would speak of. Each call
// has its number used: what it gives must be published.
func (m *Machine) Data(now si.Instant, device string, ms []sparkplug.Metric) (Message, error) {
	kind := sparkplug.NodeData
	if m.state != born {
		return Message{}, ErrOffline
	}
	if device != "" {
		kind = sparkplug.DeviceData
		if !m.devices[device] {
			return Message{}, fmt.Errorf("%s: %w", device, ErrNotBorn)
		}
	}
	topic := m.topic(kind, device)
	for i := range ms {
		x := &ms[i]
		k, ok := m.names[metricKey{device, x.Name}]
		switch {
		case !ok:
			return Message{}, fmt.Errorf("%s: metric %q is not among those it was born with", topic, x.Name)
		case !x.Null && !k.typ.Holds(x.Value):
			return Message{}, fmt.Errorf("%s: metric %q was born with data type %d, and this value has another", topic, x.Name, k.typ)
		}
		x.Alias, x.Aliased = k.alias, k.aliased && !x.Historical
	}
	seq := m.seq
	b, err := sparkplug.EncodeData(now, seq.Next(), ms)
	if err != nil {
		return Message{}, fmt.Errorf("%s: %w", topic, err)
	}
	m.seq = seq
	return Message{topic, 0, b, len(ms)}, nil
}

// DeviceBirth is a DBIRTH alone: a device came back, or all its metrics are to be told anew. Devices that the births did
// not name cannot be born, nor metrics that were not theirs; the order of births would not hold.
func (m *Machine) DeviceBirth(now si.Instant, device string, ms []sparkplug.Metric) (Message, error) {
	if m.state != born {
		return Message{}, ErrOffline
	}
	topic := m.topic(sparkplug.DeviceBirth, device)
	if _, known := m.devices[device]; !known {
		return Message{}, fmt.Errorf("%s: %w", device, ErrNotBorn)
	}
	for i := range ms {
		k, ok := m.names[metricKey{device, ms[i].Name}]
		if !ok || k.typ != ms[i].Type {
			return Message{}, fmt.Errorf("%s: metric %q was not born so with the node; ask for a rebirth", topic, ms[i].Name)
		}
		ms[i].Alias, ms[i].Aliased = k.alias, k.aliased
	}
	seq := m.seq
	b, err := sparkplug.EncodeBirth(now, seq.Next(), ms)
	if err != nil {
		return Message{}, fmt.Errorf("%s: %w", topic, err)
	}
	m.seq, m.devices[device] = seq, true
	return Message{topic, 0, b, len(ms)}, nil
}

// DeviceDeath is a DDEATH, once; false for a device that is not born.
func (m *Machine) DeviceDeath(now si.Instant, device string) (Message, bool, error) {
	if m.state != born {
		return Message{}, false, ErrOffline
	}
	if !m.devices[device] {
		return Message{}, false, nil
	}
	m.devices[device] = false
	return Message{m.topic(sparkplug.DeviceDeath, device), 0, sparkplug.EncodeDeviceDeath(now, m.seq.Next()), 0}, true, nil
}

// Death is the NDEATH to say before leaving; nothing can be published after it. It says the same as the will, at the same
// QoS.
func (m *Machine) Death(now si.Instant) Message {
	m.state = closed
	return m.death(now)
}

func (m *Machine) death(now si.Instant) Message {
	return Message{m.topic(sparkplug.NodeDeath, ""), 1, sparkplug.EncodeNodeDeath(now, m.bdSeq), 1}
}

// Over ends the connection: nothing can be published until there is another, and its births are out.
func (m *Machine) Over() { m.state = closed }

func (m *Machine) topic(k sparkplug.Kind, device string) string {
	return sparkplug.Topic{Kind: k, Group: m.o.Group, Node: m.o.Node, Device: device}.String()
}
