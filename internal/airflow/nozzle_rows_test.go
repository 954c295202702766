package airflow_test

import (
	"math"
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
)

// NACA Report 1135 (1953), tables I and II, gamma 1.4, four decimals: M, p/p0, rho/rho0, T/T0, A/A*. Rows as two
// gas-dynamics textbooks reproduce them; those above Mach 1.04 and the ratios at 0.2 and 0.3 from memory.
var naca1135 = [][5]float64{
	{0.05, 0.9983, 0.9988, 0.9995, 11.5914}, {0.10, 0.9930, 0.9950, 0.9980, 5.8218}, {0.15, 0.9844, 0.9888, 0.9955, 3.9103},
	{0.20, 0.9725, 0.9803, 0.9921, 2.9635}, {0.30, 0.9395, 0.9564, 0.9823, 2.0350}, {0.50, 0.8430, 0.8852, 0.9524, 1.3398},
	{0.60, 0.7840, 0.8405, 0.9328, 1.1882}, {0.64, 0.7591, 0.8213, 0.9243, 1.1452}, {0.82, 0.6430, 0.7295, 0.8815, 1.0305},
	{0.90, 0.5913, 0.6870, 0.8606, 1.0089}, {0.95, 0.5595, 0.6604, 0.8471, 1.0021}, {1.00, 0.5283, 0.6339, 0.8333, 1.0000},
	{1.02, 0.5160, 0.6234, 0.8278, 1.0003}, {1.04, 0.5039, 0.6129, 0.8222, 1.0013}, {1.50, 0.2724, 0.3950, 0.6897, 1.1762},
	{2.00, 0.1278, 0.2300, 0.5556, 1.6875}, {2.50, 0.0585, 0.1317, 0.4444, 2.6367}, {3.00, 0.0272, 0.0762, 0.3571, 4.2346},
}

func isentropicRows(t *testing.T) (out []row) {
	const tol = 5.1e-5 // half of the last digit
	for _, r := range naca1135 {
		got := must(airflow.Isentropic(r[0]))(t)
		out = append(out, row{at("p/p0 at M %.2f", r[0]), float64(got.Pressure), r[1], tol},
			row{at("rho/rho0 at M %.2f", r[0]), float64(got.Density), r[2], tol},
			row{at("T/T0 at M %.2f", r[0]), float64(got.Temperature), r[3], tol})
	}
	return append(out, row{"critical ratio", airflow.CriticalRatio, 0.5283, tol}) // the row of M 1
}

func isentropicAreaRows(t *testing.T) (out []row) {
	for _, r := range naca1135 {
		// At 0.30 and 0.64 the last digit is printed one unit off: exact 2.03507 and 1.14515.
		out = append(out, row{at("A/A* at M %.2f", r[0]), float64(must(airflow.Isentropic(r[0]))(t).Area), r[4], 1e-4})
	}
	return out
}

func chokedRows(t *testing.T) []row {
	n := airflow.Nozzle{Area: 1, Coefficient: 1}
	k := float64(must(n.MassFlow(1e5, 1e4, 300))(t)) * math.Sqrt(300) / 1e5
	hole := airflow.Nozzle{Area: si.CircleArea(0.004), Coefficient: 1}
	inch := k / si.Pound * si.PSI * si.Inch * si.Inch * math.Sqrt(9.0/5) // lb/s with psia, in2 and deg R
	return []row{
		// mdot sqrt(T0)/(p0 A): 0.040418 is for R 287.0, from memory; 0.0404 an open pneumatics course text.
		{"mdot sqrt(T0)/(p0 A)", k, 0.040418, 1e-4},
		{"the same, three figures", k, 0.0404, 1.3e-3},
		// The same over sqrt(R): White, Fluid Mechanics, 8th ed., problem 3.27.
		{"alpha", k * math.Sqrt(airflow.GasConstant), 0.685, 1e-3},
		// Moss, American Machinist, 1906, by the notes of the orifice table; it is 0.27 % low.
		{"Moss's constant", inch, 0.5303, 0.003},
		// Fliegner's, of textbooks, from memory.
		{"Fliegner's constant", inch, 0.532, 1e-3},
		// Cengel and Cimbala, Fluid Mechanics, 4th ed., example 12-5: 4 mm hole, tyre at 220 kPa gauge, ambient
		// 94 kPa, 25 C; the answer from memory.
		{"leaking tyre, kg/min", 60 * float64(must(hole.MassFlow(314e3, 94e3, 298))(t)), 0.554, 0.005},
	}
}

