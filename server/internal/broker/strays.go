package broker

import (
	"errors"
	"log/slog"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
)

// roundEvery is how often strays are looked for.
const roundEvery = time.Second

var errStray = errors.New("the broker no longer knew this connection")

// strays finds connections that the library has lost. Where a client connects while its former connection is being
// cleared away, the clearing can take the new one's subscriptions and its place in the list: the client is connected,
// hears nothing, and is not ended by the next that takes its name. Such a connection is closed, so that its client
// begins anew.
type strays struct {
	log  *slog.Logger
	list *mqtt.Clients
	also func() // done with every round

	mu   sync.Mutex
	open map[*mqtt.Client]struct{}

	stop chan struct{}
	done chan struct{}
}

func newStrays(list *mqtt.Clients, log *slog.Logger, also func()) *strays {
	return &strays{log: log, list: list, also: also, open: map[*mqtt.Client]struct{}{}, stop: make(chan struct{}), done: make(chan struct{})}
}

func (s *strays) connected(cl *mqtt.Client) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.open[cl] = struct{}{}
}

func (s *strays) gone(cl *mqtt.Client) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, cl)
}

// run goes its rounds until end.
func (s *strays) run() {
	defer close(s.done)
	ticker := time.NewTicker(roundEvery)
	defer ticker.Stop()
	for {
		select {
		case <-s.stop:
			return
		case <-ticker.C:
			s.round()
			s.also()
		}
	}
}

func (s *strays) end() {
	close(s.stop)
	<-s.done
}

// round closes the connections that the broker's list does not hold.
func (s *strays) round() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for cl := range s.open {
		if listed, ok := s.list.Get(cl.ID); (!ok || listed != cl) && !cl.Closed() {
			s.log.Warn("closed a connection that had lost its place: do two programs use one client id?",
				slog.String("client", cl.ID), slog.String("remote", cl.Net.Remote))
			cl.Stop(errStray)
		}
	}
}
