// Package feed is what the field delivers: to a pot births, batches of samples, deaths, and the echoes by which the age of
// a sample can be told; to the metrics what the agents count of their serial lines. Values only; ingest makes them.
package feed

import (
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Kind says what an Event tells.
type Kind uint8

// The kinds of event.
const (
	Birth    Kind = iota + 1 // device born or reborn; its values never count as fresh readings
	Data                     // live samples, ascending in time
	Death                    // device or agent dead, or the link to the broker lost
	Contest                  // data of another agent, or of a second session of the same agent, was refused
	LateData                 // historical samples: never part of a live judgement
)

// An Event is one thing that happened to one pot. Samples belong to the receiver.
type Event struct {
	Kind     Kind
	Pot      string
	Agent    string
	Received time.Time // with its monotonic reading
	Samples  []points.Sample

	// Of the agent's session; set in Birth and Data.
	Session   string // Session/Id
	Epoch     uint64 // Clock/Epoch
	Simulated bool
	Digest    string // Config/Digest

	// The guard's word, with the instant of the sample behind it; GuardAt zero: not in this message.
	Guard   string
	GuardAt si.Instant

	Records Records // Data, LateData: which records of the agent's journal the samples are

	Reason string // Death, Contest: in words, for the log

	SecondSession bool      // Contest: a second session of the pot's own agent, not another agent
	Heard         time.Time // Contest: last message of the other sessions, now that the refused one is believed; zero: it is not, and this is one
}

// Records are positions of an agent's journal.
type Records struct {
	Journal  string // its id; empty: the samples are in no journal
	From, To uint64 // To exclusive
	Epoch    uint64 // Clock/Epoch that stamped them
}

// A Journal is what an agent says of its journal.
type Journal struct {
	Agent, Session string
	Received       time.Time
	ID             string // empty: the agent has none that can be read
	Oldest, Next   uint64 // what it holds, Next exclusive; both 0 where it says only what it does not hold
	Lost           uint64 // positions that hold nothing, at most
	Birth          bool   // of a birth: whatever was asked for before has been forgotten
	NotHeld        Records
}

// An Echo is one round trip to an agent: a nonce left at Sent and its answer, written at AgentAt of the agent's
// clock, arrived at Received. Both server times carry their monotonic reading.
type Echo struct {
	Agent, Session string
	Epoch          uint64
	Sent, Received time.Time
	AgentAt        si.Instant
}

// Lines is what an agent has counted of its serial lines since it started: all of them, whatever is new. None: it has
// none, is dead, or cannot be heard. The slice, by the number of the line from 1, belongs to the receiver.
type Lines struct {
	Agent, Session string
	Lines          []points.Line
}

// A Sink takes what comes from the field. Calls come from one goroutine, in order, and must not block.
type Sink interface {
	Event(Event)
	Echo(Echo)
	Lines(Lines)
	Journal(Journal)
}
