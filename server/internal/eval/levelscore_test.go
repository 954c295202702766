package eval_test

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/level"
)

// A levelScore is what was said of the abrasive in the vessel, in one run or several. Of a pair the first is of one setting
// of the metering valve, the second of one that changes.
type levelScore struct {
	sounding, nominal []mean // squares of what soundings are off, shares of capacity: after three complete fills; after the first
	filter            []mean // likewise what the level is off, after three
	wide              []mean // width of the level's interval
	notes             []string
	habits            [2]habitScore
}

// A habitScore is what was said to crews of one habit.
type habitScore struct {
	level, empty []mean          // 1 for each minute of blasting whose interval covers the truth
	clock        []mean          // likewise of the time to empty on the clock
	lateClock    []time.Duration // what the latter was off, ten minutes of blasting before
	known        []part          // minutes of blasting with a level
	late         []time.Duration // what the time to empty was off, ten minutes of blasting before; never: it was not known
	lateFirst    []time.Duration // likewise in the first three fills
	unknown      int             // of late
	notes        []string
}

func (s *levelScore) add(o *levelScore) {
	s.sounding, s.nominal, s.filter, s.wide = append(s.sounding, o.sounding...), append(s.nominal, o.nominal...), append(s.filter, o.filter...), append(s.wide, o.wide...)
	s.notes = append(s.notes, o.notes...)
	for i := range s.habits {
		a, b := &s.habits[i], &o.habits[i]
		a.level, a.empty, a.known = append(a.level, b.level...), append(a.empty, b.empty...), append(a.known, b.known...)
		a.clock, a.lateClock = append(a.clock, b.clock...), append(a.lateClock, b.lateClock...)
		a.late, a.lateFirst, a.unknown, a.notes = append(a.late, b.late...), append(a.lateFirst, b.lateFirst...), a.unknown+b.unknown, append(a.notes, b.notes...)
	}
}

const (
	fullFrom  = 0.98 // share of capacity
	emptyTo   = 0.1  // kg: what is left in the cone comes out for minutes
	before    = 10 * time.Minute
	anEach    = time.Minute // of blasting, a level and a time to empty are held against the truth
	afterFill = 3
)

// A filling goes along the truth of a level.
type filling struct {
	full     bool // since the last refill
	complete int  // fills from full to empty
	low      float64
}

// row tells whether the pot has been filled up since the last row, and whether it has just run empty.
func (f *filling) row(now *state) (refilled, emptied bool) {
	refilled = now.level > f.low+0.02
	f.low = min(f.low, now.level)
	if refilled {
		f.low, f.full = now.level, false
	}
	f.full = f.full || now.level >= fullFrom
	if f.full && now.kg < emptyTo {
		f.full, emptied = false, true
		f.complete++
	}
	return refilled, emptied
}

// An omen is a time to empty as it was said.
type omen struct {
	blasted       time.Duration // then
	known         bool
	p10, p50, p90 time.Duration
	minute        bool // it is one of those that are held against the truth
	at            si.Instant
	clock         level.Forecast
}

// A levelScorer scores the level row by row.
type levelScorer struct {
	r     *record
	habit *habitScore // nil: the family is not for this
	s     levelScore

	last     si.Instant
	filling  filling
	blasted  time.Duration
	sounded  si.Instant
	omens    []omen // of this fill, one a second of blasting
	sounding mean
	nominal  mean
	filter   mean
	wide     mean
	level    mean
	empty    mean
	clock    mean
	known    part
}

func newLevelScorer(r *record, family string) *levelScorer {
	l := &levelScorer{r: r, filling: filling{low: 1}}
	switch family {
	case steadyFills:
		l.habit = &l.s.habits[0]
	case changedFills:
		l.habit = &l.s.habits[1]
	}
	return l
}

// levelAt is the true level at an instant.
func (r *record) levelAt(at si.Instant) float64 { return r.truth[r.index(at)].level }

func square(x float64) float64 { return x * x }

func (l *levelScorer) row(s *said) {
	if l.habit == nil {
		return
	}
	step := min(s.at.Sub(l.last), time.Second)
	if l.last == 0 {
		step = 0
	}
	l.last = s.at
	refilled, emptied := l.filling.row(s.now)
	if refilled {
		l.omens = l.omens[:0]
	}
	e := s.level
	if e.SoundingAt != l.sounded {
		l.sounded = e.SoundingAt
		off := square(float64(e.Sounding) - l.r.levelAt(e.SoundingAt))
		switch {
		case l.filling.complete >= afterFill:
			l.sounding.take(off)
		case l.filling.complete == 1:
			l.nominal.take(off)
		}
	}
	if s.now.blasting() {
		l.blasts(s, step)
	}
	if emptied {
		l.emptied()
	}
}

