package plant

import "math"

// Air as an ideal gas. R and gamma of dry air; reference state of ISO 8778 (ANR) as ISO 6358 uses it.
const (
	gasR   = 287.05 // J/(kg K)
	gamma  = 1.4
	heatCp = gamma * gasR / (gamma - 1) // J/(kg K)

	refTemperature = 293.15 // K
	refDensity     = 1.185  // kg/m3, a conventional figure

	// litrePerSecondBar is 1 dm3/(s bar), the usual unit of a sonic conductance, in m3/(s Pa).
	litrePerSecondBar = 1e-3 / 1e5

	// linearRatio is the pressure ratio above which a flow is taken as linear in the drop: 0.06 psi at working pressure.
	// Real restrictions turn laminar there; the square root alone would have no slope bound, and no stable step.
	linearRatio = 0.9995
)

// criticalRatio is the pressure ratio under which an ideal nozzle is choked: (2/(g+1))^(g/(g-1)) = 0.528282
// (NACA Report 1135, row M = 1: 0.5283).
var criticalRatio = math.Pow(2/(gamma+1), gamma/(gamma-1))

// chokedConstant is m sqrt(T)/(p A) of a choked ideal nozzle: 0.040415 s sqrt(K)/m.
var chokedConstant = math.Sqrt(gamma/gasR) * math.Pow(2/(gamma+1), (gamma+1)/(2*(gamma-1)))

// The admittances below are flow over drop at the pressures of the moment, kg/(s Pa). A step takes them for constant
// and lets the drop move, so that no step is too long and no flow overshoots.

// iso is the admittance of a restriction of sonic conductance c in m3/(s Pa) and critical ratio b, by ISO 6358-1 with
// subsonic index 0.5; absolute pressures in Pa, root the square root of 293.15 K over the temperature upstream.
//
//go:norace
func iso(c, b, p1, p2, root float64) float64 {
	up, down := p1, p2
	if down > up {
		up, down = down, up
	}
	r := down / up
	if r > linearRatio {
		return c * refDensity * root * ellipse(b, linearRatio) / (1 - linearRatio)
	}
	return c * refDensity * root * up * ellipse(b, r) / (up - down)
}

// ellipse is the share of the choked flow at the pressure ratio r.
//
//go:norace
func ellipse(b, r float64) float64 {
	if r <= b {
		return 1
	}
	x := (r - b) / (1 - b)
	return math.Sqrt(1 - float64(x*x))
}

// conductanceFor is the sonic conductance that loses drop at the flow m from the absolute pressure pUp.
func conductanceFor(m, b, pUp, drop, t float64) float64 {
	return m / (refDensity * pUp * math.Sqrt(refTemperature/t) * ellipse(b, (pUp-drop)/pUp))
}

// hole is the sonic conductance of a sharp-edged hole with the choked flow of an ideal nozzle times a coefficient.
//
//go:norace
func hole(area float64) float64 {
	return holeCoefficient * area * chokedConstant / (refDensity * math.Sqrt(refTemperature))
}

// jet is the admittance of an ideal nozzle of the area given from pUp into pDown; a flow back obeys the same law.
//
//go:norace
func jet(area, pUp, pDown, t float64) float64 {
	if pDown > pUp {
		pUp, pDown = pDown, pUp
	}
	switch r := pDown / pUp; {
	case r <= criticalRatio:
		return chokedConstant * area * pUp / (math.Sqrt(t) * (pUp - pDown))
	case r < linearRatio:
		return area / math.Sqrt(gasR*t) * subsonic(r) / (1 - r)
	}
	return area / math.Sqrt(gasR*t) * subsonicLinear / (1 - linearRatio)
}

// subsonic is the flow of an ideal nozzle at the pressure ratio r, over area, pressure and 1/sqrt(R T) upstream.
//
//go:norace
func subsonic(r float64) float64 {
	return math.Sqrt(2 * gamma / (gamma - 1) * (math.Pow(r, 2/gamma) - math.Pow(r, (gamma+1)/gamma)))
}

var subsonicLinear = subsonic(linearRatio)

// A pipe is a hose: isothermal compressible flow, m = A sqrt((p1^2 - p2^2)/(R T z)), with z = f L/D + K. The
// friction factor is held at its design value, since in the turbulent range it moves by a few per cent only, and
// the acceleration term 2 ln(p1/p2) is left out (3 % of z at the largest loss met here).
type pipe struct {
	area float64 // m2
	z    float64 // f L/D + K
}

// factor is m over the root of p1^2 - p2^2 for air that carries solids in the mass ratio mu; each kg of solids costs
// solidsDrag times what a kg of air does.
//
//go:norace
func (h pipe) factor(t, mu float64) float64 {
	return h.area / math.Sqrt(gasR*t*h.z*(1+float64(solidsDrag*mu)))
}

// rooted is the admittance of a flow factor sqrt(p1^2 - p2^2).
//
//go:norace
func rooted(factor, p1, p2 float64) float64 {
	up, down := p1, p2
	if down > up {
		up, down = down, up
	}
	drop := max(up-down, float64((1-linearRatio)*up))
	return factor * math.Sqrt((up+down)/drop)
}

// up is the pressure needed at the inlet for a flow m to arrive at p2.
func (h pipe) up(m, p2, t, mu float64) float64 {
	q := m / h.factor(t, mu)
	return math.Sqrt(float64(p2*p2) + float64(q*q))
}

// friction is the Darcy friction factor by Haaland (within 1.4 % of Colebrook-White).
func friction(reynolds, roughness float64) float64 {
	s := -1.8 * math.Log10(6.9/reynolds+math.Pow(roughness/3.7, 1.11))
	return 1 / (s * s)
}

// viscosity of air in Pa s by Sutherland.
func viscosity(t float64) float64 { return 1.458e-6 * math.Pow(t, 1.5) / (t + 110.4) }

// beverloo is the mass flow of grains by gravity through a round hole, kg/s, for the hole's diameter less the rim that
// the grains keep free (Beverloo, Leniger, van de Velde 1961: W = 0.58 rho sqrt(g) (D - 1.4 d)^2.5; from memory).
//
//go:norace
func beverloo(bulk, clear float64) float64 {
	return 0.58 * bulk * math.Sqrt(gravity) * clear * clear * math.Sqrt(clear)
}

// saturation is the vapour pressure over water, Pa, by the Magnus formula of WMO-No. 8 (within 0.35 % up to 60 C).
func saturation(t float64) float64 {
	c := t - 273.15
	return float64(611.2 * math.Exp(17.62*c/(243.12+c)))
}

// humidity is the water that a kilogram of dry air holds at the vapour pressure e of the absolute pressure p.
func humidity(e, p float64) float64 {
	if e >= p {
		return math.Inf(1)
	}
	return 0.622 * e / (p - e)
}
