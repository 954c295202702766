package ingest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/url"
	"slices"
	"sync/atomic"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/internal/brokerlink"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// Times and bounds of the link to the broker.
const (
	keepAlive    = 10 * time.Second
	dialTimeout  = 5 * time.Second
	ackTimeout   = 5 * time.Second
	leaveTimeout = 2 * time.Second // for the last words at a stop
	firstRetry   = 250 * time.Millisecond
	lastRetry    = 5 * time.Second
	steady       = 30 * time.Second // a link that held this long ends without suspicion
	queueLength  = 4096             // messages that wait for the host
	tickEvery    = 250 * time.Millisecond
	asksWait     = 1024 // requests for records; each agent has at most one at a time
)

// A Host is the Sparkplug host application on its broker.
type Host struct {
	o    Options
	up   atomic.Bool
	asks chan request
	last si.Instant // timestamp of the last STATE; each CONNECT needs a later one
}

// New is a host that is not connected. Run it.
func New(o Options) *Host { return &Host{o: o.withDefaults(), asks: make(chan request, asksWait)} }

// A request is records of an agent's journal that are asked for.
type request struct {
	agent, journal string
	from, to       uint64
}

// Replay asks an agent for the records from from to to (exclusive) of its journal, and tells it that what lies before from is
// stored for good. It does not block, and is false where too many requests wait. Whether the agent is there to be asked shows by
// its answer alone.
func (h *Host) Replay(agent, journal string, from, to uint64) bool {
	select {
	case h.asks <- request{agent, journal, from, to}:
		return true
	default:
		return false
	}
}

// String names the host in logs.
func (h *Host) String() string { return "sparkplug host" }

// Ready tells whether the link to the broker is up.
func (h *Host) Ready() bool { return h.up.Load() }

// Run keeps the link to the broker and follows the agents until ctx ends; it returns nil. Losing the link is told as
// the death of every pot.
func (h *Host) Run(ctx context.Context) error {
	pace := brokerlink.Pace{First: firstRetry, Last: lastRetry}
	sessions := newHost(h.o, nil) // outlives connections: a session that was replaced stays known
	var said brokerlink.Repeat
	for ctx.Err() == nil {
		start := time.Now()
		err := h.connection(ctx, sessions)
		if ctx.Err() != nil {
			break
		}
		if time.Since(start) > steady {
			pace.Held()
		}
		if times, say := said.Failure(err, time.Now()); say {
			h.o.Log.LogAttrs(ctx, slog.LevelWarn, "no link to the broker; trying again", slog.String("reason", err.Error()), slog.Int("times", times))
		}
		pause := time.NewTimer(pace.Next(err))
		select {
		case <-ctx.Done():
		case <-pause.C:
		}
		pause.Stop()
	}
	return nil
}

// errRenew asks for another connection at once, with a later STATE.
var errRenew = errors.New("another program used this host's id; connecting anew")

// connection is one connection from CONNECT to its end; the error says why it ended.
func (h *Host) connection(ctx context.Context, sessions *host) error {
	stamp := max(si.InstantOf(time.Now())/1000*1000, h.last+1000)
	h.last = stamp
	stateTopic := sparkplug.Topic{Kind: sparkplug.HostState, Host: HostID}.String()
	online := sparkplug.State{Online: true, At: stamp}.Encode()

	queue := make(chan message, queueLength)
	gone := make(chan error, 1)
	over := make(chan struct{})
	defer close(over)
	receive := func(_ mqtt.Client, m mqtt.Message) {
		select {
		case queue <- message{m.Topic(), m.Payload(), m.Retained(), time.Now()}:
		default:
			// Waiting would keep the library from hearing the broker, and end the connection. The gap is found by the numbers.
			h.o.Events.Bad(m.Topic(), "the host does not keep up")
		}
	}
	user, password, err := h.o.Link.Login()
	if err != nil {
		return h.explain(err)
	}
	client := mqtt.NewClient(h.options(ctx, stateTopic, stamp, gone).SetUsername(user).SetPassword(password))
	if err := wait(ctx, client.Connect(), dialTimeout+ackTimeout); err != nil {
		client.Disconnect(0)
		return h.explain(err)
	}
	defer client.Disconnect(0)
	filters := map[string]byte{stateTopic: 1}
	if h.o.Hear == nil {
		for _, f := range h.filters() {
			filters[f] = 1
		}
	} else {
		defer h.o.Hear(h.filters(), func(topic string, payload []byte, retained bool) {
			// Waiting holds back the one agent that is being read, which then keeps what it has to say in its journal.
			select {
			case queue <- message{topic, payload, retained, time.Now()}:
			case <-over:
			}
		})()
	}
	token := client.SubscribeMultiple(filters, receive)
	if err := wait(ctx, token, ackTimeout); err != nil {
		return h.explain(fmt.Errorf("subscribing: %w", err))
	}
	granted := token.(*mqtt.SubscribeToken).Result()
	for _, topic := range slices.Sorted(maps.Keys(granted)) {
		if granted[topic] > 2 {
			return h.o.Link.Settings().Failure(brokerlink.Login, "refuses the subscription to %s: allow it for this server's user", topic)
		}
	}
	if err := wait(ctx, client.Publish(stateTopic, 1, true, online), ackTimeout); err != nil {
		return h.explain(fmt.Errorf("publishing STATE: %w", err))
	}
	sessions.send = func(agent string, at time.Time, ms []sparkplug.Metric) { h.command(client, agent, at, ms) }
	return h.serve(ctx, client, sessions, queue, gone, stateTopic, stamp, online)
}

