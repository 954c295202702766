package airflow_test

import (
	"fmt"
	"math"
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
	"pgregory.net/rapid"
)

// A stream that expands isentropically to p2 < p1 fills the throat: its mass flow must agree with the table's A/A*.
func TestNozzleAgreesWithIsentropicTable(t *testing.T) {
	n := bore(0.25)
	choked := must(n.MassFlow(8*bar, bar, r20))(t)
	for _, mach := range []float64{0.05, 0.1, 0.3, 0.5, 0.64, 0.82, 0.95, 1} {
		r := must(airflow.Isentropic(mach))(t)
		m := must(n.MassFlow(8*bar, 8*bar*si.AbsPressure(r.Pressure), r20))(t)
		rel(t, fmt.Sprintf("share at M %.2f", mach), float64(m/choked), 1/float64(r.Area), 1e-9)
	}
}

func TestFlowProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyPath(t)
		up := si.AbsPressure(rapid.Float64Range(0.7e5, 15e5).Draw(t, "up"))
		temp := si.Temperature(rapid.Float64Range(250, 350).Draw(t, "temperature"))
		flow := func(up, down si.AbsPressure, temp si.Temperature) float64 {
			m, err := p.MassFlow(up, down, temp)
			if err != nil || !(m >= 0) || math.IsInf(float64(m), 0) {
				t.Fatalf("flow %v, %v", m, err)
			}
			return float64(m)
		}
		x := rapid.Float64Range(0.001, 1.2).Draw(t, "ratio")
		y := rapid.Float64Range(x, 1.2).Draw(t, "higher ratio")
		fx, fy, most := flow(up, up*si.AbsPressure(x), temp), flow(up, up*si.AbsPressure(y), temp), flow(up, up*1e-3, temp)
		if fy > fx*(1+1e-12) {
			t.Errorf("flow rises from %v to %v as the ratio rises from %v to %v", fx, fy, x, y)
		}
		if y >= 1 && fy != 0 {
			t.Errorf("flow %v against the pressure", fy)
		}
		if fx > most {
			t.Errorf("flow %v over the choked %v", fx, most)
		}
		// Proportional to pressure, falls with the root of temperature, and has no step.
		if d := flow(2*up, 2*up*si.AbsPressure(x), temp); math.Abs(d-2*fx) > 1e-9*most {
			t.Errorf("twice the pressure gives %v, not twice %v", d, fx)
		}
		if d := flow(up, up*si.AbsPressure(x), 4*temp); math.Abs(2*d-fx) > 1e-9*most {
			t.Errorf("four times the temperature gives %v, not half of %v", d, fx)
		}
		const step = 1e-9
		if d := flow(up, up*si.AbsPressure(x+step), temp); math.Abs(d-fx) > 1e-3*most {
			t.Errorf("a step of %v at %v", d-fx, x)
		}
	})
}

func TestContinuousAtTheCriticalRatio(t *testing.T) {
	n := bore(0.25)
	a := must(n.MassFlow(bar, bar*airflow.CriticalRatio*(1-1e-9), r20))(t)
	b := must(n.MassFlow(bar, bar*airflow.CriticalRatio*(1+1e-9), r20))(t)
	rel(t, "both sides", float64(b), float64(a), 1e-9)
	for _, r := range []si.AbsPressure{0.1, 0.5, 0.505, 0.52, 0.528} {
		rel(t, "choked", float64(must(n.MassFlow(bar, bar*r, r20))(t)), float64(a), 1e-15)
	}
	// By NACA 1135, A/A* at M 0.98 (p/p0 0.5407) is 1.0003; from memory.
	rel(t, "just unchoked", float64(must(n.MassFlow(bar, bar*0.5407, r20))(t)), float64(a)/1.0003, 1e-4)
}
