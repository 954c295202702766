package airflow_test

import (
	"math"
	"strconv"
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
)

func celsius(c float64) si.Temperature { return si.Temperature(c + si.ZeroCelsius) }

func fahr(f float64) si.Temperature { return si.Temperature((f + 459.67) * 5 / 9) }

// Debian's python3-iapws, an independent program, and the check tables of IAPWS R7-97, 35 and 36.
func steamRows(t *testing.T) (out []row) {
	water := func(k float64) float64 { return float64(must(airflow.SaturationOverWater(si.Temperature(k)))(t)) }
	boils := func(pa float64) float64 { return float64(must(airflow.DewPoint(si.AbsPressure(pa)))(t)) }
	for _, f := range words(t, "steam.txt", 34, 3) {
		x, want := must(strconv.ParseFloat(f[1], 64))(t), must(strconv.ParseFloat(f[2], 64))(t)
		var got float64
		switch f[0] {
		case "water":
			got = water(x)
		case "boils":
			got = boils(x)
		case "ice":
			got = float64(must(airflow.SaturationOverIce(si.Temperature(x)))(t))
		}
		out = append(out, row{f[0] + " " + f[1], got, want, 2e-9})
	}
	for _, r := range [][2]float64{{300, 0.353658941e4}, {500, 0.263889776e7}, {600, 0.123443146e8}} {
		out = append(out, row{at("table 35, %g K", r[0]), water(r[0]), r[1], 2e-9})
	}
	for _, r := range [][2]float64{{0.1e6, 372.755919}, {1e6, 453.035632}, {10e6, 584.149488}} {
		out = append(out, row{at("table 36, %g Pa", r[0]), boils(r[0]), r[1], 2e-9})
	}
	return out
}

// Figures of other formulas. Hyland and Wexler's (ASHRAE) is 0.02 % off, Magnus's (WMO-No. 8) up to 0.31 %.
func saturationRows(t *testing.T) (out []row) {
	water := func(c float64) float64 { return float64(must(airflow.SaturationOverWater(celsius(c)))(t)) }
	vapour := func(c float64) float64 { return 1000 * water(c) / (airflow.VapourConstant * (c + si.ZeroCelsius)) }
	for _, f := range table(t, "saturation.txt", 12, 5) {
		out = append(out, row{at("IF97 at %g C", f[0]), water(f[0]), f[1], 1e-5},
			row{at("Hyland and Wexler at %g C", f[0]), water(f[0]), f[2], 2.5e-4},
			row{at("Magnus at %g C", f[0]), water(f[0]), f[3], 0.0035},
			row{at("vapour at %g C, g/m3", f[0]), vapour(f[0]), f[4], 0.0035})
	}
	// Magnus over ice, from memory.
	for _, r := range [][2]float64{{-10, 259.87}, {-20, 103.26}, {-40, 12.85}} {
		out = append(out, row{at("ice at %g C", r[0]), float64(must(airflow.SaturationOverIce(celsius(r[0])))(t)), r[1], 1e-3})
	}
	// The course text's table, over water also below zero, Pa and g/m3; two and three printed digits.
	for _, r := range [][3]float64{{-40, 19, 0.18}, {-20, 126, 1.1}, {0, 611, 4.8}, {3, 758, 5.9}, {20, 2330, 17.2}, {25, 3160, 23.0}, {35, 5610, 39.5}, {45, 9580, 65.2}} {
		out = append(out, row{at("text at %g C, Pa", r[0]), water(r[0]), r[1], 0.01},
			row{at("text at %g C, g/m3", r[0]), vapour(r[0]), r[2], 0.0125 + 0.05*math.Max(0, -r[0]/40)})
	}
	// Public trade pages, common practice.
	return append(out, row{"page at 20 C, g/m3", vapour(20), 17.30, 0.005}, row{"page at 35 C, g/m3", vapour(35), 39.63, 0.005})
}

// The course text's intake of 25 C and 60 %, and psychrolib's dew points (a frost point below 0.01 C); its own are
// found to 1e-3 K.
func dewPointRows(t *testing.T) (out []row) {
	for _, f := range table(t, "psychrolib.txt", 150, 7) {
		if f[2] != 101325 {
			continue // the same dew point at every pressure
		}
		a := airflow.Air{Pressure: si.AbsPressure(f[2]), Temperature: celsius(f[0]), Humidity: si.Ratio(f[1])}
		out = append(out, row{at("psychrolib, %g C, %g", f[0], f[1]), float64(must(a.DewPoint())(t)) - si.ZeroCelsius, f[5], 0.02})
	}
	in := airflow.Air{Pressure: 1.01325 * bar, Temperature: celsius(25), Humidity: 0.6}
	return append(out, row{"intake", float64(must(in.DewPoint())(t)) - si.ZeroCelsius, 17, 0.5},
		row{"at 7 bar gauge", float64(must(in.PressureDewPoint(8.01325*bar))(t)) - si.ZeroCelsius, 54, 0.3})
}

