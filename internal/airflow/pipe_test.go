package airflow_test

import (
	"errors"
	"math"
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
	"pgregory.net/rapid"
)

func anyPipe(t *rapid.T) airflow.Pipe {
	d := rapid.Float64Range(0.005, 0.06).Draw(t, "bore")
	return airflow.Pipe{Bore: si.Length(d), Length: si.Length(d * rapid.Float64Range(1, 3000).Draw(t, "length over bore")),
		Roughness: si.Length(d * rapid.Float64Range(0, 0.0499).Draw(t, "roughness over bore")),
		Loss:      rapid.Float64Range(0, 20).Draw(t, "loss"), Kappa: rapid.Float64Range(0, 2).Draw(t, "kappa"),
		Law: rapid.SampledFrom([]airflow.FrictionLaw{airflow.Colebrook, airflow.Haaland}).Draw(t, "law")}
}

// balance is how far a flow is from p1^2 - p2^2 = G^2 R T (f L/D (1 + kappa mu) + K + 2 ln(p1/p2)), over p1^2: the
// law itself, with the factor that the flow names.
func balance(p airflow.Pipe, f airflow.PipeFlow, temp si.Temperature, mu si.Ratio) float64 {
	p1, p2 := float64(f.Inlet), float64(f.Outlet)
	g := float64(f.Flow) / float64(si.CircleArea(p.Bore)) / p1
	n := f.Friction*float64(p.Length/p.Bore)*(1+p.Kappa*float64(mu)) + p.Loss + 2*math.Log(p1/p2)
	return 1 - p2*p2/(p1*p1) - g*g*airflow.GasConstant*float64(temp)*n
}

func TestPipeRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyPipe(t)
		up := si.AbsPressure(rapid.Float64Range(0.7e5, 15e5).Draw(t, "up"))
		down := up * si.AbsPressure(1-math.Pow(10, rapid.Float64Range(-7, -0.001).Draw(t, "drop, a power of 10")))
		temp := si.Temperature(rapid.Float64Range(250, 350).Draw(t, "temperature"))
		mu := si.Ratio(rapid.Float64Range(0, 5).Draw(t, "loading"))
		f := must(p.Flow(up, down, temp, mu))(t)
		if b := balance(p, f, temp, mu); math.Abs(b) > 1e-12 {
			t.Errorf("%+v: off the law by %g", f, b)
		}
		sonic := float64(f.Flow) / float64(si.CircleArea(p.Bore)) * math.Sqrt(airflow.GasConstant*float64(temp))
		if f.Choked != (f.Outlet > down) || sonic > float64(f.Outlet)*(1+1e-12) || f.Inlet != up {
			t.Errorf("%+v: sonic at %g Pa, down %g", f, sonic, down)
		}
		// The same flow finds its inlet pressure, and its outlet pressure, which loses digits where little of p1 is left
		// and near choking, the foot of a square root.
		in := must(p.Inlet(down, f.Flow, temp, mu))(t)
		if math.Abs(float64(in.Inlet/up)-1) > 1e-12 || math.Abs(float64(in.Outlet/f.Outlet)-1) > 1e-12 {
			t.Errorf("flow %+v, inlet %+v", f, in)
		}
		out := must(p.Outlet(up, f.Flow, temp, mu))(t)
		loss := math.Pow(float64(up/f.Outlet), 2) / math.Max(1e-6, 1-math.Pow(sonic/float64(f.Outlet), 2))
		if tol := 1e-12 + float64(1e-13*loss); math.Abs(float64(out.Outlet/f.Outlet)-1) > tol {
			t.Errorf("flow %+v, outlet %+v, %g apart", f, out, out.Outlet/f.Outlet-1)
		}
		// No more than the choked flow leaves.
		most := must(p.Flow(up, up*1e-6, temp, mu))(t)
		if !most.Choked || f.Flow > most.Flow*(1+1e-12) {
			t.Errorf("%v over the choked %+v", f.Flow, most)
		}
		if _, err := p.Outlet(up, most.Flow*(1+1e-9), temp, mu); !errors.Is(err, airflow.ErrChoked) || !errors.Is(err, airflow.ErrDomain) {
			t.Errorf("more than the choked flow: %v", err)
		}
		if _, err := p.Outlet(up, most.Flow*(1-1e-9), temp, mu); err != nil {
			t.Errorf("less than the choked flow: %v", err)
		}
	})
}

func TestPipeMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyPipe(t)
		up := si.AbsPressure(rapid.Float64Range(0.7e5, 15e5).Draw(t, "up"))
		temp := si.Temperature(rapid.Float64Range(250, 350).Draw(t, "temperature"))
		x := si.AbsPressure(rapid.Float64Range(1e-3, 1.2).Draw(t, "ratio"))
		y := si.AbsPressure(rapid.Float64Range(float64(x), 1.2).Draw(t, "higher ratio"))
		mu := si.Ratio(rapid.Float64Range(0, 5).Draw(t, "loading"))
		flow := func(p airflow.Pipe, up, down si.AbsPressure, mu si.Ratio) float64 {
			f := must(p.Flow(up, down, temp, mu))(t)
			if !(f.Flow >= 0) || math.IsInf(float64(f.Flow), 0) || math.IsNaN(f.Friction+f.Reynolds+float64(f.Outlet)) {
				t.Fatalf("%+v", f)
			}
			return float64(f.Flow)
		}
		base := flow(p, up, up*x, mu)
		if v := flow(p, up, up*y, mu); v > base*(1+1e-12) {
			t.Errorf("flow rises from %v to %v as the ratio rises from %v to %v", base, v, x, y)
		}
		if x >= 1 && base != 0 {
			t.Errorf("flow %v against the pressure", base)
		}
		if v := flow(p, up, up*x*(1+1e-9), mu); math.Abs(v-base) > 1e-4*flow(p, up, up*1e-3, mu) {
			t.Errorf("a step of %v at %v", v-base, x)
		}
		if v := flow(p, up*1.01, up*x, mu); v < base*(1-1e-12) {
			t.Errorf("more pressure gives %v, not more than %v", v, base)
		}
		longer, rougher, lossier := p, p, p
		longer.Length *= 1.1
		rougher.Roughness = (p.Roughness + 0.0499*p.Bore) / 2
		lossier.Loss++
		for name, v := range map[string]float64{"longer": flow(longer, up, up*x, mu), "rougher": flow(rougher, up, up*x, mu),
			"with another loss": flow(lossier, up, up*x, mu), "with more solids": flow(p, up, up*x, mu+0.1)} {
			if v > base*(1+1e-12) {
				t.Errorf("%s, the pipe passes %v, not less than %v", name, v, base)
			}
		}
	})
}

// Either side of the choking pressure the flow is the same, and it does not fall again below it.
func TestPipeContinuousAtChoking(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := anyPipe(t)
		most := must(p.Flow(8*bar, 1, r20, 1))(t)
		for _, k := range []si.AbsPressure{1 - 1e-6, 1, 1 + 1e-6, 1 + 1e-4} {
			f := must(p.Flow(8*bar, most.Outlet*k, r20, 1))(t)
			if math.Abs(float64(f.Flow/most.Flow)-1) > 1e-7 {
				t.Errorf("at %v of the choking pressure %v, choked %v", k, f.Flow, most.Flow)
			}
			if k < 1 && !f.Choked || k > 1 && f.Choked {
				t.Errorf("at %v of the choking pressure: %+v", k, f)
			}
		}
	})
}

