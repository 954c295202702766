package tally_test

import (
	"context"
	"fmt"
	"log/slog"
	"reflect"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/agent/internal/tally"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

func TestCounts(t *testing.T) {
	var l tally.Tally
	e := l.Events()
	e.Port(true)
	for _, unit := range []uint8{200, 9, 200} {
		e.RTU.Sent(unit)
	}
	e.RTU.Reply(200)
	e.RTU.Exception(200, modbus.IllegalAddress)
	e.RTU.Exception(200, 99)
	e.RTU.Exception(9, modbus.IllegalFunction)
	e.RTU.Exception(9, modbus.IllegalAddress)
	errs := []error{rtu.ErrTimeout, rtu.ErrLate, rtu.ErrCut, rtu.ErrDamaged, lines.ErrLine, ascii.ErrUnsure, rtu.ErrExtra, rtu.ErrBabble, rtu.ErrResting, rtu.ErrPort, context.Canceled}
	for i, err := range errs {
		for range i + 1 {
			e.RTU.Failed(9, fmt.Errorf("probe with count 2: %w", err))
		}
	}
	e.RTU.Echo(9)
	e.RTU.Stray(7)
	e.RTU.Stray(3)
	e.Skipped(4)
	e.Unit(9, false)
	e.Unit(9, true)
	e.Unit(9, false)
	e.Port(false)
	want := tally.Snapshot{Opened: 1, Lost: 1, Skipped: 4, StrayBytes: 10,
		Total: tally.Counts{Requests: 3, Replies: 1, Exceptions: []tally.Exception{{1, 1}, {2, 2}, {99, 1}}, Failed: [tally.Kinds]uint64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}, Echoes: 1},
		Units: []tally.Unit{
			{Unit: 9, Silent: true, Fell: 2, Back: 1, Counts: tally.Counts{Requests: 1, Exceptions: []tally.Exception{{1, 1}, {2, 1}}, Failed: [tally.Kinds]uint64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}, Echoes: 1}},
			{Unit: 200, Counts: tally.Counts{Requests: 2, Replies: 1, Exceptions: []tally.Exception{{2, 1}, {99, 1}}}},
		}}
	got := l.Snapshot()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
	if got.Total.Errors() != 66 || got.Total.Refused() != 4 {
		t.Errorf("%d errors, %d refusals", got.Total.Errors(), got.Total.Refused())
	}
	const text = "no reply: 1, late: 2, cut short: 3, damaged: 4, not understood: 5, not used: 6, extra bytes: 7, line never silent: 8, left in peace: 9, other: 11, " +
		"exception 1: 1, exception 2: 2, exception 99: 1, own requests echoed: 1, stray bytes: 10, periods left out: 4, port lost: 1"
	if got.Trouble() != text {
		t.Errorf("got  %s\nwant %s", got.Trouble(), text)
	}
	if text := (tally.Snapshot{Open: true, Opened: 1, Total: tally.Counts{Requests: 5, Replies: 5}}).Trouble(); text != "" {
		t.Errorf("a healthy line is said to have %q", text)
	}
}

func TestCountsOfText(t *testing.T) {
	var l tally.Tally
	e := l.Events()
	for range 3 {
		e.Text.Sent(2)
	}
	e.Text.Line(2)
	e.Text.Failed(0, fmt.Errorf("gauge 1: %w", lines.ErrCheck))
	e.Text.Failed(2, fmt.Errorf("gauge 3: %w", ascii.ErrTimeout))
	e.Text.Failed(2, ascii.ErrLate)
	e.Text.Echo(2)
	e.Text.Stray(5)
	e.Gauge(2, false)
	late := [tally.Kinds]uint64{tally.NoReply: 1, tally.Late: 1}
	damaged := [tally.Kinds]uint64{tally.Damaged: 1}
	want := tally.Snapshot{StrayBytes: 5,
		Total:  tally.Counts{Requests: 3, Replies: 1, Failed: [tally.Kinds]uint64{tally.NoReply: 1, tally.Late: 1, tally.Damaged: 1}, Echoes: 1},
		Gauges: []tally.Gauge{{Gauge: 0, Counts: tally.Counts{Failed: damaged}}, {Gauge: 2, Silent: true, Fell: 1, Counts: tally.Counts{Requests: 3, Replies: 1, Failed: late, Echoes: 1}}}}
	if got := l.Snapshot(); !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%+v\nwant\n%+v", got, want)
	}
}

