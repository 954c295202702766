package e2e_test

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/live"
)

// A slowPot is one at which something goes wrong that takes minutes to hours until it is raised, or until it has ended. It is played in
// two ways: by TestAlarmsOfHours at once, and in the soak for as long as it takes.
type slowPot struct {
	alarmPot
	minutes float64 // until all has been raised, and has returned as far as it does by itself
	want    []slowAlarm
	never   []string // of those that may not be raised, what it comes near
	also    []beside // what it makes true besides; nothing else may be raised
	works   []work
	zeroed  string // the zero of the vessel's gauge that a person records in the end, in the site's and the agent's file; empty: nobody does
	atOnce  bool   // it takes so long that it is only played at once
}

// A slowAlarm is a kind that is to be raised, between two minutes.
type slowAlarm struct {
	kind     string // of sensor-fault with its fault
	from, to float64
	back     bool // it returns by itself; else it takes works, or a zero
}

// A beside is an alarm that the scenario makes true beside what it is about, raised between two minutes, and why.
type beside struct {
	kind     string
	from, to float64
	why      string
	stays    bool // nothing ends it
}

// A work is one that a person records once it is done. A replay knows nothing of people.
type work struct {
	at         float64 // minutes
	part, does string
}

// slowParts are the kinds that tell of a part.
var slowParts = []string{"separator-restricted", "valve-restricted", "mixing-restricted", "hose-restricted", "exhaust-restricted", "nozzle-worn"}

// otherParts are the slowParts but for some.
func otherParts(kinds ...string) []string {
	return slices.DeleteFunc(slices.Clone(slowParts), func(k string) bool { return slices.Contains(kinds, k) })
}

