package watch_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/agent/internal/watch"
	"gritwatch/protocol/modbus"
)

// Two lines: on a unit 9 with counts of loops and unit 21 with floats in psi, on b unit 5 with a switch and a gauge.
const file = `agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1"}
buses:
  - port: /dev/a
    mode: 19200 8E1
    period: 100ms
    units:
      - unit: 9
        read:
          - {pot: alder, point: vessel, input: 304, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
          - {pot: alder, point: hose, input: 400, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
      - unit: 21
        read:
          - {pot: alder, point: supply, input: 2578, type: float32, order: low-first, unit: psi, range: 0..200 psi}
  - port: /dev/b
    mode: 9600 8N1
    period: 200ms
    units:
      - unit: 5
        read:
          - {pot: birch, point: vessel, holding: 7, type: int16, unit: 0.01 bar, range: 0..16 bar}
          - {pot: birch, point: control, discrete: 3}
pots:
  - {name: alder, vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, points: [supply, vessel, hose], units: {pressure: psi}}
  - {name: birch, vessel: {volume: 3.5 ft3, rated: 150 psi}, hose: {bore: 1 in, length: 50 ft}, nozzle: {bore: 3/8 in, target: 100 psi}, points: [vessel, control], control: electric, units: {pressure: bar}}
`

func parse(t *testing.T, text string) config.Config {
	t.Helper()
	c, err := config.Parse("agent.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// healthy answers as all units of both lines: loops at 12 mA, which is 100 psi of 0 to 200; 97.5 psi as a float
// (0x42C30000, IEEE 754); 6.89 bar; the handle pressed.
func healthy(r modbus.Request) []byte {
	if r.Function == modbus.ReadDiscreteInputs {
		inputs := make([]bool, r.Count)
		inputs[0] = true
		return modbus.AppendInputsReply(nil, r.Unit, r.Function, inputs)
	}
	values := map[uint8][]uint16{9: {16589, 16589}, 21: {0, 0x42C3, 0}, 5: {689, 689}}[r.Unit]
	if len(values) < r.Count {
		return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalAddress)
	}
	return modbus.AppendReadReply(nil, r.Unit, r.Function, values[:r.Count])
}

// lines opens ports behind which answer answers, and waits for all of it at the end.
type lines struct {
	answer func(modbus.Request) []byte
	wg     sync.WaitGroup
}

func (l *lines) open(config.Bus) (serialport.Port, error) {
	port, far := serialporttest.Pipe()
	l.wg.Go(func() {
		rtutest.Slave(far, func(r modbus.Request) []byte {
			time.Sleep(6 * time.Millisecond)
			return l.answer(r)
		})
		far.Close()
	})
	return port, nil
}

// record is one line of JSON.
type record struct {
	T       string
	Pot     string
	Point   string
	Pa      *float64
	Pressed *bool
	Quality string
}

func records(t *testing.T, text string) (out []record) {
	t.Helper()
	for line := range strings.Lines(text) {
		d := json.NewDecoder(strings.NewReader(line))
		d.DisallowUnknownFields()
		var r record
		if err := d.Decode(&r); err != nil {
			t.Fatalf("%v in %s", err, line)
		}
		out = append(out, r)
	}
	return out
}

// timed keeps when each byte was written.
type timed struct {
	bytes.Buffer
	at []time.Time // by line
}

func (w *timed) Write(p []byte) (int, error) {
	for range bytes.Count(p, []byte("\n")) {
		w.at = append(w.at, time.Now())
	}
	return w.Buffer.Write(p)
}

func TestJSON(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out timed
		l := &lines{answer: healthy}
		err := watch.Run(t.Context(), parse(t, file), watch.Options{Out: &out, For: 5*time.Second - 50*time.Millisecond, Log: slog.New(slog.DiscardHandler), Open: l.open})
		l.wg.Wait()
		if err != nil {
			t.Fatal(err)
		}
		seen := make(map[string]int)
		last := ""
		for i, r := range records(t, out.String()) {
			if r.T < last {
				t.Fatalf("%s after %s", r.T, last)
			}
			last = r.T
			at, err := time.Parse("2006-01-02T15:04:05.000000Z07:00", r.T)
			if err != nil || len(r.T) != len("2006-01-02T15:04:05.000000Z") {
				t.Fatalf("%q: %v", r.T, err)
			}
			if d := out.at[i].Sub(at); d < 0 || d > 100*time.Millisecond {
				t.Fatalf("written %v after its time", d)
			}
			name := r.Pot + " " + r.Point
			seen[name]++
			if name == "birch control" {
				if r.Pressed == nil || !*r.Pressed || r.Pa != nil || r.Quality != "good" {
					t.Fatalf("%+v", r)
				}
				continue
			}
			// 16589 of 27648 counts of 20 mA; 97.5 psi of 6894.757293168361 Pa (NIST SP 811); 6.89 bar.
			want := map[string]float64{"alder vessel": (16589.0/27648*20 - 4) / 16 * 200 * 6894.757293168361, "alder hose": (16589.0/27648*20 - 4) / 16 * 200 * 6894.757293168361,
				"alder supply": 97.5 * 6894.757293168361, "birch vessel": 689000}[name]
			if r.Pa == nil || r.Pressed != nil || r.Quality != "good" || math.Abs(*r.Pa-want) > 1e-6 {
				t.Fatalf("%s: %+v, want %v Pa", name, r, want)
			}
		}
		for name, n := range map[string]int{"alder vessel": 50, "alder hose": 50, "alder supply": 50, "birch vessel": 25, "birch control": 25} {
			if seen[name] != n {
				t.Errorf("%s: %d readings, want %d", name, seen[name], n)
			}
		}
	})
}