// blasts takes a row of blasting.
func (l *levelScorer) blasts(s *said, step time.Duration) {
	e, now := s.level, s.now
	was := l.blasted
	l.blasted += step
	if l.blasted/time.Second == was/time.Second {
		return
	}
	minute := l.blasted/anEach != was/anEach
	l.omens = append(l.omens, omen{l.blasted, e.Empty.Known, e.Empty.P10, e.Empty.P50, e.Empty.P90, minute, s.at, e.OnClock})
	if !minute {
		return
	}
	l.known.due++
	if !e.Known {
		return
	}
	l.known.given++
	covered := 0.0
	if float64(e.Low) <= now.level && now.level <= float64(e.High) {
		covered = 1
	}
	l.level.take(covered)
	if l.filling.complete >= afterFill {
		l.filter.take(square(float64(e.Share) - now.level))
		l.wide.take(float64(e.High - e.Low))
	}
}

// emptied holds what was said in this fill against what has come.
func (l *levelScorer) emptied() {
	at := l.blasted
	for _, o := range l.omens {
		if left := at - o.blasted; o.minute && o.known && left > 0 {
			covered := 0.0
			if o.p10 <= left && left <= o.p90 {
				covered = 1
			}
			l.empty.take(covered)
		}
		if left := l.last.Sub(o.at); o.minute && o.clock.Known && left > 0 {
			covered := 0.0
			if o.clock.P10 <= left && left <= o.clock.P90 {
				covered = 1
			}
			l.clock.take(covered)
		}
	}
	i := slices.IndexFunc(l.omens, func(o omen) bool { return o.blasted >= at-before })
	if i > 0 || i == 0 && l.omens[0].blasted-(at-before) < time.Second {
		off := never
		if o := l.omens[i]; o.known {
			off = (o.p50 - (at - o.blasted)).Abs()
		}
		h := l.habit
		if c := l.omens[i].clock; c.Known && l.filling.complete > afterFill {
			h.lateClock = append(h.lateClock, (c.P50 - l.last.Sub(l.omens[i].at)).Abs())
		}
		switch {
		case l.filling.complete <= afterFill: // this one included
			h.lateFirst = append(h.lateFirst, off)
		default:
			h.late = append(h.late, off)
			if off == never {
				h.unknown++
			}
			if off > 3*time.Minute {
				h.notes = append(h.notes, fmt.Sprintf("%s empty at %v: said to be %v (%v to %v), known %v, ten minutes before", l.r.name, l.last, l.omens[i].p50, l.omens[i].p10, l.omens[i].p90, l.omens[i].known))
			}
		}
	}
	l.omens = l.omens[:0]
}

func (l *levelScorer) score() levelScore {
	if l.habit != nil {
		l.s.sounding, l.s.nominal, l.s.filter, l.s.wide = []mean{l.sounding}, []mean{l.nominal}, []mean{l.filter}, []mean{l.wide}
		of := func(m mean) float64 { return 100 * math.Sqrt(m.sum/float64(max(1, m.n))) }
		if of(l.sounding) > 5 || of(l.filter) > 5 {
			l.s.notes = []string{fmt.Sprintf("%s: soundings %.1f %% rms (%d), the level shown %.1f %%, %d complete fills", l.r.name, of(l.sounding), l.sounding.n, of(l.filter), l.filling.complete)}
		}
		l.habit.level, l.habit.empty, l.habit.known = []mean{l.level}, []mean{l.empty}, []part{l.known}
		l.habit.clock = []mean{l.clock}
	}
	return l.s
}

// rms is the root of a mean of squares in words, with its bound.
func rms(parts []mean) (root float64, measured, of, bound string) {
	all, _, to, n := meanOf(parts)
	if n == 0 {
		return math.NaN(), "none", "0", "none"
	}
	bound = "none from one pot"
	if !math.IsInf(to, 0) {
		bound = fmt.Sprintf("under %.1f %%", 100*math.Sqrt(max(0, to)))
	}
	return math.Sqrt(all), fmt.Sprintf("%.1f %% rms", 100*math.Sqrt(all)), fmt.Sprintf("%d", n), bound
}

