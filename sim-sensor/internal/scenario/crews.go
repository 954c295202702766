package scenario

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
)

// Families are scenarios drawn by seed: sites of three pots with crews of different habits, sizes, nozzles, hoses,
// abrasives, gauges, weather and logging, some points missing. Crews is healthy; its gauges err within what they declare.
// Troubled has one to three faults at every pot, an hour or so apart. Shut has one fault alone, that holds for minutes and
// comes again: the exhaust does not open, or hardly. Short is healthy, and its crews blast small parts: a press and a rest
// of seconds. GaugeFaults has one fault of one gauge at every pot: stuck, its port plugging, its zero drifting, or exchanged
// with another.
const (
	Crews       = "crews"
	Troubled    = "troubled-crews"
	Shut        = "shut-exhausts"
	Short       = "short-cycles"
	GaugeFaults = "gauge-faults"
)

// A kind of site is what the families differ in.
type kind struct {
	stream uint64 // of chance: with one seed, families of one stream have the same pots
	about  string
	rates  []int // Hz, of which a site has one
	fills  *fills
	script func(d *draw, p *potDrawn)
}

// usualRates are those of loggers.
var usualRates = []int{1, 2, 5, 10, 10, 10, 20, 50}

var families = map[string]kind{
	Crews: {stream: 0x63726577, about: "three pots, their crews, gauges and weather drawn by seed", rates: usualRates, script: (*draw).healthy},
	Troubled: {stream: 0x63726577, about: "three pots with one to three faults each, all drawn by seed", rates: usualRates, script: func(d *draw, p *potDrawn) {
		d.healthy(p)
		d.troubles()
	}},
	Shut: {stream: 0x63726577, about: "three pots whose exhausts do not open now and then, all drawn by seed", rates: usualRates, script: func(d *draw, p *potDrawn) {
		d.healthy(p)
		d.say("      events:\n        - {at: %.0f s, for: %.0f s, every: %.0f s, exhaust_shut: %.0f %%}", d.between(30, 300), d.around(60, 240), d.around(300, 600), pick(d, 100, d.between(90, 100)))
	}},
	Short: {stream: 0x73686f72, about: "three healthy pots with presses and rests of seconds, all drawn by seed", rates: usualRates, script: func(d *draw, p *potDrawn) { d.briefly(8, 40, 8, 25, p.holds) }},
	GaugeFaults: {stream: 0x67617567, about: "three pots with one faulty gauge each, all drawn by seed", rates: []int{5, 10, 20}, script: func(d *draw, p *potDrawn) {
		d.briefly(15, 60, 12, 40, p.holds)
		d.misleads(p.has)
	}},
	SteadyFills:  {stream: 0x66696c6c, about: "three healthy pots blasted from full to empty at one setting, all drawn by seed", rates: tenHertz, fills: fillsSlow, script: (*draw).steadyFills},
	ChangedFills: {stream: 0x63686e67, about: "three pots blasted from full to empty, the setting changed four times an hour, the abrasive blocked now and then, all drawn by seed", rates: tenHertz, fills: fillsSlow, script: (*draw).changedFills},
	LateShut:     {stream: 0x6c617465, about: "three pots whose exhausts open in part or not at all, when some fills have been blasted, all drawn by seed", rates: tenHertz, fills: fillsQuick, script: (*draw).lateShut},
	SlowWear:     {stream: 0x77656172, about: "three pots that wear, clog and are cleaned in many hours, all drawn by seed", rates: tenHertz, fills: fillsWorn, script: (*draw).slowWear},
}

// family tells whether a name is a family, and its text for a seed.
func family(name string, seed uint64) (text []byte, ok bool) {
	k, ok := families[name]
	if !ok {
		return nil, false
	}
	d := &draw{kind: k, rng: rand.New(rand.NewPCG(seed, k.stream))}
	return d.site(seed), true
}

// A draw writes a scenario by chance.
type draw struct {
	kind
	rng     *rand.Rand
	text    strings.Builder
	weather plant.Weather // at the start
}

func (d *draw) say(format string, args ...any) { fmt.Fprintf(&d.text, format+"\n", args...) }