// No reply has no figure; a figure out of range is kept; what is no number has none.
func TestJSONOfBadReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		l := &lines{answer: func(r modbus.Request) []byte {
			switch {
			case r.Unit == 9 && r.Address == 304:
				return modbus.AppendReadReply(nil, 9, r.Function, make([]uint16, r.Count)) // 0 mA
			case r.Unit == 21:
				return modbus.AppendReadReply(nil, 21, r.Function, []uint16{0, 0x7FC0, 0}[:r.Count]) // NaN
			}
			return nil
		}}
		err := watch.Run(t.Context(), parse(t, file), watch.Options{Out: &out, For: 500 * time.Millisecond, Log: slog.New(slog.DiscardHandler), Open: l.open})
		l.wg.Wait()
		if err != nil {
			t.Fatal(err)
		}
		seen := make(map[string]int)
		for _, r := range records(t, out.String()) {
			name := r.Pot + " " + r.Point
			seen[name]++
			switch name {
			case "alder vessel": // 0 mA of 4..20 mA is a quarter of the span under zero: -50 psi
				if r.Quality == "no-reply" && r.Pa == nil {
					continue // the hose's silence may cost the unit a turn
				}
				if r.Quality != "out-of-range" || r.Pa == nil || math.Abs(*r.Pa+50*6894.757293168361) > 1e-6 {
					t.Fatalf("%+v", r)
				}
			case "alder supply":
				if r.Quality != "out-of-range" || r.Pa != nil {
					t.Fatalf("%+v", r)
				}
			default:
				if r.Quality != "no-reply" || r.Pa != nil || r.Pressed != nil {
					t.Fatalf("%+v", r)
				}
			}
		}
		if len(seen) != 5 {
			t.Errorf("%v", seen)
		}
	})
}

// control are the sequences that a table is drawn with.
var control = regexp.MustCompile(`\x1b\[[0-9]*[AJK]`)

