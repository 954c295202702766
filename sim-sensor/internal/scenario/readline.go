package scenario

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/fault"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/transducer"
)

// defaultTurnaround is common practice, no source.
const defaultTurnaround = 4 * time.Millisecond

func (r *reader) line(m yamlfile.Map) Line {
	l := Line{Link: m.String("link"), Mode: yamlfile.Scalar(m, "mode", "57600 8E1", line.ParseMode), Turnaround: defaultTurnaround}
	if clean := filepath.Clean(l.Link); l.Link != "" {
		if r.links[clean] {
			m.Fail("link", "is the path of another line", "give every line its own path")
		}
		r.links[clean] = true
	}
	if m.Has("turnaround") {
		l.Turnaround = moment(m, "turnaround")
	}
	l.Strict = m.Optional().Bool("strict")
	if m.Has("text") {
		if m.Has("units") {
			m.Fail("text", "stands beside units", "a line has the one or the other")
		}
		for _, tm := range m.Maps("text") {
			l.Texts = append(l.Texts, r.text(tm, &l))
		}
		alone(m, l.Texts)
	} else {
		r.units(m, &l)
	}
	for _, fm := range m.Optional().Maps("faults") {
		l.Faults = append(l.Faults, lineFault(fm, &l))
	}
	return l
}

func (r *reader) units(m yamlfile.Map, l *Line) {
	seen := map[uint8]bool{}
	for _, um := range m.Maps("units") {
		u := r.unit(um)
		if seen[u.ID] && u.ID != 0 {
			um.Fail("unit", fmt.Sprintf("%d stands on this line a second time", u.ID), "give every unit of a line its own address")
		}
		seen[u.ID] = true
		l.Units = append(l.Units, u)
	}
}

func (r *reader) unit(m yamlfile.Map) Unit {
	u := Unit{ID: uint8(m.Int("unit", modbus.MinUnit, modbus.MaxUnit))}
	kind := m.Choice("kind", "transmitter", "module", "switch", "relay")
	switch kind {
	case "relay":
		r.relay(m, &u)
		return u
	case "module":
		u.Module = new(transducer.Module)
		c := yamlfile.Scalar(m, "counts", "0..27648", parseCounts)
		u.Module.CountLo, u.Module.CountHi = c[0], c[1]
		u.Module.CurrentLo, u.Module.CurrentHi = m.CurrentRange("current")
	case "switch":
		u.Switches = true
	}
	used := map[int]bool{}
	for _, cm := range m.Maps("channels") {
		c := r.channel(cm, &u, kind)
		size := 1
		if c.Type.wide() {
			size = 2
		}
		for reg := int(c.Address); reg < int(c.Address)+size; reg++ {
			if used[reg] {
				cm.Fail("address", fmt.Sprintf("register %d belongs to another channel of this unit", reg), "")
			}
			used[reg] = true
		}
		u.Channels = append(u.Channels, c)
	}
	return u
}

// channel reads a channel of a unit of the kind given; "" where the kind is wrong.
func (r *reader) channel(m yamlfile.Map, u *Unit, kind string) Channel {
	c := r.place(m, kind == "switch")
	o := m.Optional()
	switch kind {
	case "transmitter":
		name := o.Choice("type", "float32", "int16", "uint16", "int32")
		for t := Float32; t < Switch; t++ {
			if t.String() == name {
				c.Type = t
			}
		}
		if c.Type.wide() {
			c.LowFirst = m.Choice("order", "low-first", "high-first") == "low-first"
		} else if m.Has("order") {
			m.Fail("order", "is for values of two registers", "take it out; bytes: low-first swaps the bytes of one")
		}
		c.perUnit(m)
	case "module":
		if c.Type = Int16; u.Module.CountHi > math.MaxInt16 {
			c.Type = Uint16
		}
	case "switch":
		c.Type = Switch
	}
	if kind != "switch" {
		c.Swapped = o.Choice("bytes", "high-first", "low-first") == "low-first"
	}
	last := math.MaxUint16
	if c.Type.wide() {
		last--
	}
	c.Address = uint16(m.Int("address", 0, last))
	return c
}