// A real line: one unit answers, one refuses, one is silent, one is damaged; the figures of both sides must agree.
func TestOfALine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var asked [4]uint64
		port, far := serialporttest.Pipe()
		done := make(chan struct{})
		go func() {
			defer close(done)
			rtutest.Slave(far, func(r modbus.Request) []byte {
				asked[r.Unit-1]++
				reply := modbus.AppendReadReply(nil, r.Unit, r.Function, make([]uint16, r.Count))
				switch r.Unit {
				case 2:
					return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalAddress)
				case 3:
					return nil
				case 4:
					reply[3] ^= 1
				}
				return reply
			})
		}()
		cfg := config.Bus{Port: "/dev/test", Mode: serialport.Mode{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}, Period: 100 * time.Millisecond, Timeout: 10 * time.Millisecond}
		for unit := uint8(1); unit <= 4; unit++ {
			cfg.Units = append(cfg.Units, config.Unit{Unit: unit, Read: []config.Read{{Pot: "alder", Point: points.Point(unit), Function: modbus.ReadInputRegisters, Type: config.Int16,
				Scale: config.Scale{PerUnit: 1}}}})
		}
		var l tally.Tally
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		bus := poll.NewBus(cfg, poll.Options{Open: func() (serialport.Port, error) { return port, nil }, Now: func() si.Instant { return si.InstantOf(time.Now()) },
			Sink: func(string, points.Sample) {}, Log: slog.New(slog.DiscardHandler), Events: l.Events()})
		if err := bus.Run(ctx); err != nil {
			t.Fatal(err)
		}
		far.Close()
		<-done
		s := l.Snapshot()
		if len(s.Units) != 4 || !s.Open || s.Opened != 1 {
			t.Fatalf("%+v", s)
		}
		for i, u := range s.Units {
			if u.Requests != asked[i] || u.Replies+u.Refused()+u.Errors() < u.Requests {
				t.Errorf("unit %d was asked %d times: %+v", u.Unit, asked[i], u)
			}
		}
		if u := s.Units[0]; u.Replies != u.Requests || u.Requests < 40 || u.Silent {
			t.Errorf("the good one: %+v", u)
		}
		// Its first answer is to the master's probe, to which an exception is as good as any.
		if u := s.Units[1]; u.Refused() != u.Requests-1 || u.Replies != 1 || len(u.Exceptions) != 1 || u.Exceptions[0].Code != modbus.IllegalAddress {
			t.Errorf("the refusing one: %+v", u)
		}
		if u := s.Units[2]; u.Failed[tally.NoReply] == 0 || !u.Silent || u.Fell != 1 || u.Replies != 0 {
			t.Errorf("the silent one: %+v", u)
		}
		if u := s.Units[3]; u.Failed[tally.Damaged] == 0 || u.Replies != 0 {
			t.Errorf("the damaged one: %+v", u)
		}
	})
}

func TestConcurrentReading(t *testing.T) {
	var l tally.Tally
	e := l.Events()
	var wg sync.WaitGroup
	stop := make(chan struct{})
	wg.Go(func() {
		for last := uint64(0); ; {
			select {
			case <-stop:
				return
			default:
			}
			s := l.Snapshot()
			if s.Total.Requests < last || s.Total.Replies > s.Total.Requests {
				t.Errorf("%d requests after %d, %d replies", s.Total.Requests, last, s.Total.Replies)
				return
			}
			last = s.Total.Requests
		}
	})
	for i := range 5000 {
		e.RTU.Sent(uint8(i%3 + 1))
		e.RTU.Reply(uint8(i%3 + 1))
	}
	close(stop)
	wg.Wait()
	if s := l.Snapshot(); s.Total.Requests != 5000 || s.Total.Replies != 5000 {
		t.Errorf("%+v", s.Total)
	}
}

func TestAllocatesNothing(t *testing.T) {
	var l tally.Tally
	e := l.Events()
	err := fmt.Errorf("unit 9: %w", rtu.ErrTimeout)
	if n := testing.AllocsPerRun(100, func() {
		e.RTU.Sent(9)
		e.RTU.Reply(9)
		e.RTU.Exception(9, 2)
		e.RTU.Failed(9, err)
		e.RTU.Echo(9)
		e.RTU.Stray(1)
		e.Unit(9, true)
		e.Text.Sent(3)
		e.Text.Failed(3, ascii.ErrLate)
		e.Skipped(1)
	}); n != 0 {
		t.Errorf("%v allocations, want 0", n)
	}
}
