package line

import (
	"bytes"
	"context"
	"encoding/hex"
	"io"
	"net"
	"os"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/sim-sensor/internal/fault"
)

// bench is three units: 1 with an integer at 107 to 109 (the example of the Modbus specification) and floats, 2 that is
// a float in the other order, 3 that is switches.
func bench(t *testing.T, mode string, faults ...fault.Fault) (s *server, cells map[string]*Cell) {
	t.Helper()
	m, err := ParseMode(mode)
	if err != nil {
		t.Fatal(err)
	}
	cells = map[string]*Cell{}
	cell := func(name string) *Cell { cells[name] = new(Cell); return cells[name] }
	u1, err := NewUnit(1, []Channel{{108, Narrow, cell("108")}, {107, Narrow, cell("107")}, {109, Narrow, cell("109")}, {200, Wide, cell("high")}})
	if err != nil {
		t.Fatal(err)
	}
	u2, err := NewUnit(2, []Channel{{2578, Wide | LowFirst, cell("low")}})
	if err != nil {
		t.Fatal(err)
	}
	u3, err := NewSwitches(3, []Channel{{20, Narrow, cell("off")}, {19, Narrow, cell("on")}, {21, Narrow, cell("on too")}})
	if err != nil {
		t.Fatal(err)
	}
	cells["107"].SetInt(555)
	cells["109"].SetInt(100)
	cells["high"].SetFloat(100.5) // IEEE 754: 42 C9 00 00
	cells["low"].SetFloat(100.5)
	cells["on"].SetSwitch(true)
	cells["on too"].SetSwitch(true)
	began := time.Now()
	srv, err := newServer(Options{Mode: m, Turnaround: turnaround, Units: []*Unit{u1, u2, u3},
		Faults: fault.NewPlayer(faults, 1), Clock: func() time.Duration { return time.Since(began) }})
	if err != nil {
		t.Fatal(err)
	}
	return &srv, cells
}

const turnaround = 4 * time.Millisecond

// answer is what a frame is answered; not ok when the line stays silent.
func answer(s *server, frame []byte) (reply []byte, ok bool) {
	unit, _ := s.talk.take(frame, true)
	if unit == 0 {
		return nil, false
	}
	return s.talk.reply(nil, unit, frame, 0)
}

// The first row is the specification's example of function 03 (registers 108 to 110 = 555, 0, 100); check words by
// the published frame "01 03 00 6B 00 03 74 17", the rest by the codec, which has its own tests.
func TestAnswer(t *testing.T) {
	for _, tt := range []struct{ name, pdu, reply string }{
		{"specification", "0103006B0003", "01030602 2B0000 0064"},
		{"function 04", "0104006B0003", "01040602 2B0000 0064"},
		{"part", "0103006C0001", "0103020000"},
		{"high first", "010300C80002", "010304 42C90000"},
		{"second half", "010300C90001", "0103020000"},
		{"low first", "02040A120002", "020404 000042C9"},
		{"hole", "0103006B0004", "018302"},
		{"before the first", "0103006A0001", "018302"},
		{"nothing there", "010300000001", "018302"},
		{"past the map", "0103FFFF0002", "018302"},
		{"no registers", "0103006B0000", "018303"},
		{"too many", "0103006B007E", "018303"},
		{"write", "010600010003", "018601"},
		{"write several", "01100001000204000A0102", "019001"},
		{"inputs of registers", "010200000001", "018201"},
		{"registers of switches", "030300130001", "038301"},
		{"inputs", "030200130003", "03020105"},
		{"coils", "030100130002", "03010101"},
		{"inputs past the last", "030200130004", "038202"},
		{"unknown unit", "0403006B0003", ""},
		{"broadcast", "0003006B0003", ""},
	} {
		s, _ := bench(t, "57600 8E1")
		frame := check(unhex(t, tt.pdu))
		got, ok := answer(s, frame)
		var want []byte
		if tt.reply != "" {
			want = check(unhex(t, tt.reply))
		}
		if ok != (tt.reply != "") || !bytes.Equal(got, want) {
			t.Errorf("%s: %x gives %x, want %x", tt.name, frame, got, want)
		}
	}
}

// The four orders of a 32-bit value, here 100.5 = 42C90000h by IEEE 754, and the two of a 16-bit one.
func TestEncodings(t *testing.T) {
	for _, tt := range []struct {
		e    Encoding
		want string
	}{{Wide, "42C90000"}, {Wide | LowFirst, "000042C9"}, {Wide | Swapped, "C9420000"}, {Wide | LowFirst | Swapped, "0000C942"}, {Narrow, "0000"}, {Narrow | Swapped, "0000"}} {
		c := new(Cell)
		c.SetFloat(100.5)
		u, err := NewUnit(1, []Channel{{0, tt.e, c}})
		if err != nil {
			t.Fatal(err)
		}
		words, ok := u.read(nil, 0, tt.e.size())
		got := make([]byte, 0, 4)
		for _, w := range words {
			got = append(got, byte(w>>8), byte(w))
		}
		if !ok || !bytes.Equal(got, unhex(t, tt.want)) {
			t.Errorf("encoding %d: %x, want %s", tt.e, got, tt.want)
		}
		c.SetInt(-2)
		if words, _ = u.read(nil, 0, 1); tt.e == Narrow && words[0] != 0xFFFE || tt.e == Narrow|Swapped && words[0] != 0xFEFF {
			t.Errorf("encoding %d: -2 is %x", tt.e, words)
		}
	}
}

