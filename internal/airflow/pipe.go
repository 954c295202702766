package airflow

import (
	"math"

	"gritwatch/protocol/si"
)

// A Pipe is a straight pipe or a hose, in which the air keeps its temperature.
type Pipe struct {
	Bore, Length si.Length
	Roughness    si.Length   // of the wall; commercial steel 0.046 mm; rubber hose 0.01 mm fits the handbook; 0 smooth
	Loss         float64     // velocity heads lost in entry, couplings and bends, 0 and up
	Law          FrictionLaw // of turbulent friction

	// Kappa multiplies friction by 1 + Kappa mu when the air carries mu kg of solids a kg of air. No figure of it is
	// published for abrasives: it is learned, 0 and up.
	Kappa float64
}

// A PipeFlow is a steady flow through a pipe.
type PipeFlow struct {
	Flow          si.MassFlow // of air alone
	Inlet, Outlet si.AbsPressure
	Reynolds      float64 // 0 at rest
	Friction      float64 // Darcy factor of clean air; 0 at rest
	Choked        bool    // at the outlet, whose pressure is then above that of the place it discharges to
}

// Drop is the loss of pressure along the pipe.
func (f PipeFlow) Drop() si.PressureDrop { return si.PressureDrop(f.Inlet - f.Outlet) }

// A run is a pipe at a temperature and loading.
type run struct {
	area     float64 // m2
	rt       float64 // J/kg
	friction float64 // velocity heads for each unit of the factor: L/D (1 + kappa mu)
	loss     float64 // velocity heads
	reynolds float64 // for each kg/s
	rough    float64 // of the bore
	law      FrictionLaw
}

func (p Pipe) run(t si.Temperature, mu si.Ratio) (run, error) {
	for _, q := range [...]struct {
		name string
		v    float64
	}{{"pipe bore", float64(p.Bore)}, {"pipe length", float64(p.Length)}, {"temperature", float64(t)}} {
		if err := positive(q.name, q.v); err != nil {
			return run{}, err
		}
	}
	for _, q := range [...]struct {
		name string
		v    float64
	}{{"minor loss in velocity heads", p.Loss}, {"solids constant kappa", p.Kappa}, {"loading", float64(mu)}} {
		if err := notNegative(q.name, q.v); err != nil {
			return run{}, err
		}
	}
	rough := float64(p.Roughness / p.Bore)
	if !(rough >= 0 && rough <= mostRoughness) {
		return run{}, &DomainError{"roughness over the bore", rough, "from 0 to 0.05"}
	}
	if err := p.Law.check(); err != nil {
		return run{}, err
	}
	r := run{
		area:     float64(si.CircleArea(p.Bore)),
		rt:       GasConstant * float64(t),
		friction: float64(p.Length/p.Bore) * (1 + float64(p.Kappa*float64(mu))),
		loss:     p.Loss,
		reynolds: 4 / (math.Pi * float64(p.Bore) * viscosity(float64(t))),
		rough:    rough,
		law:      p.Law,
	}
	for _, q := range [...]struct {
		name string
		v    float64
	}{{"area of the bore", r.area}, {"length over the bore, times 1 + kappa mu", r.friction}, {"Reynolds number of 1 kg/s", r.reynolds}} {
		if err := positive(q.name, q.v); err != nil {
			return run{}, err
		}
	}
	return r, nil
}

// heads is f L/D (1 + kappa mu) + sum K at a flow above zero.
func (r run) heads(m float64) float64 {
	return float64(r.friction*r.law.factor(r.reynolds*m, r.rough)) + r.loss
}

// sonic is the pressure at which the flow reaches sqrt(RT), where isothermal flow chokes: G sqrt(RT).
func (r run) sonic(m float64) float64 { return m / r.area * math.Sqrt(r.rt) }

// flow completes the account of m from inlet to outlet.
func (r run) flow(m, inlet, outlet float64, choked bool) PipeFlow {
	f := PipeFlow{Flow: si.MassFlow(m), Inlet: si.AbsPressure(inlet), Outlet: si.AbsPressure(outlet), Choked: choked}
	if m > 0 {
		f.Reynolds = r.reynolds * m
		f.Friction = r.law.factor(f.Reynolds, r.rough)
	}
	return f
}

// inletSquared is (p1/p2)^2 of a flow with heads n and (sonic/p2)^2 = g up to 1: the x above 1 of
// x - 1 = g (n + ln x). The left less the right is convex, so Newton's method falls on the root from above.
func inletSquared(n, g float64) float64 {
	gn := float64(g * n)
	x := 1 + gn + float64(2*math.Sqrt(gn))
	for range 60 {
		d := (x - 1 - float64(g*(n+math.Log(x)))) / (1 - g/x)
		x -= d
		if !(math.Abs(d) > 1e-16*x) {
			break
		}
	}
	return max(1, x)
}