// between is evenly between two ends; around is of both ends' order, as people's times are.
func (d *draw) between(lo, hi float64) float64 { return lo + float64((hi-lo)*d.rng.Float64()) }
func (d *draw) around(lo, hi float64) float64  { return lo * math.Pow(hi/lo, d.rng.Float64()) }
func (d *draw) chance(p float64) bool          { return d.rng.Float64() < p }

func pick[T any](d *draw, from ...T) T { return from[d.rng.IntN(len(from))] }

// Sizes that go together, in feet and inches; nozzles by what the trade puts on such pots, hoses three to four times the
// nozzle's bore.
var (
	nozzlesOf = map[string][]string{"1.5": {"3/16", "1/4"}, "3.5": {"1/4", "5/16", "3/8"}, "6.5": {"5/16", "3/8", "7/16", "1/2"}, "10": {"7/16", "1/2"}}
	hosesOf   = map[string][]string{"3/16": {"3/4"}, "1/4": {"3/4", "1"}, "5/16": {"1", "1.25"}, "3/8": {"1", "1.25"}, "7/16": {"1.25", "1.5"}, "1/2": {"1.5"}}
	trees     = []string{"alder", "birch", "cedar", "elm", "hazel", "juniper", "larch", "maple", "oak", "pine", "rowan", "yew"}
	// Bulk and solid density in lb/ft3: slags, garnet, staurolite, aluminium oxide, glass bead, steel grit.
	abrasives = []string{"100 lb/ft3, solid_density: 220 lb/ft3", "87 lb/ft3, solid_density: 170 lb/ft3", "138 lb/ft3, solid_density: 250 lb/ft3", "128 lb/ft3, solid_density: 231 lb/ft3",
		"125 lb/ft3, solid_density: 247 lb/ft3", "88 lb/ft3, solid_density: 156 lb/ft3", "230 lb/ft3, solid_density: 468 lb/ft3"}
)

func (d *draw) site(seed uint64) []byte {
	about := d.about
	d.say("# %s; this is seed %d.", about, seed)
	d.say("about: %s\nseed: %d", about, seed%math.MaxInt32)
	height := math.Round(d.around(5, 1800))
	d.say("atmosphere: {altitude: %.0f m}", height)
	cold := d.between(-5, 30)
	d.weather = plant.Weather{Barometer: si.AtmosphereAt(si.Length(height)), Air: si.Temperature(cold + si.ZeroCelsius)}
	d.say("weather: {temperature: %.1f C, humidity: %.0f %%, then: {temperature: %.1f C, humidity: %.0f %%, after: %.1f h}}",
		cold, d.between(30, 95), cold+d.between(-4, 12), d.between(30, 95), d.between(2, 8))
	d.say("rate: %d Hz", pick(d, d.rates...))
	d.say("pots:")
	names := slices.Clone(trees)
	d.rng.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
	var lines []string
	for i, n := range names[:3] {
		lines = append(lines, d.pot(n, i)...)
	}
	d.say("lines:\n  - link: run/sim/a\n    mode: 115200 8E1\n    units:")
	for _, l := range lines {
		d.say("      - %s", l)
	}
	return []byte(d.text.String())
}

// A potDrawn is what a pot's script must know of it.
type potDrawn struct {
	holds bool
	has   []points.Point
}

