package eval_test

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/wear"
)

// A wearScore is what was said of what clogs and wears, in one run or several.
type wearScore struct {
	clogs [2]clogScore // of separator and exhaust
	hours float64      // of the runs with wear
	bore  [3]boreScore // by what the pot is given, see below
}

// What a nozzle's bore is estimated from.
const (
	boreClogged = iota // a nozzle point, and the separator has clogged
	boreAir            // air alone, which this nozzle has had for some seconds; with a nozzle point more
	boreNothing        // neither of the two: until then
)

// Air alone, in the truth.
const (
	cleanLoading = 0.05 // of the hose, kg a kg
	airAlone     = 5 * time.Second
)

// A clogScore is what was said of one part.
type clogScore struct {
	strokes []float64 // from the truth's passing the limit to the finding, presses or vents; +Inf: none as long as it lasted
	missed  []string
	falsely int
	where   []string
	cleaned int // services recorded
	proven  int // of them, those that the index has proven
}

// A boreScore is what was said of bores.
type boreScore struct {
	off     []float64 // m, of the growth, without sign
	minutes part      // of blasting, with a growth said to be known
	notes   []string  // of pots with a p95 over 0.05 mm
}

func (s *wearScore) add(o *wearScore) {
	for i := range s.clogs {
		a, b := &s.clogs[i], &o.clogs[i]
		a.strokes, a.missed, a.falsely, a.where, a.cleaned, a.proven = append(a.strokes, b.strokes...), append(a.missed, b.missed...), a.falsely+b.falsely, append(a.where, b.where...), a.cleaned+b.cleaned, a.proven+b.proven
	}
	for i := range s.bore {
		a, b := &s.bore[i], &o.bore[i]
		a.off, a.minutes.given, a.minutes.due = append(a.off, b.off...), a.minutes.given+b.minutes.given, a.minutes.due+b.minutes.due
		a.notes = append(a.notes, b.notes...)
	}
	s.hours += o.hours
}

// A limitOf is when a part is due, in the truth's words.
type limitOf struct {
	part  wear.Part
	name  string
	value func(s *state) float64 // larger is worse
	due   float64
	sound float64 // up to here a finding is false
	each  string  // stroke that is counted
	most  float64 // of them
}

var clogLimits = [2]limitOf{
	{wear.Separator, "separator +30 %", func(s *state) float64 { return s.resistance[points.SeparatorSegment] }, 1.3, 1.15, "presses", 12},
	{wear.Exhaust, "exhaust conductance -10 %", func(s *state) float64 { return 1 - s.exhaust }, 0.1, 0.05, "cycles", 5},
}

// A clogScorer scores the findings of one part.
type clogScorer struct {
	limitOf
	s       *clogScore
	r       *record
	strokes int
	dueAt   int // strokes when the truth passed the limit; 0: it is within
	found   bool
	was     bool
	worst   float64 // since it was last sound
	cleaned int     // strokes at the last cleaning; 0: none
	proven  si.Instant
}

// row takes a row; stroke tells whether a stroke has just begun. It tells whether the part has just been put right.
func (c *clogScorer) row(s *said, stroke, finding bool) (cleaned bool) {
	if stroke {
		c.strokes++
	}
	v := c.value(s.now)
	c.worst = max(c.worst, v)
	switch {
	case v >= c.due && c.dueAt == 0:
		c.dueAt, c.found = max(1, c.strokes), false
	case v < c.sound && c.dueAt != 0:
		c.end()
	}
	if v < c.sound && c.worst >= c.due {
		c.worst, c.cleaned, cleaned = v, max(1, c.strokes), true
	}
	if finding && c.dueAt != 0 && !c.found {
		c.found = true
		c.s.strokes = append(c.s.strokes, float64(c.strokes-c.dueAt))
	}
	if finding && !c.was && v < c.sound && (c.cleaned == 0 || float64(c.strokes-c.cleaned) > c.most) {
		c.s.falsely++
		c.s.where = append(c.s.where, fmt.Sprintf("%s: %s at %v, truly %.3f", c.r.name, c.name, s.at, v))
	}
	c.was = finding
	return cleaned
}

