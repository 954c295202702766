package config

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Loop currents by NAMUR NE 43, and the bounds of a vessel's range over its rating.
const (
	LoopZero   si.Current = 4e-3
	LoopFull   si.Current = 20e-3
	LoopFailed si.Current = 3.6e-3 // at or under it the loop has failed

	minRange, maxRange = 1.1, 3.0
)

// assignments is which point of which pot is read where.
type assignments struct {
	pots []potfile.Pot
	read map[string]points.Set
}

func newAssignments(pots []potfile.Pot) *assignments {
	return &assignments{pots: pots, read: make(map[string]points.Set)}
}

func (a *assignments) pot(name string) *potfile.Pot {
	for i := range a.pots {
		if a.pots[i].Name == name {
			return &a.pots[i]
		}
	}
	return nil
}

// checkComplete refuses a configured point that nothing reads: it would be silent for ever.
func (a *assignments) checkComplete(maps []yamlfile.Map) {
	for i, m := range maps {
		p := a.pots[i]
		var missing []string
		for _, pt := range points.All() {
			if p.Points.Has(pt) && !a.read[p.Name].Has(pt) {
				missing = append(missing, pt.String())
			}
		}
		if len(missing) > 0 && p.Name != "" {
			m.Fail("points", fmt.Sprintf("%s of %s is read nowhere", strings.Join(missing, ", "), p.Name),
				"add it under read of the unit that measures it, or take it out of points")
		}
	}
}

// readRead reads one line of read; where is the key that gives its address, "" where there is none.
func readRead(m yamlfile.Map, a *assignments) (r Read, where string) {
	pot := a.readTarget(m, &r)
	where = readAddress(m, &r)
	if where == "discrete" {
		r.Type = Discrete
		if pot != nil && !(r.Point == points.Control && pot.Control.Electric) {
			m.Fail("discrete", "is for the handle of a pot with control: electric alone", "read pressures with input or holding")
		}
		return r, where
	}
	if pot != nil && r.Point == points.Control && pot.Control.Electric {
		m.Fail("point", "is a switch (control: electric)", "read it as a discrete input: discrete: 0")
	}
	switch m.Choice("type", "int16", "uint16", "float32") {
	case "uint16":
		r.Type = Uint16
	case "float32":
		r.Type = Float32
	}
	switch {
	case r.Type == Float32:
		r.LowFirst = m.Choice("order", "high-first", "low-first") == "low-first"
	case m.Has("order"):
		m.Fail("order", "is for float32 alone", "take it out")
	}
	if where != "" && int(r.Address)+r.Type.Size() > 1<<16 {
		m.Fail(where, "runs past the last register, 65535", "")
	}
	r.Scale = readScale(m, r, pot)
	return r, where
}

// readTarget reads pot and point, which must exist and not be read already.
func (a *assignments) readTarget(m yamlfile.Map, r *Read) *potfile.Pot {
	pot := a.pot(m.String("pot"))
	if name := m.String("pot"); name != "" && pot == nil {
		names := make([]string, 0, len(a.pots))
		for _, p := range a.pots {
			names = append(names, p.Name)
		}
		m.Fail("pot", fmt.Sprintf("%q is not among the pots of this file", name), "pots: "+strings.Join(names, ", "))
	}
	pt := yamlfile.Scalar(m, "point", "vessel", func(s string) (*points.Point, error) {
		p, err := points.Parse(s)
		return &p, err
	})
	if pot == nil || pt == nil {
		return nil
	}
	r.Pot, r.Point = pot.Name, *pt
	switch {
	case !pot.Points.Has(*pt):
		m.Fail("point", fmt.Sprintf("%s is not among the points of %s", pt, pot.Name), "add it there, or read another point")
	case a.read[pot.Name].Has(*pt):
		m.Fail("point", fmt.Sprintf("%s of %s is read already", pt, pot.Name), "every point has one gauge")
	}
	a.read[pot.Name] |= points.SetOf(*pt)
	return pot
}

func readAddress(m yamlfile.Map, r *Read) (where string) {
	for _, c := range []struct {
		key string
		fn  modbus.Function
	}{{"input", modbus.ReadInputRegisters}, {"holding", modbus.ReadHoldingRegisters}, {"discrete", modbus.ReadDiscreteInputs}} {
		if !m.Has(c.key) {
			continue
		}
		if where != "" {
			m.Fail(c.key, "stands beside "+where, "one point has one address")
			continue
		}
		where = c.key
		r.Function, r.Address = c.fn, uint16(m.Int(c.key, 0, 65535))
	}
	if where == "" {
		m.Fail("input", "is missing", "write input: N (function 04), holding: N (function 03) or, for a switch, discrete: N (function 02); N as on the wire, counted from 0")
	}
	return where
}

