package probe_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/probe"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/modbus"
)

// A site is what stands on the line: what it does depends on the mode in which it is opened.
type site struct {
	serve func(mode serialport.Mode, far net.Conn) // until far is closed
	tried []string
	asked map[string]int // requests by unit and function
	done  []chan struct{}
	fars  []net.Conn
}

func (s *site) open(mode serialport.Mode) (serialport.Port, error) {
	s.tried = append(s.tried, mode.String())
	port, far := serialporttest.Pipe()
	done := make(chan struct{})
	s.done, s.fars = append(s.done, done), append(s.fars, far)
	go func() {
		defer close(done)
		s.serve(mode, far)
		io.Copy(io.Discard, far) // until the port is closed
	}()
	return port, nil
}

func (s *site) end() {
	for i := range s.done {
		s.fars[i].Close()
		<-s.done[i]
	}
}

// units makes a line of slaves that answer at one mode alone.
func units(at string, answer func(modbus.Request) []byte) *site {
	s := &site{asked: make(map[string]int)}
	s.serve = func(mode serialport.Mode, far net.Conn) {
		rtutest.Slave(far, func(r modbus.Request) []byte {
			if mode.String() != at {
				return nil
			}
			s.asked[fmt.Sprint(r.Unit, r.Function)]++
			if r.Count != 1 || r.Address != 0 {
				panic("a scan asks for one register at address 0")
			}
			return answer(r)
		})
	}
	return s
}

// zeros answers with zeros.
func zeros(r modbus.Request) []byte {
	if r.Function == modbus.ReadDiscreteInputs || r.Function == modbus.ReadCoils {
		return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalFunction)
	}
	return modbus.AppendReadReply(nil, r.Unit, r.Function, make([]uint16, r.Count))
}

// scan runs in fake time and gives the result, what was written, and how long it took.
func scan(t *testing.T, s *site, o probe.Options) (r probe.Result, text string, took time.Duration, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		o.Port, o.Open, o.Out = "/dev/test", s.open, &out
		start := time.Now()
		r, err = probe.Scan(t.Context(), o)
		took = time.Since(start)
		if rerr := probe.Run(t.Context(), o); rerr != nil && !errors.Is(rerr, probe.ErrNothing) {
			t.Error(rerr)
		}
		text = out.String()
		s.end()
	})
	return r, text, took, err
}

func found(r probe.Result) string {
	var out []string
	for _, m := range r.Modes {
		for _, u := range m.Units {
			var fns []string
			for _, a := range u.Answers {
				fns = append(fns, fmt.Sprintf("%02d:%d", a.Function, a.Code))
			}
			out = append(out, fmt.Sprintf("%s unit %d %s", m.Mode, u.Unit, strings.Join(fns, " ")))
		}
	}
	return strings.Join(out, "; ")
}

func has(t *testing.T, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			t.Errorf("no %q in\n%s", p, text)
		}
	}
}

func TestFindsUnitsAtTheirSetting(t *testing.T) {
	s := units("19200 8E1", func(r modbus.Request) []byte {
		switch r.Unit {
		case 9:
			time.Sleep(12 * time.Millisecond)
			return zeros(r)
		case 21:
			return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalAddress)
		}
		return nil
	})
	r, text, took, err := scan(t, s, probe.Options{})
	if err != nil || r.Stopped {
		t.Fatal(err, r.Stopped)
	}
	got := found(r)
	if !strings.HasPrefix(got, "19200 8E1 unit 9 ") || !strings.Contains(got, " 02:1 03:0 04:0; 19200 8E1 unit 21 ") || !strings.HasSuffix(got, " 02:2 03:2 04:2") {
		t.Errorf("found %s", got)
	}
	if len(r.Modes) != 2 || strings.Join(s.tried[:3], ", ") != "9600 8N1, 9600 8N1, 19200 8E1" {
		t.Errorf("tried %v: it must stop where something answers", s.tried)
	}
	if d := r.Modes[1].Units[0].Slowest(); d < 12*time.Millisecond || d > 14*time.Millisecond {
		t.Errorf("round trip %v, want 12 ms and a silence", d)
	}
	// 247 units, two requests of about 112 ms to each silent one, two settings.
	if took > 2*2*247*120*time.Millisecond {
		t.Errorf("took %v", took)
	}
	has(t, text, "247 units in 14 settings: at most ", "/dev/test, 19200 8E1: 2 units answered", "yes*: the unit knows the function, but has nothing at address 0",
		"  - port: /dev/test\n    mode: 19200 8E1\n    period: 100 ms\n    units:\n      - unit: 9\n        read: [{pot: POT, point: POINT, input: ADDRESS",
		`gritwatch-agent probe --port /dev/test --modes "19200 8E1" --unit 9 --registers input:0-99`)
}

