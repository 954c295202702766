package ascii_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/protocol/si"
)

// spoil changes, loses or adds characters of a line; most lines stay whole.
type spoil func(rnd *rand.Rand, line []byte) []byte

// anyNumber spoils each character of every other line with a chance of one in eight.
func anyNumber(rnd *rand.Rand, line []byte) []byte {
	if rnd.IntN(2) == 0 {
		return line
	}
	var out []byte
	for _, c := range line {
		switch rnd.IntN(32) {
		case 0:
			c ^= 1 << rnd.IntN(8)
		case 1:
			c = byte(rnd.IntN(256))
		case 2:
			continue
		case 3:
			out = append(out, byte(rnd.IntN(256)))
		}
		out = append(out, c)
	}
	return out
}

// single spoils one character of every other line, its end included.
func single(rnd *rand.Rand, line []byte) []byte {
	if rnd.IntN(2) == 0 {
		return line
	}
	i := rnd.IntN(len(line))
	out := append([]byte{}, line[:i]...)
	switch rnd.IntN(4) {
	case 0:
	case 1:
		out = append(out, byte(rnd.IntN(256)), line[i])
	case 2:
		out = append(out, "0123456789+-. "[rnd.IntN(14)])
	default:
		out = append(out, line[i]^1<<rnd.IntN(8))
	}
	return append(out, line[i+1:]...)
}

// A gauge with check characters on a bad line: characters are spoilt, answers get lost, come in pieces, late or twice.
// Every query has its own true value. No other is ever taken for it.
func TestSeededFaults(t *testing.T) {
	const queries = 20_000
	for _, c := range []struct {
		check lines.Check
		spoil spoil
		seed  uint64
	}{{lines.CRC16, anyNumber, 1}, {lines.XOR, single, 2}, {lines.Sum, single, 3}} {
		synctest.Test(t, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(c.seed, 3))
			digits := 2
			if c.check == lines.CRC16 {
				digits = 4
			}
			p := pattern(t, fmt.Sprintf(`(?P<body>>(?P<value>[-+][0-9]{3}\.[0-9]{2}))(?P<check>[0-9A-F]{%d})`, digits), c.check)
			w, truth, sent := newWire(), 0.0, 0
			good, wrong, failed := 0, 0, 0
			last := time.Now()
			w.written = func([]byte) {
				sent++
				truth = math.Round(rnd.Float64()*22000-2000) / 100
				body := fmt.Appendf(nil, ">%+07.2f", truth)
				line := append(c.check.Append(append([]byte{}, body...), body), '\r', '\n')
				line = c.spoil(rnd, line)
				wait := 3 * ms
				switch rnd.IntN(200) {
				case 0:
					return // lost
				case 1:
					wait += time.Duration(rnd.Int64N(int64(400 * ms))) // late
				case 2:
					line = append(line, line...) // twice
				}
				first, due := len(line), time.Now().Add(wait)
				if rnd.IntN(10) == 0 {
					first = rnd.IntN(len(line) + 1) // in two pieces
				}
				if due.Before(last) {
					due = last
				}
				last = due.Add(5 * ms)
				time.AfterFunc(time.Until(due), func() { w.put(line[:first]) })
				time.AfterFunc(time.Until(last), func() { w.put(line[first:]) })
			}
			asker := ascii.NewAsker(w, []ascii.Gauge{{Query: []byte("#01\r"), Patterns: []*lines.Pattern{p}}},
				ascii.Options{Mode: mode, Timeout: 50 * ms, Period: 100 * ms, Now: func() si.Instant { return si.InstantOf(time.Now()) }})
			for sent < queries {
				tick := time.Now().Add(100 * ms)
				got, err := asker.Ask(0)
				switch {
				case errors.Is(err, ascii.ErrResting):
				case err != nil:
					failed++
				case math.Abs(got.Readings[0].Own.PSI()-truth) > 1e-6:
					wrong++
				default:
					good++
				}
				time.Sleep(time.Until(tick))
			}
			time.Sleep(time.Second)
			t.Logf("%s, seed %d: %d queries, %d good answers, %d without, %d wrong values", c.check, c.seed, sent, good, failed, wrong)
			if wrong > 0 || good < queries/3 || failed < queries/4 {
				t.Errorf("%d wrong, %d good, %d failed of %d", wrong, good, failed, sent)
			}
			// The fault is over: a good answer again, at the latest when what may be owed cannot come any more.
			c.spoil = func(_ *rand.Rand, line []byte) []byte { return line }
			back := time.Now()
			for {
				if _, err := asker.Ask(0); err == nil {
					break
				}
				if time.Since(back) > 11*time.Second {
					t.Fatal("not back")
				}
				time.Sleep(100 * ms)
			}
		})
	}
}

// stopped is a port whose reader is stopped for a while when bytes have come, as a suspended program is.
type stopped struct {
	*wire
	stop bool
}

func (s *stopped) Read(p []byte, timeout time.Duration) (int, error) {
	n, err := s.wire.Read(p, timeout)
	if s.stop && n > 0 {
		time.Sleep(time.Hour)
	}
	return n, err
}

func TestStoppedProgramTakesNothingOld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &stopped{wire: newWire(), stop: true}
		w.written = func([]byte) { w.put([]byte(">+001.00\r\n")) }
		a := ascii.NewAsker(w, []ascii.Gauge{{Query: []byte("?\r"), Patterns: []*lines.Pattern{pattern(t, fixed, lines.NoCheck)}}},
			ascii.Options{Mode: mode, Now: func() si.Instant { return 0 }})
		if got, err := a.Ask(0); err == nil {
			t.Errorf("%q was waiting for an hour and is taken", got.Text)
		}
		w.stop = false
		if _, err := a.Ask(0); err != nil {
			t.Error(err)
		}
	})
}
