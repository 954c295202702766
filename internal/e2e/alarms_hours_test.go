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
// What clogs and is cleaned again ends by itself here, as replay knows nothing of people: drain-due, and parts whose services are recorded, end in
// TestServiced of package app. Each fault comes after the quarter of an hour in which a pot's baseline is learned: one that
// was there before is in it, and is not found. Nothing but the path before the vessel can be made to clog in part, so valve-restricted is that of a pot
// without a separator point, where the two are one.
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
	// One without a separator point.
	noSeparator := strings.NewReplacer("{separator: {range: 0..200 psi, zero_error: 0.25 psi}}, ", "", "{pot: alder, point: separator, address: 2, order: high-first, unit: psi}, ", "")
	works := func(events ...string) string {
		return alarmSim([]alarmAgent{{"quay-1", []alarmPot{{name: "alder", sim: "fill: 70 %", events: events,
			cycle: "press: 40 s, rest: 20 s, start: 3 s, refill_below: 20 %, refill_pause: 40 s"}}}}, "")
	}
	// Damp air that leaves a decilitre of water in a few minutes.
	const damp = "air: {intake: 30 C, humidity: 80 %%, separator: 25 C, drain_at: %s}\n"
	parts := []string{"separator-restricted", "valve-restricted", "mixing-restricted", "hose-restricted", "exhaust-restricted", "nozzle-worn"}
	but := func(kinds ...string) []string {
		return slices.DeleteFunc(slices.Clone(parts), func(k string) bool { return slices.Contains(kinds, k) })
	}
	// A raised is a kind that is raised, in minutes, and whether it returns.
	type raised struct {
		kind     string
		from, to float64
		back     bool
	}
	for name, c := range map[string]struct {
		scenario string // built in; empty: sim
		sim      string
		pot      string // put behind its file
		hours    float64
		want     []raised
		never    []string
	}{
		"full to empty": {sim: emptied, hours: 1.65, want: []raised{{"pot-empty-soon", 30, 95, true}, {"pot-empty", 30, 95, true}, {"abrasive-stopped", 30, 95, true}},
			never: []string{"vent-slow", "vessel-held"}},
		"topped up":       {scenario: "partial-refills", hours: 0.7, never: []string{"pot-empty", "abrasive-stopped"}},
		"separator clogs": {scenario: "separator-clogging", hours: 0.3, want: []raised{{"separator-restricted", 2, 10, false}}, never: []string{"hose-restricted", "exhaust-restricted"}},
		"exhaust clogs":   {scenario: "exhaust-slow", hours: 0.2, want: []raised{{"exhaust-restricted", 4, 10, false}}, never: []string{"separator-restricted", "hose-restricted", "nozzle-worn"}},
		"exhaust and separator clog, and are cleaned": {sim: works("{at: 10 min, for: 5 min, exhaust_shut: 30 %}", "{at: 17 min, for: 5 min, separator_lost: 50 %}"), hours: 0.6,
			want: []raised{{"exhaust-restricted", 11, 15, true}, {"separator-restricted", 18, 21, true}}, never: but("exhaust-restricted", "separator-restricted")},
		"valve clogs": {sim: noSeparator.Replace(works("{at: 8 min, for: 5 min, separator_lost: 60 %}")), hours: 0.45,
			want: []raised{{"valve-restricted", 9, 12, true}}, never: but("valve-restricted")},
		"hose kinks, and the choke is left partly shut": {sim: works("{at: 12 min, for: 6 min, hose_kink: 50 %}", "{at: 24 min, for: 6 min, choke_shut: 60 %}"), hours: 0.72,
			want: []raised{{"hose-restricted", 13, 17, true}, {"mixing-restricted", 25, 29, true}}, never: but("hose-restricted", "mixing-restricted")},
		"nozzle wears": {scenario: "nozzle-wears", hours: 1.6, want: []raised{{"nozzle-worn", 60, 95, false}}, never: []string{"separator-restricted", "hose-restricted", "exhaust-restricted"}},
		// Then the old one is put back, and nobody writes it down.
		"a larger nozzle": {sim: works("{at: 12 min, for: 10 min, nozzle_worn: 1/16 in}"), hours: 0.65, want: []raised{{"nozzle-worn", 14, 17, true}}, never: but("nozzle-worn")},
		"grit in valves":  {scenario: "grit-in-valves", hours: 0.75, want: []raised{{"supply-below-vessel", 1, 2.2, true}}, never: parts},
		"others take air": {scenario: "other-users", hours: 0.2, want: []raised{{"supply-low", 1, 6, true}}, never: []string{"nozzle-worn", "separator-restricted"}},
		"water":           {sim: works(), pot: fmt.Sprintf(damp, "0.2 L"), hours: 0.15, want: []raised{{"drain-due", 2, 5, false}}, never: parts},
		"little water":    {sim: works(), pot: fmt.Sprintf(damp, "2 L"), hours: 0.15, never: []string{"drain-due"}},
		// Whatever the gauge shows later, a declared error that does not hold stands until somebody records a zero, and with it that the vessel is not known.
		"vessel reads low":          {sim: works("{at: 3 min, for: 4 min, gauge: vessel, drift: -1 psi, over: 30 s}"), hours: 0.2, want: []raised{{"sensor-fault declared-error", 3, 4, false}, {"vessel-unknown", 3, 4, false}}},
		"vessel reads a little low": {sim: works("{at: 3 min, for: 4 min, gauge: vessel, drift: -0.15 psi, over: 30 s}"), hours: 0.15, never: []string{"sensor-fault declared-error", "vessel-unknown"}},
		"handle tied":               {sim: tied("50 min"), hours: 0.9, want: []raised{{"press-overlong", 44, 46, true}}},
		"a long press":              {sim: tied("40 min"), hours: 0.8, never: []string{"press-overlong"}},
		"nothing ever":              {scenario: "healthy", hours: 0.3, never: slices.Concat(parts, []string{"supply-low", "nozzle-low", "drain-due", "press-overlong"})},
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
			if c.pot != "" {
				text, err := os.ReadFile(filepath.Join(s.dir, "log", "pot.yaml"))
				if err != nil {
					t.Fatal(err)
				}
				s.write("log/pot.yaml", string(text)+c.pot)
			}
			run("gritwatch-server", "replay", "--every", "24h", "--out", "lines.jsonl", "--pot", "log/pot.yaml", "log/samples.csv")
			text, err := os.ReadFile(filepath.Join(s.dir, "lines.jsonl"))
			if err != nil {
				t.Fatal(err)
			}
			type line struct {
				Kind, Alarm, Event, Priority string
				T                            time.Time
				Evidence                     struct{ Fault string }
			}
			start := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC) // of the simulator, unless it is told another
			seen := map[string][]line{}
			for l := range strings.Lines(string(text)) {
				var x line
				if err := json.Unmarshal([]byte(l), &x); err != nil {
					t.Fatalf("%s: %v", l, err)
				}
				if x.Kind == "alarm" {
					kind := x.Alarm
					if kind == "sensor-fault" {
						kind += " " + x.Evidence.Fault
					}
					seen[kind] = append(seen[kind], x)
				}
			}
			for _, w := range c.want {
				all := seen[w.kind]
				if len(all) == 0 {
					t.Errorf("%s was not raised; seen %v", w.kind, seen)
					continue
				}
				if at := all[0].T.Sub(start).Minutes(); at < w.from || at > w.to {
					t.Errorf("%s was raised after %.2f min, should be from %g to %g", w.kind, at, w.from, w.to)
				}
				if returned := len(all) > 1 && all[1].Event == "returned"; returned != w.back {
					t.Errorf("%s returned %v, should %v: %v", w.kind, returned, w.back, all)
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
