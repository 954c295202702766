package ingest

import (
	"slices"
	"strings"

	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// bornLines takes the serial lines of which an agent's birth tells: they are all there are.
func (h *host) bornLines(n *node, m message, msg sparkplug.Message) {
	count := 0
	for i := range msg.Metrics {
		if line, _, ok := points.ParseLine(msg.Metrics[i].Name); ok {
			count = max(count, line)
		}
	}
	n.lines = make([]points.Line, count)
	h.takeLines(n, m, msg)
	h.handLines(n)
}

// lines takes what has changed of the lines that were born.
func (h *host) lines(n *node, m message, msg sparkplug.Message) {
	if h.takeLines(n, m, msg) {
		h.handLines(n)
	}
}

// takeLines tells whether anything in a message counts. Counters never fall within a birth: what was read before it may
// be sent after it.
func (h *host) takeLines(n *node, m message, msg sparkplug.Message) (counts bool) {
	for i := range msg.Metrics {
		metric := &msg.Metrics[i]
		line, item, ok := points.ParseLine(metric.Name)
		if !ok || line > len(n.lines) || metric.Null || metric.Historical {
			continue
		}
		l := &n.lines[line-1]
		switch item {
		case points.LinePort:
			var port string
			if port, ok = metric.Value.Text(); ok {
				l.Port = cut(port)
			}
		case points.LineOpen:
			var open bool
			if open, ok = metric.Value.Bool(); ok {
				l.Values[item] = 0
				if open {
					l.Values[item] = 1
				}
			}
		default:
			var v uint64
			if v, ok = metric.Value.Uint(); ok && (!item.Grows() || v > l.Values[item]) {
				l.Values[item] = v
			}
		}
		if !ok {
			h.bad(m, metric.Name+" is not of its type; it is left out")
			continue
		}
		counts = true
	}
	return counts
}

// cut is the beginning of a text, in whole characters.
func cut(s string) string {
	if len(s) <= maxText {
		return s
	}
	return strings.ToValidUTF8(s[:maxText], "")
}

func (h *host) handLines(n *node) {
	h.o.Sink.Lines(feed.Lines{Agent: n.agent, Session: n.session, Lines: slices.Clone(n.lines)})
}
