package airflow

import (
	"math"
	"time"

	"gritwatch/protocol/si"
)

// A Charge is a vessel that fills from a supply of constant pressure.
type Charge struct {
	Volume            si.Volume
	From, To          si.AbsPressure // From at most To, To at most Supply
	Supply            si.AbsPressure
	Temperature       si.Temperature // of the vessel's air at From
	SupplyTemperature si.Temperature
}

func (c Charge) check() error {
	if err := positive("vessel volume", float64(c.Volume)); err != nil {
		return err
	}
	if err := conditions(c.Supply, c.From, c.SupplyTemperature); err != nil {
		return err
	}
	if err := positive("vessel temperature", float64(c.Temperature)); err != nil {
		return err
	}
	if !(c.To <= c.Supply) {
		return &DomainError{"final pressure", float64(c.To), "at most that of the supply"}
	}
	if !(c.From <= c.To) {
		return &DomainError{"first pressure", float64(c.From), "at most the final"}
	}
	return nil
}

// end is the vessel at a pressure of the charge: what came in is V (p - p0)/(n R Tsupply).
func (c Charge) end(pPa, n float64) Vessel {
	from := float64(c.From)
	m := from/float64(c.Temperature) + (pPa-from)/(n*float64(c.SupplyTemperature)) // times R/V
	return Vessel{Volume: c.Volume, Pressure: si.AbsPressure(pPa), Temperature: si.Temperature(pPa / m)}
}

// End is the vessel when the charge has reached To. At the exponent 1 its air has the supply's temperature if it had
// it before, and that of a mixture if not.
func (c Charge) End(n Exponent) (Vessel, error) {
	if err := n.check(); err != nil {
		return Vessel{}, err
	}
	if err := c.check(); err != nil {
		return Vessel{}, err
	}
	return c.end(float64(c.To), float64(n)), nil
}

// ChargeTime is how long the charge takes through the nozzle. It is finite up to the supply's pressure itself.
func (n Nozzle) ChargeTime(c Charge, x Exponent) (time.Duration, error) {
	l, err := n.law()
	if err != nil {
		return 0, err
	}
	return l.chargeTime(c, x)
}

// Charged is the vessel after a time of the charge, whose To is not read: at the supply's pressure once it is there.
func (n Nozzle) Charged(c Charge, x Exponent, after time.Duration) (Vessel, error) {
	l, err := n.law()
	if err != nil {
		return Vessel{}, err
	}
	return l.charged(c, x, after)
}

// ChargeTime is how long the charge takes through the restriction. It is finite up to the supply's pressure itself.
func (r Restriction) ChargeTime(c Charge, x Exponent) (time.Duration, error) {
	l, err := r.law()
	if err != nil {
		return 0, err
	}
	return l.chargeTime(c, x)
}

// Charged is the vessel after a time of the charge, whose To is not read: at the supply's pressure once it is there.
func (r Restriction) Charged(c Charge, x Exponent, after time.Duration) (Vessel, error) {
	l, err := r.law()
	if err != nil {
		return Vessel{}, err
	}
	return l.charged(c, x, after)
}

// scale is the time in which the choked flow would raise the vessel by the supply's pressure, s: the pressure rises
// n times as fast as at the supply's temperature, dp/dt = n R Tsupply mdot/V.
func (l law) scale(c Charge, x Exponent) float64 {
	return float64(c.Volume) / (float64(x) * GasConstant * math.Sqrt(float64(c.SupplyTemperature)) * l.factor)
}

func (l law) chargeTime(c Charge, x Exponent) (time.Duration, error) {
	if err := x.check(); err != nil {
		return 0, err
	}
	if err := c.check(); err != nil {
		return 0, err
	}
	r1, r2 := float64(c.From/c.Supply), float64(c.To/c.Supply)
	s := max(0, min(r2, l.critical)-r1)
	if r2 > l.critical {
		// Between neighbouring pressures the difference of two closed forms may round below zero.
		s += max(0, l.charging(l.coordinate(r2), l.coordinate(max(r1, l.critical))))
	}
	return seconds(l.scale(c, x) * s)
}

func (l law) charged(c Charge, x Exponent, after time.Duration) (Vessel, error) {
	if err := x.check(); err != nil {
		return Vessel{}, err
	}
	c.To = c.Supply
	if err := c.check(); err != nil {
		return Vessel{}, err
	}
	s, err := elapsed(after)
	if err != nil {
		return Vessel{}, err
	}
	scale := l.scale(c, x)
	if err := positive("time constant of the vessel in seconds", scale); err != nil {
		return Vessel{}, err
	}
	s /= scale
	r1 := float64(c.From / c.Supply)
	left := s - max(0, l.critical-r1)
	if left <= 0 {
		return c.end(float64(c.From)+float64(s*float64(c.Supply)), float64(x)), nil
	}
	z1 := l.coordinate(max(r1, l.critical))
	all := l.charging(0, z1)
	if left >= all {
		return c.end(float64(c.Supply), float64(x)), nil
	}
	z := root(func(z float64) float64 { return left - l.charging(z, z1) }, 0, z1, 1e-15*all)
	return c.end(float64(float64(c.Supply)*l.ratio(z)), float64(x)), nil
}
