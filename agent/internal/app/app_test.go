package app_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/mochi-mqtt/server/v2/packets"

	"gritwatch/agent/internal/app"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/journal"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/internal/vent"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

type packet = packets.Packet

const file = `
agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1:1883"}
journal: JOURNAL
flush: 500ms
simulated: true
buses:
  - port: /dev/line-1
    mode: 19200 8E1
    period: 100ms
    units:
      - unit: 9
        read:
          - {pot: alder, point: vessel, input: 304, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
          - {pot: alder, point: control, input: 305, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
  - port: /dev/line-2
    mode: 19200 8E1
    period: 200ms
    units:
      - unit: 3
        read:
          - {pot: birch, point: vessel, input: 0, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
          - {pot: birch, point: control, discrete: 0}
pots:
  - {name: alder, vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, points: [vessel, control]}
  - {name: birch, vessel: {volume: 3.5 ft3, rated: 150 psi}, hose: {bore: 1 in, length: 50 ft}, nozzle: {bore: 3/8 in, target: 100 psi}, control: electric, points: [vessel, control]}
`

// A plant is the pressures that the slaves show, kPa.
type plant struct {
	mu                       sync.Mutex
	vessel, control, vessel2 float64
	pressed, mute            bool
}

func (p *plant) set(f func(*plant)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	f(p)
}

// counts is the raw value of a 0..20 mA input at a pressure of a 4..20 mA, 0..200 psi transducer.
func counts(kPa float64) uint16 {
	return uint16(27648 * (4 + 16*kPa*si.KPa/(200*si.PSI)) / 20)
}

func (p *plant) answer(r modbus.Request) []byte {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case p.mute && r.Unit == 9:
		return nil
	case r.Function == modbus.ReadDiscreteInputs:
		inputs := make([]bool, r.Count)
		inputs[0] = p.pressed
		return modbus.AppendInputsReply(nil, r.Unit, r.Function, inputs)
	}
	registers := make([]uint16, max(2, r.Count))
	if registers[0], registers[1] = counts(p.vessel), counts(p.control); r.Unit == 3 {
		registers[0] = counts(p.vessel2)
	}
	return modbus.AppendReadReply(nil, r.Unit, r.Function, registers[:r.Count])
}

type reading struct {
	pot string
	s   points.Sample
}

// rig is a whole agent between slaves and a broker, in a bubble.
type rig struct {
	*plant
	*observer
	broker *broker
	log    bytes.Buffer
	stop   func()

	mu   sync.Mutex
	read []reading
	word map[string]vent.Word
}

func start(t *testing.T, dir string) *rig {
	r := &rig{plant: &plant{}, broker: newBroker(t), word: map[string]vent.Word{}}
	r.observer = observe(t, r.broker)
	c, err := config.Parse("agent.yaml", []byte(strings.Replace(file, "JOURNAL", dir, 1)))
	if err != nil {
		t.Fatal(err)
	}
	var lines sync.WaitGroup
	var fars []net.Conn
	var farsMu sync.Mutex
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() {
		done <- app.Run(ctx, c, app.Options{Log: slog.New(slog.NewTextHandler(&r.log, nil)), Dial: r.broker.dial,
			Open: func(config.Bus) (serialport.Port, error) {
				port, far := serialporttest.Pipe()
				farsMu.Lock()
				fars = append(fars, far)
				farsMu.Unlock()
				lines.Go(func() { rtutest.Slave(far, r.answer) })
				return port, nil
			},
			Tap: func(pot string, s points.Sample, w vent.Word) {
				r.mu.Lock()
				defer r.mu.Unlock()
				r.read = append(r.read, reading{pot, s})
				r.word[pot] = w
			}})
	}()
	r.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
		synctest.Wait() // the agent's last message is on its way to the observer
		for _, f := range fars {
			f.Close()
		}
		lines.Wait()
		r.client.Disconnect(100)
		r.broker.server.Close()
	})
	return r
}

