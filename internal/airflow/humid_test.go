package airflow_test

import (
	"math"
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
	"pgregory.net/rapid"
)

func anyAir(t *rapid.T) airflow.Air {
	return airflow.Air{Pressure: si.AbsPressure(rapid.Float64Range(0.6e5, 1.1e5).Draw(t, "pressure")),
		Temperature: si.Temperature(rapid.Float64Range(240, 330).Draw(t, "temperature")), Humidity: si.Ratio(rapid.Float64Range(0.01, 1).Draw(t, "humidity"))}
}

func TestSaturationRisesAndComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.Float64Range(150, 647).Draw(t, "K")
		p := must(airflow.Saturation(si.Temperature(k)))(t)
		if next := must(airflow.Saturation(si.Temperature(k + 0.01)))(t); next <= p {
			t.Errorf("saturation falls from %v to %v at %v K", p, next, k)
		}
		if back := must(airflow.DewPoint(p))(t); math.Abs(float64(back)-k) > 1e-7 {
			t.Errorf("%v K, back as %v", k, back)
		}
	})
	// No step at the triple point, and supercooled water stands above ice.
	ice, water := must(airflow.SaturationOverIce(273.16))(t), must(airflow.SaturationOverWater(273.16))(t)
	rel(t, "triple point", float64(ice), float64(water), 1e-9)
	for k := si.Temperature(224); k < 273; k++ {
		if must(airflow.SaturationOverIce(k))(t) >= must(airflow.SaturationOverWater(k))(t) {
			t.Errorf("ice above water at %v K", k)
		}
	}
	// Below 0 C the equation is carried on; Magnus's formula (WMO-No. 8) was fitted to supercooled water.
	for c := -45.0; c <= 0; c += 5 {
		rel(t, at("water at %g C", c), float64(must(airflow.SaturationOverWater(celsius(c)))(t)), 611.2*math.Exp(17.62*c/(243.12+c)), 0.006)
	}
}

func TestAirIsConsistent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAir(t)
		dew := must(a.DewPoint())(t)
		if dew > a.Temperature*(1+1e-9) {
			t.Errorf("%+v: dew point %v", a, dew)
		}
		if line := must(a.PressureDewPoint(8 * a.Pressure))(t); line <= dew {
			t.Errorf("%+v: pressure dew point %v, at intake %v", a, line, dew)
		}
		s := must(a.Stream(0.1))(t)
		rel := func(what string, got, want float64) {
			if math.Abs(got-want) > 1e-9*math.Abs(want) {
				t.Errorf("%+v: %s %v, want %v", a, what, got, want)
			}
		}
		rel("free air", float64(must(a.FreeAir(s.Dry))(t)), 0.1)
		rel("humidity ratio", float64(s.Vapour/s.Dry), float64(must(a.HumidityRatio())(t)))
		rel("density", float64(s.Vapour+s.Dry)/0.1, float64(must(a.Density())(t)))
		rel("humidity", float64(must(s.Humidity(a.Pressure, a.Temperature))(t)), float64(a.Humidity))
		// At the dew point the stream is saturated; above it nothing condenses, below it something does.
		line := 8 * a.Pressure
		at := must(a.PressureDewPoint(line))(t)
		if h := float64(must(s.Humidity(line, at))(t)); math.Abs(h-1) > 1e-8 {
			t.Errorf("%+v: humidity %v at the dew point", a, h)
		}
		if _, water, err := s.Cooled(line, at+0.01); water != 0 || err != nil {
			t.Errorf("%+v: %v condenses above the dew point, %v", a, water, err)
		}
		left, water, err := s.Cooled(line, at-0.01)
		if !(water > 0) || err != nil {
			t.Errorf("%+v: %v condenses below the dew point, %v", a, water, err)
		}
		rel("water of both", float64(left.Vapour+water), float64(s.Vapour))
		more, rest, err := left.Cooled(line, at-5)
		if !(rest > 0) || !(more.Vapour < left.Vapour) || more.Dry != s.Dry || err != nil {
			t.Errorf("%+v: cooled on to %+v and %v, %v", a, more, rest, err)
		}
	})
	// Above the boiling point nothing condenses.
	s := airflow.Stream{Dry: 1, Vapour: 5}
	if left, water, err := s.Cooled(bar, 380); left != s || water != 0 || err != nil {
		t.Errorf("over the boiling point: %+v, %v, %v", left, water, err)
	}
}

func TestStandardFlowRoundTrips(t *testing.T) {
	names := map[string]bool{}
	for r := airflow.ANR; r <= airflow.Handbook70F; r++ {
		f := must(r.StandardFlow(0.125))(t)
		rel(t, r.String(), float64(must(f.MassFlow())(t)), 0.125, 1e-15)
		other := must(must(f.To(airflow.DIN1343))(t).To(r))(t)
		rel(t, r.String()+" and back", float64(other.Volume), float64(f.Volume), 1e-15)
		p, k, err := r.State()
		if err != nil || !(p > 0.9*bar) || !(k > 270) || names[r.String()] {
			t.Errorf("%v: %v, %v, %v", r, p, k, err)
		}
		names[r.String()] = true
	}
	if s := airflow.Reference(0).String(); names[s] || s == "" {
		t.Errorf("no reference state is called %q", s)
	}
}
