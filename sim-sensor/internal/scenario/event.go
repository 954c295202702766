package scenario

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// kinds are the keys of which an event has exactly one, beside those of ails; faults those of which an event with gauge
// has exactly one.
var (
	kinds  = []string{"press", "refill", "blowdown", "handle", "gauge"}
	faults = []string{"drift", "span", "scale", "noise", "lag", "port", "spikes", "swapped", "stuck", "isolated", "current", "failed", "unplugged", "reads"}
)

func (r *reader) event(m yamlfile.Map, p Pot) Event {
	o := m.Optional()
	e := Event{Window: window(m)}
	keys := slices.Clone(kinds)
	for i := range ails {
		keys = append(keys, ails[i].key)
	}
	kind := one(m, keys, "at", "what happens")
	e.Name = kind
	grows := false
	switch kind {
	case "press":
		if e.Press = always(m, kind); p.Script.Cycle != nil {
			m.Fail(kind, "stands beside cycle, which presses by itself", "take one of them out")
		}
	case "refill":
		e.Refill = 1
		if m.Get(kind).Text() != "true" {
			e.Refill = share(m, kind)
		}
		if p.Script.Cycle != nil {
			m.Fail(kind, "stands beside cycle, which refills by itself", "take one of them out")
		}
	case "blowdown":
		e.Blowdown = always(m, kind)
	case "handle":
		e.Handle = m.Choice(kind, "tied", "flickers")
		e.Name += " " + e.Handle
	case "gauge":
		var fault string
		e.Gauge, fault = r.fault(m, p)
		e.Name = e.Gauge.Point.String() + " " + fault
		grows = fault == "drift" || fault == "span" || fault == "noise"
	}
	for i := range ails {
		if ails[i].key == kind {
			e.Equipment, grows = ails[i].read(m, kind), ails[i].grows
			if ails[i].chosen {
				e.Name += " " + m.Get(kind).Text()
			}
		}
	}
	if e.Over = o.Duration("over"); e.Over > 0 && !grows {
		m.Fail("over", "is for what grows: shares, bores, pressures and flows; drift, span and noise", "take it out")
	}
	return e
}

func (r *reader) fault(m yamlfile.Map, p Pot) (g *GaugeFault, kind string) {
	g = &GaugeFault{Point: yamlfile.Scalar(m, "gauge", "vessel", points.Parse)}
	if !p.Points.Has(g.Point) {
		m.Fail("gauge", fmt.Sprintf("%s is not among the points of %s", g.Point, p.Name), "")
	}
	kind = one(m, faults, "gauge", "the fault")
	if p.Control.Electric && g.Point == points.Control && kind != "stuck" && kind != "unplugged" {
		m.Fail("gauge", "control is a switch here: it can be stuck or unplugged", "choose one of these faults")
	}
	f := &g.Fault
	switch kind {
	case "drift":
		f.Drift = m.PressureDrop(kind)
	case "span":
		if f.Span = m.Ratio(kind); f.Span < -0.9 || f.Span > 9 {
			m.Fail(kind, "is not from -90 to 900 %", "")
		}
	case "noise":
		f.Noise = share(m, kind)
	case "lag":
		f.Lag = m.Duration(kind)
	case "port":
		f.Port = m.Duration(kind)
	case "spikes":
		sm := m.Map(kind)
		f.Spikes, f.Spike = share(sm, "share"), sm.PressureDrop("by")
	case "swapped":
		g.Swapped = new(yamlfile.Scalar(m, kind, "hose", points.Parse))
		if !p.Points.Has(*g.Swapped) || *g.Swapped == g.Point {
			m.Fail(kind, "is not another point of "+p.Name, "")
		}
		if p.Control.Electric && *g.Swapped == points.Control {
			m.Fail(kind, "control is a switch here", "choose another point")
		}
	case "scale":
		f.Gain = yamlfile.Scalar(m, kind, "0.1", parseFactor)
	case "stuck":
		f.Stuck = always(m, kind)
	case "isolated":
		f.Isolated = always(m, kind)
		f.Leak = m.Optional().Duration("leak")
	case "current":
		f.Driven, f.Current = true, yamlfile.Scalar(m, kind, "3.5 mA", parseCurrent)
	case "failed":
		f.Failed = always(m, kind)
	case "unplugged":
		f.Unplugged = always(m, kind)
	case "reads":
		rm := m.Map(kind)
		g.Reads = &Place{Pot: rm.String("pot"), Point: yamlfile.Scalar(rm, "point", "vessel", points.Parse)}
		r.late = append(r.late, func() {
			if g.Reads.Pot != "" && r.s.at(*g.Reads) == nil {
				rm.Fail("point", fmt.Sprintf("%s has no point %s in this file", g.Reads.Pot, g.Reads.Point), "name a pot and one of its points")
			}
		})
	}
	return g, kind
}

// one is the only key of the list that the mapping has; at names the key to blame when there is none.
func one(m yamlfile.Map, keys []string, at, what string) string {
	found := ""
	for _, k := range keys {
		if !m.Has(k) {
			continue
		}
		if found != "" {
			m.Fail(k, "stands beside "+found, "write two events")
		}
		found = k
	}
	if found == "" {
		m.Fail(at, "has no key that says "+what, "keys: "+strings.Join(keys, ", "))
	}
	return found
}

// always wants the value true: false would be an event that is none.
func always(m yamlfile.Map, key string) bool { return m.Choice(key, "true") == "true" }

func share(m yamlfile.Map, key string) si.Ratio {
	r := m.Ratio(key)
	if r < 0 || r > 1 {
		m.Fail(key, "is not from 0 to 100 %", "")
	}
	return r
}

func parseFactor(text string) (float64, error) {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%q is not a factor; write for example 0.1", text)
	}
	return v, nil
}

func parseCurrent(text string) (si.Current, error) {
	number, ok := strings.CutSuffix(strings.TrimSpace(text), "mA")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !ok || err != nil || !(v >= 0 && v <= 25) {
		return 0, fmt.Errorf("%q is not a loop current up to 25 mA; write for example 3.5 mA", text)
	}
	return si.Current(v * 1e-3), nil
}
