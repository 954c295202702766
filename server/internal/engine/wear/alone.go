package wear

import (
	"math"

	"gritwatch/protocol/si"
)

// Numbers of the bore without a nozzle point. Those without a source are common practice.
const (
	airSD     = 0.02 // of half ln d, what a blast with air alone is off: from simulated pots, their true resistances given; no source
	airDrift  = 0.01 // the same, of what neither air nor mixture tells between two of them
	airEnds   = 8    // seconds before abrasive is seen to flow again, in which some may have come
	airAgain  = 0.6  // of what air alone was over the mixture: what has fallen and is less over it is no air alone
	firstAir  = 5    // blasts with air alone that make a baseline, as long as the mixture shows no wear
	firstLoad = 5    // blasts with abrasive that make what wear before the first air alone is told from
	unmoved   = 0.03 // of half ln d of the mixture: so much comes and goes
	wearShare = 0.5  // of what the laden stream has moved: wear or a leaner mixture, nobody can tell, so each is as likely
	fastest   = 0.25 // of half ln d, an hour of blasting: no nozzle wears faster. A 3/8 in one is a twentieth of an inch wider after it; liners last 20 h and more (common practice)
	falls     = 2.0  // the same: by so much less than was expected a blast with air alone counts for less
	farAir    = 4.0  // standard deviations: one such blast with air alone tells nothing, two that agree do
)

// alone is what tells the bore without a nozzle point. What half ln d of laden blasting has moved since the last air alone is a mixture or a
// nozzle that wears, which nothing but air alone can tell.
type alone struct {
	lately, then fine  // of laden blasting, of late and at the last air alone
	first        fine  // the same at the baseline
	loads        int32 // laden blasts behind lately, up to firstLoad
	blasts       int32 // with air alone behind the baseline, up to firstAir
	at           int32 // of the last air alone, in thousandths of an hour of blasting
	sd, baseSD   fine  // standard deviations of level and baseline
	before       fine  // the baseline's of what had worn before it
}

// laden takes half ln d of one laden blast.
func (a *alone) laden(half float64) {
	if a.loads < firstLoad {
		a.loads++
		a.lately += fineOf((half - a.lately.float()) / float64(a.loads))
		if a.blasts == 0 {
			a.then = a.lately
		}
		return
	}
	a.lately += fineOf(levelGain * (half - a.lately.float()))
}

// worn is what the laden stream lets expect of the nozzle since the last air alone: between nothing and all that it has moved, both as likely; of a stream
// that has become richer nothing, and as unsure.
func (a *alone) worn(hours float64) (more, sd float64) {
	most := fastest * max(0, hours-float64(a.at)/1000)
	d := max(-most, min(most, (a.lately-a.then).float()))
	return wearShare * max(0, d), wearShare * math.Abs(d)
}

// off is the standard deviation of the level, with what has worn since the last air alone.
func (a *alone) off(hours float64) float64 {
	_, sd := a.worn(hours)
	return math.Hypot(math.Hypot(a.sd.float(), a.baseSD.float()), sd)
}

// airAlone takes the bore's observation of air-only seconds without a nozzle point. The level is followed by as much as its own doubt and that of
// the observation say, (7) (the filter of one state; Kalman, J. Basic Engineering 82 (1960) 35, from memory).
func (m *Monitor) airAlone(at si.Instant, half float64) {
	t, a, hours := &m.tracks[Bore], &m.alone, m.use.blasting()
	more, doubt := a.worn(hours)
	if !t.ready() {
		// What has worn before the first of them is as unsure as what wears between two.
		t.first(half-more, more, hours)
		a.then, a.at, a.first, a.blasts = a.lately, thousandth(hours), a.lately, 1
		a.sd, a.baseSD, a.before = 0, fineOf(math.Hypot(airSD, doubt)), fineOf(doubt)
		return
	}
	off := half - t.base.float()
	if gap := (t.base + t.level - a.then).float(); t.after == 0 && off-t.level.float() < -farAir*airSD && half < a.lately.float()+float64(airAgain*gap) {
		return // a stream that has not quite stopped
	}
	before := math.Hypot(math.Hypot(a.sd.float(), doubt), airDrift)
	level := t.level.float() + more
	anew := t.after > 0
	if d := off - level; anew {
		before, t.after = 1, 0
	} else if far := farAir * math.Hypot(before, airSD); math.Abs(d) > far {
		was := t.odd.float() - level
		if t.odd == 0 || was*d < 0 || math.Abs(was-d) > max(far, math.Abs(d)/2) {
			t.wait(off)
			return
		}
		before, t.changed = math.Abs(d), at // what was known is not so any more
	}
	if !anew && a.blasts < firstAir && off > farAir*airSD && (a.lately-a.first).float() < unmoved {
		// A wider nozzle passes more of a laden stream too: the baseline's stream had not quite stopped.
		t.base += fineOf(off)
		off, level, t.level, t.slow = 0, 0, 0, 0
	}
	noise := airSD
	if d := level - off; !anew && t.changed != at && d > falls*airSD {
		noise = d // no nozzle narrows: of a stream that has not quite stopped it is as likely
	}
	if a.blasts < firstAir && !anew && noise == airSD && math.Abs((a.lately-a.first).float()) < unmoved {
		// Nothing has worn yet that the laden stream shows: the baseline is the mean of all so far.
		a.blasts++
		shift := off / float64(a.blasts)
		t.base += fineOf(shift)
		a.baseSD = fineOf(math.Hypot(airSD/math.Sqrt(float64(a.blasts)), a.before.float()))
		t.level, t.slow = t.level-fineOf(shift), t.slow-fineOf(shift)
		off, level = off-shift, level-shift
	}
	gain := before * before / (before*before + float64(noise*noise))
	level += float64(gain * (off - level))
	a.sd, a.then, a.at = fineOf(math.Sqrt(gain)*noise), a.lately, thousandth(hours)
	t.settle(at, off, level, a.off(hours), hours, m.bounds(Bore))
	if m.served(Bore, at); anew {
		a.first, a.blasts, a.baseSD, a.before = a.lately, 1, fineOf(airSD), 0
	}
}
