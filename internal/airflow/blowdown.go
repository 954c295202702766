package airflow

import (
	"math"
	"time"

	"gritwatch/protocol/si"
)

// A Blowdown is a vessel that empties into the ambient air.
type Blowdown struct {
	Volume      si.Volume
	From, To    si.AbsPressure // From at least To, To at least Ambient
	Ambient     si.AbsPressure
	Temperature si.Temperature // of the vessel's air at From
}

func (b Blowdown) check() error {
	if err := positive("vessel volume", float64(b.Volume)); err != nil {
		return err
	}
	if err := conditions(b.From, b.Ambient, b.Temperature); err != nil {
		return err
	}
	if !(b.To >= b.Ambient) {
		return &DomainError{"final pressure", float64(b.To), "at least the ambient"}
	}
	if !(b.From >= b.To) {
		return &DomainError{"first pressure", float64(b.From), "at least the final"}
	}
	return nil
}

// end is the vessel at a pressure of the blowdown.
func (b Blowdown) end(pPa, n float64) Vessel {
	t := float64(b.Temperature) * math.Exp((n-1)/n*math.Log(pPa/float64(b.From)))
	return Vessel{Volume: b.Volume, Pressure: si.AbsPressure(pPa), Temperature: si.Temperature(t)}
}

// End is the vessel when the blowdown has reached To.
func (b Blowdown) End(n Exponent) (Vessel, error) {
	if err := n.check(); err != nil {
		return Vessel{}, err
	}
	if err := b.check(); err != nil {
		return Vessel{}, err
	}
	return b.end(float64(b.To), float64(n)), nil
}

// Polytropic is how long the blowdown takes through the nozzle. It is finite down to the ambient pressure itself.
func (n Nozzle) Polytropic(b Blowdown, x Exponent) (time.Duration, error) {
	l, err := n.law()
	if err != nil {
		return 0, err
	}
	return l.ventTime(b, x)
}

// Isothermal is Polytropic for air that keeps its temperature.
func (n Nozzle) Isothermal(b Blowdown) (time.Duration, error) { return n.Polytropic(b, Isothermal) }

// Adiabatic is Polytropic for air that takes up no heat.
func (n Nozzle) Adiabatic(b Blowdown) (time.Duration, error) { return n.Polytropic(b, Adiabatic) }

// Vented is the vessel after a time of the blowdown, whose To is not read: at the ambient pressure once it is there.
func (n Nozzle) Vented(b Blowdown, x Exponent, after time.Duration) (Vessel, error) {
	l, err := n.law()
	if err != nil {
		return Vessel{}, err
	}
	return l.vented(b, x, after)
}

// Polytropic is how long the blowdown takes through the restriction. It is finite down to the ambient pressure itself.
func (r Restriction) Polytropic(b Blowdown, x Exponent) (time.Duration, error) {
	l, err := r.law()
	if err != nil {
		return 0, err
	}
	return l.ventTime(b, x)
}

// Isothermal is Polytropic for air that keeps its temperature.
func (r Restriction) Isothermal(b Blowdown) (time.Duration, error) {
	return r.Polytropic(b, Isothermal)
}

// Adiabatic is Polytropic for air that takes up no heat.
func (r Restriction) Adiabatic(b Blowdown) (time.Duration, error) { return r.Polytropic(b, Adiabatic) }

// Vented is the vessel after a time of the blowdown, whose To is not read: at the ambient pressure once it is there.
func (r Restriction) Vented(b Blowdown, x Exponent, after time.Duration) (Vessel, error) {
	l, err := r.law()
	if err != nil {
		return Vessel{}, err
	}
	return l.vented(b, x, after)
}

// A vent is a blowdown through a law, cut at the pressure where the path unchokes. Choked, the pressure falls as
// dp/dt = -(n/tau) p (p/p1)^e, with e = (n-1)/(2n): the air cools, which slows the loss of pressure.
type vent struct {
	law
	n, e   float64
	tau    float64 // s; V p/(R T mdot) at the start
	from   float64 // Pa
	pa     float64 // Pa
	unchok float64 // Pa, at most from
}

func (l law) vent(b Blowdown, x Exponent) vent {
	n, t, pa := float64(x), float64(b.Temperature), float64(b.Ambient)
	v := vent{law: l, n: n, e: (n - 1) / (2 * n), from: float64(b.From), pa: pa}
	v.tau = float64(b.Volume) / (GasConstant * math.Sqrt(t) * l.factor)
	v.unchok = v.from
	if l.critical > 0 {
		v.unchok = min(v.from, pa/l.critical)
	}
	return v
}

// chokedTime is the time from the start to a pressure at or above that of unchoking.
func (v vent) chokedTime(pPa float64) float64 {
	ln := math.Log(v.from / pPa)
	if v.n == 1 {
		return v.tau * ln
	}
	return v.tau / (v.n * v.e) * math.Expm1(v.e*ln)
}

// z is the coordinate of a pressure at or below that of unchoking.
func (v vent) z(pPa float64) float64 { return v.coordinate(min(1, v.pa/pPa)) }

func (l law) ventTime(b Blowdown, x Exponent) (time.Duration, error) {
	if err := x.check(); err != nil {
		return 0, err
	}
	if err := b.check(); err != nil {
		return 0, err
	}
	v := l.vent(b, x)
	to := float64(b.To)
	s := v.chokedTime(max(to, v.unchok))
	if to < v.unchok {
		// Between neighbouring pressures the difference of two closed forms may round below zero.
		s += float64(v.tau * max(0, v.venting(v.z(to), v.z(v.unchok), v.n, v.from/v.pa)))
	}
	return seconds(s)
}

func (l law) vented(b Blowdown, x Exponent, after time.Duration) (Vessel, error) {
	if err := x.check(); err != nil {
		return Vessel{}, err
	}
	b.To = b.Ambient
	if err := b.check(); err != nil {
		return Vessel{}, err
	}
	s, err := elapsed(after)
	if err != nil {
		return Vessel{}, err
	}
	v := l.vent(b, x)
	if err := positive("time constant of the vessel in seconds", v.tau); err != nil {
		return Vessel{}, err
	}
	left := s - v.chokedTime(v.unchok)
	if left <= 0 {
		ln := s / v.tau
		if v.n != 1 {
			ln = math.Log1p(float64(v.n*v.e*s)/v.tau) / v.e
		}
		return b.end(v.from*math.Exp(-ln), v.n), nil
	}
	z1, rise := v.z(v.unchok), v.from/v.pa
	left /= v.tau
	all := v.venting(0, z1, v.n, rise)
	if left >= all {
		return b.end(v.pa, v.n), nil
	}
	z := root(func(z float64) float64 { return left - v.venting(z, z1, v.n, rise) }, 0, z1, 1e-15*all)
	return b.end(v.pa/v.ratio(z), v.n), nil
}