// What was read of the lines is what an observer decodes from the broker: every reading, once, in order.
func TestReadingsArrive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, t.TempDir())
		defer r.stop()
		time.Sleep(1050 * time.Millisecond)
		r.mu.Lock()
		skip := len(r.read)
		r.mu.Unlock()
		for i := range 100 {
			r.set(func(p *plant) {
				p.vessel, p.vessel2, p.control, p.pressed = float64(i*7%90), float64(i), float64(i%3*300), i%20 < 5
				if i == 60 {
					p.vessel = 3000 // beyond the loop: out of range
				}
			})
			time.Sleep(100 * time.Millisecond)
		}
		time.Sleep(100 * time.Millisecond) // a reading still on its way to the next flush is sent at the end
		r.stop()
		messages := r.heard()
		got := map[string][]points.Sample{}
		seq := uint8(0)
		for _, h := range messages {
			if h.topic.Kind == sparkplug.NodeDeath {
				continue
			}
			if h.message.Seq != seq {
				t.Fatalf("seq %d, want %d", h.message.Seq, seq)
			}
			seq++
			if h.topic.Kind != sparkplug.DeviceData {
				continue
			}
			if h.message.Find(points.MetricGuardState) == nil {
				t.Error("DDATA without the guard's word")
			}
			last := si.Instant(0)
			for _, m := range h.message.Metrics {
				if m.At < last || m.Historical {
					t.Errorf("metric %+v after %v", m, last)
				}
				last = m.At
				if s, ok := m.Sample(); ok {
					got[h.topic.Device] = append(got[h.topic.Device], s)
				}
			}
		}
		want := map[string][]points.Sample{}
		for _, x := range r.read {
			x.s.At -= x.s.At % 1000
			x.s.Value = si.GaugePressure(float32(x.s.Value))
			want[x.pot] = append(want[x.pot], x.s)
		}
		if skip == 0 || len(want["alder"]) < 200 || len(want["birch"]) < 100 {
			t.Fatalf("too few readings: %d, %d", len(want["alder"]), len(want["birch"]))
		}
		for pot, w := range want {
			// What was read before the first births is lost, no more: the broker was there from the start.
			g := got[pot]
			if len(g) < len(w)-4 || !slices.Equal(g, w[len(w)-len(g):]) {
				t.Errorf("%s: %d readings arrived of %d, or not the same ones", pot, len(g), len(w))
			}
			if !slices.ContainsFunc(g, func(s points.Sample) bool { return s.Quality == points.Good }) {
				t.Errorf("%s: no good reading", pot)
			}
		}
		if !slices.ContainsFunc(got["alder"], func(s points.Sample) bool { return s.Quality == points.OutOfRange }) {
			t.Error("the reading out of range is missing")
		}
		if !slices.ContainsFunc(got["birch"], func(s points.Sample) bool { return s.Point == points.Control && s.Pressed }) {
			t.Error("the pressed handle is missing")
		}
		if k := messages[len(messages)-1].topic.Kind; k != sparkplug.NodeDeath {
			t.Errorf("the last message is %s", k)
		}
	})
}

// A whole cycle: the guard's word on the wire goes through pressurised, and says vented only at the end.
func TestCycleOnTheWire(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, t.TempDir())
		defer r.stop()
		time.Sleep(5 * time.Second)
		r.set(func(p *plant) { p.control = 600 })
		for i := range 120 {
			r.set(func(p *plant) { p.vessel = min(650, float64(i)*20) })
			time.Sleep(100 * time.Millisecond)
		}
		r.set(func(p *plant) { p.control = 0 })
		released := time.Now()
		for i := range 200 {
			r.set(func(p *plant) {
				p.vessel *= 0.93
				if i > 100 {
					p.vessel = 0
				}
			})
			time.Sleep(100 * time.Millisecond)
		}
		r.stop()
		var words []string
		for _, h := range r.heard() {
			if h.topic.Device != "alder" {
				continue
			}
			if g := h.message.Find(points.MetricGuardState); g != nil {
				w, _ := g.Value.Text()
				if len(words) == 0 || words[len(words)-1] != w {
					words = append(words, w)
				}
				if w == vent.Vented.String() && h.at.Before(released.Add(3*time.Second)) {
					t.Errorf("vented %v after the release", h.at.Sub(released))
				}
			}
		}
		if got := strings.Join(words, " "); got != "not-proven pressurised not-proven vented" {
			t.Errorf("said %s", got)
		}
	})
}

func TestSilentUnitAndEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, t.TempDir())
		defer r.stop()
		time.Sleep(time.Second)
		r.set(func(p *plant) { p.mute = true })
		time.Sleep(4 * time.Second)
		r.set(func(p *plant) { p.mute = false })
		time.Sleep(2 * time.Second)
		b, err := sparkplug.EncodeCommand(1, []sparkplug.Metric{sparkplug.Uint(points.MetricEcho, 1, 77)})
		if err != nil {
			t.Fatal(err)
		}
		asked := time.Now()
		r.wait(r.client.Publish("spBv1.0/harrow-quay/NCMD/quay-1", 0, false, b))
		time.Sleep(50 * time.Millisecond)
		var life []string
		echo := false
		for _, h := range r.heard() {
			switch k := h.topic.Kind; {
			case h.topic.Device == "alder" && k != sparkplug.DeviceData:
				life = append(life, string(k))
			case k == sparkplug.NodeData:
				nonce, _ := h.message.Find(points.MetricClockEcho).Value.Uint()
				at, _ := h.message.Find(points.MetricClockEchoAt).Value.Uint()
				echo = nonce == 77 && !h.at.Before(asked) && si.Instant(at).Time().Sub(asked).Abs() < time.Millisecond
			}
		}
		if got := strings.Join(life, " "); got != "DBIRTH DDEATH DBIRTH" {
			t.Errorf("alder lived through %s", got)
		}
		if !echo {
			t.Error("no echo, or not the right one")
		}
	})
}