// end closes the time in which the part is due.
func (c *clogScorer) end() {
	if c.dueAt != 0 && !c.found && float64(c.strokes-c.dueAt) >= c.most {
		c.s.strokes = append(c.s.strokes, math.Inf(1))
		c.s.missed = append(c.s.missed, fmt.Sprintf("%s: %s, not found in %d %s", c.r.name, c.name, c.strokes-c.dueAt, c.each))
	}
	c.dueAt = 0
}

// A wearScorer scores what is said of wear row by row.
type wearScorer struct {
	r       *record
	on      bool
	s       wearScore
	clogs   [2]clogScorer
	pressed bool
	airOnly bool       // the nozzle has had air alone
	since   si.Instant // of air alone; 0: abrasive flows
	bore    si.Length  // at the start
	clogged bool       // the separator was, by a tenth
	blasted time.Duration
	last    si.Instant
}

func newWearScorer(r *record, family string) *wearScorer {
	w := &wearScorer{r: r, on: family == slowWear, bore: si.Length(r.truth[0].bore)}
	for i := range w.clogs {
		w.clogs[i] = clogScorer{limitOf: clogLimits[i], s: &w.s.clogs[i], r: r}
	}
	return w
}

func (w *wearScorer) row(s *said) {
	if !w.on {
		return
	}
	step := min(s.at.Sub(w.last), time.Second)
	if w.last == 0 {
		step = 0
	}
	w.last = s.at
	w.s.hours += step.Hours()
	press, release := s.now.pressed && !w.pressed, !s.now.pressed && w.pressed
	w.pressed = s.now.pressed
	for i := range w.clogs {
		c := &w.clogs[i]
		x := &s.wear[c.part]
		if c.row(s, i == 0 && press || i == 1 && release, x.Known && x.Finding) {
			c.s.cleaned++
			s.serve(engine.Service{At: s.at, Part: c.part.String(), Work: "cleaned"})
		}
		if x := s.served(c.part); x.Done && x.Proven && x.At != c.proven {
			c.proven = x.At
			c.s.proven++
		}
	}
	switch {
	case !s.now.blasting() || s.now.loading > cleanLoading:
		w.since = 0
	case w.since == 0:
		w.since = s.now.at
	}
	w.airOnly = w.airOnly || w.since != 0 && s.now.at.Sub(w.since) >= airAlone
	w.clogged = w.clogged || s.now.resistance[points.SeparatorSegment] > 1.1
	was := w.blasted
	if s.now.blasting() {
		w.blasted += step
	}
	if w.blasted/anEach == was/anEach {
		return
	}
	x := &s.wear[wear.Bore]
	off := math.Abs(float64(x.Value-1)*float64(w.r.pot.Nozzle.Bore) - (s.now.bore - float64(w.bore)))
	take := func(b *boreScore) {
		if b.minutes.due++; x.Known {
			b.minutes.given++
			b.off = append(b.off, off)
		}
	}
	if w.clogged {
		take(&w.s.bore[boreClogged])
	}
	if w.airOnly {
		take(&w.s.bore[boreAir])
	} else {
		take(&w.s.bore[boreNothing])
	}
}

func (w *wearScorer) score() wearScore {
	for i := range w.clogs {
		w.clogs[i].end()
	}
	for i := range w.s.bore {
		b := &w.s.bore[i]
		if p95 := quantile(slices.Clone(b.off), 0.95); p95 > 0.05e-3 {
			b.notes = []string{fmt.Sprintf("%s: %s in %d minutes of %d, grown by %.2f mm at the end", w.r.name, millimetres(slices.Clone(b.off)), b.minutes.given, b.minutes.due, 1e3*(w.r.truth[len(w.r.truth)-1].bore-float64(w.bore)))}
		}
	}
	return w.s
}

// figures are the rows of wear, but for those of the bore.
func (s *wearScore) figures(b *board) {
	for i, l := range clogLimits {
		c := &s.clogs[i]
		p95 := quantile(c.strokes, 0.95)
		most := 0.0
		if n := len(c.strokes); n > 0 {
			most = c.strokes[n-1] // sorted
		}
		b.row(figure{what: l.name + ": " + l.each + " from then to the finding", measured: counts(c.strokes), of: fmt.Sprintf("%d times, %d of them never found", len(c.strokes), len(c.missed)),
			bound: countsUnder(c.strokes), aim: fmt.Sprintf("within %.0f %s", l.most, l.each), ok: len(c.strokes) > 0 && most <= l.most && p95 <= l.most, notes: c.missed})
		f := figure{what: l.name + ": found while it is sound", measured: describe(c.falsely, "findings"), of: fmt.Sprintf("%.0f hours", s.hours), notes: c.where,
			bound: fmt.Sprintf("under %.1f in 200 hours", 200*perHour(c.falsely, s.hours))}
		if i == 0 {
			f.aim, f.ok = "at most one in 200 hours", s.hours > 0 && float64(c.falsely) <= max(1, s.hours/200)
			b.row(f)
		} else {
			b.fact(f)
		}
		b.fact(figure{what: l.name + ": cleaning recorded, and proven by the index", measured: describe(c.proven, "services"), of: fmt.Sprintf("%d services", c.cleaned), bound: "none"})
	}
}

