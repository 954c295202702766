package eval_test

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A score is what a judge did with one run or several.
type score struct {
	samples, over int // over: with the vessel over the limit
	releases      int // falls of the vessel through the limit
	wrong         int // VENTED when it must not be
	first         si.Instant

	delays     []time.Duration // from truly under half a psi to VENTED
	never      int             // vents of a healthy pot without it, though the vessel stayed down for 10 s
	neverAt    []string
	due, given int // samples of a healthy pot at which VENTED is due, and at which it was said
}

func (s *score) add(o score) {
	s.samples, s.over, s.releases, s.wrong = s.samples+o.samples, s.over+o.over, s.releases+o.releases, s.wrong+o.wrong
	s.delays, s.never, s.due, s.given = append(s.delays, o.delays...), s.never+o.never, s.due+o.due, s.given+o.given
	s.neverAt = append(s.neverAt, o.neverAt...)
}

const (
	halfPsi  = 0.5 * si.PSI
	grace    = 6 * time.Second        // after which VENTED is due
	mustHave = 10 * time.Second       // down for so long, a healthy pot must have had it
	rising   = time.Second            // that a judge may take to notice a rise
	pressed  = 300 * time.Millisecond // and one with a press
)

// judge plays a run and scores the answer at every row.
func judge(t *testing.T, f *folder, dir string) score {
	var s score
	w := &walk{f: f}
	provable := f.healthy && f.pot.Vent().Provable() && !f.pot.Vessel.HoldsPressure && (f.pot.Points.Has(points.Control) || f.pot.Points.Has(points.Hose))
	var wasOver, proved, waiting bool
	var last vent.Answer
	var down, blasted si.Instant // when it fell under half a psi; when it was last up
	f.play(t, dir, func(at si.Instant, a vent.Answer) {
		now := w.to(at)
		said := a.Word == vent.Vented
		defer func() { last = a }()
		over := now.vessel > limit
		s.samples++
		if over {
			s.over++
			allowed := rising
			if now.pressed {
				allowed = pressed
			}
			if said && (w.rose == 0 || at.Sub(w.rose) > allowed) {
				if s.wrong++; s.first == 0 {
					s.first = at
				}
			}
			blasted = at
		}
		if wasOver && !over {
			s.releases++
		}
		wasOver = over
		if !provable {
			return
		}
		switch {
		case over:
			if waiting && down != 0 && at.Sub(down) > mustHave {
				s.never++
				s.neverAt = append(s.neverAt, f.name+" at "+at.String()+": "+strings.Join(last.Because.Strings(), ", "))
			}
			down, waiting = 0, false
		case down == 0 && now.vessel < halfPsi && blasted != 0:
			down, waiting = at, true
		}
		if down == 0 {
			return
		}
		if waiting && said {
			s.delays = append(s.delays, at.Sub(down))
			waiting, proved = false, true
		}
		if proved && !now.pressed && (!waiting || at.Sub(down) > grace) {
			s.due++
			if said {
				s.given++
			}
		}
	})
	// The aims are for 5 Hz or more, and for gauges whose errors, noise included, are within the declared ones.
	if f.period() > slowest || f.off {
		s.delays, s.never, s.neverAt, s.due, s.given = nil, 0, nil, 0, 0
	}
	return s
}

// slowest is the longest period of the readings to which the aims for healthy pots apply.
const slowest = 200 * time.Millisecond

// bound is the 95 % bound of a share of which k of n were seen; by the rule of three where none was.
func bound(k, n int) string {
	switch {
	case n == 0:
		return "none looked at"
	case k == 0:
		return fmt.Sprintf("under %.1e", 3/float64(n))
	}
	return fmt.Sprintf("%.1e", float64(k)/float64(n))
}

