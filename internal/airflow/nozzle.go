package airflow

import (
	"math"

	"gritwatch/protocol/si"
)

// Constants of dry air as the check values use them.
const (
	Gamma       = 1.4    // ratio of specific heats
	GasConstant = 287.05 // J/(kg K); 287.0 to 287.06 in use, which changes a choked flow by 0.01 %

	// CriticalRatio is (2/(gamma+1))^(gamma/(gamma-1)): an ideal nozzle is choked at and below this p2/p1.
	CriticalRatio = 0.52828178771717416

	// chokedFactor is sqrt(gamma/R) (2/(gamma+1))^((gamma+1)/(2(gamma-1))), s sqrt(K)/m: mass flow times
	// sqrt(T1) over p1 A of a choked nozzle. The first number is sqrt(1.4/287.05), the exponent 3.
	chokedFactor = 0.06983694648418166577 * 125.0 / 216
)

// A Nozzle is an opening that the isentropic law describes.
type Nozzle struct {
	Area        si.Area
	Coefficient si.Ratio // of discharge, above 0 up to 1: well rounded 0.97, sharp edge 0.59 to 0.65
}

func (n Nozzle) check() error {
	if err := positive("nozzle area", float64(n.Area)); err != nil {
		return err
	}
	if !(n.Coefficient > 0 && n.Coefficient <= 1) {
		return &DomainError{"discharge coefficient", float64(n.Coefficient), "above 0 and at most 1"}
	}
	return nil
}

// throat is the effective area, m2.
func (n Nozzle) throat() float64 { return float64(n.Area) * float64(n.Coefficient) }

// Coefficients of discharge of openings. A sharp edge has no constant one in compressible flow: published figures span
// 0.56 to 0.79.
const (
	RoundedEntrance si.Ratio = 0.97 // notes to the handbook's orifice table; Weisbach 0.97 to 0.99
	SharpEdge       si.Ratio = 0.65 // notes to the handbook's orifice table
	Leak            si.Ratio = 0.61 // leak estimates of the US Department of Energy, from memory; NAVFAC MO-206: 0.64
)

// MassFlow is the flow from up to down; zero where down is not below up.
func (n Nozzle) MassFlow(up, down si.AbsPressure, t si.Temperature) (si.MassFlow, error) {
	if err := n.check(); err != nil {
		return 0, err
	}
	if err := conditions(up, down, t); err != nil {
		return 0, err
	}
	share := nozzleShare(float64(down) / float64(up))
	return finiteFlow(chokedFlow(n.throat(), float64(up), float64(t)) * share)
}

// Conductance is the sonic conductance that ISO 6358 would find for the nozzle.
func (n Nozzle) Conductance() (Conductance, error) {
	if err := n.check(); err != nil {
		return 0, err
	}
	return Conductance(chokedFlow(n.throat(), 1, float64(ReferenceTemperature)) / float64(ReferenceDensity)), nil
}

func chokedFlow(areaM2, upPa, tK float64) float64 {
	return chokedFactor * areaM2 * upPa / math.Sqrt(tK)
}

// nozzleShare is the flow at the ratio p2/p1 over the choked flow, 0 to 1.
func nozzleShare(r float64) float64 {
	switch {
	case r >= 1:
		return 0
	case r <= CriticalRatio:
		return 1
	}
	// r^(2/gamma) - r^((gamma+1)/gamma) = r^(10/7) (1 - r^(2/7)), over its value at the critical ratio. expm1 keeps
	// its digits where the pressures are nearly equal.
	l := math.Log(r)
	v := math.Exp(l*10/7) * -math.Expm1(l*2/7)
	return min(1, math.Sqrt(v/criticalTerm))
}

// criticalTerm is r^(10/7) (1 - r^(2/7)) at the critical ratio: (5/6)^5 / 6.
const criticalTerm = 3125.0 / 7776 / 6

// Ratios are those of isentropic flow at a Mach number, over the state at rest.
type Ratios struct {
	Pressure, Density, Temperature si.Ratio
	Area                           si.Ratio // of the stream over that at Mach 1
}

// Isentropic is the state of isentropic flow at a Mach number above 0.
func Isentropic(mach float64) (Ratios, error) {
	if err := positive("Mach number", mach); err != nil {
		return Ratios{}, err
	}
	if mach > 100 {
		return Ratios{}, &DomainError{"Mach number", mach, "at most 100"}
	}
	t := 1 / (1 + float64(0.2*mach*mach))
	return Ratios{Pressure: si.Ratio(math.Pow(t, 3.5)), Density: si.Ratio(math.Pow(t, 2.5)), Temperature: si.Ratio(t),
		Area: si.Ratio(1 / mach * math.Pow(5.0/6/t, 3))}, nil
}
