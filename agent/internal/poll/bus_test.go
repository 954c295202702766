package poll_test

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

const period = 100 * time.Millisecond

// twoUnits is a vessel and a hose on unit 1, a supply on unit 2.
func twoUnits() config.Bus {
	return config.Bus{Port: "/dev/test", Mode: mode, Period: period, Timeout: 50 * time.Millisecond, Turnaround: 5 * time.Millisecond, Units: []config.Unit{
		{Unit: 2, Read: []config.Read{read(points.Supply, 4, 7, config.Int16)}},
		{Unit: 1, Read: []config.Read{read(points.Vessel, 4, 304, config.Int16), read(points.Hose, 4, 400, config.Int16)}},
	}}
}

// bench runs a bus in fake time and keeps what it gives.
type bench struct {
	samples map[points.Point][]points.Sample
	order   []points.Sample
	units   []string
	ports   []bool
	skipped int
	log     bytes.Buffer
}

// run lets a bus run for d, with open for its port.
func run(t *testing.T, cfg config.Bus, d time.Duration, open func() (serialport.Port, error)) *bench {
	t.Helper()
	b := &bench{samples: make(map[points.Point][]points.Sample)}
	bus := poll.NewBus(cfg, poll.Options{
		Open: open,
		Now:  func() si.Instant { return si.InstantOf(time.Now()) },
		Sink: func(pot string, s points.Sample) {
			if pot != "alder" {
				t.Errorf("a sample for %q", pot)
			}
			b.samples[s.Point] = append(b.samples[s.Point], s)
			b.order = append(b.order, s)
		},
		Log: slog.New(slog.NewTextHandler(&b.log, nil)),
		Events: poll.Events{
			Unit:    func(u uint8, answers bool) { b.units = append(b.units, fmt.Sprint(u, answers)) },
			Port:    func(open bool) { b.ports = append(b.ports, open) },
			Skipped: func(n int) { b.skipped += n },
		},
	})
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

// slave answers on far until it is closed.
func slave(t *testing.T, answer func(modbus.Request) []byte) (open func() (serialport.Port, error), end func()) {
	port, far := serialporttest.Pipe()
	done := make(chan struct{})
	go func() {
		defer close(done)
		rtutest.Slave(far, answer)
	}()
	return func() (serialport.Port, error) { return port, nil }, func() {
		far.Close()
		<-done
	}
}

// half answers with half of the range: 12 mA.
func half(r modbus.Request) []byte {
	regs := make([]uint16, r.Count)
	for i := range regs {
		regs[i] = 12000
	}
	return modbus.AppendReadReply(nil, r.Unit, r.Function, regs)
}

func count(s []points.Sample, q points.Quality) (n int) {
	for _, v := range s {
		if v.Quality == q {
			n++
		}
	}
	return n
}

func TestBusKeepsItsPeriod(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open, end := slave(t, func(r modbus.Request) []byte {
			time.Sleep(7 * time.Millisecond)
			return half(r)
		})
		start := si.InstantOf(time.Now())
		b := run(t, twoUnits(), 10*time.Second-period/2, open)
		end()
		for _, p := range []points.Point{points.Vessel, points.Hose, points.Supply} {
			if n := len(b.samples[p]); n != 100 || count(b.samples[p], points.Good) != 100 {
				t.Errorf("%s: %d samples, %d good, want 100", p, n, count(b.samples[p], points.Good))
			}
		}
		for i, s := range b.samples[points.Vessel] {
			// The vessel comes first: 7 ms, no drift. The very first request waits for silence and for its probe.
			want := start.Add(time.Duration(i)*period + 7*time.Millisecond)
			if i == 0 {
				want = want.Add(2*modbus.SilentInterval(19200) + 7*time.Millisecond)
			}
			if d := s.At.Sub(want); d < 0 || d > 10*time.Microsecond {
				t.Fatalf("vessel sample %d at %v, want %v", i, s.At, want)
			}
			if s.Value.PSI() < 99.999 || s.Value.PSI() > 100.001 {
				t.Fatalf("vessel reads %v psi", s.Value.PSI())
			}
		}
		if b.skipped != 0 || len(b.units) != 0 {
			t.Errorf("skipped %d, units %v", b.skipped, b.units)
		}
	})
}

func TestSilentUnitDoesNotSlowTheOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var plugged atomic.Bool
		var asked atomic.Int64
		open, end := slave(t, func(r modbus.Request) []byte {
			if r.Unit == 2 && !plugged.Load() {
				asked.Add(1)
				return nil
			}
			return half(r)
		})
		back := si.InstantOf(time.Now().Add(10 * time.Second))
		timer := time.AfterFunc(10*time.Second, func() { plugged.Store(true) })
		defer timer.Stop()
		b := run(t, twoUnits(), 13*time.Second, open)
		end()
		if n := count(b.samples[points.Vessel], points.Good); n < 128 {
			t.Errorf("vessel: %d good samples of 130", n)
		}
		s := b.samples[points.Supply]
		if len(s) < 128 {
			t.Errorf("supply: %d samples of 130, silent or not", len(s))
		}
		for i := 1; i < len(s); i++ {
			if d := s[i].At.Sub(s[i-1].At); d > 2*period {
				t.Errorf("supply: nothing for %v", d)
			}
		}
		if n := asked.Load(); n < 95 || n > 101 {
			t.Errorf("the silent unit was asked %d times in 10 s, want once a period", n)
		}
		for _, v := range s {
			if d := v.At.Sub(back); d > 2*period && v.Quality != points.Good {
				t.Errorf("supply: no value %v after it was plugged in again", d)
			}
		}
		if got := strings.Join(b.units, ", "); got != "2 false, 2 true" {
			t.Errorf("units: %s", got)
		}
		if n := strings.Count(b.log.String(), "\n"); n != 3 || !strings.Contains(b.log.String(), "unit is silent: look at its power, wiring, address and line mode") {
			t.Errorf("%d lines of log:\n%s", n, b.log.String())
		}
	})
}

// Ten dead units beside a live one: it is still read at least every other period.
func TestManySilentUnits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := twoUnits()
		for unit := uint8(10); unit < 20; unit++ {
			cfg.Units = append(cfg.Units, config.Unit{Unit: unit, Read: []config.Read{read(points.Nozzle, 4, 1, config.Int16)}})
		}
		open, end := slave(t, func(r modbus.Request) []byte {
			if r.Unit >= 10 {
				return nil
			}
			return half(r)
		})
		b := run(t, cfg, 20*time.Second, open)
		end()
		s := b.samples[points.Vessel]
		for i := 20; i < len(s); i++ { // after they were found silent
			if d := s[i].At.Sub(s[i-1].At); d > 2*period {
				t.Fatalf("vessel: nothing for %v", d)
			}
		}
		if n := count(s, points.Good); n != len(s) || n < 150 {
			t.Errorf("vessel: %d good of %d", n, len(s))
		}
	})
}

func TestRefusalGivesNoReply(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open, end := slave(t, func(r modbus.Request) []byte {
			if r.Address == 400 {
				return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalAddress)
			}
			return half(r)
		})
		b := run(t, twoUnits(), 2*time.Second-period/2, open)
		end()
		if n := count(b.samples[points.Hose], points.NoReply); n != 20 {
			t.Errorf("hose: %d samples without a value, want 20", n)
		}
		if n := count(b.samples[points.Vessel], points.Good); n != 20 {
			t.Errorf("vessel of the same unit: %d good, want 20", n)
		}
		if n := strings.Count(b.log.String(), "unit refuses a request"); n != 1 || !strings.Contains(b.log.String(), "no such address") {
			t.Errorf("said %d times:\n%s", n, b.log.String())
		}
	})
}

// Every third reply is spoilt on the line: those are lost, the others are not held back.
func TestSpoiltReplies(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		open, end := slave(t, func(r modbus.Request) []byte {
			reply := half(r)
			if n++; n%3 == 0 {
				reply[3] ^= 0x10
			}
			return reply
		})
		b := run(t, twoUnits(), 10*time.Second-period/2, open)
		end()
		good := count(b.order, points.Good)
		if len(b.order) != 300 || good != 200 || len(b.units) != 0 {
			t.Errorf("%d samples, %d good, units %v; want 300, 200, none silent", len(b.order), good, b.units)
		}
	})
}

func TestPortLostAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		openA, endA := slave(t, half)
		openB, endB := slave(t, half)
		start := time.Now()
		timer := time.AfterFunc(2*time.Second, endA) // unplugged
		defer timer.Stop()
		tries := 0
		b := run(t, twoUnits(), 10*time.Second-period/2, func() (serialport.Port, error) {
			tries++
			switch at := time.Since(start); {
			case at < 2*time.Second:
				return openA()
			case at < 5*time.Second:
				return nil, fmt.Errorf("%w /dev/test: is the adapter plugged in?", serialport.ErrMissing)
			}
			return openB()
		})
		endB()
		for _, p := range []points.Point{points.Vessel, points.Hose, points.Supply} {
			if n := len(b.samples[p]); n < 99 {
				t.Errorf("%s: %d samples, want one a period", p, n)
			}
			if silent := count(b.samples[p], points.NoReply); silent < 30 || silent > 75 {
				t.Errorf("%s: %d without a value; the port was away for 3 s and is tried 1, 2 and 4 s later", p, silent)
			}
		}
		if fmt.Sprint(b.ports) != "[true false true]" {
			t.Errorf("port: %v", b.ports)
		}
		if n := strings.Count(b.log.String(), "is the adapter plugged in?"); n != 1 {
			t.Errorf("said %d times:\n%s", n, b.log.String())
		}
		if tries > 5 {
			t.Errorf("opened %d times", tries)
		}
		last := b.samples[points.Vessel][len(b.samples[points.Vessel])-1]
		if last.Quality != points.Good {
			t.Error("not back")
		}
	})
}

func TestNoPortAtAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := run(t, twoUnits(), 3*time.Second-period/2, func() (serialport.Port, error) { return nil, serialport.ErrMissing })
		if n := count(b.order, points.NoReply); n != 90 || len(b.order) != 90 {
			t.Errorf("%d of %d samples without a value, want 90", n, len(b.order))
		}
		if n := strings.Count(b.log.String(), "\n"); n != 1 {
			t.Errorf("%d lines of log", n)
		}
	})
}

// Noise without end: no unit is to blame, and every point is told to be silent.
func TestBabble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, far := serialporttest.Pipe()
		done := make(chan struct{})
		go func() {
			defer close(done)
			for {
				if _, err := far.Write([]byte{0x55}); err != nil {
					return
				}
				time.Sleep(500 * time.Microsecond)
			}
		}()
		b := run(t, twoUnits(), 6*time.Second, func() (serialport.Port, error) { return port, nil })
		far.Close()
		<-done
		if n := len(b.samples[points.Supply]); n < 5 || count(b.order, points.NoReply) != len(b.order) || len(b.units) != 0 || b.skipped == 0 {
			t.Errorf("%d samples, units %v, %d periods left out", n, b.units, b.skipped)
		}
	})
}

// A unit that dies is said to be silent within two periods, with the usual timeout of a whole period, and another unit
// loses at most the reading of that period over it.
func TestQualityGoesBadWithinTwoPeriods(t *testing.T) {
	for _, dead := range []uint8{1, 2} {
		synctest.Test(t, func(t *testing.T) {
			var died atomic.Bool
			open, end := slave(t, func(r modbus.Request) []byte {
				if r.Unit == dead && died.Load() {
					return nil
				}
				time.Sleep(5 * time.Millisecond)
				return half(r)
			})
			start := si.InstantOf(time.Now())
			at := start.Add(5*time.Second + 37*time.Millisecond)
			defer time.AfterFunc(at.Sub(start), func() { died.Store(true) }).Stop()
			cfg := twoUnits()
			cfg.Timeout = period
			b := run(t, cfg, 9*time.Second-period/2, open)
			end()
			of := map[points.Point]uint8{points.Vessel: 1, points.Hose: 1, points.Supply: 2}
			for p, unit := range of {
				s := b.samples[p]
				if unit != dead {
					if n := count(s, points.Good); n < 89 || len(s) < 89 {
						t.Errorf("unit %d dead, %s: %d samples, %d good, want 89 of 90 at least", dead, p, len(s), n)
					}
					continue
				}
				last := si.Instant(0)
				for _, v := range s {
					if v.Quality == points.Good {
						last = v.At
						continue
					}
					if d := v.At.Sub(last); d > 2*period {
						t.Errorf("unit %d dead, %s: said %v after the last reading", dead, p, d)
					}
					break
				}
			}
		})
	}
}
