package replay_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gritwatch/server/internal/replay"
)

// faulty replays a log at 10 Hz of a pot of supply, vessel, hose and control, kPa: pressed from 10 s to 40 s of each 80 s, a
// vent with a time constant of 2 s, and noise of 0.7 kPa. change may alter the readings; an empty text is a missing one.
func faulty(t *testing.T, seconds float64, change func(s float64, kpa map[string]float64) (missing bool)) (out []map[string]any) {
	t.Helper()
	text := strings.NewReplacer("[supply, separator, vessel, hose, nozzle, control]", "[supply, vessel, hose, control]", "pressure: psi", "pressure: kPa").Replace(alderFile)
	rng := rand.New(rand.NewPCG(1, 2))
	var log strings.Builder
	log.WriteString("time,supply,vessel,hose,control\n")
	for i := 0; float64(i)/10 < seconds; i++ {
		s := float64(i) / 10
		in := math.Mod(s, 80)
		p := map[string]float64{"supply": 700, "vessel": 0, "hose": 0, "control": 0}
		switch {
		case in >= 10 && in < 40:
			p["vessel"], p["control"] = 680*(1-math.Exp(-(in-10)/1.5)), 690
			p["hose"] = 0.98 * 680 * (1 - math.Exp(-(in-10)/0.3))
		case in >= 40:
			p["vessel"] = 680 * math.Exp(-(in-40)/2)
			p["hose"] = 0.98 * p["vessel"]
		}
		for _, name := range []string{"supply", "vessel", "hose", "control"} {
			p[name] += 0.7 * rng.NormFloat64()
		}
		if change(s, p) {
			continue
		}
		fmt.Fprintf(&log, "%s,%.2f,%.2f,%.2f,%.2f\n", start.Add(time.Duration(i)*100*time.Millisecond), p["supply"], p["vessel"], p["hose"], p["control"])
	}
	var lines bytes.Buffer
	if _, err := replay.Run(t.Context(), pot(t, text), strings.NewReader(log.String()), &lines, replay.Options{}); err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(lines.Bytes()) {
		m := map[string]any{}
		if err := json.Unmarshal(line, &m); err != nil {
			t.Fatal(err)
		}
		out = append(out, m)
	}
	return out
}

// told are the lines of a kind, as "12.3 s ...": for alarms and events.
func told(t *testing.T, lines []map[string]any, kind string) (out []string) {
	t.Helper()
	for _, l := range lines {
		if l["kind"] != kind {
			continue
		}
		text := fmt.Sprintf("%v %v", l["alarm"], l["event"])
		if kind == "event" {
			text = fmt.Sprint(l["event"])
		}
		if e, ok := l["evidence"].(map[string]any); ok {
			text += fmt.Sprintf(" %v %v %v", l["priority"], e["point"], e["fault"])
		}
		out = append(out, text)
	}
	return out
}

// word is the word of the estimate at a second of the log, and its reasons.
func word(lines []map[string]any, at time.Duration) string {
	for _, l := range lines {
		if l["kind"] == "estimate" && l["t"] == start.Add(at).String() {
			a := l["answer"].(map[string]any)
			return fmt.Sprint(a["word"], a["because"])
		}
	}
	return "no line"
}

func same(t *testing.T, got []string, want ...string) {
	t.Helper()
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestSensorFaultLines(t *testing.T) {
	healthy := func(float64, map[string]float64) bool { return false }
	lines := faulty(t, 240, healthy)
	same(t, told(t, lines, "alarm"))
	same(t, told(t, lines, "event"))
	if got := word(lines, 78*time.Second); got != "vented[]" {
		t.Errorf("healthy: %s", got)
	}

	// The hose gauge drifts by 4 kPa, which R5 does not mind: medium, and the word stands.
	lines = faulty(t, 240, func(_ float64, p map[string]float64) bool { p["hose"] += 4; return false })
	same(t, told(t, lines, "alarm"), "sensor-fault raised medium hose zero-drift")
	if got := word(lines, 238*time.Second); got != "vented[]" {
		t.Errorf("hose drifts: %s", got)
	}

	// The vessel's drifts by half a psi, within R1's limit: the judge alone says vented, the fault and nothing else lowers it.
	lines = faulty(t, 240, func(s float64, p map[string]float64) bool {
		if s > 85 {
			p["vessel"] += 3.45
		}
		return false
	})
	same(t, told(t, lines, "alarm"), "sensor-fault raised medium vessel zero-drift")
	if got := word(lines, 78*time.Second); got != "vented[]" {
		t.Errorf("before the drift: %s", got)
	}
	if got := word(lines, 238*time.Second); got != "not-proven[sensor-fault]" {
		t.Errorf("vessel drifts: %s", got)
	}

	// The vessel's sticks in a blast and comes free: critical, raised and returned, with what it stays at.
	kept := 0.0
	lines = faulty(t, 240, func(s float64, p map[string]float64) bool {
		if s < 110 {
			kept = math.Round(p["vessel"]*100) / 100
		} else if s < 118 {
			p["vessel"] = kept
		}
		return false
	})
	same(t, told(t, lines, "alarm"), "sensor-fault raised critical vessel stuck", "vessel-unknown raised critical <nil> <nil>",
		"sensor-fault returned critical vessel stuck", "vessel-unknown returned")
	for _, l := range lines {
		if l["kind"] != "alarm" || l["alarm"] != "sensor-fault" {
			continue
		}
		// It returns ten seconds after the gauge moves again, so that one that sticks now and then does not ring again and again.
		at, size := since(t, l["t"]), l["evidence"].(map[string]any)["size"]
		if l["event"] == "raised" && (at > 113 || size != math.Round(kept*1000)) || l["event"] == "returned" && (at < 128 || at > 130 || size != nil) {
			t.Errorf("%v", l)
		}
	}
}

// An event once a release, no alarm, where the answer lacks its witness: here after a silence in the press, as the run of
// samples has ended; and where it loses it, by a silence at rest.
func TestNoVentSeen(t *testing.T) {
	lines := faulty(t, 240, func(s float64, _ map[string]float64) bool { return s > 20 && s < 25 })
	same(t, told(t, lines, "event"), "no-vent-seen")
	same(t, told(t, lines, "alarm"))
	for _, l := range lines {
		if l["kind"] == "event" {
			if at := since(t, l["t"]); at < 73 || at > 75 { // 40 s, 30 s that a vent may take, and 3 s at rest
				t.Errorf("at %.1f s", at)
			}
		}
	}

	lines = faulty(t, 240, func(s float64, _ map[string]float64) bool { return s > 60 && s < 65 })
	same(t, told(t, lines, "event"), "no-vent-seen")
	for _, l := range lines {
		if l["kind"] == "event" {
			if at := since(t, l["t"]); at < 65 || at > 68 {
				t.Errorf("at %.1f s", at)
			}
		}
	}
}
