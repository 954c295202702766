package figures_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/condensate"
	"gritwatch/server/internal/engine/finding"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/engine/losses"
	"gritwatch/server/internal/engine/wear"
	"gritwatch/server/internal/figures"
)

const at = si.Instant(1_900_000_000_000_000)

// whole is an output of which all is known.
func whole() *engine.Output {
	o := &engine.Output{Now: engine.Now{At: at, State: engine.Blasting}}
	forecast := level.Forecast{Known: true, P10: 520 * time.Second, P50: 610 * time.Second, P90: 720 * time.Second}
	o.Level = level.Estimate{Known: true, Mass: 121.04, SD: 6, Share: 0.6, Low: 0.55, High: 0.65, FlowKnown: true, Flow: 0.19, Loading: 1.36, Used: 80,
		Empty: forecast, OnClock: forecast, Stop: level.Blocked}
	l := &o.Losses
	*l = losses.Estimate{At: at.Add(-time.Second), Nozzle: 741325, Air: 0.14, Loading: 1.36, Account: true, Fall: 10 * si.PSI, Sag: 4 * si.PSI, Short: -2 * si.PSI,
		Finding: finding.SeparatorRestricted, Feed: finding.Flooding}
	l.Resistance = [...]si.Ratio{1.5, 1.01, 0, 1}
	l.Parts[0] = losses.Part{Known: true, From: points.Supply, Excess: 6 * si.PSI, Split: true, Flow: -1 * si.PSI, Resistance: 7 * si.PSI}
	o.Wear[wear.Separator] = wear.Index{Known: true, Value: 1.4, SD: 0.02, Finding: true, Trend: 0.1, TrendSD: 0.01, Limit: wear.Forecast{Known: true, P10: at, P50: at + 60_000_000}}
	o.Wear[wear.Exhaust] = wear.Index{Known: true, Value: 0.97, SD: 0.01}
	o.Wear[wear.Bore] = wear.Index{Known: true, Value: 1.02, SD: 0.005}
	o.Condensate = condensate.Estimate{Known: true, Since: at, Air: 360, Water: 3.39, Due: true}
	o.Baseline.Laden = baseline.Profile{How: baseline.Learned, At: at, Seconds: 300}
	return o
}

func pot() *figures.Pot {
	return &figures.Pot{Bore: 0.011, Target: 100 * si.PSI, Air: si.StandardAtmosphere,
		Costs: potfile.Costs{Currency: "USD", Labour: 57, Equipment: 45, Abrasive: 0.051, Disposal: 0.172}}
}

func text(t *testing.T, o *engine.Output, blasting bool) (map[string]any, *figures.Sheet) {
	t.Helper()
	s := new(figures.Sheet)
	s.Fill(pot(), o, blasting, 0)
	b, err := json.Marshal(s.Figures)
	if err != nil {
		t.Fatal(err)
	}
	m := map[string]any{}
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	return m, s
}

// The names are the contract's. An hour of blasting costs 57 + 45 + 0.19 * 3600 * 0.223 = 254.53 USD, and 10 psi 15 % of it.
func TestWhole(t *testing.T) {
	m, s := text(t, whole(), true)
	for name, want := range map[string]float64{"air_kg_s": 0.14, "level_kg": 121, "level_sd_kg": 6, "level_share": 0.6, "flow_kg_s": 0.19, "loading": 1.36,
		"bore_mm": 11.22, "exhaust": 0.97, "used_kg": 80} {
		if got, ok := m[name].(float64); !ok || math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: %v, want %v", name, m[name], want)
		}
	}
	if q := m["empty_s"].(map[string]any); q["p10"] != 520.0 || q["p50"] != 610.0 || q["p90"] != 720.0 {
		t.Errorf("empty_s %v", q)
	}
	// What strokes tell counts before what a second tells.
	if r := m["resistance"].(map[string]any); r["separator"] != 1.4 || r["valve"] != 1.01 || r["hose"] != 1.0 || r["mixing"] != nil {
		t.Errorf("resistance %v", r)
	}
	a := m["losses"].(map[string]any)
	fall := a["fall"].(map[string]any)
	if fall["pa"] != 68948.0 || fall["share"] != 0.15 || math.Abs(fall["money_h"].(float64)-38.18) > 1e-9 || a["currency"] != "USD" || a["sag_at"] != "supply" {
		t.Errorf("fall %v of %v", fall, a)
	}
	if short := a["short"].(map[string]any); short["pa"] != -13790.0 || short["share"] != 0.0 || short["money_h"] != 0.0 {
		t.Errorf("short %v: more than the target is worth nothing", short)
	}
	sep := a["separator"].(map[string]any)
	if sep["from"] != "supply" || sep["flow_pa"] != -6895.0 || sep["resistance_pa"] != 48263.0 || sep["mix_pa"] != 0.0 || a["valve"] != nil {
		t.Errorf("separator %v", sep)
	}
	if s.NozzlePa == nil || *s.NozzlePa != 640000 || s.Production == nil || math.Abs(*s.Production-(1-0.015*(689475.73-640000)/6894.757)) > 1e-4 {
		t.Errorf("computed nozzle %v, production %v", s.NozzlePa, s.Production)
	}
	if w := m["wear"].(map[string]any)["separator"].(map[string]any); w["t_50"] == nil || w["t_90"] != nil || w["due"] != true {
		t.Errorf("wear %v", w)
	}
	if b := m["baseline"].(map[string]any); b["how"] != "learned" || b["provisional"] != true {
		t.Errorf("baseline %v", b)
	}
	if c := m["condensate"].(map[string]any); c["water_kg"] != 3.39 || c["due"] != true {
		t.Errorf("condensate %v", c)
	}
	if got := strings.Join(s.Findings, " "); got != "separator-restricted flooding abrasive-stopped drain-due" {
		t.Errorf("findings %q", got)
	}
}

