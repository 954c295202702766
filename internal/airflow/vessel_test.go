package airflow_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
	"pgregory.net/rapid"
)

// stepped carries mass and inner energy of a vessel through time by the first law, cv 2.5 R and cp 3.5 R, with no
// polytropic law and no closed form in it. mdot is positive into the vessel; heat is what the wall gives, W.
func stepped(v airflow.Vessel, d float64, rate func(p, t float64) (mdot, tIn, heat float64)) airflow.Vessel {
	const n, gas = 600, airflow.GasConstant
	vol := float64(v.Volume)
	m := float64(v.Pressure) * vol / (gas * float64(v.Temperature))
	u := 2.5 * float64(v.Pressure) * vol
	f := func(m, u float64) (dm, du float64) {
		p, t := u/(2.5*vol), u/(2.5*gas*m)
		mdot, tIn, heat := rate(p, t)
		return mdot, 3.5*gas*tIn*mdot + heat
	}
	h := d / n
	for range n {
		m1, u1 := f(m, u)
		m2, u2 := f(m+h/2*m1, u+h/2*u1)
		m3, u3 := f(m+h/2*m2, u+h/2*u2)
		m4, u4 := f(m+h*m3, u+h*u3)
		m, u = m+h/6*(m1+2*m2+2*m3+m4), u+h/6*(u1+2*u2+2*u3+u4)
	}
	return airflow.Vessel{Volume: v.Volume, Pressure: si.AbsPressure(u / (2.5 * vol)), Temperature: si.Temperature(u / (2.5 * gas * m))}
}

func sameVessel(t *rapid.T, what string, got, want airflow.Vessel, tol float64) {
	t.Helper()
	if math.Abs(float64(got.Pressure/want.Pressure)-1) > tol || math.Abs(float64(got.Temperature/want.Temperature)-1) > tol || got.Volume != want.Volume {
		t.Errorf("%s: %+v, stepped %+v", what, got, want)
	}
}

func TestVentedAgreesWithTheFirstLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, b := anyPath(t), anyBlowdown(t)
		all := must(p.Adiabatic(airflow.Blowdown{Volume: b.Volume, From: b.From, To: b.Ambient * 1.01, Ambient: b.Ambient, Temperature: b.Temperature}))(t)
		d := time.Duration(rapid.Float64Range(0, 1).Draw(t, "share of the time") * float64(all))
		want := stepped(airflow.Vessel{Volume: b.Volume, Pressure: b.From, Temperature: b.Temperature}, d.Seconds(), func(pa, k float64) (float64, float64, float64) {
			return -float64(must(p.MassFlow(si.AbsPressure(pa), b.Ambient, si.Temperature(k)))(t)), k, 0
		})
		sameVessel(t, "vented", must(p.Vented(b, airflow.Adiabatic, d))(t), want, 1e-6)
	})
}

func anyCharge(t *rapid.T) airflow.Charge {
	supply := si.AbsPressure(rapid.Float64Range(2e5, 12e5).Draw(t, "supply"))
	from := supply * si.AbsPressure(rapid.Float64Range(0.05, 0.9).Draw(t, "from"))
	return airflow.Charge{Volume: si.Volume(rapid.Float64Range(0.01, 5).Draw(t, "volume")), Supply: supply, From: from,
		To:          from + (0.995*supply-from)*si.AbsPressure(rapid.Float64Range(0.01, 1).Draw(t, "to")),
		Temperature: si.Temperature(rapid.Float64Range(250, 330).Draw(t, "temperature")), SupplyTemperature: si.Temperature(rapid.Float64Range(250, 350).Draw(t, "supply's"))}
}

func TestChargedAgreesWithTheFirstLaw(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, c, x := anyPath(t), anyCharge(t), anyExponent(t)
		d := must(p.ChargeTime(c, x))(t)
		lost := (airflow.Gamma - float64(x)) / (airflow.Gamma - 1) * airflow.GasConstant * float64(c.SupplyTemperature) // J/kg to the wall
		want := stepped(airflow.Vessel{Volume: c.Volume, Pressure: c.From, Temperature: c.Temperature}, d.Seconds(), func(pa, _ float64) (float64, float64, float64) {
			m := float64(must(p.MassFlow(c.Supply, si.AbsPressure(pa), c.SupplyTemperature))(t))
			return m, float64(c.SupplyTemperature), -m * lost
		})
		got := must(p.Charged(c, x, d))(t)
		sameVessel(t, "charged", got, want, 1e-5)
		sameVessel(t, "its end", must(c.End(x))(t), got, 1e-6)
		if x == airflow.Isothermal && c.Temperature == c.SupplyTemperature && math.Abs(float64(got.Temperature-c.Temperature)) > 1e-9 {
			t.Errorf("isothermal, it ends at %v", got.Temperature)
		}
	})
}

