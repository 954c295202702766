package engine

import (
	"math"
	"math/bits"

	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// engineState is raised whenever the list of fields or their meaning changes.
const engineState = 6

// AppendState appends the engine's state, without its parameters, and without the readings of the last seconds, which would
// be most of it. What they were is in it as a checksum, so that Prime can give them back.
func (e *Engine) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, engineState)
	e.fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave: primed, the engine goes on as if nothing had happened. After an error it is as
// it was.
func (e *Engine) SetState(b []byte) error {
	if err := statecodec.Restore(e, b, engineState, (*Engine).fields); err != nil {
		return err
	}
	e.priming = true
	return nil
}

// Needs is which samples of a point Prime has to be given: those that were read between two instants, both among them.
// False: none.
func (e *Engine) Needs(p points.Point) (from, to si.Instant, ok bool) {
	if !e.priming || int(p) >= points.Count {
		return 0, 0, false
	}
	if m := &e.history[p].saved; m.n != 0 {
		from, to, ok = m.first, m.last, true
	}
	if a, more := e.needsBins(p); more {
		if !ok {
			from = a
		}
		from, to, ok = min(from, a), max(to, e.vesselAt), true
	}
	return from, to, ok
}

// needsBins is from when on the vessel's bins need readings again.
func (e *Engine) needsBins(p points.Point) (from si.Instant, ok bool) {
	s := &e.savedBins
	return max(s.since, si.Instant(s.index-binCount+1)*e.params.width()), p == points.Vessel && s.any
}

// Prime takes a stored sample from before the state was taken; those of a point come in order of time. Those that are not
// needed do no harm.
func (e *Engine) Prime(s points.Sample) {
	if _, _, ok := e.Needs(s.Point); !ok || s.Quality != points.Good {
		return
	}
	t := &e.history[s.Point]
	if m := &t.saved; m.n != 0 && s.At >= m.first && s.At <= m.last && (t.n == 0 || s.At > t.newest()) {
		t.add(s.At, float64(s.Value))
	}
	if from, ok := e.needsBins(s.Point); ok && s.At >= from && s.At <= e.vesselAt {
		e.vessel.add(s.At, e.params.width(), float64(s.Value))
	}
}

// Primed ends priming and tells whether the readings of every point are again what they were when the state was taken. A
// point of which they are not takes part in no drop until it has new ones.
func (e *Engine) Primed() bool {
	whole := true
	for p := range e.history {
		t := &e.history[p]
		if e.priming && t.mark() != t.saved {
			whole = false
			t.reset()
		}
		t.saved = mark{}
	}
	if e.priming {
		b := &e.vessel
		if b.mark() == e.savedBins.sum && b.index == e.savedBins.index {
			b.first, b.any, b.since = e.savedBins.first, e.savedBins.any, e.savedBins.since // which may lie farther back
		} else {
			whole = false
			b.reset()
		}
	}
	e.savedBins = binsMark{}
	e.priming = false
	return whole
}

// mark tells one past of a point from another.
type mark struct {
	n           int
	first, last si.Instant
	sum         uint64 // of all readings, bit for bit
}

func (t *track) mark() mark {
	m := mark{n: t.n}
	if t.n == 0 {
		return m
	}
	m.first, m.last = t.at[t.start], t.newest()
	for k := range t.n {
		i := (t.start + k) % kept
		for _, w := range [...]uint64{uint64(t.at[i]), math.Float64bits(t.value[i])} {
			m.sum = mix(m.sum, w)
		}
	}
	return m
}

// binsMark is what a state says of the bins.
type binsMark struct {
	index, first int64
	any          bool
	since        si.Instant
	sum          uint64 // of all, bit for bit
}

func (b *bins) mark() (sum uint64) {
	for k := range b.sum {
		for _, w := range [...]uint64{math.Float64bits(b.sum[k]), uint64(b.n[k])} {
			sum = mix(sum, w)
		}
	}
	return sum
}

func mix(sum, w uint64) uint64 {
	return bits.RotateLeft64((sum^w)*0x9e3779b97f4a7c15, 29) // odd: no bit is lost
}

func (m *mark) fields(c *statecodec.Codec) {
	statecodec.Int(c, &m.n)
	if m.n != 0 {
		statecodec.Int(c, &m.first)
		statecodec.Int(c, &m.last)
		statecodec.Word(c, &m.sum)
	}
}

func (e *Engine) fields(c *statecodec.Codec) {
	for p := range e.history {
		t := &e.history[p]
		m := t.saved
		if !c.Reading() && !e.priming {
			m = t.mark()
		}
		m.fields(c)
		if c.Reading() {
			t.saved = m
			t.reset()
		}
	}
	b := e.savedBins
	if v := &e.vessel; !c.Reading() && !e.priming {
		b = binsMark{v.index, v.first, v.any, v.since, v.mark()}
	}
	statecodec.Int(c, &b.index)
	statecodec.Int(c, &b.first)
	statecodec.Bool(c, &b.any)
	statecodec.Int(c, &b.since)
	statecodec.Word(c, &b.sum)
	if c.Reading() {
		e.savedBins = b
		e.vessel.reset()
	}
	statecodec.Int(c, &e.vesselAt)
	e.out.fields(c)
	statecodec.Bool(c, &e.state.pressed)
	y := &e.cycle
	statecodec.Bool(c, &y.on)
	statecodec.Bool(c, &y.released)
	y.cycle.fields(c)
	statecodec.Int(c, &y.fit.n)
	for _, v := range [...]*float64{&y.fit.first, &y.fit.last, &y.fit.t, &y.fit.tt, &y.fit.ln, &y.fit.tln, &y.nozzle, &y.sum} {
		statecodec.Float(c, v)
	}
	statecodec.Int(c, &y.last)
	statecodec.Int(c, &y.within)
	statecodec.Int(c, &y.n)
}

func (o *Now) fields(c *statecodec.Codec) {
	statecodec.Int(c, &o.At)
	statecodec.Int(c, &o.State)
	statecodec.Int(c, &o.Since)
	for i := range o.Readings {
		r := &o.Readings[i]
		statecodec.Int(c, &r.At)
		statecodec.Int(c, &r.Quality)
		statecodec.Float(c, &r.Value)
		statecodec.Bool(c, &r.Pressed)
	}
	for i := range o.Drops {
		statecodec.Bool(c, &o.Drops[i].Known)
		statecodec.Float(c, &o.Drops[i].Loss)
	}
	statecodec.Int(c, &o.DropsAt)
	statecodec.Float(c, &o.Nozzle)
	statecodec.Bool(c, &o.NozzleMeasured)
	statecodec.Float(c, &o.Production)
	statecodec.Bool(c, &o.ProductionKnown)
	statecodec.Int(c, &o.Cycles)
	o.Cycle.fields(c)
}

func (y *Cycle) fields(c *statecodec.Codec) {
	statecodec.Int(c, &y.Press)
	statecodec.Int(c, &y.Release)
	statecodec.Bool(c, &y.Inferred)
	statecodec.Float(c, &y.Vent.From)
	statecodec.Float(c, &y.Vent.Tau)
	statecodec.Int(c, &y.Vent.Settled)
	statecodec.Float(c, &y.Vent.Residual)
	statecodec.Float(c, &y.Abrasive)
	statecodec.Float(c, &y.Contents.Before)
	statecodec.Float(c, &y.Contents.Left)
	statecodec.Float(c, &y.Contents.Low)
	statecodec.Float(c, &y.Contents.High)
}
