package plant

import "math"

// Air as an ideal gas. R and gamma of dry air; reference state of ISO 8778 (ANR) as ISO 6358 uses it.
const (
	gasR   = 287.05 // J/(kg K)
	gamma  = 1.4
	heatCv = gasR / (gamma - 1)         // J/(kg K)
	heatCp = gamma * gasR / (gamma - 1) // J/(kg K)

	refTemperature = 293.15 // K
	refDensity     = 1.185  // kg/m3, a conventional figure

	// litrePerSecondBar is 1 dm3/(s bar), the usual unit of a sonic conductance, in m3/(s Pa).
	litrePerSecondBar = 1e-3 / 1e5

	// linearRatio is the pressure ratio above which a restriction's flow is taken as linear in the drop. Real
	// restrictions turn laminar there; the square root alone would have no slope bound, and no stable step.
	linearRatio = 0.995
)

// criticalRatio is the pressure ratio under which an ideal nozzle is choked: (2/(g+1))^(g/(g-1)) = 0.528282
// (NACA Report 1135, row M = 1: 0.5283).
var criticalRatio = math.Pow(2/(gamma+1), gamma/(gamma-1))

// chokedConstant is m sqrt(T)/(p A) of a choked ideal nozzle: 0.040415 s sqrt(K)/m.
var chokedConstant = math.Sqrt(gamma/gasR) * math.Pow(2/(gamma+1), (gamma+1)/(2*(gamma-1)))

// restrict is the mass flow in kg/s through a restriction of sonic conductance c in m3/(s Pa) and critical ratio
// b, by ISO 6358-1 with subsonic index 0.5; pressures absolute, Pa. Negative when pDown is the higher one, with
// tDown as the temperature that counts then.
func restrict(c, b, pUp, pDown, tUp, tDown float64) float64 {
	if pDown > pUp {
		return -restrict(c, b, pDown, pUp, tDown, tUp)
	}
	return c * refDensity * pUp * math.Sqrt(refTemperature/tUp) * ellipse(b, pDown/pUp)
}

// ellipse is the share of the choked flow at the pressure ratio r.
func ellipse(b, r float64) float64 {
	if r <= b {
		return 1
	}
	if r > linearRatio {
		return ellipse(b, linearRatio) * (1 - r) / (1 - linearRatio)
	}
	x := (r - b) / (1 - b)
	return math.Sqrt(1 - x*x)
}

// conductanceFor is the sonic conductance that loses drop at the flow m from the absolute pressure pUp.
func conductanceFor(m, b, pUp, drop, t float64) float64 {
	return m / (refDensity * pUp * math.Sqrt(refTemperature/t) * ellipse(b, (pUp-drop)/pUp))
}

// jet is the mass flow in kg/s through an ideal nozzle of the area given, from pUp at tUp into pDown; 0 when pDown
// is the higher one.
func jet(area, pUp, pDown, tUp float64) float64 {
	r := pDown / pUp
	switch {
	case r >= 1:
		return 0
	case r <= criticalRatio:
		return chokedConstant * area * pUp / math.Sqrt(tUp)
	}
	return area * pUp / math.Sqrt(gasR*tUp) * math.Sqrt(2*gamma/(gamma-1)*(math.Pow(r, 2/gamma)-math.Pow(r, (gamma+1)/gamma)))
}

// A pipe is a hose: isothermal compressible flow, m = A sqrt((p1^2 - p2^2)/(R T z)), with z = f L/D + K. The
// friction factor is held at its design value, since in the turbulent range it moves by a few per cent only, and
// the acceleration term 2 ln(p1/p2) is left out (3 % of z at the largest loss met here).
type pipe struct {
	area float64 // m2
	z    float64 // f L/D + K
}

// flow is the mass flow in kg/s of air that carries solids in the mass ratio mu; each kg of solids costs solidsDrag
// times what a kg of air does.
func (h pipe) flow(p1, p2, t, mu float64) float64 {
	if p2 > p1 {
		return -h.flow(p2, p1, t, mu)
	}
	g := h.area / math.Sqrt(gasR*t*h.z*(1+solidsDrag*mu))
	if r := p2 / p1; r > linearRatio {
		return g * p1 * math.Sqrt(1-linearRatio*linearRatio) * (1 - r) / (1 - linearRatio)
	}
	return g * math.Sqrt(p1*p1-p2*p2)
}

// up is the pressure needed at the inlet for a flow m to arrive at p2.
func (h pipe) up(m, p2, t, mu float64) float64 {
	return math.Sqrt(p2*p2 + m*m/(h.area*h.area)*gasR*t*h.z*(1+solidsDrag*mu))
}

// friction is the Darcy friction factor by Haaland (within 1.4 % of Colebrook-White).
func friction(reynolds, roughness float64) float64 {
	s := -1.8 * math.Log10(6.9/reynolds+math.Pow(roughness/3.7, 1.11))
	return 1 / (s * s)
}

// viscosity of air in Pa s by Sutherland.
func viscosity(t float64) float64 { return 1.458e-6 * math.Pow(t, 1.5) / (t + 110.4) }
