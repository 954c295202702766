package edgenode

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/edgenode/session"
	"gritwatch/protocol/sparkplug"
)

// Run holds a session with the broker, again and again, until ctx ends; then it says NDEATH and leaves. It returns
// nil then, and never for other reasons.
func (n *Node) Run(ctx context.Context) error {
	n.bd.open(n.o.Dir, n.o.Log)
	var said brokerlink.Repeat
	pace := brokerlink.Pace{First: firstWait, Last: lastWait}
	for {
		began := time.Now()
		err := n.session(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if n.o.Events.Offline != nil {
			n.o.Events.Offline(err)
		}
		if time.Since(began) > steady || errors.Is(err, errPrimary) {
			pace.Held()
		}
		pause := pace.Next(err)
		if errors.Is(err, errUnasked) {
			// It was told when it was found; each of many attempts would only tell it again.
		} else if times, say := said.Failure(err, time.Now()); say {
			n.o.Log.LogAttrs(ctx, slog.LevelWarn, fmt.Sprintf("%v; next try in %d s", err, (pause+time.Second/2)/time.Second),
				slog.Int("times", times))
		}
		t := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			t.Stop()
			return nil
		case <-t.C:
		}
	}
}

const (
	firstWait = time.Second
	lastWait  = 10 * time.Second
	steady    = 30 * time.Second // a session that held this long ends without suspicion
)

// errPrimary ends a session because the host without which nothing is to be said has gone.
var errPrimary = errors.New("the primary host is offline")

// errUnasked ends a session in which no command comes any more.
var errUnasked = errors.New("no command comes from a host that is online")

// session is one connection, from CONNECT to its end. The error says why it ended, for people.
func (n *Node) session(ctx context.Context) error {
	user, password, err := n.o.Link.Login()
	if err != nil {
		return n.explain(err)
	}
	conn, err := n.dial(ctx)
	if err != nil {
		return n.explain(err) // no CONNECT went out: the number is still to be used
	}
	bdSeq := n.bd.next(n.o.Log)
	n.mu.Lock()
	will := n.machine.Connect(n.o.Now(), bdSeq)
	n.mu.Unlock()
	l, err := n.connect(ctx, conn, user, password, will)
	if err != nil {
		l.drop(err)
		return n.explain(err)
	}
	// Whatever ends the session, publishers lose the link before the connection goes.
	defer func() {
		n.offline()
		if ctx.Err() != nil || errors.Is(err, errPrimary) || errors.Is(err, errUnasked) {
			n.leave(l)
		}
		l.drop(err)
	}()

	in := make(chan inbound, 64)
	take := n.taker(ctx, in)
	for _, topic := range n.machine.Subscriptions() {
		err = l.subscribe(ctx, topic, take)
		if f, ok := errors.AsType[*brokerlink.Failure](err); ok && f.Kind == brokerlink.Login && topic == n.askerOnly() {
			// Only the watch over lost subscriptions needs it.
			n.o.Log.LogAttrs(ctx, slog.LevelInfo, "the broker lets this user not read the host's STATE; a lost subscription will not be noticed",
				slog.String("topic", topic))
			err = nil
		}
		if err != nil {
			return n.explain(err)
		}
	}
	select {
	case <-n.again: // what asked for births before the session has them now
	default:
	}
	err = n.hold(ctx, l, in, take)
	return err
}

// askerOnly is the STATE topic that nothing but the watch needs; "" where there is none.
func (n *Node) askerOnly() string {
	if n.o.Asker == "" || n.o.Asker == n.o.Primary {
		return ""
	}
	return sparkplug.Topic{Kind: sparkplug.HostState, Host: n.o.Asker}.String()
}

// An inbound is one message of a subscription.
type inbound struct {
	topic    string
	payload  []byte
	retained bool
}

// taker is what the client calls with each message. It never waits.
func (n *Node) taker(ctx context.Context, in chan<- inbound) func(topic string, b []byte, retained bool) {
	return func(topic string, b []byte, retained bool) {
		select {
		case in <- inbound{topic, b, retained}:
		default:
			n.judged(ctx, topic, errors.New("messages come faster than they can be obeyed"))
		}
	}
}

