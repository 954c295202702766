package poll_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"

	"github.com/creack/pty"
)

const textPattern = `(?P<body>>(?P<value>[-+][0-9]{3}\.[0-9]{2}))(?P<check>[0-9A-F]{2})`

func textRead(t testing.TB, point points.Point, pattern string, check lines.Check, unit si.GaugePressure) config.TextRead {
	t.Helper()
	p, err := lines.Compile(pattern, check, unit)
	if err != nil {
		t.Fatal(err)
	}
	return config.TextRead{Pot: "alder", Point: point, Pattern: p, Scale: config.Scale{PerUnit: 1, Hi: 200 * si.PSI}}
}

// twoGauges is a hose whose answers carry its address, then a vessel.
func twoGauges(t testing.TB) config.Bus {
	return config.Bus{Port: "/dev/test", Mode: serialport.Mode{Baud: 19200, DataBits: 7, Parity: 'E', StopBits: 1}, Period: period,
		Timeout: 20 * time.Millisecond, Turnaround: 5 * time.Millisecond, Text: []config.Text{
			{Query: []byte("#02\r"), Read: []config.TextRead{textRead(t, points.Hose, `02`+textPattern, lines.XOR, si.PSI)}},
			{Query: []byte("#01\r"), Read: []config.TextRead{textRead(t, points.Vessel, textPattern, lines.XOR, si.PSI)}},
		}}
}

// alikeGauges is the same, but the hose's answers look like the vessel's.
func alikeGauges(t testing.TB) config.Bus {
	b := twoGauges(t)
	b.Text[0].Read[0] = textRead(t, points.Hose, textPattern, lines.XOR, si.PSI)
	return b
}

// line is a gauge's line of text; address stands outside of what the check covers.
func line(address string, psi float64) string {
	body := fmt.Sprintf(">%+07.2f", psi)
	return address + string(lines.XOR.Append([]byte(body), []byte(body))) + "\r\n"
}

// runText lets a line of text run for d.
func runText(t *testing.T, cfg config.Bus, d time.Duration, open func() (serialport.Port, error)) *bench {
	t.Helper()
	b := &bench{samples: make(map[points.Point][]points.Sample)}
	bus := poll.New(cfg, poll.Options{
		Open: open,
		Now:  func() si.Instant { return si.InstantOf(time.Now()) },
		Sink: func(pot string, s points.Sample) {
			b.samples[s.Point] = append(b.samples[s.Point], s)
			b.order = append(b.order, s)
		},
		Log: slog.New(slog.NewTextHandler(&b.log, nil)),
		Events: poll.Events{
			Gauge:   func(g int, answers bool) { b.units = append(b.units, fmt.Sprint(g, answers)) },
			Port:    func(open bool) { b.ports = append(b.ports, open) },
			Skipped: func(n int) { b.skipped += n },
		},
	})
	if bus.String() != "bus /dev/test" {
		t.Errorf("is called %s", bus)
	}
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := bus.Run(ctx); err != nil {
		t.Errorf("Run: %v", err)
	}
	for i := 1; i < len(b.order); i++ {
		if b.order[i].At < b.order[i-1].At {
			t.Fatalf("sample %d is older than the one before it", i)
		}
	}
	return b
}

// gauge answers queries on a pipe with what answer gives, 7 ms later; "" is silence.
func gauge(answer func(query string) string) (open func() (serialport.Port, error), end func()) {
	port, far := serialporttest.Pipe()
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]byte, 64)
		for {
			n, err := far.Read(buf)
			if err != nil {
				return
			}
			if reply := answer(string(buf[:n])); reply != "" {
				time.Sleep(7 * time.Millisecond)
				far.Write([]byte(reply))
			}
		}
	}()
	return func() (serialport.Port, error) { return port, nil }, func() {
		far.Close()
		<-done
	}
}

// gaps is the longest time between good samples, from the n-th on.
func gap(s []points.Sample, from int) (longest time.Duration) {
	var last si.Instant
	seen := 0
	for _, v := range s {
		if v.Quality != points.Good {
			continue
		}
		if seen++; seen > from+1 {
			longest = max(longest, v.At.Sub(last))
		}
		last = v.At
	}
	return longest
}

func TestTextBusKeepsItsPeriod(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open, end := gauge(func(q string) string {
			if q == "#01\r" {
				return line("", 100)
			}
			return line("02", -1.25)
		})
		cfg := twoGauges(t)
		start := si.InstantOf(time.Now())
		b := runText(t, cfg, 10*time.Second-period/2, open)
		end()
		for p, want := range map[points.Point]float64{points.Vessel: 100, points.Hose: -1.25} {
			if n := len(b.samples[p]); n != 100 || count(b.samples[p], points.Good) != 100 || math.Abs(b.samples[p][50].Value.PSI()-want) > 1e-9 {
				t.Errorf("%s: %d samples, %d good, %v psi", p, n, count(b.samples[p], points.Good), b.samples[p][50].Value.PSI())
			}
		}
		for i, s := range b.samples[points.Vessel] { // the vessel comes first, and there is no drift
			if want := start.Add(time.Duration(i)*period + ascii.Silence(cfg.Mode) + 7*time.Millisecond); s.At != want {
				t.Fatalf("vessel sample %d at %v, want %v", i, s.At, want)
			}
		}
		if b.skipped != 0 || len(b.units) != 0 {
			t.Errorf("skipped %d, gauges %v", b.skipped, b.units)
		}
	})
}

