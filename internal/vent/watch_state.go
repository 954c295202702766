package vent

import "gritwatch/internal/statecodec"

// watchState is raised whenever the list of fields or their meaning changes.
const watchState = 5

// AppendState appends the watch's state, without its parameters. A restored watch goes on as if nothing had happened;
// what it found raises alarms and is no answer (R7 speaks of the word).
func (w *Watch) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, watchState)
	w.fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave; after an error the watch is as it was.
func (w *Watch) SetState(b []byte) error {
	return statecodec.Restore(w, b, watchState, (*Watch).fields)
}

func (l *level) fields(c *statecodec.Codec) {
	statecodec.Int(c, &l.at)
	statecodec.Float(c, &l.mean)
	statecodec.Float(c, &l.slow)
}

func (w *Watch) fields(c *statecodec.Codec) {
	statecodec.Int(c, &w.expected.tau)
	statecodec.Int(c, &w.expected.lag)
	statecodec.Int(c, &w.since)
	statecodec.Float(c, &w.top)
	statecodec.Int(c, &w.short)
	statecodec.Int(c, &w.now)
	statecodec.Int(c, &w.woke)
	statecodec.Bool(c, &w.wary)
	for i := range w.recent {
		statecodec.Int(c, &w.last[i])
		w.recent[i].fields(c)
	}
	statecodec.Bool(c, &w.pressed)
	statecodec.Bool(c, &w.known)
	statecodec.Int(c, &w.released)
	statecodec.Float(c, &w.from)
	statecodec.Float(c, &w.hoseFrom)
	statecodec.Int(c, &w.began)
	statecodec.Int(c, &w.before)
	s := &w.slope
	statecodec.Int(c, &s.n)
	for _, v := range [...]*float64{&s.first, &s.last, &s.t, &s.tt, &s.y, &s.ty} {
		statecodec.Float(c, v)
	}
	statecodec.Int(c, &w.under)
	statecodec.Int(c, &w.pressAt)
	for i := range w.past {
		w.past[i].fields(c)
	}
	statecodec.Int(c, &w.pastN)
	statecodec.Int(c, &w.upSince)
	statecodec.Float(c, &w.lowest)
	statecodec.Int(c, &w.lowestAt)
	statecodec.Float(c, &w.warm)
	statecodec.Int(c, &w.low)
	statecodec.Int(c, &w.rises)
	statecodec.Int(c, &w.rose)
	statecodec.Int(c, &w.blew)
	for i := range w.found {
		f := &w.found[i]
		statecodec.Bool(c, &f.On)
		statecodec.Int(c, &f.Since)
		statecodec.Float(c, &f.From)
		statecodec.Float(c, &f.Now)
		statecodec.Float(c, &f.Limit)
		statecodec.Int(c, &f.Point)
		statecodec.Float(c, &f.Rate)
		statecodec.Float(c, &f.Least)
		statecodec.Int(c, &f.After)
		statecodec.Int(c, &f.Most)
	}
}