// pot writes a pot and returns its units.
func (d *draw) pot(name string, index int) (units []string) {
	volume := pick(d, "1.5", "3.5", "3.5", "6.5", "6.5", "10")
	nozzle := pick(d, nozzlesOf[volume]...)
	if d.fills != nil && d.fills.largest {
		nozzle = nozzlesOf[volume][len(nozzlesOf[volume])-1]
	}
	hose := pick(d, hosesOf[nozzle]...)
	length := pick(d, 25, 50, 50, 75, 100, 150)
	holds, electric := d.chance(0.15), d.chance(0.2)
	target := 5 * math.Round(d.between(80, 110)/5)
	metering, ventTime, lag, unload := d.around(0.6, 1.6), d.around(2.2, 6), d.around(0.08, 0.6), math.Round(d.between(115, 140))
	abrasive, commissioned := pick(d, abrasives...), d.chance(0.6)
	if d.fills != nil {
		holds, commissioned, metering = false, commissioned || d.fills.commissioned, d.fills.metering(d, volume, nozzle, abrasive)
	}
	d.say("  - name: %s", name)
	hold := ""
	if holds {
		hold = ", holds_pressure: true"
	}
	d.say("    vessel: {volume: %s ft3, rated: 150 psi%s}", volume, hold)
	d.say("    hose: {bore: %s in, length: %d ft}\n    nozzle: {bore: %s in, target: %.0f psi}", hose, length, nozzle, target)
	d.say("    abrasive: {bulk_density: %s}", abrasive)
	if commissioned {
		d.commission(volume, hose, nozzle, plant.Spec{HoseLength: si.Length(float64(length) * si.Foot), Target: si.GaugePressure(target * si.PSI), Metering: si.Ratio(metering),
			VentTime: seconds(ventTime), ControlLag: seconds(lag), HoldsPressure: holds, Compressor: plant.Compressor{Unload: si.GaugePressure(unload * si.PSI)}})
	}
	var has []points.Point
	missing := d.rng.IntN(12) // one point of five, in a third of the pots
	for i, pt := range points.All() {
		if d.fills != nil || pt == points.Vessel || !(i == missing || pt == points.Nozzle && !d.chance(0.35)) {
			has = append(has, pt)
		}
	}
	if electric = electric && slices.Contains(has, points.Control); electric {
		d.say("    control: electric")
	}
	d.say("    points:")
	for _, pt := range has {
		if electric && pt == points.Control {
			d.say("      - control")
		} else {
			d.say("      - %s: {range: 0..200 psi, zero_error: 0.25 psi, span_error: 0.2 %%}", pt)
		}
		kind := "transmitter, channels: [{pot: %s, point: %s, address: 2578, order: low-first, unit: psi}]"
		if electric && pt == points.Control {
			kind = "switch, channels: [{pot: %s, point: %s, address: 0}]"
		}
		units = append(units, fmt.Sprintf("{unit: %d, kind: "+kind+"}", 10*(index+1)+int(pt), name, pt))
	}
	level := d.between(20, 100)
	if d.fills != nil {
		level = 100
	}
	d.say("    fill: %.0f %%", level)
	d.say("    gauges: {noise: %.3f %%, resolution: %.4f %%, lag: %.0f ms, zero: 0.2 psi, span: 0.15 %%}", d.around(0.02, 0.2), d.around(0.003, 0.02), d.around(10, 60))
	d.say("    metering: %.0f %%\n    grain: %.2f mm\n    vent_time: %.2f s\n    control_lag: %.0f ms", metering*100, d.around(0.3, 1.2), ventTime, lag*1000)
	d.say("    compressor: {capacity: %.0f %%, unload: %.0f psi, band: %.0f psi, control: %s%s}", d.between(125, 260), unload, d.between(8, 18), pick(d, d.compressors()...), pick(d, d.coolers()...))
	d.say("    nozzle_life: %.0f t", d.around(40, 500))
	d.say("    script:")
	d.script(d, &potDrawn{holds: holds, has: has})
	return units
}

// compressors are the ways in which a compressor keeps its pressure.
func (d *draw) compressors() []string {
	if d.fills != nil && d.fills.cycles {
		return []string{"cycles"}
	}
	return []string{"throttles", "throttles", "cycles"}
}

// coolers are what comes behind a compressor. Where none does, the grit gets damp in hours.
func (d *draw) coolers() []string {
	if d.fills != nil {
		return []string{""}
	}
	return []string{"", "", ", cooler: none"}
}

// healthy writes the habits of any crew.
func (d *draw) healthy(p *potDrawn) { d.cycle(p.holds) }

