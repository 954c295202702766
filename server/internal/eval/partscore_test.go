package eval_test

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A partScore is what was said of where the nozzle's pressure is lost, in one run or several. Drops are psi.
type partScore struct {
	seconds  int
	identity float64 // the largest distance between the fall and the sum of its parts
	// off is the share of what is allowed, 0.5 psi or a tenth, that each part was off, by the point that it ends at.
	off   [partKinds][points.Count][]float64
	where []string
}

// Kinds of parts.
const (
	sagPart = iota
	resistancePart
	flowPart // with what a richer mix costs in the hose
	partKinds
)

var partNames = [partKinds]string{"supply's sag", "a segment's resistance", "a segment's flow"}

func (s *partScore) add(o *partScore) {
	s.seconds, s.identity, s.where = s.seconds+o.seconds, max(s.identity, o.identity), append(s.where, o.where...)
	for i := range s.off {
		for k := range s.off[i] {
			s.off[i][k] = append(s.off[i][k], o.off[i][k]...)
		}
	}
}

const (
	partAbsolute = 0.5 * si.PSI
	partRelative = 0.1
	partEvery    = 20_000_000 // us
	lately       = 1500 * time.Millisecond
)

// A partScorer holds the parts of the loss against the truth's.
type partScorer struct {
	r    *record
	on   bool
	s    partScore
	next si.Instant
	off  [points.Count]float64 // what each gauge shows too much in a blast
}

func newPartScorer(r *record, family string) *partScorer {
	p := &partScorer{r: r, on: family == slowWear}
	if p.on {
		p.off = r.errors()
	}
	return p
}

func (p *partScorer) row(s *said) {
	if !p.on {
		return
	}
	o, base := s.losses, &s.baseline.Laden
	if !o.Account || !o.Steady || o.At < p.next || s.at.Sub(o.At) > lately || !base.Known() {
		return
	}
	now, ok := p.r.second(o.At, &p.off)
	if !ok {
		return
	}
	p.next = o.At + partEvery
	then := p.r.truth[p.r.index(base.At)]
	for pt := points.Supply; pt <= points.Nozzle; pt++ {
		then.p[pt] = base.P[pt] - float64(cmp.Or(p.r.pot.Atmosphere.Pressure(), si.StandardAtmosphere)) - p.off[pt]
	}
	p.s.seconds++
	sum := float64(o.Fall - o.Sag)
	p.part(s, sagPart, float64(o.Sag), then.p[o.First]-now.p[o.First], o.First)
	for seg := range points.Segment(points.SegmentCount) {
		x := &o.Parts[seg]
		if !x.Known {
			continue
		}
		sum -= float64(x.Excess)
		if !x.Split {
			continue
		}
		p.s.identity = max(p.s.identity, math.Abs(float64(x.Excess-x.Flow-x.Mix-x.Resistance)))
		to := points.Point(seg) + 1
		drop, drop0 := now.p[x.From]-now.p[to], then.p[x.From]-then.p[to]
		// The truth's split, by the logarithmic mean of the two drops; what several segments in a row have is theirs together.
		resistance := 0.0
		for k := points.Segment(x.From); k <= seg; k++ {
			a, b := now.p[k]-now.p[k+1], then.p[k]-then.p[k+1]
			resistance += logMean(a, b) * math.Log(now.resistance[k]/then.resistance[k])
		}
		p.part(s, resistancePart, float64(x.Resistance), resistance, to)
		p.part(s, flowPart, float64(x.Flow+x.Mix), drop-drop0-resistance, to)
	}
	p.s.identity = max(p.s.identity, math.Abs(sum))
}

// part takes one part.
func (p *partScorer) part(s *said, kind int, said, true float64, at points.Point) {
	off := math.Abs(said-true) / max(float64(partAbsolute), partRelative*math.Abs(true))
	p.s.off[kind][at] = append(p.s.off[kind][at], off)
	if off > 2 && len(p.s.where) < 20 {
		p.s.where = append(p.s.where, fmt.Sprintf("%s at %v: %s before %v is said to be %.2f psi, truly %.2f", p.r.name, s.at, partNames[kind], at, said/si.PSI, true/si.PSI))
	}
}

