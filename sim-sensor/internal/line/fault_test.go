package line

import (
	"bytes"
	"context"
	"encoding/binary"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/sim-sensor/internal/fault"
)

const ms = time.Millisecond

// An ear writes down what a master hears, and when.
type ear struct {
	net.Conn
	done  func()
	mu    sync.Mutex
	heard []byte
	at    []time.Duration // of each byte
}

// listen starts the server and an ear on it, inside a bubble.
func listen(t *testing.T, s *server) *ear {
	t.Helper()
	master, done := start(t, s)
	e := &ear{Conn: master, done: done}
	began := time.Now()
	go func() {
		buf := make([]byte, 1024)
		for {
			n, err := master.Read(buf)
			if err != nil {
				return
			}
			e.mu.Lock()
			for range n {
				e.at = append(e.at, time.Since(began))
			}
			e.heard = append(e.heard, buf[:n]...)
			e.mu.Unlock()
		}
	}()
	return e
}

// ask sends a frame and gives what is heard within a time.
func (e *ear) ask(t *testing.T, frame []byte, within time.Duration) []byte {
	t.Helper()
	_, from := e.all()
	if frame != nil {
		if _, err := e.Write(frame); err != nil {
			t.Fatal(err)
		}
	}
	time.Sleep(within) // fake time
	heard, _ := e.all()
	return heard[from:]
}

// all is all that has been heard, and how much.
func (e *ear) all() (heard []byte, n int) {
	synctest.Wait()
	e.mu.Lock()
	defer e.mu.Unlock()
	return bytes.Clone(e.heard), len(e.heard)
}

// when is when a byte came.
func (e *ear) when(i int) time.Duration {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.at[i]
}

var (
	ask1   = modbus.AppendReadRequest(nil, 1, modbus.ReadHoldingRegisters, 107, 3)
	ask2   = modbus.AppendReadRequest(nil, 2, modbus.ReadInputRegisters, 2578, 2)
	reply1 = modbus.AppendReadReply(nil, 1, modbus.ReadHoldingRegisters, []uint16{555, 0, 100})
	reply2 = modbus.AppendReadReply(nil, 2, modbus.ReadInputRegisters, []uint16{0, 0x42C9})
)

// A unit that is late keeps one request and loses the next; the others answer meanwhile. Values are those of the time
// at which the reply should have come.
func TestLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, cells := bench(t, "57600 8E1", fault.Fault{Window: fault.Window{For: 10 * ms}, Kind: fault.Late, Share: 1, By: 150 * ms, Unit: 1})
		e := listen(t, s)
		defer e.done()
		if got := e.ask(t, ask1, 40*ms); len(got) != 0 {
			t.Fatalf("heard %x", got)
		}
		cells["107"].SetInt(7)
		if got := e.ask(t, ask1, 20*ms); len(got) != 0 { // waits
			t.Fatalf("heard %x", got)
		}
		if got := e.ask(t, ask1, 20*ms); len(got) != 0 { // is lost
			t.Fatalf("heard %x", got)
		}
		if got := e.ask(t, ask2, 20*ms); !bytes.Equal(got, reply2) {
			t.Fatalf("the other unit: %x", got)
		}
		_, from := e.all()
		second := modbus.AppendReadReply(nil, 1, modbus.ReadHoldingRegisters, []uint16{7, 0, 100})
		if got := e.ask(t, nil, 500*ms); !bytes.Equal(got, append(bytes.Clone(reply1), second...)) {
			t.Fatalf("the late unit: %x", got)
		}
		// 8 characters of 11 bits, 1.75 ms, 4 ms, 150 ms, 11 characters.
		due := 19*11*time.Second/57600 + 155750*time.Microsecond
		if at := e.when(from + 10); at < due-50*time.Microsecond || at > due+50*time.Microsecond {
			t.Errorf("late reply ended at %v, due %v", at, due)
		}
		if gap := e.when(from+11) - e.when(from+10); gap < 4*ms || gap > 6*ms {
			t.Errorf("the next one began %v after it", gap)
		}
	})
}

func TestEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := bench(t, "9600 8E1", fault.Fault{Window: fault.Window{For: time.Second}, Kind: fault.Echo})
		e := listen(t, s)
		defer e.done()
		if got := e.ask(t, ask1, 100*ms); !bytes.Equal(got, append(bytes.Clone(ask1), reply1...)) {
			t.Errorf("heard %x", got)
		}
		if last, due := e.when(7), 8*11*time.Second/9600; last < due || last > due+ms {
			t.Errorf("the echo ended at %v, due %v", last, due)
		}
		unknown := check([]byte{99, 3, 0, 0, 0, 1})
		if got := e.ask(t, unknown, 100*ms); !bytes.Equal(got, unknown) {
			t.Errorf("heard %x", got)
		}
		e.ask(t, nil, time.Second)
		if got := e.ask(t, ask1, 100*ms); !bytes.Equal(got, reply1) {
			t.Errorf("when it is over: %x", got)
		}
	})
}

func TestSilenceAndException(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := bench(t, "57600 8E1", fault.Fault{Kind: fault.Silence, Share: 1, Unit: 1}, fault.Fault{Kind: fault.Exception, Share: 1, Unit: 2})
		e := listen(t, s)
		defer e.done()
		if got := e.ask(t, ask1, 500*ms); len(got) != 0 {
			t.Errorf("heard %x", got)
		}
		codes := map[byte]int{}
		for range 40 {
			got := e.ask(t, ask2, 20*ms)
			if len(got) != 5 || modbus.CRC(got) != 0 || got[0] != 2 || got[1] != 0x84 {
				t.Fatalf("heard %x", got)
			}
			codes[got[2]]++
		}
		if len(codes) != 2 || codes[4] == 0 || codes[6] == 0 {
			t.Errorf("codes %v", codes)
		}
	})
}

