package broker

import (
	"io"
	"log/slog"
	"net"
	"testing"
	"time"
)

// TestLostPlace takes a client's place in the list while it is connected, as the library does to one that connects while
// its former connection is being cleared away: the connection is closed, one that has its place is not.
func TestLostPlace(t *testing.T) {
	b, err := Start(Options{Addr: "127.0.0.1:0", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}()
	connect := func(id byte) net.Conn {
		c, err := net.Dial("tcp", b.Addr())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		if err := c.SetDeadline(time.Now().Add(time.Minute)); err != nil {
			t.Fatal(err)
		}
		// CONNECT with a client id of one letter and a clean session (MQTT 3.1.1, 3.1).
		if _, err := c.Write([]byte{0x10, 13, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 60, 0, 1, id}); err != nil {
			t.Fatal(err)
		}
		var ack [4]byte
		if _, err := io.ReadFull(c, ack[:]); err != nil || ack != [4]byte{0x20, 2, 0, 0} {
			t.Fatalf("CONNACK % x, error %v", ack, err)
		}
		return c
	}
	kept, lost := connect('k'), connect('l')
	b.server.Clients.Delete("l")
	if n, err := lost.Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("the lost connection gave %d bytes, error %v, must be closed", n, err)
	}
	if _, err := kept.Write([]byte{0xC0, 0}); err != nil { // PINGREQ
		t.Fatal(err)
	}
	var pong [2]byte
	if _, err := io.ReadFull(kept, pong[:]); err != nil || pong != [2]byte{0xD0, 0} {
		t.Errorf("PINGRESP % x, error %v", pong, err)
	}
}
