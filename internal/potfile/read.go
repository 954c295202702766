package potfile

import (
	"fmt"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// ReadPot reads one pot. The site's atmosphere holds unless the pot has its own. Problems are noted in the document.
func ReadPot(m yamlfile.Map, site Atmosphere) Pot {
	p := Pot{Atmosphere: site, Units: Units{Pressure: "kPa"}}
	p.Name = m.String("name")
	if p.Name != "" && !namePattern.MatchString(p.Name) {
		m.Fail("name", fmt.Sprintf("%q is not a name", p.Name), "write 1 to 32 of a-z, 0-9 and -, for example alder")
	}
	if m.Has("atmosphere") {
		p.Atmosphere = ReadAtmosphere(m.Map("atmosphere"))
	}
	readVessel(m.Map("vessel"), &p.Vessel)

	hose := m.Map("hose")
	p.Hose.Bore = bounded(hose, "bore", "1.25 in", si.ParseLength, minHose, maxHose, "5 mm to 100 mm")
	p.Hose.Length = bounded(hose, "length", "50 ft", si.ParseLength, minLength, maxLength, "0.3 m to 500 m")

	nozzle := m.Map("nozzle")
	p.Nozzle.Bore = bounded(nozzle, "bore", "7/16 in", si.ParseLength, minNozzle, maxNozzle, "1 mm to 40 mm")
	if p.Hose.Bore > 0 && p.Nozzle.Bore >= p.Hose.Bore {
		nozzle.Fail("bore", "is not smaller than the hose's", "look whether the two are swapped")
	}
	p.Nozzle.Target = bounded(nozzle.Optional(), "target", "", si.ParseGaugePressure, minTarget, maxRated, "1 kPa to 20 bar")
	if p.Vessel.Rated > 0 && p.Nozzle.Target > p.Vessel.Rated {
		nozzle.Fail("target", "is over the vessel's rating", "the nozzle cannot have more than the vessel may")
	}

	readAbrasive(m.Optional().Map("abrasive"), &p.Abrasive)
	if units := m.Optional().Map("units"); units.Has("pressure") {
		p.Units.Pressure = units.Choice("pressure", "psi", "bar", "kPa")
	}
	control := m.Optional().Get("control")
	p.Control.Electric = control.Present() && !control.IsMap()
	readPoints(m, &p)
	readControl(control, &p)
	if m.Has("commissioned") {
		p.Commissioned = readVent(m.Map("commissioned"))
	}
	if m.Has("baselines") {
		readBaselines(m.Map("baselines"), &p)
	}
	if m.Has("costs") {
		readCosts(m.Map("costs"), &p)
	}
	if m.Has("air") {
		readIntake(m.Map("air"), &p.Intake)
	}
	return p
}

// ReadAtmosphere reads the mapping {altitude: 12 m} or {barometer: 1013 mbar}.
func ReadAtmosphere(m yamlfile.Map) Atmosphere {
	alt, bar := m.Has("altitude"), m.Has("barometer")
	switch {
	case alt && bar:
		m.Fail("barometer", "stands beside altitude", "write one of the two; a barometer is better")
	case alt:
		h := yamlfile.Scalar(m, "altitude", "", func(s string) (*si.Length, error) {
			h, err := si.ParseLength(s)
			if err == nil && (h < minAltitude || h > maxAltitude) {
				err = fmt.Errorf("%q is not from -500 m to 5500 m; look at the number and its unit", s)
			}
			return &h, err
		})
		if h != nil {
			return AtAltitude(*h)
		}
	case bar:
		if p := bounded(m, "barometer", "", si.ParseAbsPressure, minAmbient, maxAmbient, "500 mbar to 1100 mbar"); p > 0 {
			return OfBarometer(p)
		}
	default:
		m.Fail("altitude", "is missing", "write for example altitude: 12 m, or barometer: 1013 mbar")
	}
	return Atmosphere{}
}

// bounded is a key's quantity, which must lie between two bounds; say names them in a unit people use.
func bounded[T ~float64](m yamlfile.Map, key, example string, parse func(string) (T, error), lo, hi float64, say string) T {
	return yamlfile.Scalar(m, key, example, func(s string) (T, error) {
		v, err := parse(s)
		if err == nil && (float64(v) < lo || float64(v) > hi) {
			err = fmt.Errorf("%q is not from %s; look at the number and its unit", s, say)
		}
		return v, err
	})
}

func readVessel(m yamlfile.Map, v *Vessel) {
	v.Volume = bounded(m, "volume", "6.5 ft3", si.ParseVolume, minVolume, maxVolume, "1 L to 20 m3")
	v.Rated = bounded(m, "rated", "150 psi", si.ParseGaugePressure, minRated, maxRated, "0.5 bar to 20 bar")
	v.HoldsPressure = m.Optional().Bool("holds_pressure")
}

func readAbrasive(m yamlfile.Map, a *Abrasive) {
	o := m.Optional()
	a.Bulk = bounded(o, "bulk_density", "100 lb/ft3", si.ParseDensity, minDensity, maxDensity, "100 kg/m3 to 20000 kg/m3")
	a.Solid = bounded(o, "solid_density", "100 lb/ft3", si.ParseDensity, minDensity, maxDensity, "100 kg/m3 to 20000 kg/m3")
	if a.Bulk > 0 && a.Solid > 0 && a.Bulk >= a.Solid {
		m.Fail("bulk_density", "is not smaller than the solid density", "look whether the two are swapped")
	}
}

func readPoints(m yamlfile.Map, p *Pot) {
	list := m.Get("points")
	for _, item := range list.List() {
		var name string
		var facts yamlfile.Map
		if item.IsMap() {
			one := item.Map()
			keys := one.Keys()
			if len(keys) != 1 {
				item.Fail("is not one point", "write for example {vessel: {range: 0..200 psi}}, one point an item")
				continue
			}
			name, facts = keys[0], one.Map(keys[0])
		} else if name = item.Text(); name == "" {
			continue
		}
		pt, err := points.Parse(name)
		switch {
		case err != nil:
			item.Fail(err.Error(), "")
			continue
		case p.Points.Has(pt):
			item.Fail(name+" stands here a second time", "name each point once")
			continue
		case pt == points.Control && p.Control.Electric && item.IsMap():
			item.Fail("an electric handle has no transducer", "write the plain name control")
		}
		p.Points |= points.SetOf(pt)
		p.Gauges[pt] = readGauge(facts, pt, p)
	}
	if list.IsList() && !p.Points.Has(points.Vessel) {
		m.Fail("points", "lack vessel", "without the vessel's own gauge nothing can be said of the vessel")
	}
}

func readGauge(m yamlfile.Map, pt points.Point, p *Pot) vent.Gauge {
	g := vent.Gauge{Kind: vent.KindGauge}
	o := m.Optional()
	if k := o.Choice("kind", string(vent.KindGauge), string(vent.KindSealed), string(vent.KindAbsolute)); k != "" {
		g.Kind = vent.Kind(k)
	}
	if g.Kind != vent.KindGauge && !p.Atmosphere.Given() {
		m.Fail("kind", fmt.Sprintf("%s needs the ambient pressure", g.Kind), "add atmosphere: {altitude: 12 m} or {barometer: 1013 mbar}")
	}
	if m.Has("range") {
		g.Lo, g.Hi = m.GaugeRange("range")
		if problem, hint := p.RangeProblem(pt, g); problem != "" {
			m.Fail("range", problem, hint)
		}
	}
	g.ZeroError = bounded(o, "zero_error", "", si.ParsePressureDrop, minZeroError, maxZeroError, "1 Pa to 50 kPa, and no gauge is without error")
	g.SpanError = bounded(o, "span_error", "", si.ParseRatio, minSpanError, maxSpanError, "0.001 % to 5 %, and no gauge is without error")
	if m.Has("zero") {
		g.Zero = readZero(m.Map("zero"))
	}
	return g
}

// RangeProblem tells what is wrong with a transducer whose range cannot show what a point of p must, and what to do
// about it; "" where the range fits, or is not known. The range is in the transducer's own terms, so an absolute one
// starts near vacuum; it is held against the rating as the gauge pressures that it stands for.
func (p *Pot) RangeProblem(pt points.Point, g vent.Gauge) (problem, hint string) {
	if g.Lo == 0 && g.Hi == 0 {
		return "", ""
	}
	lo, hi := g.Lo, g.Hi
	switch amb := p.Atmosphere.Pressure(); g.Kind {
	case vent.KindAbsolute:
		lo, hi = si.AbsPressure(lo).Gauge(amb), si.AbsPressure(hi).Gauge(amb)
	case vent.KindSealed:
		// At an altitude it shows 0 only from its own chamber's pressure up, so its own zero is what it must reach.
		hi = hi.Absolute(si.StandardAtmosphere).Gauge(amb)
	}
	if lo > 0 {
		return "does not reach down to zero gauge", "a vented point must lie within the range"
	}
	rated := float64(p.Vessel.Rated)
	if pt != points.Vessel || rated == 0 {
		return "", ""
	}
	switch ratio := float64(hi) / rated; {
	case ratio < MinRange*(1-1e-9):
		return fmt.Sprintf("ends at %.2f times the vessel's rating", ratio), "it must reach at least 1.1 times, to show over-pressure"
	case ratio > MaxRange*(1+1e-9):
		return fmt.Sprintf("ends at %.2f times the vessel's rating", ratio), "over 3 times the gauge is too coarse to prove zero"
	}
	return "", ""
}

func readZero(m yamlfile.Map) *vent.Zero {
	// A gauge that is off by more needs a service, not a zero.
	z := &vent.Zero{Offset: bounded(m, "offset", "0.2 psi", si.ParsePressureDrop, -maxOffset, maxOffset, "-35 kPa to 35 kPa")}
	z.By, z.At = signed(m)
	return z
}

func readVent(m yamlfile.Map) *vent.Vent {
	v := &vent.Vent{Time: m.Duration("vent")}
	if v.Time.Seconds() > maxVentTime {
		m.Fail("vent", "is over 10 min", "look at the unit; write how long the empty pot took to vent")
	}
	v.By, v.At = signed(m)
	return v
}

// signed reads who recorded something, and when.
func signed(m yamlfile.Map) (by, at string) {
	by = m.String("by")
	at = m.String("at")
	if at != "" {
		if _, err := time.Parse(time.DateOnly, at); err != nil {
			m.Fail("at", fmt.Sprintf("%q is not a date", at), "write for example 2026-05-04")
		}
	}
	return by, at
}

func readControl(v yamlfile.Value, p *Pot) {
	if !v.Present() {
		return
	}
	if !p.Points.Has(points.Control) {
		v.Fail("is described, but control is not among the points", "add it to points, or take this out")
	}
	if p.Control.Electric {
		if s := v.Text(); s != "" && s != "electric" {
			v.Fail(fmt.Sprintf("%q is no kind of handle", s), "write electric for a switch, or for example {on: 140 kPa, off: 70 kPa}")
		}
		return
	}
	c := v.Map()
	p.Control.Inverse = c.Optional().Bool("inverse")
	if !c.Has("on") && !c.Has("off") {
		return
	}
	p.Control.On = bounded(c, "on", "140 kPa", si.ParseGaugePressure, minTarget, maxRated, "1 kPa to 20 bar")
	p.Control.Off = bounded(c, "off", "70 kPa", si.ParseGaugePressure, minTarget, maxRated, "1 kPa to 20 bar")
	if p.Control.On > 0 && p.Control.Off > 0 && p.Control.On <= p.Control.Off {
		c.Fail("on", "is not over off", "the handle counts as pressed over on and as released under off")
	}
}
