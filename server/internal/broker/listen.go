package broker

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"sync"
	"time"
)

// Bounds of connections that have not said who they are.
const (
	connectWithin = 10 * time.Second       // TLS handshake and CONNECT together
	unknown       = 100                    // at most, beside the clients
	acceptAgain   = 100 * time.Millisecond // after a failure of the system, such as too many open files
	unread        = 64 << 10               // bytes that the system takes of a connection before they are read: while the server is behind, what waits there grows old
)

// A gate is the listener that other programs reach. It bounds how many connections are open, and how long one may take
// to say CONNECT; the library does neither.
type gate struct {
	net.Listener
	tls  *tls.Config // nil: none
	most int         // open connections
	log  *slog.Logger

	mu     sync.Mutex
	open   map[*visitor]struct{}
	closed bool

	unread sync.WaitGroup // visitors that the library has not begun to read from
}

// A visitor is a connection through the gate.
type visitor struct {
	net.Conn
	tls  *tls.Conn // nil: none
	gate *gate
	read sync.Once // the first Read, or Close
}

func newGate(l net.Listener, config *tls.Config, clients int, log *slog.Logger) *gate {
	return &gate{Listener: l, tls: config, most: clients + unknown, log: log, open: map[*visitor]struct{}{}}
}

// Accept gives the next connection, its handshake still to do.
func (g *gate) Accept() (net.Conn, error) {
	for {
		conn, err := g.Listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return nil, err
		}
		if err != nil {
			g.log.LogAttrs(context.Background(), slog.LevelWarn, "broker cannot take a connection", slog.String("reason", err.Error()))
			time.Sleep(acceptAgain)
			continue
		}
		if v := g.let(conn); v != nil {
			return v, nil
		}
		conn.Close()
	}
}

func (g *gate) let(conn net.Conn) net.Conn {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.closed || len(g.open) >= g.most || conn.SetDeadline(time.Now().Add(connectWithin)) != nil {
		return nil
	}
	if c, ok := conn.(*net.TCPConn); ok {
		_ = c.SetReadBuffer(unread) // else the system's own bound stands
	}
	v := &visitor{Conn: conn, gate: g}
	if g.tls != nil {
		v.tls = tls.Server(conn, g.tls)
		v.Conn = v.tls
	}
	g.open[v] = struct{}{}
	g.unread.Add(1)
	return v
}

// shut lets nobody in any more, and returns once the library reads from all that were let in: it counts its clients then,
// and must not begin to count one while it waits for their end.
func (g *gate) shut() {
	g.mu.Lock()
	g.closed = true
	g.mu.Unlock()
	g.unread.Wait()
}

// Close ends all connections, those too that have not said who they are.
func (g *gate) Close() error {
	err := g.Listener.Close()
	g.mu.Lock()
	g.closed = true
	open := g.open
	g.open = nil
	g.mu.Unlock()
	for v := range open {
		v.Conn.Close()
	}
	return err
}

// Read reads what the other side sends.
func (v *visitor) Read(b []byte) (int, error) {
	v.read.Do(v.gate.unread.Done)
	return v.Conn.Read(b)
}

// Close ends the connection.
func (v *visitor) Close() error {
	v.read.Do(v.gate.unread.Done)
	v.gate.mu.Lock()
	delete(v.gate.open, v)
	v.gate.mu.Unlock()
	return v.Conn.Close()
}

// owner is the common name of the certificate that the other side proved to have; "" without one.
func (v *visitor) owner() string {
	if v.tls == nil {
		return ""
	}
	if state := v.tls.ConnectionState(); len(state.VerifiedChains) > 0 {
		return state.PeerCertificates[0].Subject.CommonName
	}
	return ""
}

// inside is the listener of this program's own connections: nobody else can reach it.
type inside struct {
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

func newInside() *inside { return &inside{conns: make(chan net.Conn), closed: make(chan struct{})} }

func (l *inside) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.closed:
		return nil, net.ErrClosed
	}
}

func (l *inside) Close() error   { l.once.Do(func() { close(l.closed) }); return nil }
func (l *inside) Addr() net.Addr { return &net.UnixAddr{Name: insideID, Net: "inside"} }

func (l *inside) dial(ctx context.Context) (net.Conn, error) {
	ours, theirs, err := pair(ctx)
	if err != nil {
		return nil, err
	}
	select {
	case l.conns <- theirs:
		return ours, nil
	case <-ctx.Done():
		err = ctx.Err()
	case <-l.closed:
		err = net.ErrClosed
	}
	return nil, errors.Join(err, ours.Close(), theirs.Close())
}

// pair is a connection over loopback, both ends of it: a pipe inside the program would hold back the broker with every
// message that is not read yet.
func pair(ctx context.Context) (ours, theirs net.Conn, err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, nil, err
	}
	defer l.Close()
	ours, err = (&net.Dialer{}).DialContext(ctx, "tcp", l.Addr().String())
	if err != nil {
		return nil, nil, err
	}
	if at, ok := ctx.Deadline(); ok {
		err = l.(*net.TCPListener).SetDeadline(at)
	}
	for err == nil {
		if theirs, err = l.Accept(); err != nil {
			break
		}
		// Another program may have found the port first.
		if theirs.RemoteAddr().String() == ours.LocalAddr().String() {
			return ours, theirs, nil
		}
		theirs.Close()
	}
	return nil, nil, errors.Join(err, ours.Close())
}