// Flow is the flow from up to down, mu kg of solids a kg of air; none where down is not below up. A flow that would
// leave faster than sqrt(RT) is clipped: it is the most that up can drive, it is marked as choked, and its outlet is
// above down.
//
// Air that keeps its heat instead (Fanno) chokes at the speed of sound: from the same inlet state that is up to 18 % more
// through next to no pipe, 2 % more over 10 velocity heads, 0.4 % more over 100, which is 50 ft of blast hose.
func (p Pipe) Flow(up, down si.AbsPressure, t si.Temperature, mu si.Ratio) (PipeFlow, error) {
	r, err := p.run(t, mu)
	if err != nil {
		return PipeFlow{}, err
	}
	if err := conditions(up, down, t); err != nil {
		return PipeFlow{}, err
	}
	p1, p2 := float64(up), float64(down)
	if p2 >= p1 {
		return r.flow(0, p1, p2, false), nil
	}
	// Both laws are solved in ln m, in which the logarithm of the loss rises by 1 (laminar) and more for each unit:
	// so one value bounds the root.
	ln := 2 * math.Log(p1/p2)
	target := (p1 - p2) / p1 * (1 + p2/p1)
	subsonic := func(y float64) float64 {
		m := math.Exp(y)
		s := r.sonic(m) / p1
		return math.Log(s * s * (r.heads(m) + ln) / target)
	}
	guess := r.area * p1 * math.Sqrt(target/(r.rt*(float64(0.02*r.friction)+r.loss+ln)))
	if err := positive("mass flow", guess); err != nil {
		return PipeFlow{}, err
	}
	m := math.Exp(solve(subsonic, math.Log(guess)))
	choked := r.sonic(m) > p2
	if choked {
		m = r.choked(p1)
		p2 = max(p2, r.sonic(m))
	}
	if err := positive("mass flow", m); err != nil {
		return PipeFlow{}, err
	}
	return r.flow(m, p1, p2, choked), nil
}

// choked is the most that the inlet pressure drives.
func (r run) choked(p1 float64) float64 {
	f := func(y float64) float64 {
		m := math.Exp(y)
		s := r.sonic(m) / p1
		return math.Log(float64(s*s) * inletSquared(r.heads(m), 1))
	}
	return math.Exp(solve(f, math.Log(r.area*p1/math.Sqrt(r.rt*inletSquared(float64(0.02*r.friction)+r.loss, 1)))))
}

// solve finds the root of f, whose slope is at least 1, from a guess.
func solve(f func(float64) float64, y float64) float64 {
	v := f(y)
	if v > 0 {
		return root(f, y-float64(v*(1+1e-9))-1e-12, y, 1e-15)
	}
	return root(f, y, y-float64(v*(1+1e-9))+1e-12, 1e-15)
}

// Outlet is the pressure at the outlet when the flow, 0 and up, enters at up. More flow than up can drive is outside
// the domain, and the error wraps ErrChoked.
func (p Pipe) Outlet(up si.AbsPressure, flow si.MassFlow, t si.Temperature, mu si.Ratio) (PipeFlow, error) {
	r, err := p.start(up, flow, t, mu)
	if err != nil {
		return PipeFlow{}, err
	}
	m, p1 := float64(flow), float64(up)
	if m == 0 {
		return r.flow(0, p1, p1, false), nil
	}
	n, s := r.heads(m), r.sonic(m)/p1
	g := float64(s * s)
	if g == 0 {
		return r.flow(m, p1, p1, false), nil
	}
	// z = (p2/p1)^2 is the larger root of z - g ln z = 1 - g n: convex, lowest at z = g, which is the choked outlet.
	switch short := g - float64(g*math.Log(g)) - (1 - float64(g*n)); {
	case short <= -1e-13:
	case short <= 1e-12:
		return r.flow(m, p1, s*p1, true), nil
	default:
		return PipeFlow{}, choked(m, r.choked(p1))
	}
	z := 1.0
	for range 80 {
		d := (z - float64(g*math.Log(z)) - (1 - float64(g*n))) / (1 - g/z)
		if !(math.Abs(d) > 1e-16) || z-d <= g {
			break
		}
		z -= d
	}
	return r.flow(m, p1, p1*math.Sqrt(z), false), nil
}

// Inlet is the pressure that drives the flow, 0 and up, to a place at the pressure down. Where the flow is choked the
// pipe's outlet stands above down.
func (p Pipe) Inlet(down si.AbsPressure, flow si.MassFlow, t si.Temperature, mu si.Ratio) (PipeFlow, error) {
	r, err := p.start(down, flow, t, mu)
	if err != nil {
		return PipeFlow{}, err
	}
	m, p2 := float64(flow), float64(down)
	if m == 0 {
		return r.flow(0, p2, p2, false), nil
	}
	s := r.sonic(m)
	choked := s > p2
	if choked {
		p2 = s
	}
	q := s / p2
	p1 := p2 * math.Sqrt(inletSquared(r.heads(m), q*q))
	if err := positive("inlet pressure", p1); err != nil {
		return PipeFlow{}, err
	}
	return r.flow(m, p1, p2, choked), nil
}

func (p Pipe) start(at si.AbsPressure, flow si.MassFlow, t si.Temperature, mu si.Ratio) (run, error) {
	r, err := p.run(t, mu)
	if err != nil {
		return run{}, err
	}
	if err := conditions(at, at, t); err != nil {
		return run{}, err
	}
	return r, notNegative("mass flow", float64(flow))
}
