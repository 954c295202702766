package engine

import (
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Limits of the states. Common practice, no source, but for the first, which is R1's.
const (
	restUnder    = 7 * si.KPa
	restLeft     = 9 * si.KPa
	upOver       = 20 * si.KPa
	chargeRise   = 0.03 // of the pressure, over 0.5 s
	chargedShare = 0.9  // of what feeds the vessel
	heldFall     = 2 * si.KPa
	heldShare    = 0.02
	ventFall     = 6 * si.KPa
	ventShare    = 0.04
)

const (
	exhaustOpens = 1500 * time.Millisecond
	noRise       = 3 * time.Second
)

type state struct{ pressed bool }

// judgeState finds the state as of the newest sample.
func (e *Engine) judgeState(h vent.Handle) {
	next := e.stateNow(h)
	if next != e.out.State || e.out.Since == 0 {
		e.out.State, e.out.Since = next, e.out.At
		// The handle's change began this state, not the sample that showed it.
		if h.Known && h.Since != 0 && h.Since <= e.out.At && e.out.At.Sub(h.Since) < time.Second && h.Pressed != e.state.pressed {
			e.out.Since = h.Since
		}
	}
	e.state.pressed = h.Known && h.Pressed
}

func (e *Engine) stateNow(h vent.Handle) State {
	if e.vesselAt == 0 || e.out.At.Sub(e.vesselAt) > e.params.fresh() {
		return Unknown
	}
	p, ok := e.vessel.mean(0, halfSecond)
	if !ok {
		return Unknown
	}
	last := e.out.State
	if h.Known && h.Pressed {
		return e.pressedState(p, last, e.out.At.Sub(h.Since))
	}
	if p <= restUnder || last == AtRest && p <= restLeft {
		return AtRest
	}
	if !h.Known {
		return Unknown
	}
	since := e.out.At.Sub(h.Since)
	before, long := e.vessel.mean(twoSeconds, halfSecond)
	// Limits of a fall are for 2 s; in a slow log more time lies between the two.
	span := float64(e.params.width()) / float64(binWidth)
	switch fall := (before - p) / span; {
	case since < exhaustOpens && h.Since != 0 && e.turned(last):
		return Venting
	case !long:
		// Not yet 2 s of readings: what it was, or the cautious word.
		if last == Venting {
			return Venting
		}
		return Held
	case last == Venting && fall >= max(heldFall, heldShare*p):
		return Venting
	case last != Venting && fall >= max(ventFall, ventShare*p):
		return Venting
	}
	return Held
}

// turned tells whether a release came out of a press, or goes on from it.
func (e *Engine) turned(last State) bool {
	return last == Charging || last == Blasting || last == Venting
}

func (e *Engine) pressedState(p float64, last State, since time.Duration) State {
	if p < upOver {
		if since >= noRise {
			return Unknown
		}
		return Charging
	}
	if last == Blasting {
		return Blasting
	}
	feed, ok := e.good(points.Separator)
	if !ok {
		feed, ok = e.good(points.Supply)
	}
	if ok && feed > upOver && p >= chargedShare*feed {
		return Blasting
	}
	if before, ok := e.vessel.mean(halfSecond, halfSecond); ok && p-before < chargeRise*p {
		return Blasting
	}
	return Charging
}

// bins are means of the vessel's readings over 0.1 s, of a slow log over a fifth of its period: the newest 64 of them.
type bins struct {
	sum   [binCount]float64
	n     [binCount]int32
	index int64 // of the newest bin: its instant divided by the width
	first int64 // of the oldest bin since the last reset
	any   bool
	since si.Instant // of the first reading since then
}

const (
	binCount   = 64
	binGap     = 32                  // bins without a reading that end the past
	binWidth   = si.Instant(100_000) // us
	halfSecond = 5                   // bins
	twoSeconds = 20                  // bins
)

// width is how long a bin is.
func (p *Params) width() si.Instant { return max(binWidth, si.Instant(p.Period/(5*time.Microsecond))) }

func (b *bins) reset() { *b = bins{} }

func (b *bins) add(at, width si.Instant, v float64) {
	i := int64(at / width)
	switch {
	case !b.any || i-b.index >= binGap:
		*b = bins{index: i, first: i, any: true, since: at}
	case i < b.index:
		return
	}
	for b.index < i {
		b.index++
		b.sum[b.index%binCount], b.n[b.index%binCount] = 0, 0
	}
	b.sum[i%binCount] += v
	b.n[i%binCount]++
}

// mean is the mean of the readings in count bins, the last of them back bins before the newest; where they hold none, of
// the first bin before them that does. False where they reach behind the first reading.
func (b *bins) mean(back, count int64) (float64, bool) {
	if !b.any {
		return 0, false
	}
	last := b.index - back
	if back > 0 && last-count+1 < b.first {
		return 0, false
	}
	var sum float64
	var n int32
	for i := last; i >= b.first && b.index-i < binCount && (n == 0 || last-i < count); i-- {
		sum += b.sum[i%binCount]
		n += b.n[i%binCount]
	}
	if n == 0 {
		return 0, false
	}
	return sum / float64(n), true
}
