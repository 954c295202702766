package edgenode

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/edgenode/session"
)

// A link is one connection to the broker, from CONNECT to its end. The client's own reconnecting is off: it would
// come back with the same will.
type link struct {
	to      brokerlink.Settings
	client  mqtt.Client
	timeout time.Duration

	down chan struct{} // closed when the connection is gone
	once sync.Once
	why  error

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
	l.conn.Close()
}

// dial opens the connection, over which no CONNECT has gone yet.
func (n *Node) dial(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, n.o.Timeout)
	defer cancel()
	return n.o.Dial(ctx)
}

// connect says CONNECT with the will, and waits for CONNACK. The link is never nil; it must be dropped after an error too.
func (n *Node) connect(ctx context.Context, conn net.Conn, user, password string, will session.Message) (*link, error) {
	to := n.o.Link.Settings()
	l := &link{to: to, timeout: n.o.Timeout, down: make(chan struct{}), conn: conn}
	o := mqtt.NewClientOptions().
		AddBroker("tcp://"+to.Address()).
		SetClientID(n.o.ClientID).
		SetUsername(user).SetPassword(password).
		SetProtocolVersion(4). // without it a refused CONNECT is silently said again as MQTT 3.1, under the same will
		SetCleanSession(true).
		SetAutoReconnect(false).SetConnectRetry(false).
		SetOrderMatters(true).
		SetKeepAlive(n.o.KeepAlive).SetPingTimeout(n.o.Timeout).
		SetConnectTimeout(n.o.Timeout).SetWriteTimeout(n.o.Timeout).
		SetBinaryWill(will.Topic, will.Payload, will.QoS, false).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { l.end(err) }).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (net.Conn, error) { return conn, nil })
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

// subscribe waits for the broker's word that messages will come. Repeated, it has the broker note the topic anew.
func (l *link) subscribe(ctx context.Context, topic string, take func(topic string, payload []byte, retained bool)) error {
	token := l.client.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) {
		take(m.Topic(), m.Payload(), m.Retained())
	})
	if err := l.wait(ctx, token); err != nil {
		return fmt.Errorf("subscription to %s: %w", topic, err)
	}
	if s, ok := token.(*mqtt.SubscribeToken); ok && s.Result()[topic] > 2 {
		return l.to.Failure(brokerlink.Login, "refuses the subscription to %s: give this user the right to read it", topic)
	}
	return nil
}

// publish writes one message, and with QoS 1 waits until the broker has it.
func (l *link) publish(m session.Message) error {
	select {
	case <-l.down:
		return l.cause()
	default:
	}
	return l.wait(context.Background(), l.client.Publish(m.Topic, m.QoS, false, m.Payload))
}

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
		return brokerlink.ErrSlow
	}
}