// errors are what each gauge of the log shows too much in a blast, in the mean. They do not change in these families, so that
// what the gauges show, less these, is the truth over any second, of which the truth's lines tell one instant alone; with abrasive
// that comes in gusts, and a compressor that cycles, that is another thing.
func (r *record) errors() (off [points.Count]float64) {
	n := 0.0
	for i := range r.truth {
		now := &r.truth[i]
		k, found := slices.BinarySearchFunc(r.rows, now.at, func(w row, at si.Instant) int { return cmp.Compare(w.at, at) })
		if !found || !now.blasting() {
			continue
		}
		n++
		for _, x := range r.rowOf(k) {
			if x.Quality == points.Good && x.Point <= points.Nozzle {
				off[x.Point] += (float64(x.Value) - now.p[x.Point] - off[x.Point]) / n
			}
		}
	}
	return off
}

// second is the truth in the mean of the second around an instant; ok is false where no blast goes on.
func (r *record) second(at si.Instant, off *[points.Count]float64) (now state, ok bool) {
	const half = 500_000 // us
	i := r.index(at)
	if i+1 >= len(r.truth) || !r.truth[i].blasting() || !r.truth[i+1].blasting() {
		return now, false
	}
	now = r.truth[i]
	now.p = [points.Count]float64{}
	n := 0.0
	k, _ := slices.BinarySearchFunc(r.rows, at-half, func(w row, at si.Instant) int { return cmp.Compare(w.at, at) })
	for ; k < len(r.rows) && r.rows[k].at < at+half; k++ {
		n++
		for _, x := range r.rowOf(k) {
			now.p[x.Point] += float64(x.Value)
		}
	}
	for pt := range now.p {
		now.p[pt] = now.p[pt]/n - off[pt]
	}
	return now, n > 0
}

// index is that of the newest truth at an instant.
func (r *record) index(at si.Instant) int {
	i, found := slices.BinarySearchFunc(r.truth, at, func(s state, at si.Instant) int { return cmp.Compare(s.at, at) })
	if !found {
		i--
	}
	return max(0, i)
}

// logMean is the logarithmic mean (Carlson, American Mathematical Monthly 79, 1972, 615): (a - b)/ln(a/b), of equal ones their
// value.
func logMean(a, b float64) float64 {
	switch {
	case a <= 0 || b <= 0:
		return 0
	case math.Abs(a-b) < 1e-6*a:
		return (a + b) / 2
	}
	return (a - b) / math.Log(a/b)
}

// figures are the rows of the losses.
func (s *partScore) figures(b *board) {
	sum := "none"
	if s.seconds > 0 {
		sum = fmt.Sprintf("at most %.3f psi", s.identity/si.PSI)
	}
	b.row(figure{what: "nozzle's loss less the sum of its parts", measured: sum, of: fmt.Sprintf("%d seconds of blasting", s.seconds), bound: "all were looked at", aim: "0.1 psi", ok: s.seconds > 0 && s.identity <= 0.1*si.PSI})
	for i, name := range partNames {
		ends := []points.Point{points.Separator, points.Vessel, points.Hose, points.Nozzle}
		if i == sagPart {
			ends = ends[:1]
		}
		for _, at := range ends {
			off, what := s.off[i][at], name+" before "+at.String()
			if i == sagPart {
				off, what = slices.Concat(s.off[i][:]...), name
			}
			over := 0
			for _, x := range off {
				if x > 1 {
					over++
				}
			}
			measured := "none"
			if len(off) > 0 {
				measured = fmt.Sprintf("%.1f %% farther off", percentOf(over, len(off)))
			}
			f := figure{what: "parts of the nozzle's loss, " + what + ": within 0.5 psi or 10 %", measured: measured, of: fmt.Sprintf("%d parts", len(off)),
				bound: bound(over, len(off)) + ", if seconds were independent", aim: "all but 5 %", ok: len(off) > 0 && over*20 <= len(off)}
			if i == sagPart {
				f.notes = s.where
			}
			b.row(f)
		}
	}
}

func percentOf(k, n int) float64 { return 100 * float64(k) / float64(max(1, n)) }
