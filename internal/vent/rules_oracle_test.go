package vent_test

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// An oracle holds every sample of a story and reckons, by brute force over all of them, what an answer would need.
// It knows necessary conditions only, each taken leniently where the rules leave room for a sample more or less.
type oracle struct {
	pot    vent.Pot
	period time.Duration
	gap    time.Duration
	seen   [points.Count][]points.Sample
	fresh  int // how many of the vessel's samples came before the last break
	newest si.Instant

	// Kept from sample to sample, so that long stories stay affordable.
	press []pressed           // by the control point
	torn  bool                // the control point once failed or fell silent for a second
	start si.Instant          // of the vessel's run
	prev  si.Instant          // the vessel's newest good sample in it
	low   []float64           // the vessel's least half-second mean at each of its samples
	held  map[si.Instant]bool // within, by instant
}

func newOracle(p vent.Pot, o vent.Options) *oracle {
	or := &oracle{pot: p, period: o.Period, gap: 2 * time.Second, held: map[si.Instant]bool{}}
	if o.Period >= 500*time.Millisecond {
		or.gap = max(or.gap, o.Period*5/2)
	}
	return or
}

func (o *oracle) cut(vent.Break) {
	o.start, o.prev = 0, 0
	o.fresh = len(o.seen[points.Vessel])
}

func (o *oracle) step(s points.Sample) {
	if n := len(o.seen[s.Point]); n > 0 && s.At <= o.seen[s.Point][n-1].At {
		return
	}
	switch s.Point {
	case points.Vessel:
		if z := o.pot.Gauges[points.Vessel].Zero; z != nil {
			s.Value -= si.GaugePressure(z.Offset)
		}
		o.vessel(s)
	case points.Control:
		o.control(s)
	case points.Hose:
		if n := len(o.press); s.Quality == points.Good && s.Value > 15*si.KPa && (n == 0 || o.press[n-1].to != 0) {
			if down := n > 0 && s.At.Sub(o.press[n-1].to) < 4*time.Second; !down {
				o.torn = true
			}
		}
	}
	o.seen[s.Point] = append(o.seen[s.Point], s)
	if s.Point == points.Vessel {
		lo, _, ok := o.half(points.Vessel, s.At)
		if !ok {
			lo = math.Inf(-1)
		}
		o.low = append(o.low, lo)
	}
	o.newest = max(o.newest, s.At)
}

func (o *oracle) vessel(s points.Sample) {
	switch s.Quality {
	case points.OutOfRange:
		o.start, o.prev = 0, 0
	case points.Good:
		if o.prev == 0 || s.At.Sub(o.prev) > o.gap+time.Millisecond {
			o.start = s.At
		}
		o.prev = s.At
	}
}

// A pressed is one press: the last good reading before it, the first and the last of it; to 0: not over.
type pressed struct{ was, from, to si.Instant }

func (o *oracle) control(s points.Sample) {
	before, ok := last(o.seen[points.Control])
	if s.Quality != points.Good || ok && s.At.Sub(before.At) > time.Second {
		o.torn = true
	}
	if s.Quality != points.Good {
		return
	}
	on, off := float64(140e3), float64(70e3)
	if o.pot.On != 0 || o.pot.Off != 0 {
		on, off = float64(o.pot.On), float64(o.pot.Off)
	}
	n := len(o.press)
	down := n > 0 && o.press[n-1].to == 0
	now, v := down, float64(s.Value)
	switch {
	case o.pot.Electric:
		now = s.Pressed
	case o.pot.Inverse && v < off, !o.pot.Inverse && v > on:
		now = true
	case o.pot.Inverse && v > on, !o.pot.Inverse && v < off:
		now = false
	}
	if now && !down {
		p := pressed{was: s.At, from: s.At}
		if b, ok := lastGood(o.seen[points.Control]); ok {
			p.was = b.At
		}
		o.press = append(o.press, p)
	} else if down && !now {
		o.press[n-1].to = s.At
	}
}

const slack = 2 // Pa, for the order of summation

// u is R1's uncertainty of the vessel gauge, reckoned here from the rule's text.
func (o *oracle) u(p float64) float64 {
	g := o.pot.Gauges[points.Vessel]
	zero, span := 3400.0, 0.0025
	if g.ZeroError != 0 {
		zero = float64(g.ZeroError)
	}
	if g.Zero != nil {
		zero = 1000
	}
	if g.SpanError != 0 {
		span = float64(g.SpanError)
	}
	barometer := 0.0
	if g.Kind == vent.KindSealed || g.Kind == vent.KindAbsolute {
		if barometer = 3000; g.Barometer {
			barometer = 300
		}
	}
	return zero + span*math.Abs(p) + barometer
}