// figures are the rows of the level.
func (s *levelScore) figures(b *board) {
	root, measured, of, bound := rms(s.sounding)
	b.row(figure{what: "level, one sounding, after three complete fills", measured: measured, of: of + " soundings", bound: bound, aim: "3 % of capacity rms", ok: root <= 0.03, notes: s.notes})
	root, measured, of, bound = rms(s.nominal)
	b.row(figure{what: "level, one sounding, nominal dimensions, after one full and one near-empty vent", measured: measured, of: of + " soundings", bound: bound, aim: "5 % of capacity rms", ok: root <= 0.05})
	for i, c := range []struct {
		what     string
		p50, p90 time.Duration
	}{{"steady setting", 25 * time.Second, 75 * time.Second}, {"setting changed four times an hour", 70 * time.Second, 180 * time.Second}} {
		h := &s.habits[i]
		b.row(figure{what: "time to empty, 10 blasting minutes before, " + c.what + ", after three complete fills: off by", measured: middle(h.late), of: fmt.Sprintf("%d fills, %d of them without a forecast", len(h.late), h.unknown),
			bound: under(h.late, 0.9), aim: fmt.Sprintf("p50 %.0f s, p90 %.0f s", c.p50.Seconds(), c.p90.Seconds()),
			ok: len(h.late) > 0 && quantile(h.late, 0.5) <= c.p50 && quantile(h.late, 0.9) <= c.p90, notes: h.notes})
	}
	for i, what := range []string{"steady setting", "setting changed"} {
		for _, c := range []struct {
			what  string
			parts []mean
		}{{"level", s.habits[i].level}, {"time to empty", s.habits[i].empty}} {
			share, measured, of, bound := covering(c.parts)
			b.row(figure{what: "80 % interval of the " + c.what + " covers the truth, " + what, measured: measured, of: of, bound: bound, aim: "75 to 88 %", ok: share >= 0.75 && share <= 0.88})
		}
	}
	for i, what := range []string{"steady setting", "setting changed four times an hour"} {
		h := &s.habits[i]
		share, measured, of, bound := covering(h.clock)
		b.row(figure{what: "80 % interval of the time to empty on the clock covers the truth, " + what, measured: measured, of: of, bound: bound, aim: "75 to 88 %", ok: share >= 0.75 && share <= 0.88})
		b.fact(figure{what: "time to empty on the clock, 10 blasting minutes before, " + what + ", after three complete fills: off by", measured: middle(h.lateClock), of: fmt.Sprintf("%d fills", len(h.lateClock)), bound: under(h.lateClock, 0.9)})
	}
	_, measured, of, bound = rms(s.filter)
	b.fact(figure{what: "level as it is shown, after three complete fills", measured: measured, of: of + " minutes of blasting", bound: bound})
	width, _, _, n := meanOf(s.wide)
	wide := "none"
	if n > 0 {
		wide = fmt.Sprintf("%.1f %% of capacity", 100*width)
	}
	b.fact(figure{what: "width of the level's 80 % interval, after three complete fills", measured: wide, of: fmt.Sprintf("%d minutes of blasting", n), bound: "none"})
	for i, what := range []string{"steady setting", "setting changed four times an hour"} {
		h := &s.habits[i]
		b.fact(figure{what: "time to empty, 10 blasting minutes before, " + what + ", in the first three fills: off by", measured: middle(h.lateFirst), of: fmt.Sprintf("%d fills", len(h.lateFirst)), bound: under(h.lateFirst, 0.9)})
		share, over := shareOver(h.known)
		due := 0
		for _, p := range h.known {
			due += p.due
		}
		b.fact(figure{what: "level known, " + what, measured: fmt.Sprintf("%.0f %%", 100*share), of: fmt.Sprintf("%d minutes of blasting", due), bound: fmt.Sprintf("over %.0f %%", 100*over)})
	}
}

// covering is a share of what is covered in words.
func covering(parts []mean) (share float64, measured, of, bound string) {
	share, from, to, n := meanOf(parts)
	if n == 0 {
		return 0, "none", "0 minutes of blasting", "none"
	}
	bound = "none from one pot"
	if !math.IsInf(to, 0) {
		bound = fmt.Sprintf("over %.0f %%, under %.0f %%", 100*max(0, from), 100*min(1, to))
	}
	return share, fmt.Sprintf("%.0f %%", 100*share), fmt.Sprintf("%d minutes of blasting", n), bound
}

// middle are a median and a p90 in words.
func middle(d []time.Duration) string {
	if len(d) == 0 {
		return "none"
	}
	return fmt.Sprintf("p50 %s, p90 %s", short(quantile(d, 0.5)), short(quantile(d, 0.9)))
}

// short is a time in words.
func short(d time.Duration) string {
	switch {
	case d >= never:
		return "never"
	case d < 20*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}

// under is quantileUnder of a time, in words.
func under(d []time.Duration, q float64) string {
	over, ok := quantileUnder(d, q)
	if !ok {
		return fmt.Sprintf("p%.0f: none from %d", 100*q, len(d))
	}
	return fmt.Sprintf("p%.0f under %s", 100*q, short(over))
}
