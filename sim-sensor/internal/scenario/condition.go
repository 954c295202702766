package scenario

import (
	"fmt"
	"strings"
	"time"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
)

// An ail is a key of an event that says what is wrong with the equipment.
type ail struct {
	key    string
	grows  bool // over lets it grow to its value
	chosen bool // its value is one of a few words
	read   func(m yamlfile.Map, key string) plant.Condition
}

// ails in the order of the air.
var ails = []ail{
	{"compressor", false, true, func(m yamlfile.Map, k string) (c plant.Condition) {
		c.CompressorOff = m.Choice(k, "off") == "off"
		return c
	}},
	{"capacity_lost", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.CapacityLost = share(m, k); return c }},
	{"set_low", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.SetLow = m.PressureDrop(k); return c }},
	{"consumer", true, false, func(m yamlfile.Map, k string) (c plant.Condition) {
		c.Consumer = yamlfile.Scalar(m, k, "80 cfm", parseFreeAir)
		return c
	}},
	{"supply_lost", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.SupplyLost = share(m, k); return c }},
	{"separator_lost", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.SeparatorLost = share(m, k); return c }},
	{"carry_over", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.CarryOver = share(m, k); return c }},
	{"drain", false, true, func(m yamlfile.Map, k string) (c plant.Condition) {
		c.DrainShut = m.Choice(k, "shut") == "shut"
		return c
	}},
	{"drain_leak", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.DrainHole = bore(m, k); return c }},
	{"inlet", false, true, func(m yamlfile.Map, k string) (c plant.Condition) {
		switch m.Choice(k, "stuck-shut", "stuck-open") {
		case "stuck-shut":
			c.InletStuck = plant.StuckShut
		case "stuck-open":
			c.InletStuck = plant.StuckOpen
		}
		return c
	}},
	{"inlet_leak", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.InletLeak = bore(m, k); return c }},
	{"seal_leak", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.SealHole = bore(m, k); return c }},
	{"choke_shut", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.ChokeShut = share(m, k); return c }},
	{"metering", false, true, func(m yamlfile.Map, k string) (c plant.Condition) {
		switch m.Choice(k, "blocked", "bridged") {
		case "blocked":
			c.MeteringBlocked = true
		case "bridged":
			c.Bridged = true
		}
		return c
	}},
	{"metering_by", true, false, func(m yamlfile.Map, k string) (c plant.Condition) {
		if c.MeteringBy = m.Ratio(k); c.MeteringBy < -1 || c.MeteringBy > 4 {
			m.Fail(k, "is not from -100 to 400 %", "")
		}
		return c
	}},
	{"clumps", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.Clumps = share(m, k); return c }},
	{"blow_by", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.BlowBy = bore(m, k); return c }},
	{"hose", false, true, func(m yamlfile.Map, k string) (c plant.Condition) {
		switch m.Choice(k, "plugged", "parted") {
		case "plugged":
			c.HoseKink = 1
		case "parted":
			c.HoseHole = parted
		}
		return c
	}},
	{"hose_kink", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.HoseKink = share(m, k); return c }},
	{"hose_leak", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.HoseHole = bore(m, k); return c }},
	{"nozzle", false, true, func(m yamlfile.Map, k string) (c plant.Condition) {
		c.NozzlePlugged = m.Choice(k, "plugged") == "plugged"
		return c
	}},
	{"nozzle_worn", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.NozzleWorn = bore(m, k); return c }},
	{"exhaust_shut", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.ExhaustShut = share(m, k); return c }},
	{"exhaust_ice", false, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.ExhaustIce = share(m, k); return c }},
	{"trap", false, false, func(m yamlfile.Map, k string) (c plant.Condition) {
		if c.Trap = m.GaugePressure(k); c.Trap <= 0 {
			m.Fail(k, "is not above zero", "write the pressure at which the vent ends, for example 1.3 psi")
		}
		return c
	}},
	{"shut_at_zero", false, false, func(m yamlfile.Map, k string) (c plant.Condition) {
		if always(m, k) {
			c.Trap = atZero
		}
		return c
	}},
	{"control_slow", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.ControlSlow = m.Duration(k); return c }},
	{"control_leak", true, false, func(m yamlfile.Map, k string) (c plant.Condition) { c.ControlLeak = share(m, k); return c }},
}

