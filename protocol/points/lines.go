package points

import (
	"strconv"
	"strings"
)

// MaxLines is how many serial lines an agent tells of at most.
const MaxLines = 64

// A LineItem is one thing that an agent tells of a serial line. Its Sparkplug node metric is "Line/1/Requests", with the
// number of the line from 1 in the order of the agent's configuration.
type LineItem uint8

// The items. LineExceptions to LineOther say what became of requests (or queries) that got no good reply.
const (
	LinePort          LineItem = iota // String: as configured
	LineOpen                          // Boolean: the port, now
	LineRequests                      // UInt64, as all that follow: sent since the agent's start
	LineReplies                       // good ones
	LineExceptions                    // refused by the unit
	LineNoReply                       //
	LineLate                          // the reply to an earlier request came
	LineCut                           // the reply ends too early
	LineDamaged                       // its check does not fit
	LineNotUnderstood                 // a line of text that its pattern does not fit
	LineNotUsed                       // a line of text that may belong to an earlier query
	LineExtraBytes                    // more came than the reply
	LineNeverSilent                   // the line was never silent
	LineLeftInPeace                   // not sent: a late reply may be on its way
	LinePortFailed                    // the port failed in the middle of it
	LineOther                         //
	LineEchoes                        // own requests that came back
	LineStrayBytes                    // that nobody asked for
	LinePortLost                      // times the port was lost
	LineLeftOut                       // periods left out because the line was still busy
	LineSilentUnits                   // units or gauges that are silent, now

	LineItems = 21 // how many there are
)

// lineNames are the names of the items, in Sparkplug's names.
var lineNames = [LineItems]string{"Port", "Open", "Requests", "Replies", "Exceptions", "No Reply", "Late", "Cut", "Damaged",
	"Not Understood", "Not Used", "Extra Bytes", "Never Silent", "Left In Peace", "Port Failed", "Other",
	"Echoes", "Stray Bytes", "Port Lost", "Periods Left Out", "Silent Units"}

const lineMetrics = "Line/"

// String is the item's name, as "No Reply".
func (i LineItem) String() string { return lineNames[i] }

// Metric is the Sparkplug name of the item for a line, as "Line/1/No Reply".
func (i LineItem) Metric(line int) string {
	return lineMetrics + strconv.Itoa(line) + "/" + lineNames[i]
}

// Failure is the item's name in snake case, as "no_reply"; false where it does not count requests without a good reply.
func (i LineItem) Failure() (string, bool) {
	if i < LineExceptions || i > LineOther {
		return "", false
	}
	return strings.ReplaceAll(strings.ToLower(lineNames[i]), " ", "_"), true
}

// Grows tells whether the item is a counter, which never falls within a session of the agent.
func (i LineItem) Grows() bool { return i >= LineRequests && i < LineSilentUnits }

// ParseLine is the line (1 to MaxLines) and the item that a Sparkplug metric of that name tells of; false for all others.
func ParseLine(name string) (line int, item LineItem, ok bool) {
	rest, ok := strings.CutPrefix(name, lineMetrics)
	if !ok {
		return 0, 0, false
	}
	number, what, ok := strings.Cut(rest, "/")
	line, err := strconv.Atoi(number)
	if !ok || err != nil || line < 1 || line > MaxLines || strconv.Itoa(line) != number {
		return 0, 0, false
	}
	for i, n := range lineNames {
		if n == what {
			return line, LineItem(i), true
		}
	}
	return 0, 0, false
}

// A Line is what is told of a serial line. An empty Port: nothing is.
type Line struct {
	Port   string
	Values [LineItems]uint64 // by item; LineOpen: 0 or 1, LinePort: 0
}
