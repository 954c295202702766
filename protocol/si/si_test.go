package si_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.Abs(got-want) > tol*math.Abs(want) {
		t.Errorf("%s = %.16g, want %.16g", what, got, want)
	}
}

// Exact by definition: inch and pound (1959), standard gravity (1901). Ten digits and more of each as they stand in
// tables of conversion factors (NIST SP 811, appendix B, from memory).
func TestFactors(t *testing.T) {
	near(t, "psi", si.PSI, 6894.757293168, 1e-13)
	near(t, "cubic foot", si.CubicFoot, 0.028316846592, 1e-15)
	near(t, "cubic foot a minute", si.CubicFoot/60, 4.719474432e-4, 1e-15)
	near(t, "pound", si.Pound, 0.45359237, 0)
	near(t, "pound a cubic foot", si.PoundPerCubicFoot, 16.018463374, 1e-10)
	near(t, "100 lb/ft3", 100*si.PoundPerCubicFoot, 1601.85, 5e-6)
	near(t, "foot", si.Foot, 12*si.Inch, 1e-15)
	near(t, "100 psi in bar", 100*si.PSI/si.Bar, 6.894757293, 1e-9)
	near(t, "0.5 psi in kPa", 0.5*si.PSI/si.KPa, 3.447, 2e-4)
	near(t, "100 psi and back", si.GaugePressure(100*si.PSI).PSI(), 100, 1e-15)
}

// Table of the ICAO standard atmosphere (ISO 2533), hydrostatic pressure by geopotential altitude; from memory.
func TestAtmosphereAt(t *testing.T) {
	for h, want := range map[si.Length]float64{-1000: 113929, 0: 101325, 1000: 89874.6, 2000: 79495.2, 5000: 54019.9, 11000: 22632} {
		near(t, "pressure", float64(si.AtmosphereAt(h)), want, 2e-5)
	}
	rapid.Check(t, func(t *rapid.T) {
		h := rapid.Float64Range(-2000, 10999).Draw(t, "h")
		if si.AtmosphereAt(si.Length(h+1)) >= si.AtmosphereAt(si.Length(h)) {
			t.Errorf("the pressure does not fall with altitude at %v m", h)
		}
	})
}

func TestGaugeAndAbsolute(t *testing.T) {
	amb := si.AbsPressure(100e3)
	if got := si.GaugePressure(50e3).Absolute(amb); got != 150e3 {
		t.Errorf("absolute %v", got)
	}
	if got := si.AbsPressure(90e3).Gauge(amb); got != -10e3 {
		t.Errorf("gauge %v", got)
	}
	if got := si.GaugePressure(50e3).Sub(80e3); got != -30e3 {
		t.Errorf("drop %v", got)
	}
	if got := si.GaugePressure(-1234).String(); got != "-1.2 kPa" {
		t.Errorf("text %q", got)
	}
	near(t, "area of a 1/4 in bore", float64(si.CircleArea(0.25*si.Inch)), math.Pi*0.003175*0.003175, 1e-15)
}

// Against time.Time of the standard library: a difference of centuries saturates, it does not come round to a short one.
func TestInstantSub(t *testing.T) {
	a := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, years := range []int{0, 1, 291, 293, 585, 7000, -291, -293, -585} {
		b := a.AddDate(years, 0, 0)
		got, want := si.InstantOf(b).Sub(si.InstantOf(a)), b.Sub(a)
		if (got - want).Abs() > time.Microsecond {
			t.Errorf("%d years: %v, want %v", years, got, want)
		}
	}
}

func TestInstant(t *testing.T) {
	at := time.Date(2026, 5, 4, 6, 7, 8, 123456789, time.FixedZone("", 2*3600))
	i := si.InstantOf(at)
	if got := i.String(); got != "2026-05-04T04:07:08.123Z" {
		t.Errorf("text %q", got)
	}
	if got := i.Time(); !got.Equal(at.Truncate(time.Microsecond)) || got.Location() != time.UTC {
		t.Errorf("time %v", got)
	}
	if got := i.Add(1500 * time.Microsecond).Sub(i); got != 1500*time.Microsecond {
		t.Errorf("difference %v", got)
	}
	if got := i.Add(999 * time.Nanosecond); got != i {
		t.Errorf("less than a microsecond moved it to %v", got)
	}
	if got := i.Sub(i.Add(time.Hour)); got != -time.Hour {
		t.Errorf("difference %v", got)
	}
	before := si.InstantOf(time.Date(1969, 12, 31, 23, 59, 59, 0, time.UTC))
	if before != -1e6 || before.String() != "1969-12-31T23:59:59.000Z" {
		t.Errorf("before the epoch: %d, %s", before, before)
	}
}
