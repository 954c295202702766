package gauges

import (
	"time"

	"gritwatch/protocol/si"
)

// A track is what is kept of the recent past of one point. Pressures are gauge Pa.
type track struct {
	last   si.Instant // of the newest sample, of any quality
	at     si.Instant // of the newest good reading; 0: none
	v      float64    // of it
	before float64    // the reading before it
	third  float64    // and the one before that
	n      int        // readings without a break, up to 3
	every  float64    // s between readings, smoothed; 0: not known
	fast   float64    // mean that forgets within half a second
	area   float64    // integral of the reading over time since the last break, Pa s
	bins   [binCount]bin
	by     float64 // change of the mean of a second within two seconds, as of the newest bin
	early  float64 // the earlier of the two
	long   bool    // the past reaches back so far
}

// bin is the sum of readings in a quarter of a second.
type bin struct {
	index int64   // instant divided by the width
	sum   float32 // to a tenth of a pascal; a state is half as large for it
	n     int
}

const (
	binCount = 20 // 5 s
	binWidth = si.Instant(250_000)
	second   = 4 // bins

	fastMemory  = 0.5 // s
	everyMemory = 20  // readings
)

func (t *track) forget() {
	t.at, t.n = 0, 0
	t.bins = [binCount]bin{}
	t.by, t.early, t.long = 0, 0, false
}

// step takes a good reading; false where the stretch before it was broken.
func (t *track) step(at si.Instant, v float64, stale time.Duration) bool {
	gap := at.Sub(t.at)
	whole := t.at != 0 && gap <= stale
	if whole {
		d := gap.Seconds()
		if t.every == 0 {
			t.every = d
		} else {
			t.every += (d - t.every) / everyMemory
		}
		t.area += d * (v + t.v) / 2
		t.fast += (v - t.fast) * d / (d + fastMemory)
		t.third, t.before = t.before, t.v
		t.n = min(t.n+1, 3)
	} else {
		t.forget()
		t.area, t.fast, t.n = 0, v, 1
	}
	t.at, t.v = at, v
	i := int64(at / binWidth)
	b := &t.bins[i%binCount]
	if b.index != i {
		*b = bin{index: i}
		t.look(i)
	}
	b.sum = float32(float64(b.sum) + v)
	b.n++
	return whole
}

// mean is the mean of the readings between two instants, to a quarter of a second; false where the bins hold none.
func (t *track) mean(from, to si.Instant) (float64, bool) {
	return t.over(int64(from/binWidth), int64(to/binWidth))
}

// over is the mean of the bins from the first to the one before the last.
func (t *track) over(first, last int64) (float64, bool) {
	var sum float64
	n := 0
	for i := max(first, last-binCount, 0); i < last; i++ {
		if b := &t.bins[i%binCount]; b.index == i {
			sum += float64(b.sum)
			n += b.n
		}
	}
	return sum / float64(max(n, 1)), n > 0
}

// until is the integral up to an instant no earlier than the newest reading, Pa s: the reading is held.
func (t *track) until(at si.Instant) float64 { return t.area + t.v*at.Sub(t.at).Seconds() }

// look compares the second that has ended with the bin before the newest, index i, with that of two seconds earlier.
func (t *track) look(i int64) {
	late, ok1 := t.over(i-second, i)
	early, ok2 := t.over(i-3*second, i-2*second)
	t.by, t.early, t.long = late-early, early, ok1 && ok2
}