// No two characters of babble are as far apart as the silence between two frames, and nothing answers in it.
func TestBabble(t *testing.T) {
	for _, mode := range []string{"9600 8E1", "115200 8N1"} {
		synctest.Test(t, func(t *testing.T) {
			s, _ := bench(t, mode, fault.Fault{Window: fault.Window{At: 100 * ms, For: 2 * time.Second}, Kind: fault.Babble})
			e := listen(t, s)
			defer e.done()
			if got := e.ask(t, nil, 99*ms); len(got) != 0 {
				t.Errorf("heard %x", got)
			}
			got := e.ask(t, ask1, 1800*ms)
			if rate := float64(len(got)) * float64(s.opts.Mode.Bits()) / 1.8 / float64(s.opts.Mode.Baud); rate < 0.97 || rate > 1.01 {
				t.Errorf("%s: babbles at %.2f of the line's rate", mode, rate)
			}
			if bytes.Contains(got, reply1) {
				t.Error("a reply came through")
			}
			_, n := e.all()
			for i := 1; i < n; i++ {
				if gap := e.when(i) - e.when(i-1); gap >= modbus.SilentInterval(s.opts.Mode.Baud) {
					t.Fatalf("%s: silent for %v", mode, gap)
				}
			}
			e.ask(t, nil, 300*ms)
			if got := e.ask(t, ask1, 100*ms); !bytes.Equal(got, reply1) {
				t.Errorf("when it is over: %x", got)
			}
		})
	}
}

// Where a stray or noise stands at the reply, no gap is heard between the two; elsewhere the reply is whole.
func TestNoiseAndStray(t *testing.T) {
	for _, kind := range []fault.Kind{fault.Noise, fault.Stray} {
		synctest.Test(t, func(t *testing.T) {
			s, cells := bench(t, "9600 8E1", fault.Fault{Window: fault.Window{At: time.Second}, Kind: kind, Share: 1})
			e := listen(t, s)
			defer e.done()
			e.ask(t, ask1, 500*ms)
			e.ask(t, ask2, 600*ms)
			glued := 0
			for i := range 60 {
				cells["107"].SetInt(int32(i))
				want := binary.BigEndian.AppendUint16([]byte{1, 3, 6}, uint16(i))
				want = check(append(want, 0, 0, 0, 100))
				e.ask(t, ask2, 100*ms)
				_, from := e.all()
				got := e.ask(t, ask1, 100*ms)
				at := bytes.Index(got, want)
				if at < 0 || len(got) == len(want) {
					t.Fatalf("%v: heard %x, which lacks %x or has nothing else", kind, got, want)
				}
				gap := 2 * s.opts.Mode.frame(1) // the next character may come with the one before
				inFront := at > 0 && e.when(from+at)-e.when(from+at-1) < gap
				end := at + len(want)
				behind := end < len(got) && e.when(from+end)-e.when(from+end-1) < gap
				if inFront || behind {
					glued++
				}
			}
			if glued < 15 || glued > 58 { // half of the noise, and at least two thirds of the strays; never so few, or all of them
				t.Errorf("%v: %d of 60 without a gap", kind, glued)
			}
		})
	}
}

func TestCRCAndTruncated(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := bench(t, "57600 8E1", fault.Fault{Kind: fault.CRC, Share: 1, Unit: 1}, fault.Fault{Kind: fault.Truncated, Share: 1, Unit: 2})
		e := listen(t, s)
		defer e.done()
		count := map[fault.Kind]int{}
		s.opts.Events.Fault = func(k fault.Kind) { count[k]++ }
		for range 20 {
			if got := e.ask(t, ask1, 30*ms); len(got) != len(reply1) || modbus.CRC(got) == 0 {
				t.Errorf("heard %x", got)
			}
			if got := e.ask(t, ask2, 30*ms); len(got) == len(reply2) || !bytes.HasPrefix(reply2, got) {
				t.Errorf("heard %x", got)
			}
		}
		if count[fault.CRC] != 20 || count[fault.Truncated] != 20 || len(count) != 2 {
			t.Errorf("faults %v", count)
		}
	})
}

// The scenario takes the port away: serve says so at that moment, and not before.
func TestServeUnplugged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := bench(t, "57600 8E1", fault.Fault{Window: fault.Window{At: 3 * time.Second}, Kind: fault.Unplugged})
		master, far := net.Pipe()
		defer master.Close()
		defer far.Close()
		began := time.Now()
		if err := s.serve(context.Background(), &pipe{Conn: far}); err != errUnplugged || time.Since(began) != 3*time.Second {
			t.Errorf("%v after %v", err, time.Since(began))
		}
	})
}

func TestStrict(t *testing.T) {
	for mode, want := range map[string][]byte{"9600 8E1": reply1, "19200 8E1": nil} { // the pipe's speed is 9600
		synctest.Test(t, func(t *testing.T) {
			s, _ := bench(t, mode)
			s.opts.Strict = true
			e := listen(t, s)
			defer e.done()
			if got := e.ask(t, ask1, 100*ms); !bytes.Equal(got, want) {
				t.Errorf("%s: heard %x", mode, got)
			}
		})
	}
}

// Without a turnaround the reply begins one silence after the request.
func TestNoTurnaround(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := bench(t, "115200 8N1")
		s.opts.Turnaround = 0
		e := listen(t, s)
		defer e.done()
		e.ask(t, ask1, 100*ms)
		due := 19*10*time.Second/115200 + 1750*time.Microsecond
		if at := e.when(10); at < due-20*time.Microsecond || at > due+20*time.Microsecond {
			t.Errorf("ended at %v, due %v", at, due)
		}
	})
}
