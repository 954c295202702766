package airflow

import (
	"math"

	"gritwatch/protocol/si"
)

// A Conductance is a sonic conductance, m3/(s Pa), of air at the reference state of ISO 8778.
type Conductance float64

// DM3PerSecondBar is 1 dm3/(s bar), the unit of data sheets.
const DM3PerSecondBar Conductance = 1e-8

// The reference state of ISO 6358 (ISO 8778, ANR): 293.15 K, 100 kPa, 65 % relative humidity. The density is the
// standard's rounded figure, not derived from the others.
const (
	ReferenceDensity     si.Density     = 1.185
	ReferenceTemperature si.Temperature = 293.15
)

// UsualIndex is the subsonic index of ISO 6358 where none was measured: a quarter ellipse.
const UsualIndex = 0.5

// A Restriction is a path that ISO 6358-1 describes.
type Restriction struct {
	C Conductance
	B si.Ratio // critical ratio, 0 up to below 1; 0.2 to 0.5 for real valves
	M float64  // subsonic index, 0.1 to 0.9; 0.5 where not measured
}

func (r Restriction) check() error {
	if err := positive("sonic conductance", float64(r.C)); err != nil {
		return err
	}
	if !(r.B >= 0 && r.B < 1) {
		return &DomainError{"critical ratio", float64(r.B), "from 0 to below 1"}
	}
	if !(r.M >= 0.1 && r.M <= 0.9) {
		return &DomainError{"subsonic index", r.M, "from 0.1 to 0.9"}
	}
	return nil
}

// choked is the choked mass flow, kg/s.
func (r Restriction) choked(upPa, tK float64) float64 {
	return float64(ReferenceDensity) * float64(r.C) * upPa * math.Sqrt(float64(ReferenceTemperature)/tK)
}

// share is the flow at the ratio p2/p1 over the choked flow.
func (r Restriction) share(ratio float64) float64 {
	b := float64(r.B)
	switch {
	case ratio >= 1:
		return 0
	case ratio <= b:
		return 1
	}
	u := (ratio - b) / (1 - b)
	return math.Pow((1-u)*(1+u), r.M)
}

// MassFlow is the flow from up to down; zero where down is not below up.
func (r Restriction) MassFlow(up, down si.AbsPressure, t si.Temperature) (si.MassFlow, error) {
	if err := r.check(); err != nil {
		return 0, err
	}
	if err := conditions(up, down, t); err != nil {
		return 0, err
	}
	return finiteFlow(r.choked(float64(up), float64(t)) * r.share(float64(down)/float64(up)))
}

// Downstream is the highest pressure downstream at which the restriction passes the flow q: up at no flow, B times up
// at choked flow. More than the choked flow is outside the domain.
func (r Restriction) Downstream(up si.AbsPressure, q si.MassFlow, t si.Temperature) (si.AbsPressure, error) {
	if err := r.check(); err != nil {
		return 0, err
	}
	if err := conditions(up, up, t); err != nil {
		return 0, err
	}
	if err := notNegative("mass flow", float64(q)); err != nil {
		return 0, err
	}
	most := r.choked(float64(up), float64(t))
	share := float64(q) / most
	if !(share <= 1) {
		return 0, choked(float64(q), most)
	}
	u := math.Sqrt(1 - math.Pow(share, 1/r.M))
	b := float64(r.B)
	return si.AbsPressure(float64(up) * (b + float64((1-b)*u))), nil
}

// A Measurement is one steady flow through a restriction.
type Measurement struct {
	Up, Down    si.AbsPressure
	Temperature si.Temperature // upstream
	Flow        si.MassFlow
}

// Fit is the restriction of index m that a choked and a subsonic measurement give.
func Fit(choked, subsonic Measurement, m float64) (Restriction, error) {
	if err := conditions(choked.Up, choked.Down, choked.Temperature); err != nil {
		return Restriction{}, err
	}
	if err := conditions(subsonic.Up, subsonic.Down, subsonic.Temperature); err != nil {
		return Restriction{}, err
	}
	r := Restriction{C: Conductance(float64(choked.Flow) / (float64(ReferenceDensity) * float64(choked.Up) *
		math.Sqrt(float64(ReferenceTemperature)/float64(choked.Temperature)))), M: m}
	if err := r.check(); err != nil {
		return Restriction{}, err
	}
	share := float64(subsonic.Flow) / r.choked(float64(subsonic.Up), float64(subsonic.Temperature))
	if !(share > 0 && share < 1) {
		return Restriction{}, &DomainError{"subsonic flow", float64(subsonic.Flow), "above zero and below the choked flow"}
	}
	u := math.Sqrt(1 - math.Pow(share, 1/m))
	r.B = si.Ratio((float64(subsonic.Down)/float64(subsonic.Up) - u) / (1 - u))
	if err := r.check(); err != nil {
		return Restriction{}, err
	}
	if ratio := float64(choked.Down) / float64(choked.Up); ratio > float64(r.B) {
		return Restriction{}, &DomainError{"pressure ratio of the choked measurement", ratio, "at or below the critical ratio found"}
	}
	return r, nil
}
