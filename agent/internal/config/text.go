package config

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/serialport"
	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// MaxStep is the coarsest step of a vessel's gauge: with a coarser one pressure looks like none.
const MaxStep si.GaugePressure = maxStep

// maxQuery is the length of a query, bytes; common practice, no source.
const maxQuery = 64

// A Text is a gauge that speaks lines of text.
type Text struct {
	Query []byte // as on the wire; nil: it sends by itself, and is alone on its line
	Read  []TextRead
}

// A TextRead is one point's value in the gauge's line.
type TextRead struct {
	Pot     string
	Point   points.Point
	Pattern *lines.Pattern // finds the pressure in the gauge's own terms
	Scale   Scale          // range, kind and ambient pressure; 1 is 1 Pa
}

func readTexts(bm yamlfile.Map, mode serialport.Mode, a *assignments) []Text {
	if bm.Has("units") {
		bm.Fail("text", "stands beside units", "a line has either units of Modbus RTU or gauges that speak text; give each its own line")
		bm.Get("units")
	}
	out := []Text{} // not nil, whatever is wrong: it is no line of Modbus RTU
	list := bm.Maps("text")
	if len(list) == 0 {
		bm.Fail("text", "has no gauge", "add one: query and read")
	}
	for _, tm := range list {
		t := Text{Query: readQuery(tm)}
		if t.Query == nil && len(list) > 1 {
			tm.Fail("query", "is missing", "a gauge that sends by itself is alone on its line; write its query, or give it its own line")
		}
		for _, other := range out {
			if t.Query != nil && other.Query != nil && (strings.HasSuffix(string(t.Query), string(other.Query)) || strings.HasSuffix(string(other.Query), string(t.Query))) {
				tm.Fail("query", fmt.Sprintf("%q ends like %q: both gauges would answer", t.Query, other.Query), "give every gauge its own address, and put all its points under one query")
			}
		}
		reads := tm.Maps("read")
		if tm.Has("read") && len(reads) == 0 {
			tm.Fail("read", "has no point", "add one, for example {pot: alder, point: vessel, pattern: '…', unit: psi}")
		}
		for _, rm := range reads {
			t.Read = append(t.Read, readText(rm, mode, a))
		}
		out = append(out, t)
	}
	return out
}

// readQuery reads a query with its escapes; nil where there is none, or a wrong one.
func readQuery(m yamlfile.Map) []byte {
	if !m.Has("query") {
		return nil
	}
	return yamlfile.Scalar(m, "query", `'#01\r'`, func(text string) ([]byte, error) {
		q, err := strconv.Unquote(`"` + strings.ReplaceAll(text, `"`, `\"`) + `"`)
		if err != nil {
			return nil, fmt.Errorf(`%q has a backslash that stands for nothing; write \r, \n, \t, \\ or for example \x05, in single quotes`, text)
		}
		for _, c := range []byte(q) {
			if c > 0x7F {
				return nil, fmt.Errorf("%q is no ASCII text; write what the gauge's manual says", text)
			}
		}
		if len(q) > maxQuery {
			return nil, fmt.Errorf("%q is longer than %d bytes; write what the gauge's manual says", text, maxQuery)
		}
		return []byte(q), nil
	})
}

// readText reads one line of read.
func readText(m yamlfile.Map, mode serialport.Mode, a *assignments) TextRead {
	var at Read
	pot := a.readTarget(m, &at)
	if pot != nil && at.Point == points.Control && pot.Control.Electric {
		m.Fail("point", "is a switch (control: electric)", "a line of text cannot say it; read it on a line of Modbus RTU: discrete: 0 (function 02) or coil: 0 (function 01)")
	}
	r := TextRead{Pot: at.Pot, Point: at.Point}
	r.Scale = readRange(m, at, pot)
	r.Scale.PerUnit = 1
	m.Has("pattern") // known keys, whatever else is wrong
	m.Has("check")
	var unit si.GaugePressure
	if m.Has("unit") || m.Has("scale") {
		unit = si.GaugePressure(readPerUnit(m))
		if unit == 0 {
			return r // said already
		}
	}
	check := lines.NoCheck
	if m.Has("check") {
		check = yamlfile.Scalar(m, "check", "xor", lines.ParseCheck)
		if check == lines.NoCheck {
			return r
		}
	}
	r.Pattern = yamlfile.Scalar(m, "pattern", `'(?P<value>[-+]?[0-9]+\.[0-9])'`, func(s string) (*lines.Pattern, error) {
		p, err := lines.Compile(s, check, unit)
		if err != nil {
			return nil, errors.New(strings.ReplaceAll(err.Error(), "\n", " "))
		}
		return p, nil
	})
	if p := r.Pattern; p != nil {
		checkText(m, r, unit, mode, pot)
	}
	return r
}

// checkText refuses a pattern that cannot say what the point must, and a vessel's that would take one pressure for
// another when the line loses or spoils a character.
func checkText(m yamlfile.Map, r TextRead, unit si.GaugePressure, mode serialport.Mode, pot *potfile.Pot) {
	p := r.Pattern
	vessel := r.Point == points.Vessel
	if _, fixed := p.FixedWidth(); vessel && p.Check() == lines.NoCheck && (mode.Parity == 'N' || !fixed) && mode.Baud != 0 {
		m.Fail("check", "is missing: a character lost or spoilt on the line would pass for another pressure",
			"let the gauge send check characters and write check: xor, sum or crc16; or use parity (E or O) together with a pattern that takes lines of one length only ([0-9]{3}, not [0-9]+)")
	}
	if vessel && !p.Signed() && r.Scale.Kind != vent.KindAbsolute {
		m.Fail("pattern", "is a dead-zero input: its value shows nothing under zero, so a failed or drifted gauge looks like zero pressure",
			"let value take a sign, for example (?P<value>[-+]?[0-9]+\\.[0-9]), and let the gauge send it")
	}
	if unit == 0 { // each line says its own; the steps are looked at then
		return
	}
	if step := unit * si.GaugePressure(math.Pow10(-p.Decimals())); vessel && step > MaxStep*(1+1e-9) {
		m.Fail("pattern", fmt.Sprintf("takes a value with %d decimals, in steps of %.3g kPa", p.Decimals(), float64(step)/si.KPa),
			"a vessel's gauge needs steps of at most 1 kPa, or pressure looks like none; let value take more decimals only, for example [0-9]\\.[0-9]{2}")
	}
	most := unit * si.GaugePressure(math.Pow10(p.Digits()))
	if most <= r.Scale.Hi {
		m.Fail("pattern", fmt.Sprintf("lets value have %d digits in front of its decimals, which do not reach the end of the range", p.Digits()), "look at it, or at unit")
		return
	}
	if pot == nil || !vessel || pot.Vessel.Rated == 0 {
		return
	}
	if ratio := float64(r.Scale.Gauge(most)) / float64(pot.Vessel.Rated); ratio < potfile.MinRange*(1-1e-9) {
		m.Fail("pattern", fmt.Sprintf("lets value say at most %.3g times the vessel's rating", ratio), "it must reach at least 1.1 times, to show over-pressure; look at it, or at unit")
	}
}
