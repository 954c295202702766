package potyaml_test

import (
	"math"
	"reflect"
	"strings"
	"testing"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/potyaml"
	"gritwatch/sim-sensor/internal/scenario"

	"pgregory.net/rapid"
)

// back is the pot as it reads back.
func back(t interface{ Fatalf(string, ...any) }, p potfile.Pot) potfile.Pot {
	text := potyaml.Append([]byte("# a pot\n"), p, "", "")
	got, err := potfile.ParsePot("pot.yaml", text)
	if err != nil {
		t.Fatalf("%v\nin\n%s", err, text)
	}
	return got
}

// The reference of potfile has every key.
func TestReference(t *testing.T) {
	want, err := potfile.ParsePot("reference.yaml", []byte(potfile.Reference))
	if err != nil {
		t.Fatal(err)
	}
	if got := back(t, want); !reflect.DeepEqual(got, want) {
		t.Errorf("read back as\n%+v, want\n%+v", got, want)
	}
	text := string(potyaml.Append(nil, want, "", ""))
	for _, w := range []string{"volume: 6.5 ft3, rated: 150 psi}", "{bore: 1.25 in, length: 50 ft}", "bore: 0.4375 in, target: 100 psi", "range: 0..200 psi, kind: sealed, zero_error: 0.25 psi, span_error: 0.2 %",
		"barometer: 1013 mbar", "on: 20 psi, off: 10 psi", `commissioned: {vent: 8 s, by: "yard foreman", at: 2026-05-04}`,
		`air_only: {supply: 112.1 psi, separator: 109.8 psi, vessel: 107.5 psi, hose: 105.6 psi, nozzle: 103.2 psi, by: "yard foreman", at: 2026-05-04}`,
		"costs: {labour: 57 USD/h, equipment: 45 USD/h, abrasive: 51 USD/t, disposal: 172 USD/t, abrasive_use: 650 kg/h}",
		"air: {intake: 25 C, humidity: 60 %, separator: 30 C, aftercooler: 38 C, drain_at: 1 L}"} {
		if !strings.Contains(text, w) {
			t.Errorf("no %s in\n%s", w, text)
		}
	}
}

// Every pot of every scenario built in reads back as the same pot, alone and in a list, and the answer's digest agrees.
func TestBuiltins(t *testing.T) {
	for _, name := range scenario.Names() {
		s, err := scenario.Builtin(name)
		if err != nil {
			t.Fatal(err)
		}
		text := []byte("pots:\n")
		for i := range s.Pots {
			want := s.Pots[i].Pot
			got := back(t, want)
			if d := float64(got.Atmosphere.Pressure() - want.Atmosphere.Pressure()); math.Abs(d) > 0.01 || got.Atmosphere.Given() != want.Atmosphere.Given() {
				t.Errorf("%s: atmosphere off by %g Pa", name, d)
			}
			if got.Vent().Digest() != want.Vent().Digest() {
				t.Errorf("%s %s: another digest", name, want.Name)
			}
			got.Atmosphere = want.Atmosphere
			if !reflect.DeepEqual(got, want) {
				t.Errorf("%s: read back as\n%+v, want\n%+v", name, got, want)
			}
			text = potyaml.Append(text, want, "  - ", "    ", "fill: 1 %")
		}
		if !strings.Contains(string(text), "\n    fill: 1 %\n    ") {
			t.Errorf("%s: the extra line is not there:\n%s", name, text)
		}
	}
}

// Any figure reads back exactly.
func TestFigures(t *testing.T) {
	base, err := potfile.ParsePot("reference.yaml", []byte(potfile.Reference))
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		p := base
		p.Vessel.Volume = si.Volume(rapid.Float64Range(0.002, 10).Draw(t, "volume"))
		p.Vessel.Rated = si.GaugePressure(rapid.Float64Range(7e5, 1.2e6).Draw(t, "rated"))
		p.Hose.Length = si.Length(rapid.Float64Range(1, 100).Draw(t, "length"))
		p.Nozzle.Bore = si.Length(rapid.Float64Range(0.002, 0.02).Draw(t, "bore"))
		p.Abrasive.Bulk = si.Density(rapid.Float64Range(200, 3000).Draw(t, "bulk"))
		p.Costs.Labour = rapid.Float64Range(0.01, 500).Draw(t, "labour")
		p.Costs.Abrasive = rapid.Float64Range(0.001, 5).Draw(t, "abrasive")
		p.Costs.AbrasiveBy = si.MassFlow(float64(rapid.IntRange(1, 9999).Draw(t, "abrasive use, tenths of kg/h")) / 10 / 3600)
		p.Intake.Temperature = si.Temperature(rapid.Float64Range(240, 350).Draw(t, "intake"))
		if got := back(t, p); !reflect.DeepEqual(got, p) {
			t.Fatalf("read back as\n%+v, want\n%+v", got, p)
		}
	})
}