// judged tells of a message whether it could be obeyed.
func (n *Node) judged(ctx context.Context, topic string, bad error) {
	if n.o.Events.Command != nil && strings.Contains(topic, "/"+string(sparkplug.NodeCommand)+"/") {
		n.o.Events.Command(bad)
	}
	if bad != nil {
		n.o.Log.LogAttrs(ctx, slog.LevelDebug, "message dropped", slog.String("topic", topic), slog.Any("reason", bad))
	}
}

// hold keeps a session, from its births to its end; with a primary host, from before them.
func (n *Node) hold(ctx context.Context, l *link, in <-chan inbound, take func(string, []byte, bool)) error {
	began := time.Now()
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	var soon <-chan time.Time // births are due then
	if n.ready() {
		soon = time.After(0)
	} else {
		n.o.Log.LogAttrs(ctx, slog.LevelInfo, "connected to "+n.o.Link.Settings().URL+"; waiting for the primary host", slog.String("host", n.o.Primary))
	}
	var bornAt time.Time
	rebirth := func() {
		// Requests that come meanwhile are answered by the same births, so that a storm of them is not one of births.
		if soon == nil && !bornAt.IsZero() {
			soon = time.After(birthsApart - time.Since(bornAt))
		}
	}
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-l.down:
			err := l.cause()
			if errors.Is(err, io.EOF) && time.Since(began) < steady {
				return fmt.Errorf("%w soon after the start: does another agent run as %s of %s?", n.explain(err), n.o.Node, n.o.Group)
			}
			return n.explain(err)
		case <-soon:
			soon = nil
			if err := n.births(l); err != nil {
				return n.explain(err)
			}
			if bornAt.IsZero() {
				n.o.Log.LogAttrs(ctx, slog.LevelInfo, "connected to "+n.o.Link.Settings().URL, slog.String("site", n.o.Group), slog.String("agent", n.o.Node))
				if n.o.Events.Online != nil {
					n.o.Events.Online()
				}
			} else {
				n.o.Log.LogAttrs(ctx, slog.LevelDebug, "born again on request")
			}
			bornAt = time.Now()
		case <-n.again:
			rebirth()
		case m := <-in:
			h := n.hear(ctx, m)
			switch {
			case h.Leave:
				return fmt.Errorf("%s: %w", n.o.Primary, errPrimary)
			case h.Begin && soon == nil:
				soon = time.After(0)
			case h.Rebirth:
				rebirth()
			}
			if h.Command != nil && n.o.Command != nil {
				n.o.Command(*h.Command)
			}
		case <-tick.C:
			if err := n.remedy(ctx, l, take); err != nil {
				return err
			}
		}
	}
}

const (
	birthsApart = 250 * time.Millisecond // at least, between one answer to requests for births and the next
	lookEvery   = time.Second            // for commands that stay away
)

func (n *Node) ready() bool {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.machine.Ready()
}

func (n *Node) hear(ctx context.Context, m inbound) session.Heard {
	n.mu.Lock()
	h, err := n.machine.Hear(m.topic, m.payload, m.retained, time.Now())
	n.mu.Unlock()
	n.judged(ctx, m.topic, err)
	return h
}

// remedy does what is due where a host that is online asks nothing.
func (n *Node) remedy(ctx context.Context, l *link, take func(string, []byte, bool)) error {
	if !n.mu.TryLock() {
		return nil // somebody publishes, perhaps slowly; the next look is soon
	}
	r, first := n.machine.Due(time.Now())
	topics := n.machine.Subscriptions()
	n.mu.Unlock()
	if first {
		n.o.Log.LogAttrs(ctx, slog.LevelWarn, "the host is online and asks nothing: the broker may have lost the subscription, or the host does not know this agent; subscribing again, then connecting anew",
			slog.String("host", n.o.Asker), slog.String("topic", topics[0]))
	}
	switch r {
	case session.Subscribe:
		if err := l.subscribe(ctx, topics[0], take); err != nil {
			return n.explain(err)
		}
	case session.Reconnect:
		return errUnasked
	}
	return nil
}

// leave says NDEATH and waits until the broker has it, then disconnects; DISCONNECT cancels the will.
func (n *Node) leave(l *link) {
	select {
	case <-l.down:
		return
	default:
	}
	n.mu.Lock()
	death := n.machine.Death(n.o.Now())
	n.mu.Unlock()
	if err := l.publish(death); err != nil {
		return // the will says it then
	}
	l.client.Disconnect(250)
}

// explain puts an error into one line that says what to do.
func (n *Node) explain(err error) error { return n.o.Link.Settings().Explain(err, n.o.ClientID) }
