package stroke

import "gritwatch/internal/statecodec"

// timerState is raised whenever the list of fields or their meaning changes.
const timerState = 3

// AppendState appends the timer's state, without its parameters and without the last press and vent: who wants these takes
// them as they come. A restored timer goes on as if nothing had happened.
func (t *Timer) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, timerState)
	t.Fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave; after an error the timer is as it was.
func (t *Timer) SetState(b []byte) error {
	return statecodec.Restore(t, b, timerState, (*Timer).Fields)
}

// Fields lists the timer's state for the state of the one that steps it.
func (t *Timer) Fields(c *statecodec.Codec) {
	if c.Reading() {
		*t = Timer{params: t.params, ambient: t.ambient, stale: t.stale}
	}
	statecodec.Int(c, &t.phase)
	statecodec.Int(c, &t.since)
	t.edge.fields(c)
	statecodec.Int(c, &t.last)
	statecodec.Int(c, &t.usual)
	statecodec.Int(c, &t.working)
	statecodec.Int(c, &t.running)
	statecodec.Int(c, &t.works)
	if t.phase != rising && t.phase != falling {
		return
	}
	statecodec.Bool(c, &t.inferred)
	statecodec.Int(c, &t.before)
	statecodec.Int(c, &t.from)
	for i := range t.marks {
		statecodec.Int(c, &t.marks[i])
	}
	s := &t.sum
	if t.phase != rising {
		for _, v := range [...]*int32{&s.bleeds, &s.firstAt, &s.newestAt} {
			statecodec.Int(c, v)
		}
		singles(c, &s.bleed, &s.hose, &s.over, &s.first, &s.newest)
		return
	}
	statecodec.Int(c, &s.feeds)
	statecodec.Int(c, &s.n)
	singles(c, &s.feed, &s.flow, &s.separator, &s.valve, &s.shape)
}

func singles(c *statecodec.Codec, all ...*float32) {
	for _, v := range all {
		wide := float64(*v)
		statecodec.Float(c, &wide)
		*v = float32(wide)
	}
}

func (e *edge) fields(c *statecodec.Codec) {
	statecodec.Int(c, &e.n)
	if e.n < 0 || e.n > mostRead {
		c.Fail(statecodec.ErrState)
		return
	}
	if e.n == 0 {
		return
	}
	// Each is told by how long it lies before the newest.
	newest := e.at[e.n-1]
	statecodec.Int(c, &newest)
	for i := range e.n {
		before := (newest - e.at[i]) / ms
		statecodec.Int(c, &before)
		e.at[i] = newest - before*ms
		statecodec.Int(c, &e.p[i])
	}
}