// cycle writes a crew's habits: from edges in bursts of seconds to flat plate in minutes.
func (d *draw) cycle(holds bool) {
	pour := d.around(25, 300)
	after := ""
	if holds {
		after = fmt.Sprintf(", blowdown_after: %d", 1+d.rng.IntN(6))
	}
	d.say("      cycle: {press: %.0f s, rest: %.0f s, vary: %.0f %%, start: %.0f s, refill_below: %.0f %%, refill_to: %.0f %%, refill_time: %.0f s, refill_pause: %.0f s, break: {every: %.0f min, for: %.0f min}%s}",
		d.around(8, 400), d.around(10, 90), d.between(15, 70), d.between(2, 40), pick(d, 0, d.between(2, 12), d.between(10, 35)), pick(d, 100, 100, d.between(50, 95)),
		pour, pour+d.between(20, 60), d.between(45, 150), d.between(8, 30), after)
}

// briefly writes the habits of a crew that presses and rests for times around those given, in seconds.
func (d *draw) briefly(press, pressTo, rest, restTo float64, holds bool) {
	pour := d.around(20, 90)
	after := ""
	if holds {
		after = fmt.Sprintf(", blowdown_after: %d", 1+d.rng.IntN(2))
	}
	d.say("      cycle: {press: %.0f s, rest: %.0f s, vary: %.0f %%, start: %.0f s, refill_below: %.0f %%, refill_to: %.0f %%, refill_time: %.0f s, refill_pause: %.0f s%s}",
		d.around(press, pressTo), d.around(rest, restTo), d.between(15, 50), d.between(2, 20), pick(d, 0, d.between(2, 12), d.between(10, 35)), pick(d, 100, 100, d.between(50, 95)),
		pour, pour+d.between(10, 40), after)
}

// misleads writes the fault of one gauge. Slow ports and drifts are at points that the vent empties: at others a pot's work
// never shows them. A pair that is exchanged is so from the start, as it was wired.
func (d *draw) misleads(has []points.Point) {
	gauges := slices.DeleteFunc(slices.Clone(has), func(pt points.Point) bool { return pt == points.Control })
	falling := slices.DeleteFunc(slices.Clone(gauges), func(pt points.Point) bool { return pt == points.Supply || pt == points.Separator })
	d.say("      events:")
	switch kind := d.rng.IntN(4); {
	case kind == 0:
		d.say("        - {at: %.2f s, gauge: %s, stuck: true}", d.between(120, 400), pick(d, gauges...))
	case kind == 1:
		d.say("        - {at: %.2f s, gauge: %s, port: %.2f s}", d.between(60, 300), pick(d, falling...), d.around(0.1, 3))
	case kind == 2 || len(gauges) < 2:
		d.say("        - {at: %.2f s, gauge: %s, drift: %.2f psi, over: %.1f min}", d.between(60, 200), pick(d, falling...), d.between(0.7, 1)*pick(d, -1.0, 1.0), d.between(18, 26))
	default:
		d.rng.Shuffle(len(gauges), func(i, j int) { gauges[i], gauges[j] = gauges[j], gauges[i] })
		d.say("        - {gauge: %s, swapped: %s}", gauges[0], gauges[1])
	}
}

// troubles writes what goes wrong.
func (d *draw) troubles() {
	d.say("      events:")
	at := d.between(5, 30)
	for range 1 + d.rng.IntN(3) {
		t := pick(d, troubles...)
		lasts := ""
		if t.lasts > 0 {
			lasts = fmt.Sprintf(", for: %.1f min", d.around(0.3*t.lasts, t.lasts))
		}
		value := t.value
		if strings.Contains(value, "%.") {
			value = fmt.Sprintf(value, d.between(t.lo, t.hi))
		}
		grows := ""
		if t.grows > 0 && d.chance(0.7) {
			grows = fmt.Sprintf(", over: %.0f min", d.around(1, t.grows))
		}
		d.say("        - {at: %.1f min%s, %s%s}", at, lasts, value, grows)
		at += d.around(20, 120)
	}
}

