package airflow

import (
	"math"

	"gritwatch/protocol/si"
)

// VapourConstant is the gas constant of water vapour, J/(kg K).
const VapourConstant = 461.5

// massRatio is that of a mole of water to one of dry air, 0.62199.
const massRatio = GasConstant / VapourConstant

// Air is humid air in the open, as a compressor draws it in. Both gases are ideal, and the vapour does not know of the
// air (enhancement, up to 0.5 % at an atmosphere and 4 % at 10 bar, is left out).
type Air struct {
	Pressure    si.AbsPressure
	Temperature si.Temperature
	Humidity    si.Ratio // relative to Saturation, 0 to 1: over ice below 0.01 C, where weather services go by water
}

func (a Air) vapour() (float64, error) {
	if err := positive("air pressure", float64(a.Pressure)); err != nil {
		return 0, err
	}
	if !(a.Humidity >= 0 && a.Humidity <= 1) {
		return 0, &DomainError{"relative humidity", float64(a.Humidity), "from 0 to 1"}
	}
	s, err := Saturation(a.Temperature)
	if err != nil {
		return 0, err
	}
	v := float64(a.Humidity) * float64(s)
	if !(v < float64(a.Pressure)) {
		return 0, &DomainError{"partial pressure of vapour", v, "below that of the air"}
	}
	return v, nil
}

// Vapour is the partial pressure of the water vapour, which is 0 in dry air.
func (a Air) Vapour() (si.AbsPressure, error) {
	v, err := a.vapour()
	return si.AbsPressure(v), err
}

// HumidityRatio is kg of vapour a kg of dry air.
func (a Air) HumidityRatio() (si.Ratio, error) {
	v, err := a.vapour()
	if err != nil {
		return 0, err
	}
	return ratio(v, float64(a.Pressure)), nil
}

func ratio(vapourPa, pPa float64) si.Ratio { return si.Ratio(massRatio * vapourPa / (pPa - vapourPa)) }

// VapourDensity is the vapour in a volume of the air.
func (a Air) VapourDensity() (si.Density, error) {
	v, err := a.vapour()
	if err != nil {
		return 0, err
	}
	return si.Density(v / (VapourConstant * float64(a.Temperature))), nil
}

// DryDensity is the dry air in a volume of the air.
func (a Air) DryDensity() (si.Density, error) {
	v, err := a.vapour()
	if err != nil {
		return 0, err
	}
	d := (float64(a.Pressure) - v) / (GasConstant * float64(a.Temperature))
	return si.Density(d), positive("density", d)
}

// Density is that of the air with its vapour.
func (a Air) Density() (si.Density, error) {
	d, err := a.DryDensity()
	if err != nil {
		return 0, err
	}
	v, err := a.VapourDensity()
	if err != nil {
		return 0, err
	}
	return d + v, nil
}

// DewPoint is the temperature at which the air, cooled as it is, begins to shed water (or frost).
func (a Air) DewPoint() (si.Temperature, error) { return a.PressureDewPoint(a.Pressure) }

// PressureDewPoint is the dew point once the air is compressed to a pressure: below that temperature the line is wet.
func (a Air) PressureDewPoint(line si.AbsPressure) (si.Temperature, error) {
	v, err := a.vapour()
	if err != nil {
		return 0, err
	}
	if err := positive("line pressure", float64(line)); err != nil {
		return 0, err
	}
	return DewPoint(si.AbsPressure(v * float64(line/a.Pressure)))
}

// SaturatedRatio is the most vapour a kg of dry air can hold at a pressure and temperature, kg; +Inf is not returned:
// where water boils the error wraps ErrDomain.
func SaturatedRatio(p si.AbsPressure, t si.Temperature) (si.Ratio, error) {
	return Air{Pressure: p, Temperature: t, Humidity: 1}.HumidityRatio()
}

// A Stream is a flow of humid air by its parts, which compression and heating do not change.
type Stream struct {
	Dry, Vapour si.MassFlow
}

// Stream is what free air delivered, a volume flow at the state of this air, carries.
func (a Air) Stream(freeAir si.VolumeFlow) (Stream, error) {
	if err := notNegative("free air delivered", float64(freeAir)); err != nil {
		return Stream{}, err
	}
	d, err := a.DryDensity()
	if err != nil {
		return Stream{}, err
	}
	v, err := a.VapourDensity()
	if err != nil {
		return Stream{}, err
	}
	s := Stream{Dry: si.MassFlow(float64(d) * float64(freeAir)), Vapour: si.MassFlow(float64(v) * float64(freeAir))}
	return s, notNegative("mass flow", float64(s.Dry))
}

// FreeAir is the volume flow at the state of this air that carries a mass flow of dry air.
func (a Air) FreeAir(dry si.MassFlow) (si.VolumeFlow, error) {
	if err := notNegative("mass flow", float64(dry)); err != nil {
		return 0, err
	}
	d, err := a.DryDensity()
	if err != nil {
		return 0, err
	}
	q := float64(dry) / float64(d)
	return si.VolumeFlow(q), notNegative("volume flow", q)
}

// Cooled is the stream after it stood at a pressure and temperature, and the water that condensed there: an estimate,
// as it supposes that a separator takes every drop.
func (s Stream) Cooled(p si.AbsPressure, t si.Temperature) (Stream, si.MassFlow, error) {
	if err := notNegative("mass flow of dry air", float64(s.Dry)); err != nil {
		return Stream{}, 0, err
	}
	if err := notNegative("mass flow of vapour", float64(s.Vapour)); err != nil {
		return Stream{}, 0, err
	}
	if err := positive("line pressure", float64(p)); err != nil {
		return Stream{}, 0, err
	}
	sat, err := Saturation(t)
	if err != nil {
		return Stream{}, 0, err
	}
	if !(sat < p) { // nothing condenses above the boiling point
		return s, 0, nil
	}
	most := si.MassFlow(float64(s.Dry) * float64(ratio(float64(sat), float64(p))))
	if !(s.Vapour > most) {
		return s, 0, nil
	}
	return Stream{Dry: s.Dry, Vapour: most}, s.Vapour - most, nil
}

// Humidity is the relative humidity of the stream at a pressure and temperature; above 1 it holds drops.
func (s Stream) Humidity(p si.AbsPressure, t si.Temperature) (si.Ratio, error) {
	if err := positive("mass flow of dry air", float64(s.Dry)); err != nil {
		return 0, err
	}
	if err := notNegative("mass flow of vapour", float64(s.Vapour)); err != nil {
		return 0, err
	}
	if err := positive("line pressure", float64(p)); err != nil {
		return 0, err
	}
	sat, err := Saturation(t)
	if err != nil {
		return 0, err
	}
	w := float64(s.Vapour / s.Dry)
	h := float64(p) * w / (massRatio + w) / float64(sat)
	if math.IsInf(h, 0) || math.IsNaN(h) {
		return 0, &DomainError{"relative humidity", h, "finite"}
	}
	return si.Ratio(h), nil
}
