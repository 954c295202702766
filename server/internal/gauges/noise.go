package gauges

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// noise follows the scatter of one point at rest, and single readings that stand out from both their neighbours.
type noise struct {
	n      int
	step   float64 // mean |second difference| at rest, Pa
	usual  float64 // standard deviation as first learned, or the least since, Pa; 0: not known
	spikes float64 // of late; forgotten within spikeForget
	at     si.Instant
	last   si.Instant // newest reading that stood out
}

const (
	// Healthy gauges make up to 0.2 % of their range.
	noiseShare   = 0.0027
	noiseEnds    = 0.0023
	noiseGrows   = 1.6 // times what is usual
	noiseMemory  = 150 // readings
	noiseLearned = 100
	clip         = 4.0        // mean differences: a spike must not pass for noise
	noiseStill   = 5 * si.KPa // change of the mean within two seconds
	spikeEvery   = 0.2        // s between readings at most
	spikeShare   = 0.02       // of the range
	spikeTimes   = 10         // standard deviations
	spikeReturns = 0.25       // of the spike: what the reading may have moved by meanwhile
	spikeCount   = 3
	spikeForget  = 5 * time.Minute
	spikeAlone   = 300 * time.Millisecond // no other point may do the same
)

// secondDifference is the mean |a - 2b + c| of normal readings, in standard deviations: sqrt(6) times sqrt(2/pi).
var secondDifference = math.Sqrt(6) * math.Sqrt(2/math.Pi)

// deviation is the standard deviation, Pa.
func (n *noise) deviation() float64 { return n.step / secondDifference }

func (w *Watch) judgeNoise(p points.Point) {
	t, n := &w.tracks[p], &w.noise[p]
	if t.n < 3 {
		return
	}
	second := math.Abs(t.third - 2*t.before + t.v)
	rest := w.resting()
	// A stream that surges moves hose and nozzle like that; a vessel is too large.
	if t.every <= spikeEvery && (rest || p != points.Hose && p != points.Nozzle) {
		w.judgeSpike(p, t, n, second/2)
	}
	if !rest {
		return
	}
	if !t.long || math.Abs(t.by) > noiseStill+2*n.deviation() {
		return
	}
	if n.n > noiseLearned/4 {
		second = min(second, clip*n.step+w.spans[p]*1e-4)
	}
	n.n++
	n.step += (second - n.step) / float64(min(n.n, noiseMemory))
	if n.n < noiseLearned || !w.quick(t) {
		return
	}
	sd := n.deviation()
	if n.usual == 0 || sd < n.usual {
		n.usual = sd
	}
	switch {
	case sd > max(noiseShare*w.spans[p], noiseGrows*min(n.usual, 0.002*w.spans[p])):
		w.set(p, Noisy, true, Finding{Size: sd})
	case sd < noiseEnds*w.spans[p] && n.recent(w.now) < 1:
		w.set(p, Noisy, false, Finding{})
	}
}

// recent is how many spikes there were of late.
func (n *noise) recent(now si.Instant) float64 {
	return max(0, n.spikes-spikeCount*float64(now.Sub(n.at))/float64(spikeForget))
}

func (w *Watch) judgeSpike(p points.Point, t *track, n *noise, height float64) {
	if height < spikeShare*w.spans[p] || height < spikeTimes*n.deviation() || n.n < noiseLearned/4 {
		return
	}
	if math.Abs(t.v-t.third) > spikeReturns*height || p == points.Control && w.now.Sub(w.turned) < settles {
		return // movement; a control line rises, and falls with the supply, within a few readings
	}
	n.last = t.at
	for q := range w.noise {
		if o := &w.noise[q]; points.Point(q) != p && o.last != 0 && t.at.Sub(o.last) <= spikeAlone {
			return
		}
	}
	n.spikes = n.recent(t.at) + 1
	n.at = t.at
	if n.spikes > spikeCount-1 {
		n.spikes = min(n.spikes, 2*spikeCount)
		w.set(p, Noisy, true, Finding{Size: height})
	}
}
