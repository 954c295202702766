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

// split cuts the blowdown at the pressure where the path unchokes: choked from p1 to p2, subsonic from p3 to p4. Either
// part may be empty, with equal ends.
func (b Blowdown) split(critical float64) (p1, p2, p3, p4 float64) {
	from, to := float64(b.From), float64(b.To)
	pc := math.Inf(1)
	if critical > 0 {
		pc = float64(b.Ambient) / critical
	}
	p2 = min(from, max(to, pc))
	return from, p2, p2, to
}

// seconds is s as a duration, which must fit one.
func seconds(s float64) (time.Duration, error) {
	if !(s >= 0 && s < math.MaxInt64/1e9) {
		return 0, &DomainError{"blowdown time in seconds", s, "under 292 years"}
	}
	return time.Duration(math.Round(s * 1e9)), nil
}

// Isothermal is how long the blowdown takes through the nozzle if the vessel's air keeps its temperature. It is finite
// down to the ambient pressure itself.
func (n Nozzle) Isothermal(b Blowdown) (time.Duration, error) {
	if err := n.check(); err != nil {
		return 0, err
	}
	if err := b.check(); err != nil {
		return 0, err
	}
	p1, p2, p3, p4 := b.split(CriticalRatio)
	v, t, pa := float64(b.Volume), float64(b.Temperature), float64(b.Ambient)
	tau := v / (GasConstant * t * chokedFlow(n.throat(), 1, t))
	scale := v / (n.throat() * math.Sqrt(GasConstant*t)) * math.Sqrt(7)
	tail := func(p float64) float64 {
		y := rise(p, pa)
		return y * (1 + y*y*(2.0/3+float64(y*y/5)))
	}
	return seconds(float64(tau*math.Log(p1/p2)) + float64(scale*(tail(p3)-tail(p4))))
}

// Adiabatic is how long the blowdown takes through the nozzle if the vessel's air takes up no heat.
func (n Nozzle) Adiabatic(b Blowdown) (time.Duration, error) {
	if err := n.check(); err != nil {
		return 0, err
	}
	if err := b.check(); err != nil {
		return 0, err
	}
	p1, p2, p3, p4 := b.split(CriticalRatio)
	v, t, pa := float64(b.Volume), float64(b.Temperature), float64(b.Ambient)
	tau := v / (GasConstant * t * chokedFlow(n.throat(), 1, t))
	tf := t * math.Pow(pa/p1, 2.0/7)
	scale := v / (Gamma * n.throat() * math.Sqrt(GasConstant*tf)) * math.Sqrt(7)
	tail := func(p float64) float64 {
		y := rise(p, pa)
		s := math.Sqrt(1 + float64(y*y))
		return float64(y*s*s*s/4) + float64(3.0/8*(float64(y*s)+math.Asinh(y)))
	}
	return seconds(float64(5*tau*math.Expm1(math.Log(p1/p2)/7)) + float64(scale*(tail(p3)-tail(p4))))
}

// rise is sqrt((p/pa)^(2/7) - 1).
func rise(p, pa float64) float64 {
	return math.Sqrt(max(0, math.Expm1(2.0/7*math.Log(p/pa))))
}

// Isothermal is how long the blowdown takes through the restriction if the vessel's air keeps its temperature.
func (r Restriction) Isothermal(b Blowdown) (time.Duration, error) {
	return r.blowdown(b, func(p1, p2 float64) float64 { return math.Log(p1 / p2) },
		func(float64) float64 { return 1 })
}

// Adiabatic is how long the blowdown takes through the restriction if the vessel's air takes up no heat.
func (r Restriction) Adiabatic(b Blowdown) (time.Duration, error) {
	from := float64(b.From)
	return r.blowdown(b, func(p1, p2 float64) float64 { return 5 * math.Expm1(math.Log(p1/p2)/7) },
		// dp/dt is gamma times the isothermal, and the flow grows as the air cools: sqrt(T1/T) = (p1/p)^(1/7).
		func(p float64) float64 { return math.Pow(from/p, 1.0/7) / Gamma })
}

// blowdown adds the choked part, in units of tau, and the integral of weight(p) dp/(p share(pa/p)).
func (r Restriction) blowdown(b Blowdown, choked func(p1, p2 float64) float64, weight func(p float64) float64) (time.Duration, error) {
	if err := r.check(); err != nil {
		return 0, err
	}
	if err := b.check(); err != nil {
		return 0, err
	}
	crit, pa, m := float64(r.B), float64(b.Ambient), r.M
	p1, p2, p3, p4 := b.split(crit)
	t := float64(b.Temperature)
	tau := float64(b.Volume) / (GasConstant * t * r.choked(1, t))

	// With u = (pa/p - b)/(1 - b) and 1 - u = s^(1/(1-m)) the integrand loses its singularity at u = 1.
	toS := func(p float64) float64 {
		return math.Pow(max(0, min(1, (1-pa/p)/(1-crit))), 1-m)
	}
	lo, hi := toS(p4), toS(p3)
	f := func(s float64) float64 {
		u := 1 - math.Pow(s, 1/(1-m))
		ratio := crit + float64((1-crit)*u)
		return (1 - crit) / (ratio * math.Pow(1+u, m) * (1 - m)) * weight(pa/ratio)
	}
	return seconds(tau * (choked(p1, p2) + simpson(f, lo, hi)))
}

// simpson integrates a smooth function; 400 steps give eight digits of the tails here.
func simpson(f func(float64) float64, lo, hi float64) float64 {
	const n = 400
	h := (hi - lo) / n
	sum := f(lo) + f(hi)
	for i := 1; i < n; i++ {
		w := 2.0
		if i%2 == 1 {
			w = 4
		}
		sum += float64(w * f(lo+float64(float64(i)*h)))
	}
	return sum * h / 3
}
