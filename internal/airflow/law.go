package airflow

import "math"

// A law is a nozzle or a restriction as a vessel sees it: its choked flow, and what share of it flows at a ratio.
type law struct {
	factor   float64 // choked mass flow times sqrt(T), for 1 Pa: kg/s sqrt(K)/Pa
	critical float64 // ratio
	index    float64 // of a restriction; 0 for the ideal nozzle
}

func (n Nozzle) law() (law, error) {
	if err := n.check(); err != nil {
		return law{}, err
	}
	return law{factor: chokedFlow(n.throat(), 1, 1), critical: CriticalRatio}, nil
}

func (r Restriction) law() (law, error) {
	if err := r.check(); err != nil {
		return law{}, err
	}
	return law{factor: r.choked(1, 1), critical: float64(r.B), index: r.M}, nil
}

// Both laws go as a power of 1 - r near equal pressures, so times through them are integrals with a singular end. Each
// has a coordinate z, 0 at equal pressures, in which they are smooth:
//
//	nozzle       z = sqrt(r^(-2/7) - 1)                      share = z (1+z^2)^-3 / sqrt(crit)
//	restriction  1 - u = z^(1/(1-m)), u = (r - b)/(1 - b)    share = (1-u)^m (1+u)^m

// nozzleCrit is the root of r^(10/7) - r^(12/7) at the critical ratio: sqrt((5/6)^5/6).
const nozzleCrit = 0.2588041640624756593066

// coordinate is z of the ratio r, up to 1, and at or above the critical ratio.
func (l law) coordinate(r float64) float64 {
	if l.index == 0 {
		return math.Sqrt(max(0, math.Expm1(-2.0/7*math.Log(r))))
	}
	return math.Pow(max(0, min(1, (1-r)/(1-l.critical))), 1-l.index)
}

// ratio is r of the coordinate z.
func (l law) ratio(z float64) float64 {
	if l.index == 0 {
		return math.Exp(-3.5 * math.Log1p(z*z))
	}
	return 1 - float64((1-l.critical)*math.Pow(z, 1/(1-l.index)))
}

// ventSlope is -d(ln p)/dz over the share, p the pressure of a vessel at the ratio pa/p = r(z).
func (l law) ventSlope(z float64) float64 {
	if l.index == 0 {
		w := 1 + float64(z*z)
		return 7 * nozzleCrit * w * w
	}
	return l.chargeSlope(z) / l.ratio(z)
}

// chargeSlope is -dr/dz over the share.
func (l law) chargeSlope(z float64) float64 {
	if l.index == 0 {
		return 7 * nozzleCrit * math.Exp(-1.5*math.Log1p(z*z))
	}
	u := 1 - math.Pow(z, 1/(1-l.index))
	return (1 - l.critical) / (math.Pow(1+u, l.index) * (1 - l.index))
}

// venting is how long a vessel vents from the coordinate z1 down to z0, in units of tau, at the exponent n; rise is the
// pressure at the start of the whole blowdown over the ambient.
func (l law) venting(z0, z1, n, rise float64) float64 {
	switch {
	case l.index == 0 && n == 1:
		f := func(z float64) float64 {
			q := z * z
			return float64(z * (1 + float64(q*(2.0/3+float64(q/5)))))
		}
		return 7 * nozzleCrit * (f(z1) - f(z0))
	case l.index == 0 && n == Gamma:
		f := func(z float64) float64 {
			s := math.Sqrt(1 + float64(z*z))
			return float64(z*s*s*s/4) + float64(3.0/8*(float64(z*s)+math.Asinh(z)))
		}
		return 5 * nozzleCrit * math.Exp(math.Log(rise)/7) * (f(z1) - f(z0))
	case l.index == 0.5 && n == 1:
		// With z = sqrt 2 sin a the integrand is c/(1 - c sin^2 a), c = 2(1-b).
		c := 2 * (1 - l.critical)
		f := func(z float64) float64 { return float64(c * arc(1-c, z/math.Sqrt((math.Sqrt2-z)*(math.Sqrt2+z)))) }
		return f(z1) - f(z0)
	}
	e := (n - 1) / (2 * n)
	return integral(func(z float64) float64 {
		return l.ventSlope(z) / n * math.Exp(e*math.Log(rise*l.ratio(z)))
	}, z0, z1)
}

// arc is the integral from 0 to t of dx/(1 + q x^2), where q t^2 is above -1.
func arc(q, t float64) float64 {
	switch s := math.Sqrt(math.Abs(q)); {
	case s*t < 1e-4:
		return t * (1 - float64(q*t*t/3))
	case q > 0:
		return math.Atan(s*t) / s
	default:
		return math.Atanh(s*t) / s
	}
}

// charging is how long a vessel charges from the coordinate z1 down to z0, in units of the time in which the choked
// flow would raise it by the supply's pressure.
func (l law) charging(z0, z1 float64) float64 {
	switch l.index {
	case 0:
		f := func(z float64) float64 { return z / math.Sqrt(1+float64(z*z)) }
		return 7 * nozzleCrit * (f(z1) - f(z0))
	case 0.5:
		return 2 * (1 - l.critical) * (math.Asin(z1/math.Sqrt2) - math.Asin(z0/math.Sqrt2))
	}
	return integral(l.chargeSlope, z0, z1)
}
