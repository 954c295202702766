package wear

import (
	"math"

	"gritwatch/protocol/si"
)

// A fine is a logarithm, or the difference of two, in units of 2^-12: a quarter of a thousandth. Nothing here is known
// better, and a state of whole numbers is a third as long.
type fine int32

const unit = 1.0 / 4096

func fineOf(x float64) fine      { return fine(math.Round(max(-64, min(64, x)) / unit)) }
func (f fine) float() float64    { return float64(f) * unit }
func thousandth(x float64) int32 { return int32(math.Round(max(0, min(2e6, x)) * 1000)) }

// Numbers of a track. Those without a source are common practice.
const (
	learns      = 5             // observations that make a baseline
	leastSD     = 0.006         // of an observation: what comes and goes with setting and weather does not look like noise
	scaleSteps  = 32            // of the scale, in a factor of e
	probable    = 0.6745 * 1.07 // median of an observation's distance from the level, in its standard deviations
	firstScale  = 38            // a deviation of 2 %, at the least
	normal      = 1.2533        // standard deviations in a mean deviation, of the normal distribution
	fastScale   = 25            // observations
	mostScale   = 125           // a deviation of 0.3
	stillLearns = 0.12          // of an observation off the baseline: before slopes are learned, it may be off
	levelGain   = 0.3
	slowGain    = 1.0 / 128
	mostCount   = 1000
	stepAt      = 4.0 // deviations: two such observations in a row, on one side, are a step
	stepLeast   = 0.06
	afterLeast  = 4   // observations that tell what a service has changed
	slack       = 0.5 // of the cumulative sums, in deviations (NIST/SEMATECH e-Handbook 6.3.2.3)
	decides     = 8.0 // the same: a change point
	hurries     = 4.0 // the same: from here the level follows faster
	hurryGain   = 0.5
	sixteenth   = 16  // of a deviation: in which the sums are kept
	clings      = 2.0 // observations near each other share their errors: the deviation of a trend is that much larger
)

// A track follows the logarithm of one part's index over observations. Level, slow and odd are less the baseline.
type track struct {
	n        int32 // observations since the baseline began
	base     fine
	level    fine
	slow     fine       // a mean that goes far back; while the baseline is learned, the mean deviation
	slowAt   int32      // where it lies, in thousandths of an hour of blasting
	scale    int32      // of an observation's standard deviation, see deviation
	count    int32      // observations since the last step or service
	odd      fine       // an observation that was off, waiting for the next; 0: none
	up, down int32      // cumulative sums
	after    int32      // observations still to come since a service
	since    si.Instant // of the finding; 0: none
	changed  si.Instant
}

// bounds are where a finding begins and ends, of level less baseline.
type bounds struct {
	on, off float64
	sds     float64 // of the level's own standard deviations that come on top of on
}

// ready tells whether there is a baseline.
func (t *track) ready() bool { return t.n >= learns }

// deviation is the standard deviation of an observation.
func (t *track) deviation() float64 { return leastSD * math.Exp(float64(t.scale)/scaleSteps) }

// add takes an observation, after so many hours of blasting: raw as it was seen, of which other has another cause, reckoned
// from a pivot, which is the mean of that cause over the observations of the baseline. The first observations make the
// baseline, and up to refines in all improve it. It tells whether this one did.
func (t *track) add(at si.Instant, raw, other, hours float64, refines int32, b bounds) bool {
	t.n = min(t.n+1, 1<<20)
	if t.n <= learns {
		if before := float64(t.n - 1); before > 0 {
			// What is off the mean of those before it is off by their error as well.
			t.slow += fineOf(math.Abs(raw-other-t.base.float()) * math.Sqrt(before/(before+1)) / (learns - 1))
		}
		t.base += fineOf((raw - t.base.float()) / float64(t.n))
		if t.n == learns {
			t.scale = max(firstScale, min(mostScale, int32(math.Round(scaleSteps*math.Log(max(leastSD, normal*t.slow.float())/leastSD)))))
			t.slow, t.count, t.slowAt = 0, 1, thousandth(hours)
		}
		return true
	}
	off := raw - other - t.base.float()
	t.learnScale(off)
	t.follow(at, off)
	learns := t.n <= refines && math.Abs(off) < max(3*t.deviation(), stillLearns)
	if learns {
		// The pivot moves as well, so that level and slow are less by the corrected observation's share.
		t.base += fineOf((raw - t.base.float()) / float64(t.n))
		shift := fineOf(off / float64(t.n))
		t.level -= shift
		t.slow -= shift
	}
	t.look(at, off, t.levelSD(), hours, b)
	return learns
}

// first takes the one observation that makes the baseline of what is seldom observed, when the part has gone so far already.
func (t *track) first(base, level, hours float64) {
	t.n, t.base, t.level, t.slow = learns, fineOf(base), fineOf(level), fineOf(level)
	t.scale, t.count, t.slowAt = firstScale, 1, thousandth(hours)
}

// settle sets the level, which an observation has told by a filter of its own.
func (t *track) settle(at si.Instant, off, level, sd, hours float64, b bounds) {
	t.n, t.count, t.odd = min(t.n+1, 1<<20), min(t.count+1, mostCount), 0
	t.learnScale(off)
	t.level = fineOf(level)
	t.look(at, off, sd, hours, b)
}

// look brings the slow mean on, and begins or ends the finding.
func (t *track) look(at si.Instant, off, sd, hours float64, b bounds) {
	if t.count > 0 {
		g := max(slowGain, 1/float64(t.count))
		t.slow += fineOf(g * (off - t.slow.float()))
		t.slowAt += int32(math.Round(g * float64(thousandth(hours)-t.slowAt)))
	}
	switch d := t.level.float(); {
	case t.since == 0 && d-b.sds*sd > b.on && t.after == 0:
		t.since = at
	case t.since != 0 && d < b.off:
		t.since = 0
	}
}