// boreRows are the rows of the bore, each of the way that it is for.
func (all *reading) boreRows(b *board) {
	for _, c := range []struct {
		what string
		s    *boreScore
		most float64 // m
	}{{"with a nozzle point, the separator clogging or cleaned", &all[whole].wear.bore[boreClogged], 0.15e-3}, {"without a nozzle point, air-only seconds now and then", &all[noNozzle].wear.bore[boreAir], 0.35e-3}} {
		p95 := quantile(c.s.off, 0.95)
		bound := fmt.Sprintf("p95: none from %d", len(c.s.off))
		if over, ok := quantileUnder(c.s.off, 0.95); ok {
			bound = fmt.Sprintf("p95 under %.2f mm, if minutes were independent", 1e3*over)
		}
		b.row(figure{what: "nozzle's growth, " + c.what + ": off by", measured: millimetres(c.s.off), of: fmt.Sprintf("%d minutes of %d of blasting", c.s.minutes.given, c.s.minutes.due), bound: bound,
			aim: fmt.Sprintf("p95 %.2f mm", 1e3*c.most), ok: len(c.s.off) > 0 && p95 <= c.most, notes: c.s.notes})
	}
	n := &all[noNozzle].wear.bore[boreNothing].minutes
	b.row(figure{what: "nozzle's growth, without a nozzle point and without air-only seconds: said to be known", measured: describe(n.given, "minutes"), of: fmt.Sprintf("%d minutes of blasting", n.due), bound: bound(n.given, n.due), aim: "none", ok: n.given == 0 && n.due > 0, notes: all[noNozzle].wear.bore[boreNothing].notes})
	lucky := all[noNozzle].wear.bore[boreNothing].off
	b.fact(figure{what: "nozzle's growth, without a nozzle point and without air-only seconds, where it is said to be known: off by", measured: millimetres(lucky), of: fmt.Sprintf("%d minutes", len(lucky)), bound: "none"})
	for _, i := range []int{fiveHertz, noisy} {
		s := &all[i].wear.bore[boreClogged]
		b.fact(figure{what: "nozzle's growth with a nozzle point, " + ways[i].name + ": off by", measured: millimetres(s.off), of: fmt.Sprintf("%d minutes of %d of blasting", s.minutes.given, s.minutes.due), bound: "none"})
	}
	v := &all[vesselOnly].wear
	known := v.bore[boreAir].minutes.given + v.bore[boreNothing].minutes.given
	b.fact(figure{what: "nozzle's growth, vessel + control only: said to be known", measured: describe(known, "minutes"), of: fmt.Sprintf("%d minutes of blasting", v.bore[boreAir].minutes.due+v.bore[boreNothing].minutes.due), bound: "none"})
}

func millimetres(off []float64) string {
	if len(off) == 0 {
		return "none"
	}
	return fmt.Sprintf("p50 %.2f mm, p95 %.2f mm", 1e3*quantile(off, 0.5), 1e3*quantile(off, 0.95))
}

// counts are a median, a p95 and the largest in words.
func counts(n []float64) string {
	if len(n) == 0 {
		return "none"
	}
	word := func(q float64) string {
		if v := quantile(n, q); !math.IsInf(v, 0) {
			return fmt.Sprintf("%.0f", v)
		}
		return "never"
	}
	return fmt.Sprintf("p50 %s, p95 %s, at most %s", word(0.5), word(0.95), word(1))
}

func countsUnder(n []float64) string {
	over, ok := quantileUnder(n, 0.95)
	if !ok {
		return fmt.Sprintf("p95: none from %d, it takes 59", len(n))
	}
	return fmt.Sprintf("p95 under %.0f", over)
}
