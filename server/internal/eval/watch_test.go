package eval_test

import (
	"fmt"
	"slices"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A watchScore is what the vent watch did with one run or several.
type watchScore struct {
	cycles  int // of healthy pots: releases with the vessel up
	falsely int // critical findings among them
	where   []string

	nominal, commissioned, blind shutScore // of pots with a control point; blind: without one, commissioned or not
}

// A shutScore is of vents whose exhaust was shut, or open to a tenth at most.
type shutScore struct {
	vents  int
	delays []time.Duration // from the control point's first fall to vent-slow, less the lag; of blind ones from the release
	whole  []time.Duration // the same with the lag
	lags   []time.Duration // from there to the vessel's first fall: pilot line and valves
	missed []string        // neither vent-slow nor vessel-held in longUp and six rows, though the vessel stayed up
}

func (s *shutScore) add(o shutScore) {
	s.vents, s.delays, s.whole = s.vents+o.vents, append(s.delays, o.delays...), append(s.whole, o.whole...)
	s.lags, s.missed = append(s.lags, o.lags...), append(s.missed, o.missed...)
}

func (s *watchScore) add(o watchScore) {
	s.cycles, s.falsely, s.where = s.cycles+o.cycles, s.falsely+o.falsely, append(s.where, o.where...)
	s.nominal.add(o.nominal)
	s.commissioned.add(o.commissioned)
	s.blind.add(o.blind)
}

const (
	shutTo   = 0.1
	upAt     = 300 * si.KPa
	longUp   = 5 * time.Second
	lookInto = time.Second            // after the release, when the exhaust's truth is looked at
	tenHertz = 100 * time.Millisecond // the aims for the time are for logs as fast as this
)

// critical are the findings that must never be false.
var critical = []vent.Condition{vent.VentSlow, vent.VesselHeld, vent.PressureCreep}

// A watchScorer scores the vent watch row by row.
type watchScorer struct {
	f    *folder
	s    watchScore
	shut *shutScore // that the pot's vents belong to; nil: they cannot be timed

	pressed  bool       // the row before
	released si.Instant // of a vent that is looked at, by the control point's first fall where there is one; 0: none
	line     firstFall
	from     float64 // the vessel then; 0: its first fall was seen
	lag      time.Duration
	isShut   bool
	counted  bool
	found    bool
	foundAt  si.Instant
}

func newWatchScorer(f *folder) *watchScorer {
	w := &watchScorer{f: f}
	switch {
	case f.pot.Vessel.HoldsPressure: // no vent is due at a release
	case !f.pot.Points.Has(points.Control):
		w.shut = &w.s.blind
	case f.pot.Commissioned != nil:
		w.shut = &w.s.commissioned
	default:
		w.shut = &w.s.nominal
	}
	return w
}

func (w *watchScorer) row(m *moment) {
	f, s := w.f, &w.s
	if m.now.pressed {
		w.released = 0
	} else if w.pressed && m.now.vessel > upAt {
		if f.healthy {
			s.cycles++
		}
		if w.shut != nil {
			w.released, w.isShut, w.counted, w.found = m.at, false, false, false
			w.line.began, w.from, w.lag = 0, m.now.vessel, 0
		}
	}
	w.pressed = m.now.pressed
	for _, x := range m.samples {
		if x.Point == points.Control && x.Quality == points.Good {
			w.line.step(m.at, x, f.pot.Control.Electric)
		}
	}
	if w.released != 0 && w.line.began != 0 && w.released != w.line.began && w.line.began >= w.released-si.Instant(time.Second/time.Microsecond) && !w.counted {
		w.released = w.line.began
	}
	if w.released != 0 && w.from > 0 && m.now.vessel < 0.98*w.from {
		w.lag, w.from = m.at.Sub(w.released), 0
		w.shut.lags = append(w.shut.lags, w.lag)
	}
	for _, x := range m.vents {
		if !x.On || !slices.Contains(critical, x.Condition) {
			continue
		}
		if f.healthy {
			s.falsely++
			s.where = append(s.where, fmt.Sprintf("%s (%v a row, holds %v, commissioned %v) %v at %v: %+v", f.name, f.period(), f.pot.Vessel.HoldsPressure, f.pot.Commissioned != nil, x.Condition, m.at, x.Finding))
		}
		if x.Condition == vent.VentSlow && w.released != 0 && w.isShut && f.period() <= tenHertz {
			w.slow(m.at)
		}
		w.found, w.foundAt = true, m.at
	}
	if w.released == 0 {
		return
	}
	since := m.at.Sub(w.released)
	if !w.counted && since >= lookInto {
		w.counted = true
		if w.isShut = m.now.exhaust <= shutTo; w.isShut {
			w.shut.vents++
			if w.found && f.period() <= tenHertz {
				w.slow(w.foundAt)
			}
		}
	}
	if w.isShut && !w.found && since >= longUp+6*f.period() && m.now.vessel > upAt/2 {
		w.shut.missed = append(w.shut.missed, fmt.Sprintf("%s (%v a row) missed at %v, the vessel still at %.0f kPa after %v", f.name, f.period(), m.at, m.now.vessel/1e3, since))
		w.found = true
	}
}

// slow takes note of a vent that was found.
func (w *watchScorer) slow(at si.Instant) {
	since := at.Sub(w.released)
	w.shut.whole = append(w.shut.whole, since)
	w.shut.delays = append(w.shut.delays, since-w.lag)
}

// firstFall is when a control line last began to fall from where it stood.
type firstFall struct {
	high  float64
	began si.Instant
}

func (l *firstFall) step(at si.Instant, s points.Sample, electric bool) {
	v := float64(s.Value)
	if electric {
		if v = 0; s.Pressed {
			v = 1e6
		}
	}
	switch {
	case v > 0.97*l.high:
		l.high, l.began = max(v, 0.999*l.high), 0
	case l.began == 0:
		l.began = at
	case v < 0.2*l.high:
		l.high = max(v, 50*si.KPa)
	}
}

// figures are the rows with an aim.
func (s *watchScore) figures(b *board) {
	for _, c := range []struct {
		what     string
		s        *shutScore
		p50, p95 time.Duration
	}{{"nominal dimensions", &s.nominal, 2500 * time.Millisecond, 4 * time.Second}, {"commissioned", &s.commissioned, 1200 * time.Millisecond, 2500 * time.Millisecond}} {
		if c.s.vents == 0 {
			continue
		}
		p50, p95 := quantile(c.s.delays, 0.5), quantile(c.s.delays, 0.95)
		b.row(figure{what: "exhaust shut or at 10 %, " + c.what + ": control's first fall to vent-slow, less the valves' lag, 10 Hz or more", measured: times(c.s.delays), of: fmt.Sprintf("%d vents", len(c.s.delays)),
			bound: p95Under(c.s.delays), aim: fmt.Sprintf("p50 %.1f s, p95 %.1f s", c.p50.Seconds(), c.p95.Seconds()), ok: len(c.s.delays) > 0 && p50 <= c.p50 && p95 <= c.p95})
		b.row(figure{what: "exhaust shut or at 10 %, " + c.what + ": missed", measured: describe(len(c.s.missed), "vents"), of: fmt.Sprintf("%d vents", c.s.vents),
			bound: bound(len(c.s.missed), c.s.vents), aim: "none", ok: len(c.s.missed) == 0, notes: c.s.missed})
	}
}

// facts are the rows without an aim.
func (s *watchScore) facts(b *board) {
	for _, c := range []struct {
		what string
		s    *shutScore
	}{{"nominal dimensions", &s.nominal}, {"commissioned", &s.commissioned}} {
		b.fact(figure{what: "exhaust shut or at 10 %, " + c.what + ": with the valves' lag", measured: times(c.s.whole), of: fmt.Sprintf("%d vents", len(c.s.whole)), bound: p95Under(c.s.whole)})
		b.fact(figure{what: "the valves' lag, " + c.what + ", all vents", measured: times(c.s.lags), of: fmt.Sprintf("%d vents", len(c.s.lags)), bound: p95Under(c.s.lags)})
	}
	b.fact(figure{what: "exhaust shut or at 10 %, no control point: release to vent-slow", measured: times(s.blind.whole), of: fmt.Sprintf("%d vents", len(s.blind.whole)), bound: p95Under(s.blind.whole)})
	b.fact(figure{what: "exhaust shut or at 10 %, no control point: not found in 5 s and six rows", measured: describe(len(s.blind.missed), "vents"), of: fmt.Sprintf("%d vents", s.blind.vents), bound: bound(len(s.blind.missed), s.blind.vents)})
}

// times are a median and a p95 in words.
func times(d []time.Duration) string {
	if len(d) == 0 {
		return "none"
	}
	return fmt.Sprintf("p50 %.1f s, p95 %.1f s", quantile(d, 0.5).Seconds(), quantile(d, 0.95).Seconds())
}
