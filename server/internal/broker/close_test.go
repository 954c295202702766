package broker

import (
	"io"
	"log/slog"
	"net"
	"sync"
	"testing"
	"time"
)

// comes is a client of a broker, whose CONNECT was answered.
func comes(t *testing.T, conn net.Conn, id byte) {
	t.Helper()
	if err := conn.SetDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Write([]byte{0x10, 13, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 60, 0, 1, id}); err != nil {
		t.Fatal(err)
	}
	var ack [4]byte
	if _, err := io.ReadFull(conn, ack[:]); err != nil || ack != [4]byte{0x20, 2, 0, 0} {
		t.Fatalf("CONNACK % x, %v", ack, err)
	}
}

// TestCloseWhileClientsLeave: clients that leave while the broker closes do not keep it from closing, and it does not turn to the library's own way out while one
// of them may still leave.
func TestCloseWhileClientsLeave(t *testing.T) {
	for range 20 {
		b, err := Start(Options{Addr: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		var conns []net.Conn
		for i := range byte(30) {
			var conn net.Conn
			if i%10 == 0 {
				conn, err = b.Dial(t.Context())
			} else {
				conn, err = net.Dial("tcp", b.Addr())
			}
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			if i%10 != 1 { // those never say who they are
				comes(t, conn, 'a'+i)
			}
			conns = append(conns, conn)
		}
		var leave sync.WaitGroup
		for _, conn := range conns[:15] {
			leave.Go(func() { conn.Close() })
		}
		done := make(chan struct{})
		go func() {
			defer close(done)
			b.strays.end()
			b.gate.shut()
			b.empty()
			for id, cl := range b.server.Clients.GetAll() {
				t.Errorf("client %q is there still, closed %v", id, cl.Closed())
			}
			if err := b.server.Close(); err != nil {
				t.Error(err)
			}
		}()
		select {
		case <-done:
		case <-time.After(time.Minute):
			t.Fatal("the broker does not close")
		}
		leave.Wait()
	}
}
