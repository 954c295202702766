package airflow_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
)

const litre = si.Volume(1e-3)

type ventRow struct {
	what     string
	path     path
	b        airflow.Blowdown
	iso, adi float64 // s; 0: not published
	tol      float64
}

func ventRows(t *testing.T, in []ventRow) (out []row) {
	for _, r := range in {
		out = append(out, row{r.what, must(r.path.Isothermal(r.b))(t).Seconds(), r.iso, r.tol})
		if r.adi != 0 {
			out = append(out, row{r.what + ", adiabatic", must(r.path.Adiabatic(r.b))(t).Seconds(), r.adi, r.tol})
		}
	}
	return out
}

func unchoke(amb si.AbsPressure) si.AbsPressure { return amb / airflow.CriticalRatio }

func blowdownRows(t *testing.T) []row {
	tyre := airflow.Blowdown{Volume: 0.028316846592, From: 50 * psia, To: unchoke(14.7 * psia), Ambient: 14.7 * psia, Temperature: f70}
	one := airflow.Blowdown{Volume: litre, From: 7.013 * bar, To: (1.013 + 0.02*6) * bar, Ambient: 1.013 * bar, Temperature: r20}
	first, tail := one, one
	first.To, tail.From = 1.013*bar/0.3, 1.013*bar/0.3
	fifty := airflow.Blowdown{Volume: 50 * litre, From: 8.013 * bar, To: 1.013 * bar / 0.3, Ambient: 1.013 * bar, Temperature: r20}
	two := airflow.Blowdown{Volume: 2 * litre, From: 7.013 * bar, Ambient: 1.013 * bar, Temperature: r20}
	out := ventRows(t, []ventRow{
		// Balmer, Modern Engineering Thermodynamics (2011), example 16.8: tyre, isothermal, until it unchokes.
		{"tyre", bore(0.0938), tyre, 18.7, 0, 0.005},
		// An open pneumatics course text on ISO 6358; it takes rho0 R T0 for 1 bar, which is 0.28 % more.
		{"98 % of a litre", valve(1, 0.3, 0.5), one, 1.98, 1.63, 0.01},
		{"choked part of it", valve(1, 0.3, 0.5), first, 0.7309, 0, 0.01},
		{"tail of it", valve(1, 0.3, 0.5), tail, 1.2453, 0, 0.01},
		{"50 litres", valve(5, 0.3, 0.5), fifty, 8.6, 0, 0.01},
	})
	// White, Fluid Mechanics, 8th ed., problem 3.27: time for the density to fall by 25 %, in V/(A sqrt(R T)); statement
	// and alpha of 0.685 published, so ln(4/3)/0.685.
	white := airflow.Blowdown{Volume: 1, From: 10 * bar, To: 7.5 * bar, Ambient: bar, Temperature: r20}
	t327 := must(airflow.Nozzle{Area: 1e-4, Coefficient: 1}.Isothermal(white))(t).Seconds() * 1e-4 * math.Sqrt(airflow.GasConstant*293.15)
	e := airflow.Blowdown{Volume: tyre.Volume, From: tyre.From, To: tyre.From / math.E, Ambient: 1, Temperature: f70}
	return append(out,
		row{"25 % of density", t327, math.Log(4.0/3) / 0.685, 1e-3},
		row{"tyre's time constant", must(bore(0.0938).Isothermal(e))(t).Seconds(), 31.95, 0.005},
		row{"tyre unchokes, psig", float64(unchoke(14.7*psia)/psia) - 14.7, 13.1, 0.005},
		row{"2 litres after 0.5 s, bar", float64(must(valve(0.8, 0.3, 0.5).Vented(two, airflow.Isothermal, 500*time.Millisecond))(t).Pressure / bar), 5.74, 0.005})
}

