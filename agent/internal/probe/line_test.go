package probe_test

import (
	"net"
	"strings"
	"testing"
	"time"

	"gritwatch/agent/internal/probe"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
)

// Another master's traffic: replies that were not asked for are no find.
func TestForeignReplies(t *testing.T) {
	s := &site{}
	s.serve = func(_ serialport.Mode, far net.Conn) {
		for range 5 {
			time.Sleep(200 * time.Millisecond)
			if _, err := far.Write(modbus.AppendReadReply(nil, 77, modbus.ReadInputRegisters, []uint16{1, 2})); err != nil {
				return
			}
		}
	}
	r, text, _, err := scan(t, s, probe.Options{Modes: probe.Common()[:1], Units: []uint8{1, 77}})
	if err != nil || found(r) != "" || r.Modes[0].Foreign < 5 {
		t.Errorf("%v, found %q, %d foreign", err, found(r), r.Modes[0].Foreign)
	}
	has(t, text, "another master talks on this line")
}

func TestGaugeThatSendsText(t *testing.T) {
	// With even parity in the eighth bit: '+' (0x2B, four ones) and '0' (0x30, two) stay, '1' (0x31, three) becomes 0xB1.
	for _, c := range []struct{ at, bytes, want string }{
		{"9600 8N1", "+097.31 psi\r\n", `9600 8N1: something sends lines of text by itself, for example "+097.31 psi"`},
		{"9600 8N1", "+0\xb1\x8d\n", `In agent.yaml: mode: 9600 7E1, and text: in place of units:`},
		{"19200 8E1", "+097.31 psi\r\n", `19200 8E1: something sends lines of text by itself`},
	} {
		s := &site{}
		s.serve = func(mode serialport.Mode, far net.Conn) {
			for {
				time.Sleep(250 * time.Millisecond)
				text := c.bytes
				if mode.String() != c.at {
					text = "\x86\xf8\x00\x1e"
				}
				if _, err := far.Write([]byte(text)); err != nil {
					return
				}
			}
		}
		r, text, took, err := scan(t, s, probe.Options{Modes: probe.Common()[:4], Units: probe.AllUnits()})
		if err != nil || found(r) != "" || took > 5*time.Second {
			t.Errorf("%v, found %q, took %v", err, found(r), took)
		}
		has(t, text, c.want)
		if strings.Contains(text, "wiring") {
			t.Errorf("hints for a dead line:\n%s", text)
		}
	}
}

func TestNoisyLineIsGivenUp(t *testing.T) {
	s := &site{}
	s.serve = func(_ serialport.Mode, far net.Conn) {
		for {
			time.Sleep(time.Millisecond)
			if _, err := far.Write([]byte{0xA5}); err != nil {
				return
			}
		}
	}
	r, text, took, err := scan(t, s, probe.Options{Modes: probe.Common()[:2]})
	if err != nil || len(r.Modes) != 2 || !r.Modes[0].Babble || took > 10*time.Second {
		t.Errorf("%v, %+v, took %v", err, r, took)
	}
	has(t, text, "never silent")
}

func TestEcho(t *testing.T) {
	s := &site{}
	s.serve = func(_ serialport.Mode, far net.Conn) {
		rtutest.Slave(far, func(r modbus.Request) []byte {
			echo := modbus.AppendReadRequest(nil, r.Unit, r.Function, r.Address, r.Count)
			if r.Unit != 2 {
				return echo
			}
			return append(echo, zeros(r)...)
		})
	}
	r, text, _, err := scan(t, s, probe.Options{Modes: probe.Common()[:1], Units: []uint8{1, 2, 3}})
	if err != nil || !strings.HasPrefix(found(r), "9600 8N1 unit 2 ") || strings.Contains(found(r), ";") || r.Modes[0].Damaged != 0 {
		t.Errorf("%v, found %s, %d damaged", err, found(r), r.Modes[0].Damaged)
	}
	has(t, text, "echo")
}