// filters name the topics of the site's agents.
func (h *Host) filters() (out []string) {
	for _, k := range []sparkplug.Kind{sparkplug.NodeBirth, sparkplug.NodeDeath, sparkplug.NodeData} {
		out = append(out, sparkplug.Namespace+"/"+h.o.Site+"/"+string(k)+"/+")
	}
	for _, k := range []sparkplug.Kind{sparkplug.DeviceBirth, sparkplug.DeviceDeath, sparkplug.DeviceData} {
		out = append(out, sparkplug.Namespace+"/"+h.o.Site+"/"+string(k)+"/+/+")
	}
	return out
}

// serve follows the agents while the connection stands.
func (h *Host) serve(ctx context.Context, client mqtt.Client, sessions *host, queue <-chan message, gone <-chan error, stateTopic string, stamp si.Instant, online []byte) error {
	h.up.Store(true)
	h.o.Events.Link(true)
	h.o.Log.LogAttrs(ctx, slog.LevelInfo, "linked to the broker", slog.String("broker", h.url()))
	defer func() {
		h.up.Store(false)
		h.o.Events.Link(false)
		sessions.unlinked(time.Now(), "the link to the broker is lost")
	}()
	sessions.linked(time.Now())
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	for {
		select {
		case m := <-queue:
			if m.topic != stateTopic {
				sessions.handle(m)
				continue
			}
			s, err := sparkplug.DecodeState(m.payload)
			if err != nil {
				continue // not of this version of Sparkplug; nodes that wait for this host do not heed it either
			}
			switch judgeState(s, stamp, si.InstantOf(time.Now())) {
			case sayAgain:
				client.Publish(stateTopic, 1, true, online) // without waiting for the answer
			case sayLater:
				h.last = max(h.last, s.At)
				if err := wait(ctx, client.Publish(stateTopic, 1, true, online), ackTimeout); err != nil {
					return h.explain(err)
				}
				return errRenew
			case twin:
				sessions.quiet.say(time.Now(), "twin", "another program is online as this Sparkplug host; nodes that wait for the host follow whichever speaks later",
					"host", HostID)
			}
		case r := <-h.asks:
			sessions.replay(r.agent, r.journal, r.from, r.to, time.Now())
		case <-tick.C:
			sessions.tick(time.Now())
		case err := <-gone:
			return h.explain(err)
		case <-ctx.Done():
			h.leave(client, stateTopic)
			return ctx.Err()
		}
	}
}

// leave says the last words and disconnects.
func (h *Host) leave(client mqtt.Client, stateTopic string) {
	h.last = max(si.InstantOf(time.Now())/1000*1000, h.last+1000)
	t := client.Publish(stateTopic, 1, true, sparkplug.State{Online: false, At: h.last}.Encode())
	t.WaitTimeout(leaveTimeout)
	client.Disconnect(100)
}

// command sends an NCMD. What does not go out is asked again later.
func (h *Host) command(client mqtt.Client, agent string, at time.Time, ms []sparkplug.Metric) {
	payload, err := sparkplug.EncodeCommand(si.InstantOf(at), ms)
	if err != nil {
		h.o.Log.Error("command does not encode", slog.String("agent", agent), slog.String("reason", err.Error()))
		return
	}
	topic := sparkplug.Topic{Kind: sparkplug.NodeCommand, Group: h.o.Site, Node: agent}.String()
	client.Publish(topic, 0, false, payload)
}

func (h *Host) url() string      { return h.o.Link.Settings().URL }
func (h *Host) clientID() string { return "gritwatch-server-" + h.o.Site }

func (h *Host) options(ctx context.Context, stateTopic string, stamp si.Instant, gone chan<- error) *mqtt.ClientOptions {
	return mqtt.NewClientOptions().AddBroker("tcp://"+h.o.Link.Settings().Address()).
		SetClientID(h.clientID()).
		// Else a refused attempt is silently repeated as MQTT 3.1.
		SetProtocolVersion(4).SetCleanSession(true).SetOrderMatters(true).
		// The library's own reconnecting keeps the first will, whose timestamp is then too old.
		SetAutoReconnect(false).SetConnectRetry(false).
		SetKeepAlive(keepAlive).SetPingTimeout(ackTimeout).SetConnectTimeout(dialTimeout).SetWriteTimeout(ackTimeout).
		SetBinaryWill(stateTopic, sparkplug.State{Online: false, At: stamp}.Encode(), 1, true).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
			dctx, cancel := context.WithTimeout(ctx, dialTimeout)
			defer cancel()
			return h.o.Dial(dctx)
		}).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) {
			select {
			case gone <- err:
			default:
			}
		})
}

// wait waits for a token, ctx or the time.
func wait(ctx context.Context, t mqtt.Token, d time.Duration) error {
	timeout := time.NewTimer(d)
	defer timeout.Stop()
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-timeout.C:
		return brokerlink.ErrSlow
	}
}

// explain puts an error into one line that says what to do.
func (h *Host) explain(err error) error { return h.o.Link.Settings().Explain(err, h.clientID()) }
