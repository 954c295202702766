package airflow

import (
	"math"
	"time"

	"gritwatch/protocol/si"
)

// A Vessel is air at rest in a closed room.
type Vessel struct {
	Volume      si.Volume // of the air alone
	Pressure    si.AbsPressure
	Temperature si.Temperature
}

func (v Vessel) check() error {
	if err := positive("vessel volume", float64(v.Volume)); err != nil {
		return err
	}
	if err := positive("vessel pressure", float64(v.Pressure)); err != nil {
		return err
	}
	return positive("vessel temperature", float64(v.Temperature))
}

// Mass is that of the air in the vessel.
func (v Vessel) Mass() (si.Mass, error) {
	if err := v.check(); err != nil {
		return 0, err
	}
	m := float64(v.Pressure) * float64(v.Volume) / (GasConstant * float64(v.Temperature))
	return si.Mass(m), positive("mass of the vessel's air", m)
}

// Settled is the vessel, shut, once its air has the temperature t: after a fast blowdown the wall warms it and the
// pressure comes back (rebound), after a fast charge it cools and the pressure sags.
func (v Vessel) Settled(t si.Temperature) (Vessel, error) {
	if err := v.check(); err != nil {
		return Vessel{}, err
	}
	if err := positive("settled temperature", float64(t)); err != nil {
		return Vessel{}, err
	}
	v.Pressure *= si.AbsPressure(t / v.Temperature)
	v.Temperature = t
	return v, positive("settled pressure", float64(v.Pressure))
}

// An Exponent says how much heat the vessel's air takes up as it changes: from 1, all that keeps its temperature, to
// Gamma, none.
//
// Venting it is the polytropic exponent n of p/rho^n. Charging, the wall takes the share (Gamma - n)/(Gamma - 1) of the
// work that the entering air does on the air inside, and the pressure rises n times as fast as at the supply's
// temperature. Either way a true n changes in time: high at first and in an empty pot, near 1 late and in a full one,
// where the grit holds the heat. Of residual rebounds 1.05 to 1.2 is common practice, no source.
type Exponent float64

// The ends of the scale.
const (
	Isothermal Exponent = 1
	Adiabatic  Exponent = Gamma
)

func (n Exponent) check() error {
	if !(n >= Isothermal && n <= Adiabatic) {
		return &DomainError{"exponent of the vessel's air", float64(n), "from 1 to 1.4"}
	}
	return nil
}

// seconds is s as a duration, which must fit one.
func seconds(s float64) (time.Duration, error) {
	if !(s >= 0 && s < math.MaxInt64/1e9) {
		return 0, &DomainError{"time in seconds", s, "from 0 to 292 years"}
	}
	return time.Duration(math.Round(s * 1e9)), nil
}

// elapsed is d in seconds, not negative.
func elapsed(d time.Duration) (float64, error) {
	return d.Seconds(), notNegative("elapsed time in seconds", d.Seconds())
}

// Decay is the mean flow that leaves, or leaks from, a vessel of constant temperature whose pressure falls from its
// own to To in a time: V dp/(R T dt).
func (v Vessel) Decay(to si.AbsPressure, d time.Duration) (si.MassFlow, error) {
	if err := v.check(); err != nil {
		return 0, err
	}
	if err := positive("final pressure", float64(to)); err != nil {
		return 0, err
	}
	if !(to <= v.Pressure) {
		return 0, &DomainError{"final pressure", float64(to), "at most the first"}
	}
	if err := positive("elapsed time in seconds", d.Seconds()); err != nil {
		return 0, err
	}
	return finiteFlow(float64(v.Volume) * float64(v.Pressure-to) / (GasConstant * float64(v.Temperature) * d.Seconds()))
}