func TestJournalHeld(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "journal")
	synctest.Test(t, func(t *testing.T) {
		r := start(t, dir)
		defer r.stop()
		time.Sleep(time.Second)
		c, err := config.Parse("agent.yaml", []byte(strings.Replace(file, "JOURNAL", dir, 1)))
		if err != nil {
			t.Fatal(err)
		}
		err = app.Run(t.Context(), c, app.Options{Log: slog.New(slog.DiscardHandler)})
		if !errors.Is(err, app.ErrHeld) || !strings.Contains(err.Error(), "give each agent a folder of its own") {
			t.Errorf("second agent: %v", err)
		}
	})
	entries, err := os.ReadDir(dir)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	if err != nil || strings.Join(names, " ") != "0000000001.segment bdseq lock slate.0 slate.1" {
		t.Errorf("the folder holds %v, %v", names, err)
	}
}

// A journal's folder that cannot be used is told, and costs the positions; everything else goes on, the guard too.
func TestUnusableJournal(t *testing.T) {
	dir := t.TempDir()
	plain := filepath.Join(dir, "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{plain, filepath.Join(plain, "below")} {
		synctest.Test(t, func(t *testing.T) {
			r := start(t, path)
			defer r.stop()
			time.Sleep(3 * time.Second)
			r.set(func(p *plant) { p.vessel = 500 })
			time.Sleep(3 * time.Second)
			r.stop()
			if !strings.Contains(r.log.String(), "the journal's folder cannot be used") || !strings.Contains(r.log.String(), "name another folder") {
				t.Errorf("log:\n%s", &r.log)
			}
			readings, word := 0, ""
			for _, h := range r.heard() {
				switch h.topic.Kind {
				case sparkplug.NodeBirth:
					if m := h.message.Find(points.MetricJournalID); m == nil || !m.Null {
						t.Errorf("born with journal %+v", m)
					}
				case sparkplug.DeviceData:
					if _, ok := number(h.message, points.MetricJournalPosition); ok {
						t.Error("a position without a journal")
					}
					for _, m := range h.message.Metrics {
						if _, ok := m.Sample(); ok {
							readings++
						}
					}
					if g := h.message.Find(points.MetricGuardState); g != nil && h.topic.Device == "alder" {
						word, _ = g.Value.Text()
					}
				}
			}
			if readings < 80 || word != vent.Pressurised.String() {
				t.Errorf("%d readings arrived, the guard says %q", readings, word)
			}
		})
	}
}

// What the lines gave is in the journal too, under the positions that went out; and all of it at the end.
func TestReadingsAreKept(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "journal")
	synctest.Test(t, func(t *testing.T) {
		r := start(t, dir)
		defer r.stop()
		time.Sleep(5 * time.Second)
		r.stop()
		j, err := journal.Open(journal.Options{Folder: journal.Dir(dir)})
		if err != nil {
			t.Fatal(err)
		}
		defer j.Close()
		kept := map[uint64]taken{}
		for b, err := range j.Read(0, j.Status().Next) {
			if err != nil {
				t.Fatal(err)
			}
			for i, s := range b.Samples {
				kept[b.First+uint64(i)] = takenOf(b.Pot, s)
			}
		}
		if len(kept) != len(r.read) || j.Status().Recovered.Positions != 0 {
			t.Errorf("%d read, %d in the journal: %+v", len(r.read), len(kept), j.Status())
		}
		sent := 0
		for _, h := range r.heard() {
			first, ok := number(h.message, points.MetricJournalPosition)
			for _, m := range h.message.Metrics {
				s, is := m.Sample()
				if !is || !ok || h.topic.Kind != sparkplug.DeviceData {
					continue
				}
				if x := takenOf(h.topic.Device, s); kept[first] != x {
					t.Fatalf("position %d: sent %+v, kept %+v", first, x, kept[first])
				}
				first++
				sent++
			}
		}
		if sent < len(kept)*9/10 {
			t.Errorf("%d of %d sent", sent, len(kept))
		}
	})
}

func TestCannotStart(t *testing.T) {
	log := slog.New(slog.DiscardHandler)
	dir := t.TempDir()
	parse := func(change func(string) string) config.Config {
		c, err := config.Parse("agent.yaml", []byte(change(strings.Replace(file, "JOURNAL", dir, 1))))
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	err := app.Run(t.Context(), parse(func(s string) string { return strings.ReplaceAll(s, "19200", "1200") }), app.Options{Log: log})
	if !errors.Is(err, poll.ErrTooSlow) {
		t.Errorf("slow line: %v", err)
	}
	if err := os.WriteFile(filepath.Join(dir, "sensor-fault.json"), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := app.Run(t.Context(), parse(func(s string) string { return s }), app.Options{Log: log}); err == nil || !strings.Contains(err.Error(), "sensor-fault.json") {
		t.Errorf("broken latch: %v", err)
	}
}