// troubles are faults with how bad, how long (minutes; 0: for ever) and how slowly (minutes, at most) they come.
var troubles = []struct {
	value        string
	lo, hi       float64
	lasts, grows float64
}{
	{"exhaust_shut: %.0f %%", 30, 100, 60, 120}, {"exhaust_shut: 100 %", 0, 0, 20, 0}, {"trap: %.1f psi", 0.8, 60, 40, 0}, {"shut_at_zero: true", 0, 0, 60, 0}, {"exhaust_ice: %.0f %%", 3, 12, 120, 0},
	{"capacity_lost: %.0f %%", 20, 60, 0, 30}, {"set_low: %.0f psi", 8, 35, 0, 0}, {"consumer: %.0f cfm", 30, 200, 60, 0}, {"compressor: off", 0, 0, 4, 0},
	{"separator_lost: %.0f %%", 20, 75, 0, 240}, {"drain: shut", 0, 0, 0, 0}, {"drain_leak: %.1f mm", 3, 8, 0, 0}, {"carry_over: %.0f %%", 30, 100, 0, 60},
	{"inlet_leak: %.1f mm", 0.5, 5, 0, 30}, {"seal_leak: %.1f mm", 2, 8, 0, 60}, {"choke_shut: %.0f %%", 40, 85, 120, 0},
	{"metering: blocked", 0, 0, 15, 0}, {"metering: bridged", 0, 0, 1, 0}, {"metering_by: %.0f %%", -60, 120, 0, 0}, {"clumps: %.0f %%", 10, 60, 60, 20},
	{"hose_kink: %.0f %%", 25, 70, 30, 0}, {"hose_leak: %.1f mm", 3, 9, 0, 30}, {"nozzle_worn: %.2f mm", 0.4, 2.5, 0, 240}, {"nozzle: plugged", 0, 0, 3, 0},
	{"control_slow: %.1f s", 0.5, 4, 0, 0}, {"control_leak: %.0f %%", 15, 70, 0, 0}, {"handle: tied", 0, 0, 60, 0}, {"handle: flickers", 0, 0, 20, 0},
	{"gauge: vessel, drift: %.2f psi", -3, 3, 0, 120}, {"gauge: vessel, span: %.1f %%", -12, 12, 0, 120}, {"gauge: vessel, noise: %.2f %%", 0.3, 1.5, 0, 30}, {"gauge: vessel, lag: %.1f s", 0.4, 5, 0, 0},
	{"gauge: vessel, port: %.1f s", 0.6, 20, 0, 0}, {"gauge: vessel, stuck: true", 0, 0, 60, 0}, {"gauge: vessel, isolated: true", 0, 0, 60, 0}, {"gauge: vessel, isolated: true, leak: 60 s", 0, 0, 60, 0},
	{"gauge: vessel, scale: 0.1", 0, 0, 0, 0}, {"gauge: vessel, current: %.1f mA", 21, 22, 20, 0}, {"gauge: vessel, failed: true", 0, 0, 20, 0}, {"gauge: vessel, unplugged: true", 0, 0, 20, 0},
	{"gauge: vessel, spikes: {share: 0.5 %, by: 30 psi}", 0, 0, 60, 0},
}

// charged is when every vessel is up, with the default compressor.
const charged = 25 * time.Second

// commission writes how long the empty pot's vent takes, as a yard foreman would have timed it: from the release, or the
// opening of the hand valve, to where the vessel stays under 7 kPa, up to the next half second.
func (d *draw) commission(volume, hose, nozzle string, spec plant.Spec) {
	var err1, err2, err3 error
	spec.Volume, err1 = si.ParseVolume(volume + " ft3")
	spec.HoseBore, err2 = si.ParseLength(hose + " in")
	spec.NozzleBore, err3 = si.ParseLength(nozzle + " in")
	spec.Weather, spec.Fill = d.weather, 1e-6
	p, err4 := plant.New(spec, 1)
	if err1 != nil || err2 != nil || err3 != nil || err4 != nil {
		return // not commissioned; NewWorld says what is impossible
	}
	p.Advance(plant.Input{Pressed: true}, int(charged/plant.Tick))
	for p.At() < charged+time.Minute && p.Pressure(points.Vessel) > 7*si.KPa {
		p.Step(plant.Input{Blowdown: spec.HoldsPressure})
	}
	d.say("    commissioned: {vent: %.1f s, by: yard foreman, at: 2026-05-04}", math.Ceil(2*(p.At()-charged).Seconds())/2)
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