// slowPots are all of them. A fault of hose or tee comes after the minutes in which a pot's baseline is learned: one that was there before is
// in it, and is not found. Nothing but the path before the vessel can be made to clog in part, so valve-restricted is that of a pot without
// a separator point, where the two are one.
func slowPots() []slowPot {
	const (
		works = "press: 40 s, rest: 20 s, start: 12 s, refill_below: 20 %, refill_pause: 40 s"
		small = "{volume: 1.5 ft3, rated: 150 psi}" // empty after some ten minutes of blasting
		// Damp air that leaves a decilitre of water in a few minutes.
		damp   = "{intake: 30 C, humidity: 80 %%, separator: 25 C, drain_at: %s}"
		larger = "the wider nozzle takes more air than separator, valve and hose pass at the target: it lacks 18 psi"
	)
	fourPoints := []string{"supply", "vessel", "hose", "control"}
	all := []slowPot{
		// Twice it runs down to the end; then, with most of the third load left, something lies in the metering valve.
		{alarmPot: alarmPot{name: "full-to-empty", vessel: small, sim: "fill: 30 %", cycle: "press: 60 s, rest: 20 s, start: 12 s, refill_below: 2 %, refill_pause: 90 s, refill_time: 60 s",
			events: []string{"{at: 26 min, for: 4 min, metering: blocked}"}}, minutes: 36,
			want: []slowAlarm{{"pot-empty-soon", 2, 25, true}, {"pot-empty", 3, 25, true}, {"abrasive-stopped", 26, 30, true}}, never: slices.Concat(slowParts, []string{"vent-slow", "vessel-held"}),
			also: []beside{{"pot-empty-soon", 30, 60, "it runs down again", false}, {"pot-empty", 30, 60, "it runs down again", false}}},
		{alarmPot: alarmPot{name: "topped-up", sim: "fill: 42 %", cycle: "press: 60 s, rest: 20 s, start: 12 s, vary: 30 %, refill_below: 35 %, refill_to: 50 %, refill_pause: 120 s, refill_time: 180 s"},
			minutes: 42, never: []string{"pot-empty", "pot-empty-soon", "abrasive-stopped"}},
		// It clogs while it is learned.
		{alarmPot: alarmPot{name: "separator-clogs", cycle: "press: 20 s, rest: 20 s, start: 12 s", events: []string{"{at: 52 s, for: 12 min, separator_lost: 70 %, over: 5 min}"}}, minutes: 30,
			want: []slowAlarm{{"separator-restricted", 2, 10, true}}, never: otherParts("separator-restricted"), works: []work{{13.2, "separator", "cleaned"}},
			also: []beside{{"nozzle-low", 4, 13, "the separator takes 20 psi and more of the nozzle's pressure", false}}},
		{alarmPot: alarmPot{name: "exhaust-clogs", points: fourPoints, cycle: "press: 20 s, rest: 20 s, start: 12 s", events: []string{"{at: 52 s, for: 11 min, exhaust_shut: 90 %, over: 5 min}"}}, minutes: 30,
			want: []slowAlarm{{"exhaust-restricted", 4, 10, true}}, never: otherParts("exhaust-restricted"), works: []work{{12.2, "exhaust", "cleaned"}},
			also: []beside{{"vent-slow", 3, 12.2, "more than half of the exhaust is shut: each of its vents is slower than a healthy one", false}, {"stop-slow", 4, 12.2, "a tenth of the exhaust lets the nozzle blast on", false}}},
		{alarmPot: alarmPot{name: "exhaust-and-separator", cycle: works, events: []string{"{at: 10 min, for: 5 min, exhaust_shut: 30 %}", "{at: 17 min, for: 5 min, separator_lost: 50 %}"}}, minutes: 36,
			want: []slowAlarm{{"exhaust-restricted", 11, 15, true}, {"separator-restricted", 18, 22, true}}, never: otherParts("exhaust-restricted", "separator-restricted")},
		{alarmPot: alarmPot{name: "valve-clogs", points: slices.DeleteFunc(slices.Clone(sixPoints), func(p string) bool { return p == "separator" }), cycle: works,
			events: []string{"{at: 8 min, for: 5 min, separator_lost: 60 %}"}}, minutes: 27, want: []slowAlarm{{"valve-restricted", 9, 12, true}}, never: otherParts("valve-restricted")},
		{alarmPot: alarmPot{name: "hose-kinks", cycle: works, events: []string{"{at: 12 min, for: 6 min, hose_kink: 50 %}"}}, minutes: 36,
			want: []slowAlarm{{"hose-restricted", 13, 19, true}}, never: otherParts("hose-restricted"), works: []work{{18.5, "hose", "straightened"}},
			also: []beside{{"nozzle-low", 12.5, 19, "the kink takes 16 psi of the nozzle's pressure", false}}},
		{alarmPot: alarmPot{name: "choke-part-shut", cycle: works, events: []string{"{at: 12 min, for: 6 min, choke_shut: 60 %}"}}, minutes: 36,
			want: []slowAlarm{{"mixing-restricted", 13, 19, true}}, never: otherParts("mixing-restricted"), works: []work{{18.5, "mixing", "opened"}}},
		{alarmPot: alarmPot{name: "nozzle-wears", sim: "fill: 70 %, nozzle_life: 1 t", cycle: "press: 90 s, rest: 30 s, start: 3 s, vary: 40 %, refill_below: 15 %, refill_pause: 90 s"}, minutes: 144,
			want: []slowAlarm{{"nozzle-worn", 110, 142, false}}, never: otherParts("nozzle-worn"), also: []beside{{"nozzle-low", 120, 144, larger, false}}, atOnce: true},
		// The old one is put back, and nobody writes it down.
		{alarmPot: alarmPot{name: "larger-nozzle", cycle: works, events: []string{"{at: 12 min, for: 10 min, nozzle_worn: 1/16 in}"}}, minutes: 39,
			want: []slowAlarm{{"nozzle-worn", 14, 21, true}}, never: otherParts("nozzle-worn"), also: []beside{{"nozzle-low", 12.5, 23, larger, false}}},
		// A new one is put in, and somebody writes it down.
		{alarmPot: alarmPot{name: "worn-nozzle", cycle: works, events: []string{"{at: 12 min, for: 10 min, nozzle_worn: 1/16 in}"}}, minutes: 39,
			want: []slowAlarm{{"nozzle-worn", 14, 21, true}}, never: otherParts("nozzle-worn"), works: []work{{22.3, "bore", "replaced"}}, also: []beside{{"nozzle-low", 12.5, 23, larger, false}}},
		// What stays well under each limit; the last apart, as it moves what the others are told from.
		{alarmPot: alarmPot{name: "a-little-shut", cycle: works, events: []string{"{at: 10 min, for: 6 min, exhaust_shut: 3 %}", "{at: 16 min, for: 6 min, separator_lost: 6 %}",
			"{at: 22 min, for: 6 min, hose_kink: 5 %}", "{at: 28 min, for: 6 min, choke_shut: 8 %}"}}, minutes: 35, never: slowParts},
		{alarmPot: alarmPot{name: "a-little-worn", cycle: works, events: []string{"{at: 12 min, for: 10 min, nozzle_worn: 1/64 in}"}}, minutes: 24, never: slowParts},
		{alarmPot: alarmPot{name: "grit-in-valves", vessel: "{volume: 6.5 ft3, rated: 150 psi, holds_pressure: true}", hose: "1.25 in", nozzle: "7/16 in", cycle: "press: 20 s, rest: 40 s, start: 12 s, blowdown_after: 4",
			events: []string{"{at: 99 s, for: 30 s, compressor: off}", "{at: 99 s, for: 30 s, inlet_leak: 4 mm}", "{at: 129 s, control_slow: 2 s}"}}, minutes: 12,
			want: []slowAlarm{{"supply-below-vessel", 1.5, 2.5, true}}, never: slowParts},
		{alarmPot: alarmPot{name: "others-take-air", cycle: "press: 60 s, rest: 20 s, start: 12 s", events: []string{"{at: 109 s, for: 60 s, consumer: 150 cfm}"}}, minutes: 12,
			want: []slowAlarm{{"supply-low", 1, 6, true}}, never: slowParts},
		{alarmPot: alarmPot{name: "others-take-little", cycle: "press: 60 s, rest: 20 s, start: 12 s", events: []string{"{at: 109 s, for: 60 s, consumer: 20 cfm}"}}, minutes: 12, never: slices.Concat(slowParts, []string{"supply-low", "nozzle-low"})},
		{alarmPot: alarmPot{name: "water", cycle: works, air: fmt.Sprintf(damp, "0.2 L")}, minutes: 9, want: []slowAlarm{{"drain-due", 2, 5, false}}, never: slowParts, works: []work{{7, "separator", "drained"}}, also: []beside{{kind: "drain-due", from: 9, to: 12, why: "it has caught as much again", stays: true}}},
		{alarmPot: alarmPot{name: "little-water", cycle: works, air: fmt.Sprintf(damp, "4 L")}, minutes: 12, never: append([]string{"drain-due"}, slowParts...)},
		// Whatever the gauge shows later, a declared error that does not hold stands until somebody records a zero, and with it that the vessel is not known.
		{alarmPot: alarmPot{name: "reads-low", cycle: works, events: []string{"{at: 3 min, for: 4 min, gauge: vessel, drift: -1 psi, over: 30 s}"}}, minutes: 12, zeroed: "{offset: 0 psi, by: R. Malone, at: 2026-01-05}",
			want: []slowAlarm{{"sensor-fault declared-error", 3, 4.5, false}, {"vessel-unknown", 3, 4.5, false}}, also: []beside{{"sensor-fault zero-drift", 3, 8, "at rest it shows the drift", false}}},
		{alarmPot: alarmPot{name: "reads-a-little-low", cycle: works, events: []string{"{at: 3 min, for: 4 min, gauge: vessel, drift: -0.15 psi, over: 30 s}"}}, minutes: 12, never: []string{"sensor-fault declared-error", "sensor-fault zero-drift", "vessel-unknown"}},
		{alarmPot: alarmPot{name: "handle-tied", sim: "fill: 100 %, metering: 5 %", cycle: "press: 45.5 min, rest: 20 s, start: 12 s"}, minutes: 46.5, want: []slowAlarm{{"press-overlong", 45, 45.6, true}}},
		{alarmPot: alarmPot{name: "a-long-press", sim: "fill: 100 %, metering: 5 %", cycle: "press: 44 min, rest: 30 s, start: 12 s"}, minutes: 45, never: []string{"press-overlong"}},
		{alarmPot: alarmPot{name: "nothing-ever", points: fourPoints, cycle: "press: 20 s, rest: 20 s, start: 12 s"}, minutes: 40,
			never: slices.Concat(slowParts, []string{"supply-low", "nozzle-low", "drain-due", "press-overlong"})},
	}
	for i := range all {
		p := &all[i]
		p.sim = cmp.Or(p.sim, "fill: 70 %")
	}
	return all
}

