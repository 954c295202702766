package e2e_test

import (
	"encoding/json"
	"math"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// watched is one reading as gritwatch-agent watch writes it.
type watched struct {
	T       time.Time `json:"t"`
	Pot     string    `json:"pot"`
	Point   string    `json:"point"`
	Pa      *float64  `json:"pa"`
	Pressed *bool     `json:"pressed"`
	Quality string    `json:"quality"`
}

// command starts a program that is not ours; the test's end kills it.
func (s *site) command(name string, args ...string) *program {
	s.t.Helper()
	p := &program{t: s.t, name: name, cmd: behind(s.t, exec.Command(name, args...)), done: make(chan struct{})}
	s.launch(p)
	s.t.Cleanup(p.kill) // before launch's own, which would wait for a clean end
	return p
}

// readings are what watch has written, its log left out.
func (p *program) readings() (out []watched) {
	p.t.Helper()
	for line := range strings.Lines(p.out.String()) {
		if !strings.HasPrefix(line, "{") {
			continue
		}
		var w watched
		if err := json.Unmarshal([]byte(line), &w); err != nil {
			p.t.Fatalf("%v in %s", err, line)
		}
		out = append(out, w)
	}
	return out
}

const psi = 6894.757293168361 // Pa

// The agent reads a slave of Debian's python3-pymodbus, each function, type and order, over a pair of pseudo-terminals.
func TestIndependentSlave(t *testing.T) {
	t.Parallel()
	seat(t)
	s := newSite(t)
	s.command("socat", "-d", "-d", "pty,raw,echo=0,link=near", "pty,raw,echo=0,link=far").says("starting data transfer loop", soon)
	script, err := filepath.Abs("testdata/slave.py")
	if err != nil {
		t.Fatal(err)
	}
	s.command("/usr/bin/python3", script, "far").says("listening", soon)
	const pot = "vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}"
	s.write("agent.yaml", `agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1:1"}
buses:
  - port: $DIR/near
    mode: 19200 8N1
    period: 400ms
    timeout: 300ms
    turnaround: 20ms
    units:
      - unit: 21
        read:
          - {pot: alder, point: vessel, input: 2578, type: float32, order: low-first, unit: psi}
          - {pot: alder, point: hose, input: 10, type: float32, order: high-first, unit: psi}
          - {pot: alder, point: supply, input: 20, type: float32, order: high-first, bytes: low-first, unit: psi}
          - {pot: alder, point: separator, holding: 30, type: int32, order: high-first, unit: psi, scale: 0.001}
          - {pot: alder, point: nozzle, holding: 40, type: int16, unit: 0.01 psi}
          - {pot: alder, point: control, discrete: 3}
          - {pot: birch, point: control, coil: 7}
      - unit: 9
        read:
          - {pot: birch, point: vessel, input: 304, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
          - {pot: birch, point: hose, input: 305, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..200 psi}
pots:
  - {name: alder, `+pot+`, control: electric, points: [supply, separator, vessel, hose, nozzle, control]}
  - {name: birch, `+pot+`, control: electric, points: [vessel, hose, control]}
`)
	watch := s.start("gritwatch-agent", "watch", "--json", "--config", "agent.yaml", "--for", "6s")
	if code := watch.exit(20 * time.Second); code != 0 {
		t.Fatalf("watch ends with %d:\n%s", code, watch.out.String())
	}
	want := map[string]float64{
		"alder vessel": 101.25 * psi, "alder hose": 101.25 * psi, "alder supply": 101.25 * psi,
		"alder separator": -10 * psi, "alder nozzle": 100 * psi,
		"birch vessel": (16589*20/27648.0 - 4) / 16 * 200 * psi, // 12 mA is half of the range
	}
	good := make(map[string]int)
	for _, w := range watch.readings() {
		name := w.Pot + " " + w.Point
		switch pa, ok := want[name]; {
		case w.Quality == "no-reply": // the slave may take long to start
		case w.Point == "control":
			// Bits 1, 0, 1 from 3 on, and 0, 1, 1 from 7 on.
			if w.Pressed == nil || *w.Pressed != (w.Pot == "alder") {
				t.Errorf("%s: %+v", name, w)
			}
			good[name]++
		case name == "birch hose": // -12 counts: a dead loop
			if w.Quality != "out-of-range" {
				t.Errorf("%s: %+v", name, w)
			}
			good[name]++
		case !ok || w.Pa == nil || w.Quality != "good" || math.Abs(*w.Pa-pa) > 1e-6*math.Abs(pa):
			t.Errorf("%s: %+v, want %v Pa", name, w, pa)
		default:
			good[name]++
		}
	}
	for _, name := range strings.Split("alder vessel,alder hose,alder supply,alder separator,alder nozzle,alder control,birch vessel,birch hose,birch control", ",") {
		if good[name] < 5 {
			t.Errorf("%s was read %d times in 6 s", name, good[name])
		}
	}
	probe := s.start("gritwatch-agent", "probe", "--port", "near", "--units", "8-9,21", "--modes", "19200 8N1", "--timeout", "300ms")
	if code := probe.exit(30 * time.Second); code != 0 {
		t.Fatalf("probe ends with %d:\n%s", code, probe.out.String())
	}
	probe.says("2 units answered", soon)
}
