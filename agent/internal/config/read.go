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

// Loop currents by NAMUR NE 43.
const (
	LoopZero   si.Current = 4e-3
	LoopFull   si.Current = 20e-3
	LoopFailed si.Current = 3.6e-3 // at or under it the loop has failed
)

// Bounds of what 1 of a value can stand for, in Pa. Beyond the first two a unit or a digit is wrong; a vessel gauge in
// steps of more than the third cannot prove zero, for 7 kPa are all there is to prove it in. Common practice, no source.
const (
	minPerUnit, maxPerUnit = 1e-6, 1e9
	maxStep                = 1 * si.KPa
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
	if r.Function.Bits() {
		r.Type = Discrete
		r.Inverse = m.Optional().Bool("inverse")
		if pot != nil && !(r.Point == points.Control && pot.Control.Electric) {
			m.Fail(where, "is for the handle of a pot with control: electric alone", "read pressures with input or holding")
		}
		return r, where
	}
	if m.Has("inverse") {
		m.Fail("inverse", "is for a switch, read by discrete or coil", "for a pneumatic line that works the other way write control: {inverse: true} under pots")
	}
	if pot != nil && r.Point == points.Control && pot.Control.Electric {
		m.Fail("point", "is a switch (control: electric)", "read it as one: discrete: 0 (function 02) or coil: 0 (function 01)")
	}
	switch m.Choice("type", "int16", "uint16", "int32", "float32") {
	case "uint16":
		r.Type = Uint16
	case "int32":
		r.Type = Int32
	case "float32":
		r.Type = Float32
	}
	switch {
	case r.Type.Size() > 1:
		r.LowFirst = m.Choice("order", "high-first", "low-first") == "low-first"
	case m.Has("order"):
		m.Fail("order", "is for int32 and float32, which take two registers", "take it out, or look at the type")
	}
	r.BytesLow = m.Optional().Choice("bytes", "high-first", "low-first") == "low-first"
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
		a.unknownPot(m, name)
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

func (a *assignments) unknownPot(m yamlfile.Map, name string) {
	var names []string
	for _, p := range a.pots {
		names = append(names, p.Name)
	}
	m.Fail("pot", fmt.Sprintf("%q is not among the pots of this file", name), "pots: "+strings.Join(names, ", "))
}

func readAddress(m yamlfile.Map, r *Read) (where string) {
	for _, c := range []struct {
		key string
		fn  modbus.Function
	}{{"input", modbus.ReadInputRegisters}, {"holding", modbus.ReadHoldingRegisters}, {"discrete", modbus.ReadDiscreteInputs}, {"coil", modbus.ReadCoils}} {
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
		m.Fail("input", "is missing", "write input: N (function 04), holding: N (function 03) or, for a switch, discrete: N (function 02) or coil: N (function 01); N as on the wire, counted from 0")
	}
	return where
}

// readRange is what is known of a transducer whatever speaks for it: kind, range and the ambient pressure.
func readRange(m yamlfile.Map, r Read, pot *potfile.Pot) Scale {
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
		if pot != nil && !known {
			checkRange(m, r, s, pot)
		}
	}
	return s
}

