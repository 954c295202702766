package scenario

import (
	"fmt"
	"math"
	"strings"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
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
	s.Weather = readWeather(m.Optional().Map("weather"))
	if m.Has("rate") {
		s.Rate = yamlfile.Scalar(m, "rate", "10 Hz", parseRate)
	}
	gauges := readGauges(m.Optional().Map("gauges"), Gauges{Noise: defaultNoise, Resolution: defaultResolution, Lag: defaultLag})

	pots, maps := potfile.ReadPots(m, atm)
	if len(maps) == 0 && m.Has("pots") {
		m.Fail("pots", "has no pot", "add one")
	}
	r := reader{s: s, taken: map[Place]bool{}, links: map[string]bool{}, outputs: map[[2]string]bool{}}
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
	ratio("span", &def.Span, 0.05)
	if m.Has("lag") {
		def.Lag = m.Duration("lag")
	}
	if m.Has("zero") {
		if def.Zero = m.PressureDrop("zero"); def.Zero < 0 || def.Zero > 50*si.KPa {
			m.Fail("zero", "is not from 0 to 50 kPa", "")
		}
	}
	return def
}

func (r *reader) pot(p potfile.Pot, m yamlfile.Map, gauges Gauges) Pot {
	out := Pot{Pot: p, Fill: 1, Gauges: readGauges(m.Optional().Map("gauges"), gauges)}
	if p.Control.Inverse {
		m.Fail("control", "is inverse; simulated lines are up when the handle is pressed", "take it out")
	}
	if m.Has("fill") {
		out.Fill = share(m, "fill")
	}
	out.Equipment = readEquipment(m)
	sm := m.Map("script")
	if sm.Has("cycle") {
		out.Script.Cycle = readCycle(sm.Map("cycle"))
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
	s       *Scenario
	taken   map[Place]bool
	links   map[string]bool
	outputs map[[2]string]bool // of relays, by pot and name
	late    []func()           // checks that need all pots
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

// wired wants a channel for every point.
func (r *reader) wired(p *Pot, m yamlfile.Map) {
	for _, pt := range points.All() {
		if p.Points.Has(pt) && !r.taken[Place{p.Name, pt}] {
			m.Fail("points", fmt.Sprintf("%s of %s stands on no line", pt, p.Name), "add it to the channels of a unit, or take it out of points")
		}
	}
}

func same(a, b si.GaugePressure) bool { return math.Abs(float64(a-b)) < 1 } // Pa: 0..1000 kPa and 0..10 bar are equal

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