// between are a point's samples later than from and up to to; of the vessel only those since the last break.
func (o *oracle) between(p points.Point, from, to si.Instant) []points.Sample {
	all := o.seen[p]
	if p == points.Vessel {
		all = all[o.fresh:]
	}
	i := upTo(all, from)
	return all[i:max(i, upTo(all, to))]
}

// upTo is the index of the first sample later than an instant.
func upTo(all []points.Sample, t si.Instant) int {
	return sort.Search(len(all), func(i int) bool { return all[i].At > t })
}

// good are the values of the good ones among them.
func (o *oracle) good(p points.Point, from, to si.Instant) []float64 {
	var out []float64
	for _, s := range o.between(p, from, to) {
		if s.Quality == points.Good {
			out = append(out, float64(s.Value))
		}
	}
	return out
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// half gives the least and the greatest half-second mean of a point that ends at an instant, over every fair way to
// cut the half second; ok is false where there is no sample.
func (o *oracle) half(p points.Point, at si.Instant) (lo, hi float64, ok bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	spans := []time.Duration{350, 400, 450, 499, 501, 550, 610}
	if o.period >= 500*time.Millisecond {
		spans = []time.Duration{1}
	}
	for _, ms := range spans {
		if v := o.good(p, at.Add(-ms*time.Millisecond), at); len(v) > 0 {
			m := mean(v)
			lo, hi, ok = min(lo, m), max(hi, m), true
		}
	}
	return lo, hi, ok
}

func last(all []points.Sample) (points.Sample, bool) {
	if len(all) == 0 {
		return points.Sample{}, false
	}
	return all[len(all)-1], true
}

func lastGood(all []points.Sample) (points.Sample, bool) {
	for i := len(all) - 1; i >= 0; i-- {
		if all[i].Quality == points.Good {
			return all[i], true
		}
	}
	return points.Sample{}, false
}

// wrong lists what contradicts an answer given now; brief leaves the costly part out.
func (o *oracle) wrong(a vent.Answer, brief bool) []string {
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	if (a.Word == vent.Vented) != (a.Because == 0) {
		say("because must be empty exactly with vented")
	}
	if a.At > o.newest {
		say("rests on a reading of the future")
	}
	v, any := lastGood(o.seen[points.Vessel][o.fresh:])
	old := !any || o.newest.Sub(v.At) > o.gap
	if old && a.Word != vent.NotProven {
		say("no good reading of the vessel for over %v", o.gap)
		return out
	}
	if newest, _ := last(o.seen[points.Vessel]); !old && newest.Quality == points.Good && !o.failed(700*time.Millisecond) {
		lo, hi, _ := o.half(points.Vessel, v.At)
		if lo > 7000-o.u(lo)+slack && a.Word != vent.Pressurised {
			say("R1: the vessel reads at least %.0f Pa and this is not called pressurised", lo)
		}
		if hi < 7000-o.u(hi)-slack && a.Word == vent.Pressurised {
			say("R1: the vessel reads at most %.0f Pa and this is called pressurised", hi)
		}
	}
	if a.Word != vent.Vented {
		return out
	}
	if o.newest.Sub(a.At) > o.gap {
		say("rests on a reading %v old", o.newest.Sub(a.At))
	}
	if newest, _ := last(o.seen[points.Vessel]); newest.Quality == points.OutOfRange {
		say("the vessel's newest reading is out of range")
	}
	if !o.within(v.At) {
		say("R1: no 3 s within the limit behind it")
	}
	if o.pot.Gauges[points.Vessel].Kind != vent.KindGauge && o.u(0) > 5000 {
		say("R1: U is over 5 kPa")
	}
	if !o.healthy(points.Control) && !o.healthy(points.Hose) || o.pot.HoldsPressure && !o.healthy(points.Hose) {
		say("R4: no second witness")
	}
	for _, p := range []points.Point{points.Hose, points.Nozzle} {
		if s, ok := lastGood(o.seen[p]); ok && o.healthy(p) {
			if lo, _, ok := o.half(p, s.At); ok && lo > 7000+slack {
				say("R5: the %v shows %.0f Pa", p, lo)
			}
		}
	}
	if n := len(o.press); n > 0 && o.press[n-1].to == 0 && o.healthy(points.Control) {
		say("R5: the handle is pressed")
	}
	if !brief {
		if why := o.unwitnessed(); why != "" {
			say("R3: %s", why)
		}
	}
	return out
}

// failed tells whether the vessel gave a sample out of range within a time.
func (o *oracle) failed(within time.Duration) bool {
	return slices.ContainsFunc(o.between(points.Vessel, o.newest.Add(-within), o.newest),
		func(s points.Sample) bool { return s.Quality == points.OutOfRange })
}

// healthy: configured, and its newest good reading at most 2 s (and a poll) old.
func (o *oracle) healthy(p points.Point) bool {
	s, ok := lastGood(o.seen[p])
	return ok && o.pot.Points.Has(p) && o.newest.Sub(s.At) <= o.gap+200*time.Millisecond
}

// within tells whether the 3 s that end at a sample of the vessel may satisfy R1.
func (o *oracle) within(at si.Instant) bool {
	ok, known := o.held[at]
	if !known {
		ok = o.reckonWithin(at)
		o.held[at] = ok
	}
	return ok
}

func (o *oracle) reckonWithin(at si.Instant) bool {
	tick := 200 * time.Millisecond
	if o.period >= 500*time.Millisecond {
		tick = o.period
	}
	begin := at.Add(-3*time.Second + tick)
	if o.start == 0 || o.start > begin && at >= o.start {
		return false
	}
	all := o.seen[points.Vessel]
	for i := max(o.fresh, upTo(all, begin)); i < len(all) && all[i].At <= at; i++ {
		if all[i].Quality == points.OutOfRange || all[i].At > at.Add(-2300*time.Millisecond) && o.low[i] > 7000+slack {
			return false
		}
	}
	for _, ms := range []time.Duration{2850, 2950, 2999, 3001, 3110} {
		if v := o.good(points.Vessel, at.Add(-ms*time.Millisecond), at); len(v) > 0 {
			if m := mean(v); m >= -o.u(m)-slack && m <= 7000-o.u(m)+slack {
				return true
			}
		}
	}
	return false
}

// unwitnessed says what R3 or R9 misses, "" where nothing.
func (o *oracle) unwitnessed() string {
	start := o.start
	share := float64(o.pot.Target) / 5
	if o.pot.Target == 0 {
		share = 0.15 * float64(o.pot.Rated)
	}
	if o.pot.HoldsPressure {
		if share = float64(o.pot.Target) / 2; o.pot.Target == 0 {
			share = float64(o.pot.Rated) / 3
		}
	}
	low, top, rise := math.Inf(1), math.Inf(-1), 0.0
	for _, s := range o.seen[points.Vessel][o.fresh:] {
		if s.At >= start && s.Quality == points.Good {
			v := float64(s.Value)
			low, top = min(low, v), max(top, v)
			rise = max(rise, v-low)
		}
	}
	if top < share-slack {
		return fmt.Sprintf("in this run the vessel never read over %.0f Pa, needed %.0f", top, share)
	}
	if o.pot.HoldsPressure {
		return ""
	}
	if rise < 20e3-slack {
		return fmt.Sprintf("in this run the vessel rose by %.0f Pa only", rise)
	}
	if o.pot.Points.Has(points.Control) && !o.torn {
		return o.lastPress(start, share)
	}
	return ""
}

// lastPress holds R3 against the last press that was certainly more than a tap and certainly began with the vessel
// under 20 kPa. The release is that of the press or of a later one: pressed again while venting, or tapped.
func (o *oracle) lastPress(start si.Instant, share float64) string {
	for i := len(o.press) - 1; i >= 0; i-- {
		p := o.press[i]
		if p.to == 0 || p.to.Sub(p.from) < 1700*time.Millisecond+o.period {
			continue
		}
		// It may have begun anywhere between two samples of the handle; the vessel's reading is a mean.
		before := o.good(points.Vessel, p.was.Add(-600*time.Millisecond-o.period), p.from)
		if len(before) == 0 || slices.Max(before) > 19e3 {
			continue
		}
		why := ""
		for _, q := range o.press[i:] {
			if why = o.release(max(start-1, p.from), q.to, share); why == "" {
				break
			}
		}
		return why
	}
	return ""
}

func (o *oracle) release(from, release si.Instant, share float64) string {
	top := math.Inf(-1)
	for _, v := range o.good(points.Vessel, from, release.Add(500*time.Millisecond)) {
		top = max(top, v)
	}
	if top < share-slack {
		return fmt.Sprintf("the vessel rose to %.0f Pa in the press, needed %.0f", top, share)
	}
	end := 30 * time.Second
	if o.pot.Commissioned != nil {
		end = 2 * o.pot.Commissioned.Time
	}
	first, until := release.Add(2300*time.Millisecond), release.Add(end+3500*time.Millisecond)
	for _, s := range o.between(points.Vessel, first, until) {
		if o.within(s.At) {
			return ""
		}
	}
	return "the vent did not settle in time after the release"
}
