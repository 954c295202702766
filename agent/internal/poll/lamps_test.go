package poll_test

import (
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/beacon"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// lamps is a line of two gauges and a relay whose coil 0 has a watchdog and whose coil 1 is lit by change.
func lamps() config.Bus {
	input := uint16(1)
	b := twoUnits()
	b.Mode.Baud = 57600
	b.Units = append(b.Units, config.Unit{Unit: 5, Beacons: []config.Beacon{
		{Pot: "alder", Output: config.Output{Address: 0}, Watchdog: 2 * time.Second, Prove: &config.Output{Address: 7}},
		{Pot: "birch", Output: config.Output{Address: 1}, Contact: &input},
	}})
	return b
}

// lit is a bus with beacons at work, between a relay and a guard.
type lit struct {
	*rtutest.Relay
	line *rtutest.Faulty
	stop func() // the bus, as a program that ends

	mu      sync.Mutex
	mute    uint8 // units from this one on are; 0: none
	vented  bool
	changed time.Time // the word
	events  []string
	times   map[string]time.Time // of the last of each kind
	wrote   []time.Time          // writes of coil 0
	worst   [2]time.Duration     // how long each lamp was lit after the word fell
	good    map[points.Point]int
}

// play runs body beside a bus in fake time. At every 10 ms no lamp is lit over 3 s after the word fell; at the end
// the lamps are dark.
func light(t *testing.T, cfg config.Bus, relay *rtutest.Relay, body func(l *lit)) *lit {
	t.Helper()
	l := &lit{Relay: relay, times: map[string]time.Time{}, good: map[points.Point]int{}}
	synctest.Test(t, func(t *testing.T) {
		port, far := serialporttest.Pipe()
		l.line = rtutest.NewFaulty(far, 1)
		l.line.Unit = func(id uint8) rtutest.Device {
			l.mu.Lock()
			defer l.mu.Unlock()
			switch {
			case l.mute != 0 && id >= l.mute:
				return mute{}
			case id == 5:
				return noted{l}
			}
			return nil
		}
		var tasks sync.WaitGroup
		tasks.Go(l.line.Run)
		l.changed = time.Now()
		bus := poll.NewBus(cfg, poll.Options{
			Open: func() (serialport.Port, error) { return port, nil },
			Now:  func() si.Instant { return si.InstantOf(time.Now()) },
			Sink: func(_ string, s points.Sample) {
				l.mu.Lock()
				defer l.mu.Unlock()
				if s.Quality != points.NoReply {
					l.good[s.Point]++
				}
			},
			Log:    slog.New(slog.DiscardHandler),
			Vented: func(string) bool { l.mu.Lock(); defer l.mu.Unlock(); return l.vented },
			Events: poll.Events{Beacon: func(e beacon.Event) {
				l.mu.Lock()
				defer l.mu.Unlock()
				text := fmt.Sprintf("%s %s", [...]string{"lit", "dark", "proven", "unproven", "faulty", "fatal"}[e.Kind], e.Pot)
				l.events = append(l.events, text+": "+e.Why)
				l.times[text] = time.Now()
			}},
		})
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			if err := bus.Run(ctx); err != nil {
				t.Error(err)
			}
		}()
		l.stop = func() { cancel(); <-ended }
		watch, over := context.WithCancel(t.Context())
		tasks.Go(func() { l.watch(watch, t) })
		body(l)
		l.stop()
		over()
		far.Close()
		port.Close()
		tasks.Wait()
	})
	if t.Failed() {
		t.Log(strings.Join(l.events, "\n"))
	}
	return l
}

// noted is the relay with its writes noted.
type noted struct{ *lit }

func (n noted) Read(r modbus.Request) []byte { return n.Relay.Read(r) }

func (n noted) Write(w modbus.Write) []byte {
	if w.Address == 0 {
		n.mu.Lock()
		n.wrote = append(n.wrote, time.Now())
		n.mu.Unlock()
	}
	return n.Relay.Write(w)
}

func (l *lit) watch(ctx context.Context, t *testing.T) {
	for ctx.Err() == nil {
		for coil := range 2 {
			on := l.Lit(coil)
			l.mu.Lock()
			if on && !l.vented {
				l.worst[coil] = max(l.worst[coil], time.Since(l.changed))
			}
			l.mu.Unlock()
		}
		time.Sleep(10 * time.Millisecond)
	}
}

// word is what the guard says from now on.
func (l *lit) word(vented bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.vented, l.changed = vented, time.Now()
}

// silence makes units mute.
func (l *lit) silence(from uint8) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.mute = from
}

// event is when something was last told; zero: never.
func (l *lit) event(text string) time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.times[text]
}

func healthy() *rtutest.Relay {
	return &rtutest.Relay{Watchdog: 2 * time.Second, Hold: 1500 * time.Millisecond}
}
