// Package transducer simulates pressure transducers: lag, noise, quantisation, the 4-20 mA loop, and the ways in
// which they go wrong. It is pure: time comes in as steps, and the same seed gives the same readings.
//
// The order of effects is that of the real thing: the isolation valve and the port before the diaphragm, then lag, gain,
// zero, noise and quantisation, then the output stage.
package transducer

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"gritwatch/protocol/si"
)

// Currents of a live-zero loop; the limits of a healthy one are those of NAMUR NE 43.
const (
	loopZero si.Current = 4e-3
	loopFull si.Current = 20e-3
	loopLow  si.Current = 3.8e-3
	loopHigh si.Current = 20.5e-3
)

// A Spec is a healthy transducer. Zeros are ideal, except for the range, which is needed.
type Spec struct {
	Lo, Hi     si.GaugePressure // range, in the transducer's own terms
	Against    si.PressureDrop  // what it shows of ambient pressure: 0 for gauge, the barometer for absolute, barometer less standard for sealed
	Noise      si.Ratio         // standard deviation of each update, share of the range
	Resolution si.Ratio         // step of the output, share of the range
	Lag        time.Duration    // first-order time constant
	Zero       si.PressureDrop  // constant error, as every gauge has one
	Span       si.Ratio         // constant error, share of the reading
}

// A Fault is what is wrong with a transducer. The zero value is a healthy one.
type Fault struct {
	Drift     si.PressureDrop // added to the reading
	Gain      float64         // factor on the reading; 0 stands for 1
	Span      si.Ratio        // by which the reading is too large: 0.01 shows 101 for 100
	Noise     si.Ratio        // added to the healthy noise, share of the range
	Spikes    si.Ratio        // share of the updates that are spikes
	Spike     si.PressureDrop // height of a spike, up or down
	Lag       time.Duration   // added to the healthy lag
	Port      time.Duration   // time constant of a port that grit plugs
	Isolated  bool            // the isolation valve is shut: the gauge sees what was trapped
	Leak      time.Duration   // time constant with which trapped pressure leaks to ambient; 0 holds it
	Stuck     bool            // the output stays as it was
	Driven    bool            // the output stage is at Current, whatever the pressure
	Current   si.Current
	Failed    bool // digital output not a number, loop dead
	Unplugged bool // digital output silent, loop dead
}

// An Output is what the transducer offers to whoever reads it.
type Output struct {
	Value   si.GaugePressure // of a digital transducer; NaN when failed or unplugged
	Current si.Current       // of its loop
	Silent  bool             // a digital transducer does not answer
}

// A Transducer is one transducer in some state. Not safe for concurrent use.
type Transducer struct {
	spec    Spec
	rng     *rand.Rand
	spikes  *rand.Rand // its own, so that spikes do not shift the noise
	begun   bool
	shut    bool    // isolated since an earlier step
	trapped float64 // Pa, behind the isolation valve
	port    float64 // Pa, behind the port
	follows float64 // Pa, after the lag
	out     Output
}

// New is a transducer that has seen nothing yet. An empty range is an error.
func New(spec Spec, seed uint64) (*Transducer, error) {
	if !(spec.Hi > spec.Lo) {
		return nil, fmt.Errorf("transducer: range %v to %v does not rise", spec.Lo, spec.Hi)
	}
	if spec.Noise < 0 || spec.Resolution < 0 || spec.Lag < 0 {
		return nil, fmt.Errorf("transducer: noise, resolution and lag must not be negative")
	}
	return &Transducer{spec: spec, rng: rand.New(rand.NewPCG(seed, 0x67617567)), spikes: rand.New(rand.NewPCG(seed, 0x7370696b65))}, nil
}

// Step lets the transducer follow the true gauge pressure for dt and updates its output.
func (t *Transducer) Step(dt time.Duration, truth si.GaugePressure, f Fault) {
	s := t.spec
	p := float64(truth)
	if f.Isolated {
		if !t.shut {
			t.trapped = p
		} else if f.Leak > 0 {
			t.trapped *= math.Exp(-float64(dt) / float64(f.Leak))
		}
		p = t.trapped
	}
	t.shut = f.Isolated

	t.port = t.lag(t.port, p, dt, f.Port)
	t.follows = t.lag(t.follows, t.port, dt, s.Lag+f.Lag)
	noise := t.rng.NormFloat64() // always drawn, so that a fault does not shift the readings after it

	if !f.Stuck || !t.begun {
		span := float64(s.Hi - s.Lo)
		v := t.follows + float64(s.Against)
		if f.Gain != 0 {
			v *= f.Gain
		}
		v = float64(v * (1 + float64(s.Span+f.Span)))
		v += float64(s.Zero+f.Drift) + float64(noise*float64(s.Noise+f.Noise)*span)
		if f.Spikes > 0 && t.spikes.Float64() < float64(f.Spikes) {
			if v += float64(f.Spike); t.spikes.Uint64()%2 == 0 {
				v -= 2 * float64(f.Spike)
			}
		}
		if step := float64(s.Resolution) * span; step > 0 {
			v = math.Round(v/step) * step
		}
		t.out = Output{Value: si.GaugePressure(v), Current: min(loopHigh, max(loopLow, t.current(v)))}
	}
	t.begun = true
	switch {
	case f.Unplugged:
		t.out = Output{Value: si.GaugePressure(math.NaN()), Silent: true}
	case f.Failed:
		t.out = Output{Value: si.GaugePressure(math.NaN())}
	case f.Driven:
		t.out = Output{Value: t.value(f.Current), Current: f.Current}
	}
}

// lag is where a first-order lag stands after dt that stood at v and is led to p.
func (t *Transducer) lag(v, p float64, dt, tau time.Duration) float64 {
	if tau <= 0 || !t.begun {
		return p
	}
	return v + float64((p-v)*(1-math.Exp(-float64(dt)/float64(tau))))
}

// Output is the reading as of the last step.
func (t *Transducer) Output() Output { return t.out }

func (t *Transducer) current(pa float64) si.Current {
	return loopZero + si.Current((loopFull-loopZero)*si.Current((pa-float64(t.spec.Lo))/float64(t.spec.Hi-t.spec.Lo)))
}

func (t *Transducer) value(i si.Current) si.GaugePressure {
	return t.spec.Lo + si.GaugePressure(si.GaugePressure((i-loopZero)/(loopFull-loopZero))*(t.spec.Hi-t.spec.Lo))
}

// A Module is the input stage of a multi-channel analogue module.
type Module struct {
	CountLo, CountHi     int // register values at the ends of the current range
	CurrentLo, CurrentHi si.Current
}

// Counts is the register value of a loop current, neither rounded nor limited.
func (m Module) Counts(i si.Current) float64 {
	share := float64((i - m.CurrentLo) / (m.CurrentHi - m.CurrentLo))
	return float64(m.CountLo) + float64(share*float64(m.CountHi-m.CountLo))
}