// Hyland and Wexler's saturation and a mass ratio of 0.621945 (0.62199 here) differ by 0.03 % together.
func psychroRows(t *testing.T) (out []row) {
	for _, f := range table(t, "psychrolib.txt", 150, 7) {
		a := airflow.Air{Pressure: si.AbsPressure(f[2]), Temperature: celsius(f[0]), Humidity: si.Ratio(f[1])}
		where := at("%g C, %g, %g Pa", f[0], f[1], f[2])
		out = append(out, row{"saturation, " + where, float64(must(airflow.Saturation(a.Temperature))(t)), f[3], 4e-4},
			row{"humidity ratio, " + where, float64(must(a.HumidityRatio())(t)), f[4], 6e-4},
			row{"density, " + where, float64(must(a.Density())(t)), f[6], 3e-4})
	}
	return out
}

// Grams a cubic metre of free air, litres a day, gallons a thousand cubic feet. The course text scales by the ratio of
// total pressures, vapour and all, where the dry air alone counts: its condensate is 1 % less than this.
func condensateRows(t *testing.T) (out []row) {
	const gallon = 3.785411784e-3 * 1000 // kg of water
	intake := func(c, rh float64) airflow.Air {
		return airflow.Air{Pressure: 1.01325 * bar, Temperature: celsius(c), Humidity: si.Ratio(rh)}
	}
	text := func(name string, a airflow.Air, gauge, to, in, left, gone, tol float64) {
		s := must(a.Stream(1))(t)
		after, water, err := s.Cooled(si.AbsPressure(gauge+1.01325)*bar, celsius(to))
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []row{{name + " in, g/m3", 1e3 * float64(s.Vapour), in, tol}, {name + " out, g/m3", 1e3 * float64(after.Vapour), left, tol},
			{name + " condensed, g/m3", 1e3 * float64(water), gone, tol}} {
			if r.want != 0 {
				out = append(out, r)
			}
		}
	}
	text("25 C 60 %", intake(25, 0.6), 7, 35, 13.8, 5.2, 8.6, 0.02)
	text("5 C 80 %", intake(5, 0.8), 7, 15, 0, 0, 3.8, 0.02)
	text("20 C 50 %", intake(20, 0.5), 7, 30, 0, 0, 4.7, 0.02)
	text("35 C 80 %", intake(35, 0.8), 7, 45, 0, 0, 23.1, 0.02)
	text("30 C 70 %", intake(30, 0.7), 7, 40, 21.2, 6.66, 14.5, 0.02)
	text("25 C to 8 bar", intake(25, 0.6), 8, 35, 0, 4.59, 0, 0.015)
	// A public engineering reference page takes 18 g/m3 for the saturated 17.24 of 20 C off its chart.
	text("20 C 70 %", intake(20, 0.7), 8, 40, 12.6, 6.2, 6.4, 0.08)

	perDay := func(a airflow.Air, m3min, hours, gauge, to float64) float64 {
		_, water, err := must(a.Stream(si.VolumeFlow(m3min/60)))(t).Cooled(si.AbsPressure(gauge+1.01325)*bar, celsius(to))
		if err != nil {
			t.Fatal(err)
		}
		return float64(water) * 3600 * hours
	}
	out = append(out, row{"25 C 60 %, L/day", perDay(intake(25, 0.6), 10, 16, 7, 35), 83, 0.015},
		row{"5 C 80 %, L/day", perDay(intake(5, 0.8), 10, 16, 7, 15), 36, 0.02},
		row{"20 C 50 %, L/day", perDay(intake(20, 0.5), 10, 16, 7, 30), 45, 0.02},
		row{"35 C 80 %, L/day", perDay(intake(35, 0.8), 10, 16, 7, 45), 221, 0.02},
		row{"30 C 70 %, L/day", perDay(intake(30, 0.7), 12, 16, 7, 40), 167, 0.015},
		// 100 cfm, no published example; computed by the ratio of total pressures.
		row{"100 cfm to 35 C, L/h", perDay(intake(25, 0.6), 2.8317, 1, 7, 35), 1.465, 0.015},
		row{"100 cfm to 25 C, L/h", perDay(intake(25, 0.6), 2.8317, 1, 7, 25), 1.848, 0.015})

	// The compressed-air handbook, chapter 3, tables 3.3 and 3.4, as quoted: a standard cubic foot is dry, 14.7 psia, 60 F.
	dry := float64(must(airflow.Handbook60F.Density())(t)) * si.CubicFoot * 1000 // kg of 1000 scf
	inch := func(f, rh float64) airflow.Air {
		return airflow.Air{Pressure: psig(0), Temperature: fahr(f), Humidity: si.Ratio(rh)}
	}
	in := float64(must(inch(80, 0.75).HumidityRatio())(t)) * dry / gallon
	sat := float64(must(airflow.SaturatedRatio(psig(100), fahr(100)))(t)) * dry / gallon
	out = append(out, row{"80 F 75 %, gal/1000 scf", in, 0.1521, 0.01}, row{"100 F 100 psig, gal/1000 scf", sat, 0.0478, 0.01},
		row{"between, gal/1000 scf", in - sat, 0.1043, 0.01}, row{"500 scfm, gal/h", (in - sat) * 30, 3.13, 0.01})
	// A trade rule, common practice: 500 scfm (68 F taken), 75 F 75 %, a day; cooled to 100 F at 100 psig, then dried to
	// 38 F.
	day := 500.0 * 60 * 24 / 1000 * float64(must(airflow.Handbook68F.Density())(t)) / float64(must(airflow.Handbook60F.Density())(t))
	drawn := float64(must(inch(75, 0.75).HumidityRatio())(t)) * dry / gallon * day
	dried := float64(must(airflow.SaturatedRatio(psig(100), fahr(38)))(t)) * dry / gallon * day
	out = append(out, row{"drawn in, gal/day", drawn, 90, 0.04}, row{"left, gal/day", sat * day, 33, 0.04},
		row{"removed, gal/day", drawn - sat*day, 57, 0.065}, row{"by drying, gal/day", sat*day - dried, 29, 0.04})
	// A trade table of condensate, gal/h for each cfm of intake: it is all the vapour drawn in. Two printed digits.
	for _, r := range [][3]float64{{80, 70, 0.0080}, {75, 60, 0.0058}, {90, 60, 0.0092}, {70, 50, 0.0041}, {100, 90, 0.0185}, {60, 50, 0.0030}, {80, 100, 0.0114}, {50, 100, 0.0042}} {
		s := must(inch(r[0], r[1]/100).Stream(cfm))(t)
		out = append(out, row{at("%g F %g %%, gal/h", r[0], r[1]), float64(s.Vapour) * 3600 / gallon, r[2], 1e-4 / r[2]})
	}
	return out
}

