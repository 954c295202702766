// Package potyaml writes what package potfile reads: the mapping of pot.yaml, quantities in the unit that gives the
// shortest text, each of which reads back as exactly the same figure.
package potyaml

import (
	"math"
	"strconv"
	"strings"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A unit is one that package si reads, with its factor.
type unit struct {
	name string
	si   float64
}

// The units to choose from, the base unit last.
var (
	pressures = [...]unit{{"psi", si.PSI}, {"bar", si.Bar}, {"kPa", si.KPa}, {"Pa", 1}}
	lengths   = [...]unit{{"in", si.Inch}, {"ft", si.Foot}, {"mm", 1e-3}, {"m", 1}}
	heights   = [...]unit{{"ft", si.Foot}, {"m", 1}}
	volumes   = [...]unit{{"ft3", si.CubicFoot}, {"L", si.Litre}, {"m3", 1}}
	densities = [...]unit{{"lb/ft3", si.PoundPerCubicFoot}, {"kg/m3", 1}}
	shares    = [...]unit{{"%", 0.01}}
)

// digits is how many a figure has at most in a unit that is not the base; beyond them the figure is none of that unit's.
const digits = 10

// number is v in a unit, and whether it reads back as v.
func number(v float64, u unit) (text string, exact bool) {
	round, err := strconv.ParseFloat(strconv.FormatFloat(v/u.si, 'g', digits, 64), 64)
	return strconv.FormatFloat(round, 'f', -1, 64), err == nil && round*u.si == v
}

// choose is the unit in which all of vs have the shortest text; the base unit where none has all of them exactly.
func choose(us []unit, vs ...float64) (texts []string, name string) {
	best := math.MaxInt
	for _, u := range us {
		var these []string
		length := len(u.name)
		for _, v := range vs {
			t, exact := number(v, u)
			if !exact {
				length = math.MaxInt
				break
			}
			these, length = append(these, t), length+len(t)
		}
		if length < best {
			texts, name, best = these, u.name, length
		}
	}
	if best < math.MaxInt {
		return texts, name
	}
	base := us[len(us)-1]
	for _, v := range vs {
		texts = append(texts, strconv.FormatFloat(v/base.si, 'f', -1, 64))
	}
	return texts, base.name
}

func quantity[T ~float64](v T, us []unit) string {
	texts, name := choose(us, float64(v))
	return texts[0] + " " + name
}

// Append appends a pot's mapping, its first line behind first and the others behind rest, so that it can stand in a list.
// Extra lines such as "agent: quay-1" follow the name.
func Append(dst []byte, p potfile.Pot, first, rest string, extra ...string) []byte {
	lead := first
	line := func(parts ...string) {
		dst = append(append(append(dst, lead...), strings.Join(parts, "")...), '\n')
		lead = rest
	}
	line("name: ", p.Name)
	for _, e := range extra {
		line(e)
	}
	if p.Atmosphere.Given() {
		line("atmosphere: ", Atmosphere(p.Atmosphere))
	}
	holds := ""
	if p.Vessel.HoldsPressure {
		holds = ", holds_pressure: true"
	}
	line("vessel: {volume: ", quantity(p.Vessel.Volume, volumes[:]), ", rated: ", quantity(p.Vessel.Rated, pressures[:]), holds, "}")
	line("hose: {bore: ", quantity(p.Hose.Bore, lengths[:]), ", length: ", quantity(p.Hose.Length, lengths[:]), "}")
	target := ""
	if p.Nozzle.Target != 0 {
		target = ", target: " + quantity(p.Nozzle.Target, pressures[:])
	}
	line("nozzle: {bore: ", quantity(p.Nozzle.Bore, lengths[:]), target, "}")
	if a := abrasive(p.Abrasive); a != "" {
		line("abrasive: {", a, "}")
	}
	line("units: {pressure: ", p.Units.Pressure, "}")
	switch c := control(p.Control); {
	case p.Control.Electric:
		line("control: electric")
	case c != "":
		line("control: {", c, "}")
	}
	line("points:")
	for _, pt := range points.All() {
		if !p.Points.Has(pt) {
			continue
		}
		if facts := gauge(p.Gauges[pt]); facts != "" {
			line("  - ", pt.String(), ": {", facts, "}")
		} else {
			line("  - ", pt.String())
		}
	}
	if c := p.Commissioned; c != nil {
		line("commissioned: {vent: ", strconv.FormatFloat(c.Time.Seconds(), 'f', -1, 64), " s, ", signed(c.By, c.At), "}")
	}
	if b := p.Baselines; b.Blasting != nil || b.AirOnly != nil {
		line("baselines:")
		if b.Blasting != nil {
			line("  blasting: {", baseline(b.Blasting), "}")
		}
		if b.AirOnly != nil {
			line("  air_only: {", baseline(b.AirOnly), "}")
		}
	}
	if p.Costs.Given() {
		line("costs: {", costs(p.Costs), "}")
	}
	if p.Intake.Given() {
		line("air: {", intake(p.Intake), "}")
	}
	return dst
}

func baseline(b *potfile.Baseline) string {
	var parts []string
	for pt := points.Supply; pt <= points.Nozzle; pt++ {
		if b.Has.Has(pt) {
			parts = append(parts, pt.String()+": "+quantity(b.P[pt], pressures[:]))
		}
	}
	return strings.Join(append(parts, signed(b.By, b.At)), ", ")
}

func costs(c potfile.Costs) string {
	var parts []string
	for _, x := range []struct {
		key      string
		v, of    float64
		per, one string
	}{{"labour", c.Labour, 1, "h", "h"}, {"equipment", c.Equipment, 1, "h", "h"}, {"abrasive", c.Abrasive, 1000, "t", "kg"}, {"disposal", c.Disposal, 1000, "t", "kg"}} {
		if x.v == 0 {
			continue
		}
		text, exact := divided(x.v, x.of)
		if !exact {
			text, x.per = strconv.FormatFloat(x.v, 'f', -1, 64), x.one
		}
		parts = append(parts, x.key+": "+text+" "+c.Currency+"/"+x.per)
	}
	if c.AbrasiveBy != 0 {
		text, _ := divided(float64(c.AbrasiveBy), 3600) // else to the last digit or so
		parts = append(parts, "abrasive_use: "+text+" kg/h")
	}
	return strings.Join(parts, ", ")
}

// divided is the shortest number that gives v when it is divided; where none does, the nearest.
func divided(v, by float64) (text string, exact bool) {
	whole := v * by
	for n := range digits {
		text = strconv.FormatFloat(whole, 'f', n, 64)
		if x, err := strconv.ParseFloat(text, 64); err == nil && x/by == v {
			return text, true
		}
	}
	return strconv.FormatFloat(whole, 'f', -1, 64), whole/by == v
}

func intake(a potfile.Intake) string {
	parts := []string{"intake: " + temperature(a.Temperature), "humidity: " + quantity(a.Humidity, shares[:]), "separator: " + temperature(a.Separator)}
	if a.Aftercooler != 0 {
		parts = append(parts, "aftercooler: "+temperature(a.Aftercooler))
	}
	if a.DrainAt != 0 {
		parts = append(parts, "drain_at: "+quantity(a.DrainAt, volumes[:]))
	}
	return strings.Join(parts, ", ")
}

// temperature is one in Celsius, where that reads back as the same, else in kelvin.
func temperature(t si.Temperature) string {
	round, err := strconv.ParseFloat(strconv.FormatFloat(float64(t-si.ZeroCelsius), 'g', digits, 64), 64)
	if err == nil && si.Temperature(round)+si.ZeroCelsius == t {
		return strconv.FormatFloat(round, 'f', -1, 64) + " C"
	}
	return strconv.FormatFloat(float64(t), 'f', -1, 64) + " K"
}

// Atmosphere is an atmosphere's mapping, {barometer: 1013 mbar} or {altitude: 12 m}.
func Atmosphere(a potfile.Atmosphere) string {
	if a.FromBarometer() {
		return "{barometer: " + quantity(a.Pressure(), []unit{{"mbar", 100}, {"Pa", 1}}) + "}"
	}
	// The altitude itself is not kept: si.AtmosphereAt the other way round, to a tenth of a millimetre.
	h := (1 - math.Pow(float64(a.Pressure()/si.StandardAtmosphere), 1/5.25588)) * 288.15 / 0.0065
	return "{altitude: " + quantity(math.Round(h*1e4)/1e4+0, heights[:]) + "}"
}

func abrasive(a potfile.Abrasive) string {
	var parts []string
	if a.Bulk != 0 {
		parts = append(parts, "bulk_density: "+quantity(a.Bulk, densities[:]))
	}
	if a.Solid != 0 {
		parts = append(parts, "solid_density: "+quantity(a.Solid, densities[:]))
	}
	return strings.Join(parts, ", ")
}

func control(c potfile.Control) string {
	var parts []string
	if c.On != 0 || c.Off != 0 {
		parts = append(parts, "on: "+quantity(c.On, pressures[:]), "off: "+quantity(c.Off, pressures[:]))
	}
	if c.Inverse {
		parts = append(parts, "inverse: true")
	}
	return strings.Join(parts, ", ")
}

func gauge(g vent.Gauge) string {
	var parts []string
	if g.Lo != 0 || g.Hi != 0 {
		texts, name := choose(pressures[:], float64(g.Lo), float64(g.Hi))
		parts = append(parts, "range: "+texts[0]+".."+texts[1]+" "+name)
	}
	if g.Kind != "" && g.Kind != vent.KindGauge {
		parts = append(parts, "kind: "+string(g.Kind))
	}
	if g.ZeroError != 0 {
		parts = append(parts, "zero_error: "+quantity(g.ZeroError, pressures[:]))
	}
	if g.SpanError != 0 {
		parts = append(parts, "span_error: "+quantity(g.SpanError, shares[:]))
	}
	if g.Zero != nil {
		parts = append(parts, "zero: {offset: "+quantity(g.Zero.Offset, pressures[:])+", "+signed(g.Zero.By, g.Zero.At)+"}")
	}
	return strings.Join(parts, ", ")
}

func signed(by, at string) string { return "by: " + strconv.Quote(by) + ", at: " + at }
