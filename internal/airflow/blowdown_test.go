package airflow_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
	"pgregory.net/rapid"
)

type path interface {
	MassFlow(up, down si.AbsPressure, t si.Temperature) (si.MassFlow, error)
	Isothermal(airflow.Blowdown) (time.Duration, error)
	Adiabatic(airflow.Blowdown) (time.Duration, error)
}

func TestBlowdownRows(t *testing.T) {
	type row struct {
		what     string
		path     path
		b        airflow.Blowdown
		iso, adi float64 // s; 0: not published
		tol      float64
	}
	unchoke := func(amb si.AbsPressure) si.AbsPressure { return amb / airflow.CriticalRatio }
	iso := func(c float64) airflow.Restriction {
		return airflow.Restriction{C: airflow.Conductance(c) * dm3, B: 0.3, M: 0.5}
	}
	litre := si.Volume(1e-3)
	tank := airflow.Nozzle{Area: 0.75e-4, Coefficient: 1}
	hole := airflow.Nozzle{Area: si.CircleArea(0.006), Coefficient: 1}
	pot := func(to float64) airflow.Blowdown {
		return airflow.Blowdown{Volume: 0.2, From: 8.01325 * bar, To: si.AbsPressure(to) * bar, Ambient: 1.01325 * bar, Temperature: r20}
	}
	for _, tt := range []row{
		// Balmer, Modern Engineering Thermodynamics (2011), example 16.8: tyre, isothermal, until it unchokes.
		{"tyre", bore(0.0938), airflow.Blowdown{Volume: 0.028316846592, From: 50 * psia, To: unchoke(14.7 * psia), Ambient: 14.7 * psia, Temperature: f70}, 18.7, 0, 0.005},
		// Problem of the type of White, Fluid Mechanics, chapter 9; figures computed from NACA 1135.
		{"tank to 500 kPa", tank, airflow.Blowdown{Volume: 1.5, From: 800e3, To: 500e3, Ambient: 101.35e3, Temperature: 293}, 47.34, 34.97, 1e-3},
		{"tank to unchoking", tank, airflow.Blowdown{Volume: 1.5, From: 800e3, To: unchoke(101.35e3), Ambient: 101.35e3, Temperature: 293}, 143.81, 113.95, 1e-3},
		// An open pneumatics course text on ISO 6358; it takes rho0 R T0 for 1 bar, which is 0.28 % more.
		{"98 % of a litre", iso(1), airflow.Blowdown{Volume: litre, From: 7.013 * bar, To: (1.013 + 0.02*6) * bar, Ambient: 1.013 * bar, Temperature: r20}, 1.98, 1.63, 0.01},
		{"choked part of it", iso(1), airflow.Blowdown{Volume: litre, From: 7.013 * bar, To: 1.013 * bar / 0.3, Ambient: 1.013 * bar, Temperature: r20}, 0.7309, 0, 0.01},
		{"tail of it", iso(1), airflow.Blowdown{Volume: litre, From: 1.013 * bar / 0.3, To: (1.013 + 0.02*6) * bar, Ambient: 1.013 * bar, Temperature: r20}, 1.2453, 0, 0.01},
		{"50 litres", iso(5), airflow.Blowdown{Volume: 50 * litre, From: 8.013 * bar, To: 1.013 * bar / 0.3, Ambient: 1.013 * bar, Temperature: r20}, 8.6, 0, 0.01},
		{"2 litres for 0.5 s", iso(0.8), airflow.Blowdown{Volume: 2 * litre, From: 7.013 * bar, To: 5.74 * bar, Ambient: 1.013 * bar, Temperature: r20}, 0.5, 0, 0.01},
		// Reference vessel, 200 dm3 through 6 mm, computed from the closed forms, which quadrature confirms to 1e-7.
		{"reference to unchoking", hole, pot(1.01325 / airflow.CriticalRatio), 50.918, 40.351, 1e-4},
		{"reference to 0.1 bar", hole, pot(1.11325), 73.002, 60.530, 1e-4},
		{"reference to 0.01 bar", hole, pot(1.02325), 80.422, 67.606, 1e-4},
		{"reference to ambient", hole, pot(1.01325), 83.848, 70.893, 1e-4},
	} {
		t.Run(tt.what, func(t *testing.T) {
			rel(t, "isothermal", must(tt.path.Isothermal(tt.b))(t).Seconds(), tt.iso, tt.tol)
			if tt.adi != 0 {
				rel(t, "adiabatic", must(tt.path.Adiabatic(tt.b))(t).Seconds(), tt.adi, tt.tol)
			}
		})
	}
	rel(t, "first flow of the tank", float64(must(tank.MassFlow(800e3, 101.35e3, 293))(t)), 0.14166, 1e-3)
	rel(t, "tyre unchokes, psig", float64(unchoke(14.7*psia)/psia)-14.7, 13.1, 0.005)
	// tau of the reference vessel: 35.612 s to a 1/e-th while choked.
	far := airflow.Blowdown{Volume: 0.2, From: 10 * bar, To: 10 * bar / math.E, Ambient: bar, Temperature: r20}
	rel(t, "tau", must(hole.Isothermal(far))(t).Seconds(), 35.612, 1e-4)
}

