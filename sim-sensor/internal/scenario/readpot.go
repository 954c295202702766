package scenario

import (
	"fmt"
	"strconv"
	"strings"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
)

// readEquipment reads what a pot has beside the mapping of pot.yaml.
func readEquipment(m yamlfile.Map) (e Equipment) {
	o := m.Optional()
	if m.Has("metering") {
		if e.Metering = m.Ratio("metering"); e.Metering < 0.05 || e.Metering > 5 {
			m.Fail("metering", "is not from 5 to 500 %", "100 % is the trade's usual mixture")
		}
	}
	if m.Has("grain") {
		if e.Grain = m.Length("grain"); e.Grain <= 0 || e.Grain > 5e-3 {
			m.Fail("grain", "is not a grain's diameter up to 5 mm", "")
		}
	}
	if m.Has("nozzle_life") {
		if e.NozzleLife = m.Mass("nozzle_life"); e.NozzleLife <= 0 {
			m.Fail("nozzle_life", "is not above zero", "write the abrasive that wears the bore by 1/16 in, for example 350 t")
		}
	}
	e.VentTime, e.ControlLag = o.Duration("vent_time"), o.Duration("control_lag")
	if !m.Has("compressor") {
		return e
	}
	cm := m.Map("compressor")
	c, o := &e.Compressor, cm.Optional()
	if cm.Has("capacity") {
		if c.Capacity = cm.Ratio("capacity"); c.Capacity < 0.1 || c.Capacity > 20 {
			cm.Fail("capacity", "is not from 10 to 2000 % of the nozzle's air", "")
		}
	}
	c.Unload = o.GaugePressure("unload")
	if c.Band = o.PressureDrop("band"); cm.Has("band") && c.Band < 0.5*si.PSI {
		cm.Fail("band", "is under 0.5 psi", "")
	}
	c.Cycles = cm.Has("control") && cm.Choice("control", "throttles", "cycles") == "cycles"
	c.NoCooler = cm.Has("cooler") && cm.Choice("cooler", "none") == "none"
	return e
}

func readCycle(m yamlfile.Map) *Cycle {
	o := m.Optional()
	c := &Cycle{Press: m.Duration("press"), Rest: m.Duration("rest"), Start: moment(m, "start"),
		RefillBelow: defaultRefillBelow, RefillPause: defaultRefillPause, RefillTime: o.Duration("refill_time"), Notices: o.Duration("notices")}
	if m.Has("vary") {
		c.Vary = share(m, "vary")
	}
	if m.Has("refill_below") {
		c.RefillBelow = share(m, "refill_below")
	}
	if m.Has("refill_pause") {
		c.RefillPause = m.Duration("refill_pause")
	}
	if m.Has("refill_to") {
		c.RefillTo = share(m, "refill_to")
	}
	if m.Has("blowdown_after") {
		c.Blowdown = m.Int("blowdown_after", 1, 1000)
	}
	if m.Has("break") {
		bm := m.Map("break")
		c.BreakEvery, c.BreakFor = bm.Duration("every"), bm.Duration("for")
	}
	return c
}

// readWeather reads the air at the start, and what it becomes.
func readWeather(m yamlfile.Map) (w Weather) {
	air := func(m yamlfile.Map) (a plant.Weather) {
		o := m.Optional()
		if a.Air = o.Temperature("temperature"); m.Has("temperature") && (a.Air < 230 || a.Air > 330) {
			m.Fail("temperature", "is no weather", "write for example 20 C")
		}
		if m.Has("humidity") {
			a.Humidity = max(share(m, "humidity"), 0.001)
		}
		return a
	}
	w.Weather = air(m)
	if !m.Has("then") {
		return w
	}
	tm := m.Map("then")
	w.Then = air(tm)
	if tm.Has("barometer") {
		if w.Then.Barometer = tm.AbsPressure("barometer"); w.Then.Barometer < 50*si.KPa || w.Then.Barometer > 110*si.KPa {
			tm.Fail("barometer", "is not from 500 to 1100 mbar", "")
		}
	}
	w.After = tm.Duration("after")
	return w
}

func parseRate(text string) (float64, error) {
	number, ok := strings.CutSuffix(strings.TrimSpace(text), "Hz")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !ok || err != nil || !(v >= 1 && v <= 50) {
		return 0, fmt.Errorf("%q is not a rate from 1 to 50 Hz; write for example 10 Hz", text)
	}
	return v, nil
}