// perUnit reads unit and scale.
func (c *Channel) perUnit(m yamlfile.Map) {
	c.PerUnit = yamlfile.Scalar(m, "unit", "psi", parseUnit)
	if m.Has("scale") {
		scale := yamlfile.Scalar(m, "scale", "0.01", parseFactor)
		if scale < 0 {
			m.Fail("scale", "is negative", "write for example 0.01")
		}
		c.PerUnit *= scale
	}
}

// place reads which transducer, or switch, a channel is.
func (r *reader) place(m yamlfile.Map, isSwitch bool) Channel {
	c := Channel{Place: Place{Pot: m.String("pot"), Point: yamlfile.Scalar(m, "point", "vessel", points.Parse)}}
	pot := r.s.at(c.Place)
	switch {
	case c.Pot == "":
		return c
	case pot == nil:
		m.Fail("point", fmt.Sprintf("%s has no point %s in this file", c.Pot, c.Point), "name a pot and one of its points")
		return c
	case r.taken[c.Place]:
		m.Fail("point", fmt.Sprintf("%s of %s stands on a channel already", c.Point, c.Pot), "every point has one transducer")
		return c
	}
	r.taken[c.Place] = true
	switch electric := pot.Control.Electric && c.Point == points.Control; {
	case electric && !isSwitch:
		m.Fail("point", fmt.Sprintf("the handle of %s is electric", c.Pot), "give it a unit of kind: switch")
		return c
	case !electric && isSwitch:
		m.Fail("point", fmt.Sprintf("%s of %s is no switch", c.Point, c.Pot), "only the control of a pot with control: electric is one")
		return c
	case isSwitch:
		return c
	}
	g := pot.Pot.Gauges[c.Point]
	c.Lo, c.Hi = g.Lo, g.Hi
	declared := g.Hi > g.Lo
	if m.Has("range") {
		c.Lo, c.Hi = m.GaugeRange("range")
		if declared && (!same(c.Lo, g.Lo) || !same(c.Hi, g.Hi)) {
			m.Fail("range", "differs from the one under pots", "they must be equal; write it in one place")
		}
	} else if !declared {
		m.Fail("range", fmt.Sprintf("is missing, and %s declares none for %s", c.Pot, c.Point), "write for example range: 0..200 psi")
	}
	return c
}

// text reads a gauge that speaks lines of text.
func (r *reader) text(m yamlfile.Map, l *Line) Speaker {
	t := Speaker{Channel: r.place(m, false), Reply: yamlfile.Scalar(m, "reply", `'{value:.2f} psi\r\n'`, func(s string) (*line.Template, error) {
		plain, err := escapes(s)
		if err != nil {
			return nil, err
		}
		return line.ParseTemplate(plain)
	})}
	t.perUnit(m)
	if m.Has("query") {
		t.Query = yamlfile.Scalar(m, "query", `'#01\r'`, escapes)
		if m.Has("every") {
			m.Fail("every", "stands beside query", "a gauge answers, or sends by itself")
		}
		return t
	}
	t.Every = m.Duration("every")
	if t.Reply == nil || t.Every == 0 || l.Mode.Baud == 0 {
		return t
	}
	if takes := l.Mode.Takes(len(t.Reply.Append(nil, -1e6))); t.Every <= takes {
		m.Fail("every", fmt.Sprintf("is too short: one line of text takes %v", takes.Round(100*time.Microsecond)), "let it send less often, or choose a faster mode")
	}
	return t
}

