package vent

import (
	"math"
	"time"

	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Thresholds by which a vessel gauge alone tells a press and a release. Common practice, no source: over the noise of
// gauges and over what a compressor's cycling does to a vessel that blasts.
const (
	inferRise  = 20 * si.KPa
	inferFall  = 0.08 // of the absolute pressure, from the highest of the last seconds
	inferShare = 0.5  // of that fall: what the supply may have fallen with it, else the supply sags
	inferLook  = 3 * time.Second
	inferRest  = time.Second // under inferRise: the handle is released
	inferBand  = 6 * si.KPa  // while a fast and a slow mean are closer, nothing has begun yet
)

// An Inference tells press and release from the vessel itself, for a pot with neither a control nor a hose point. It
// witnesses nothing: such a pot is never vented (R4), and a vent that does not begin looks like a press that goes on.
type Inference struct {
	state     inferred
	since     si.Instant
	vessel    level
	supply    level
	low       level // the lowest since the fall began, or at rest
	high      level // the highest of late, and what the supply showed then
	supplyAt  float64
	restSince si.Instant
	calm      si.Instant // when the vessel last hardly moved
}

type inferred uint8

const (
	inferUnknown inferred = iota
	inferReleased
	inferPressed
)

// Handle is what the vessel tells of the handle.
func (i *Inference) Handle() Handle {
	if i.state == inferUnknown {
		return Handle{}
	}
	return Handle{Known: true, Pressed: i.state == inferPressed, Inferred: true, Since: i.since}
}

// Break forgets what was seen.
func (i *Inference) Break() { *i = Inference{} }

// Step takes one sample.
func (i *Inference) Step(s points.Sample) {
	if s.Quality != points.Good {
		return
	}
	switch s.Point {
	case points.Separator, points.Supply:
		if s.Point == points.Separator || i.supply.at == 0 || s.At.Sub(i.supply.at) > MaxAge {
			i.supply.step(s.At, float64(s.Value), MaxAge)
		}
	case points.Vessel:
		if i.vessel.at != 0 && s.At.Sub(i.vessel.at) > MaxAge {
			*i = Inference{supply: i.supply}
		}
		i.vessel.step(s.At, float64(s.Value), MaxAge)
		i.judge()
	}
}

func (i *Inference) judge() {
	v := i.vessel
	if v.mean >= inferRise {
		i.restSince = 0
	} else if i.restSince == 0 {
		i.restSince = v.at
	}
	if math.Abs(v.mean-v.slow) < inferBand {
		i.calm = v.at
	}
	if i.low.at == 0 || v.mean <= i.low.mean {
		i.low = v
	}
	if i.high.at == 0 || v.mean >= i.high.mean || v.at.Sub(i.high.at) > inferLook {
		i.high, i.supplyAt = v, i.supply.mean
	}
	const ambient = float64(si.StandardAtmosphere)
	fell := (i.high.mean - v.mean) / (i.high.mean + ambient)
	with := 0.0
	if i.supply.at != 0 {
		with = (i.supplyAt - i.supply.mean) / (i.supplyAt + ambient)
	}
	switch {
	case i.state != inferPressed && i.low.at != 0 && v.mean-i.low.mean >= inferRise && (i.state == inferReleased || i.low.mean < inferRise):
		i.turn(inferPressed, i.calm)
	case i.state != inferReleased && fell > inferFall && with < inferShare*fell:
		i.turn(inferReleased, i.calm)
	case i.state == inferUnknown && i.restSince != 0 && v.at.Sub(i.restSince) >= inferRest:
		i.turn(inferReleased, 0)
	}
}

func (i *Inference) turn(to inferred, at si.Instant) {
	i.state, i.since = to, at
	i.low, i.high, i.supplyAt = i.vessel, i.vessel, i.supply.mean
}

const inferenceState = 1

// AppendState appends the inference's state.
func (i *Inference) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, inferenceState)
	i.fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave; after an error the inference is as it was.
func (i *Inference) SetState(b []byte) error {
	return statecodec.Restore(i, b, inferenceState, (*Inference).fields)
}

func (i *Inference) fields(c *statecodec.Codec) {
	statecodec.Int(c, &i.state)
	statecodec.Int(c, &i.since)
	i.vessel.fields(c)
	i.supply.fields(c)
	i.low.fields(c)
	i.high.fields(c)
	statecodec.Float(c, &i.supplyAt)
	statecodec.Int(c, &i.restSince)
	statecodec.Int(c, &i.calm)
}