// At rest nothing is said of the last blast; and what is not known is absent.
func TestAbsent(t *testing.T) {
	m, s := text(t, whole(), false)
	for _, name := range []string{"air_kg_s", "flow_kg_s", "loading", "losses"} {
		if m[name] != nil {
			t.Errorf("at rest: %s %v", name, m[name])
		}
	}
	if s.NozzlePa != nil || s.Production != nil || m["level_kg"] != 121.0 || strings.Join(s.Findings, " ") != "separator-restricted drain-due" {
		t.Errorf("at rest: %v", m)
	}
	old := whole()
	old.Losses.At = at.Add(-5 * time.Second)
	if m, _ := text(t, old, true); m["air_kg_s"] != nil || m["losses"] != nil {
		t.Errorf("a second that is over for long: %v", m)
	}
	measured := whole()
	measured.Losses.Measured = true
	if _, s := text(t, measured, true); s.NozzlePa != nil {
		t.Error("a measured nozzle is told as computed")
	}
	if m, _ := text(t, &engine.Output{}, true); len(m) != 0 {
		t.Errorf("of nothing: %v", m)
	}
}

// Filled again and again it takes no more room.
func TestFillAgain(t *testing.T) {
	s, o, p := new(figures.Sheet), whole(), pot()
	s.Fill(p, o, true, 0)
	supply, vessel := 111*si.PSI, 102*si.PSI
	shown := &live.Pressures{Supply: &supply, Separator: &supply, Vessel: &vessel, Hose: &vessel, Nozzle: &vessel}
	o.Losses.First = points.Supply
	o.Doubt = losses.Doubt{psi, psi, psi, psi}
	for i := range o.Losses.Parts {
		o.Losses.Parts[i] = losses.Part{Known: true, From: points.Point(i), Excess: psi, Split: true, Flow: psi}
	}
	s.Fill(p, o, true, 0)
	if s.Losses == nil || s.Losses.Fall.MoneyH == nil {
		t.Fatal("no losses")
	}
	if n := testing.AllocsPerRun(100, func() { s.Fill(p, o, true, 0) }); n > 8 {
		t.Errorf("%v allocations", n)
	}
	if n := testing.AllocsPerRun(100, func() { s.Fill(p, o, true, 0); s.Doubt(p, o, shown) }); n > 8 {
		t.Errorf("%v allocations with what it may be off", n)
	}
	s.Fill(p, o, true, 0)
	d := s.Doubt(p, o, shown)
	if s.Losses.Short.MoneyH == nil || s.Wear.Separator.TrendH == nil || d.Losses.Short.MoneyH == nil || d.Losses.Hose.ResistancePa == nil {
		t.Error("the numbers run out")
	}
}

// However much is found at once, all of it is told.
func TestAllFindings(t *testing.T) {
	o := whole()
	for p := range o.Wear {
		o.Wear[p] = wear.Index{Known: true, Value: 1.5, SD: 0.01, Finding: true}
	}
	o.Losses.Finding = finding.InletLeak
	_, s := text(t, o, true)
	if got, want := strings.Join(s.Findings, " "), "separator-restricted valve-restricted mixing-restricted hose-restricted exhaust-restricted nozzle-worn "+
		"inlet-leak flooding abrasive-stopped drain-due"; got != want {
		t.Errorf("findings %q, want %q", got, want)
	}
}
