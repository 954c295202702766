package losses

import (
	"gritwatch/internal/statecodec"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/finding"
)

// lossesState is raised whenever the list of fields or their meaning changes.
const lossesState = 7

// AppendState appends the state, without its parameters, but for the bore that it was told with, and without what people recorded.
func (l *Losses) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, lossesState)
	l.fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave; after an error it is as it was. The estimate is made again, with the baselines that
// people have recorded since. Where another bore is configured now, what was learned with the one before is forgotten.
func (l *Losses) SetState(b []byte) error {
	if err := statecodec.Restore(l, b, lossesState, (*Losses).fields); err != nil {
		return err
	}
	found := l.out.Finding
	l.out = Estimate{Finding: found}
	l.tell()
	return nil
}

func (l *Losses) fields(c *statecodec.Codec) {
	bore := l.params.Bore
	statecodec.Float(c, &bore)
	l.learn.Fields(c)
	h := &l.held
	statecodec.Int(c, &h.at)
	statecodec.Bool(c, &h.steady)
	statecodec.Int(c, &h.has)
	for i := range h.p {
		statecodec.Float(c, &h.p[i])
	}
	statecodec.Float(c, &h.aside.Loading)
	statecodec.Float(c, &h.aside.Separator)
	statecodec.Float(c, &h.aside.Bore)
	statecodec.Float(c, &h.aside.Air)
	statecodec.Int(c, &h.n)
	for i := range h.own {
		statecodec.Float(c, &h.own[i])
	}
	statecodec.Float(c, &h.over)
	statecodec.Float(c, &h.rich)
	statecodec.Int(c, &h.told)
	h.worn.fields(c)
	statecodec.Float(c, &h.apart)
	statecodec.Int(c, &h.rests)
	f := &l.feed
	statecodec.Int(c, &f.now)
	statecodec.Int(c, &f.next)
	statecodec.Int(c, &f.since)
	statecodec.Int(c, &f.before)
	statecodec.Int(c, &l.out.Finding)
	if bore != l.params.Bore {
		l.another()
	}
}

// another begins anew with a nozzle that is configured now: what was learned is of the one before, but for the gauges' error.
func (l *Losses) another() {
	l.learn, l.feed, l.out.Finding = baseline.Learner{}, feed{}, finding.None
	l.held = held{apart: l.held.apart, rests: l.held.rests}
}