// learnScale brings the scale up or down by one step, at first by more, so that half of all observations lie farther off than
// the median: however far they lie.
func (t *track) learnScale(off float64) {
	step := int32(1)
	if t.n < fastScale {
		step = 4
	}
	if math.Abs(off-t.level.float()) < probable*t.deviation() {
		step = -step
	}
	t.scale = max(0, min(mostScale, t.scale+step))
}

// follow brings the level to the observations: slowly, and at once where they step.
func (t *track) follow(at si.Instant, off float64) {
	sd := t.deviation()
	d := off - t.level.float()
	switch {
	case t.after > 0:
		t.after--
	case math.Abs(d) > max(stepAt*sd, stepLeast):
		// One observation that is off moves nothing: it may be a stroke of its own kind. Two that agree do.
		was := t.odd.float() - t.level.float()
		if t.odd != 0 && was*d > 0 && math.Abs(was-d) < max(stepAt*sd, stepLeast, math.Abs(d)/2) {
			t.restart(at, fineOf((t.odd.float()+off)/2))
			return
		}
		if t.odd != 0 && was*d > 0 {
			// Both say that it has gone, and not how far: so far as the nearer one, it has.
			if math.Abs(was) < math.Abs(d) {
				t.level = t.odd
			} else {
				t.level = fineOf(off)
			}
		}
		t.wait(off)
		return
	}
	t.odd = 0
	z := int32(math.Round(sixteenth * d / sd))
	t.up = max(0, t.up+z-slack*sixteenth)
	t.down = max(0, t.down-z-slack*sixteenth)
	t.count = min(t.count+1, mostCount)
	gain := max(levelGain, 1/float64(t.count))
	if max(t.up, t.down) > hurries*sixteenth {
		gain = max(gain, hurryGain)
	}
	t.level += fineOf(gain * d)
	if max(t.up, t.down) > decides*sixteenth {
		t.up, t.down, t.changed = 0, 0, at
	}
}

// wait keeps an observation that was off for the next; one that lies on the baseline as next to it, as 0 is none.
func (t *track) wait(off float64) {
	if t.odd = fineOf(off); t.odd == 0 {
		t.odd = 1
	}
}

// restart sets the level anew.
func (t *track) restart(at si.Instant, level fine) {
	t.level, t.slow, t.count, t.changed = level, level, 1, at
	t.odd, t.up, t.down = 0, 0, 0
}

// serve makes ready for what a service has changed.
func (t *track) serve() {
	t.restart(0, t.level)
	t.after, t.count, t.since = afterLeast, 0, 0
}

// rebase makes the level the baseline.
func (t *track) rebase() {
	t.base += t.level
	t.slow -= t.level
	t.level = 0
}

// trend is the change an hour of blasting and its standard deviation; false: too little is known.
func (t *track) trend(hours float64) (slope, sd float64, ok bool) {
	far := hours - float64(t.slowAt)/1000
	if t.count < trendLeast || far <= 0 {
		return 0, 0, false
	}
	spread := levelGain/(2-levelGain) + max(slowGain/2, 1/float64(t.count))
	return (t.level - t.slow).float() / far, clings * t.deviation() * math.Sqrt(spread) / far, true
}

// levelSD is the standard deviation of level less baseline.
func (t *track) levelSD() float64 {
	g := max(levelGain, 1/float64(max(1, t.count)))
	return t.deviation() * math.Sqrt(g/(2-g)+1/float64(max(1, min(t.n, refined))))
}

// A slope is that of one quantity over another while both go up and down, by least squares of what they are off their own slow
// means: so it is free of all that changes slowly. What is known beforehand counts as if it had been seen.
type slope struct {
	value  fine
	weight int32 // sum of the squares of x, in thousandths
	pivot  fine  // mean of x while the baseline is learned: corrections are made from there
	x, y   fine  // slow means
	seen   bool  // they are known
	off    int32 // observations in a row that had another cause
}

const (
	mostWeight = 2000
	slopeGain  = 1.0 / 16
	slopeLeast = 0.10 // of ln fill
	farOff     = 0.08 // of y from the slope
	mostOff    = 3
)

// learn takes the x of the nth observation of the baseline.
func (s *slope) learn(x float64, n int32) {
	s.pivot += fineOf((x - s.pivot.float()) / float64(max(1, n)))
}

// next takes an observation; x tells of the slope where it is off its mean by least or more: less may be noise, which x and y share. Where y is off the slope by most,
// it has another cause.
func (s *slope) next(x, y, least, most float64) {
	fx, fy := fineOf(x), fineOf(y)
	if !s.seen {
		s.x, s.y, s.seen = fx, fy, true
		return
	}
	dx, dy := (fx - s.x).float(), (fy - s.y).float()
	if math.Abs(dy-float64(s.value.float()*dx)) > most {
		// Where it stays, what was before no longer counts.
		if s.off++; s.off > mostOff {
			s.x, s.y, s.off = fx, fy, 0
		}
		return
	}
	s.off = 0
	if square := 1000 * dx * dx; math.Abs(dx) >= least {
		s.value += fineOf((float64(dy*dx*1000) - float64(s.value.float()*square)) / (float64(s.weight) + square))
		s.weight = min(mostWeight, s.weight+int32(math.Round(square)))
	}
	s.x += fineOf(slopeGain * dx)
	s.y += fineOf(slopeGain * dy)
}

// correct is what x adds to y, from the pivot on.
func (s *slope) correct(x float64) float64 { return s.value.float() * (x - s.pivot.float()) }
