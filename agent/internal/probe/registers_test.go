package probe_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"testing"
	"testing/synctest"

	"gritwatch/agent/internal/probe"
	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
)

// A unit holds registers at some addresses; it refuses a request that touches another one.
type unit struct {
	regs     map[int]uint16
	together map[int]bool // first of two that are given only together
	max      int          // registers a request; 0: any
	asked    int
	fail     func(asked int) error
}

func (u *unit) Read(id uint8, fn modbus.Function, addr uint16, count int) (rtu.Reply, error) {
	u.asked++
	if u.fail != nil {
		if err := u.fail(u.asked); err != nil {
			return rtu.Reply{}, fmt.Errorf("unit %d: %w", id, err)
		}
	}
	if u.max > 0 && count > u.max {
		return rtu.Reply{}, &modbus.ExceptionError{Function: fn, Code: modbus.IllegalValue}
	}
	var regs []uint16
	for a := int(addr); a < int(addr)+count; a++ {
		v, ok := u.regs[a]
		torn := u.together[a-1] && a == int(addr) || u.together[a] && a == int(addr)+count-1
		if !ok || torn {
			return rtu.Reply{}, &modbus.ExceptionError{Function: fn, Code: modbus.IllegalAddress}
		}
		regs = append(regs, v)
	}
	frame := modbus.AppendReadReply(nil, id, fn, regs)
	data, err := modbus.ParseReadReply(frame, id, fn, count)
	return rtu.Reply{Data: data}, err
}

func input(first, last int) probe.Range {
	return probe.Range{Function: modbus.ReadInputRegisters, First: first, Last: last}
}

func quietly(int) {}

func TestReadMapSplitsAtRefusals(t *testing.T) {
	u := &unit{regs: map[int]uint16{3: 30, 4: 40, 5: 50, 31: 310, 32: 320, 70: 700}}
	m := probe.ReadMap(t.Context(), u, 9, input(0, 99), quietly)
	var got []string
	for _, v := range m.Values {
		got = append(got, fmt.Sprintf("%d=%d,%v,%d", v.Address, v.Register, v.Pair, v.Next))
	}
	// 31 and 32 lie in two blocks: their pair needs a request of its own.
	if want := "3=30,true,40 4=40,true,50 5=50,false,0 31=310,true,320 32=320,false,0 70=700,false,0"; strings.Join(got, " ") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, " "), want)
	}
	if m.Refused[modbus.IllegalAddress] != 94 || m.NoReply != 0 || m.GaveUp != nil || m.Requests != u.asked {
		t.Errorf("%+v", m)
	}
}

func TestReadMapOfASmallUnit(t *testing.T) {
	u := &unit{regs: make(map[int]uint16), max: 4}
	for a := range 40 {
		u.regs[a] = uint16(a)
	}
	m := probe.ReadMap(t.Context(), u, 9, input(0, 39), quietly)
	if len(m.Values) != 40 || m.GaveUp != nil || len(m.Refused) != 0 {
		t.Errorf("%d values, %+v", len(m.Values), m)
	}
	for i, v := range m.Values {
		if v.Address != i || int(v.Register) != i || v.Pair != (i < 39) {
			t.Errorf("%+v at %d", v, i)
		}
	}
}

// Some units give the halves of a float only together.
func TestReadMapOfHalves(t *testing.T) {
	u := &unit{regs: map[int]uint16{7: 0x42C3, 8: 0}, together: map[int]bool{7: true}}
	m := probe.ReadMap(t.Context(), u, 9, input(5, 9), quietly)
	if len(m.Values) != 2 || !m.Values[0].Pair || m.Values[0].Register != 0x42C3 || m.Values[0].Next != 0 || m.Refused[modbus.IllegalAddress] != 3 {
		t.Errorf("%+v", m)
	}
}

func TestReadMapGivesUp(t *testing.T) {
	for _, c := range []struct {
		name  string
		err   error
		from  int // the request that fails first
		asked int
	}{
		{"a silent unit", rtu.ErrTimeout, 1, 4},
		{"a lost port", rtu.ErrPort, 2, 2},
		{"a function that is not known", &modbus.ExceptionError{Function: 4, Code: modbus.IllegalFunction}, 1, 1},
	} {
		u := &unit{regs: map[int]uint16{}, fail: func(n int) error {
			if n >= c.from {
				return c.err
			}
			return nil
		}}
		for a := range 100 {
			u.regs[a] = 1
		}
		m := probe.ReadMap(t.Context(), u, 9, input(0, 99), quietly)
		if m.GaveUp == nil || !errors.Is(m.GaveUp, c.err) || u.asked != c.asked || len(m.Values) != 32*(c.from-1) {
			t.Errorf("%s: asked %d times, %d values, %v", c.name, u.asked, len(m.Values), m.GaveUp)
		}
	}
	// One reply lost on the way is asked for again.
	u := &unit{regs: map[int]uint16{0: 5, 1: 6}, fail: func(n int) error {
		if n == 1 {
			return rtu.ErrDamaged
		}
		return nil
	}}
	if m := probe.ReadMap(t.Context(), u, 9, input(0, 1), quietly); len(m.Values) != 2 || m.GaveUp != nil {
		t.Errorf("%+v", m)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if m := probe.ReadMap(ctx, u, 9, input(0, 1), quietly); len(m.Values) != 0 || !errors.Is(m.GaveUp, context.Canceled) {
		t.Errorf("%+v", m)
	}
}

// The whole way: scan, then the registers of the unit found. 97.5 is 0x42C30000 (IEEE 754, by hand: 1.5234375 * 2^6),
// 100000 is 0x000186A0.
func TestShowsRegisters(t *testing.T) {
	regs := map[int]uint16{0: 0x42C3, 1: 0, 2: 0x42C3, 3: 0xFFFE, 5: 0x86A0, 6: 1}
	u := &unit{regs: regs}
	s := &site{serve: func(_ serialport.Mode, far net.Conn) {
		rtutest.Slave(far, func(r modbus.Request) []byte {
			if r.Function != modbus.ReadInputRegisters {
				return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalFunction)
			}
			reply, err := u.Read(r.Unit, r.Function, r.Address, r.Count)
			if err != nil {
				return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalAddress)
			}
			values := make([]uint16, r.Count)
			for i := range values {
				values[i] = reply.Data.Register(i)
			}
			return modbus.AppendReadReply(nil, r.Unit, r.Function, values)
		})
	}}
	var out bytes.Buffer
	synctest.Test(t, func(t *testing.T) {
		err := probe.Run(t.Context(), probe.Options{Port: "/dev/test", Open: s.open, Units: []uint8{9}, Out: &out, Ranges: []probe.Range{input(0, 9)}})
		if err != nil {
			t.Error(err)
		}
		s.end()
	})
	text := strings.Join(strings.Fields(out.String()), " ")
	has(t, text, "unit 9, input registers 0 to 9 (function 04)", " 0 42C3 17091 17091 97.5 ", " 1 0000 0 0 2.395e-41 97.5 17091 1120075776 ", " 3 FFFE 65534 -2 ",
		" 5 86A0 34464 -31072 ", " -2036334591 100000 ", "4 addresses: exception 2")
	for line := range strings.Lines(out.String()) {
		if strings.HasPrefix(strings.TrimSpace(line), "0 ") && len(line) > 81 {
			t.Errorf("%d wide: %s", len(line), line)
		}
	}
}
