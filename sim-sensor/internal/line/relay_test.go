package line

import (
	"bytes"
	"testing"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/sim-sensor/internal/fault"
)

// switching is a line with relay 30 (coils 0 and 1, register 40 whose writing alone feeds the watchdog of 2 s), relay 31
// (coil 5, fed by toggling; coil 6, welded; no watchdog), and unit 1 that is a gauge; with a clock to set.
func switching(t *testing.T, faults ...fault.Fault) (s *server, fed, bare *Relay, at *time.Duration) {
	t.Helper()
	m, err := ParseMode("57600 8E1")
	if err != nil {
		t.Fatal(err)
	}
	fed, err = NewRelay(30, []Output{{Address: 0}, {Address: 1}, {Register: true, Address: 40, Feeds: true}}, 2*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	bare, err = NewRelay(31, []Output{{Address: 5, Toggled: time.Second}, {Address: 6, Welded: true}}, 0)
	if err != nil {
		t.Fatal(err)
	}
	gauge, err := NewUnit(1, []Channel{{0, Narrow, new(Cell)}})
	if err != nil {
		t.Fatal(err)
	}
	at = new(time.Duration)
	srv, err := newServer(Options{Mode: m, Units: []*Unit{gauge}, Relays: []*Relay{fed, bare}, Faults: fault.NewPlayer(faults, 1),
		Clock: func() time.Duration { return *at }})
	if err != nil {
		t.Fatal(err)
	}
	return &srv, fed, bare, at
}

// Frames of the specification's forms (V1.1b3, 6.1, 6.3, 6.5, 6.6): a good write is repeated.
func TestRelayAnswers(t *testing.T) {
	s, _, _, _ := switching(t)
	for _, tt := range []struct{ name, pdu, reply string }{
		{"off at the start", "1E0100000002", "1E010100"},
		{"coil on", "1E050000FF00", "1E050000FF00"},
		{"coils read back", "1E0100000002", "1E010101"},
		{"their contacts", "1E0200000002", "1E020101"},
		{"register written", "1E0600281234", "1E0600281234"},
		{"register reads back", "1E0300280001", "1E03021234"},
		{"coil off", "1E0500000000", "1E0500000000"},
		{"coil reads back off", "1E0100000001", "1E010100"},
		{"neither on nor off", "1E0500010001", "1E8503"},
		{"no such coil", "1E050002FF00", "1E8502"},
		{"a coil is no register", "1E0600000001", "1E8602"},
		{"a register is no coil", "1E050028FF00", "1E8502"},
		{"past the last coil", "1E0100000003", "1E8102"},
		{"no such register", "1E0300290001", "1E8302"},
		{"the contact of a coil", "1E0200000001", "1E020100"},
		{"input registers", "1E0400280001", "1E8401"},
		{"too many", "1E01000007D1", "1E8103"},
		{"several coils", "1E0F000000020103", "1E8F01"},
		{"a gauge is not written to", "010600000001", "018601"},
		{"nor are its coils", "01050000FF00", "018501"},
		{"broadcast", "00050000FF00", ""},
		{"nobody", "20050000FF00", ""},
		{"a byte too many", "1E050000FF0000", ""},
	} {
		var want []byte
		if tt.reply != "" {
			want = check(unhex(t, tt.reply))
		}
		if got, ok := answer(s, check(unhex(t, tt.pdu))); ok != (tt.reply != "") || !bytes.Equal(got, want) {
			t.Errorf("%s: %x gives %x, want %x", tt.name, tt.pdu, got, want)
		}
	}
}

func TestRelayWatchdog(t *testing.T) {
	s, fed, _, at := switching(t)
	write := func(w modbus.Write) {
		t.Helper()
		frame := modbus.AppendWrite(nil, w)
		if got, _ := answer(s, frame); !bytes.Equal(got, frame) {
			t.Fatalf("%+v answered % X", w, got)
		}
	}
	beacon := func(when time.Duration, want bool) {
		t.Helper()
		if *at = when; fed.State(0, when).On != want {
			t.Errorf("after %v the beacon is on: %v", when, !want)
		}
	}
	*at = 10 * time.Second
	write(modbus.Register(30, 40, 1))
	write(modbus.Coil(30, 0, true))
	beacon(12*time.Second, true)
	write(modbus.Coil(30, 0, true)) // feeds nothing: the register alone does
	beacon(12*time.Second+time.Millisecond, false)
	if got := fed.State(2, *at); got != (State{}) {
		t.Errorf("the register has not dropped out: %+v", got)
	}
	write(modbus.Register(30, 40, 2))
	beacon(*at, false) // what has dropped out stays so
	write(modbus.Coil(30, 0, true))
	beacon(*at+2*time.Second, true)
	write(modbus.Register(30, 40, 0))
	beacon(*at+2*time.Second, true)
	beacon(*at+time.Second, false)

	// Where no output is named, writing any of them feeds the watchdog.
	any, err := NewRelay(9, []Output{{Address: 0}, {Address: 1}}, time.Second)
	if err != nil {
		t.Fatal(err)
	}
	any.write(modbus.Coil(9, 0, true), 0)
	any.write(modbus.Coil(9, 1, false), time.Second)
	if !any.State(0, 2*time.Second).On || any.State(0, 2001*time.Millisecond).On {
		t.Error("a write of the other coil has not fed the watchdog")
	}
}

func TestRelayToggledAndWelded(t *testing.T) {
	_, _, bare, _ := switching(t)
	write := func(addr uint16, on bool, at time.Duration) {
		if code := bare.write(modbus.Coil(31, addr, on), at); code != 0 {
			t.Fatalf("coil %d refused: %v", addr, code)
		}
	}
	write(5, true, time.Second)
	for at := 1500 * time.Millisecond; at < 5*time.Second; at += 500 * time.Millisecond {
		write(5, at%time.Second == 0, at)
		if !bare.State(0, at+time.Second).On {
			t.Errorf("dropped out though toggled at %v", at)
		}
	}
	for _, at := range []time.Duration{5 * time.Second, 6 * time.Second} {
		write(5, bare.State(0, at).Value == 1, at) // the same value again is no change
	}
	if bare.State(0, 6*time.Second).On {
		t.Error("on without being toggled")
	}
	write(6, true, time.Second)
	write(6, false, 2*time.Second)
	if got := bare.State(1, time.Minute); got != (State{1, true}) {
		t.Errorf("a welded output is %+v", got)
	}
}

// A request that is lost, or refused by a fault of the line, writes nothing.
func TestRelayFaults(t *testing.T) {
	for _, kind := range []fault.Kind{fault.Silence, fault.Exception} {
		s, fed, _, _ := switching(t, fault.Fault{Kind: kind, Share: 1})
		frame := modbus.AppendWrite(nil, modbus.Coil(30, 0, true))
		if unit, _ := s.talk.take(frame, true); unit != 30 {
			t.Fatalf("%v: for unit %d", kind, unit)
		}
		if v := s.faults.Request(0, 30); !v.Silence {
			if reply, _ := s.talk.reply(nil, 30, frame, v.Code); len(reply) != modbus.ExceptionSize {
				t.Errorf("%v: answered % X", kind, reply)
			}
		}
		if fed.State(0, 0).On {
			t.Errorf("%v: written all the same", kind)
		}
	}
}

func TestRelayRefused(t *testing.T) {
	for name, f := range map[string]func() error{
		"unit 0":      func() error { _, err := NewRelay(0, nil, 0); return err },
		"unit 248":    func() error { _, err := NewRelay(248, nil, 0); return err },
		"two coils 1": func() error { _, err := NewRelay(1, []Output{{Address: 1}, {Address: 1}}, 0); return err },
		"two on a line": func() error {
			r, err := NewRelay(1, []Output{{Address: 1}, {Register: true, Address: 1}}, 0)
			if err != nil {
				t.Error(err)
			}
			u, err := NewUnit(1, nil)
			if err != nil {
				t.Error(err)
			}
			_, err = newServer(Options{Units: []*Unit{u}, Relays: []*Relay{r}})
			return err
		},
	} {
		if f() == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
