package edgenode

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net"
	"syscall"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// Run holds a session with the broker, again and again, until ctx ends; then it says NDEATH and leaves. It returns
// nil then, and never for other reasons.
func (n *Node) Run(ctx context.Context) error {
	n.bd.open(n.o.Dir, n.o.Log)
	var said repeat
	wait := firstWait
	for {
		began := time.Now()
		err := n.session(ctx, n.bd.next(n.o.Log))
		if ctx.Err() != nil {
			return nil
		}
		if n.o.Events.Offline != nil {
			n.o.Events.Offline(err)
		}
		if time.Since(began) > steady {
			wait = firstWait
		}
		// A little chance keeps many agents from coming back all at once.
		pause := wait + rand.N(wait/4)
		if times, say := said.again(err.Error(), time.Now()); say {
			n.o.Log.LogAttrs(ctx, slog.LevelWarn, fmt.Sprintf("%v; next try in %d s", err, (pause+time.Second/2)/time.Second),
				slog.Int("times", times))
		}
		wait = min(2*wait, lastWait)
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
	quiet     = time.Minute      // the same failure is said once in this time
)

// session is one connection, from CONNECT to its end. The error says why it ended, for people.
func (n *Node) session(ctx context.Context, bdSeq uint8) error {
	l, err := n.connect(ctx, bdSeq)
	if err != nil {
		l.drop(err)
		return n.explain(err)
	}
	// Whatever ends the session, publishers lose the link before the connection goes.
	defer func() {
		n.offline()
		if ctx.Err() != nil {
			n.leave(l)
		}
		l.drop(err)
	}()

	commands := make(chan sparkplug.Message, 64)
	topic := sparkplug.Topic{Kind: sparkplug.NodeCommand, Group: n.o.Group, Node: n.o.Node}.String()
	err = l.subscribe(ctx, topic, func(from string, b []byte, retained bool) {
		m, err := sparkplug.Decode(b)
		if err == nil && retained {
			err = errors.New("a retained command is not obeyed: it may be old")
		}
		if err == nil {
			select {
			case commands <- m:
			default:
				err = errors.New("commands come faster than they can be obeyed")
			}
		}
		if n.o.Events.Command != nil {
			n.o.Events.Command(err)
		}
		if err != nil {
			n.o.Log.LogAttrs(ctx, slog.LevelDebug, "command dropped", slog.String("topic", from), slog.Any("reason", err))
		}
	})
	if err != nil {
		return n.explain(err)
	}
	select {
	case <-n.again: // what asked for births before the session has them now
	default:
	}
	began := time.Now()
	if err = n.births(l); err != nil {
		return n.explain(err)
	}
	n.o.Log.LogAttrs(ctx, slog.LevelInfo, "connected to "+n.url.String(), slog.String("site", n.o.Group), slog.String("agent", n.o.Node))
	if n.o.Events.Online != nil {
		n.o.Events.Online()
	}
	for {
		rebirth := false
		select {
		case <-ctx.Done():
			err = ctx.Err()
			return err
		case <-l.down:
			err = l.cause()
			if errors.Is(err, io.EOF) && time.Since(began) < steady {
				return fmt.Errorf("%w soon after the start: does another agent run as %s of %s?", n.explain(err), n.o.Node, n.o.Group)
			}
			return n.explain(err)
		case <-n.again:
			rebirth = true
		case m := <-commands:
			rebirth = n.obey(m)
			// Requests that came meanwhile are answered by the same births.
			for more := true; more; {
				select {
				case m := <-commands:
					rebirth = n.obey(m) || rebirth
				default:
					more = false
				}
			}
		}
		if rebirth {
			if err = n.births(l); err != nil {
				return n.explain(err)
			}
			n.o.Log.LogAttrs(ctx, slog.LevelDebug, "born again on request")
		}
	}
}

// obey tells whether the command asks for a rebirth, and hands on the rest.
func (n *Node) obey(m sparkplug.Message) (rebirth bool) {
	others := false
	for i := range m.Metrics {
		if m.Metrics[i].Name == points.MetricRebirth {
			v, ok := m.Metrics[i].Value.Bool()
			rebirth = rebirth || v && ok && !m.Metrics[i].Null
		} else {
			others = true
		}
	}
	if others && n.o.Command != nil {
		n.o.Command(m)
	}
	return rebirth
}

// leave says NDEATH and waits until the broker has it, then disconnects; DISCONNECT cancels the will.
func (n *Node) leave(l *link) {
	select {
	case <-l.down:
		return
	default:
	}
	topic := sparkplug.Topic{Kind: sparkplug.NodeDeath, Group: n.o.Group, Node: n.o.Node}.String()
	if err := l.publish(topic, 1, sparkplug.EncodeNodeDeath(n.o.Now(), l.bdSeq)); err != nil {
		return // the will says it then
	}
	l.client.Disconnect(250)
}

// explain puts an error into one line that says what to do.
func (n *Node) explain(err error) error {
	broker := "broker " + n.url.String()
	var dns *net.DNSError
	var cert *tls.CertificateVerificationError
	var record tls.RecordHeaderError
	var timeout net.Error
	var unknown x509.UnknownAuthorityError
	switch {
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("%s refuses the connection: is it running?", broker)
	case errors.As(err, &dns):
		return fmt.Errorf("%s: host %s is not found: is the name right, is the network up?", broker, dns.Name)
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return fmt.Errorf("%s refuses user %q or its password: check both in the agent's file and at the broker", broker, n.o.User)
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return fmt.Errorf("%s refuses the client id %q", broker, n.o.ClientID)
	case errors.Is(err, packets.ErrorRefusedBadProtocolVersion):
		return fmt.Errorf("%s does not speak MQTT 3.1.1", broker)
	case errors.As(err, &cert), errors.As(err, &unknown):
		return fmt.Errorf("%s: its certificate is not trusted: %w", broker, err)
	case errors.As(err, &record):
		return fmt.Errorf("%s does not speak TLS there: write mqtt:// or use its TLS port", broker)
	case errors.Is(err, errSlow):
		return fmt.Errorf("%s takes nothing any more: is the link up?", broker)
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET):
		return fmt.Errorf("%s closed the connection", broker)
	case errors.As(err, &timeout) && timeout.Timeout(), errors.Is(err, context.DeadlineExceeded):
		return fmt.Errorf("%s does not answer: are address and network right?", broker)
	}
	return fmt.Errorf("%s: %w", broker, err)
}

// A repeat keeps the same failure from filling the log.
type repeat struct {
	text  string
	said  time.Time
	times int
}

// again counts a failure and tells whether it is to be said now.
func (r *repeat) again(text string, now time.Time) (times int, say bool) {
	if text != r.text || now.Sub(r.said) >= quiet {
		if text != r.text {
			r.times = 0
		}
		times = r.times + 1
		*r = repeat{text: text, said: now}
		return times, true
	}
	r.times++
	return 0, false
}