// drain adds up dt over d(ln p) from the mass flow alone, an answer that owes nothing to the closed forms.
func drain(t *rapid.T, p path, b airflow.Blowdown, adiabatic bool) float64 {
	const n = 600
	slope := func(lnp float64) float64 { // seconds for one neper
		now := math.Exp(lnp)
		temp, gamma := float64(b.Temperature), 1.0
		if adiabatic {
			temp *= math.Pow(now/float64(b.From), 2.0/7)
			gamma = airflow.Gamma
		}
		m, err := p.MassFlow(si.AbsPressure(now), b.Ambient, si.Temperature(temp))
		if err != nil {
			t.Fatal(err)
		}
		return now * float64(b.Volume) / (gamma * airflow.GasConstant * temp * float64(m))
	}
	hi, lo := math.Log(float64(b.From)), math.Log(float64(b.To))
	h, sum := (hi-lo)/n, 0.0
	for i := range n {
		x := lo + float64(i)*h
		sum += h / 6 * (slope(x) + 4*slope(x+h/2) + slope(x+h))
	}
	return sum
}

func anyPath(t *rapid.T) path {
	if rapid.Bool().Draw(t, "nozzle") {
		return airflow.Nozzle{Area: si.CircleArea(si.Length(rapid.Float64Range(1e-3, 0.05).Draw(t, "bore"))),
			Coefficient: si.Ratio(rapid.Float64Range(0.5, 1).Draw(t, "coefficient"))}
	}
	return airflow.Restriction{C: airflow.Conductance(rapid.Float64Range(0.1, 100).Draw(t, "C")) * dm3,
		B: si.Ratio(rapid.Float64Range(0.1, 0.6).Draw(t, "b")), M: rapid.Float64Range(0.4, 0.6).Draw(t, "m")}
}

func anyBlowdown(t *rapid.T) airflow.Blowdown {
	amb := si.AbsPressure(rapid.Float64Range(0.7e5, 1.05e5).Draw(t, "ambient"))
	to := amb * si.AbsPressure(rapid.Float64Range(1.02, 6).Draw(t, "to"))
	return airflow.Blowdown{Volume: si.Volume(rapid.Float64Range(0.01, 5).Draw(t, "volume")), Ambient: amb, To: to,
		From: to * si.AbsPressure(rapid.Float64Range(1.01, 8).Draw(t, "from")), Temperature: si.Temperature(rapid.Float64Range(250, 330).Draw(t, "temperature"))}
}

func TestBlowdownAgreesWithItsFlow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, b := anyPath(t), anyBlowdown(t)
		iso, err := p.Isothermal(b)
		if err != nil {
			t.Fatal(err)
		}
		adi, err := p.Adiabatic(b)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct{ got, want float64 }{{iso.Seconds(), drain(t, p, b, false)}, {adi.Seconds(), drain(t, p, b, true)}} {
			if math.Abs(c.got-c.want) > 1e-4*c.want+2e-9 {
				t.Errorf("%+v of %+v: %v s, stepped %v s", p, b, c.got, c.want)
			}
		}
		if adi >= iso {
			t.Errorf("adiabatic %v is not shorter than isothermal %v", adi, iso)
		}
	})
}

func TestBlowdownAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, b := anyPath(t), anyBlowdown(t)
		first, second := b, b
		mid := b.To + (b.From-b.To)*si.AbsPressure(rapid.Float64Range(0, 1).Draw(t, "mid"))
		first.To, second.From = mid, mid
		whole, e1 := p.Isothermal(b)
		a, e2 := p.Isothermal(first)
		c, e3 := p.Isothermal(second)
		if e1 != nil || e2 != nil || e3 != nil {
			t.Fatal(e1, e2, e3)
		}
		if d := (whole - a - c).Abs(); d > time.Duration(float64(whole)*1e-7)+2 {
			t.Errorf("%v and %v make %v", a, c, whole)
		}
		again := b
		again.Volume *= 2
		if double, err := p.Isothermal(again); err != nil || (double-2*whole).Abs() > time.Duration(float64(whole)*1e-9)+2 {
			t.Errorf("twice the volume takes %v, not twice %v (%v)", double, whole, err)
		}
	})
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

func TestAtRestTakesNoTime(t *testing.T) {
	b := airflow.Blowdown{Volume: 1, From: 2 * bar, To: 2 * bar, Ambient: bar, Temperature: r20}
	for _, p := range []path{bore(0.5), airflow.Restriction{C: dm3, B: 0.3, M: 0.5}, airflow.Restriction{C: dm3, B: 0, M: 0.5}} {
		for range 2 {
			if d := must(p.Isothermal(b))(t); d != 0 {
				t.Errorf("%+v: %v", p, d)
			}
			if d := must(p.Adiabatic(b))(t); d != 0 {
				t.Errorf("%+v: %v", p, d)
			}
			b.From, b.To = bar, bar
		}
	}
}

func TestNoAllocation(t *testing.T) {
	n, r := bore(0.5), airflow.Restriction{C: dm3, B: 0.3, M: 0.5}
	b := airflow.Blowdown{Volume: 1, From: 7 * bar, To: bar, Ambient: bar, Temperature: r20}
	var sum float64
	got := testing.AllocsPerRun(100, func() {
		m1, _ := n.MassFlow(2*bar, bar, r20)
		m2, _ := r.MassFlow(2*bar, bar, r20)
		d1, _ := n.Isothermal(b)
		d2, _ := n.Adiabatic(b)
		d3, _ := r.Isothermal(b)
		d4, _ := r.Adiabatic(b)
		p, _ := r.Downstream(2*bar, m2, r20)
		sum += float64(m1) + float64(p) + (d1 + d2 + d3 + d4).Seconds()
	})
	if got != 0 || !(sum > 0) {
		t.Errorf("%v allocations (sum %v)", got, sum)
	}
}
