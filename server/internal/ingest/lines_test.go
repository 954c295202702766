package ingest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// told is the last that was handed on of an agent's lines, and how often anything was.
func (b *bench) told(agent string) (lines []points.Line, times int) {
	for _, l := range b.lines {
		if l.Agent == agent {
			lines, times = l.Lines, times+1
		}
	}
	return lines, times
}

// node sends node data.
func (e *edge) nodeData(ms ...sparkplug.Metric) {
	at := si.InstantOf(e.b.now)
	e.b.put(e.topic(sparkplug.NodeData, ""), must(sparkplug.EncodeData(at, e.seq.Next(), ms)))
}

func TestLines(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	at := si.InstantOf(b.now)
	u := func(name string, v uint64) sparkplug.Metric { return sparkplug.Uint(name, at, v) }
	e.lines = []sparkplug.Metric{sparkplug.Str("Line/2/Port", at, "/dev/line-2"), u("Line/2/Requests", 70), sparkplug.Bool("Line/2/Open", at, true),
		u("Line/2/Silent Units", 2), sparkplug.Str("Line/1/Port", at, "/dev/line-1")}
	e.born("alder")
	want := []points.Line{{Port: "/dev/line-1"}, {Port: "/dev/line-2"}}
	want[1].Values[points.LineRequests], want[1].Values[points.LineOpen], want[1].Values[points.LineSilentUnits] = 70, 1, 2
	check := func(what string, events int) {
		t.Helper()
		got, n := b.told("quay-1")
		if !slices.Equal(got, want) || n != events {
			t.Errorf("%s: told %d times, at last %+v\nwant %d times, %+v", what, n, got, events, want)
		}
		for _, l := range b.lines {
			if l.Session != "s1" {
				t.Errorf("%s: session %q", what, l.Session)
			}
		}
		b.clear()
	}
	check("birth", 1)

	before := b.h.nodes["quay-1"].lines
	e.nodeData(u("Line/2/Requests", 90), u("Line/2/No Reply", 3), u("Line/2/Silent Units", 1), sparkplug.Bool("Line/2/Open", at, false))
	want[1].Values[points.LineRequests], want[1].Values[points.LineNoReply] = 90, 3
	want[1].Values[points.LineOpen], want[1].Values[points.LineSilentUnits] = 0, 1
	handed, _ := b.told("quay-1")
	check("data", 1)
	before[1].Values[points.LineLate] = 77 // what was handed on is the receiver's
	if handed[1].Values[points.LineLate] == 77 {
		t.Error("host and receiver share what was handed on")
	}
	before[1].Values[points.LineLate] = 0

	e.nodeData(u(points.MetricClockEcho, 1), u(points.MetricClockEchoAt, 2))
	if _, n := b.told("quay-1"); n != 0 {
		t.Error("an echo's answer tells of lines")
	}
	e.nodeData(u("Line/2/Requests", 80), u("Line/2/No Reply", 4)) // requests were read before the others
	want[1].Values[points.LineNoReply] = 4
	check("a counter that falls", 1)

	late := u("Line/1/Requests", 5)
	late.Historical = true
	e.nodeData(late)
	null := u("Line/1/Requests", 5)
	null.Null = true
	e.nodeData(null, u("Line/3/Requests", 9), u("Line/65/Requests", 9), u("Line/1/Unit/9/Requests", 9), u("Line/1/requests", 9))
	if _, n := b.told("quay-1"); n != 0 || len(b.bad) != 0 {
		t.Errorf("told %d times of what is late, null, not born or unknown; bad %v", n, b.bad)
	}

	e.nodeData(sparkplug.Str("Line/1/Requests", at, "9"), u("Line/1/Open", 1), sparkplug.Bool("Line/1/Port", at, true), u("Line/1/Replies", 6))
	want[0].Values[points.LineReplies] = 6
	if len(b.bad) != 3 {
		t.Errorf("bad %v", b.bad)
	}
	check("wrong types", 1)

	e.lines = e.lines[:0] // the agent runs on with other lines: none
	e.born("alder")
	want = []points.Line{}
	check("a birth without lines", 1)
}

// What can no longer be known is taken back: at the death of the agent, and at the loss of the link.
func TestLinesEnd(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	e.lines = []sparkplug.Metric{sparkplug.Str("Line/1/Port", si.InstantOf(b.now), "/dev/line-1")}
	alive := func(what string, want bool) {
		t.Helper()
		if got, n := b.told("quay-1"); (len(got) > 0) != want || n == 0 {
			t.Errorf("%s: %d lines", what, len(got))
		}
		b.clear()
	}
	e.born("alder")
	alive("birth", true)
	e.die()
	alive("death", false)
	e.born("alder")
	alive("birth again", true)
	b.h.unlinked(b.now, "the link to the broker is lost")
	alive("link lost", false)

	e.born("alder")
	b.clear()
	e.seq.Next() // a message is lost: nothing is believed until the births
	e.nodeData(sparkplug.Uint("Line/1/Requests", si.InstantOf(b.now), 9))
	if _, n := b.told("quay-1"); n != 0 {
		t.Error("lines after a gap are believed")
	}
	b.edge("quay-1", "s2", 1).born("alder")
	b.clear()
	b.wait(time.Second)
	e.born("alder") // the old session is back: refused
	if _, n := b.told("quay-1"); n != 0 {
		t.Error("lines of a second session are believed")
	}
}

// Whatever an agent sends, it is held to so many lines and so much text.
func TestLinesAreBounded(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	at := si.InstantOf(b.now)
	for i := range 5000 {
		e.lines = append(e.lines, sparkplug.Str(fmt.Sprintf("Line/%d/Port", i), at, strings.Repeat("x", maxText-1)+"äöü"))
	}
	e.born("alder")
	got, _ := b.told("quay-1")
	if len(got) != points.MaxLines {
		t.Fatalf("%d lines", len(got))
	}
	for i, l := range got {
		if l.Port != strings.Repeat("x", maxText-1) || !utf8.ValidString(l.Port) {
			t.Errorf("line %d: port %q", i+1, l.Port)
		}
	}
	x := b.edge("quay-9", "s", 0) // not in the site's file
	x.lines = e.lines
	x.born()
	if _, n := b.told("quay-9"); n != 0 {
		t.Error("lines of a stranger")
	}
}