func readScale(m yamlfile.Map, r Read, pot *potfile.Pot) Scale {
	var s Scale
	s.Kind = vent.KindGauge
	if pot != nil {
		g := pot.Gauges[r.Point]
		s.Kind, s.Lo, s.Hi, s.Ambient = g.Kind, g.Lo, g.Hi, pot.Atmosphere.Pressure()
	}
	if m.Has("range") {
		lo, hi := m.GaugeRange("range")
		known := s.Lo != 0 || s.Hi != 0
		if known && hi != 0 && !(near(lo, s.Lo, s.Hi-s.Lo) && near(hi, s.Hi, s.Hi-s.Lo)) {
			m.Fail("range", fmt.Sprintf("differs from the one of %s under pots", r.Point), "they must be equal; write it in one place")
		}
		s.Lo, s.Hi = lo, hi
		if hi != 0 && pot != nil && !known {
			checkRange(m, r, s, pot)
		}
	}
	counts, current, unit := m.Has("counts"), m.Has("current"), m.Has("unit")
	switch {
	case unit && (counts || current):
		m.Fail("unit", "stands beside counts or current", "write unit for a value that is a pressure, counts and current for one that is not")
	case unit:
		s.PerUnit = yamlfile.Scalar(m, "unit", "psi", parseUnit)
		if r.Type == Uint16 && r.Point == points.Vessel && s.Kind != vent.KindAbsolute {
			m.Fail("type", "is a dead-zero input: uint16 shows nothing under zero, so a failed or drifted gauge looks like zero pressure",
				"a vessel needs int16 or float32 here")
		}
	case counts && current:
		readLoop(m, r, &s)
	case counts:
		m.Fail("current", "is missing", "counts need the current they stand for, for example current: 0..20 mA: without it a broken wire looks like zero pressure")
	case current:
		m.Fail("counts", "is missing", "write what counts stand for the currents, for example counts: 0..27648")
	default:
		m.Fail("unit", "is missing", "write unit: psi for a value that is a pressure, or counts, current and range for one of a 4-20 mA input")
	}
	return s
}

// readLoop reads counts and current of a 4-20 mA input. A vessel's must be live-zero: it must be able to show a
// current at which the loop has failed.
func readLoop(m yamlfile.Map, r Read, s *Scale) {
	if r.Type == Float32 {
		m.Fail("counts", "are for int16 and uint16", "write unit for a value that is a pressure")
	}
	if s.Lo == 0 && s.Hi == 0 {
		m.Fail("range", "is missing", "write what 4..20 mA stand for, for example range: 0..200 psi")
	}
	c := yamlfile.Scalar(m, "counts", "0..27648", parseCounts)
	s.CurrentLo, s.CurrentHi = m.CurrentRange("current")
	if c == [2]int{} || s.CurrentHi == 0 {
		return
	}
	s.CountLo, s.CountHi = c[0], c[1]
	lo, hi := -32768, 32767
	if r.Type == Uint16 {
		lo, hi = 0, 65535
	}
	if c[0] < lo || c[1] > hi {
		m.Fail("counts", fmt.Sprintf("are not from %d to %d, as %s has them", lo, hi, r.Type), "")
		return
	}
	if s.CurrentLo < 0 || s.CurrentLo > LoopZero || s.CurrentHi < LoopFull || s.CurrentHi > 10*LoopFull {
		m.Fail("current", "does not hold 4..20 mA", "write the whole range of the input, for example 0..20 mA or 4..20 mA")
		return
	}
	if r.Point == points.Vessel && s.Current(float64(lo)) > LoopFailed {
		m.Fail("current", fmt.Sprintf("is a dead-zero input: %s shows no current at or under 3.6 mA, so a broken wire looks like zero pressure", r.Type),
			"a vessel needs an input that counts on under 4 mA (int16, or 0..20 mA)")
	}
}

// checkRange refuses a range that cannot show what the point must. Those under pots are checked there.
func checkRange(m yamlfile.Map, r Read, s Scale, pot *potfile.Pot) {
	if s.Gauge(s.Lo) > 0 && s.Kind != vent.KindSealed {
		m.Fail("range", "does not reach down to zero gauge", "a vented point must lie within the range")
	}
	rated := float64(pot.Vessel.Rated)
	if r.Point != points.Vessel || rated == 0 {
		return
	}
	if ratio := float64(s.Gauge(s.Hi)) / rated; ratio < minRange*(1-1e-9) || ratio > maxRange*(1+1e-9) {
		m.Fail("range", fmt.Sprintf("ends at %.2f times the vessel's rating", ratio),
			"it must reach 1.1 times, to show over-pressure, and not 3 times, or the gauge is too coarse to prove zero")
	}
}

// near tells whether two ends of a range are equal but for rounding.
func near(a, b, span si.GaugePressure) bool {
	d := a - b
	return d <= 1e-9*span && -d <= 1e-9*span
}

// parseUnit reads "psi" or "0.01 bar": what 1 of the value stands for, in Pa.
func parseUnit(text string) (float64, error) {
	if p, err := si.ParsePressureDrop("1 " + text); err == nil {
		return float64(p), nil
	}
	p, err := si.ParsePressureDrop(text)
	if err != nil {
		return 0, fmt.Errorf("%q is not a unit of pressure; write for example psi, or 0.01 bar where the value counts hundredths", text)
	}
	if p <= 0 {
		return 0, fmt.Errorf("%q is not above zero", text)
	}
	return float64(p), nil
}

// parseCounts reads "0..27648".
func parseCounts(text string) ([2]int, error) {
	bad := fmt.Errorf("%q are not counts; write for example 0..27648", text)
	first, second, ok := strings.Cut(text, "..")
	if !ok {
		return [2]int{}, bad
	}
	lo, err1 := strconv.Atoi(strings.TrimSpace(first))
	hi, err2 := strconv.Atoi(strings.TrimSpace(second))
	if errors.Join(err1, err2) != nil {
		return [2]int{}, bad
	}
	if lo >= hi {
		return [2]int{}, fmt.Errorf("%q do not rise from the first to the second", text)
	}
	return [2]int{lo, hi}, nil
}