// Figures computed by another program than this one from the closed forms, which quadrature confirms to 1e-7.
func blowdownComputedRows(t *testing.T) []row {
	tank := airflow.Nozzle{Area: 0.75e-4, Coefficient: 1} // a problem of the type of White, chapter 9
	full := airflow.Blowdown{Volume: 1.5, From: 800e3, To: 500e3, Ambient: 101.35e3, Temperature: 293}
	choked := full
	choked.To = unchoke(101.35e3)
	hole := airflow.Nozzle{Area: si.CircleArea(0.006), Coefficient: 1}
	pot := func(to float64) airflow.Blowdown {
		return airflow.Blowdown{Volume: 0.2, From: 8.01325 * bar, To: si.AbsPressure(to) * bar, Ambient: 1.01325 * bar, Temperature: r20}
	}
	out := ventRows(t, []ventRow{
		{"tank to 500 kPa", tank, full, 47.34, 34.97, 2e-4},
		{"tank to unchoking", tank, choked, 143.81, 113.95, 1e-4},
		{"reference to unchoking", hole, pot(1.01325 / airflow.CriticalRatio), 50.918, 40.351, 2e-5},
		{"reference to 0.1 bar", hole, pot(1.11325), 73.002, 60.530, 2e-5},
		{"reference to 0.01 bar", hole, pot(1.02325), 80.422, 67.606, 2e-5},
		{"reference to ambient", hole, pot(1.01325), 83.848, 70.893, 2e-5},
	})
	// Bird, Stewart and Lightfoot, Transport Phenomena, 2nd ed., section 15.5, a batch expansion: 10 ft3, 300 K, 100 atm,
	// throat 0.1 ft2, adiabatic, until the throat's pressure falls to 1 atm. Statement published, answers computed.
	const atm = si.StandardAtmosphere
	bsl := airflow.Blowdown{Volume: 10 * si.CubicFoot, From: 100 * atm, To: unchoke(atm), Ambient: atm, Temperature: 300}
	throat := airflow.Nozzle{Area: 0.1 * si.Foot * si.Foot, Coefficient: 1}
	end := must(bsl.End(airflow.Adiabatic))(t)
	star := must(airflow.Isentropic(1))(t)
	far := airflow.Blowdown{Volume: 0.2, From: 10 * bar, To: 10 * bar / math.E, Ambient: bar, Temperature: r20}
	return append(out,
		row{"batch expansion, s", must(throat.Adiabatic(bsl))(t).Seconds(), 0.5783, 1e-4},
		row{"batch expansion, atm", float64(end.Pressure / atm), 1.8929, 1e-4},
		row{"batch expansion, K", float64(end.Temperature), 96.58, 1e-4},
		row{"its throat at first, atm", 100 * float64(star.Pressure), 52.83, 1e-4},
		row{"its throat at first, K", 300 * float64(star.Temperature), 250, 1e-4},
		row{"first flow of the tank", float64(must(tank.MassFlow(800e3, 101.35e3, 293))(t)), 0.14166, 1e-4},
		row{"tank unchokes, kPa", float64(unchoke(101.35e3)) / 1e3, 191.85, 1e-4},
		row{"time constant of the reference", must(hole.Isothermal(far))(t).Seconds(), 35.612, 2e-5})
}

func chargeRows(t *testing.T) []row {
	c := airflow.Charge{Volume: litre, From: 1.013 * bar, To: (7.013 - 0.02*6) * bar, Supply: 7.013 * bar, Temperature: r20, SupplyTemperature: r20}
	r := valve(1, 0.3, 0.5)
	// The course text again: a litre to 98 % of the gauge pressure.
	return []row{{"isothermal", must(r.ChargeTime(c, airflow.Isothermal))(t).Seconds(), 1.10, 0.01},
		{"adiabatic", must(r.ChargeTime(c, airflow.Adiabatic))(t).Seconds(), 0.79, 0.01}}
}

func settlingRows(t *testing.T) []row {
	// The course text: 7.013 bar at 388 K, fast filled, cools to 20 C: 5.30 bar.
	hot := airflow.Vessel{Volume: 1, Pressure: 7.013 * bar, Temperature: 388}
	out := []row{{"sag after a fast charge, bar", float64(must(hot.Settled(r20))(t).Pressure / bar), 5.30, 0.002}}
	// A litre charged to the full 7 bar from empty at 20 C, adiabatically, is the same vessel.
	c := airflow.Charge{Volume: litre, From: 1.013 * bar, To: 7.013 * bar, Supply: 7.013 * bar, Temperature: r20, SupplyTemperature: r20}
	out = append(out, row{"temperature of a fast charge, K", float64(must(c.End(airflow.Adiabatic))(t).Temperature), 388, 0.005})
	// Residual pressure after a blowdown from 100 psig, shut at zero, common practice, no source: 1 to 6 psi for
	// exponents of 1.05 to 1.2; the figures are those of p (p1/p)^((n-1)/n) by hand.
	for _, r := range [][2]float64{{1.05, 1.51}, {1.1, 3.02}, {1.2, 6.00}} {
		b := airflow.Blowdown{Volume: 0.2, From: psig(100), To: psig(0), Ambient: psig(0), Temperature: r20}
		end := must(must(b.End(airflow.Exponent(r[0])))(t).Settled(r20))(t)
		out = append(out, row{at("rebound at n %g, psi", r[0]), float64((end.Pressure - psig(0)) / psia), r[1], 0.01})
	}
	return out
}

// NAVFAC MO-206, appendix B, and MO-209, tables 5-3 and 5-4: pressure decay of a compressed-air system, 629 ft3 (not
// printed; every row of the table gives it). Loss in scfm at 14.7 psia and the system's temperature.
func decayRows(t *testing.T) (out []row) {
	last := 0.0
	for i, r := range [][2]float64{{10.70, 40}, {23.28, 34}, {38.57, 28}, {58.93, 21}, {87.47, 15}, {135.02, 9}, {277.67, 3}} {
		p := float64(90 - 10*i)
		v := airflow.Vessel{Volume: 629 * si.CubicFoot, Pressure: psig(p), Temperature: f70}
		m := must(v.Decay(psig(p-10), time.Duration((r[0]-last)*float64(time.Minute))))(t)
		out = append(out, row{at("from %g psig", p), free(m, f70), r[1], 0.1 / r[1]})
		last = r[0]
	}
	// 40 CFR 1065.644, example: 2 litres, 50.6 to 25.3 kPa in 70 s at 293.15 K; inputs published, 0.00030 mol/s from
	// memory, computed 2.9657e-4. Air of 28.9647 g/mol.
	v := airflow.Vessel{Volume: 2 * litre, Pressure: 50.6e3, Temperature: r20}
	m := must(v.Decay(25.3e3, 70*time.Second))(t)
	return append(out, row{"40 CFR 1065.644, mol/s", float64(m) / 0.0289647, 2.9657e-4, 1e-4})
}