func readScale(m yamlfile.Map, r Read, pot *potfile.Pot) Scale {
	s := readRange(m, r, pot)
	counts, current, unit := m.Has("counts"), m.Has("current"), m.Has("unit")
	if m.Has("scale") && !unit {
		m.Fail("scale", "stands without a unit", "write the unit of the scaled value beside it, for example unit: psi")
	}
	switch {
	case unit && (counts || current):
		m.Fail("unit", "stands beside counts or current", "write unit for a value that is a pressure, counts and current for one that is not")
	case unit:
		s.PerUnit = readPerUnit(m)
		if r.Type == Uint16 && r.Point == points.Vessel && s.Kind != vent.KindAbsolute {
			m.Fail("type", "is a dead-zero input: uint16 shows nothing under zero, so a failed or drifted gauge looks like zero pressure",
				"a vessel needs int16, int32 or float32 here")
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
	if pot != nil {
		checkSteps(m, r, s, pot)
	}
	return s
}

// readPerUnit reads unit and scale: what 1 of the value stands for, in Pa; 0 where that is wrong.
func readPerUnit(m yamlfile.Map) float64 {
	per := yamlfile.Scalar(m, "unit", "psi", parseUnit)
	if m.Has("scale") {
		if strings.ContainsAny(m.String("unit"), "0123456789") {
			m.Fail("scale", "stands beside a unit with a number of its own", "write the number in one of the two")
		}
		per *= yamlfile.Scalar(m, "scale", "0.01", parseScale)
	}
	if per != 0 && (per < minPerUnit || per > maxPerUnit) {
		m.Fail("unit", fmt.Sprintf("makes 1 of the value %.3g Pa, which no gauge has", per), "look at unit and scale")
		return 0
	}
	return per
}

// readLoop reads counts and current of a 4-20 mA input. A vessel's must be live-zero: it must be able to show a
// current at which the loop has failed.
func readLoop(m yamlfile.Map, r Read, s *Scale) {
	if r.Type == Float32 {
		m.Fail("counts", "are for int16, uint16 and int32", "write unit for a value that is a pressure")
		return
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
	lo, hi := r.Type.Counts()
	if int64(c[0]) < lo || int64(c[1]) > hi {
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
	if problem, hint := pot.RangeProblem(r.Point, vent.Gauge{Kind: s.Kind, Lo: s.Lo, Hi: s.Hi}); problem != "" {
		m.Fail("range", problem, hint)
	}
}

// checkSteps refuses whole numbers that cannot say what the gauge must: past their end they would wrap round, and much
// pressure look like little; in steps that are too coarse, pressure looks like none.
func checkSteps(m yamlfile.Map, r Read, s Scale, pot *potfile.Pot) {
	vessel := r.Point == points.Vessel
	step, key := s.PerUnit, "unit"
	switch {
	case r.Type == Float32:
		return
	case s.PerUnit != 0:
		_, top := r.Type.Counts()
		most := si.GaugePressure(float64(top) * s.PerUnit)
		rated := float64(pot.Vessel.Rated)
		if m.Has("scale") {
			key = "scale"
		}
		if most < s.Hi*(1-1e-9) {
			m.Fail(key, fmt.Sprintf("lets %s say at most %.3g times the end of the range", r.Type, float64(most/s.Hi)), "look at it, or at the type")
		} else if ratio := float64(s.Gauge(most)) / rated; vessel && rated > 0 && ratio < potfile.MinRange*(1-1e-9) {
			m.Fail(key, fmt.Sprintf("lets %s say at most %.3g times the vessel's rating", r.Type, ratio),
				"it must reach at least 1.1 times, to show over-pressure; look at it, or at the type")
		}
	case s.CountHi > s.CountLo && s.CurrentHi > s.CurrentLo:
		perCount := float64(s.CurrentHi-s.CurrentLo) / (float64(s.CountHi) - float64(s.CountLo))
		step, key = float64(s.Hi-s.Lo)*perCount/float64(LoopFull-LoopZero), "counts"
	}
	if vessel && step > maxStep*(1+1e-9) {
		m.Fail(key, fmt.Sprintf("makes steps of %.3g kPa", step/si.KPa), "a vessel's gauge needs steps of at most 1 kPa, or pressure looks like none")
	}
}

// near tells whether two ends of a range are equal but for rounding.
func near(a, b, span si.GaugePressure) bool {
	d := a - b
	return d <= 1e-9*span && -d <= 1e-9*span
}

// parseUnit reads "psi" or "0.01 bar": what 1 of the value stands for, in Pa.
func parseUnit(text string) (float64, error) {
	number := text
	if !strings.ContainsAny(text, "0123456789") {
		number = "1 " + text
	}
	p, err := si.ParsePressureDrop(number)
	if err != nil {
		return 0, fmt.Errorf("%q is not a unit of pressure; write for example psi, or 0.01 bar where the value counts hundredths", text)
	}
	if p <= 0 {
		return 0, fmt.Errorf("%q is not above zero", text)
	}
	return float64(p), nil
}

// parseScale reads "0.01" or "1e-2".
func parseScale(text string) (float64, error) {
	f, err := strconv.ParseFloat(text, 64)
	switch {
	case strings.Trim(text, "0123456789.+-eE") != "" || err != nil:
		return 0, fmt.Errorf("%q is not a number; write for example 0.01, so that value times scale is in the unit", text)
	case f <= 0:
		return 0, fmt.Errorf("%q is not above zero; value times scale must rise with the pressure", text)
	}
	return f, nil
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
