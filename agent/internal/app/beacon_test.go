package app_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/app"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/agent/internal/timebase"
	"gritwatch/internal/vent"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
)

const withBeacons = `      - unit: 5
        beacons:
          - {pot: alder, coil: 0, watchdog: 2 s, prove: {coil: 7}}
          - {pot: alder, coil: 1, toggle: true, contact: 1}
  - port: /dev/line-2
`

func beaconConfig(t *testing.T) config.Config {
	t.Helper()
	text := strings.Replace(file, "  - port: /dev/line-2\n", withBeacons, 1)
	text = strings.Replace(text, "mode: 19200 8E1", "mode: 115200 8E1", 1)
	c, err := config.Parse("agent.yaml", []byte(strings.Replace(text, "JOURNAL", t.TempDir(), 1)))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// relayLines opens lines with the plant's slaves and a relay on unit 5 of each.
func relayLines(p *plant, relay *rtutest.Relay) (open func(config.Bus) (serialport.Port, error), end func()) {
	var lines sync.WaitGroup
	var mu sync.Mutex
	var fars []net.Conn
	return func(config.Bus) (serialport.Port, error) {
			port, far := serialporttest.Pipe()
			mu.Lock()
			fars = append(fars, far)
			mu.Unlock()
			lines.Go(func() {
				rtutest.Written(far, func(r modbus.Request) []byte {
					if r.Unit == 5 {
						return relay.Read(r)
					}
					return p.answer(r)
				}, relay.Write)
			})
			return port, nil
		}, func() {
			for _, f := range fars {
				f.Close()
			}
			lines.Wait()
		}
}

// A whole agent without a broker: the beacon is lit with the guard's word, within two polls of the reading that gave it;
// it goes out when the handle is pressed, and when the clock is set.
func TestBeaconOfTheAgent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, relay := &plant{}, &rtutest.Relay{Watchdog: 2 * time.Second, Hold: 1500 * time.Millisecond}
		open, end := relayLines(p, relay)
		var mu sync.Mutex
		var word vent.Word
		var since time.Time // of the word
		var lit bool
		var turned time.Time // of the coil
		var step time.Duration
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() {
			done <- app.Run(ctx, beaconConfig(t), app.Options{Log: slog.New(slog.DiscardHandler), Open: open,
				Dial: func(context.Context) (net.Conn, error) { return nil, errors.New("no network") },
				Time: timebase.Options{Wall: func() time.Time { mu.Lock(); defer mu.Unlock(); return time.Now().Round(0).Add(step) }},
				Tap: func(pot string, _ points.Sample, w vent.Word) {
					mu.Lock()
					defer mu.Unlock()
					if pot == "alder" && w != word {
						word, since = w, time.Now()
					}
				}})
		}()
		const poll = 100 * time.Millisecond
		watched := make(chan struct{})
		go func() {
			defer close(watched)
			for ctx.Err() == nil {
				time.Sleep(time.Millisecond)
				if on := relay.Lit(0); on != lit {
					mu.Lock()
					lit, turned = on, time.Now()
					mu.Unlock()
				}
			}
		}()
		// follows waits until the guard's word is that and the coil too, and fails where it took the coil over two polls.
		follows := func(vented bool) {
			t.Helper()
			for start := time.Now(); time.Since(start) < 6*time.Second; time.Sleep(time.Millisecond) {
				mu.Lock()
				there, took := word.IsVented() == vented && lit == vented, turned.Sub(since)
				mu.Unlock()
				if !there {
					continue
				}
				if took < 0 || took > 2*poll {
					t.Errorf("vented %v: the coil follows after %v", vented, took)
				}
				t.Logf("vented %v: the coil follows after %v", vented, took)
				return
			}
			t.Fatalf("lit %v, the word is %v", relay.Lit(0), word)
		}
		cycle := func() {
			p.set(func(p *plant) { p.control = 600 })
			for i := range 120 {
				p.set(func(p *plant) { p.vessel = min(650, float64(i)*20) })
				time.Sleep(poll)
			}
			p.set(func(p *plant) { p.control = 0 })
			for i := range 100 {
				p.set(func(p *plant) {
					if p.vessel *= 0.93; i > 90 {
						p.vessel = 0
					}
				})
				time.Sleep(poll)
			}
		}
		time.Sleep(5 * time.Second)
		if relay.Lit(0) || relay.Lit(1) {
			t.Error("lit before a vent was seen")
		}
		cycle()
		follows(true)
		time.Sleep(6 * time.Second)
		if !relay.Lit(0) || !relay.Lit(1) {
			t.Errorf("lamps are %v, %v", relay.Lit(0), relay.Lit(1))
		}
		p.set(func(p *plant) { p.control = 600 })
		follows(false)
		cycle()
		follows(true)
		time.Sleep(3 * time.Second)
		mu.Lock()
		step = time.Hour
		mu.Unlock()
		time.Sleep(500 * time.Millisecond)
		if relay.Lit(0) {
			t.Error("lit half a second after the clock was set")
		}
		time.Sleep(10 * time.Second)
		if relay.Lit(0) || relay.Lit(1) {
			t.Error("lit again without another vent")
		}
		cycle()
		follows(true)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		<-watched
		if relay.Lit(0) {
			t.Error("lit after the end")
		}
		end()
	})
}

