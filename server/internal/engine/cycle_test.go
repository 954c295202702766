package engine_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
)

const ambient = 101325.0

// ventCurve is a pressed vessel that vents from release, s, on: choked with the time constant tau, as the published
// law has it (p = p0 exp(-t/tau) in absolute pressure, ISO 6358-1), and then a straight fall to zero within 2 s.
func ventCurve(release, tau float64) func(s float64) si.GaugePressure {
	const p0 = 690e3 + ambient
	end := release + tau*math.Log(p0/(2*ambient))
	return func(s float64) si.GaugePressure {
		switch {
		case s < release:
			return p0 - ambient
		case s < end:
			return si.GaugePressure(p0*math.Exp(-(s-release)/tau) - ambient)
		}
		return si.GaugePressure(max(0, ambient*(1-(s-end)/2)))
	}
}

func cycleRig(tau float64, p engine.Params) *rig {
	r := newRig(0, points.Vessel, points.Hose)
	p.Points = points.SetOf(r.order...)
	r.e = engine.New(p)
	r.curve[points.Vessel] = ventCurve(30, tau)
	r.curve[points.Hose] = func(s float64) si.GaugePressure { return r.curve[points.Vessel](s) * 0.9 }
	return r
}

func TestCycleRecord(t *testing.T) {
	r := cycleRig(2.5, engine.Params{})
	r.run(5*time.Second, nil)
	r.press()
	r.run(25*time.Second, nil)
	r.release()
	r.run(30*time.Second, nil)
	if r.out.Cycles != 1 {
		t.Fatalf("%d cycles", r.out.Cycles)
	}
	c := r.out.Cycle
	if c.Press != t0.Add(5*time.Second) || c.Release != t0.Add(30*time.Second) || c.Blast() != 25*time.Second {
		t.Errorf("press %v, release %v", c.Press, c.Release)
	}
	if math.Abs(c.Vent.Tau-2.5) > 0.01 {
		t.Errorf("tau %.3f s, the curve's is 2.5", c.Vent.Tau)
	}
	// Choked for 2.5 ln(7.81/2) = 3.41 s, then 7 kPa after 1.86 s of 2; the half-second mean is a quarter of a second behind.
	if s := c.Vent.Settled.Seconds(); math.Abs(s-(3.41+1.86)) > 0.3 {
		t.Errorf("settled after %.2f s", s)
	}
	if math.Abs(float64(c.Vent.From)-690e3) > 1 || math.Abs(float64(c.Vent.Residual)) > 1e3 {
		t.Errorf("%+v", c.Vent)
	}
}

// With the nozzle path known, its share is taken out: 1/2.5 - 1/10 is 1/3.33.
func TestCycleWithoutTheNozzlePath(t *testing.T) {
	// V / (R sqrt(T) K A) is 9 s at the vessel's pressure; the hose point shows 0.9 of it (gauge), 0.91 to 0.95 absolute.
	const volume = 0.1
	area := volume / (9 * 287.05 * math.Sqrt(293.15) * 0.0404149)
	r := cycleRig(2.5, engine.Params{Volume: volume, Nozzle: si.Length(math.Sqrt(4 * area / math.Pi))})
	r.press()
	r.run(30*time.Second, nil)
	r.release()
	r.run(30*time.Second, nil)
	// On the mean over the choked part it is 0.93; the hose's newest reading is a tenth of a second old, 4 % too high.
	if tau := r.out.Cycle.Vent.Tau; math.Abs(tau-1/(1/2.5-0.93/9)) > 0.05 {
		t.Errorf("tau %.3f s, want about %.3f", tau, 1/(1/2.5-0.93/9))
	}
}

// A vent that the next press ends has not settled; a press out of sight, a gap and a lost handle make no record.
func TestCyclesThatAreNotWhole(t *testing.T) {
	r := cycleRig(20, engine.Params{})
	r.handle = vent.Handle{Known: true, Pressed: true} // since before anything was seen
	r.run(30*time.Second, nil)
	r.release()
	r.run(10*time.Second, nil)
	r.press()
	if r.run(5*time.Second, nil); r.out.Cycles != 0 {
		t.Errorf("a press out of sight made a record: %+v", r.out.Cycle)
	}
	r.release()
	r.run(4*time.Second, nil)
	r.press()
	r.run(time.Second, nil)
	if r.out.Cycles != 1 || r.out.Cycle.Vent.Settled != 0 || r.out.Cycle.Blast() != 5*time.Second {
		t.Errorf("%d cycles, %+v", r.out.Cycles, r.out.Cycle)
	}
	r.release()
	r.run(time.Second, nil)
	r.now = r.now.Add(3 * time.Second) // nothing was read
	r.run(60*time.Second, nil)
	if r.out.Cycles != 1 {
		t.Errorf("a vent with a gap made a record: %+v", r.out.Cycle)
	}
	r.press()
	r.run(time.Second, nil)
	r.handle = vent.Handle{}
	r.run(time.Second, nil)
	r.release()
	r.run(10*time.Second, nil)
	if r.out.Cycles != 1 {
		t.Errorf("a press whose release was out of sight made a record: %+v", r.out.Cycle)
	}
}
