package plant

import (
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// IAPWS-IF97 region 4 at 5, 20, 35, 60 C; the Magnus formula stays within 0.35 % of it.
func TestSaturation(t *testing.T) {
	for c, pa := range map[float64]float64{5: 872.57, 20: 2339.21, 35: 5628.62, 60: 19945.80} {
		near(t, "saturation", saturation(c+273.15), pa, 0.0035)
	}
}

// An open pneumatics course text: air drawn in at 25 C and 60 %, at 7 bar (gauge) cooled to 35 C, gives 8.6 g of water for
// each m3 of free air (8.71 with humidity ratios, which this is); 20 C, 50 %, to 30 C: 4.7 g. Tolerance 2 %.
func TestCondensate(t *testing.T) {
	for _, row := range []struct{ in, rh, out, grams float64 }{{25, 0.6, 35, 8.71}, {20, 0.5, 30, 4.74}, {35, 0.8, 45, 23.4}} {
		const amb, p = 101325.0, 101325 + 7e5
		e := row.rh * saturation(row.in+273.15)
		dry := (amb - e) / (gasR * (row.in + 273.15)) // kg in a m3 of intake air
		near(t, "condensate", 1000*dry*(humidity(e, amb)-humidity(saturation(row.out+273.15), p)), row.grams, 0.02)
	}
}

// What comes in as vapour leaves by the drain, goes on into the pot, or stays vapour; a healthy separator lets little pass.
func TestWater(t *testing.T) {
	blow := func(c Condition, w Weather) (*Pot, Ledger) {
		p, err := New(Spec{Volume: 6.5 * si.CubicFoot, HoseBore: 1.25 * si.Inch, HoseLength: 50 * si.Foot, NozzleBore: 7 * si.Inch / 16, Weather: w}, 1)
		if err != nil {
			t.Fatal(err)
		}
		for p.At() < 6*time.Minute {
			p.Step(Input{Pressed: true, Condition: c})
		}
		return p, p.Ledger()
	}
	humid := Weather{Air: 303.15, Humidity: 0.85}
	p, l := blow(Condition{}, humid)
	// All that can condense at the weather's temperature and the pot's pressure, for the air that the compressor gave.
	all := float64(l.AirIn) * (humidity(0.85*saturation(303.15), 101325) - humidity(saturation(303.15), 101325+float64(p.Pressure(points.Vessel))))
	near(t, "water", float64(l.Drained+l.Carried), all, 0.05) // at the start the vessel fills at lower pressure
	if share := float64(l.Carried) / float64(l.Drained); share < 0.01 || share > 0.2 {
		t.Errorf("a healthy separator lets %.3f of the water pass", share)
	}
	_, worse := blow(Condition{CarryOver: 0.9}, humid)
	if worse.Carried < 4*l.Carried {
		t.Errorf("a bad separator lets %v kg pass, a healthy one %v", worse.Carried, l.Carried)
	}
	q, shut := blow(Condition{DrainShut: true}, humid)
	if sump, _ := q.Water(); shut.Drained != 0 || float64(sump) < 0.4 {
		t.Errorf("drained %v kg, in the sump %v kg", shut.Drained, sump)
	}
	_, dry := blow(Condition{}, Weather{Air: 283.15, Humidity: 0.1})
	if dry.Drained+dry.Carried > 1e-9 {
		t.Errorf("%v kg of water from dry air", dry.Drained+dry.Carried)
	}
}

// Damp grit hangs in the metering valve, and the water leaves with the grit.
func TestDamp(t *testing.T) {
	p, err := New(Spec{Volume: 3.5 * si.CubicFoot, HoseBore: 1 * si.Inch, HoseLength: 50 * si.Foot, NozzleBore: 5 * si.Inch / 16}, 1)
	if err != nil {
		t.Fatal(err)
	}
	p.wet = 0.002 * p.grit
	near(t, "share of the time that it hangs", p.damp(), 0.5, 1e-9)
	for p.At() < time.Minute {
		p.Step(Input{Pressed: true})
	}
	near(t, "water for each kg of grit", p.wet/p.grit, 0.002, 0.01) // as much as before: it leaves with the grit, and little comes
}

// 0.58 * 1602 kg/m3 * sqrt(9.80665 m/s2) * (0.02 m)^2.5 = 0.16459 kg/s, by hand.
func TestBeverloo(t *testing.T) {
	near(t, "flow", beverloo(1602, 0.02), 0.16459, 1e-4)
	near(t, "exponent", beverloo(1602, 0.04)/beverloo(1602, 0.02), 5.656854, 1e-6)
}
