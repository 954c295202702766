package e2e_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestAlarmsOfHours plays what no test can wait for: the simulator's program writes hours at once, and the server's replays them,
// with engine and alarms as they are live. Of each kind: when it is raised, whether it returns, and what must not be raised.
//
// Of mixing-, hose- and valve-restricted, drain-due and clock-skew there is nothing here: the first four come after days of
// work, the last is about an agent's clock. The tests of packages alarm, keep and app raise them.
func TestAlarmsOfHours(t *testing.T) {
	t.Parallel()
	tied := func(press string) string {
		p := alarmPot{name: "tied", sim: "fill: 100 %, metering: 5 %", cycle: "press: " + press + ", rest: 30 s, start: 3 s"}
		return alarmSim([]alarmAgent{{"quay-1", []alarmPot{p}}}, "")
	}
	// Twice it runs down to the end; then, with most of the third load left, something lies in the metering valve.
	emptied := alarmSim([]alarmAgent{{"quay-1", []alarmPot{{name: "alder", sim: "fill: 15 %",
		cycle:  "press: 60 s, rest: 20 s, start: 3 s, vary: 30 %, refill_below: 2 %, refill_pause: 120 s, refill_time: 90 s",
		events: []string{"{at: 90 min, for: 4 min, metering: blocked}"}}}}}, "")
	const minute = 60.0
	for name, c := range map[string]struct {
		scenario string // built in; empty: sim
		sim      string
		hours    float64
		want     []string // kinds that are raised between from and to
		from, to float64  // s
		back     bool     // they return
		never    []string
	}{
		"full to empty":   {sim: emptied, hours: 1.65, want: []string{"pot-empty-soon", "pot-empty", "abrasive-stopped"}, from: 30 * minute, to: 95 * minute, back: true, never: []string{"vent-slow", "vessel-held"}},
		"topped up":       {scenario: "partial-refills", hours: 0.7, never: []string{"pot-empty", "abrasive-stopped"}},
		"separator clogs": {scenario: "separator-clogging", hours: 0.3, want: []string{"separator-restricted"}, from: 2 * minute, to: 10 * minute, never: []string{"hose-restricted", "exhaust-restricted"}},
		"exhaust clogs":   {scenario: "exhaust-slow", hours: 0.2, want: []string{"exhaust-restricted"}, from: 4 * minute, to: 10 * minute, never: []string{"separator-restricted", "hose-restricted", "nozzle-worn"}},
		"nozzle wears":    {scenario: "nozzle-wears", hours: 1.6, want: []string{"nozzle-worn"}, from: 60 * minute, to: 95 * minute, never: []string{"separator-restricted", "hose-restricted", "exhaust-restricted"}},
		"others take air": {scenario: "other-users", hours: 0.2, want: []string{"supply-low"}, from: 1 * minute, to: 6 * minute, back: true, never: []string{"nozzle-worn", "separator-restricted"}},
		"handle tied":     {sim: tied("50 min"), hours: 0.9, want: []string{"press-overlong"}, from: 44 * minute, to: 46 * minute, back: true},
		"a long press":    {sim: tied("40 min"), hours: 0.8, never: []string{"press-overlong"}},
		"nothing ever":    {scenario: "healthy", hours: 0.3, never: []string{"separator-restricted", "valve-restricted", "mixing-restricted", "hose-restricted", "exhaust-restricted", "nozzle-worn", "supply-low", "nozzle-low", "drain-due", "press-overlong"}},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSite(t)
			from := []string{"--scenario", c.scenario}
			if c.scenario == "" {
				s.write("sim.yaml", c.sim)
				from = []string{"--config", "sim.yaml"}
			}
			run := func(name string, args ...string) {
				t.Helper()
				// One at a time, and behind the sites of other tests, whose lines must not be late.
				if p := s.command("nice", append([]string{"-n", "19", filepath.Join(bin, name)}, args...)...); p.exit(5*time.Minute) != 0 {
					t.Fatal(p.out.String())
				}
			}
			run("gritwatch-sim", slices.Concat([]string{"generate"}, from, []string{"--hours", fmt.Sprint(c.hours), "--truth-every", "60s", "--out", "log"})...)
			run("gritwatch-server", "replay", "--every", "24h", "--out", "lines.jsonl", "--pot", "log/pot.yaml", "log/samples.csv")
			text, err := os.ReadFile(filepath.Join(s.dir, "lines.jsonl"))
			if err != nil {
				t.Fatal(err)
			}
			type line struct {
				Kind, Alarm, Event, Priority string
				T                            time.Time
			}
			start := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC) // of the simulator, unless it is told another
			seen := map[string][]line{}
			for l := range strings.Lines(string(text)) {
				var x line
				if err := json.Unmarshal([]byte(l), &x); err != nil {
					t.Fatalf("%s: %v", l, err)
				}
				if x.Kind == "alarm" {
					seen[x.Alarm] = append(seen[x.Alarm], x)
				}
			}
			for _, kind := range c.want {
				all := seen[kind]
				if len(all) == 0 {
					t.Errorf("%s was not raised; seen %v", kind, seen)
					continue
				}
				if at := all[0].T.Sub(start).Seconds(); at < c.from || at > c.to {
					t.Errorf("%s was raised after %.0f s, should be from %.0f to %.0f", kind, at, c.from, c.to)
				}
				if returned := len(all) > 1 && all[1].Event == "returned"; returned != c.back {
					t.Errorf("%s returned %v, should %v: %v", kind, returned, c.back, all)
				}
			}
			for _, kind := range c.never {
				if all := seen[kind]; len(all) > 0 {
					t.Errorf("%s was raised: %v", kind, all)
				}
			}
		})
	}
}
