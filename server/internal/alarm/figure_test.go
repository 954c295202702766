package alarm

import "testing"

func TestFigure(t *testing.T) {
	p := func(v float64) *float64 { return &v }
	for want, e := range map[string]Evidence{
		"":                     {Because: []string{"vessel-old"}, Safe: true, First: true},
		"655 kPa":              {PressurePa: []float64{690e3, 655e3}, RatePerS: []float64{0.12, 0.21}, Trace: &Trace{TimeS: []float64{0, 1}, PressurePa: []float64{690e3, 655e3}}},
		"560 kPa of 689.5 kPa": {PressurePa: []float64{560e3}, TargetPa: 689476},
		"1.62 of 1.5":          {Trend: &Trend{Value: 1.62, SD: 0.04, Limit: 1.5}},
		"1.284":                {Trend: &Trend{Value: 1.2841}},
		"empty in 270 s":       {Contents: &Contents{Share: p(0.18), EmptyS: &Spread{P10: 180, P50: 270, P90: 380}}},
		"18 % left":            {Contents: &Contents{Share: p(0.18)}},
		"2.4 s":                {Point: "hose", Fault: "slow-port", Size: p(2.4)},
		"-3.4 kPa":             {Point: "hose", Fault: "zero-drift", Size: p(-3400)},
		"655 kPa of 640 kPa":   {PressurePa: []float64{655e3}, TargetPa: 689476, BaselinePa: 720e3, LimitPa: 640e3},
		"3.2 kg":               {WaterKg: 3.2},
		"3.2 kg of 3 kg":       {WaterKg: 3.2, LimitKg: 3},
		"10.2 s of 10 s":       {SilentS: 10.2, LimitS: 10},
		"-3600 s of 2 s":       {AheadS: -3600, LimitS: 2},
		"2700 s of 2700 s":     {ForS: 2700.2, LimitS: 2700},
	} {
		if got := e.Figure(); got != want {
			t.Errorf("%+v: %q, want %q", e, got, want)
		}
	}
}
