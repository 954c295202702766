package app

import (
	"fmt"
	"testing"

	"gritwatch/agent/internal/ascii"
	text "gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/tally"
	"gritwatch/protocol/points"
)

// Every counter of a tally, each with a number of its own, arrives under its name.
func TestLinesOfTallies(t *testing.T) {
	tallies := make([]tally.Tally, 2)
	e := tallies[1].Events()
	e.Port(true)
	times := func(n int, f func()) {
		for range n {
			f()
		}
	}
	times(40, func() { e.RTU.Sent(9) })
	times(2, func() { e.Text.Sent(0) })
	times(30, func() { e.RTU.Reply(9) })
	times(3, func() { e.RTU.Exception(9, 2) })
	times(4, func() { e.RTU.Exception(8, 3) })
	for i, err := range []error{rtu.ErrTimeout, rtu.ErrLate, rtu.ErrCut, rtu.ErrDamaged, text.ErrLine, ascii.ErrUnsure, rtu.ErrExtra, rtu.ErrBabble, rtu.ErrResting,
		rtu.ErrPort, fmt.Errorf("another")} {
		times(i+10, func() { e.RTU.Failed(9, err) })
	}
	times(31, func() { e.RTU.Echo(9) })
	e.RTU.Stray(32)
	times(33, func() { e.Port(false); e.Port(true) })
	e.Skipped(34)
	e.Unit(9, false)
	e.Unit(8, false)
	e.Unit(9, true)
	e.Gauge(0, false)
	got := lines([]config.Bus{{Port: "/dev/line-1"}, {Port: "/dev/line-\xff"}}, tallies)
	want := points.Line{Port: "/dev/line-?", Values: [points.LineItems]uint64{0, 1, 42, 30, 7, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 31, 32, 33, 34, 2}}
	if len(got) != 2 || got[1] != want || got[0] != (points.Line{Port: "/dev/line-1"}) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// An agent with more lines than are told of tells of the first.
func TestManyLines(t *testing.T) {
	const many = points.MaxLines + 3
	buses := make([]config.Bus, many)
	for i := range buses {
		buses[i].Port = fmt.Sprint("/dev/line-", i)
	}
	got := lines(buses, make([]tally.Tally, many))
	if len(got) != points.MaxLines || got[points.MaxLines-1].Port != "/dev/line-63" {
		t.Errorf("%d lines, the last %+v", len(got), got[len(got)-1])
	}
}