func TestProve(t *testing.T) {
	for _, c := range []struct {
		name  string
		relay *rtutest.Relay
		out   []string
		err   string
	}{
		{"healthy", &rtutest.Relay{Watchdog: 2 * time.Second, Hold: 1500 * time.Millisecond},
			[]string{"proving 2 beacons; none is lit for it", "beacon of alder, unit 5, coil 0: its relay's watchdog drops out", "beacon of alder, unit 5, coil 1: its contact is off at rest"}, ""},
		{"no watchdog", &rtutest.Relay{Hold: 1500 * time.Millisecond},
			[]string{"coil 0: STAYS DARK: coil 7, the test output, is still on 2.3 s after the unit was left alone: set the relay's watchdog to 2 s"}, "not every beacon is proven to drop out: alder"},
		{"nobody answers", nil, []string{"coil 0: STAYS DARK: its unit does not answer", "coil 1: STAYS DARK"}, "not every beacon is proven to drop out: alder, alder"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				relay := c.relay
				if relay == nil {
					relay = &rtutest.Relay{}
				}
				open, end := relayLines(&plant{}, relay)
				if c.relay == nil {
					open = func(config.Bus) (serialport.Port, error) {
						port, far := serialporttest.Pipe()
						t.Cleanup(func() { far.Close() })
						return port, nil
					}
				}
				var out bytes.Buffer
				lit, watch, done := false, make(chan struct{}), make(chan struct{})
				go func() {
					defer close(done)
					for {
						select {
						case <-watch:
							return
						case <-time.After(5 * time.Millisecond):
							lit = lit || relay.Lit(0) || relay.Lit(1)
						}
					}
				}()
				err := app.Prove(t.Context(), beaconConfig(t), &out, open)
				close(watch)
				<-done
				end()
				if c.err == "" && err != nil || c.err != "" && (!errors.Is(err, app.ErrUnproven) || err.Error() != c.err) {
					t.Errorf("got %v, want %q", err, c.err)
				}
				for _, want := range c.out {
					if !strings.Contains(out.String(), want) {
						t.Errorf("%s\nlacks %q", out.String(), want)
					}
				}
				if lit || relay.Lit(0) || relay.Lit(1) || relay.Lit(7) {
					t.Error("lit by the proof, or left on")
				}
			})
		})
	}
}

func TestProveNeedsTheLine(t *testing.T) {
	for _, reason := range []error{serialport.ErrBusy, serialport.ErrPermission, serialport.ErrMissing} {
		synctest.Test(t, func(t *testing.T) {
			err := app.Prove(t.Context(), beaconConfig(t), &bytes.Buffer{}, func(config.Bus) (serialport.Port, error) { return nil, reason })
			if !errors.Is(err, reason) || !strings.Contains(err.Error(), "gritwatch-agent run must not be running") {
				t.Errorf("got %v", err)
			}
		})
	}
	var out bytes.Buffer
	c := beaconConfig(t)
	c.Buses = c.Buses[1:]
	if err := app.Prove(t.Context(), c, &out, nil); err != nil || !strings.Contains(out.String(), "no beacon is configured") {
		t.Errorf("%v: %s", err, out.String())
	}
}
