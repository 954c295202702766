// Package broker runs an MQTT broker inside the server. Without users and certificates it takes anyone, so that it belongs on
// the loopback address; the configuration refuses any other unless told. With them each client has the rights of package
// access and no others. The server itself comes in by a door of its own, Dial.
package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"syscall"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// Bounds of what clients can make the broker hold.
const (
	maxClients = 500     // or enough for the site's agents, where they are many
	maxPacket  = 1 << 20 // bytes
	maxPending = 1024    // messages waiting for one client; beyond, they are dropped
	listenerID = "tcp"
	insideID   = "inside"
)

// ErrInUse is the port of another program.
var ErrInUse = errors.New("address in use")

// inUseError is ErrInUse with the address, in words for people.
type inUseError struct{ addr string }

func (e *inUseError) Error() string {
	return e.addr + " is in use by another program: stop it or set broker.embedded to another address"
}

func (e *inUseError) Is(target error) bool { return target == ErrInUse }

// Options of a broker. Addr and Log are needed.
type Options struct {
	Addr string // host:port; port 0 takes a free one
	Site string // whose agents connect; needed with users or certificates
	Log  *slog.Logger

	Cert, Key string   // PEM files: speak TLS with these; empty: no TLS
	ClientCA  string   // PEM file of the authorities of agents' certificates; empty: certificates are not asked for
	Users     string   // the users' file; empty: no log-ins
	Agents    []string // that may come with a certificate, whose common name is theirs
}

// A Broker is a running broker.
type Broker struct {
	server *mqtt.Server
	gate   *gate
	inside *inside
	strays *strays
}

// Start serves until Close. A port in use gives ErrInUse.
func Start(o Options) (*Broker, error) {
	caps := mqtt.NewDefaultServerCapabilities()
	caps.MaximumClients = int64(clients(o))
	caps.MaximumPacketSize = maxPacket
	caps.MaximumClientWritesPending = maxPending
	// The library writes whole packets and every lost connection to its log; watcher says what matters.
	server := mqtt.New(&mqtt.Options{Capabilities: caps, Logger: slog.New(slog.DiscardHandler)})
	door, err := newDoor(o, server)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	certs, err := newCertificates(o)
	if err != nil {
		return nil, fmt.Errorf("broker: %w", err)
	}
	strays := newStrays(server.Clients, o.Log, door.round)
	for _, hook := range []mqtt.Hook{door, &watcher{log: o.Log, strays: strays}} {
		if err := server.AddHook(hook, nil); err != nil {
			return nil, fmt.Errorf("broker: %w", err)
		}
	}
	listener, err := net.Listen("tcp", o.Addr)
	if errors.Is(err, syscall.EADDRINUSE) {
		return nil, &inUseError{o.Addr}
	} else if err != nil {
		return nil, fmt.Errorf("broker cannot listen on %s: %w; set broker.embedded to another address", o.Addr, err)
	}
	b := &Broker{server: server, gate: newGate(listener, certs.server(), clients(o), o.Log), inside: newInside(), strays: strays}
	err = errors.Join(server.AddListener(listeners.NewNet(listenerID, b.gate)), server.AddListener(listeners.NewNet(insideID, b.inside)))
	if err == nil {
		err = server.Serve()
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("broker on %s: %w", o.Addr, err), listener.Close(), server.Close())
	}
	go strays.run()
	return b, nil
}

// clients is how many may be connected: each agent twice, for one that comes back before its former connection is found
// broken, and some others.
func clients(o Options) int { return max(maxClients, 2*len(o.Agents)+maxClients/2) }

// Addr is the host:port it listens on.
func (b *Broker) Addr() string { return b.gate.Addr().String() }

// Dial is a connection for this program itself, with every right.
func (b *Broker) Dial(ctx context.Context) (net.Conn, error) { return b.inside.dial(ctx) }

// Close ends all connections and waits for them.
func (b *Broker) Close() error {
	b.strays.end()
	b.gate.shut()
	b.empty()
	return b.server.Close()
}

// endAgain is how often clients are ended until none is left: one that has just come is not in the library's list yet.
const endAgain = 20 * time.Millisecond

// empty ends all clients, and returns once the library is done with them. Its own way out (v2.7.9) looks at its list of clients under a lock that it asks for a second time
// meanwhile (Clients.GetByListener, Len): where a client leaves between the two, both wait for each other for ever. So nobody is left who could leave then.
func (b *Broker) empty() {
	_ = b.inside.Close() // nil always
	end := func() {
		for _, cl := range b.server.Clients.GetAll() {
			if !cl.Closed() {
				_ = b.server.DisconnectClient(cl, packets.ErrServerShuttingDown) // the code, or that the client is gone already
			}
		}
	}
	end()
	_ = b.gate.Close() // those too that have not said who they are; the library closes it once more
	done := make(chan struct{})
	go func() {
		b.server.Listeners.ClientsWg.Wait()
		close(done)
	}()
	again := time.NewTicker(endAgain)
	defer again.Stop()
	for {
		select {
		case <-done:
			return
		case <-again.C:
			end()
		}
	}
}

// watcher notes who comes and goes.
type watcher struct {
	mqtt.HookBase
	log    *slog.Logger
	strays *strays
}

func (w *watcher) ID() string { return "watcher" }

func (w *watcher) Provides(b byte) bool {
	return b == mqtt.OnSessionEstablished || b == mqtt.OnDisconnect
}

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
