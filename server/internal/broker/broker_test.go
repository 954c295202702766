package broker_test

import (
	"errors"
	"log/slog"
	"net"
	"testing"
	"time"

	"gritwatch/server/internal/broker"
)

func logger(t *testing.T) *slog.Logger {
	return slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelDebug}))
}

// TestConnect speaks bare MQTT 3.1.1: CONNECT with an empty client id and a clean session is answered by
// CONNACK 0x20 0x02 0x00 0x00 (MQTT 3.1.1, 3.2).
func TestConnect(t *testing.T) {
	b, err := broker.Start(broker.Options{Addr: "127.0.0.1:0", Log: logger(t)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}()
	c, err := net.Dial("tcp", b.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if err := c.SetDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	connect := []byte{0x10, 12, 0, 4, 'M', 'Q', 'T', 'T', 4, 2, 0, 60, 0, 0}
	if _, err := c.Write(connect); err != nil {
		t.Fatal(err)
	}
	var ack [4]byte
	if _, err := c.Read(ack[:]); err != nil || ack != [4]byte{0x20, 2, 0, 0} {
		t.Fatalf("CONNACK % x, error %v", ack, err)
	}
}

func TestPortInUse(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, err = broker.Start(broker.Options{Addr: l.Addr().String(), Log: logger(t)})
	want := l.Addr().String() + " is in use by another program: stop it or set broker.embedded to another address"
	if !errors.Is(err, broker.ErrInUse) || err.Error() != want {
		t.Errorf("error %v, want %q", err, want)
	}
}

func TestCloseFreesPort(t *testing.T) {
	b, err := broker.Start(broker.Options{Addr: "127.0.0.1:0", Log: logger(t)})
	if err != nil {
		t.Fatal(err)
	}
	addr := b.Addr()
	if err := b.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := broker.Start(broker.Options{Addr: addr, Log: logger(t)})
	if err != nil {
		t.Fatalf("the port was not given back: %v", err)
	}
	if err := again.Close(); err != nil {
		t.Error(err)
	}
}
