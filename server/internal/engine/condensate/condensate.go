package condensate

import (
	"gritwatch/internal/airflow"
	"gritwatch/internal/statecodec"
	"gritwatch/protocol/si"
)

// Params are what a site states; zeros: not stated.
type Params struct {
	Ambient     si.AbsPressure // 0: standard
	Intake      si.Temperature
	Humidity    si.Ratio       // of the intake air
	Aftercooler si.Temperature // at its outlet; 0: there is none
	Separator   si.Temperature
	DrainAt     si.Volume // of water, when the separator is to be drained; 0: nobody is reminded
	Volume      si.Volume // of the vessel
}

// Stated tells whether there is enough to reckon with.
func (p *Params) Stated() bool { return p.Intake > 0 && p.Humidity > 0 && p.Separator > 0 }

// An Estimate is what was reckoned since the separator was drained.
type Estimate struct {
	Known bool
	Since si.Instant // of the drain, or of the first air that was counted; zero: none was
	Air   si.Mass    // used since then
	Water si.Mass    // caught since then
	DueAt si.Mass    // of water, when the separator is to be drained; 0: nobody is reminded
	Due   bool       // Water is DueAt or more
}

// waterDensity is that of water, kg/m3, within 0.5 % from 0 to 35 C (IAPWS-95, from memory).
const waterDensity = 998

// A Reckoner follows one pot.
type Reckoner struct {
	params Params
	drawn  float64 // w1
	stated bool
	since  si.Instant
	air    float64 // kg
	water  float64 // kg
}

// New is one that has counted nothing.
func New(p Params) *Reckoner {
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	r := &Reckoner{params: p}
	if p.Stated() {
		w, err := airflow.Air{Pressure: p.Ambient, Temperature: p.Intake, Humidity: p.Humidity}.HumidityRatio()
		r.drawn, r.stated = float64(w), err == nil
	}
	return r
}

// Caught is how much water the separator takes of a kilogram of dry air at a pressure, kg.
func (r *Reckoner) Caught(p si.AbsPressure) si.Ratio {
	if !r.stated {
		return 0
	}
	come := r.drawn
	if t := r.params.Aftercooler; t > 0 {
		come = most(p, t, come)
	}
	return si.Ratio(come - most(p, r.params.Separator, come))
}

// most is what is left of w kg of vapour a kilogram of dry air at a pressure and temperature.
func most(p si.AbsPressure, t si.Temperature, w float64) float64 {
	s, err := airflow.SaturatedRatio(p, t)
	if err != nil {
		return w // above the boiling point nothing condenses
	}
	return min(w, float64(s))
}

// Use counts air that was used up to an instant, at the pressure that it had in the separator.
func (r *Reckoner) Use(at si.Instant, air si.Mass, p si.AbsPressure) {
	if air <= 0 || p <= 0 {
		return
	}
	if r.since == 0 {
		r.since = at
	}
	r.air += float64(air)
	r.water += float64(air) * float64(r.Caught(p))
}

// Fill counts the air of one filling of the vessel, of which a share holds air.
func (r *Reckoner) Fill(at si.Instant, from, to si.AbsPressure, share si.Ratio) {
	v := float64(r.params.Volume) * float64(share)
	r.Use(at, si.Mass(v*float64(to-from)/(airflow.GasConstant*293.15)), to)
}

// Drain says that the separator was drained.
func (r *Reckoner) Drain(at si.Instant) { r.since, r.air, r.water = at, 0, 0 }

// Estimate is what was reckoned.
func (r *Reckoner) Estimate() Estimate {
	if !r.stated || r.since == 0 {
		return Estimate{}
	}
	at := waterDensity * float64(r.params.DrainAt)
	return Estimate{Known: true, Since: r.since, Air: si.Mass(r.air), Water: si.Mass(r.water), DueAt: si.Mass(at), Due: at > 0 && r.water >= at}
}

const reckonerState = 1

// AppendState appends the state, without its parameters.
func (r *Reckoner) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, reckonerState)
	r.fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave; after an error it is as it was.
func (r *Reckoner) SetState(b []byte) error {
	return statecodec.Restore(r, b, reckonerState, (*Reckoner).fields)
}

func (r *Reckoner) fields(c *statecodec.Codec) {
	statecodec.Int(c, &r.since)
	statecodec.Float(c, &r.air)
	statecodec.Float(c, &r.water)
}
