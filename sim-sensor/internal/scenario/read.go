package scenario

import (
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/line"
	"gritwatch/sim-sensor/internal/transducer"
)

// Defaults of what a file leaves out.
const (
	defaultNoise      = 0.0005
	defaultResolution = 0.00005
	defaultLag        = 20 * time.Millisecond

	defaultRefillBelow = 0.15
	defaultRefillPause = 34 * time.Second // a vent, then a pot-full from the hopper
)

// Load reads the file at path.
func Load(path string) (*Scenario, error) {
	doc, err := yamlfile.Read(path)
	if err != nil {
		return nil, err
	}
	return read(doc)
}

// Parse reads the text of a sim.yaml; name stands in front of its errors, which are *yamlfile.Error.
func Parse(name string, text []byte) (*Scenario, error) {
	doc, err := yamlfile.Parse(name, text)
	if err != nil {
		return nil, err
	}
	return read(doc)
}

func read(doc *yamlfile.Doc) (*Scenario, error) {
	m := doc.Map()
	s := &Scenario{About: m.Optional().String("about"), Seed: 1}
	if m.Has("seed") {
		s.Seed = uint64(m.Int("seed", 0, math.MaxInt32))
	}
	var atm potfile.Atmosphere
	if a := m.Optional().Map("atmosphere"); m.Has("atmosphere") {
		atm = potfile.ReadAtmosphere(a)
	}
	gauges := readGauges(m.Optional().Map("gauges"), Gauges{Noise: defaultNoise, Resolution: defaultResolution, Lag: defaultLag})

	pots, maps := potfile.ReadPots(m, atm)
	if len(maps) == 0 && m.Has("pots") {
		m.Fail("pots", "has no pot", "add one")
	}
	r := reader{s: s, taken: map[Place]bool{}, links: map[string]bool{}}
	for i, p := range pots {
		s.Pots = append(s.Pots, r.pot(p, maps[i], gauges))
	}
	for _, f := range r.late {
		f()
	}
	for _, lm := range m.Maps("lines") {
		s.Lines = append(s.Lines, r.line(lm))
	}
	for i := range s.Pots {
		r.wired(&s.Pots[i], maps[i])
	}
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return s, nil
}

func readGauges(m yamlfile.Map, def Gauges) Gauges {
	m = m.Optional()
	ratio := func(key string, v *si.Ratio, most si.Ratio) {
		if m.Has(key) {
			if *v = m.Ratio(key); *v < 0 || *v > most {
				m.Fail(key, fmt.Sprintf("is not from 0 to %g %%", float64(most)*100), "")
			}
		}
	}
	ratio("noise", &def.Noise, 0.05)
	ratio("resolution", &def.Resolution, 0.05)
	if m.Has("lag") {
		def.Lag = m.Duration("lag")
	}
	return def
}

func (r *reader) pot(p potfile.Pot, m yamlfile.Map, gauges Gauges) Pot {
	out := Pot{Pot: p, Fill: 1, Gauges: readGauges(m.Optional().Map("gauges"), gauges)}
	if p.Vessel.HoldsPressure {
		m.Fail("vessel", "holds pressure by design, which is not simulated", "take holds_pressure out")
	}
	if p.Control.Electric || p.Control.Inverse {
		m.Fail("control", "is electric or inverse; simulated handles are pneumatic and pressed when the line is up", "take it out")
	}
	if m.Has("fill") {
		if out.Fill = m.Ratio("fill"); out.Fill < 0 || out.Fill > 1 {
			m.Fail("fill", "is not from 0 to 100 %", "")
		}
	}
	sm := m.Map("script")
	if sm.Has("cycle") {
		cm := sm.Map("cycle")
		c := &Cycle{Press: cm.Duration("press"), Rest: cm.Duration("rest"), Start: moment(cm, "start"),
			RefillBelow: defaultRefillBelow, RefillPause: defaultRefillPause}
		if cm.Has("refill_below") {
			c.RefillBelow = cm.Ratio("refill_below")
		}
		if cm.Has("refill_pause") {
			c.RefillPause = cm.Duration("refill_pause")
		}
		out.Script.Cycle = c
	}
	for _, em := range sm.Optional().Maps("events") {
		out.Script.Events = append(out.Script.Events, r.event(em, out))
	}
	if m.Has("script") && out.Script.Cycle == nil && len(out.Script.Events) == 0 {
		m.Fail("script", "has neither cycle nor events, so nothing would happen", "write for example cycle: {press: 25 s, rest: 20 s}")
	}
	return out
}

// reader checks what spans several parts of a file.
type reader struct {
	s     *Scenario
	taken map[Place]bool
	links map[string]bool
	late  []func() // checks that need all pots
}

