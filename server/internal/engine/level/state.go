package level

import "gritwatch/internal/statecodec"

// filterState is raised whenever the list of fields or their meaning changes.
const filterState = 6

// AppendState appends the filter's state, without its parameters. A restored filter goes on as if nothing had happened.
func (f *Filter) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, filterState)
	f.Fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave; after an error the filter is as it was.
func (f *Filter) SetState(b []byte) error {
	return statecodec.Restore(f, b, filterState, (*Filter).Fields)
}

// Fields lists the filter's state for the state of the one that steps it.
func (f *Filter) Fields(c *statecodec.Codec) {
	f.b.fields(c)
	f.path.fields(c)
	f.tee.fields(c)
	f.branch.fields(c)
	m := &f.meter
	for _, v := range [...]*float64{&m.clean, &m.mu, &m.enters, &m.before, &m.usual, &m.scatter, &m.typical, &m.low} {
		statecodec.Float(c, v)
	}
	statecodec.Int(c, &m.age)
	statecodec.Int(c, &m.up)
	statecodec.Int(c, &m.guessed)
	statecodec.Bool(c, &m.flown)
	statecodec.Int(c, &m.began)
	statecodec.Int(c, &m.stopped)
	m.ending.fields(c)
	for i := range f.sounds {
		k := &f.sounds[i]
		statecodec.Float(c, &k.unit)
		statecodec.Float(c, &k.fit)
		statecodec.Int(c, &k.n)
	}
	for _, v := range [...]*float64{&f.drawn, &f.whole, &f.squares, &f.lasted, &f.ask, &f.shortFlow, &f.steadyFlow, &f.longFlow, &f.spread, &f.wobble, &f.seconds, &f.duty, &f.dutyOf} {
		statecodec.Float(c, v)
	}
	statecodec.Int(c, &f.askAt)
	statecodec.Bool(c, &f.wasFull)
	statecodec.Bool(c, &f.anchored)
	statecodec.Bool(c, &f.faded)
	statecodec.Float(c, &f.carried)
	statecodec.Bool(c, &f.rested)
	statecodec.Int(c, &f.lastBlast)
	e := &f.est
	statecodec.Float(c, &e.Used)
	statecodec.Int(c, &e.Stop)
	statecodec.Int(c, &e.StopSince)
	statecodec.Int(c, &e.Refills)
	statecodec.Int(c, &e.Refill.At)
	statecodec.Float(c, &e.Refill.From)
	statecodec.Float(c, &e.Refill.To)
	statecodec.Bool(c, &e.Refill.Full)
	statecodec.Int(c, &e.Fills)
	statecodec.Float(c, &e.Sounding)
	statecodec.Float(c, &e.SoundingSD)
	statecodec.Int(c, &e.SoundingAt)
	statecodec.Int(c, &e.SoundedBy)
}
