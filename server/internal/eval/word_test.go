package eval_test

import (
	"fmt"
	"strings"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A wordScore is what the answer was in one run or several.
type wordScore struct {
	samples, over int // over: with the vessel over the limit
	risen         int // times that the vessel was over it
	wrong         int // samples with VENTED when it must not be
	wrongly       int // of risen, those with such a sample
	bad           []string

	pots    int             // healthy ones whose answer can be VENTED
	delays  []time.Duration // from truly under half a psi to VENTED, of vents after which the vessel stayed down for mustHave
	never   int             // such vents without it
	neverAt []string
	parts   []part // of each pot: samples at which VENTED is due, and at which it was said
}

func (s *wordScore) add(o wordScore) {
	s.samples, s.over, s.risen, s.wrong, s.wrongly = s.samples+o.samples, s.over+o.over, s.risen+o.risen, s.wrong+o.wrong, s.wrongly+o.wrongly
	s.bad, s.neverAt = append(s.bad, o.bad...), append(s.neverAt, o.neverAt...)
	s.pots, s.delays, s.never, s.parts = s.pots+o.pots, append(s.delays, o.delays...), s.never+o.never, append(s.parts, o.parts...)
}

const (
	halfPsi   = 0.5 * si.PSI
	grace     = 6 * time.Second        // after which VENTED is due
	mustHave  = 10 * time.Second       // down for so long, a healthy pot must have had it
	longPress = 5 * time.Second        // R3: until one of over this, a press proves nothing
	rising    = time.Second            // that a judge may take to notice a rise
	pressed   = 300 * time.Millisecond // and one with a press
	slowest   = 200 * time.Millisecond // is the longest period of the readings to which the aims for healthy pots apply
)

// A wordScorer scores the answer row by row.
type wordScorer struct {
	f        *folder
	s        wordScore
	provable bool
	part     part
	isOver   bool
	isWrong  bool // in this time over the limit
	last     vent.Answer

	down, blasted si.Instant // when the vessel fell under half a psi; when it was last over the limit
	pressAt       si.Instant // since when the handle is pressed; 0: it is not
	longSeen      bool       // a press long enough to count has been
	proved        bool       // VENTED was said
	waiting       bool       // VENTED has not been said since down
	delay         time.Duration
}

func newWordScorer(f *folder) *wordScorer {
	v := f.pot.Vent()
	w := &wordScorer{f: f, provable: f.healthy && v.Provable() && !v.HoldsPressure && (v.Points.Has(points.Control) || v.Points.Has(points.Hose))}
	if w.provable {
		w.s.pots = 1
	}
	return w
}

func (w *wordScorer) row(m *moment) {
	over := m.now.vessel > limit
	w.s.samples++
	if over {
		if w.s.over++; !w.isOver {
			w.s.risen++
			w.isWrong = false
		}
		allowed := rising
		if m.now.pressed {
			allowed = pressed
		}
		if m.judge.Word == vent.Vented && (m.rose == 0 || m.at.Sub(m.rose) > allowed) {
			w.wrong(m)
		}
		w.blasted = m.at
	}
	w.isOver = over
	if w.provable {
		w.due(m, m.answer.Word == vent.Vented)
	}
	w.last = m.answer
}

func (w *wordScorer) wrong(m *moment) {
	if w.s.wrong++; w.s.wrong == 1 {
		w.s.bad = append(w.s.bad, fmt.Sprintf("%s, first at %v with %.1f kPa", w.f.name, m.at, m.now.vessel/1e3))
	}
	if !w.isWrong {
		w.s.wrongly++
	}
	w.isWrong = true
}

// due looks after the time at which VENTED is due.
func (w *wordScorer) due(m *moment, said bool) {
	switch {
	case !m.now.pressed:
		w.pressAt = 0
	case w.pressAt == 0:
		w.pressAt = m.at
	}
	w.longSeen = w.longSeen || w.pressAt != 0 && m.at.Sub(w.pressAt) > longPress
	switch {
	case w.isOver:
		if w.waiting && w.longSeen && w.down != 0 && m.at.Sub(w.down) > mustHave {
			w.s.never++
			w.s.neverAt = append(w.s.neverAt, w.f.name+" at "+m.at.String()+": "+strings.Join(w.last.Because.Strings(), ", "))
		}
		w.down, w.waiting, w.delay = 0, false, 0
	case w.down == 0 && m.now.vessel < halfPsi && w.blasted != 0:
		w.down, w.waiting = m.at, true
	}
	if w.down == 0 {
		return
	}
	since := m.at.Sub(w.down)
	if w.waiting && said {
		w.delay = max(since, 1)
		w.waiting, w.proved = false, true
	}
	// A shorter rest would count the fast alone.
	if w.delay > 0 && since >= mustHave {
		w.s.delays = append(w.s.delays, w.delay)
		w.delay = 0
	}
	if w.proved && !m.now.pressed && (!w.waiting || since > grace) {
		w.part.due++
		if said {
			w.part.given++
		}
	}
}

// score is what has come out when the run is over. The aims for healthy pots are for 5 Hz or more, and for gauges whose
// errors, noise included, are within the declared ones.
func (w *wordScorer) score() wordScore {
	s := w.s
	if s.parts = []part{w.part}; w.f.period() > slowest || w.f.off {
		s.pots, s.delays, s.never, s.neverAt, s.parts = 0, nil, 0, nil, nil
	}
	return s
}

func (s *wordScore) figures(b *board) {
	b.row(figure{what: "VENTED at more than 7 kPa", measured: describe(s.wrong, "samples"), of: fmt.Sprintf("%d times over it, %d samples", s.risen, s.over),
		bound: bound(s.wrongly, s.risen), aim: "none", ok: s.wrong == 0 && s.over > 0, notes: s.bad})
	p50, p95 := quantile(s.delays, 0.5), quantile(s.delays, 0.95)
	n := len(s.delays)
	b.row(figure{what: "healthy, with control or hose: under 0.5 psi to VENTED", measured: fmt.Sprintf("p50 %.1f s, p95 %.1f s", p50.Seconds(), p95.Seconds()),
		of: fmt.Sprintf("%d vents of %d pots", n, s.pots), bound: p95Under(s.delays), aim: "p95 6 s", ok: n > 0 && p95 <= grace})
	b.row(figure{what: "healthy, with control or hose: down for 10 s and not VENTED", measured: describe(s.never, "vents"), of: fmt.Sprintf("%d vents", n+s.never),
		bound: bound(s.never, n+s.never), aim: "none", ok: s.never == 0 && n > 0, notes: s.neverAt})
	share, over := shareOver(s.parts)
	due := 0
	for _, p := range s.parts {
		due += p.due
	}
	b.row(figure{what: "healthy, with control or hose: VENTED of the time due after the first", measured: fmt.Sprintf("%.2f %%", 100*share), of: fmt.Sprintf("%d samples of %d pots", due, s.pots),
		bound: fmt.Sprintf("over %.2f %%", 100*over), aim: "97 %", ok: share >= 0.97})
}

func describe(n int, of string) string {
	switch n {
	case 0:
		return "no " + of
	case 1:
		return "1 " + strings.TrimSuffix(of, "s")
	}
	return fmt.Sprintf("%d %s", n, of)
}