// Few requests: two to a unit that is silent, one a function to one that answers.
func TestAsksFewRequests(t *testing.T) {
	s := units("9600 8N1", func(r modbus.Request) []byte {
		if r.Unit == 9 {
			return zeros(r)
		}
		return nil
	})
	var r probe.Result
	synctest.Test(t, func(t *testing.T) {
		r, _ = probe.Scan(t.Context(), probe.Options{Open: s.open, Units: []uint8{8, 9}})
		s.end()
	})
	for q, n := range s.asked {
		if n != 1 || strings.HasPrefix(q, "8 ") && q != "8 3" && q != "8 4" {
			t.Errorf("unit and function %s: asked %d times", q, n)
		}
	}
	if n := r.Modes[0].Requests; n != len(s.asked) || n < 5 {
		t.Errorf("%d requests, the units saw %v", n, s.asked)
	}
}

func TestAllSettings(t *testing.T) {
	modes, err := probe.ParseModes("9600 8N1, 19200 8E1,38400 8N1")
	if err != nil {
		t.Fatal(err)
	}
	s := units("9600 8N1", zeros)
	r, _, _, err := scan(t, s, probe.Options{Modes: modes, Units: []uint8{3}, All: true})
	if err != nil || len(r.Modes) != 3 || !strings.HasPrefix(found(r), "9600 8N1 unit 3 ") || strings.Contains(found(r), ";") {
		t.Errorf("%v, %v, found %s", err, s.tried, found(r))
	}
}

// Unit 4 takes 150 ms: its reply arrives while unit 5, which does not exist, is asked.
func TestLateReplyBelongsToItsUnit(t *testing.T) {
	s := &site{}
	s.serve = func(_ serialport.Mode, far net.Conn) {
		replies := make(chan []byte, 100)
		written := make(chan struct{})
		go func() {
			defer close(written)
			for b := range replies {
				far.Write(b)
			}
		}()
		var timers []*time.Timer
		rtutest.Slave(far, func(r modbus.Request) []byte {
			if r.Unit == 4 {
				timers = append(timers, time.AfterFunc(150*time.Millisecond, func() { replies <- zeros(r) }))
			}
			return nil
		})
		for _, timer := range timers {
			timer.Stop()
		}
		close(replies)
		<-written
	}
	r, text, _, err := scan(t, s, probe.Options{Modes: probe.Common()[:1], Units: []uint8{3, 4, 5, 6}})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Modes[0].Units) != 1 || r.Modes[0].Units[0].Unit != 4 {
		t.Fatalf("found %s", found(r))
	}
	u := r.Modes[0].Units[0]
	if d := u.Slowest(); d < 150*time.Millisecond || d > 160*time.Millisecond {
		t.Errorf("slowest %v, want 150 ms", d)
	}
	if n := len(u.Answers); n < 3 {
		t.Errorf("%d functions answered: it must be given more time once it is known to be slow", n)
	}
	has(t, text, "unit 4 answers late", "timeout: 250 ms")
}

func TestWrongSpeedIsSaid(t *testing.T) {
	s := &site{}
	s.serve = func(mode serialport.Mode, far net.Conn) {
		rtutest.Slave(far, func(r modbus.Request) []byte {
			reply := zeros(r)
			if mode.Baud != 19200 {
				return []byte{0xF8, 0x1C, 0x00, 0xFF}
			}
			return reply
		})
	}
	r, text, _, err := scan(t, s, probe.Options{Units: []uint8{1}})
	if err != nil || !strings.HasPrefix(found(r), "19200 8E1 unit 1 ") {
		t.Errorf("%v, found %s", err, found(r))
	}
	if r.Modes[0].Damaged < 8 || r.Modes[1].Damaged != 0 {
		t.Errorf("damaged bytes: %d, %d", r.Modes[0].Damaged, r.Modes[1].Damaged)
	}
	has(t, text, "9600 8N1: something is on the line, but not at this setting: ")
}

// A reply that the line spoils once is asked for again.
func TestSpoiltReplyIsAskedForAgain(t *testing.T) {
	n := 0
	s := units("9600 8N1", func(r modbus.Request) []byte {
		reply := zeros(r)
		if n++; n == 1 {
			reply[3] ^= 1
		}
		return reply
	})
	r, _, _, err := scan(t, s, probe.Options{Units: []uint8{7}})
	if err != nil || !strings.HasPrefix(found(r), "9600 8N1 unit 7 ") || r.Modes[0].Damaged == 0 {
		t.Errorf("%v, found %s", err, found(r))
	}
}