// TestEveryAlarmIsPlayed holds the two tables together to the kinds that there are: each is raised in one of them and cleared, and
// one of the slow pots, or one of the calm ones of TestAlarms, which raise nothing, must not raise it.
func TestEveryAlarmIsPlayed(t *testing.T) {
	played := map[string]bool{}
	for _, a := range fastAlarms {
		played[a.kind] = true
	}
	spared := maps.Clone(played)
	for _, p := range slowPots() {
		for _, w := range p.want {
			kind, _, _ := strings.Cut(w.kind, " ")
			ends := w.back || len(p.works) > 0 || p.zeroed != ""
			played[kind] = played[kind] || !p.atOnce && ends
		}
		for _, kind := range p.never {
			kind, _, _ = strings.Cut(kind, " ")
			spared[kind] = spared[kind] || !p.atOnce
		}
	}
	for _, kind := range live.AlarmKinds() {
		if !played[kind] || !spared[kind] {
			t.Errorf("%s: some pot raises and clears it: %v, some pot comes near and must not: %v", kind, played[kind], spared[kind])
		}
	}
}

// slowKind is a kind as slowAlarms have it.
func slowKind(kind, fault string) string {
	if kind == "sensor-fault" {
		return kind + " " + fault
	}
	return kind
}

// runsDown is after how many minutes what a pot was filled with at first is down to a third, at the earliest.
const runsDown = 38.0