const (
	parted si.Length        = 1 // m: wider than any hose; what flows then is what the push line lets through
	atZero si.GaugePressure = 0.1 * si.PSI
	// freeAir is the density of air at 20 C and one atmosphere, kg/m3, for flows in cubic feet of free air.
	freeAir = 1.204
	maxBore = 0.05 // m: a larger hole is a slip of the pen
)

func bore(m yamlfile.Map, key string) si.Length {
	d := m.Length(key)
	if d < 0 || d > maxBore {
		m.Fail(key, "is not a bore up to 50 mm", "write for example 6 mm, or 1/16 in")
	}
	return d
}

// parseFreeAir reads a flow of free air, "80 cfm" or "2.3 m3/min".
func parseFreeAir(text string) (si.MassFlow, error) {
	for unit, factor := range map[string]float64{"cfm": si.CubicFoot / 60, "m3/min": 1.0 / 60} {
		number, ok := strings.CutSuffix(strings.TrimSpace(text), unit)
		if !ok {
			continue
		}
		if v, err := si.ParseVolume(number + "m3"); err == nil && v > 0 && v < 1e4 {
			return si.MassFlow(float64(v) * factor * freeAir), nil
		}
	}
	return 0, fmt.Errorf("%q is not a flow of free air; write for example 80 cfm, or 2.3 m3/min", text)
}

// merge lets a condition hold beside those that do: the worse of the two, where both are of a kind. Grown, 0 to 1, is
// how far what grows has come.
func merge(into *plant.Condition, c *plant.Condition, grown float64) {
	ratio := func(to *si.Ratio, v si.Ratio) { *to = max(*to, v*si.Ratio(grown)) }
	length := func(to *si.Length, v si.Length) { *to = max(*to, v*si.Length(grown)) }
	flag := func(to *bool, v bool) { *to = *to || v }

	ratio(&into.ExhaustShut, c.ExhaustShut)
	ratio(&into.ExhaustIce, c.ExhaustIce)
	into.Trap = max(into.Trap, c.Trap)
	flag(&into.CompressorOff, c.CompressorOff)
	ratio(&into.CapacityLost, c.CapacityLost)
	into.SetLow = max(into.SetLow, c.SetLow*si.PressureDrop(grown))
	into.Consumer += si.MassFlow(c.Consumer * si.MassFlow(grown))
	ratio(&into.SupplyLost, c.SupplyLost)
	ratio(&into.SeparatorLost, c.SeparatorLost)
	length(&into.DrainHole, c.DrainHole)
	length(&into.InletLeak, c.InletLeak)
	into.InletStuck = max(into.InletStuck, c.InletStuck)
	ratio(&into.ChokeShut, c.ChokeShut)
	length(&into.SealHole, c.SealHole)
	ratio(&into.HoseKink, c.HoseKink)
	length(&into.HoseHole, c.HoseHole)
	flag(&into.NozzlePlugged, c.NozzlePlugged)
	length(&into.NozzleWorn, c.NozzleWorn)
	into.MeteringBy += si.Ratio(c.MeteringBy * si.Ratio(grown))
	flag(&into.MeteringBlocked, c.MeteringBlocked)
	flag(&into.Bridged, c.Bridged)
	ratio(&into.Clumps, c.Clumps)
	length(&into.BlowBy, c.BlowBy)
	ratio(&into.CarryOver, c.CarryOver)
	flag(&into.DrainShut, c.DrainShut)
	into.ControlSlow = max(into.ControlSlow, time.Duration(float64(c.ControlSlow)*grown))
	ratio(&into.ControlLeak, c.ControlLeak)
}