func TestNothing(t *testing.T) {
	s := units("", nil)
	var out bytes.Buffer
	var err error
	synctest.Test(t, func(t *testing.T) {
		err = probe.Run(t.Context(), probe.Options{Port: "/dev/test", Open: s.open, Units: []uint8{9, 10}, Out: &out})
		s.end()
	})
	if !errors.Is(err, probe.ErrNothing) || !strings.Contains(err.Error(), "/dev/test") {
		t.Error(err)
	}
	has(t, out.String(), "power", "A and B", "termination", "address", "only 2 units were asked here", "tried here: 9600 8N1, 19200 8E1")
	if strings.Contains(out.String(), "something is on the line") {
		t.Error(out.String())
	}
}

func TestStopsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := units("9600 8N1", func(r modbus.Request) []byte {
			if r.Unit == 1 {
				return zeros(r)
			}
			return nil
		})
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		var out bytes.Buffer
		var lines []string
		start := time.Now()
		err := probe.Run(ctx, probe.Options{Port: "/dev/test", Open: s.open, Timeout: 2 * time.Second, Out: &out, Progress: func(text string) { lines = append(lines, text) }})
		if d := time.Since(start); err != nil || d > 5*time.Second+150*time.Millisecond {
			t.Errorf("%v after %v", err, d)
		}
		has(t, out.String(), "1 unit answered", "stopped before the end", "- unit: 1\n")
		if len(lines) < 3 || !strings.Contains(lines[2], "9600 8N1 (1 of 14), unit 2: 1 unit so far, at most ") || lines[len(lines)-1] != "" {
			t.Errorf("progress: %q", lines)
		}
		s.end()
	})
}

func TestPortErrors(t *testing.T) {
	busy := fmt.Errorf("port /dev/test is %w: end that program", serialport.ErrBusy)
	err := probe.Run(t.Context(), probe.Options{Open: func(serialport.Mode) (serialport.Port, error) { return nil, busy }, Out: io.Discard})
	if !errors.Is(err, serialport.ErrBusy) {
		t.Error(err)
	}
	// Pulled out in the middle, after something was found.
	synctest.Test(t, func(t *testing.T) {
		s := &site{}
		s.serve = func(_ serialport.Mode, far net.Conn) {
			rtutest.Slave(far, func(r modbus.Request) []byte {
				if r.Unit == 3 {
					far.Close()
				}
				return zeros(r)
			})
		}
		var out bytes.Buffer
		err := probe.Run(t.Context(), probe.Options{Port: "/dev/test", Open: s.open, Out: &out})
		if err == nil || errors.Is(err, probe.ErrNothing) {
			t.Error(err)
		}
		has(t, out.String(), "2 units answered")
		s.end()
	})
}

func TestEstimate(t *testing.T) {
	// By hand at 9600 8N1: silence 4.01 ms, 8 + 7 characters of 1.0417 ms, 100 ms to answer: 119.6 ms; twice for 247 units
	// 59.1 s, 1.1 s and 0.1 s of listening.
	d := probe.Estimate(probe.Options{Modes: probe.Common()[:1]})
	if d < 60200*time.Millisecond || d > 60400*time.Millisecond {
		t.Errorf("%v, want 60.3 s", d)
	}
}

func TestParse(t *testing.T) {
	for text, want := range map[string][]uint8{"9": {9}, "9,21": {9, 21}, " 1-3, 2-4 ,247": {1, 2, 3, 4, 247}} {
		if got, err := probe.ParseUnits(text); err != nil || !slices.Equal(got, want) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	if got, err := probe.ParseUnits("1-247"); err != nil || len(got) != 247 {
		t.Error(got, err)
	}
	for _, text := range []string{"", "0", "248", "9-3", "a", "1-", "-1", "1--2", "1,,2", "300"} {
		if got, err := probe.ParseUnits(text); err == nil || !strings.Contains(err.Error(), "1-247") {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	if got, err := probe.ParseRanges("input:0-99, holding:304"); err != nil || !slices.Equal(got, []probe.Range{{modbus.ReadInputRegisters, 0, 99}, {modbus.ReadHoldingRegisters, 304, 304}}) {
		t.Error(got, err)
	}
	for _, text := range []string{"", "0-99", "input", "input:", "input:9-3", "input:0-65536", "output:3"} {
		if got, err := probe.ParseRanges(text); err == nil || !strings.Contains(err.Error(), "input:0-99") {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
	if _, err := probe.ParseModes("9600 8N1,fast"); err == nil || !strings.Contains(err.Error(), "fast") {
		t.Error(err)
	}
}