// The printed digits are good to 0.5 %, and the choked half rests on Moss's constant, 0.27 % low: 1 % in all. The two
// smallest bores are printed to two and three digits.
func orificeRows(t *testing.T, from, to int, tol float64) (out []row) {
	bores := []float64{1.0 / 64, 1.0 / 32, 1.0 / 16, 1.0 / 8, 1.0 / 4, 3.0 / 8, 1.0 / 2, 5.0 / 8, 3.0 / 4, 7.0 / 8, 1}
	for _, f := range table(t, "orifice.txt", 25, 1+len(bores)) {
		for i := from; i < to; i++ {
			m := must(bore(bores[i]).MassFlow(psig(f[0]), psig(0), f70))(t)
			out = append(out, row{at("%g in at %g psig", bores[i], f[0]), free(m, f70), f[1+i], tol})
		}
	}
	return out
}

// Leak table of a public page that attributes its estimates to the practice of the US Department of Energy, cfm. The
// cells imply coefficients of 0.584 to 0.595; a sharp edge has no constant one, and sources span 0.59 to 0.65.
func leakRows(t *testing.T) (out []row) {
	for _, r := range []struct{ in, psig, cfm float64 }{
		{1.0 / 16, 80, 3.2}, {1.0 / 16, 90, 3.5}, {1.0 / 16, 100, 3.8}, {1.0 / 8, 80, 12.7}, {1.0 / 8, 90, 14.1}, {1.0 / 8, 100, 15.4},
		{1.0 / 4, 80, 51}, {1.0 / 4, 90, 56}, {1.0 / 4, 100, 62},
	} {
		n := bore(r.in)
		n.Coefficient = airflow.Leak
		out = append(out, row{at("%g in at %g psig", r.in, r.psig), free(must(n.MassFlow(psig(r.psig), psig(0), f70))(t), f70), r.cfm, 0.1})
	}
	// The department's own table "before coefficient", from memory: 0.968 of theory, so a rounded entrance is in it.
	for _, r := range []struct{ in, cfm float64 }{{1.0 / 64, 0.40}, {1.0 / 32, 1.55}, {1.0 / 16, 6.31}, {1.0 / 8, 25.22}, {1.0 / 4, 100.9}, {3.0 / 8, 227}} {
		n := bore(r.in)
		n.Coefficient = airflow.RoundedEntrance
		out = append(out, row{at("%g in, rounded", r.in), free(must(n.MassFlow(psig(100), psig(0), f70))(t), f70), r.cfm, 0.03})
	}
	return out
}

const (
	tableLoading = 1.32 // mean of the 42 cells of numbers 3 to 8
	tableSlowing = 0.812
)

// consumptionRows holds the laden nozzle against each printed cell, at the one loading that the table has. What is
// left is the table's own scatter: its small and its large nozzles differ by 6 %, and its suspect cells by 3 %.
func consumptionRows(t *testing.T) (air, grit []row) {
	for _, f := range table(t, "consumption.txt", 49, 4) {
		tol := 0.065
		if f[0] == 2 { // whole numbers of cfm, 11 to 25, and not in the fit
			tol = 0.09
		}
		m := must(bore(f[0]/16).LadenFlow(psig(f[1]), psig(0), f68, airflow.HandbookSlowing, tableLoading))(t)
		air = append(air, row{at("number %g at %g psig", f[0], f[1]), free(m, f68), f[2], tol})
		grit = append(grit, row{at("number %g at %g psig", f[0], f[1]), float64(m) * tableLoading / si.Pound * 3600, f[3], 0.09})
	}
	return air, grit
}

