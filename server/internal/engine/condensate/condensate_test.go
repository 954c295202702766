package condensate_test

import (
	"math"
	"testing"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/condensate"
)

const t0 = si.Instant(1_900_000_000_000_000)

func c(v float64) si.Temperature { return si.Temperature(v + si.ZeroCelsius) }

// Saturated vapour pressures from a psychrometric table (ASHRAE Fundamentals, from memory): 3.169 kPa at 25 C, 5.628 kPa at 35 C. Air of
// 101.325 kPa and 25 C at 60 % carries 0.622*1.9014/(101.325-1.9014) = 11.90 g/kg; at 8 bar absolute and 35 C it can carry
// 0.622*5.628/(800-5.628) = 4.41 g/kg, at 8 bar and 25 C 0.622*3.169/(800-3.169) = 2.474 g/kg.
func TestCaught(t *testing.T) {
	weather := condensate.Params{Intake: c(25), Humidity: 0.6, Separator: c(25)}
	cooled := weather
	cooled.Aftercooler = c(35)
	dry := weather
	dry.Humidity = 0.05
	for _, tt := range []struct {
		name string
		p    condensate.Params
		want float64 // g/kg
	}{{"no aftercooler", weather, 11.90 - 2.474}, {"aftercooler", cooled, 4.41 - 2.474}, {"dry air", dry, 0}} {
		if got := 1e3 * float64(condensate.New(tt.p).Caught(800e3)); math.Abs(got-tt.want) > 0.02 {
			t.Errorf("%s: %.3f g/kg, want %.3f", tt.name, got, tt.want)
		}
	}
	// A separator warmer than the aftercooler takes nothing more.
	warm := cooled
	warm.Separator = c(40)
	if got := condensate.New(warm).Caught(800e3); got != 0 {
		t.Errorf("warm separator: %v", got)
	}
}

// An hour at 0.1 kg/s is 360 kg of air and, at 9.42 g/kg, 3.39 kg of water; 3 L of it are due.
func TestIntegral(t *testing.T) {
	r := condensate.New(condensate.Params{Intake: c(25), Humidity: 0.6, Separator: c(25), DrainAt: 3 * si.Litre, Volume: 0.1})
	if r.Estimate().Known {
		t.Error("something is known before any air")
	}
	due := 0
	for s := range 3600 {
		r.Use(t0+si.Instant(s)*1_000_000, 0.1, 800e3)
		if r.Estimate().Due && due == 0 {
			due = s
		}
	}
	e := r.Estimate()
	if math.Abs(float64(e.Air)-360) > 1e-6 || math.Abs(float64(e.Water)-3.393) > 0.01 || !e.Due || e.Since != t0 {
		t.Errorf("%+v", e)
	}
	if due < 3150 || due > 3220 { // 2.994 kg of water at 998 kg/m3: 3178 s
		t.Errorf("due after %d s", due)
	}
	// A filling of 70 L from 1 to 8 bar takes 0.07 m3 * 700 kPa/(287.05*293.15) = 0.5823 kg.
	r.Fill(t0, 100e3, 800e3, 0.7)
	if got := r.Estimate().Air - e.Air; math.Abs(float64(got)-0.5823) > 1e-4 {
		t.Errorf("a filling took %v kg", got)
	}
	state := r.AppendState(nil)
	again := condensate.New(condensate.Params{Intake: c(25), Humidity: 0.6, Separator: c(25), DrainAt: 3 * si.Litre, Volume: 0.1})
	if err := again.SetState(state); err != nil || again.Estimate() != r.Estimate() {
		t.Errorf("restored %+v, %v", again.Estimate(), err)
	}
	if again.SetState(state[:9]) == nil || again.Estimate() != r.Estimate() {
		t.Error("a cut state is taken")
	}
	r.Drain(t0 + 1)
	if e := r.Estimate(); e.Water != 0 || e.Due || e.Since != t0+1 {
		t.Errorf("drained: %+v", e)
	}
}

// What the site does not state is not made up.
func TestNotStated(t *testing.T) {
	r := condensate.New(condensate.Params{Separator: c(25)})
	r.Use(t0, 100, 800e3)
	if e := r.Estimate(); e.Known {
		t.Errorf("%+v", e)
	}
}