// allows tells why an alarm of a pot that is not the first of what is wanted is right after so many minutes, and whether it stays; empty: it is not.
func (p *slowPot) allows(kind string, at float64) (why string, stays bool) {
	for _, b := range p.also {
		if b.kind == kind && at >= b.from && at <= b.to {
			return b.why, b.stays
		}
	}
	if kind == "pot-empty-soon" && at > runsDown && !slices.Contains(p.never, kind) {
		return "a third of its first load is left", false
	}
	return "", false
}

// TestAlarmsOfHours plays what no test can wait for: the simulator's program writes hours at once, and the server's replays them,
// with engine and alarms as they are live. Of each kind: when it is raised, whether it returns, and what must not be raised.
//
// What ends by what people record stands here until the end. SOAKTIME, which is that of the soak, has it all played as it is: see playSlow.
func TestAlarmsOfHours(t *testing.T) {
	t.Parallel()
	if os.Getenv("SOAKTIME") != "" {
		playSlow(t)
		return
	}
	for _, c := range slowPots() {
		t.Run(c.name, func(t *testing.T) {
			s := newSite(t)
			s.write("sim.yaml", alarmSim([]alarmAgent{{name: "quay-1", pots: []alarmPot{c.alarmPot}}}, ""))
			run := func(name string, args ...string) {
				t.Helper()
				// One at a time, and behind the sites of other tests, whose lines must not be late.
				if p := s.command("nice", append([]string{"-n", "19", filepath.Join(bin, name)}, args...)...); p.exit(5*time.Minute) != 0 {
					t.Fatal(p.out.String())
				}
			}
			run("gritwatch-sim", "generate", "--config", "sim.yaml", "--hours", fmt.Sprint(c.minutes/60), "--truth-every", "60s", "--out", "log")
			if c.air != "" {
				text, err := os.ReadFile(filepath.Join(s.dir, "log", "pot.yaml"))
				if err != nil {
					t.Fatal(err)
				}
				s.write("log/pot.yaml", string(text)+"air: "+c.air+"\n")
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
				if x.Kind != "alarm" {
					continue
				}
				kind := slowKind(x.Alarm, x.Evidence.Fault)
				seen[kind] = append(seen[kind], x)
				first := len(seen[kind]) == 1 && slices.ContainsFunc(c.want, func(w slowAlarm) bool { return w.kind == kind })
				at := x.T.Sub(start).Minutes()
				if why, _ := c.allows(kind, at); x.Event == "raised" && !first && why == "" {
					t.Errorf("%s (%s) was raised after %.2f min", kind, x.Priority, at)
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
		})
	}
}
