package alarm

import (
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// traceMost is how many readings a trace has at most. When it is full every other one is dropped, so it always reaches
// back to the release.
const traceMost = 48

const traceEvery = 100 * time.Millisecond

// settled is how long readings stay under settledAt until no more of them tell anything of the vent.
const (
	settled   = 3 * time.Second
	settledAt = 7 * si.KPa
)

// trace is the pressure of one point since the last release: the vessel's, or that of what blasts. While it has settled nothing is added, so that
// hours of rest do not thin the vent out; what rises again is.
type trace struct {
	point   points.Point
	under   si.Instant // since when the pressure is under settledAt; 0: it is not
	pressed bool       // the handle was
	from    si.Instant
	every   time.Duration
	n       int
	at      [traceMost]si.Instant
	p       [traceMost]float32 // Pa
}

// step takes the pressure of a point. Where that is another one than at the release nothing is added.
func (t *trace) step(s *Signals, p Pressure, of points.Point) {
	if s.Handle.Known {
		if t.pressed && !s.Handle.Pressed {
			t.from, t.every, t.n, t.under, t.point = s.At, traceEvery, 0, 0, of
		}
		t.pressed = s.Handle.Pressed
	}
	v, ok := p.value()
	if !ok || of != t.point || t.from == 0 || t.pressed || t.n > 0 && s.At.Sub(t.at[t.n-1]) < t.every {
		return
	}
	if v > settledAt {
		t.under = 0
	} else if t.under == 0 {
		t.under = s.At
	} else if s.At.Sub(t.under) > settled {
		return
	}
	if t.n == traceMost {
		for i := range traceMost / 2 {
			t.at[i], t.p[i] = t.at[2*i], t.p[2*i]
		}
		t.n, t.every = traceMost/2, 2*t.every
	}
	t.at[t.n], t.p[t.n] = s.At, float32(v)
	t.n++
}

// evidence is the trace; nil: there is none.
func (t *trace) evidence() *Trace {
	if t.n == 0 {
		return nil
	}
	out := &Trace{TimeS: make([]float64, t.n), PressurePa: make([]float64, t.n)}
	for i := range t.n {
		out.TimeS[i], out.PressurePa[i] = round(t.at[i].Sub(t.from).Seconds(), 1e3), round(float64(t.p[i]), 1)
	}
	return out
}

// Vent is the vessel's pressure since the last release, and when that was; nil while the handle is pressed, or where none was
// seen.
func (d *Detector) Vent() (*Trace, si.Instant) {
	if d.trace.pressed {
		return nil, 0
	}
	return d.trace.evidence(), d.trace.from
}
