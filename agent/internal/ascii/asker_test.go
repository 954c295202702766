package ascii_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/si"
)

const ms = time.Millisecond

// 7E1: start, 7 data bits, parity, stop: 10 bits, 1.0417 ms a character at 9600 bit/s.
var mode = serialport.Mode{Baud: 9600, DataBits: 7, Parity: 'E', StopBits: 1}

func pattern(t testing.TB, text string, check lines.Check) *lines.Pattern {
	t.Helper()
	p, err := lines.Compile(text, check, si.PSI)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

const fixed = `>(?P<value>[-+][0-9]{3}\.[0-9]{2})`

// reply is what a gauge puts on the line so long after the one before, the first after the query.
type reply struct {
	after time.Duration
	text  string
}

// bench is an asker on a pipe whose far end plays replies, one list a query.
type bench struct {
	t      *testing.T
	asker  *ascii.Asker
	far    net.Conn
	port   serialport.Port
	script chan []reply
	asked  []string
	events []string
	done   chan struct{}
}

func newBench(t *testing.T, gauges ...ascii.Gauge) *bench {
	b := &bench{t: t, script: make(chan []reply, 100), done: make(chan struct{})}
	b.port, b.far = serialporttest.Pipe()
	note := func(what string) func(int) {
		return func(i int) { b.events = append(b.events, fmt.Sprint(what, i)) }
	}
	b.asker = ascii.NewAsker(b.port, gauges, ascii.Options{Mode: mode, Timeout: 50 * ms, Period: 100 * ms,
		Now: func() si.Instant { return si.InstantOf(time.Now()) },
		Events: ascii.Events{Sent: note("sent"), Line: note("line"), Echo: note("echo"), Stray: note("stray"),
			Failed: func(i int, err error) { b.events = append(b.events, fmt.Sprint("failed", i)) }}})
	go func() {
		defer close(b.done)
		buf := make([]byte, 64)
		for {
			n, err := b.far.Read(buf)
			if err != nil {
				return
			}
			b.asked = append(b.asked, string(buf[:n]))
			select {
			case replies := <-b.script:
				for _, r := range replies {
					time.Sleep(r.after)
					if _, err := b.far.Write([]byte(r.text)); err != nil {
						return
					}
				}
			default:
			}
		}
	}()
	return b
}

func (b *bench) close() {
	b.far.Close()
	<-b.done
}

// ask asks gauge i, which replies so. Psi is the first reading, NaN with an error.
func (b *bench) ask(i int, replies ...reply) (psi float64, err error) {
	b.script <- replies
	a, err := b.asker.Ask(i)
	if len(b.script) > 0 {
		<-b.script // it was not asked
	}
	if err != nil {
		return math.NaN(), err
	}
	return a.Readings[0].Own.PSI(), nil
}

func (b *bench) want(i int, psi float64, replies ...reply) {
	b.t.Helper()
	if got, err := b.ask(i, replies...); err != nil || math.Abs(got-psi) > 1e-9 {
		b.t.Errorf("%v psi, %v; want %v", got, err, psi)
	}
}

func (b *bench) fails(i int, want error, replies ...reply) {
	b.t.Helper()
	if got, err := b.ask(i, replies...); !errors.Is(err, want) {
		b.t.Errorf("%v psi, %v; want %v", got, err, want)
	}
}

func one(t *testing.T) *bench {
	return newBench(t, ascii.Gauge{Query: []byte("#01\r"), Patterns: []*lines.Pattern{pattern(t, fixed, lines.NoCheck)}})
}

// bubble runs a test in fake time on a line with one gauge.
func bubble(t *testing.T, f func(b *bench)) {
	synctest.Test(t, func(t *testing.T) {
		b := one(t)
		f(b)
		b.close()
	})
}

func TestAnswer(t *testing.T) {
	bubble(t, func(b *bench) {
		b.want(0, 12.34, reply{3 * ms, ">+012.34\r\n"})
		b.want(0, -0.5, reply{3 * ms, ">-00"}, reply{20 * ms, "0.50"}, reply{ms, "\r"}) // in pieces, the LF left out
		b.want(0, 7, reply{3 * ms, "\r\n>+007.00\n"})
		b.script <- []reply{{3 * ms, ">+012.3"}, {5 * ms, "4"}, {2 * ms, "\r"}}
		start := time.Now()
		a, err := b.asker.Ask(0)
		// 4.17 ms of silence (4 characters), then 3 + 5 + 2 ms to the line end: the instant of the last byte.
		if want := si.InstantOf(start.Add(4*10*time.Second/9600 + 10*ms)); err != nil || a.At != want || string(a.Text) != ">+012.34" {
			b.t.Errorf("%q at %v, %v; want %v", a.Text, a.At, err, want)
		}
		if got := strings.Join(b.asked, ""); got != "#01\r#01\r#01\r#01\r" {
			b.t.Errorf("asked %q", got)
		}
		if got := strings.Join(b.events[:2], " "); got != "sent0 line0" {
			b.t.Errorf("events %v", b.events)
		}
	})
}

// What a spoilt answer gives, and that the next query, a period later, is answered again.
func TestSpoiltAnswers(t *testing.T) {
	for _, c := range []struct {
		name    string
		replies []reply
		want    error
	}{
		{"a character with wrong parity is NUL", []reply{{3 * ms, ">+01\x002.34\r\n"}}, lines.ErrNoise},
		{"a digit is lost", []reply{{3 * ms, ">+01.34\r\n"}}, lines.ErrLine},
		{"over range", []reply{{3 * ms, ">------\r\n"}}, lines.ErrLine},
		{"the line end is lost", []reply{{3 * ms, ">+012.34"}}, ascii.ErrCut},
		{"cut short behind the sign, then whole", []reply{{3 * ms, ">+\r"}, {20 * ms, ">+012.34\r"}}, lines.ErrLine},
		{"noise in front", []reply{{ms, "\x7f\xff\r"}, {2 * ms, ">+012.34\r\n"}}, lines.ErrNoise},
	} {
		t.Run(c.name, func(t *testing.T) {
			bubble(t, func(b *bench) {
				b.fails(0, c.want, c.replies...)
				b.want(0, 1, reply{3 * ms, ">+001.00\r\n"})
			})
		})
	}
}

func TestEcho(t *testing.T) {
	bubble(t, func(b *bench) {
		b.want(0, 12.34, reply{0, "#0"}, reply{ms, "1\r"}, reply{3 * ms, ">+012.34\r\n"})
		b.want(0, 5, reply{0, "#01\r>+005.00\r\n"})
		b.fails(0, ascii.ErrTimeout, reply{0, "#01\r"}) // an echo is no answer, and it is owed
		b.fails(0, ascii.ErrResting)
		if n := strings.Count(strings.Join(b.events, " "), "echo0"); n != 3 {
			t.Errorf("%d echoes", n)
		}
	})
}

// A late answer that turns up before the line has been silent for the longest line's time is late, and nothing is owed.
func TestLateAnswer(t *testing.T) {
	bubble(t, func(b *bench) {
		b.fails(0, ascii.ErrLate, reply{75 * ms, ">+100.00\r\n"})
		b.want(0, 1, reply{3 * ms, ">+001.00\r\n"})
		// Later than that, but before the next query: it is thrown away with what else is found on the line.
		b.fails(0, ascii.ErrTimeout, reply{130 * ms, ">+100.00\r\n"})
		time.Sleep(100 * ms)
		b.want(0, 1, reply{3 * ms, ">+001.00\r\n"})
	})
}

// The answer is lost: the gauge rests, then the answer to a throw-away query is not used, then all is well.
func TestLostAnswer(t *testing.T) {
	bubble(t, func(b *bench) {
		b.fails(0, ascii.ErrTimeout)
		lost := time.Now()
		rested := 0
		for {
			_, err := b.ask(0, reply{3 * ms, ">+099.00\r\n"})
			if errors.Is(err, ascii.ErrUnsure) {
				break
			}
			if !errors.Is(err, ascii.ErrResting) {
				t.Fatal(err)
			}
			rested++
			time.Sleep(100 * ms)
		}
		if d := time.Since(lost); d < 850*ms || d > 1200*ms || rested < 8 {
			t.Errorf("rested %d times, %v", rested, d)
		}
		tried := time.Now()
		for {
			time.Sleep(100 * ms)
			if psi, err := b.ask(0, reply{3 * ms, ">+098.00\r\n"}); err == nil && math.Abs(psi-98) < 1e-9 {
				break
			} else if !errors.Is(err, ascii.ErrResting) {
				t.Fatal(psi, err)
			}
		}
		if d := time.Since(tried); d < 450*ms {
			t.Errorf("only %v were left for what the throw-away query's answer may still be", d)
		}
		if d := time.Since(lost); d > 1800*ms { // a run of readings may have gaps of 2 s (R3)
			t.Errorf("back after %v", d)
		}
		if n := len(b.asked); n != 3 {
			t.Errorf("%d queries went out, want 3", n)
		}
	})
}

// However late a gauge answers, always by the same time or each time by another: no query gets the answer to an earlier
// one. The gauge tells the number of the query that it answers.
func TestNoAnswerIsUsedForALaterQuery(t *testing.T) {
	used, asked := 0, 0
	rnd := rand.New(rand.NewPCG(1, 2))
	for late := 5 * ms; late < 4*time.Second; late += 23 * ms {
		for _, spread := range []time.Duration{0, 30 * ms, 300 * ms, 900 * ms} {
			if spread > 100*ms && late+spread > time.Second {
				continue // an erratic gauge that is later than Rest is more than this can stand
			}
			synctest.Test(t, func(t *testing.T) {
				w, sent, last := newWire(), 0, time.Now()
				w.written = func([]byte) {
					sent++
					due := time.Now().Add(late)
					if spread > 0 {
						due = due.Add(time.Duration(rnd.Int64N(int64(spread))))
					}
					if due.Before(last) {
						due = last // answers come in order
					}
					last = due
					line := fmt.Appendf(nil, ">+%03d.00\r\n", sent)
					time.AfterFunc(time.Until(due), func() { w.put(line) })
				}
				a := ascii.NewAsker(w, []ascii.Gauge{{Query: []byte("?\r"), Patterns: []*lines.Pattern{pattern(t, fixed, lines.NoCheck)}}},
					ascii.Options{Mode: mode, Timeout: 50 * ms, Period: 100 * ms, Now: func() si.Instant { return 0 }})
				for range 100 {
					tick := time.Now().Add(100 * ms)
					got, err := a.Ask(0)
					if err == nil {
						used++
						if n := int(math.Round(got.Readings[0].Own.PSI())); n != sent {
							t.Errorf("%v late: the answer to query %d is used for query %d", late, n, sent)
						}
					}
					time.Sleep(time.Until(tick))
				}
				asked += sent
				time.Sleep(10 * time.Second) // let the rest arrive
			})
		}
	}
	t.Logf("%d queries, %d answers used", asked, used)
	if used < 250 {
		t.Error("a gauge in time is not used")
	}
}

func TestTwoAnswers(t *testing.T) {
	bubble(t, func(b *bench) {
		b.fails(0, ascii.ErrExtra, reply{3 * ms, ">+001.00\r\n>+002.00\r\n"})
		b.fails(0, ascii.ErrResting, reply{3 * ms, ">+003.00\r\n"})
		time.Sleep(11 * time.Second)
		b.want(0, 4, reply{3 * ms, ">+004.00\r\n"})
		// A second line that says nothing of a pressure is thrown away.
		b.want(0, 5, reply{3 * ms, ">+005.00\r\nOK\r\n"})
		b.want(0, 6, reply{3 * ms, ">+006.00\r\n"}, reply{ms, "OK\r\n"})
		b.want(0, 7, reply{3 * ms, ">+007.00\r\n"})
	})
}

// A line that comes while nobody asked: the gauge is left in peace, for somebody else asks it.
func TestStrayLine(t *testing.T) {
	bubble(t, func(b *bench) {
		b.want(0, 1, reply{3 * ms, ">+001.00\r\n"})
		b.want(0, 2, reply{3 * ms, ">+002.00\r\n"}, reply{30 * ms, ">+003.00\r\n"})
		time.Sleep(50 * ms)
		b.fails(0, ascii.ErrResting, reply{3 * ms, ">+004.00\r\n"})
		if !strings.Contains(strings.Join(b.events, " "), "stray8") {
			t.Errorf("events %v", b.events)
		}
	})
}

func TestBabbleAndLostPort(t *testing.T) {
	bubble(t, func(b *bench) {
		stop, stopped := make(chan struct{}), make(chan struct{})
		go func() {
			defer close(stopped)
			for {
				select {
				case <-stop:
					return
				case <-time.After(ms):
					b.far.Write([]byte("U"))
				}
			}
		}()
		start := time.Now()
		b.fails(0, ascii.ErrBabble)
		if d := time.Since(start); d > 1100*ms {
			t.Errorf("listened for %v", d)
		}
		close(stop)
		<-stopped
		b.want(0, 1, reply{3 * ms, ">+001.00\r\n"})
		b.far.Close()
		b.fails(0, ascii.ErrPort)
		port, far := serialporttest.Pipe()
		b.asker.Reopened(port)
		go func() {
			buf := make([]byte, 64)
			if _, err := far.Read(buf); err == nil {
				far.Write([]byte(">+002.00\r\n"))
			}
		}()
		if a, err := b.asker.Ask(0); err != nil || math.Abs(a.Readings[0].Own.PSI()-2) > 1e-9 {
			t.Errorf("%v, %v", a, err)
		}
		far.Close()
	})
}

// Two gauges whose answers look alike, and one whose answers carry its address.
func three(t *testing.T) *bench {
	return newBench(t,
		ascii.Gauge{Query: []byte("#01\r"), Patterns: []*lines.Pattern{pattern(t, fixed, lines.NoCheck)}},
		ascii.Gauge{Query: []byte("#03\r"), Patterns: []*lines.Pattern{pattern(t, `03`+fixed, lines.NoCheck), pattern(t, `03>(?P<value>[-+][0-9]{3}\.[0-9]{2}|-{7})`, lines.NoCheck)}},
		ascii.Gauge{Query: []byte("#02\r"), Patterns: []*lines.Pattern{pattern(t, fixed, lines.NoCheck)}})
}

func TestLateAnswerOfAnotherGauge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := three(t)
		if !b.asker.Shares(0) || b.asker.Shares(1) || !b.asker.Shares(2) {
			t.Error("kinds")
		}
		b.fails(0, ascii.ErrTimeout)
		// The third gauge's answers cannot be told from the first's: it is not asked. The second's can.
		b.fails(2, ascii.ErrResting, reply{3 * ms, ">+002.00\r\n"})
		b.want(1, 3, reply{3 * ms, ">+100.00\r\n"}, reply{ms, "03>+003.00\r\n"}) // the first's late one comes in between
		b.want(2, 2, reply{3 * ms, ">+002.00\r\n"})                              // nothing is owed any more
		b.want(0, 1, reply{3 * ms, ">+001.00\r\n"})
		b.fails(0, ascii.ErrTimeout)
		time.Sleep(time.Second)
		b.fails(2, ascii.ErrUnsure, reply{3 * ms, ">+100.00\r\n"}, reply{90 * ms, ">+002.00\r\n"}) // both are seen
		time.Sleep(100 * ms)
		b.want(2, 2, reply{3 * ms, ">+002.00\r\n"})
		b.close()
	})
}

// One line may say two points, and one of them may have nothing to say.
func TestTwoPatterns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := three(t)
		b.script <- []reply{{3 * ms, "03>-------\r\n"}}
		a, err := b.asker.Ask(1)
		if !errors.Is(err, lines.ErrLine) {
			t.Errorf("%v, %v", a, err)
		}
		b.script <- []reply{{3 * ms, "03>+003.00\r\n"}}
		if a, err = b.asker.Ask(1); err != nil || len(a.Readings) != 2 || a.Readings[1].Err != nil {
			t.Errorf("%v, %v", a, err)
		}
		b.close()
	})
}