// alone wants gauges that do not answer for each other.
func alone(m yamlfile.Map, texts []Speaker) {
	if len(texts) == 0 {
		m.Fail("text", "has no gauge", "add one")
	}
	if len(texts) > 1 && slices.ContainsFunc(texts, func(t Speaker) bool { return t.Query == "" }) {
		m.Fail("text", "has a gauge that sends by itself beside another", "such a gauge is alone on its line; give it a query, or its own line")
		return
	}
	for i := range texts {
		t := &texts[i]
		for j := range texts {
			if i != j && strings.HasSuffix(t.Query, texts[j].Query) {
				m.Fail("text", fmt.Sprintf("has the query %q that ends like %q: both gauges would answer", t.Query, texts[j].Query), "give every gauge its own query")
				return
			}
		}
	}
}

// lineFault reads one fault of a line.
func lineFault(m yamlfile.Map, l *Line) fault.Fault {
	keys := make([]string, fault.Kinds)
	for k := range keys {
		keys[k] = fault.Kind(k).String()
	}
	o := m.Optional()
	f := fault.Fault{Window: window(m)}
	key := one(m, keys, "at", "the fault")
	for k := range keys {
		if keys[k] == key {
			f.Kind = fault.Kind(k)
		}
	}
	switch {
	case key == "":
		return f
	case f.Kind.Whole():
		always(m, key)
	case f.Kind == fault.Late:
		lm := m.Map(key)
		f.Share, f.By = share(lm, "share"), lm.Duration("by")
	default:
		f.Share = share(m, key)
	}
	if len(l.Texts) > 0 && (f.Kind == fault.Exception || f.Kind == fault.Stray) {
		m.Fail(key, "is for Modbus", "take it out, or choose another fault")
	}
	if !m.Has("unit") {
		return f
	}
	f.Unit = uint8(o.Int("unit", modbus.MinUnit, modbus.MaxUnit))
	there := f.Unit == 0 // wrong, and noted
	for _, u := range l.Units {
		there = there || u.ID == f.Unit
	}
	switch {
	case f.Kind.Whole():
		m.Fail("unit", key+" meets the whole line", "take unit out")
	case !there:
		m.Fail("unit", fmt.Sprintf("%d does not stand on this line", f.Unit), "name one of its units")
	}
	return f
}

// window reads at, for and every.
func window(m yamlfile.Map) fault.Window {
	o := m.Optional()
	w := fault.Window{At: moment(m, "at"), For: o.Duration("for"), Every: o.Duration("every")}
	if w.Every > 0 && (w.For == 0 || w.For >= w.Every) {
		m.Fail("every", "needs a shorter for: an event must end before it comes again", "")
	}
	return w
}

// escapes turns \r, \n, \t, \\ and \x02 into the characters they stand for; the files hold none of those themselves.
func escapes(text string) (string, error) {
	quoted := strings.NewReplacer(`"`, `\"`, "\r", `\r`, "\n", `\n`).Replace(text)
	plain, err := strconv.Unquote(`"` + quoted + `"`)
	if err != nil {
		return "", fmt.Errorf(`%q has a backslash that stands for nothing; write \r, \n, \t, \\ or for example \x02, in single quotes`, text)
	}
	return plain, nil
}

func parseCounts(text string) (c [2]int, err error) {
	lo, hi, ok := strings.Cut(text, "..")
	c[0], err = strconv.Atoi(strings.TrimSpace(lo))
	if err == nil {
		c[1], err = strconv.Atoi(strings.TrimSpace(hi))
	}
	if !ok || err != nil || c[0] >= c[1] || c[0] < math.MinInt16 || c[1] > math.MaxUint16 || c[0] < 0 && c[1] > math.MaxInt16 {
		return c, fmt.Errorf("%q are not the counts of a 16-bit register, rising; write for example 0..27648", text)
	}
	return c, nil
}

// parseUnit reads what 1 of a value stands for: "psi", "0.01 bar".
func parseUnit(text string) (float64, error) {
	given := text
	if text != "" && !strings.ContainsAny(text[:1], "0123456789") {
		text = "1 " + text
	}
	v, err := si.ParsePressureDrop(text)
	if err != nil || v <= 0 {
		return 0, fmt.Errorf("%q is not a unit of pressure; write for example psi, bar or kPa", given)
	}
	return float64(v), nil
}
