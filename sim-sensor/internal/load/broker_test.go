package load_test

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"sync"
	"syscall"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"gritwatch/internal/potfile"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/protocol/sparkplug/sparkplugtest"
)

// A broker is a real one, reached through pipes, so that it lives in the fake time of a synctest bubble. It keeps what
// was published.
type broker struct {
	server *mochi.Server
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once

	mu    sync.Mutex
	names sparkplugtest.Names
	heard []heard
	ends  []net.Conn // of the agents
	down  bool       // refuses connections
}

type heard struct {
	at      time.Time
	topic   sparkplug.Topic
	message sparkplug.Message
}

// anyone lets everybody in.
type anyone struct{ mochi.HookBase }

func (*anyone) ID() string { return "anyone" }
func (*anyone) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (*anyone) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*anyone) OnACLCheck(*mochi.Client, string, bool) bool              { return true }

func newBroker(t *testing.T) *broker {
	t.Helper()
	b := &broker{conns: make(chan net.Conn), closed: make(chan struct{})}
	b.server = mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	err := errors.Join(b.server.AddHook(new(anyone), nil), b.server.AddListener(listeners.NewNet("pipe", b)), b.server.Serve(),
		b.server.Subscribe("spBv1.0/#", 1, func(_ *mochi.Client, _ packets.Subscription, pk packets.Packet) {
			topic, err := sparkplug.ParseTopic(pk.TopicName)
			if err != nil || topic.Kind == sparkplug.NodeCommand {
				return
			}
			m, err := sparkplug.Decode(pk.Payload)
			if err != nil {
				t.Errorf("%s: %v", pk.TopicName, err)
			}
			b.mu.Lock()
			defer b.mu.Unlock()
			if err := b.names.Take(topic, m); err != nil {
				t.Error(err)
			}
			b.heard = append(b.heard, heard{time.Now(), topic, m})
		}))
	if err != nil {
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

func (b *broker) dial(ctx context.Context) (net.Conn, error) {
	b.mu.Lock()
	down := b.down
	b.mu.Unlock()
	if down {
		return nil, syscall.ECONNREFUSED
	}
	ours, theirs := net.Pipe()
	select {
	case b.conns <- theirs:
		b.mu.Lock()
		defer b.mu.Unlock()
		b.ends = append(b.ends, ours)
		return ours, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// take is what was heard since the last time.
func (b *broker) take() []heard {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := b.heard
	b.heard = nil
	return out
}

func (b *broker) command(t *testing.T, agent string, ms ...sparkplug.Metric) {
	t.Helper()
	payload, err := sparkplug.EncodeCommand(si.InstantOf(time.Now()), ms)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.server.Publish("spBv1.0/harrow-quay/NCMD/"+agent, payload, false, 0); err != nil {
		t.Fatal(err)
	}
}

// site reads the pots and agents of a site.yaml.
func site(t *testing.T, text []byte) (pots map[string]potfile.Pot, agents map[string]string, m yamlfile.Map) {
	t.Helper()
	doc, err := yamlfile.Parse("site.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	m = doc.Map()
	list, maps := potfile.ReadPots(m, potfile.Atmosphere{})
	pots, agents = map[string]potfile.Pot{}, map[string]string{}
	for i, p := range list {
		pots[p.Name], agents[p.Name] = p, maps[i].String("agent")
	}
	for _, k := range []string{"site", "listen", "data"} {
		m.String(k)
	}
	m.Map("broker").Keys()
	if err := doc.Err(); err != nil {
		t.Fatal(err)
	}
	return pots, agents, m
}
