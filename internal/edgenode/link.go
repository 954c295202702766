package edgenode

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/protocol/sparkplug"
)

// A link is one connection to the broker, from CONNECT to its end. The client's own reconnecting is off: it would
// come back with the same will.
type link struct {
	client  mqtt.Client
	bdSeq   uint8
	timeout time.Duration

	down chan struct{} // closed when the connection is gone
	once sync.Once
	why  error

	mu   sync.Mutex
	conn net.Conn
}

func (l *link) end(err error) {
	l.once.Do(func() {
		l.why = err
		close(l.down)
	})
}

// cause is why the link ended; only after down is closed.
func (l *link) cause() error { return l.why }

// drop ends the connection without DISCONNECT, so that the broker gives the will out.
func (l *link) drop(err error) {
	l.end(err)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.conn != nil {
		l.conn.Close()
	}
}

// connect dials, says CONNECT with the will, and waits for CONNACK. The link is never nil; it must be dropped after
// an error too.
func (n *Node) connect(ctx context.Context, bdSeq uint8) (*link, error) {
	l := &link{bdSeq: bdSeq, timeout: n.o.Timeout, down: make(chan struct{})}
	death := sparkplug.Topic{Kind: sparkplug.NodeDeath, Group: n.o.Group, Node: n.o.Node}.String()
	o := mqtt.NewClientOptions().
		AddBroker("tcp://"+n.url.Host).
		SetClientID(n.o.ClientID).
		SetUsername(n.o.User).SetPassword(n.o.Password).
		SetProtocolVersion(4). // without it a refused CONNECT is silently said again as MQTT 3.1, under the same will
		SetCleanSession(true).
		SetAutoReconnect(false).SetConnectRetry(false).
		SetOrderMatters(true).
		SetKeepAlive(n.o.KeepAlive).SetPingTimeout(n.o.Timeout).
		SetConnectTimeout(n.o.Timeout).SetWriteTimeout(n.o.Timeout).
		SetBinaryWill(death, sparkplug.EncodeNodeDeath(n.o.Now(), bdSeq), 1, false).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { l.end(err) }).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) {
			dctx, cancel := context.WithTimeout(ctx, n.o.Timeout)
			defer cancel()
			conn, err := n.o.Dial(dctx)
			if err != nil {
				return nil, err
			}
			l.mu.Lock()
			defer l.mu.Unlock()
			l.conn = conn
			select {
			case <-l.down: // given up while dialling
				conn.Close()
				return nil, l.cause()
			default:
				return conn, nil
			}
		})
	l.client = mqtt.NewClient(o)
	token := l.client.Connect()
	select {
	case <-token.Done():
	case <-ctx.Done():
		l.drop(ctx.Err())
		<-token.Done() // a handshake whose connection is closed ends by itself
	}
	return l, token.Error()
}

// subscribe waits for the broker's word that commands will come.
func (l *link) subscribe(ctx context.Context, topic string, take func(topic string, payload []byte, retained bool)) error {
	token := l.client.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) {
		take(m.Topic(), m.Payload(), m.Retained())
	})
	if err := l.wait(ctx, token); err != nil {
		return fmt.Errorf("subscription to %s: %w", topic, err)
	}
	if s, ok := token.(*mqtt.SubscribeToken); ok && s.Result()[topic] > 2 {
		return fmt.Errorf("broker refuses the subscription to %s: give this user the right to read it", topic)
	}
	return nil
}

// publish writes one message, and with QoS 1 waits until the broker has it.
func (l *link) publish(topic string, qos byte, b []byte) error {
	select {
	case <-l.down:
		return l.cause()
	default:
	}
	return l.wait(context.Background(), l.client.Publish(topic, qos, false, b))
}

var errSlow = errors.New("the broker takes nothing any more")

func (l *link) wait(ctx context.Context, token mqtt.Token) error {
	select {
	case <-token.Done(): // the usual case, without a timer
		return token.Error()
	default:
	}
	t := time.NewTimer(l.timeout)
	defer t.Stop()
	select {
	case <-token.Done():
		return token.Error()
	case <-l.down:
		return l.cause()
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return errSlow
	}
}
