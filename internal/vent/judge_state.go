package vent

import (
	"math"
	"math/bits"

	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// judgeState is raised whenever the list of fields or their meaning changes.
const judgeState = 1

// AppendState appends the judge's state, without its pot and options, and without the readings of the last seconds: at 50 Hz
// they would be most of it. What they were is in it as a count and a checksum, so that Prime can give them back.
func (j *Judge) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, judgeState)
	j.fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave, of a judge of the same pot and options; after an error the judge is as it was.
// Prime it next. It clears nothing that was found of the gauge before.
func (j *Judge) SetState(b []byte) error {
	faulty, doesNotFollow := j.faulty, j.doesNotFollow
	if err := statecodec.Restore(j, b, judgeState, (*Judge).fields); err != nil {
		return err
	}
	j.priming = true
	j.faulty, j.doesNotFollow = j.faulty || faulty, j.doesNotFollow || doesNotFollow
	return nil
}

// Needs is which samples of a point Prime has to be given: those that were read between two instants, both among them,
// at most 6.5 s apart. False: none.
func (j *Judge) Needs(p points.Point) (from, to si.Instant, ok bool) {
	if !j.priming || int(p) >= points.Count || j.traces[p].saved.n == 0 {
		return 0, 0, false
	}
	t := &j.traces[p]
	return max(t.since, t.saved.first.Add(-halfSecond)), t.good.at, true
}

// Prime takes a stored sample from before the state was taken, without judging anything. Those of a point come in order of
// time; only samples of the same session and time base of the agent may be among them. Those that are not needed do no
// harm.
func (j *Judge) Prime(s points.Sample) {
	if !j.priming || int(s.Point) >= points.Count {
		return
	}
	t := &j.traces[s.Point]
	if t.saved.n == 0 || s.At < t.since || s.At > t.good.at || t.n > 0 && s.At <= t.at(t.n-1).at {
		return
	}
	if v, q := t.value(s, s.Point == points.Control && j.pot.Electric); q == points.Good {
		t.keep(s.At, v)
	}
}

// Primed ends priming, before the first Step, and tells whether the past of every point is again what it was when the state
// was taken. Where it is not, the run has ended, as with Break(SourceSilent).
func (j *Judge) Primed() bool {
	if !j.priming {
		return true
	}
	whole := true
	for i := range j.traces {
		t := &j.traces[i]
		whole = whole && t.mark() == t.saved && (t.n == 0 || *t.at(t.n - 1) == t.good)
		t.saved = mark{}
	}
	j.priming = false
	if !whole {
		j.Break(SourceSilent)
	}
	return whole
}

// mark tells one past of a point from another.
type mark struct {
	n     int
	first si.Instant // the oldest reading
	sum   uint64     // of all, bit for bit
}

func (t *trace) mark() mark {
	m := mark{n: t.n}
	if t.n == 0 {
		return m
	}
	m.first = t.at(0).at
	for i := range t.n {
		r := t.at(i)
		for _, w := range [...]uint64{uint64(r.at), math.Float64bits(r.v), math.Float64bits(r.half)} {
			m.sum = bits.RotateLeft64((m.sum^w)*0x9e3779b97f4a7c15, 29) // odd: no bit is lost
		}
	}
	return m
}

func (j *Judge) fields(c *statecodec.Codec) {
	statecodec.Int(c, &j.now)
	for i := range j.traces {
		t := &j.traces[i]
		m := t.saved
		if !c.Reading() && !j.priming {
			m = t.mark()
		}
		t.fields(c, &m)
		if c.Reading() {
			t.saved, t.head, t.n = m, 0, 0
		}
	}
	j.run.fields(c)
	statecodec.Bool(c, &j.doesNotFollow)
	statecodec.Bool(c, &j.faulty)
	statecodec.Int(c, &j.live)
}

func (t *trace) fields(c *statecodec.Codec, m *mark) {
	statecodec.Int(c, &t.last)
	statecodec.Int(c, &t.quality)
	statecodec.Int(c, &t.good.at)
	statecodec.Float(c, &t.good.v)
	statecodec.Float(c, &t.good.half)
	statecodec.Int(c, &t.since)
	statecodec.Int(c, &m.n)
	if m.n != 0 {
		statecodec.Int(c, &m.first)
		statecodec.Word(c, &m.sum)
	}
	if t.quality > points.Good || m.n < 0 || m.n > maxTrace || (m.n == 0) != (t.good.at == 0) || m.n > 0 && (t.since == 0 || m.first < t.since || t.good.at < m.first) {
		c.Fail(statecodec.ErrState)
	}
}

func (r *run) fields(c *statecodec.Codec) {
	statecodec.Bool(c, &r.control.known)
	statecodec.Bool(c, &r.control.pressed)
	statecodec.Int(c, &r.control.held)
	statecodec.Int(c, &r.hose.state)
	statecodec.Float(c, &r.hose.lowest)
	statecodec.Int(c, &r.hose.rested)
	statecodec.Int(c, &r.hose.began)
	statecodec.Int(c, &r.hose.ended)
	statecodec.Bool(c, &r.pressing)
	statecodec.Bool(c, &r.sawRest)
	statecodec.Bool(c, &r.byHose)
	p := &r.press
	statecodec.Int(c, &p.start)
	statecodec.Bool(c, &p.under)
	statecodec.Float(c, &p.base)
	statecodec.Float(c, &p.highest)
	statecodec.Bool(c, &p.hose)
	statecodec.Bool(c, &p.judged)
	statecodec.Int(c, &p.highestAt)
	statecodec.Int(c, &r.handleAt)
	r.ep.fields(c)
	r.before.fields(c)
	statecodec.Int(c, &r.tapEnded)
	statecodec.Int(c, &r.tapWatch)
	statecodec.Bool(c, &r.pressedOn)
	statecodec.Bool(c, &r.longCounted)
	statecodec.Bool(c, &r.longInRun)
	statecodec.Bool(c, &r.armed)
	if r.hose.state > hoseFalling {
		c.Fail(statecodec.ErrState)
	}
}

func (e *episode) fields(c *statecodec.Codec) {
	statecodec.Bool(c, &e.open)
	statecodec.Float(c, &e.base)
	statecodec.Float(c, &e.peak)
	statecodec.Float(c, &e.ref)
	statecodec.Int(c, &e.longest)
	statecodec.Int(c, &e.released)
	statecodec.Bool(c, &e.early)
	statecodec.Bool(c, &e.fast)
	statecodec.Float(c, &e.fall.level)
	statecodec.Int(c, &e.fall.into)
	statecodec.Bool(c, &e.witness)
}
