// Package si holds the physical quantities of the project as distinct types in base SI units, and the one
// place where text with a unit becomes such a quantity.
//
// Every type is a float64 (Instant: an int64), so arithmetic costs nothing and a pressure passed for a
// temperature does not compile. Gauge and absolute pressure are two types; only an explicit atmosphere turns
// one into the other. Conversion factors are exact by definition unless their comment says otherwise
// (pound, inch and standard gravity: international definitions of 1959 and 1901).
package si

import (
	"math"
	"strconv"
	"time"
)

// AbsPressure is a pressure above vacuum, Pa.
type AbsPressure float64

// GaugePressure is a pressure above the ambient atmosphere, Pa; negative below it.
type GaugePressure float64

// PressureDrop is the difference of two pressures of the same kind, Pa.
type PressureDrop float64

// Temperature is a thermodynamic temperature, K.
type Temperature float64

// Mass is a mass, kg.
type Mass float64

// MassFlow is a mass flow, kg/s.
type MassFlow float64

// Volume is a volume, m3.
type Volume float64

// VolumeFlow is a volume flow, m3/s; the reference state stands in the name of whatever holds one.
type VolumeFlow float64

// Length is a length, m.
type Length float64

// Area is an area, m2.
type Area float64

// Density is a density, kg/m3.
type Density float64

// Viscosity is a dynamic viscosity, Pa s.
type Viscosity float64

// Current is an electric current, A.
type Current float64

// Ratio is a dimensionless share; 1 is the whole.
type Ratio float64

// Instant is a moment in UTC, in microseconds since 1970-01-01. Zero stands for "never".
type Instant int64

// Units in SI, to build a quantity from a literal: 6.2 * float64(Bar), or GaugePressure(100*PSI).
const (
	Pascal = 1.0
	KPa    = 1e3
	Bar    = 1e5
	MPa    = 1e6
	// PSI is one pound-force on a square inch: 0.45359237 kg * 9.80665 m/s2 / (0.0254 m)^2.
	PSI = 0.45359237 * 9.80665 / (0.0254 * 0.0254)

	Inch = 0.0254
	Foot = 0.3048

	Litre     = 1e-3
	CubicFoot = Foot * Foot * Foot

	Pound = 0.45359237

	// PoundPerCubicFoot is derived from Pound and CubicFoot.
	PoundPerCubicFoot = Pound / CubicFoot

	// ZeroCelsius is 0 degrees Celsius in kelvin.
	ZeroCelsius = 273.15
)

// StandardAtmosphere is the pressure of the standard atmosphere at sea level, Pa (ISO 2533).
const StandardAtmosphere AbsPressure = 101325

// Absolute is the absolute pressure of p under the atmosphere amb.
func (p GaugePressure) Absolute(amb AbsPressure) AbsPressure { return AbsPressure(p) + amb }

// Gauge is the gauge pressure of p under the atmosphere amb.
func (p AbsPressure) Gauge(amb AbsPressure) GaugePressure { return GaugePressure(p - amb) }

// Sub is the drop from p to q.
func (p GaugePressure) Sub(q GaugePressure) PressureDrop { return PressureDrop(p - q) }

// AtmosphereAt is the pressure of the standard atmosphere at an altitude above sea level, by the
// tropospheric formula of ISO 2533 (ICAO standard atmosphere), good from -2 to 11 km.
func AtmosphereAt(altitude Length) AbsPressure {
	// p = p0 (1 - L h / T0)^(g / (R L)), L 0.0065 K/m, T0 288.15 K, exponent 5.25588.
	return StandardAtmosphere * AbsPressure(math.Pow(1-0.0065*float64(altitude)/288.15, 5.25588))
}

// CircleArea is the area of a round bore.
func CircleArea(bore Length) Area { return Area(math.Pi / 4 * float64(bore) * float64(bore)) }

// InstantOf is t in UTC, cut to a microsecond.
func InstantOf(t time.Time) Instant { return Instant(t.UnixMicro()) }

// Time is the instant as a time.Time in UTC.
func (i Instant) Time() time.Time { return time.UnixMicro(int64(i)).UTC() }

// farthest is the most microseconds that a time.Duration holds, 292 years.
const farthest = math.MaxInt64 / int64(time.Microsecond)

// Sub is the time from j to i; over 292 years it is the longest time.Duration, as of time.Time, never a short one.
func (i Instant) Sub(j Instant) time.Duration {
	return time.Duration(max(-farthest, min(farthest, int64(i-j)))) * time.Microsecond
}

// Add is the instant d later, d cut to a microsecond.
func (i Instant) Add(d time.Duration) Instant { return i + Instant(d/time.Microsecond) }

// String is RFC 3339 in UTC with milliseconds.
func (i Instant) String() string { return i.Time().Format("2006-01-02T15:04:05.000Z") }

// PSI is the pressure in pounds-force per square inch.
func (p GaugePressure) PSI() float64 { return float64(p) / PSI }

// String is the pressure in kPa, for logs.
func (p GaugePressure) String() string {
	return strconv.FormatFloat(float64(p)/KPa, 'f', 1, 64) + " kPa"
}
