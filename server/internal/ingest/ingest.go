package ingest

import (
	"context"
	"log/slog"
	"net"
	"time"

	"gritwatch/internal/brokerlink"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/feed"
)

// HostID names the server as a Sparkplug host.
const HostID = points.HostID

// A Pot is what is checked of a pot's messages.
type Pot struct {
	Name, Agent string
	Electric    bool // the handle is a discrete input
	Points      points.Set
}

// Events tell of what arrives, for metrics. Nil funcs are left out. They must not block.
type Events struct {
	Message func(kind string)             // each message of an agent, by Sparkplug's name of its kind
	Samples func(n int, late bool)        // handed to the sink
	Loose   func(agent string, n int)     // live samples that are in no journal
	Gap     func(agent string)            // in an agent's sequence numbers
	Bad     func(topic, why string)       // a message that cannot be read or must not be
	Refused func(pot string, second bool) // data of another agent, or of a second session
	Link    func(up bool)                 // to the broker
}

// Options of a host. Site, Pots, Sink and Log are needed.
type Options struct {
	Site   string
	Pots   []Pot
	Sink   feed.Sink
	Log    *slog.Logger
	Events Events

	// Reorder is how long a message may come after those behind it before births are asked for. 0: a gap is one at once,
	// as brokers keep the order of a connection.
	Reorder time.Duration

	Link *brokerlink.Link                            // the way to the broker; needed to Run
	Dial func(ctx context.Context) (net.Conn, error) // opens the connection; nil: as Link does

	// Hear has the broker hand the agents' messages to take, until end is called, where the broker is in this program; the
	// connection then carries STATE, its will and commands alone. take may wait. nil: the connection carries everything.
	Hear func(filters []string, take func(topic string, payload []byte, retained bool)) (end func())
}

func (o Options) withDefaults() Options {
	e := &o.Events
	if e.Message == nil {
		e.Message = func(string) {}
	}
	if e.Samples == nil {
		e.Samples = func(int, bool) {}
	}
	if e.Loose == nil {
		e.Loose = func(string, int) {}
	}
	if e.Gap == nil {
		e.Gap = func(string) {}
	}
	if e.Bad == nil {
		e.Bad = func(string, string) {}
	}
	if e.Refused == nil {
		e.Refused = func(string, bool) {}
	}
	if e.Link == nil {
		e.Link = func(bool) {}
	}
	if o.Dial == nil && o.Link != nil {
		o.Dial = o.Link.Dial
	}
	return o
}

// Times of the host.
const (
	rebirthEvery = 5 * time.Second  // at most one request to an agent in this time
	echoEvery    = 5 * time.Second  // one echo of each live agent in this time
	deathFollows = 2 * time.Second  // an old session's death after a new one's birth; later: both are alive
	retiredFor   = 10 * time.Minute // a replaced session is known for so long after its last message
	takeOver     = 60 * time.Second // a session that was replaced is taken back once its successor is silent for so long
	echoWaits    = 2 * time.Minute  // for an answer
)

// Bounds of what an agent can make the host hold.
const (
	maxRetired = 16
	maxEchoes  = 32
	maxText    = 128 // bytes of Session/Id, Config/Digest and Guard/State; a line's port is cut there
)
