package wear

import "gritwatch/internal/statecodec"

// monitorState is raised whenever the list of fields or their meaning changes.
const monitorState = 6

// AppendState appends the monitor's state, without its parameters. A restored monitor goes on as if nothing had happened.
func (m *Monitor) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, monitorState)
	m.Fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave; after an error the monitor is as it was.
func (m *Monitor) SetState(b []byte) error {
	return statecodec.Restore(m, b, monitorState, (*Monitor).Fields)
}

// Fields lists the monitor's state for the state of the one that steps it. What is nothing in most pots is left out.
func (m *Monitor) Fields(c *statecodec.Codec) {
	if c.Reading() {
		*m = Monitor{params: m.params, bleeds: m.bleeds, takes: m.takes}
	}
	bore := m.params.Bore
	statecodec.Float(c, &bore)
	for p := range m.tracks {
		m.tracks[p].fields(c)
		m.services[p].fields(c)
	}
	u := &m.use
	statecodec.Int(c, &u.hours)
	statecodec.Int(c, &u.rest)
	statecodec.Int(c, &u.from)
	since := u.at - u.from
	statecodec.Int(c, &since)
	u.at = u.from + since
	statecodec.Int(c, &u.clock)
	statecodec.Int(c, &u.blasts)
	statecodec.Int(c, &m.fill)
	statecodec.Bool(c, &m.doubt)
	packed(c, &m.filled, &m.odd, &m.waits, &m.ahead.known, &m.ahead.sure, &m.ahead.fits)
	if m.filled {
		m.told, m.tells, m.hasty = m.fill, true, m.odd
	} else if statecodec.Bool(c, &m.tells); m.tells {
		statecodec.Int(c, &m.told)
		statecodec.Bool(c, &m.hasty)
	}
	statecodec.Int(c, &m.blasted)
	statecodec.Int(c, &m.uses)
	if m.waits {
		statecodec.Int(c, &m.tau)
		statecodec.Int(c, &m.late)
	}
	m.fills.fields(c)
	m.vents.fields(c)
	statecodec.Int(c, &m.share)
	statecodec.Int(c, &m.lag)
	statecodec.Int(c, &m.lagOff)
	statecodec.Int(c, &m.lags)
	more := m.ahead.fill - m.ahead.seen
	statecodec.Int(c, &m.ahead.seen)
	statecodec.Int(c, &more)
	m.ahead.fill = m.ahead.seen + more
	for i := range m.through {
		statecodec.Int(c, &m.through[i])
		statecodec.Int(c, &m.inlet[i])
	}
	statecodec.Int(c, &m.seconds)
	statecodec.Int(c, &m.waited)
	b := &m.blast
	statecodec.Int(c, &b.age)
	statecodec.Int(c, &b.seconds)
	if b.seconds != 0 {
		statecodec.Int(c, &b.inlet)
		statecodec.Int(c, &b.hose)
		statecodec.Int(c, &b.tees)
	}
	if b.tees != 0 {
		statecodec.Int(c, &b.tee)
	}
	statecodec.Int(c, &b.airSeconds)
	if b.airSeconds != 0 {
		statecodec.Int(c, &b.air)
	}
	statecodec.Int(c, &b.lateSeconds)
	if b.lateSeconds != 0 {
		statecodec.Int(c, &b.late)
	}
	for i := range b.ratio {
		statecodec.Int(c, &b.ratios[i])
		if b.ratios[i] != 0 {
			statecodec.Int(c, &b.ratio[i])
		}
	}
	m.loads.fields(c)
	m.alone.fields(c)
	statecodec.Int(c, &m.tee)
	statecodec.Int(c, &m.apart)
	if bore != m.params.Bore {
		m.another()
	}
}

// packed keeps up to six truths in one number, which takes a byte.
func packed(c *statecodec.Codec, truths ...*bool) {
	bits := uint8(0)
	for i, t := range truths {
		if *t {
			bits |= 1 << i
		}
	}
	if statecodec.Int(c, &bits); bits>>len(truths) != 0 {
		c.Fail(statecodec.ErrState)
		return
	}
	for i, t := range truths {
		*t = bits>>i&1 != 0
	}
}

// another begins anew with a nozzle that is configured now: what was known are shares of the one before.
func (m *Monitor) another() {
	m.tracks[Bore], m.services[Bore] = track{}, Service{}
	m.through, m.inlet, m.seconds, m.waited = [2]int32{}, [2]int32{}, 0, 0
	m.alone.loads, m.alone.lately = 0, 0
	m.tee, m.apart = 0, 0
	m.ahead.fits = false
}

func (t *track) fields(c *statecodec.Codec) {
	statecodec.Int(c, &t.n)
	if t.n < 0 {
		c.Fail(statecodec.ErrState)
		return
	}
	if t.n == 0 {
		return
	}
	behind := t.slow - t.level
	for _, v := range [...]*fine{&t.base, &t.level, &behind, &t.odd} {
		statecodec.Int(c, v)
	}
	t.slow = t.level + behind
	for _, v := range [...]*int32{&t.slowAt, &t.scale, &t.count, &t.up, &t.down, &t.after} {
		statecodec.Int(c, v)
	}
	statecodec.Int(c, &t.since)
	statecodec.Int(c, &t.changed)
}

func (a *alone) fields(c *statecodec.Codec) {
	statecodec.Int(c, &a.loads)
	statecodec.Int(c, &a.lately)
	statecodec.Int(c, &a.then)
	statecodec.Int(c, &a.at)
	statecodec.Int(c, &a.blasts)
	if a.blasts != 0 {
		for _, v := range [...]*fine{&a.first, &a.sd, &a.baseSD, &a.before} {
			statecodec.Int(c, v)
		}
	}
}

func (s *slope) fields(c *statecodec.Codec) {
	statecodec.Int(c, &s.value)
	statecodec.Int(c, &s.weight)
	statecodec.Int(c, &s.pivot)
	statecodec.Bool(c, &s.seen)
	if s.seen {
		statecodec.Int(c, &s.x)
		statecodec.Int(c, &s.y)
		statecodec.Int(c, &s.off)
	}
}

func (s *Service) fields(c *statecodec.Codec) {
	statecodec.Int(c, &s.At)
	if s.At == 0 {
		return
	}
	statecodec.Float(c, &s.Before)
	statecodec.Float(c, &s.BeforeSD)
	statecodec.Bool(c, &s.Done)
	if s.Done {
		statecodec.Float(c, &s.After)
		statecodec.Float(c, &s.AfterSD)
		statecodec.Bool(c, &s.Proven)
	}
}
