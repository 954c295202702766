package scenario

import (
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
)

// plant is the equipment to simulate.
func (p *Pot) plant(s *Scenario) plant.Spec {
	e, w := &p.Equipment, s.Weather.Weather
	w.Barometer = p.Atmosphere.Pressure()
	spec := plant.Spec{Volume: p.Vessel.Volume, HoldsPressure: p.Vessel.HoldsPressure, HoseBore: p.Hose.Bore, HoseLength: p.Hose.Length,
		NozzleBore: p.Nozzle.Bore, NozzleLife: e.NozzleLife, Target: p.Nozzle.Target, Bulk: p.Abrasive.Bulk, Solid: p.Abrasive.Solid,
		Grain: e.Grain, Fill: p.Fill, Metering: e.Metering, VentTime: e.VentTime, ControlLag: e.ControlLag, Compressor: e.Compressor, Weather: w}
	if spec.Fill == 0 {
		spec.Fill = 1e-9 // 0 would stand for full
	}
	if c := p.Script.Cycle; c != nil {
		spec.RefillTime = c.RefillTime
	}
	return spec
}

// at is the weather when it has gone the share given of its way. The barometer is that of the start.
func (w *Weather) at(grown float64, barometer si.AbsPressure) plant.Weather {
	between := func(from, def, to float64) float64 {
		if from == 0 {
			from = def
		}
		if to == 0 {
			return from
		}
		return from + float64((to-from)*grown)
	}
	return plant.Weather{
		Barometer: si.AbsPressure(between(float64(barometer), 0, float64(w.Then.Barometer))),
		Air:       si.Temperature(between(float64(w.Air), plant.UsualAir, float64(w.Then.Air))),
		Humidity:  si.Ratio(between(float64(w.Humidity), plant.UsualHumidity, float64(w.Then.Humidity))),
	}
}
