// Package edgenode is a Sparkplug B edge node over MQTT 3.1.1: one connection after another, each with its own will,
// births in order, sequence numbers in the order of the wire, rebirths on request and a death before leaving.
//
// The rules are kept by package session, whose documentation says how; here are the connection, the clock and the number
// on disk.
//
// The owner publishes through it and gives the births when asked. Nothing is kept while there is no connection:
// publishing then says ErrOffline, and what was to be published is lost unless the owner keeps it. Waiting tells an owner
// who has much to say, some of it in a hurry, how much of what was said is still on its way.
package edgenode

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/edgenode/session"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// ErrOffline says that nothing can be published now: no connection, or its births are not out yet.
var ErrOffline = session.ErrOffline

// ErrNotBorn says that data of a device came before its birth, or after its death.
var ErrNotBorn = session.ErrNotBorn

// A DeviceBirth is what a device is born with. Metrics belong to the node once handed over.
type DeviceBirth = session.DeviceBirth

// Events are told as they happen; nil funcs are not called. They must not block, nor publish.
type Events struct {
	Online  func()               // births are out
	Offline func(err error)      // a session or an attempt ended
	Command func(bad error)      // a command came; bad: it could not be read
	Sent    func(metrics, n int) // a message of n bytes was written
}

// Options of a node. Link or Broker, Group, Node, ClientID, Now and Births are needed.
type Options struct {
	Link        *brokerlink.Link // the way to the broker
	Broker      string           // in place of Link: mqtt://host:port, mqtts:// for TLS, user:password@ before the host
	ClientID    string
	Group, Node string

	// Primary is the id of a host without which nothing is published: births wait until its STATE says online, and its
	// death ends the session. Empty: data flow whoever listens.
	Primary string

	// Asker is the id of a host that sends a command every few seconds while its STATE says online. If none comes for
	// 30 s the node subscribes again, then connects anew. Empty: not watched.
	Asker string

	// Dir holds bdseq, the last number used for a will, so that a restart does not use it again. Empty: not kept.
	Dir string

	Now func() si.Instant // stamps of payloads

	// Births gives the current values, at every birth of the node; bdSeq and Node Control/Rebirth are added by the
	// node. It is called while publishing waits, so it must not publish, nor wait for who does.
	Births func() (node []sparkplug.Metric, devices []DeviceBirth)

	// Command takes commands to the node; those for a rebirth are done already. It may publish. nil: ignored.
	Command func(sparkplug.Message)

	Log    *slog.Logger // nil: silent
	Events Events

	// Dial opens the connection; nil: as Link does.
	Dial func(ctx context.Context) (net.Conn, error)

	KeepAlive time.Duration // 0: 10 s. The broker gives the will out after 1.5 times that
	Timeout   time.Duration // 0: 5 s, for a connection, an acknowledgement, a write
}

// A Node is an edge node on its broker. Publishing is safe for concurrent use.
type Node struct {
	o     Options
	bd    bdFile
	again chan struct{} // a rebirth is wanted

	mu      sync.Mutex // over the machine and the hand-over to the client, so that numbers follow the wire
	machine *session.Machine
	link    *link // nil: offline
}

// New checks the options.
func New(o Options) (*Node, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Link == nil {
		settings, err := settingsOf(o.Broker)
		if err != nil {
			return nil, err
		}
		o.Link = brokerlink.New(settings, o.Log)
	}
	machine, err := session.New(session.Options{Group: o.Group, Node: o.Node, Primary: o.Primary, Asker: o.Asker})
	if err != nil {
		return nil, err
	}
	if o.KeepAlive == 0 {
		o.KeepAlive = 10 * time.Second
	}
	if o.Timeout == 0 {
		o.Timeout = 5 * time.Second
	}
	if o.Dial == nil {
		o.Dial = o.Link.Dial
	}
	return &Node{o: o, again: make(chan struct{}, 1), machine: machine}, nil
}

// settingsOf reads an address that may hold a log-in.
func settingsOf(broker string) (s brokerlink.Settings, err error) {
	if u, e := url.Parse(broker); e == nil && u.User != nil {
		s.User = u.User.Username()
		s.Password, _ = u.User.Password()
		u.User = nil // so that no log line shows a password
		broker = u.String()
	}
	if s.URL, err = brokerlink.ParseURL(broker); err != nil {
		return s, fmt.Errorf("broker: %w", err)
	}
	return s, nil
}

// PublishNode publishes NDATA at once. It takes ms over, and sorts them by time.
func (n *Node) PublishNode(ms []sparkplug.Metric) error { return n.PublishDevice("", ms) }

// PublishDevice publishes DDATA at once. It takes ms over, and sorts them by time. Every metric must be one that the device
// was born with.
func (n *Node) PublishDevice(device string, ms []sparkplug.Metric) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	m, err := n.machine.Data(n.o.Now(), device, ms)
	if err != nil {
		return err
	}
	return n.send(m)
}

// BirthDevice publishes DBIRTH: a device came back, or all its metrics are to be told anew. Devices that Births
// does not name cannot be born; the order of births would not hold.
func (n *Node) BirthDevice(device string, ms []sparkplug.Metric) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	m, err := n.machine.DeviceBirth(n.o.Now(), device, ms)
	if err != nil {
		return err
	}
	return n.send(m)
}

// KillDevice publishes DDEATH, once: for a device that is not born it does nothing.
func (n *Node) KillDevice(device string) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	m, due, err := n.machine.DeviceDeath(n.o.Now(), device)
	if err != nil || !due {
		return err
	}
	return n.send(m)
}

// Waiting is how many bytes of the connection the other end has not confirmed yet; 0 where there is none, or it cannot be told.
// What is published now comes behind them.
func (n *Node) Waiting() int {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.link == nil {
		return 0
	}
	return unconfirmed(n.link.conn)
}

// Rebirth asks for new births of the node and all devices, soon. It does not wait; offline it does nothing, as
// births come first in a new session.
func (n *Node) Rebirth() {
	select {
	case n.again <- struct{}{}:
	default:
	}
}

// send writes one message; with mu held and a link. A message that is not written ends the link, so that no number is
// ever missing in a session.
func (n *Node) send(m session.Message) error {
	if err := n.link.publish(m); err != nil {
		n.link.drop(err)
		n.link = nil
		n.machine.Over()
		return fmt.Errorf("%s: %w: %w", m.Topic, ErrOffline, err)
	}
	if n.o.Events.Sent != nil {
		n.o.Events.Sent(m.Metrics, len(m.Payload))
	}
	return nil
}

// births publishes NBIRTH and every DBIRTH; publishing by others waits meanwhile.
func (n *Node) births(l *link) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	select {
	case <-l.down:
		return l.cause()
	default:
	}
	node, devices := n.o.Births()
	messages, err := n.machine.Births(n.o.Now(), time.Now(), node, devices)
	if err != nil {
		return err
	}
	n.link = l
	for _, m := range messages {
		if err := n.send(m); err != nil {
			return err
		}
	}
	return nil
}

// offline takes the link away from publishers.
func (n *Node) offline() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.link = nil
	n.machine.Over()
}