func TestEval(t *testing.T) {
	root := os.Getenv("EVAL")
	if root == "" {
		root = "testdata"
	}
	var all, healthy score
	var nominal, commissioned watchScore
	pots := 0
	var bad []string
	for _, dir := range folders(t, root) {
		f := open(t, root, dir)
		s := judge(t, &f, dir)
		if s.wrong > 0 {
			bad = append(bad, fmt.Sprintf("%s: %d samples, the first at %v", f.name, s.wrong, s.first))
		}
		all.add(s)
		if f.pot.Commissioned != nil {
			commissioned.add(watch(t, &f, dir))
		} else {
			nominal.add(watch(t, &f, dir))
		}
		if f.healthy {
			pots++
			healthy.add(s)
		}
	}
	out := t.Output()
	fmt.Fprintf(out, "\nThe judge alone (internal/vent), from %s: %d samples, %d with the vessel over 7 kPa\n", root, all.samples, all.over)
	tw := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "figure\tmeasured\tof\taim\t")
	row := func(what, measured, of, aim string, ok bool) {
		word := "held"
		if !ok {
			word = "MISSED"
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\n", what, measured, of, aim, word)
		if !ok {
			t.Errorf("%s: %s of %s, aim %s", what, measured, of, aim)
		}
	}
	row("VENTED over 7 kPa", describe(all.wrong, "samples"), fmt.Sprintf("%d vents, share of them %s", all.releases, bound(min(all.wrong, all.releases), all.releases)), "none", all.wrong == 0 && all.over > 0)
	slices.Sort(healthy.delays)
	p := func(q float64) time.Duration {
		if len(healthy.delays) == 0 {
			return 0
		}
		return healthy.delays[min(len(healthy.delays)-1, int(q*float64(len(healthy.delays))))]
	}
	n := len(healthy.delays)
	row("healthy: under 0.5 psi to VENTED", fmt.Sprintf("p50 %.1f s, p95 %.1f s", p(0.5).Seconds(), p(0.95).Seconds()), fmt.Sprintf("%d vents of %d pots", n, pots), "p95 6 s", n > 0 && p(0.95) <= 6*time.Second)
	row("healthy: down 10 s and never VENTED", describe(healthy.never, "vents"), fmt.Sprintf("%d vents", n+healthy.never), "none after the first", healthy.never == 0)
	share := float64(healthy.given) / float64(max(1, healthy.due))
	row("healthy: VENTED of the time due", fmt.Sprintf("%.1f %%", 100*share), fmt.Sprintf("%d samples", healthy.due), "97 %", share >= 0.97)
	for _, where := range healthy.neverAt {
		t.Logf("never VENTED: %s", where)
	}
	for _, c := range []struct {
		what     string
		s        watchScore
		p50, p95 time.Duration
	}{{"nominal dimensions", nominal, 2500 * time.Millisecond, 4 * time.Second}, {"commissioned pot", commissioned, 1200 * time.Millisecond, 2500 * time.Millisecond}} {
		if c.s.vents > 0 {
			row("false critical findings, "+c.what, describe(c.s.false_, "findings"), fmt.Sprintf("%d vents of healthy pots, a vent: %s", c.s.vents, bound(c.s.false_, c.s.vents)), "none", c.s.false_ == 0)
		}
		if c.s.shut > 0 {
			p50, p95 := quantile(c.s.delays, 0.5), quantile(c.s.delays, 0.95)
			row("exhaust shut or at 10 %, control's first fall to vent-slow, "+c.what, fmt.Sprintf("p50 %.1f s, p95 %.1f s; valve lag apart, p50 %.1f s", p50.Seconds(), p95.Seconds(), quantile(c.s.lags, 0.5).Seconds()), fmt.Sprintf("%d vents", c.s.shut),
				fmt.Sprintf("p50 %.1f s, p95 %.1f s", c.p50.Seconds(), c.p95.Seconds()), len(c.s.delays) > 0 && p50 <= c.p50 && p95 <= c.p95)
			row("the same, missed", describe(len(c.s.missed), "vents"), fmt.Sprintf("%d, share: %s", c.s.shut, bound(len(c.s.missed), c.s.shut)), "none", len(c.s.missed) == 0)
		}
		for _, where := range append(c.s.where, c.s.missed...) {
			t.Logf("%s: %s", c.what, where)
		}
	}
	if err := tw.Flush(); err != nil {
		t.Error(err)
	}
	if len(bad) > 0 {
		t.Errorf("VENTED over the limit:\n%s", strings.Join(bad, "\n"))
	}
}
