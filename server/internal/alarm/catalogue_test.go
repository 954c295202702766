package alarm

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"gritwatch/internal/alarmtext"
	"gritwatch/internal/vent"
	"gritwatch/server/internal/gauges"
)

// TestRules: the contract's list of alarms with its priorities, written from it.
func TestRules(t *testing.T) {
	want := map[Priority]string{
		Critical: "vessel-held vent-slow pressure-creep vessel-unknown over-pressure agent-silent",
		High:     "stop-slow pot-empty-soon pot-empty abrasive-stopped supply-below-vessel",
		Medium: "press-overlong config-doubt nozzle-low supply-low separator-restricted valve-restricted mixing-restricted hose-restricted " +
			"exhaust-restricted nozzle-worn sensor-fault clock-skew",
		Low: "drain-due",
	}
	n := 0
	for p, names := range want {
		for _, name := range strings.Fields(names) {
			n++
			k, err := ParseKind(name)
			if err != nil {
				t.Error(err)
				continue
			}
			r := RuleOf(k)
			if r.Priority != p || r.Kind != k || k.String() != name {
				t.Errorf("%s is %s", name, r.Priority)
			}
			if r.On != r.Off && r.Of == "" || r.By == "" {
				t.Errorf("%s: %+v", name, r)
			}
			if got, err := ParsePriority(p.String()); err != nil || got != p {
				t.Errorf("%s reads as %s, %v", p, got, err)
			}
			for _, u := range r.Under { // a suppressor is found first, so that what it hides is never told
				if s := RuleOf(u); s.OnAfter > r.OnAfter && r.OnAfter > 0 {
					t.Errorf("%s is found after %s", u, name)
				}
			}
		}
	}
	if n != Kinds {
		t.Errorf("%d kinds, want %d", n, Kinds)
	}
	if agentSilent >= unknownOld {
		t.Error("a dead agent is found after its vessels")
	}
	if RuleOf(VesselHeld).Latch != true {
		t.Error("vessel-held does not latch")
	}
	for c := range vent.Condition(vent.Conditions) {
		if Kind(c).String() != c.String() {
			t.Errorf("%s is %s", c, Kind(c))
		}
	}
	for k := range gauges.Kind(gauges.Kinds) { // contract: critical where it makes the vessel unknown
		for _, p := range []string{"vessel", "hose"} {
			key := Key{Pot: "alder", Kind: SensorFault, Point: p, Fault: k.String()}
			if got := key.priority(); (got == Critical) != (p == "vessel" && k.Blinds()) {
				t.Errorf("%v is %s", key, got)
			}
		}
	}
}

// TestWords: everything is said, in the trade's words, and nothing tells anybody to open a vessel.
func TestWords(t *testing.T) {
	// Work at what lets pressure or people out, told as something to do.
	opening := regexp.MustCompile(`(?i)\b(open|opens|opened|opening|unbolt|unscrew|undo|slacken|loosen|remove|take off|uncover)\b`)
	// Words that the trade's practice does not want printed: section 2.
	unwanted := regexp.MustCompile(`(?i)\b(sand|sandblast\w*|kettle|deadman|dead-man|trigger|bleed|dump|sure|safe to|vented)\b`)
	keys := []Key{}
	for k := range Kind(Kinds) {
		keys = append(keys, Key{Pot: "alder", Kind: k})
	}
	for f := range faultKinds {
		for _, p := range []string{"vessel", "hose"} {
			keys = append(keys, Key{Pot: "alder", Kind: SensorFault, Point: p, Fault: faultName(f)})
		}
	}
	for _, k := range keys {
		w := Text(k)
		if w.Says == "" || w.Consequence == "" || len(w.Causes) == 0 || len(w.Do) == 0 {
			t.Errorf("%v: %+v", k, w)
		}
		all := slices.Concat([]string{w.Says, w.Consequence}, w.Do)
		for _, s := range all {
			if !strings.HasSuffix(s, ".") && !strings.HasSuffix(s, "?") {
				t.Errorf("%v: %q is no sentence", k, s)
			}
		}
		for _, s := range slices.Concat(all, w.Causes) {
			if m := opening.FindString(s); m != "" {
				t.Errorf("%v: %q says %q", k, s, m)
			}
			if m := unwanted.FindString(s); m != "" {
				t.Errorf("%v: %q says %q", k, s, m)
			}
		}
		// Whoever is sent to work at the pot of a vessel's alarm is first told how to treat it.
		if vessel := rules[k.Kind].Vessel || k.priority() == Critical; vessel && k.Kind != OverPressure && k.Kind != PressureCreep &&
			!strings.Contains(w.Do[0], "pressurised") {
			t.Errorf("%v begins with %q", k, w.Do[0])
		}
		// No work at the vessel's parts without zero proven.
		for i, s := range w.Do {
			if strings.HasPrefix(s, alarmtext.AfterZero) && i == 0 {
				t.Errorf("%v: %q comes first", k, s)
			}
		}
	}
	if stuck, plain := Text(Key{Kind: SensorFault, Point: "vessel", Fault: "stuck"}), Text(Key{Kind: SensorFault, Point: "hose", Fault: "stuck"}); len(stuck.Do) != len(plain.Do)+1 ||
		len(Text(Key{Kind: SensorFault}).Do) != len(plain.Do) {
		t.Error("a vessel's gauge is not told differently")
	}
	if opening.MatchString(AnswerRule) {
		t.Error(AnswerRule)
	}
}
