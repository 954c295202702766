package eval_test

import (
	"fmt"
	"slices"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A ventScore is what was found of exhausts that do not open, with the level known, in one run or several. Of a pair the first
// is of exhausts shut or at a tenth, the second of those at half.
type ventScore struct {
	late    [2][]time.Duration // from the control point's first fall to vent-slow; never: missed
	less    [2][]time.Duration // of it what is not the lag of pilot line and valves
	lags    []time.Duration    // of healthy vents of pots whose exhausts fail: until the vessel has fallen by 2 %
	missed  [2][]string
	healthy int     // vents of exhausts that open as new ones do
	partly  [2]part // vents of exhausts that have lost a tenth to a fifth, and more but hardly half; given: with a critical finding
	falsely int     // critical findings in them, or before them
	where   []string
	unknown int // vents of exhausts that do not open, with no level known: not counted
}

func (s *ventScore) add(o *ventScore) {
	for i := range s.late {
		s.late[i], s.less[i], s.missed[i] = append(s.late[i], o.late[i]...), append(s.less[i], o.less[i]...), append(s.missed[i], o.missed[i]...)
	}
	s.lags = append(s.lags, o.lags...)
	for i := range s.partly {
		s.partly[i].given, s.partly[i].due = s.partly[i].given+o.partly[i].given, s.partly[i].due+o.partly[i].due
	}
	s.healthy, s.falsely, s.where, s.unknown = s.healthy+o.healthy, s.falsely+o.falsely, append(s.where, o.where...), s.unknown+o.unknown
}

const (
	halfFrom, halfTo = 0.45, 0.55 // of the healthy conductance: half
	opensFrom        = 0.9        // and with more a critical finding is false: with less the exhaust is due for service
	lostLittle       = 0.8
	leastVent        = 3 * time.Second       // the next press before that ends what could be found
	fallen           = 0.98                  // of the vessel's pressure: the valves have opened
	beforeRelease    = si.Instant(1_000_000) // us: a control point falls before the truth's next line
)

// A ventScorer scores what is found of vents row by row.
type ventScorer struct {
	r    *record
	late bool // exhausts fail in this family
	s    ventScore

	pressed  bool
	released si.Instant // of the vent that is looked at; 0: none
	begun    bool       // by the control point's first fall
	line     firstFall
	from     float64 // the vessel then; 0: its fall was seen, or does not matter
	kind     int     // of late; -1: healthy, or neither
	partly   int     // of what is lost in part; -1: not, or a finding has been counted
	least    float64 // the exhaust at its least since the press before the last release
	known    bool
	found    bool
}

func newVentScorer(r *record, family string) *ventScorer {
	return &ventScorer{r: r, late: family == lateShut, least: 1}
}

func (v *ventScorer) row(s *said) {
	now := s.now
	for _, x := range s.samples {
		if x.Point == points.Control && x.Quality == points.Good {
			v.line.step(s.at, x, v.r.pot.Control.Electric)
		}
	}
	if now.pressed && !v.pressed {
		v.least = 1
	}
	v.least = min(v.least, now.exhaust)
	switch {
	case now.pressed:
		v.end(s.at)
	case v.pressed && now.vessel() > upAt:
		v.released, v.from, v.found, v.known = now.at, 0, false, s.level.Known
		if v.begun = v.line.began != 0 && v.line.began > now.at-beforeRelease; v.begun {
			v.released = v.line.began
		}
		switch {
		case now.exhaust <= shutTo:
			v.kind = 0
		case now.exhaust >= halfFrom && now.exhaust <= halfTo:
			v.kind = 1
		default:
			v.kind = -1
		}
		switch v.partly = -1; {
		case now.exhaust >= lostLittle && now.exhaust < opensFrom:
			v.partly = 0
		case now.exhaust > halfTo && now.exhaust < lostLittle:
			v.partly = 1
		}
		if v.partly >= 0 {
			v.s.partly[v.partly].due++
		}
		if now.exhaust >= 1 {
			v.s.healthy++
			v.from = now.vessel()
		}
	}
	v.pressed = now.pressed
	if v.released != 0 && v.line.began > v.released && v.line.began-v.released < beforeRelease && !v.begun {
		v.released, v.begun = v.line.began, true
	}
	if v.released != 0 && v.from > 0 && now.vessel() < fallen*v.from {
		v.from = 0
		if v.late {
			v.s.lags = append(v.s.lags, s.at.Sub(v.released))
		}
	}
	for _, x := range s.vents {
		if !x.On || !slices.Contains(critical, x.Condition) {
			continue
		}
		if v.released != 0 && v.partly >= 0 {
			v.s.partly[v.partly].given++
			v.partly = -1
		}
		if v.least >= opensFrom {
			v.s.falsely++
			v.s.where = append(v.s.where, fmt.Sprintf("%s: %v at %v, exhaust at %.2f, level %.2f, said %.2f (%.2f to %.2f, known %v): %+v", v.r.name, x.Condition, s.at, now.exhaust,
				now.level, float64(s.level.Share), float64(s.level.Low), float64(s.level.High), s.level.Known, x.Finding))
		}
		if x.Condition == vent.VentSlow && v.released != 0 && !v.found {
			v.found = true
			v.take(s.at.Sub(v.released))
		}
	}
	// A vent that is over, or whose exhaust has been put right, is not missed any more.
	if v.released != 0 && (now.vessel() < limit || v.kind == 0 && now.exhaust > shutTo || v.kind == 1 && (now.exhaust < halfFrom || now.exhaust > halfTo)) {
		v.end(s.at)
	}
}

// take notes how late a finding was.
func (v *ventScorer) take(late time.Duration) {
	switch {
	case !v.late || v.kind < 0:
	case !v.known:
		v.s.unknown++
	default:
		v.s.late[v.kind] = append(v.s.late[v.kind], late)
	}
}

// end ends the vent that is looked at.
func (v *ventScorer) end(at si.Instant) {
	if v.released == 0 {
		return
	}
	lasted := at.Sub(v.released)
	if !v.found && v.kind >= 0 && v.late && lasted >= leastVent {
		if v.known {
			v.s.missed[v.kind] = append(v.s.missed[v.kind], fmt.Sprintf("%s: released at %v, over after %v", v.r.name, v.released, lasted))
		}
		v.take(never)
	}
	v.released = 0
}

// score takes the lag of pilot line and valves, as the pot's healthy vents have it, from what was found late.
func (v *ventScorer) score() ventScore {
	lag := quantile(slices.Clone(v.s.lags), 0.5)
	for i, late := range v.s.late {
		for _, d := range late {
			if d < never {
				d = max(0, d-lag)
			}
			v.s.less[i] = append(v.s.less[i], d)
		}
	}
	return v.s
}

// figures are the rows of vents.
func (s *ventScore) figures(b *board) {
	for i, c := range []struct {
		what     string
		p50, p95 time.Duration
		missed   float64
	}{{"shut or at 10 %", 800 * time.Millisecond, 1200 * time.Millisecond, 0}, {"at half", 1100 * time.Millisecond, 2 * time.Second, 0.01}} {
		late := s.late[i]
		row := func(what string, d []time.Duration) figure {
			d = slices.Clone(d)
			return figure{what: what, measured: tails(d), of: fmt.Sprintf("%d vents", len(d)), bound: under(d, 0.95), aim: fmt.Sprintf("p50 %.1f s, p95 %.1f s", c.p50.Seconds(), c.p95.Seconds()),
				ok: len(d) > 0 && quantile(d, 0.5) <= c.p50 && quantile(d, 0.95) <= c.p95}
		}
		all, bare := row("exhaust "+c.what+", level known: control's first fall to vent-slow", late), row("exhaust "+c.what+", level known: the same, less the valves' lag", s.less[i])
		if !all.ok && bare.ok {
			all.why = "until pilot line and valves have let go nothing can tell; a healthy vessel of these pots has fallen by 2 % after " + tails(s.lags)
		}
		b.row(all)
		b.row(bare)
		missed, aimed := len(s.missed[i]), "none"
		ok := missed == 0 && len(late) > 0
		if c.missed > 0 {
			aimed, ok = "under 1 %", len(late) > 0 && float64(missed) < c.missed*float64(len(late))
		}
		b.row(figure{what: "exhaust " + c.what + ", level known: missed", measured: describe(missed, "vents"), of: fmt.Sprintf("%d vents", len(late)), bound: bound(missed, len(late)), aim: aimed, ok: ok, notes: s.missed[i]})
	}
	b.row(figure{what: "false critical findings at exhausts that open", measured: describe(s.falsely, "findings"), of: fmt.Sprintf("%d vents of healthy exhausts", s.healthy), bound: bound(min(s.falsely, s.healthy), s.healthy), aim: "none", ok: s.falsely == 0 && s.healthy > 0, notes: s.where})
	for i, what := range []string{"10 to 20 %", "20 to 45 %"} {
		p := s.partly[i]
		b.fact(figure{what: "critical findings at exhausts that have lost " + what + ": neither asked for nor false", measured: describe(p.given, "vents"), of: fmt.Sprintf("%d vents", p.due), bound: bound(p.given, p.due)})
	}
	b.fact(figure{what: "vents of exhausts that hardly open, with no level known: not counted above", measured: describe(s.unknown, "vents"), of: fmt.Sprintf("%d vents", s.unknown+len(s.late[0])+len(s.late[1])), bound: "none"})
}

// tails are a median and a p95 in words, to a hundredth of a second.
func tails(d []time.Duration) string {
	if len(d) == 0 {
		return "none"
	}
	word := func(d time.Duration) string {
		if d >= never {
			return "never"
		}
		return fmt.Sprintf("%.2f s", d.Seconds())
	}
	d = slices.Clone(d)
	return fmt.Sprintf("p50 %s, p95 %s", word(quantile(d, 0.5)), word(quantile(d, 0.95)))
}
