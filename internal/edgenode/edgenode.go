// Package edgenode is a Sparkplug B edge node over MQTT 3.1.1: one connection after another, each with its own will,
// births in order, sequence numbers in the order of the wire, rebirths on request and a death before leaving.
//
// The owner publishes through it and gives the births when asked. Nothing is kept while there is no connection:
// publishing then says ErrOffline, and what was to be published is lost unless the owner keeps it.
package edgenode

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// ErrOffline says that nothing can be published now: no connection, or its births are not out yet.
var ErrOffline = errors.New("no session with the broker")

// ErrNotBorn says that data of a device came before its birth, or after its death.
var ErrNotBorn = errors.New("device is not born in this session")

// A DeviceBirth is what a device is born with. Metrics belong to the node once handed over.
type DeviceBirth struct {
	Device  string
	Metrics []sparkplug.Metric
}

// Events are told as they happen; nil funcs are not called. They must not block, nor publish.
type Events struct {
	Online  func()               // births are out
	Offline func(err error)      // a session or an attempt ended
	Command func(bad error)      // a command came; bad: it could not be read
	Sent    func(metrics, n int) // a message of n bytes was written
}

// Options of a node. Broker, Group, Node, ClientID, Now and Births are needed.
type Options struct {
	Broker         string // mqtt://host:port, mqtts:// for TLS; a missing port is 1883 or 8883
	User, Password string
	TLS            *tls.Config // for mqtts; nil: system roots
	ClientID       string
	Group, Node    string

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

	// Dial opens the connection; nil: TCP or TLS as Broker says.
	Dial func(ctx context.Context) (net.Conn, error)

	KeepAlive time.Duration // 0: 10 s. The broker gives the will out after 1.5 times that
	Timeout   time.Duration // 0: 5 s, for a connection, an acknowledgement, a write
}

// A Node is the session machine. Publishing is safe for concurrent use.
type Node struct {
	o     Options
	url   *url.URL
	bd    bdFile
	again chan struct{} // a rebirth is wanted

	mu   sync.Mutex // over seq and the hand-over to the client, so that numbers follow the wire
	link *link      // nil: offline
	seq  sparkplug.Counter
	born map[string]bool
}

// New checks the options.
func New(o Options) (*Node, error) {
	u, err := url.Parse(o.Broker)
	if err != nil || u.Host == "" || (u.Scheme != "mqtt" && u.Scheme != "mqtts") {
		return nil, fmt.Errorf("broker %q is not an address; write for example mqtt://127.0.0.1:1883", o.Broker)
	}
	if u.Port() == "" {
		port := "1883"
		if u.Scheme == "mqtts" {
			port = "8883"
		}
		u.Host = net.JoinHostPort(u.Hostname(), port)
	}
	for what, id := range map[string]string{"group": o.Group, "node": o.Node} {
		if err := sparkplug.CheckID(id); err != nil {
			return nil, fmt.Errorf("%s: %w", what, err)
		}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.KeepAlive == 0 {
		o.KeepAlive = 10 * time.Second
	}
	if o.Timeout == 0 {
		o.Timeout = 5 * time.Second
	}
	if u.User != nil {
		if o.User == "" {
			o.User = u.User.Username()
			o.Password, _ = u.User.Password()
		}
		u.User = nil // so that no log line shows a password
	}
	if o.Dial == nil {
		o.Dial = dialer(u, o.TLS)
	}
	return &Node{o: o, url: u, again: make(chan struct{}, 1)}, nil
}

func dialer(u *url.URL, tlsConfig *tls.Config) func(context.Context) (net.Conn, error) {
	return func(ctx context.Context) (net.Conn, error) {
		if u.Scheme == "mqtts" {
			return (&tls.Dialer{Config: tlsConfig}).DialContext(ctx, "tcp", u.Host)
		}
		return (&net.Dialer{}).DialContext(ctx, "tcp", u.Host)
	}
}

// PublishNode publishes NDATA at once. It takes ms over, and sorts them by time.
func (n *Node) PublishNode(ms []sparkplug.Metric) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.link == nil {
		return ErrOffline
	}
	return n.send(sparkplug.NodeData, "", ms)
}

// PublishDevice publishes DDATA at once. It takes ms over, and sorts them by time.
func (n *Node) PublishDevice(device string, ms []sparkplug.Metric) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.link == nil {
		return ErrOffline
	}
	if !n.born[device] {
		return fmt.Errorf("%s: %w", device, ErrNotBorn)
	}
	return n.send(sparkplug.DeviceData, device, ms)
}

// BirthDevice publishes DBIRTH: a device came back, or all its metrics are to be told anew. Devices that Births
// does not name cannot be born; the order of births would not hold.
func (n *Node) BirthDevice(device string, ms []sparkplug.Metric) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.link == nil {
		return ErrOffline
	}
	if _, known := n.born[device]; !known {
		return fmt.Errorf("%s: %w", device, ErrNotBorn)
	}
	if err := n.send(sparkplug.DeviceBirth, device, ms); err != nil {
		return err
	}
	n.born[device] = true
	return nil
}

// KillDevice publishes DDEATH, once: for a device that is not born it does nothing.
func (n *Node) KillDevice(device string) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.link == nil {
		return ErrOffline
	}
	if !n.born[device] {
		return nil
	}
	if err := n.send(sparkplug.DeviceDeath, device, nil); err != nil {
		return err
	}
	n.born[device] = false
	return nil
}

// Rebirth asks for new births of the node and all devices, soon. It does not wait; offline it does nothing, as
// births come first in a new session.
func (n *Node) Rebirth() {
	select {
	case n.again <- struct{}{}:
	default:
	}
}

// send encodes and writes one message; with mu held and a link. A message that is not written ends the link, so that
// no number is ever missing in a session.
func (n *Node) send(kind sparkplug.Kind, device string, ms []sparkplug.Metric) error {
	var b []byte
	var err error
	before := n.seq
	at := n.o.Now()
	switch kind {
	case sparkplug.NodeBirth:
		b, err = sparkplug.EncodeBirth(at, n.seq.Birth(), ms)
	case sparkplug.DeviceBirth:
		b, err = sparkplug.EncodeBirth(at, n.seq.Next(), ms)
	case sparkplug.DeviceDeath:
		b = sparkplug.EncodeDeviceDeath(at, n.seq.Next())
	default:
		b, err = sparkplug.EncodeData(at, n.seq.Next(), ms)
	}
	topic := sparkplug.Topic{Kind: kind, Group: n.o.Group, Node: n.o.Node, Device: device}.String()
	if err != nil {
		n.seq = before // nothing goes out under this number
		return fmt.Errorf("%s: %w", topic, err)
	}
	if err := n.link.publish(topic, 0, b); err != nil {
		n.link.drop(err)
		n.link = nil
		return fmt.Errorf("%s: %w: %w", topic, ErrOffline, err)
	}
	if n.o.Events.Sent != nil {
		n.o.Events.Sent(len(ms), len(b))
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
	now := n.o.Now()
	n.link = l
	all := append([]sparkplug.Metric{sparkplug.BdSeq(now, l.bdSeq), sparkplug.Bool(points.MetricRebirth, now, false)}, node...)
	n.born = make(map[string]bool, len(devices))
	if err := n.send(sparkplug.NodeBirth, "", all); err != nil {
		n.link = nil
		return err
	}
	for _, d := range devices {
		if err := n.send(sparkplug.DeviceBirth, d.Device, d.Metrics); err != nil {
			n.link = nil
			return err
		}
		n.born[d.Device] = true
	}
	return nil
}

// offline takes the link away from publishers.
func (n *Node) offline() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.link = nil
}
