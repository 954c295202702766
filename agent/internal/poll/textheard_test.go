package poll_test

import (
	"fmt"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// talker sends what say gives every 50 ms; "" is silence.
func talker(say func(at time.Duration) string) (open func() (serialport.Port, error), end func()) {
	port, far := serialporttest.Pipe()
	stop, done := make(chan struct{}), make(chan struct{})
	go func(far net.Conn) {
		defer close(done)
		start := time.Now()
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
			}
			if text := say(time.Since(start)); text != "" {
				if _, err := far.Write([]byte(text)); err != nil {
					return
				}
			}
		}
	}(far)
	return func() (serialport.Port, error) { return port, nil }, func() {
		close(stop)
		far.Close()
		<-done
	}
}

func free(t testing.TB) config.Bus {
	b := twoGauges(t)
	b.Text = []config.Text{{Read: []config.TextRead{
		textRead(t, points.Vessel, textPattern, lines.XOR, si.PSI),
		textRead(t, points.Hose, `02`+textPattern, lines.XOR, si.PSI),
	}}}
	return b
}

func TestHeardGauge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open, end := talker(func(at time.Duration) string {
			switch {
			case at < time.Second:
				return line("", 100) + line("02", 5)
			case at < 2*time.Second:
				return line("", 101)
			case at < 3*time.Second:
				return "noise \x00\r\n" + strings.Replace(line("", 100), "100", "000", 1)
			case at < 4*time.Second:
				return "" // silence
			}
			return line("", 102) + line("02", 6)
		})
		start := si.InstantOf(time.Now())
		b := runText(t, free(t), 5*time.Second-10*time.Millisecond, open) // not at the instant of a line
		end()
		v, h := b.samples[points.Vessel], b.samples[points.Hose]
		if good, silent := count(v, points.Good), count(v, points.NoReply); good < 56 || good > 60 || silent < 18 || silent > 20 {
			t.Errorf("vessel: %d good, %d without a value; want 40 + 20 less the first, and 2 s less two periods", good, silent)
		}
		if good, silent := count(h, points.Good), count(h, points.NoReply); good < 37 || good > 40 || silent < 28 || silent > 30 {
			t.Errorf("hose: %d good, %d without a value", good, silent)
		}
		for _, s := range v {
			at := s.At.Sub(start)
			if s.Quality == points.NoReply && (at < 2*time.Second+period || at > 4*time.Second+period) {
				t.Errorf("vessel has no value at %v", at)
			}
			if psi := s.Value.PSI(); s.Quality == points.Good && (psi < 99.99 || psi > 102.01) {
				t.Errorf("vessel reads %v", psi)
			}
		}
		if got := strings.Join(b.units, ", "); got != "0 false, 0 true" {
			t.Errorf("gauge: %s", got)
		}
	})
}

func TestHeardGaugeWithoutPort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open, end := talker(func(time.Duration) string { return line("", 100) + line("02", 5) })
		start := time.Now()
		b := runText(t, free(t), 6*time.Second, func() (serialport.Port, error) {
			if time.Since(start) < 2*time.Second {
				return nil, serialport.ErrMissing
			}
			return open()
		})
		end()
		if n := count(b.samples[points.Vessel], points.NoReply); n < 18 || n > 32 {
			t.Errorf("%d samples without a value", n)
		}
		if n := count(b.samples[points.Vessel], points.Good); n < 50 {
			t.Errorf("%d good", n)
		}
		if fmt.Sprint(b.ports) != "[false true]" || len(b.units) != 0 {
			t.Errorf("ports %v, gauges %v", b.ports, b.units)
		}
	})
}