// Densities of free air. Computed by another program: 14.7 psia at 60, 68 and 70 F. The notes of the orifice table:
// 0.07494 lb/ft3 at 70 F. From memory: 1.2929 kg/m3 at 0 C and one atmosphere, and 1 Nm3/h is 0.622 scfm of 60 F.
func referenceRows(t *testing.T) []row {
	d := func(r airflow.Reference) float64 { return float64(must(r.Density())(t)) }
	nm3h := airflow.StandardFlow{Volume: 1.0 / 3600, At: airflow.DIN1343}
	scfm := must(nm3h.To(airflow.Standard60F))(t)
	// ANR is a convention; moist and dry ideal gas stand 0.3 % either side (course text 1.185).
	moist := airflow.Air{Pressure: 1e5, Temperature: r20, Humidity: 0.65}
	return []row{
		{"60 F, kg/m3", d(airflow.Handbook60F), 1.2230, 1e-4}, {"68 F, kg/m3", d(airflow.Handbook68F), 1.2045, 1e-4},
		{"70 F, kg/m3", d(airflow.Handbook70F), 1.1999, 1e-4}, {"70 F, lb/ft3", d(airflow.Handbook70F) / si.PoundPerCubicFoot, 0.07494, 5e-4},
		{"68 F, lb/ft3", d(airflow.Handbook68F) / si.PoundPerCubicFoot, 0.07520, 2e-4}, {"0 C, kg/m3", d(airflow.DIN1343), 1.2929, 1e-3},
		{"ANR, kg/m3", d(airflow.ANR), 1.185, 0}, {"ANR by the moist gas, kg/m3", float64(must(moist.Density())(t)), 1.185, 0.004},
		{"the same, computed", float64(must(moist.Density())(t)), 1.1816, 1e-4}, {"ANR by the dry gas, kg/m3", d(airflow.ISO1217), 1.185, 0.004},
		{"the same, computed", d(airflow.ISO1217), 1.1884, 1e-4}, {"1 Nm3/h, scfm", float64(scfm.Volume) / cfm, 0.622, 1e-3},
	}
}