func TestTable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		c := parse(t, file+"simulated: true\n")
		l := &lines{answer: func(r modbus.Request) []byte {
			if r.Unit == 21 {
				return nil
			}
			return healthy(r)
		}}
		err := watch.Run(t.Context(), c, watch.Options{Out: &out, Screen: func() (int, int) { return 80, 30 }, For: 5*time.Second - 10*time.Millisecond, Open: l.open})
		l.wg.Wait()
		if err != nil {
			t.Fatal(err)
		}
		frames := strings.Split(out.String(), "\x1b[J")
		if n := len(frames) - 1; n != 21 {
			t.Errorf("drawn %d times in 5 s", n)
		}
		last := strings.Join(strings.Fields(strings.ReplaceAll(frames[len(frames)-2], "\x1b[K", "")), " ")
		for _, want := range []string{"Nothing here is judged, and nothing here proves that a vessel may be opened", "The sources are SIMULATED.",
			"alder vessel 100.00 psi good 0.1 s ", "alder supply - no reply never 0.0 ", "birch vessel 6.890 bar good 0.2 s 5.0 0 ", "birch control pressed good 0.2 s 5.0 0 ",
			"line /dev/a, 19200 8E1: open; ", "line /dev/b, 9600 8N1: open; ", "no reply: ", "unit is silent: look at its power"} {
			if !strings.Contains(last, want) {
				t.Errorf("no %q in\n%s", want, last)
			}
		}
		for line := range strings.Lines(control.ReplaceAllString(out.String(), "")) {
			if n := utf8.RuneCountInString(strings.TrimSpace(line)); n > 79 {
				t.Errorf("%d wide: %q", n, line)
			}
		}
	})
}

// Small windows and long names neither break the layout nor panic.
func TestTableInAnyWindow(t *testing.T) {
	long := strings.ReplaceAll(file, "alder", "alder-with-a-name-of-32-letters")
	for _, size := range [][2]int{{1, 1}, {20, 5}, {80, 8}, {80, 10}, {200, 60}} {
		synctest.Test(t, func(t *testing.T) {
			var out bytes.Buffer
			l := &lines{answer: healthy}
			err := watch.Run(t.Context(), parse(t, long), watch.Options{Out: &out, Screen: func() (int, int) { return size[0], size[1] }, For: time.Second, Open: l.open})
			l.wg.Wait()
			if err != nil {
				t.Fatal(err)
			}
			frames := strings.Split(out.String(), "\x1b[J")
			last := frames[len(frames)-2]
			if n := strings.Count(last, "\n"); n > max(size[1]-1, 1) {
				t.Errorf("%v: %d lines", size, n)
			}
			if size[1] == 10 && !strings.Contains(last, "more: a higher window shows them") {
				t.Errorf("%v: nothing says that rows are missing:\n%s", size, last)
			}
		})
	}
}

func TestBusyPortEndsAtOnce(t *testing.T) {
	busy := func(b config.Bus) (serialport.Port, error) {
		return nil, fmt.Errorf("port %s is %w: end that program", b.Port, serialport.ErrBusy)
	}
	for name, f := range map[string]func(context.Context, config.Config, watch.Options) error{"watch": watch.Run, "live": watch.Live} {
		synctest.Test(t, func(t *testing.T) {
			err := f(t.Context(), parse(t, file), watch.Options{Out: io.Discard, Log: slog.New(slog.DiscardHandler), Open: busy})
			if !errors.Is(err, serialport.ErrBusy) || !strings.Contains(err.Error(), "gritwatch-agent run must not be running") {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
}

func TestPeriodThatCannotBeKept(t *testing.T) {
	c := parse(t, strings.Replace(file, "19200", "1200", 1))
	if err := watch.Run(t.Context(), c, watch.Options{Out: io.Discard}); !errors.Is(err, poll.ErrTooSlow) {
		t.Error(err)
	}
}

// broken takes no more after some bytes.
type broken struct{ left int }

func (b *broken) Write(p []byte) (int, error) {
	if b.left -= len(p); b.left < 0 {
		return 0, io.ErrClosedPipe
	}
	return len(p), nil
}

func TestBrokenOutputEnds(t *testing.T) {
	for name, screen := range map[string]func() (int, int){"json": nil, "table": func() (int, int) { return 80, 24 }} {
		synctest.Test(t, func(t *testing.T) {
			l := &lines{answer: healthy}
			start := time.Now()
			err := watch.Run(t.Context(), parse(t, file), watch.Options{Out: &broken{5000}, Screen: screen, Log: slog.New(slog.DiscardHandler), Open: l.open})
			l.wg.Wait()
			if !errors.Is(err, io.ErrClosedPipe) || time.Since(start) > 10*time.Second {
				t.Errorf("%s: %v after %v", name, err, time.Since(start))
			}
		})
	}
}
