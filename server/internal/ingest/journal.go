package ingest

import (
	"fmt"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// mostReadings bounds the readings of one message, and with it what a wrong position can claim.
const mostReadings = 1 << 16

// controls are the aliases of the metrics that commands set. Sparkplug wants a metric named as its birth has it.
type controls map[string]uint64

func controlsOf(birth sparkplug.Message) controls {
	c := controls{}
	for _, name := range [...]string{points.MetricEcho, points.MetricReplayID, points.MetricReplayFrom, points.MetricReplayTo} {
		if m := birth.Find(name); m != nil && m.Aliased {
			c[name] = m.Alias
		}
	}
	return c
}

// named gives a metric its alias, if it has one.
func (c controls) named(m sparkplug.Metric) sparkplug.Metric {
	m.Alias, m.Aliased = c[m.Name], false
	if _, ok := c[m.Name]; ok {
		m.Aliased = true
	}
	return m
}

// uintOf is a metric's value; false where it is absent, null or something else.
func uintOf(msg sparkplug.Message, name string) (uint64, bool) {
	m := msg.Find(name)
	if m == nil || m.Null {
		return 0, false
	}
	return m.Value.Uint()
}

// bornJournal takes what a node's birth says of its journal.
func (h *host) bornJournal(n *node, m message, msg sparkplug.Message) {
	n.journal = ""
	if id := msg.Find(points.MetricJournalID); id != nil && !id.Null {
		n.journal, _ = id.Value.Text()
	}
	if len(n.journal) > maxText {
		h.bad(m, "Journal/Id is too long; the agent is taken for one without a journal")
		n.journal = ""
	}
	j := feed.Journal{Agent: n.agent, Session: n.session, Received: m.at, ID: n.journal, Birth: true}
	if j.ID != "" {
		j.Oldest, _ = uintOf(msg, points.MetricJournalOldest)
		j.Next, _ = uintOf(msg, points.MetricJournalNext)
		j.Lost, _ = uintOf(msg, points.MetricJournalLost)
	}
	h.o.Sink.Journal(j)
}

// journalData takes what a node says of its journal later.
func (h *host) journalData(n *node, m message, msg sparkplug.Message) {
	if id := msg.Find(points.MetricJournalID); id != nil {
		if v, _ := id.Value.Text(); v != n.journal {
			h.lose(n, m.at) // a new journal comes with births
			return
		}
	}
	if n.journal == "" {
		return
	}
	j := feed.Journal{Agent: n.agent, Session: n.session, Received: m.at, ID: n.journal}
	from, ok1 := uintOf(msg, points.MetricJournalVoidFrom)
	to, ok2 := uintOf(msg, points.MetricJournalVoidTo)
	if ok1 && ok2 && from < to {
		j.NotHeld = feed.Records{Journal: n.journal, From: from, To: to}
	}
	oldest, ok3 := uintOf(msg, points.MetricJournalOldest)
	next, ok4 := uintOf(msg, points.MetricJournalNext)
	if ok3 && ok4 {
		j.Oldest, j.Next = oldest, next
		j.Lost, _ = uintOf(msg, points.MetricJournalLost)
	}
	if j.NotHeld.Journal != "" || ok3 && ok4 {
		h.o.Sink.Journal(j)
	}
}

// records tells which records of the agent's journal a message's readings are, in their order.
func (n *node) records(msg sparkplug.Message, readings uint64) (feed.Records, error) {
	from, ok := uintOf(msg, points.MetricJournalPosition)
	if !ok {
		return feed.Records{}, nil
	}
	count, ok1 := uintOf(msg, points.MetricJournalCount)
	epoch, ok2 := uintOf(msg, points.MetricJournalEpoch)
	switch {
	case n.journal == "":
		return feed.Records{}, fmt.Errorf("%s without a %s in the birth", points.MetricJournalPosition, points.MetricJournalID)
	case !ok1 || !ok2:
		return feed.Records{}, fmt.Errorf("%s without %s or %s", points.MetricJournalPosition, points.MetricJournalCount, points.MetricJournalEpoch)
	case count != readings || count > mostReadings || from > 1<<62:
		return feed.Records{}, fmt.Errorf("%s says %d from position %d and the message has %d readings", points.MetricJournalCount, count, from, readings)
	}
	return feed.Records{Journal: n.journal, From: from, To: from + count, Epoch: epoch}, nil
}

// replay asks an agent for records of its journal, and tells it that what lies before from is stored. It is false where the
// agent cannot be asked now.
func (h *host) replay(agent, journal string, from, to uint64, now time.Time) bool {
	n := h.nodes[agent]
	if n == nil || n.state != live || n.journal != journal {
		return false
	}
	at := si.InstantOf(now)
	h.send(agent, now, []sparkplug.Metric{
		n.controls.named(sparkplug.Str(points.MetricReplayID, at, journal)),
		n.controls.named(sparkplug.Uint(points.MetricReplayFrom, at, from)),
		n.controls.named(sparkplug.Uint(points.MetricReplayTo, at, to)),
	})
	return true
}
