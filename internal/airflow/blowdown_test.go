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
	Polytropic(airflow.Blowdown, airflow.Exponent) (time.Duration, error)
	Vented(airflow.Blowdown, airflow.Exponent, time.Duration) (airflow.Vessel, error)
	ChargeTime(airflow.Charge, airflow.Exponent) (time.Duration, error)
	Charged(airflow.Charge, airflow.Exponent, time.Duration) (airflow.Vessel, error)
}

// drain adds up dt over d(ln p) from the mass flow alone, an answer that owes nothing to the closed forms.
func drain(t *rapid.T, p path, b airflow.Blowdown, x airflow.Exponent) float64 {
	const n = 600
	slope := func(lnp float64) float64 { // seconds for one neper
		now := math.Exp(lnp)
		temp := float64(b.Temperature) * math.Pow(now/float64(b.From), 1-1/float64(x))
		m, err := p.MassFlow(si.AbsPressure(now), b.Ambient, si.Temperature(temp))
		if err != nil {
			t.Fatal(err)
		}
		return now * float64(b.Volume) / (float64(x) * airflow.GasConstant * temp * float64(m))
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
		p, b, x := anyPath(t), anyBlowdown(t), anyExponent(t)
		got := must(p.Polytropic(b, x))(t)
		if want := drain(t, p, b, x); math.Abs(got.Seconds()-want) > 1e-4*want+2e-9 {
			t.Errorf("%+v of %+v at %v: %v s, stepped %v s", p, b, x, got, want)
		}
		iso, adi := must(p.Isothermal(b))(t), must(p.Adiabatic(b))(t)
		if got > iso || got < adi || adi >= iso {
			t.Errorf("isothermal %v, at %v %v, adiabatic %v", iso, x, got, adi)
		}
	})
}

// Beside the exponents and the index that have closed forms the integral replaces them, and must meet them.
func TestIntegralMeetsTheClosedForms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, b, c := anyPath(t), anyBlowdown(t), anyCharge(t)
		b.Volume, c.Volume = 1e5, 1e5 // so that a nanosecond is nothing
		if rapid.Bool().Draw(t, "all the way") {
			b.To, c.To = b.Ambient, c.Supply
		}
		same := func(what string, a, b time.Duration) {
			if math.Abs(float64(a-b)) > 1e-11*float64(a)+2 {
				t.Errorf("%s: %v, beside it %v", what, a, b)
			}
		}
		same("isothermal", must(p.Polytropic(b, 1))(t), must(p.Polytropic(b, airflow.Exponent(math.Nextafter(1, 2))))(t))
		same("adiabatic", must(p.Polytropic(b, airflow.Gamma))(t), must(p.Polytropic(b, airflow.Exponent(math.Nextafter(airflow.Gamma, 1))))(t))
		if r, ok := p.(airflow.Restriction); ok {
			r.M = 0.5
			near := r
			near.M = math.Nextafter(0.5, 1)
			same("index", must(r.Isothermal(b))(t), must(near.Isothermal(b))(t))
			same("charge", must(r.ChargeTime(c, 1))(t), must(near.ChargeTime(c, 1))(t))
		}
	})
}

func anyExponent(t *rapid.T) airflow.Exponent {
	return airflow.Exponent(rapid.OneOf(rapid.SampledFrom([]float64{1, airflow.Gamma}), rapid.Float64Range(1, airflow.Gamma)).Draw(t, "exponent"))
}

func TestBlowdownAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, b := anyPath(t), anyBlowdown(t)
		first, second := b, b
		mid := min(b.From, b.To+(b.From-b.To)*si.AbsPressure(rapid.Float64Range(0, 1).Draw(t, "mid")))
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

// Pressures one step of float64 apart are a blowdown or a charge too, however their closed forms round.
func TestNeighbouringPressuresTakeHardlyAnyTime(t *testing.T) {
	paths := []path{bore(0.5), airflow.Restriction{C: dm3, B: 0.22, M: 0.5}, airflow.Restriction{C: dm3, B: 0.4, M: 0.5}, airflow.Restriction{C: dm3, B: 0.3, M: 0.45}}
	for _, p := range paths {
		for i := range 4000 {
			to := si.AbsPressure(70_000 * (1 + float64(i)/1000))
			b := airflow.Blowdown{Volume: 1, From: si.AbsPressure(math.Nextafter(float64(to), 1e9)), To: to, Ambient: 70_000, Temperature: r20}
			c := airflow.Charge{Volume: 1, From: to, To: b.From, Supply: 360_000, SupplyTemperature: r20, Temperature: r20}
			for what, d := range map[string]time.Duration{"isothermal": must(p.Isothermal(b))(t), "adiabatic": must(p.Adiabatic(b))(t), "charge": must(p.ChargeTime(c, 1))(t)} {
				if d < 0 || d > 100*time.Microsecond {
					t.Errorf("%+v, %s at %v: %v", p, what, to, d)
				}
			}
		}
	}
}
