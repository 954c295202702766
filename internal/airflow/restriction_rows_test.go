package airflow_test

import (
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
)

func valve(c, b, m float64) airflow.Restriction {
	return airflow.Restriction{C: airflow.Conductance(c) * dm3, B: si.Ratio(b), M: m}
}

// Worked numbers of an open pneumatics course text that cites ISO 6358-1:2013, L/min at the reference state of
// ISO 8778, bar absolute, 20 C unless given. The rows with m other than 0.5 are computed from the standard's equation.
func restrictionRows(t *testing.T) (out []row) {
	for _, r := range []struct {
		c, b, m  float64
		up, down float64 // bar
		want     float64 // L/min
		tol      float64
	}{
		{2, 0.3, 0.5, 7.013, 1.013, 842, 0.002},
		{2, 0.3, 0.5, 7.013, 5.013, 678, 0.002},
		{2, 0.3, 0.5, 7.013, 6.013, 509, 0.002},
		{2, 0.3, 0.5, 7.0, 6.8, 238, 0.005},
		{1.5, 0.3, 0.5, 6.013, 1.013, 541, 0.002},
		{3, 0.3, 0.5, 6.013, 1.013, 1082, 0.002},
		{2, 0.3, 0.48, 7.013, 5.013, 683.77, 1e-4},
		{2, 0.3, 0.55, 7.013, 5.013, 663.37, 1e-4},
		{2, 0.3, 0.60, 7.013, 5.013, 649.18, 1e-4},
	} {
		m := must(valve(r.c, r.b, r.m).MassFlow(si.AbsPressure(r.up)*bar, si.AbsPressure(r.down)*bar, r20))(t)
		out = append(out, row{at("%g to %g bar, C %g, m %g", r.up, r.down, r.c, r.m), float64(m) / lmin, r.want, r.tol})
	}
	p2 := must(valve(3, 0.35, 0.5).Downstream(7.013*bar, 600*lmin, r20))(t)
	out = append(out, row{"p2 of 600 L/min", float64(p2 / bar), 6.47, 0.0016})

	r := valve(1, 0.3, 0.5)
	choked := must(r.MassFlow(5*bar, bar, r20))(t)
	for _, s := range [][2]float64{{0.2, 100}, {0.3, 100}, {0.5, 96}, {0.7, 82}, {0.85, 62}, {0.95, 37}} { // whole percents
		m := must(r.MassFlow(5*bar, si.AbsPressure(s[0])*5*bar, r20))(t)
		out = append(out, row{at("percent at ratio %g", s[0]), 100 * float64(m/choked), s[1], 0.5 / s[1]})
	}
	out = append(out, row{"choked at 60 C", float64(must(r.MassFlow(5*bar, bar, 333.15))(t) / choked), 0.94, 0.005},
		row{"choked at 80 C", float64(must(r.MassFlow(5*bar, bar, 353.15))(t) / choked), 0.91, 0.005})

	fit := must(airflow.Fit(airflow.Measurement{Up: 7.013 * bar, Down: 1.013 * bar, Temperature: r20, Flow: 600 * lmin},
		airflow.Measurement{Up: 7.013 * bar, Down: 6.013 * bar, Temperature: r20, Flow: 360 * lmin}, airflow.UsualIndex))(t)
	out = append(out, row{"C of two measurements", float64(fit.C / dm3), 1.43, 0.005}, row{"b of two measurements", float64(fit.B), 0.29, 0.015})

	// An ideal nozzle of 5 mm2 has about 1 dm3/(s bar), by the same text; the bores are computed from both laws.
	one := must(airflow.Nozzle{Area: 1e-6, Coefficient: 1}.Conductance())(t)
	out = append(out, row{"mm2 of 1 dm3/(s bar)", float64(dm3 / one), 5, 0.01})
	for _, s := range [][2]float64{{1.0 / 8, 1.577}, {3.0 / 16, 3.548}, {1.0 / 4, 6.308}, {5.0 / 16, 9.857}, {3.0 / 8, 14.194}, {1.0 / 2, 25.233}} {
		out = append(out, row{at("C of %g in", s[0]), float64(must(bore(s[0]).Conductance())(t) / dm3), s[1], 1e-3})
	}
	return out
}

// Rough rules of the same text between valve data and flow. They take b 0.3 and C = 4 Cv, which is 9 to 19 % above
// what the equation of IEC 60534-2-1 gives for the same Cv, so they deserve 20 % where they rest on it.
func valveRows(t *testing.T) []row {
	const perCv, kvPerCv = 4, 0.865
	normal := float64(must(valve(1, 0.3, 0.5).MassFlow(7.013*bar, 6.013*bar, r20))(t)) / lmin // 6 to 5 bar gauge
	kv := valve(perCv/kvPerCv*0.4325, 0.3, 0.5)
	return []row{
		{"L/min of C 1, 6 to 5 bar gauge", normal, 250, 0.03},
		{"L/min of Cv 1, 6 to 5 bar gauge", perCv * normal, 1000, 0.2},
		{"L/min of Kv 0.43, 6 to 5 bar gauge", float64(must(kv.MassFlow(7.013*bar, 6.013*bar, r20))(t)) / lmin, 514, 0.2},
	}
}

// Two equal C of 2 in series by the rule 1/C^2 = sum 1/C_i^2 make 1.41, in the same text. The rule is exact for b 0;
// at the usual b of 0.3 the row passes 7 % more, which the solution of both laws by another hand (the closed form for
// two members of m 0.5, Beater, Pneumatic Drives, 2007, from memory) has as well.
func seriesRows(t *testing.T) []row {
	c := func(b float64) float64 {
		return float64(must(airflow.Series(valve(2, b, 0.5), valve(2, b, 0.5)))(t).C / dm3)
	}
	return []row{{"two of C 2, b 0", c(0), 1.41, 0.005}, {"two of C 2, b 0.3", c(0.3), 1.41, 0.08}}
}
