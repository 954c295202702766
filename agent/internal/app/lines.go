package app

import (
	"strings"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/tally"
	"gritwatch/protocol/points"
)

// failures are the items by which what became of requests is told.
var failures = [tally.Kinds]points.LineItem{tally.NoReply: points.LineNoReply, tally.Late: points.LineLate, tally.Cut: points.LineCut,
	tally.Damaged: points.LineDamaged, tally.NotUnderstood: points.LineNotUnderstood, tally.Unused: points.LineNotUsed,
	tally.Extra: points.LineExtraBytes, tally.Babble: points.LineNeverSilent, tally.Resting: points.LineLeftInPeace,
	tally.PortLost: points.LinePortFailed, tally.Other: points.LineOther}

// lines is what the tallies, one a bus, have counted.
func lines(buses []config.Bus, tallies []tally.Tally) []points.Line {
	n := min(len(buses), points.MaxLines)
	out := make([]points.Line, 0, n)
	for i := range n {
		out = append(out, lineOf(buses[i].Port, tallies[i].Snapshot()))
	}
	return out
}

func lineOf(port string, s tally.Snapshot) points.Line {
	l := points.Line{Port: strings.ToValidUTF8(port, "?")} // else no birth would encode
	v := &l.Values
	if s.Open {
		v[points.LineOpen] = 1
	}
	v[points.LineRequests], v[points.LineReplies] = s.Total.Requests, s.Total.Replies
	v[points.LineExceptions] = s.Total.Refused()
	for k, n := range s.Total.Failed {
		v[failures[k]] = n
	}
	v[points.LineEchoes], v[points.LineStrayBytes] = s.Total.Echoes, s.StrayBytes
	v[points.LinePortLost], v[points.LineLeftOut] = s.Lost, s.Skipped
	for _, u := range s.Units {
		if u.Silent {
			v[points.LineSilentUnits]++
		}
	}
	for _, g := range s.Gauges {
		if g.Silent {
			v[points.LineSilentUnits]++
		}
	}
	return l
}
