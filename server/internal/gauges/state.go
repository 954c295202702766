package gauges

import "gritwatch/internal/statecodec"

// stateVersion is raised whenever the list of fields or their meaning changes.
const stateVersion = 4

// AppendState appends the watch's state, without its parameters. A restored watch goes on as if nothing had happened;
// what it found raises alarms and can only lower the word (R7).
func (w *Watch) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, stateVersion)
	w.fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave; after an error the watch is as it was.
func (w *Watch) SetState(b []byte) error {
	return statecodec.Restore(w, b, stateVersion, (*Watch).fields)
}

func (w *Watch) fields(c *statecodec.Codec) {
	statecodec.Int(c, &w.now)
	statecodec.Bool(c, &w.known)
	statecodec.Bool(c, &w.pressed)
	statecodec.Bool(c, &w.inSight)
	statecodec.Int(c, &w.turned)
	for p := range w.tracks {
		w.tracks[p].fields(c)
		w.stuck[p].fields(c)
		w.zero[p].fields(c)
		w.ranges[p].fields(c)
		w.noise[p].fields(c)
		for k := range w.found[p] {
			f := &w.found[p][k]
			statecodec.Bool(c, &f.On)
			statecodec.Int(c, &f.Since)
			statecodec.Int(c, &f.Other)
			statecodec.Float(c, &f.Size)
		}
	}
	w.lags.fields(c)
	for i := range w.owns {
		w.owns[i].fields(c)
	}
	w.swaps.fields(c)
}

func (t *track) fields(c *statecodec.Codec) {
	statecodec.Int(c, &t.last)
	statecodec.Int(c, &t.at)
	statecodec.Int(c, &t.n)
	for _, v := range [...]*float64{&t.v, &t.before, &t.third, &t.every, &t.fast, &t.area, &t.by, &t.early} {
		statecodec.Float(c, v)
	}
	statecodec.Bool(c, &t.long)
	for i := range t.bins {
		statecodec.Int(c, &t.bins[i].index)
		statecodec.Float(c, &t.bins[i].sum)
		statecodec.Int(c, &t.bins[i].n)
	}
}

func (s *stuck) fields(c *statecodec.Codec) {
	for _, v := range [...]*int{&s.n, &s.flow, &s.after, &s.changes, &s.learned, &s.longest, &s.block} {
		statecodec.Int(c, v)
	}
	statecodec.Int(c, &s.moved)
	for i := range s.base {
		statecodec.Float(c, &s.base[i])
	}
	statecodec.Float(c, &s.swing)
	statecodec.Float(c, &s.step)
	statecodec.Float(c, &s.quantum)
	statecodec.Float(c, &s.next)
	statecodec.Float(c, &s.lively)
}

func (z *zero) fields(c *statecodec.Codec) {
	statecodec.Int(c, &z.since)
	statecodec.Int(c, &z.n)
	statecodec.Float(c, &z.offset)
	statecodec.Float(c, &z.recent)
	statecodec.Float(c, &z.weight)
	statecodec.Int(c, &z.learned)
}

func (r *ranges) fields(c *statecodec.Codec) {
	statecodec.Int(c, &r.since)
	statecodec.Int(c, &r.count)
	statecodec.Float(c, &r.level)
	statecodec.Int(c, &r.at)
	statecodec.Int(c, &r.good)
}

func (n *noise) fields(c *statecodec.Codec) {
	statecodec.Int(c, &n.n)
	statecodec.Float(c, &n.step)
	statecodec.Float(c, &n.usual)
	statecodec.Float(c, &n.spikes)
	statecodec.Int(c, &n.at)
	statecodec.Int(c, &n.last)
}

func (l *lags) fields(c *statecodec.Codec) {
	statecodec.Bool(c, &l.on)
	statecodec.Int(c, &l.ends)
	statecodec.Int(c, &l.began)
	statecodec.Bool(c, &l.half)
	for i := range l.supply {
		statecodec.Float(c, &l.supply[i])
	}
	for i := range downstream {
		for _, v := range [...]*float64{&l.before[i], &l.start[i], &l.area[i], &l.least[i], &l.early[i], &l.drop[i], &l.usual[i], &l.last[i], &l.latest[i]} {
			statecodec.Float(c, v)
		}
		statecodec.Int(c, &l.in[i])
		statecodec.Int(c, &l.out[i])
	}
}

func (o *own) fields(c *statecodec.Codec) {
	statecodec.Int(c, &o.phase)
	statecodec.Int(c, &o.from)
	for _, v := range [...]*float64{&o.area, &o.before, &o.rise, &o.least, &o.rose} {
		statecodec.Float(c, v)
	}
	for i := range o.usual {
		statecodec.Float(c, &o.usual[i])
		statecodec.Float(c, &o.last[i])
	}
	for _, v := range [...]*int{&o.empty, &o.in, &o.out} {
		statecodec.Int(c, v)
	}
}

func (s *swaps) fields(c *statecodec.Codec) {
	statecodec.Int(c, &s.phase)
	statecodec.Int(c, &s.onset)
	statecodec.Int(c, &s.from)
	statecodec.Float(c, &s.ramp)
	for i := range s.low {
		statecodec.Int(c, &s.low[i])
	}
	for i := range s.charge {
		statecodec.Int(c, &s.charge[i])
		statecodec.Float(c, &s.charged[i])
	}
	for i := range airs {
		statecodec.Float(c, &s.sum[i])
		statecodec.Int(c, &s.n[i])
		statecodec.Float(c, &s.full[i])
	}
	for i := range s.peak {
		statecodec.Float(c, &s.peak[i])
	}
	statecodec.Bool(c, &s.held)
	statecodec.Int(c, &s.instead)
	statecodec.Int(c, &s.fallen)
	statecodec.Int(c, &s.which)
	statecodec.Bool(c, &s.judged)
	statecodec.Int(c, &s.a)
	statecodec.Int(c, &s.b)
	statecodec.Int(c, &s.times)
	statecodec.Int(c, &s.counted)
	statecodec.Int(c, &s.clean)
}