// at is the pot of a place that exists.
func (s *Scenario) at(p Place) *Pot {
	for i := range s.Pots {
		if s.Pots[i].Name == p.Pot && s.Pots[i].Points.Has(p.Point) {
			return &s.Pots[i]
		}
	}
	return nil
}

func (r *reader) line(m yamlfile.Map) Line {
	l := Line{Link: m.String("link"), Mode: yamlfile.Scalar(m, "mode", "57600 8E1", line.ParseMode)}
	if clean := filepath.Clean(l.Link); l.Link != "" {
		if r.links[clean] {
			m.Fail("link", "is the path of another line", "give every line its own path")
		}
		r.links[clean] = true
	}
	seen := map[uint8]bool{}
	for _, um := range m.Maps("units") {
		u := r.unit(um)
		if seen[u.ID] && u.ID != 0 {
			um.Fail("unit", fmt.Sprintf("%d stands on this line a second time", u.ID), "give every unit of a line its own address")
		}
		seen[u.ID] = true
		l.Units = append(l.Units, u)
	}
	return l
}

func (r *reader) unit(m yamlfile.Map) Unit {
	u := Unit{ID: uint8(m.Int("unit", modbus.MinUnit, modbus.MaxUnit))}
	if m.Choice("kind", "transmitter", "module") == "module" {
		u.Module = new(transducer.Module)
		c := yamlfile.Scalar(m, "counts", "0..27648", parseCounts)
		u.Module.CountLo, u.Module.CountHi = c[0], c[1]
		u.Module.CurrentLo, u.Module.CurrentHi = m.CurrentRange("current")
	}
	used := map[int]bool{}
	for _, cm := range m.Maps("channels") {
		c := r.channel(cm, u.Module == nil)
		size := 1
		if u.Module == nil {
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

func (r *reader) channel(m yamlfile.Map, transmitter bool) Channel {
	c := Channel{Place: Place{Pot: m.String("pot"), Point: yamlfile.Scalar(m, "point", "vessel", points.Parse)}}
	last := math.MaxUint16
	if transmitter {
		last-- // a float takes two registers
		c.LowFirst = m.Choice("order", "low-first", "high-first") == "low-first"
		c.PerUnit = yamlfile.Scalar(m, "unit", "psi", parseUnit)
	}
	c.Address = uint16(m.Int("address", 0, last))

	pot := r.s.at(c.Place)
	switch {
	case c.Pot == "":
	case pot == nil:
		m.Fail("point", fmt.Sprintf("%s has no point %s in this file", c.Pot, c.Point), "name a pot and one of its points")
	case r.taken[c.Place]:
		m.Fail("point", fmt.Sprintf("%s of %s stands on a channel already", c.Point, c.Pot), "every point has one transducer")
	default:
		r.taken[c.Place] = true
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
	}
	return c
}

// wired wants a channel for every point.
func (r *reader) wired(p *Pot, m yamlfile.Map) {
	for _, pt := range points.All() {
		if p.Points.Has(pt) && !r.taken[Place{p.Name, pt}] {
			m.Fail("points", fmt.Sprintf("%s of %s stands on no line", pt, p.Name), "add it to the channels of a unit, or take it out of points")
		}
	}
}

func same(a, b si.GaugePressure) bool { return math.Abs(float64(a-b)) < 1 } // Pa: 0..1000 kPa and 0..10 bar are equal

func parseCounts(text string) (c [2]int, err error) {
	lo, hi, ok := strings.Cut(text, "..")
	c[0], err = strconv.Atoi(strings.TrimSpace(lo))
	if err == nil {
		c[1], err = strconv.Atoi(strings.TrimSpace(hi))
	}
	if !ok || err != nil || c[0] >= c[1] || c[0] < math.MinInt16 || c[1] > math.MaxInt16 {
		return c, fmt.Errorf("%q are not the counts of a 16-bit register, rising; write for example 0..27648", text)
	}
	return c, nil
}

// moment reads a time since the start, which unlike a length of time may be 0; absent: 0.
func moment(m yamlfile.Map, key string) time.Duration {
	return yamlfile.Scalar(m.Optional(), key, "40 s", func(text string) (time.Duration, error) {
		d, err := si.ParseDuration(text)
		if err == nil {
			return d, nil
		}
		// A zero is refused there; with a nine behind it the same text is a time, if its unit is right.
		if digits := strings.TrimLeft(text, "0."); digits != text {
			if _, also := si.ParseDuration("9" + digits); also == nil && strings.Trim(digits, " msinh") == "" {
				return 0, nil
			}
		}
		return 0, err
	})
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
