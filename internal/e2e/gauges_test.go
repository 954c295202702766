package e2e_test

import (
	"testing"
	"time"
)

// Gauges of other kinds than registers, as the real agent reads them from the simulator: every reading is the number
// that the gauge showed between the query and its instant.
func TestOtherGaugesAgainstTheTruth(t *testing.T) {
	t.Parallel()
	const pot = "pots:\n  - {name: alder, vessel: {volume: 3.5 ft3, rated: 150 psi}, hose: {bore: 1 in, length: 50 ft}, nozzle: {bore: 5/16 in, target: 100 psi}, "
	const ranges = "{supply: {range: 0..200 psi}}, {vessel: {range: 0..200 psi}}, {hose: {range: 0..200 psi}}, "
	for _, c := range []struct {
		scenario, buses, pot string
		unit                 map[string]float64 // Pa of 1 of the number
	}{
		{"text-gauges", `
  - port: run/sim/b
    mode: 9600 8N1
    period: 500ms
    text:
      - {query: '#01\r', read: [{pot: alder, point: supply, pattern: '(?P<body>P=(?P<value>[-+][0-9]{3}\.[0-9]{2}) psi)\*(?P<check>[0-9A-F]{2})', check: xor, unit: psi}]}
      - {query: '#02\r', read: [{pot: alder, point: hose, pattern: '(?P<body>(?P<value>[-+][0-9]{3}\.[0-9]{3}) (?P<unit>bar) )(?P<check>[0-9A-F]{2})', check: sum}]}
      - {query: '#03\r', read: [{pot: alder, point: control, pattern: '(?P<body>01 (?P<value>[- 0-9]{5}\.[0-9]) kPa )(?P<check>[0-9A-F]{4})', check: crc16, unit: kPa}]}
  - port: run/sim/c
    mode: 19200 8N1
    period: 100ms
    text:
      - read: [{pot: alder, point: vessel, pattern: '(?P<body>V=(?P<value>[-+][0-9]{3}\.[0-9]{2}) psi )(?P<check>[0-9A-F]{4})', check: crc16, unit: psi}]
`, "points: [" + ranges + "{control: {range: 0..200 psi}}]}\n", map[string]float64{"supply": psi, "vessel": psi, "hose": 1e5, "control": 1e3}},
		{"electric", `
  - port: run/sim/a
    mode: 57600 8E1
    period: 200ms
    units:
      - {unit: 21, read: [{pot: alder, point: supply, input: 2578, type: float32, order: low-first, unit: psi}]}
      - {unit: 22, read: [{pot: alder, point: vessel, input: 2578, type: float32, order: low-first, unit: psi}]}
      - {unit: 23, read: [{pot: alder, point: hose, input: 2578, type: float32, order: low-first, unit: psi}]}
      - {unit: 24, read: [{pot: alder, point: control, coil: 0}]}
`, "control: electric, points: [" + ranges + "control]}\n", map[string]float64{"supply": psi, "vessel": psi, "hose": psi}},
	} {
		t.Run(c.scenario, func(t *testing.T) {
			t.Parallel()
			seat(t)
			s := newSite(t)
			s.write("agent.yaml", "agent: quay-1\nsite: harrow-quay\nbroker: {url: \"mqtt://127.0.0.1:1\"}\nbuses:"+c.buses+pot+c.pot)
			truth := s.dir + "/truth.jsonl"
			s.start("gritwatch-sim", "run", "--scenario", c.scenario, "--truth", truth, "--truth-every", "10ms").says("lines ready", soon)
			const all = 8 * time.Second // it is pressed from 3 s on
			watch := s.start("gritwatch-agent", "watch", "--json", "--config", "agent.yaml", "--for", all.String())
			if code := watch.exit(all + 20*time.Second); code != 0 {
				t.Fatalf("watch ends with %d", code)
			}
			rows := jsonLines[offered](t, truth)
			good, moved := map[string]int{}, map[string]bool{}
			first := map[string]float64{}
			for _, w := range watch.readings() {
				if w.Quality != "good" {
					continue
				}
				var value float64
				switch {
				case w.Pressed != nil && *w.Pressed:
					value = 1
				case w.Pa != nil:
					value = *w.Pa
				}
				per, isPressure := c.unit[w.Point]
				if !isPressure {
					per = 1
				}
				if !stood(rows, w.T, w.Point, value, per, 250*time.Millisecond) {
					t.Errorf("%s read %v at %v, which it showed at no instant since the query", w.Point, value, w.T)
				}
				if good[w.Point]++; good[w.Point] == 1 {
					first[w.Point] = value
				}
				moved[w.Point] = moved[w.Point] || value != first[w.Point]
			}
			for _, p := range []string{"supply", "vessel", "hose", "control"} {
				if good[p] < 10 || !moved[p] {
					t.Errorf("%s: %d good readings in %v, changing: %v", p, good[p], all, moved[p])
				}
			}
			t.Log(good)
		})
	}
}
