package edgenode_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"gritwatch/protocol/sparkplug"
	"gritwatch/protocol/sparkplug/sparkplugtest"
)

// A broker is a real one, reached through pipes, so that it lives in the fake time of a synctest bubble.
type broker struct {
	t      *testing.T
	users  *userHook
	server *mochi.Server
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
	down   atomic.Bool // refuses connections

	mu    sync.Mutex
	ends  []net.Conn // our ends, of the node under test
	dials int
}

// userHook lets in a user with a password; everybody where both are empty. It keeps what a broker sees of connections.
type userHook struct {
	mochi.HookBase
	user, password string

	mu       sync.Mutex
	connects []packets.Packet // of the node under test
	wills    int              // given out

	forbidden string // topic that nobody may read
}

func (h *userHook) ID() string { return "user" }
func (h *userHook) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck || b == mochi.OnConnect || b == mochi.OnWillSent
}
func (h *userHook) OnConnect(_ *mochi.Client, pk packets.Packet) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if pk.Connect.ClientIdentifier != "observer" {
		h.connects = append(h.connects, pk)
	}
	return nil
}
func (h *userHook) OnWillSent(*mochi.Client, packets.Packet) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.wills++
}
func (h *userHook) connections() int { h.mu.Lock(); defer h.mu.Unlock(); return len(h.connects) }
func (h *userHook) willsSent() int   { h.mu.Lock(); defer h.mu.Unlock(); return h.wills }
func (h *userHook) OnConnectAuthenticate(_ *mochi.Client, pk packets.Packet) bool {
	return h.user == "" || string(pk.Connect.Username) == h.user && string(pk.Connect.Password) == h.password
}
func (h *userHook) OnACLCheck(_ *mochi.Client, topic string, write bool) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return write || topic != h.forbidden
}

func newBroker(t *testing.T, users *userHook) *broker {
	b := &broker{t: t, users: users, conns: make(chan net.Conn), closed: make(chan struct{})}
	b.server = mochi.New(&mochi.Options{Logger: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err := errors.Join(b.server.AddHook(users, nil), b.server.AddListener(listeners.NewNet("pipe", b)), b.server.Serve()); err != nil {
		t.Fatal(err)
	}
	return b
}

func (b *broker) Accept() (net.Conn, error) {
	select {
	case c := <-b.conns:
		return c, nil
	case <-b.closed:
		return nil, net.ErrClosed
	}
}

func (b *broker) Close() error   { b.once.Do(func() { close(b.closed) }); return nil }
func (b *broker) Addr() net.Addr { return pipeAddr{} }

type pipeAddr struct{}

func (pipeAddr) Network() string { return "pipe" }
func (pipeAddr) String() string  { return "pipe" }

func (b *broker) connect(ctx context.Context) (net.Conn, error) {
	if b.down.Load() {
		return nil, &net.OpError{Op: "dial", Net: "pipe", Err: errRefused}
	}
	ours, theirs := net.Pipe()
	select {
	case b.conns <- theirs:
		return ours, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-b.closed:
		return nil, errRefused
	}
}

// dial is for the node under test; its connections can be cut.
func (b *broker) dial(ctx context.Context) (net.Conn, error) {
	c, err := b.connect(ctx)
	b.mu.Lock()
	defer b.mu.Unlock()
	b.dials++
	if err == nil {
		b.ends = append(b.ends, c)
	}
	return c, err
}

// cut kills the node's newest connection, as a pulled cable would.
func (b *broker) cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.ends[len(b.ends)-1].Close()
}

// A heard message, as the observer had it from the broker.
type heard struct {
	topic   sparkplug.Topic
	message sparkplug.Message
	qos     byte
	retain  bool
}

func (h heard) String() string {
	s := string(h.topic.Kind)
	if h.topic.Device != "" {
		s += " " + h.topic.Device
	}
	if h.message.HasSeq {
		s += fmt.Sprintf(" %d", h.message.Seq)
	}
	if n, ok := h.message.BdSeq(); ok {
		s += fmt.Sprintf(" bd%d", n)
	}
	return s
}

// An observer is an MQTT client of its own, apart from the code under test.
type observer struct {
	t      *testing.T
	client paho.Client
	in     chan heard
	names  sparkplugtest.Names
}

func observe(t *testing.T, b *broker) *observer {
	o := &observer{t: t, in: make(chan heard, 1000)}
	o.client = paho.NewClient(paho.NewClientOptions().AddBroker("tcp://pipe").SetClientID("observer").SetAutoReconnect(false).
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return b.connect(context.Background()) }))
	o.wait(o.client.Connect())
	o.wait(o.client.Subscribe("spBv1.0/harrow-quay/#", 2, func(_ paho.Client, m paho.Message) {
		topic, err := sparkplug.ParseTopic(m.Topic())
		if err != nil {
			t.Error(err)
		}
		message, err := sparkplug.Decode(m.Payload())
		if err != nil {
			t.Errorf("%s: %v", m.Topic(), err)
		}
		if err := o.names.Take(topic, message); err != nil {
			t.Error(err)
		}
		if topic.Kind != sparkplug.NodeCommand { // its own, in no fixed order to the answers
			o.in <- heard{topic, message, m.Qos(), m.Retained()}
		}
	}))
	return o
}

func (o *observer) wait(token paho.Token) {
	o.t.Helper()
	if token.WaitTimeout(time.Minute); token.Error() != nil {
		o.t.Fatal(token.Error())
	}
}

// next is the next message heard.
func (o *observer) next() heard {
	o.t.Helper()
	select {
	case h := <-o.in:
		return h
	case <-time.After(time.Minute):
		o.t.Fatal("nothing heard for a minute")
		return heard{}
	}
}

// expect checks the next messages by their short form, and gives them.
func (o *observer) expect(want ...string) []heard {
	o.t.Helper()
	var got []heard
	for _, w := range want {
		h := o.next()
		if h.String() != w {
			o.t.Fatalf("heard %q, want %q", h, w)
		}
		got = append(got, h)
	}
	return got
}

func (o *observer) silent() {
	o.t.Helper()
	select {
	case h := <-o.in:
		o.t.Fatalf("heard %q, want nothing", h)
	default:
	}
}

func (o *observer) command(ms ...sparkplug.Metric) {
	o.t.Helper()
	b, err := sparkplug.EncodeCommand(1_760_000_000_000_000, ms)
	if err != nil {
		o.t.Fatal(err)
	}
	o.wait(o.client.Publish("spBv1.0/harrow-quay/NCMD/quay-1", 0, false, b))
}

func (o *observer) close() { o.client.Disconnect(100) }