func TestDamagedAndSilent(t *testing.T) {
	s, cells := bench(t, "57600 8E1")
	damaged := 0
	s.talk.(*slaves).damaged = func(int) { damaged++ }
	good := check(unhex(t, "0103006B0003"))
	if x := hex.EncodeToString(good); x != "0103006b00037417" {
		t.Fatalf("frame %s", x)
	}
	for i := range good {
		bad := bytes.Clone(good)
		bad[i] ^= 0x10
		if reply, ok := answer(s, bad); ok {
			t.Errorf("byte %d flipped: %x", i, reply)
		}
	}
	if _, ok := answer(s, good[:5]); ok || damaged != len(good)+1 {
		t.Errorf("%d of %d damaged frames reported", damaged, len(good)+1)
	}
	cells["low"].SetSilent(true)
	if _, ok := answer(s, check(unhex(t, "02040A120002"))); ok {
		t.Error("a silent unit answers")
	}
	cells["107"].SetSilent(true)
	if _, ok := answer(s, good); !ok {
		t.Error("a unit with other live channels is silent")
	}
}

// In fake time each character of the reply comes no sooner than the line allows, and at most a burst later:
// 8 characters of request, 3.5 of silence, 4 ms of thought, then 11 bits a character (serial line guide: above 19200
// bit/s the silence is 1.75 ms).
func TestPace(t *testing.T) {
	for mode, silence := range map[string]time.Duration{"57600 8E1": 1750 * time.Microsecond, "9600 8E1": 4010 * time.Microsecond} {
		synctest.Test(t, func(t *testing.T) {
			s, _ := bench(t, mode)
			master, done := start(t, s)
			char := time.Duration(float64(time.Second) * 11 / float64(s.opts.Mode.Baud))
			began := time.Now()
			if _, err := master.Write(check(unhex(t, "0103006B0003"))); err != nil {
				t.Fatal(err)
			}
			got := 0
			buf := make([]byte, 64)
			for got < 11 { // address, function, count, three registers, check word
				n, err := master.Read(buf)
				if err != nil {
					t.Fatal(err)
				}
				got += n
				due := 8*char + silence + 4*time.Millisecond + time.Duration(got)*char
				if at := time.Since(began); at < due-time.Microsecond*20 || at > due+time.Millisecond {
					t.Errorf("%s: character %d came at %v, due %v", mode, got, at, due)
				}
			}
			done()
		})
	}
}

// A request in pieces is put together, one that breaks off is dropped, and the next one is answered.
func TestFragments(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := bench(t, "57600 8E1")
		dropped := 0
		s.talk.(*slaves).damaged = func(n int) { dropped += n }
		master, done := start(t, s)
		frame := check(unhex(t, "0103006B0003"))
		send := func(b []byte) {
			if _, err := master.Write(b); err != nil {
				t.Fatal(err)
			}
		}
		send(frame[:3])
		time.Sleep(2 * time.Millisecond) // fake time
		send(frame[3:])
		expect(t, master, 11)

		send(frame[:5])
		time.Sleep(50 * time.Millisecond)
		send(frame)
		expect(t, master, 11)
		if dropped != 5 {
			t.Errorf("%d bytes reported as damaged, want 5", dropped)
		}
		send(bytes.Repeat([]byte{0xFF}, 600)) // noise for longer than any frame
		time.Sleep(50 * time.Millisecond)
		send(frame)
		expect(t, master, 11)
		done()
	})
}

// A master that asks and never reads costs a second, not the line.
func TestMasterThatDoesNotRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := bench(t, "57600 8E1")
		master, done := start(t, s)
		frame := check(unhex(t, "0103006B0003"))
		if _, err := master.Write(frame); err != nil {
			t.Fatal(err)
		}
		time.Sleep(3 * time.Second)
		if _, err := master.Write(frame); err != nil {
			t.Fatal(err)
		}
		expect(t, master, 11)
		done()
	})
}

func start(t *testing.T, s *server) (master net.Conn, done func()) {
	t.Helper()
	master, far := net.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.serve(ctx, &pipe{Conn: far}) }()
	return master, func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serve: %v", err)
		}
		master.Close()
		far.Close()
	}
}

func expect(t *testing.T, master net.Conn, n int) {
	t.Helper()
	buf := make([]byte, n)
	if err := master.SetReadDeadline(time.Now().Add(time.Second)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(master, buf); err != nil {
		t.Fatal(err)
	}
	if modbus.CRC(buf) != 0 {
		t.Errorf("reply %x", buf)
	}
	if n, err := master.Read(buf[:1]); n != 0 || !os.IsTimeout(err) {
		t.Errorf("more than one reply: %x, %v", buf[:n], err)
	}
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(string(bytes.ReplaceAll([]byte(s), []byte(" "), nil)))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func check(b []byte) []byte {
	crc := modbus.CRC(b)
	return append(b, byte(crc), byte(crc>>8))
}

// A pipe is a port in fake time.
type pipe struct {
	net.Conn
	woken atomic.Bool
}

func (p *pipe) read(buf []byte, until time.Time) (int, error) {
	if err := p.SetReadDeadline(until); err != nil {
		return 0, err
	}
	if p.woken.Load() { // after the deadline, so that it is never set over the one of wake
		return 0, errWoken
	}
	n, err := p.Read(buf)
	if p.woken.Load() {
		return 0, errWoken
	}
	return n, err
}

func (p *pipe) write(b []byte, until time.Time) error {
	if err := p.SetWriteDeadline(until); err != nil {
		return err
	}
	_, err := p.Conn.Write(b)
	return err
}

func (p *pipe) baud() (int, error) { return 9600, nil }

func (p *pipe) wake() {
	p.woken.Store(true)
	_ = p.SetReadDeadline(time.Unix(1, 0))
}
