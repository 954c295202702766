package replay_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/replay"
)

// news are the lines of a replay that are no estimates. The log is at 10 Hz, of supply, vessel (gauge kPa, of seconds) and
// a handle pressed from 10 s to 60 s.
func news(t *testing.T, seconds float64, vessel func(s float64) float64) (out []map[string]any) {
	t.Helper()
	text := strings.NewReplacer("[supply, separator, vessel, hose, nozzle, control]", "[supply, vessel, control]", "pressure: psi", "pressure: kPa").Replace(alderFile)
	var log strings.Builder
	log.WriteString("time,supply,vessel,control\n")
	for i := 0; float64(i)/10 < seconds; i++ {
		s := float64(i) / 10
		control := 0
		if s >= 10 && s < 60 {
			control = 690
		}
		fmt.Fprintf(&log, "%s,700,%.3f,%d\n", start.Add(time.Duration(i)*100*time.Millisecond), vessel(s), control)
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
		if m["kind"] != "estimate" {
			out = append(out, m)
		}
	}
	return out
}

// since is a time of a line, s after the log's start.
func since(t *testing.T, text any) float64 {
	t.Helper()
	at, err := time.Parse(time.RFC3339, fmt.Sprint(text))
	if err != nil {
		t.Fatal(err)
	}
	return at.Sub(start.Time()).Seconds()
}

const ambient = float64(si.StandardAtmosphere) / si.KPa

// TestCycleLine: a vent whose absolute pressure falls with a time constant of 2 s, as a choked exhaust empties a vessel of
// constant temperature. From 680 kPa it is within 7 kPa after 2 ln(781.3/108.3) = 3.95 s, and at zero after 4.09 s.
func TestCycleLine(t *testing.T) {
	lines := news(t, 80, func(s float64) float64 {
		switch {
		case s < 10:
			return 0
		case s < 60:
			return 680 * (1 - math.Exp(-(s-10)/1.5))
		}
		return max(0, (680+ambient)*math.Exp(-(s-60)/2)-ambient)
	})
	if len(lines) != 1 || lines[0]["kind"] != "cycle" {
		t.Fatalf("%v", lines)
	}
	l := lines[0]
	if press, release := since(t, l["press"]), since(t, l["release"]); press != 10 || release != 60 || l["blast_s"] != 50.0 {
		t.Errorf("press at %v s, release at %v s, blast %v", press, release, l["blast_s"])
	}
	v := l["vent"].(map[string]any)
	near := func(name string, want, by float64) {
		if got, ok := v[name].(float64); !ok || math.Abs(got-want) > by {
			t.Errorf("%s = %v, want %v within %v", name, v[name], want, by)
		}
	}
	near("tau_s", 2, 0.02)
	near("settled_s", 3.95, 0.6) // a mean over half a second lags by a quarter, and rows are 0.1 s apart
	near("residual_pa", 0, 300)
	near("p0_pa", 680e3, 20e3)
	if at := since(t, l["t"]); at < 66.9 || at > 67.7 {
		t.Errorf("told at %.1f s, 3 s after it settled", at)
	}
	for _, absent := range []string{"abrasive_kg", "inferred"} {
		if _, ok := l[absent]; ok {
			t.Errorf("%s stands there", absent)
		}
	}
}

// TestAlarmLines: the exhaust stays shut until 90 s; then the vessel is let out.
func TestAlarmLines(t *testing.T) {
	lines := news(t, 420, func(s float64) float64 {
		switch {
		case s < 10:
			return 0
		case s < 60:
			return 680 * (1 - math.Exp(-(s-10)/1.5))
		case s < 90:
			return 680
		}
		return 680 * math.Exp(-(s-90)/2)
	})
	want := map[string]bool{"vent-slow raised": false, "vent-slow returned": false, "vessel-held raised": false, "vessel-held returned": false}
	for _, l := range lines {
		if l["kind"] != "alarm" {
			continue
		}
		name := fmt.Sprint(l["alarm"], " ", l["event"])
		if seen, known := want[name]; !known || seen {
			t.Errorf("%v", l)
			continue
		}
		want[name] = true
		at := since(t, l["t"])
		evidence, shown := l["evidence"].(map[string]any)
		switch {
		case l["priority"] != "critical":
			t.Errorf("%s with priority %v", name, l["priority"])
		case l["event"] == "returned":
			// Nobody presses, and the answer has no witness: then a vent's end is believed once it has lasted.
			after := map[string]float64{"vent-slow returned": 30, "vessel-held returned": 300}[name]
			if at < 90+after || at > 102+after || shown {
				t.Errorf("%s at %.1f s: %v", name, at, l)
			}
		default:
			p, ok := evidence["p_pa"].([]any)
			if at < 60 || at > 66 || !ok || len(p) != 2 || math.Abs(p[0].(float64)-680e3) > 5e3 || math.Abs(p[1].(float64)-680e3) > 5e3 {
				t.Errorf("%s at %.1f s: %v", name, at, l)
			}
		}
	}
	for name, seen := range want {
		if !seen {
			t.Errorf("no %s in %v", name, lines)
		}
	}
}
