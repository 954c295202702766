package engine

import (
	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
)

// stateVersion is raised whenever the list of fields or their meaning changes.
const stateVersion = 3

// AppendState appends the engine's state, without its parameters.
func (e *Engine) AppendState(dst []byte) []byte {
	return statecodec.Append(dst, stateVersion, e.fields)
}

// SetState restores what AppendState gave: the engine goes on as if nothing had happened. After an error it is as it
// was.
func (e *Engine) SetState(b []byte) error {
	return statecodec.Restore(e, b, stateVersion, (*Engine).fields)
}

func (e *Engine) fields(c *statecodec.Codec) {
	for p := range points.Count {
		t := &e.history[p]
		for i := range t.at {
			statecodec.Int(c, &t.at[i])
			statecodec.Float(c, &t.value[i])
		}
		statecodec.Int(c, &t.start)
		statecodec.Int(c, &t.n)
	}
	b := &e.vessel
	for i := range b.sum {
		statecodec.Float(c, &b.sum[i])
		statecodec.Int(c, &b.n[i])
	}
	statecodec.Int(c, &b.index)
	statecodec.Int(c, &b.first)
	statecodec.Bool(c, &b.any)
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

func (o *Output) fields(c *statecodec.Codec) {
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
}
