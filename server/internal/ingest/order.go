package ingest

import (
	"slices"
	"time"

	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// Bounds of what is held back while a message is missing.
const (
	maxHeld     = 32      // messages of one agent
	maxHeldSize = 1 << 16 // bytes of each
)

// held are an agent's messages that came before one that is due.
type held struct {
	since time.Time // of the first
	later []early   // in the order of their numbers
}

type early struct {
	t   sparkplug.Topic
	m   message
	msg sparkplug.Message
}

// inOrder takes a message that has a number, at once where it is the one due, and then those that waited for it. One that is
// early waits for those before it, no longer than Options.Reorder. Everything else is a gap.
func (h *host) inOrder(n *node, t sparkplug.Topic, m message, msg sparkplug.Message) {
	if ahead := n.order.Ahead(msg.Seq); n.state == live && h.o.Reorder > 0 && ahead > 0 && ahead <= maxHeld && len(m.payload) <= maxHeldSize {
		h.hold(n, early{t, m, msg})
		return
	}
	h.take(n, t, m, msg)
	for n.state == live && len(n.held.later) > 0 && n.order.Ahead(n.held.later[0].msg.Seq) == 0 {
		e := n.held.later[0]
		n.held.later = slices.Delete(n.held.later, 0, 1)
		h.take(n, e.t, e.m, e.msg)
	}
	if len(n.held.later) == 0 || n.state != live {
		n.held = held{}
	}
}

// hold keeps a message that is early. That one is missing may be the end of what is known of a pot; that a pot is dead is told at
// once.
func (h *host) hold(n *node, e early) {
	if len(n.held.later) == 0 {
		n.held.since = e.m.at
	}
	i, twice := slices.BinarySearchFunc(n.held.later, e.msg.Seq, func(k early, seq uint8) int {
		return int(n.order.Ahead(k.msg.Seq)) - int(n.order.Ahead(seq))
	})
	if twice {
		return // the broker's mistake; one of them counts
	}
	n.held.later = slices.Insert(n.held.later, i, e)
	if d := n.devices[e.t.Device]; d != nil && e.t.Kind == sparkplug.DeviceDeath {
		h.event(n, d, feed.Event{Kind: feed.Death, Received: e.m.at, Reason: deviceDied})
	}
}

// missing gives up the wait for a message that has not come.
func (h *host) missing(n *node, now time.Time) {
	if len(n.held.later) == 0 || now.Sub(n.held.since) < h.o.Reorder {
		return
	}
	n.held = held{}
	h.gap(n, now)
	h.lose(n, now)
}