// Adiabatic (Fanno) flow in a pipe of constant factor, from the same inlet state, chokes at M 1:
// f L/D = (1-M^2)/(g M^2) + (g+1)/(2g) ln((g+1) M^2/(2+(g-1) M^2)). The law's own limit is what the docs say below it.
func TestChokingAgainstFanno(t *testing.T) {
	for _, tt := range []struct{ heads, more, tol float64 }{{1e-6, 0.183, 0.002}, {1, 0.068, 0.001}, {10, 0.021, 0.001}, {100, 0.0039, 1e-4}} {
		p := airflow.Pipe{Bore: 0.03, Length: 1e-12, Loss: tt.heads}
		f := must(p.Flow(8*bar, 1, r20, 0))(t)
		iso := float64(f.Flow) / float64(si.CircleArea(p.Bore)) * math.Sqrt(airflow.GasConstant*293.15) / 8e5
		lo, hi := 1e-6, 1.0
		for range 100 {
			m := (lo + hi) / 2
			if (1-m*m)/(1.4*m*m)+2.4/2.8*math.Log(2.4*m*m/(2+0.4*m*m)) > tt.heads {
				lo = m
			} else {
				hi = m
			}
		}
		abs(t, at("%g velocity heads", tt.heads), math.Sqrt(1.4)*lo/iso-1, tt.more, tt.tol)
	}
}

// Hagen and Poiseuille: in laminar flow p1^2 - p2^2 = 256 mu R T L mdot/(pi D^4), but for the little that speeds it up.
func TestLaminarPipe(t *testing.T) {
	p := airflow.Pipe{Bore: 0.002, Length: 10}
	f := must(p.Flow(1.005*bar, bar, r20, 0))(t)
	visc := float64(must(airflow.Viscosity(r20))(t))
	want := (1.005*1.005 - 1) * 1e10 * math.Pi * math.Pow(0.002, 4) / (256 * visc * airflow.GasConstant * 293.15 * 10)
	rel(t, "flow", float64(f.Flow), want, 1e-4)
	rel(t, "64/Re", f.Friction, 64/f.Reynolds, 1e-12)
}

func TestFrictionProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		re := math.Pow(10, rapid.Float64Range(0, 8).Draw(t, "lg Re"))
		e := rapid.Float64Range(0, 0.05).Draw(t, "roughness")
		f := must(airflow.Colebrook.Factor(re, si.Ratio(e)))(t)
		if re >= 4000 {
			x := 1 / math.Sqrt(f)
			if r := x + 2*math.Log10(e/3.7+2.51*x/re); math.Abs(r) > 1e-13*x {
				t.Errorf("Re %g, e/D %g: off Colebrook's equation by %g", re, e, r)
			}
		}
		if h := must(airflow.Haaland.Factor(re, si.Ratio(e)))(t); math.Abs(h/f-1) > 0.025 {
			t.Errorf("Re %g, e/D %g: Haaland %g, Colebrook %g", re, e, h, f)
		}
		// What the flow is found by: the loss, f Re^2, rises at least as the flow does.
		if g := must(airflow.Colebrook.Factor(re*1.001, si.Ratio(e)))(t); g*1.001 < f*(1-1e-12) {
			t.Errorf("Re %g, e/D %g: the factor falls from %g to %g", re, e, f, g)
		}
	})
	for _, re := range []float64{2300, 4000} {
		lo := must(airflow.Colebrook.Factor(re*(1-1e-12), 0.01))(t)
		hi := must(airflow.Colebrook.Factor(re*(1+1e-12), 0.01))(t)
		rel(t, at("step at Re %g", re), hi, lo, 1e-9)
	}
}

// Solids multiply friction alone: with kappa mu 1 a pipe is as one of twice the length, at the same loss.
func TestSolidsMultiplyFriction(t *testing.T) {
	p := pipe(50, 1.25, 0.01)
	p.Loss, p.Kappa = 3, 0.5
	long := p
	long.Length, long.Kappa = 2*p.Length, 0
	a, b := must(p.Outlet(8*bar, 0.1, r20, 2))(t), must(long.Outlet(8*bar, 0.1, r20, 0))(t)
	rel(t, "outlet", float64(a.Outlet), float64(b.Outlet), 1e-12)
	still := must(p.Outlet(8*bar, 0, r20, 2))(t)
	if still.Drop() != 0 || still.Reynolds != 0 || must(p.Inlet(8*bar, 0, r20, 2))(t).Drop() != 0 {
		t.Errorf("at rest: %+v", still)
	}
}
