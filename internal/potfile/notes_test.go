package potfile_test

import (
	"strings"
	"testing"

	"gritwatch/internal/potfile"
)

func TestNotes(t *testing.T) {
	const commissioned = "commissioned: {vent: 8 s, by: yard foreman, at: 2026-05-04}\n"
	gauge := func(facts string) string {
		return strings.Replace(good, "vessel,", "{vessel: {"+facts+"}},", 1) + commissioned
	}
	never := "VENTED will never be said"
	for _, tt := range []struct {
		name, text string
		want       []string // parts that must stand in the notes
		not        []string // and must not
	}{
		{"well fitted", gauge("range: 0..200 psi, zero_error: 0.25 psi"), // 0.25 psi is 1.7 kPa
			[]string{"alder: the vessel gauge is uncertain by U = 1.7 kPa; VENTED needs its mean under 5.3 kPa", "vents in 8s, recorded by yard foreman on 2026-05-04"},
			[]string{never, "not declared", "not recorded", "unusual", "control"}},
		{"undeclared", good,
			[]string{"U = 3.4 kPa; VENTED needs its mean under 3.6 kPa", "zero_error is not declared", "range is not declared", "30 s is taken"}, []string{never}},
		{"coarse", gauge("zero_error: 5.1 kPa"), []string{"U = 5.1 kPa, which is over 5 kPa: " + never}, nil},
		{"at the limit", gauge("zero_error: 5 kPa"), []string{"U = 5.0 kPa; VENTED needs its mean under 2.0 kPa"}, []string{never}},
		{"sealed by altitude", gauge("kind: sealed") + "atmosphere: {altitude: 12 m}\n",
			[]string{"U = 6.4 kPa, which is over 5 kPa: " + never, "a barometer adds 0.3"}, nil},
		{"sealed by barometer", gauge("kind: sealed") + "atmosphere: {barometer: 1013 mbar}\n",
			[]string{"U = 3.7 kPa; VENTED needs its mean under 3.3 kPa"}, []string{never, "altitude"}},
		{"recorded zero", gauge("zero: {offset: 0.2 psi, by: yard foreman, at: 2026-05-04}"),
			[]string{"U = 1.0 kPa", "vessel reads with a zero of 1.38 kPa, recorded by yard foreman on 2026-05-04"}, []string{"is large", "zero_error is not"}},
		{"large zero", gauge("zero: {offset: -0.6 psi, by: yard foreman, at: 2026-05-04}"), []string{"the recorded zero of vessel is large"}, nil},
		{"vessel alone", strings.Replace(good, "[supply, vessel, hose, control]", "[supply, vessel]", 1),
			[]string{"no second gauge can contradict the vessel's: " + never, "a vent that never starts cannot be timed"}, nil},
		{"no baseline", good, []string{"no baseline is written down", "the nozzle's pressure is computed from the hose as configured, never measured"}, []string{"condensate", "costs"}},
		{"a baseline", good + "baselines: {blasting: {supply: 110 psi, vessel: 108 psi, by: yard foreman, at: 2026-05-04}}\n",
			[]string{"losses are told against pressures written down by yard foreman on 2026-05-04"}, []string{"no baseline"}},
		{"no hose point", strings.Replace(good, "hose, control]", "control]", 1), []string{"it has neither hose nor nozzle point"}, nil},
		{"costs", good + "costs: {labour: 57 USD/h, abrasive: 51 USD/t}\n",
			[]string{"an hour of blasting costs 57.00 USD and the abrasive that the pot uses; each psi lost at the nozzle 1.5 % of it"}, nil},
		{"air", good + "air: {intake: 25 C, humidity: 60 %, separator: 28 C}\n", []string{"condensate is an estimate"}, nil},
		{"hose alone", strings.Replace(good, ", control]", "]", 1), []string{"a vent that never starts cannot be timed"}, []string{never}},
		{"holds pressure", strings.Replace(good, "150 psi", "150 psi, holds_pressure: true", 1),
			[]string{"no vent is due at a release"}, []string{never}},
		{"holds pressure without hose", strings.Replace(strings.Replace(good, "150 psi", "150 psi, holds_pressure: true", 1), "hose, control]", "control]", 1),
			[]string{"the only second witness of such a pot: " + never}, nil},
		{"unusual rating", strings.Replace(good, "150 psi", "15 bar", 1), []string{"a rating of 15.0 bar is unusual"}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			notes := potfile.Notes(parse(t, tt.text))
			all := strings.Join(notes, "\n")
			for _, w := range tt.want {
				if !strings.Contains(all, w) {
					t.Errorf("no %q in\n%s", w, all)
				}
			}
			for _, n := range tt.not {
				if strings.Contains(all, n) {
					t.Errorf("%q in\n%s", n, all)
				}
			}
			for _, n := range notes {
				if !strings.HasPrefix(n, "alder: ") || strings.Contains(n, "\n") {
					t.Errorf("note %q is not one line about alder", n)
				}
			}
		})
	}
}