// The table fixes one ratio, not a law: every cell is within 0.05 of the law at the table's loading, and the mean on it.
func TestSlowingFitsTheTable(t *testing.T) {
	phi := float64(must(airflow.Slowing(airflow.HandbookSlowing, tableLoading))(t))
	abs(t, "law at the mean loading", phi, tableSlowing, 0.02)
	var sum, loadings, cells float64
	ratios, mus := []float64{}, []float64{}
	for _, f := range table(t, "consumption.txt", 49, 4) {
		if f[0] == 2 {
			continue
		}
		printed := ofFree(f[2], f68)
		ratio := float64(printed / must(bore(f[0]/16).MassFlow(psig(f[1]), psig(0), f68))(t))
		mu := f[3] * si.Pound / 3600 / float64(printed)
		abs(t, at("ratio of number %g at %g psig", f[0], f[1]), phi, ratio, 0.05)
		ratios, mus = append(ratios, ratio), append(mus, mu)
		sum, loadings, cells = sum+ratio, loadings+mu, cells+1
	}
	abs(t, "mean ratio", sum/cells, tableSlowing, 5e-4)
	abs(t, "mean loading", loadings/cells, tableLoading, 5e-3)
	// The least-squares k of the 42 cells is 0.391, by another program; here by search.
	best, least := 0.0, math.Inf(1)
	for k := 0.2; k < 0.6; k += 1e-3 {
		s := 0.0
		for i := range ratios {
			d := float64(must(airflow.Slowing(k, si.Ratio(mus[i])))(t)) - ratios[i]
			s += d * d
		}
		if s < least {
			best, least = k, s
		}
	}
	abs(t, "fitted k", best, 0.391, 1.1e-3)
	abs(t, "RMS residual", math.Sqrt(least/cells), 0.0251, 1e-4)
	abs(t, "constant in use", airflow.HandbookSlowing, best, 5e-3)
}

// Ratios to air alone run from 0.76 to 0.89, cells of a few whole cfm among them: the law has 0.81.
func guidebookRows(t *testing.T) (out []row) {
	for _, f := range table(t, "guidebook.txt", 8, 6) {
		for i, in := range []float64{1.0 / 8, 3.0 / 16, 1.0 / 4, 5.0 / 16, 3.0 / 8} {
			m := must(bore(in).LadenFlow(psig(f[0]), psig(0), f68, airflow.HandbookSlowing, tableLoading))(t)
			out = append(out, row{at("%g in at %g psig", in, f[0]), free(m, f68), f[1+i], 0.1})
		}
	}
	// A suction head with a jet of 5/32 inch, listed elsewhere at 42 cfm at 100 psig, common practice: air alone.
	return append(out, row{"5/32 in jet", free(must(bore(5.0/32).MassFlow(psig(100), psig(0), f68))(t), f68), 42, 0.04})
}

// How much more air the next bore takes: computed from areas for 1/16 and 1/32 inch of wear of nozzles 3 to 8, and the
// steps of the trade table at 100 psig (those from 4 to 5 cross from its small to its large series) as flows.
func wearRows(t *testing.T) (out []row) {
	flow := func(in float64) float64 { return float64(must(bore(in).MassFlow(psig(100), psig(0), f68))(t)) }
	for i, percent := range []float64{77.8, 56.2, 44.0, 36.1, 30.6, 26.6} {
		in := float64(3+i) / 16
		out = append(out, row{at("number %d worn by 1/16 in", 3+i), flow(in+1.0/16) / flow(in), 1 + percent/100, 1e-3})
	}
	for i, percent := range []float64{36.1, 26.6, 21.0, 17.4, 14.8, 12.9} {
		in := float64(3+i) / 16
		out = append(out, row{at("number %d worn by 1/32 in", 3+i), flow(in+1.0/32) / flow(in), 1 + percent/100, 1e-3})
	}
	for i, percent := range []float64{80, 69, 43, 30, 33} {
		in := float64(3+i) / 16
		out = append(out, row{at("number %d to %d", 3+i, 4+i), flow(in+1.0/16) / flow(in), 1 + percent/100, 0.08})
	}
	return out
}

// Weisbach's ranges, Encyclopaedia Britannica, 11th ed., Hydraulics, section 63, and NAVFAC MO-206, table B-1.
func TestCoefficients(t *testing.T) {
	for _, c := range []struct {
		what   string
		got    si.Ratio
		lo, hi si.Ratio
	}{
		{"rounded", airflow.RoundedEntrance, 0.97, 0.99}, {"sharp", airflow.SharpEdge, 0.56, 0.79}, {"leak", airflow.Leak, 0.56, 0.79},
		{"leak of the manual, 5 %", airflow.Leak, 0.64 * 0.95, 0.64 * 1.05},
	} {
		if !(c.got >= c.lo && c.got <= c.hi) {
			t.Errorf("%s: %v is not from %v to %v", c.what, c.got, c.lo, c.hi)
		}
	}
}
