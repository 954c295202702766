package app_test

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"net/url"
	"sync"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"

	"gritwatch/protocol/sparkplug"
	"gritwatch/protocol/sparkplug/sparkplugtest"
)

// A broker is a real one, reached through pipes, so that it lives in the fake time of a synctest bubble.
type broker struct {
	server *mochi.Server
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

// anybody lets everyone in.
type anybody struct{ mochi.HookBase }

func (*anybody) ID() string { return "anybody" }
func (*anybody) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (*anybody) OnConnectAuthenticate(*mochi.Client, packet) bool { return true }
func (*anybody) OnACLCheck(*mochi.Client, string, bool) bool      { return true }

func newBroker(t *testing.T) *broker {
	b := &broker{conns: make(chan net.Conn), closed: make(chan struct{})}
	b.server = mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := errors.Join(b.server.AddHook(&anybody{}, nil), b.server.AddListener(listeners.NewNet("pipe", b)), b.server.Serve()); err != nil {
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
func (b *broker) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "unix"} }

func (b *broker) dial(ctx context.Context) (net.Conn, error) {
	ours, theirs := net.Pipe()
	select {
	case b.conns <- theirs:
		return ours, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-b.closed:
		return nil, net.ErrClosed
	}
}

type heard struct {
	topic   sparkplug.Topic
	message sparkplug.Message
	at      time.Time
}

// An observer is an MQTT client of its own, apart from the code under test.
type observer struct {
	t      *testing.T
	client paho.Client

	names sparkplugtest.Names

	mu  sync.Mutex
	all []heard
}

func observe(t *testing.T, b *broker) *observer {
	o := &observer{t: t}
	o.client = paho.NewClient(paho.NewClientOptions().AddBroker("tcp://pipe").SetClientID("observer").SetAutoReconnect(false).
		SetCustomOpenConnectionFn(func(*url.URL, paho.ClientOptions) (net.Conn, error) { return b.dial(context.Background()) }))
	o.wait(o.client.Connect())
	o.wait(o.client.Subscribe("spBv1.0/harrow-quay/#", 1, func(_ paho.Client, m paho.Message) {
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
		o.mu.Lock()
		defer o.mu.Unlock()
		o.all = append(o.all, heard{topic, message, time.Now()})
	}))
	return o
}

func (o *observer) wait(token paho.Token) {
	o.t.Helper()
	if token.WaitTimeout(time.Minute); token.Error() != nil {
		o.t.Fatal(token.Error())
	}
}

// heard is everything so far.
func (o *observer) heard() []heard {
	o.mu.Lock()
	defer o.mu.Unlock()
	return append([]heard(nil), o.all...)
}
