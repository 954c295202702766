package e2e_test

import (
	"fmt"
	"math"
	"sort"
	"strings"
	"testing"
	"time"
)

// offered is a line of the simulator's truth: the number that each register held from then on.
type offered struct {
	T   time.Time           `json:"t"`
	Pot string              `json:"pot"`
	Raw map[string]*float64 `json:"raw"`
}

// Each fault of a line holds from 3 s to 11 s on a line of its own, and the real agent reads all of them. The simulator
// writes down every number that its registers ever held, and each update holds another one: a reading that was accepted
// must be one that stood there between its request and its instant.
func TestLineFaultsAgainstTheTruth(t *testing.T) {
	t.Parallel()
	seat(t)
	try(t, spoiltLines)
}

func spoiltLines(t *trial) {
	const until, all = 11 * time.Second, 18 * time.Second
	const window = 130 * time.Millisecond // timeout 100 ms, and the frames; a period is 200 ms
	lines := []struct{ pot, fault string }{
		{"spoilt", "crc: 40 %"},
		{"cut", "truncated: 40 %"},
		{"late", "late: {share: 20 %, by: 150 ms}"},
		{"refused", "exception: 30 %"},
		{"unheard", "silence: 50 %"},
		{"noisy", "noise: 40 %"},
		// For 2 s, since units of which stray replies came are then left in peace for ten; and of one unit alone, since
		// another's that is held up by a busy machine until that one is asked is a case that no master could tell.
		{"repeated", "stray: 30 %"},
		{"echoed", "echo: true"},
		{"babbling", "babble: true"},
		{"unplugged", "unplugged: true"},
	}
	points := strings.Fields("supply vessel hose control")
	var simPots, simLines, buses, pots strings.Builder
	for i, l := range lines {
		hold := 8
		if l.pot == "repeated" {
			hold = 2
		}
		pot := fmt.Sprintf("name: %s, %s, points: [{supply: {range: 0..200 psi}}, {vessel: {range: 0..200 psi}}, {hose: {range: 0..200 psi}}, {control: {range: 0..200 psi}}]", l.pot, potKeys)
		fmt.Fprintf(&pots, "  - {%s}\n", pot)
		fmt.Fprintf(&simPots, "  - {%s, script: {cycle: {press: 5 s, rest: 5 s, start: 1 s}}}\n", pot)
		fmt.Fprintf(&buses, "  - port: $DIR/line-%d\n    mode: 57600 8E1\n    period: 200ms\n    units:\n", i)
		fmt.Fprintf(&simLines, "  - link: $DIR/line-%d\n    mode: 57600 8E1\n    faults: [{at: 3 s, for: %d s, %s}]\n    units:\n", i, hold, l.fault)
		units := [][]string{points[:2], points[2:]} // like requests to each unit, one after the other
		if l.pot == "repeated" {
			units = [][]string{points}
		}
		for u, of := range units {
			fmt.Fprintf(&buses, "      - unit: %d\n        read:\n", 21+u)
			fmt.Fprintf(&simLines, "      - unit: %d\n        kind: transmitter\n        channels:\n", 21+u)
			for k, p := range of {
				fmt.Fprintf(&buses, "          - {pot: %s, point: %s, input: %d, type: float32, order: low-first, unit: psi}\n", l.pot, p, 10*k)
				fmt.Fprintf(&simLines, "          - {pot: %s, point: %s, address: %d, order: low-first, unit: psi}\n", l.pot, p, 10*k)
			}
		}
	}
	s := newSite(t)
	s.write("sim.yaml", "about: faults of lines\nseed: 11\ngauges: {noise: 0.5 %, resolution: 0 %}\npots:\n"+simPots.String()+"lines:\n"+simLines.String())
	s.write("agent.yaml", "agent: quay-1\nsite: harrow-quay\nbroker: {url: \"mqtt://127.0.0.1:1\"}\nbuses:\n"+buses.String()+"pots:\n"+pots.String())
	truth := s.dir + "/truth.jsonl"
	s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", truth, "--truth-every", "10ms").says("lines ready", soon)
	t.by(truth, 10*time.Millisecond)
	start := time.Now()
	watch := s.start("gritwatch-agent", "watch", "--json", "--config", "agent.yaml", "--for", all.String())
	if code := watch.exit(all + 20*time.Second); code != 0 {
		t.Fatalf("watch ends with %d", code)
	}

	held := make(map[string][]offered)
	for _, o := range jsonLines[offered](t, truth) {
		held[o.Pot] = append(held[o.Pot], o)
	}
	accepted, during := map[string]int{}, map[string]int{}
	wrong, last := 0, map[string]time.Time{}
	for _, w := range watch.readings() {
		if w.Quality != "good" {
			continue
		}
		accepted[w.Pot]++
		last[w.Pot+" "+w.Point] = w.T
		if since := w.T.Sub(start); since > 4*time.Second && since < until-time.Second {
			during[w.Pot]++
		}
		if !stood(held[w.Pot], w.T, w.Point, *w.Pa, psi, window) {
			if wrong++; wrong < 10 {
				t.never("%s %s read %v Pa at %v, which stood there at no instant since its request", w.Pot, w.Point, *w.Pa, w.T)
			}
		}
	}
	for _, l := range lines {
		for _, p := range points {
			// The last fault is over at 11 s, and a unit is left in peace for ten after the stray replies of 3 to 5 s.
			if at := last[l.pot+" "+p]; at.Sub(start) < all-2*time.Second {
				t.Errorf("%s %s is not read again after the fault: last at %v", l.pot, p, at.Sub(start))
			}
		}
		switch dead := l.pot == "babbling" || l.pot == "unplugged"; {
		case dead && during[l.pot] > 0:
			t.never("%s: %d readings, where none could come", l.pot, during[l.pot])
		case !dead && during[l.pot] == 0 && l.pot != "repeated":
			t.Errorf("%s: no reading while the fault held", l.pot)
		}
		t.Logf("%s (%s): %d readings accepted, %d of them while the fault held", l.pot, l.fault, accepted[l.pot], during[l.pot])
	}
}

// stood tells whether a gauge showed the value at an instant from window before at on. Per is what 1 of the gauge's
// number stands for. The simulator changes what the gauges show and then writes it down with the time, however long
// that takes on a busy machine: a row's number stood from some moment after the row before it was written until some
// moment before the row behind it was.
func stood(rows []offered, at time.Time, point string, value, per float64, window time.Duration) bool {
	at = at.Add(time.Millisecond) // as fine as the rows' times are
	i := sort.Search(len(rows), func(i int) bool { return !rows[i].T.Before(at.Add(-window)) })
	for i = max(0, i-1); i < len(rows) && (i == 0 || rows[i-1].T.Before(at)); i++ {
		if raw := rows[i].Raw[point]; raw != nil && math.Abs(*raw*per-value) <= 1e-9*math.Abs(value) {
			return true
		}
	}
	return false
}