// A dead gauge whose answers could not be taken for the vessel's leaves the vessel alone.
func TestSilentGaugeDoesNotSlowTheOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var plugged atomic.Bool
		var asked atomic.Int64
		open, end := gauge(func(q string) string {
			switch {
			case q == "#01\r":
				return line("", 100)
			case plugged.Load():
				return line("02", 5)
			}
			asked.Add(1)
			return ""
		})
		timer := time.AfterFunc(10*time.Second, func() { plugged.Store(true) })
		defer timer.Stop()
		b := runText(t, twoGauges(t), 14*time.Second, open)
		end()
		if s := b.samples[points.Vessel]; count(s, points.Good) < 138 || gap(s, 0) > 2*period {
			t.Errorf("vessel: %d good samples of 140, nothing for %v", count(s, points.Good), gap(s, 0))
		}
		s := b.samples[points.Hose]
		for i := 1; i < len(s); i++ {
			if d := s[i].At.Sub(s[i-1].At); d > 2*period {
				t.Errorf("hose: not even silence for %v", d)
			}
		}
		if n := asked.Load(); n < 8 || n > 13 {
			t.Errorf("the silent gauge was asked %d times in 10 s", n)
		}
		if n := count(s, points.Good); n < 15 {
			t.Errorf("hose: %d good samples in the last 4 s", n)
		}
		if got := strings.Join(b.units, ", "); got != "0 false, 0 true" {
			t.Errorf("gauges: %s", got)
		}
		if n := strings.Count(b.log.String(), "\n"); n != 3 || !strings.Contains(b.log.String(), "gauge is silent: look at its power, wiring, address and line mode") {
			t.Errorf("%d lines of log:\n%s", n, b.log.String())
		}
	})
}

// A dead gauge whose answers look like the vessel's makes it wait, but never for 2 s: a run of readings goes on (R3).
func TestSilentGaugeOfTheSameKind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var dead atomic.Bool
		open, end := gauge(func(q string) string {
			if q == "#01\r" {
				return line("", 100)
			}
			if dead.Load() {
				return ""
			}
			return line("", 5)
		})
		timer := time.AfterFunc(3*time.Second, func() { dead.Store(true) })
		defer timer.Stop()
		b := runText(t, alikeGauges(t), 60*time.Second, open)
		end()
		s := b.samples[points.Vessel]
		if n := count(s, points.Good); n < 450 || gap(s, 0) > 1900*time.Millisecond {
			t.Errorf("vessel: %d good samples of 600, nothing for %v", n, gap(s, 0))
		}
		for _, v := range s {
			if v.Quality == points.Good && math.Abs(v.Value.PSI()-100) > 1e-9 {
				t.Fatalf("vessel reads %v psi", v.Value.PSI())
			}
		}
		t.Logf("vessel: %d good samples of 600, at most %v apart", count(s, points.Good), gap(s, 0))
	})
}

// Spoilt answers give no value, and do not hold the next ones back.
func TestSpoiltTextAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		open, end := gauge(func(q string) string {
			address := map[string]string{"#01\r": "", "#02\r": "02"}[q]
			if n++; n%3 == 0 {
				return strings.Replace(line(address, 100), "100", "000", 1)
			}
			return line(address, 100)
		})
		b := runText(t, twoGauges(t), 9*time.Second-period/2, open)
		end()
		if good := count(b.order, points.Good); len(b.order) != 180 || good != 120 || count(b.order, points.NoReply) != 60 || len(b.units) != 0 {
			t.Errorf("%d samples, %d good, gauges %v; want 180, 120, none silent", len(b.order), good, b.units)
		}
	})
}

func TestTextQuality(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		say := []string{"+100.00 psi", "+207.00 psi", "-003.00 psi", "-002.00 psi", "+000.10 MPa", "+001.00 bar", "-------", "+100.00 ells"}
		n := -1
		open, end := gauge(func(string) string {
			n = min(n+1, len(say)-1)
			return say[n] + "\r"
		})
		cfg := twoGauges(t)
		cfg.Text = []config.Text{{Query: []byte("?"), Read: []config.TextRead{
			textRead(t, points.Vessel, `(?P<value>[-+][0-9]{3}\.[0-9]{2}) (?P<unit>[a-zA-Z]{3})`, lines.NoCheck, 0)}}}
		b := runText(t, cfg, 8*period-period/2, open)
		end()
		for i, want := range []points.Sample{
			{Value: 100 * si.PSI, Quality: points.Good},
			{Value: 207 * si.PSI, Quality: points.OutOfRange}, // the range ends at 200, and 3.125 % over it is too much
			{Value: -3 * si.PSI, Quality: points.OutOfRange},
			{Value: -2 * si.PSI, Quality: points.Good},
			{Value: 100e3, Quality: points.OutOfRange}, // steps of 10 kPa prove no zero
			{Value: 100e3, Quality: points.Good},
			{Quality: points.NoReply},
			{Quality: points.NoReply},
		} {
			if s := b.order[i]; s.Quality != want.Quality || math.Abs(float64(s.Value-want.Value)) > 1e-6 {
				t.Errorf("%s: %v %v, want %v %v", say[i], float64(s.Value), s.Quality, float64(want.Value), want.Quality)
			}
		}
	})
}

func TestTextPortLostAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		answer := func(q string) string { return line(map[string]string{"#01\r": "", "#02\r": "02"}[q], 100) }
		openA, endA := gauge(answer)
		openB, endB := gauge(answer)
		start := time.Now()
		timer := time.AfterFunc(2*time.Second, endA)
		defer timer.Stop()
		b := runText(t, twoGauges(t), 10*time.Second-period/2, func() (serialport.Port, error) {
			switch at := time.Since(start); {
			case at < 2*time.Second:
				return openA()
			case at < 5*time.Second:
				return nil, serialport.ErrMissing
			}
			return openB()
		})
		endB()
		for _, p := range []points.Point{points.Vessel, points.Hose} {
			s := b.samples[p]
			if silent := count(s, points.NoReply); len(s) < 99 || silent < 30 || silent > 75 || s[len(s)-1].Quality != points.Good {
				t.Errorf("%s: %d samples, %d without a value", p, len(s), silent)
			}
		}
		if fmt.Sprint(b.ports) != "[true false true]" {
			t.Errorf("port: %v", b.ports)
		}
	})
}

func TestTextFeasible(t *testing.T) {
	cfg := twoGauges(t)
	// By hand: at 19200 bit/s and 10 bits a character takes 0.5208 ms. Silence of 4, query of 4, lines of 12 and 10 and
	// their ends of 2, 5 ms each to think: (8+14)*0.5208 + (8+12)*0.5208 + 10 = 31.875 ms.
	if got := poll.Fastest(cfg); got != 31880*time.Microsecond {
		t.Errorf("fastest %v, want 31.88 ms", got)
	}
	if err := poll.Feasible(cfg); err != nil {
		t.Error(err)
	}
	cfg.Period = 30 * time.Millisecond
	want := "bus /dev/test: the line cannot keep the period: 2 queries take 31.87 ms, period is 30 ms; write period: 40 ms or more, use a faster line, or put gauges on another one"
	if err := poll.Feasible(cfg); !errors.Is(err, poll.ErrTooSlow) || err.Error() != want {
		t.Errorf("%v", err)
	}
	one := free(t)
	one.Mode.Baud, one.Period = 300, 200*time.Millisecond
	if err := poll.Feasible(one); !errors.Is(err, poll.ErrTooSlow) || !strings.Contains(err.Error(), "one line of text takes 466.67 ms") {
		t.Errorf("%v", err)
	}
	got, err := poll.Check(config.Config{Buses: []config.Bus{alikeGauges(t)}})
	if err != nil || !strings.Contains(got, `note: answers to "#02\r" and "#01\r" cannot be told apart`) {
		t.Errorf("%v\n%s", err, got)
	}
}

// The real thing, with 7 data bits and even parity asked for: a pseudo-terminal, taken away and put back.
func TestTextOverPseudoTerminal(t *testing.T) {
	link := filepath.Join(t.TempDir(), "line")
	plug := func() (unplug func()) {
		master, tty, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		next := link + ".new"
		if err := errors.Join(os.Symlink(tty.Name(), next), os.Rename(next, link)); err != nil {
			t.Fatal(err)
		}
		done := make(chan struct{})
		go func() {
			defer close(done)
			buf := make([]byte, 64)
			var heard []byte
			for {
				n, err := master.Read(buf)
				if err != nil {
					return
				}
				heard = append(heard, buf[:n]...)
				for {
					q, rest, ok := bytes.Cut(heard, []byte("\r"))
					if !ok {
						break
					}
					heard = rest
					master.Write([]byte(line(map[string]string{"#01": "", "#02": "02"}[string(q)], 100)))
				}
			}
		}()
		return func() {
			tty.Close()
			master.Close()
			<-done
		}
	}
	unplug := plug()
	cfg := twoGauges(t)
	cfg.Port, cfg.Timeout = link, 200*time.Millisecond
	got := make(chan points.Sample, 1000)
	bus := poll.New(cfg, poll.Options{
		Now:  func() si.Instant { return si.InstantOf(time.Now()) },
		Sink: func(_ string, s points.Sample) { got <- s },
		Log:  slog.New(slog.DiscardHandler),
	})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- bus.Run(ctx) }()
	want := func(q points.Quality, n int) {
		t.Helper()
		limit := time.After(2 * time.Minute) // a gauge whose answer came late, on a busy machine, is left in peace for ten seconds
		for n > 0 {
			select {
			case s := <-got:
				if s.Quality == q {
					n--
				}
			case <-limit:
				t.Fatalf("no %v samples", q)
			}
		}
	}
	want(points.Good, 6)
	unplug()
	want(points.NoReply, 6)
	unplug = plug()
	want(points.Good, 6)
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	unplug()
}