// The pressure after the time to a pressure is that pressure, and needs that time.
func TestVesselRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, b, c, x := anyPath(t), anyBlowdown(t), anyCharge(t), anyExponent(t)
		b.Volume, c.Volume = 100, 100 // so that a nanosecond is nothing
		d := must(p.Polytropic(b, x))(t)
		v := must(p.Vented(b, x, d))(t)
		if math.Abs(float64(v.Pressure/b.To)-1) > 1e-8 {
			t.Errorf("%+v at %v: after %v at %v, not %v", b, x, d, v.Pressure, b.To)
		}
		sameVessel(t, "its end", must(b.End(x))(t), v, 1e-8)
		d = must(p.ChargeTime(c, x))(t)
		if v := must(p.Charged(c, x, d))(t); math.Abs(float64(v.Pressure/c.To)-1) > 1e-8 {
			t.Errorf("%+v at %v: after %v at %v, not %v", c, x, d, v.Pressure, c.To)
		}
	})
}

func TestVesselLimits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, b, c, x := anyPath(t), anyBlowdown(t), anyCharge(t), anyExponent(t)
		if v := must(p.Vented(b, x, 0))(t); v.Pressure != b.From || v.Temperature != b.Temperature {
			t.Errorf("before it begins: %+v", v)
		}
		if v := must(p.Charged(c, x, 0))(t); math.Abs(float64(v.Pressure/c.From)-1) > 1e-12 || math.Abs(float64(v.Temperature/c.Temperature)-1) > 1e-12 {
			t.Errorf("before it begins: %+v of %+v", v, c)
		}
		if v := must(p.Vented(b, x, 1<<62))(t); v.Pressure != b.Ambient {
			t.Errorf("after an age: %+v", v)
		}
		if v := must(p.Charged(c, x, 1<<62))(t); v.Pressure != c.Supply {
			t.Errorf("after an age: %+v", v)
		}
		b.To, c.To = b.Ambient, c.Supply
		vent, charge := must(p.Polytropic(b, x))(t), must(p.ChargeTime(c, x))(t)
		lastVent, lastCharge := float64(b.From)*2, 0.0
		for i := range 9 {
			at := time.Duration(i) * vent / 8
			v := must(p.Vented(b, x, at))(t)
			if float64(v.Pressure) >= lastVent || v.Pressure < b.Ambient || v.Temperature > b.Temperature*(1+1e-12) {
				t.Errorf("at %v of %v: %+v after %v", at, vent, v, lastVent)
			}
			lastVent = float64(v.Pressure)
			w := must(p.Charged(c, x, time.Duration(i)*charge/8))(t)
			if float64(w.Pressure) <= lastCharge || w.Pressure > c.Supply*(1+1e-15) {
				t.Errorf("at %v/8 of %v: %+v after %v", i, charge, w, lastCharge)
			}
			lastCharge = float64(w.Pressure)
		}
	})
}

// Either side of unchoking the pressure goes on as it was going: no step in it, nor in its rate.
func TestVesselContinuousAtUnchoking(t *testing.T) {
	for _, p := range []path{bore(0.5), valve(5, 0.3, 0.5), valve(5, 0.3, 0.6)} {
		for _, x := range []airflow.Exponent{1, 1.2, airflow.Gamma} {
			crit := si.AbsPressure(airflow.CriticalRatio)
			if r, ok := p.(airflow.Restriction); ok {
				crit = si.AbsPressure(r.B)
			}
			b := airflow.Blowdown{Volume: 10, From: 8 * bar, To: bar / crit, Ambient: bar, Temperature: r20}
			c := airflow.Charge{Volume: 10, From: bar, To: 8 * bar * crit, Supply: 8 * bar, Temperature: r20, SupplyTemperature: r20}
			const step = time.Millisecond
			mid := must(p.Polytropic(b, x))(t)
			vent := func(d time.Duration) float64 { return float64(must(p.Vented(b, x, mid+d))(t).Pressure) }
			rel(t, "rate of venting", vent(step)-vent(0), vent(0)-vent(-step), 2e-3)
			mid = must(p.ChargeTime(c, x))(t)
			charge := func(d time.Duration) float64 { return float64(must(p.Charged(c, x, mid+d))(t).Pressure) }
			rel(t, "rate of charging", charge(step)-charge(0), charge(0)-charge(-step), 2e-3)
		}
	}
}

// What was blown out of a vessel comes back as pressure when the wall has warmed it, and the mass stays.
func TestRebound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, x := anyBlowdown(t), anyExponent(t)
		end := must(b.End(x))(t)
		warm := must(end.Settled(b.Temperature))(t)
		if warm.Pressure < end.Pressure*(1-1e-12) {
			t.Errorf("%+v settles to %+v", end, warm)
		}
		if m, n := must(end.Mass())(t), must(warm.Mass())(t); math.Abs(float64(m/n)-1) > 1e-12 {
			t.Errorf("the mass goes from %v to %v", m, n)
		}
		// p (p1/p)^((n-1)/n)
		want := float64(b.To) * math.Pow(float64(b.From/b.To), 1-1/float64(x))
		if math.Abs(float64(warm.Pressure)/want-1) > 1e-12 {
			t.Errorf("%v, want %v", warm.Pressure, want)
		}
	})
}
