package airflow_test

import (
	"math"
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
	"pgregory.net/rapid"
)

func anyValves(t *rapid.T, m float64) []airflow.Restriction {
	rs := make([]airflow.Restriction, rapid.IntRange(1, 4).Draw(t, "number"))
	for i := range rs {
		rs[i] = valve(rapid.Float64Range(0.5, 20).Draw(t, "C"), rapid.Float64Range(0.1, 0.6).Draw(t, "b"), m)
	}
	return rs
}

func anyIndex(t *rapid.T) float64 { return rapid.SampledFrom([]float64{0.4, 0.5, 0.6}).Draw(t, "m") }

// along is an exact solution that owes nothing to Chain: it seeks the pressure between the first valve and the rest at
// which both pass the same flow, from the laws of flow alone.
func along(t *rapid.T, up, down si.AbsPressure, row []airflow.Restriction) float64 {
	if len(row) == 1 {
		return float64(must(row[0].MassFlow(up, down, r20))(t))
	}
	lo, hi := down, up
	for range 50 {
		mid := (lo + hi) / 2
		if float64(must(row[0].MassFlow(up, mid, r20))(t)) > along(t, mid, down, row[1:]) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return float64(must(row[0].MassFlow(up, hi, r20))(t))
}

func TestChainIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		row := anyValves(t, anyIndex(t))
		if len(row) > 3 {
			row = row[:3] // along takes a fiftyfold more for each
		}
		ratio := si.AbsPressure(rapid.Float64Range(0.05, 0.99).Draw(t, "ratio"))
		got := float64(must(airflow.Chain(8*bar, 8*bar*ratio, r20, row...))(t))
		if want := along(t, 8*bar, 8*bar*ratio, row); math.Abs(got-want) > 1e-9*want {
			t.Errorf("%+v at %v: chain %v, exact %v", row, ratio, got, want)
		}
	})
}

// One restriction for a row: right at choked flow and near equal pressures, and within what the docs say between.
func TestSeriesAgainstTheChain(t *testing.T) {
	worst := 0.0
	rapid.Check(t, func(t *rapid.T) {
		row := anyValves(t, anyIndex(t))
		one := must(airflow.Series(row...))(t)
		for i := 1; i < 40; i++ {
			ratio := si.AbsPressure(i) / 40
			most := float64(must(airflow.Chain(8*bar, 1, r20, row...))(t))
			exact := float64(must(airflow.Chain(8*bar, 8*bar*ratio, r20, row...))(t))
			got := float64(must(one.MassFlow(8*bar, 8*bar*ratio, r20))(t))
			worst = max(worst, math.Abs(got-exact)/most)
			if math.Abs(got-exact) > 0.05*most {
				t.Errorf("%+v at %v: %v for %v, %.3g of the choked flow", row, ratio, got, exact, (got-exact)/most)
			}
		}
		// Both ends.
		for ratio, tol := range map[si.AbsPressure]float64{1e-6: 1e-9, 1 - 1e-6: 1e-5} {
			if ratio > 0.5 && one.B == 0 {
				continue // the rule would have had b below 0
			}
			exact := float64(must(airflow.Chain(8*bar, 8*bar*ratio, r20, row...))(t))
			if got := float64(must(one.MassFlow(8*bar, 8*bar*ratio, r20))(t)); math.Abs(got-exact) > tol*exact {
				t.Errorf("%+v at %v: %v for %v", row, ratio, got, exact)
			}
		}
		if least := min(row[0].C, row[len(row)-1].C); one.C > least*(1+1e-12) {
			t.Errorf("%+v: the row's C %v is above a member's", row, one.C)
		}
	})
	t.Logf("largest difference %.2g of the choked flow", worst)
}

func TestParallelAgainstTheSum(t *testing.T) {
	worst := 0.0
	rapid.Check(t, func(t *rapid.T) {
		paths := anyValves(t, anyIndex(t))
		one := must(airflow.Parallel(paths...))(t)
		sum := func(ratio si.AbsPressure) (s float64) {
			for _, r := range paths {
				s += float64(must(r.MassFlow(8*bar, 8*bar*ratio, r20))(t))
			}
			return s
		}
		most := sum(1e-6)
		for i := 1; i < 40; i++ {
			ratio := si.AbsPressure(i) / 40
			d := math.Abs(float64(must(one.MassFlow(8*bar, 8*bar*ratio, r20))(t))-sum(ratio)) / most
			worst = max(worst, d)
			if d > 0.06 {
				t.Errorf("%+v at %v: off by %.3g of the choked flow", paths, ratio, d)
			}
		}
		for ratio, tol := range map[si.AbsPressure]float64{1e-6: 1e-12, 1 - 1e-6: 1e-5} {
			if got := float64(must(one.MassFlow(8*bar, 8*bar*ratio, r20))(t)); math.Abs(got-sum(ratio)) > tol*sum(ratio) {
				t.Errorf("%+v at %v: %v for %v", paths, ratio, got, sum(ratio))
			}
		}
	})
	t.Logf("largest difference %.2g of the choked flow", worst)
}

// A single member stands for itself; equal ones side by side add up exactly; the closed form for two of m 0.5 in a row
// (Beater, Pneumatic Drives, 2007, from memory) gives the C that Series finds by its own way.
func TestCombinations(t *testing.T) {
	r := valve(3, 0.35, 0.5)
	for name, one := range map[string]airflow.Restriction{"series": must(airflow.Series(r))(t), "parallel": must(airflow.Parallel(r))(t)} {
		rel(t, name+" C", float64(one.C), float64(r.C), 1e-12)
		rel(t, name+" b", float64(one.B), float64(r.B), 1e-9)
	}
	three := must(airflow.Parallel(r, r, r))(t)
	rel(t, "C of three", float64(three.C), 9e-8, 1e-12)
	rel(t, "b of three", float64(three.B), 0.35, 1e-12)
	for _, v := range [][3]float64{{2, 2, 0.3}, {5, 2, 0.5}, {2, 5, 0.2}, {10, 1, 0.4}} {
		a := v[0] / (v[1] * v[2])
		k := (1 - v[2]) / v[2]
		want := v[0]
		if a > 1 {
			want = v[1] * a * (a*v[2] + (1-v[2])*math.Sqrt(a*a+k*k-1)) / (a*a + k*k)
		}
		got := must(airflow.Series(valve(v[0], v[2], 0.5), valve(v[1], 0.25, 0.5)))(t)
		rel(t, at("C of %v", v), float64(got.C/dm3), want, 1e-9)
	}
}
