// Package ingest is the server's Sparkplug host application: it follows the births, data and deaths of the site's
// agents over MQTT and hands them to a feed.Sink, checked and in order.
//
// Only the agent that the configuration binds to a pot is believed (R8). Data of another agent for that pot, and data of
// a second session of the same agent, are refused and told as feed.Contest. A session is named by the agent's
// Session/Id. Two sessions are alive where a session that another has replaced comes back, or where a new one begins
// and the death of the old one does not follow within 2 s.
//
// After a gap in an agent's sequence numbers nothing of it is believed until its births have been repeated, because
// what is missing may have been a new session or a step of its clock.
package ingest

import (
	"log/slog"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/feed"
)

// HostID names the server as a Sparkplug host.
const HostID = "gritwatch"

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

	URL                string // of the broker: mqtt://host:port or mqtts://host:port
	Username, Password string
}

func (o Options) withDefaults() Options {
	e := &o.Events
	if e.Message == nil {
		e.Message = func(string) {}
	}
	if e.Samples == nil {
		e.Samples = func(int, bool) {}
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
