// Package broker runs an MQTT broker inside the server. It takes anyone, so it belongs on the loopback address; the
// configuration refuses any other unless told.
package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"syscall"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Bounds of what clients can make the broker hold.
const (
	maxClients = 500
	maxPacket  = 1 << 20 // bytes
	maxPending = 1024    // messages waiting for one client; beyond, they are dropped
	listenerID = "tcp"
)

// ErrInUse is the port of another program.
var ErrInUse = errors.New("address in use")

// inUseError is ErrInUse with the address, in words for people.
type inUseError struct{ addr string }

func (e *inUseError) Error() string {
	return e.addr + " is in use by another program: stop it or set broker.embedded to another address"
}

func (e *inUseError) Is(target error) bool { return target == ErrInUse }

// A Broker is a running broker.
type Broker struct {
	server *mqtt.Server
	tcp    *listeners.TCP
	strays *strays
}

// Start listens on addr (host:port; port 0 takes a free one) and serves until Close. A port in use gives ErrInUse.
func Start(addr string, log *slog.Logger) (*Broker, error) {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients = maxClients
	caps.MaximumPacketSize = maxPacket
	caps.MaximumClientWritesPending = maxPending
	// The library writes whole packets and every lost connection to its log; watcher says what matters.
	server := mqtt.New(&mqtt.Options{Capabilities: caps, Logger: slog.New(slog.DiscardHandler)})
	strays := newStrays(server.Clients, log)
	if err := server.AddHook(&watcher{log: log, strays: strays}, nil); err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: listenerID, Address: addr})
	if err := server.AddListener(tcp); err != nil {
		if errors.Is(err, syscall.EADDRINUSE) {
			return nil, &inUseError{addr}
		}
		return nil, fmt.Errorf("broker cannot listen on %s: %w; set broker.embedded to another address", addr, err)
	}
	if err := server.Serve(); err != nil {
		return nil, errors.Join(fmt.Errorf("broker on %s: %w", addr, err), server.Close())
	}
	go strays.run()
	return &Broker{server, tcp, strays}, nil
}

// Addr is the host:port it listens on.
func (b *Broker) Addr() string { return b.tcp.Address() }

// Close ends all connections and waits for them.
func (b *Broker) Close() error {
	b.strays.end()
	return b.server.Close()
}

// watcher lets everyone in and notes who comes and goes.
type watcher struct {
	mqtt.HookBase
	log    *slog.Logger
	strays *strays
}

func (w *watcher) ID() string { return "watcher" }

func (w *watcher) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnSessionEstablished, mqtt.OnDisconnect:
		return true
	}
	return false
}

func (w *watcher) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }
func (w *watcher) OnACLCheck(*mqtt.Client, string, bool) bool              { return true }

func (w *watcher) OnSessionEstablished(cl *mqtt.Client, _ packets.Packet) {
	w.strays.connected(cl)
	w.log.LogAttrs(context.Background(), slog.LevelDebug, "mqtt client connected",
		slog.String("client", cl.ID), slog.String("remote", cl.Net.Remote))
}

func (w *watcher) OnDisconnect(cl *mqtt.Client, err error, _ bool) {
	w.strays.gone(cl)
	attrs := []slog.Attr{slog.String("client", cl.ID), slog.String("remote", cl.Net.Remote)}
	if err != nil {
		attrs = append(attrs, slog.String("reason", err.Error()))
	}
	w.log.LogAttrs(context.Background(), slog.LevelDebug, "mqtt client gone", attrs...)
}
