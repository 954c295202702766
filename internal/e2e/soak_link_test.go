package e2e_test

import (
	"context"
	"net"
	"sync"
	"testing"
	"time"
)

// A link is the network between two programs: each connection made to its address goes on to another one. What it does
// to bytes a real network can do: bytes are late, or their connection is dead from then on; none is missing in the
// midst of a connection.
type link struct {
	far string

	mu       sync.Mutex
	state    linkState
	changed  chan struct{} // closed at the next change of state
	conns    map[net.Conn]bool
	listener net.Listener
}

type linkState struct {
	cut     bool // connections end, and none can be made
	dead    bool // connections stay open, and what is said on them, or on new ones, never arrives
	stalled bool // nothing arrives for now
	rate    int  // bytes a second, each way of each connection; 0: as many as come
}

// newLink listens on near and goes to far, until the test ends.
func newLink(t testing.TB, near, far string) *link {
	t.Helper()
	l := &link{far: far, changed: make(chan struct{}), conns: map[net.Conn]bool{}}
	var err error
	if l.listener, err = net.Listen("tcp", near); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			c, err := l.listener.Accept()
			if err != nil {
				return
			}
			wg.Go(func() { l.carry(ctx, c) })
		}
	})
	t.Cleanup(func() {
		cancel()
		l.listener.Close()
		l.set(linkState{cut: true})
		wg.Wait()
	})
	return l
}

func (l *link) set(s linkState) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.state = s
	close(l.changed)
	l.changed = make(chan struct{})
	if s.cut {
		for c := range l.conns {
			c.Close()
		}
	}
}

func (l *link) now() (linkState, <-chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state, l.changed
}

// take puts a connection under the link's control; false: there are none now.
func (l *link) take(c net.Conn) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.state.cut {
		c.Close()
		return false
	}
	l.conns[c] = true
	return true
}

func (l *link) drop(c net.Conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.conns, c)
	c.Close()
}

func (l *link) carry(ctx context.Context, near net.Conn) {
	if !l.take(near) {
		return
	}
	defer l.drop(near)
	far, err := net.Dial("tcp", l.far)
	if err != nil || !l.take(far) {
		return
	}
	defer l.drop(far)
	// Dead once, a connection is dead for ever, in both directions.
	dead, die := context.WithCancel(ctx)
	defer die()
	var wg sync.WaitGroup
	for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
		wg.Go(func() {
			l.pump(ctx, dead, die, way[0], way[1])
			if dead.Err() == nil { // an end is told to the other side, unless nothing arrives there
				near.Close()
				far.Close()
			}
		})
	}
	wg.Wait()
}

// pump carries bytes one way, until the connection ends.
func (l *link) pump(ctx, dead context.Context, die func(), from, to net.Conn) {
	buf := make([]byte, 16<<10)
	for {
		room := buf
		if s, _ := l.now(); s.rate > 0 {
			room = buf[:max(1, s.rate/20)]
		}
		n, err := from.Read(room)
		if err != nil {
			return
		}
		for dead.Err() == nil {
			s, changed := l.now()
			if s.dead {
				die()
				break
			}
			if !s.stalled {
				if s.rate > 0 {
					timer := time.NewTimer(time.Duration(n) * time.Second / time.Duration(s.rate))
					select {
					case <-ctx.Done():
					case <-timer.C:
					}
					timer.Stop()
				}
				if _, err := to.Write(room[:n]); err != nil {
					return
				}
				break
			}
			select {
			case <-changed:
			case <-ctx.Done():
				return
			}
		}
	}
}
