package level

import (
	"math"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/engine/stroke"
)

// Numbers of the second branch as vents show it, of simulated pots where nothing else stands. Losses are over the square of the nozzle's pressure.
const (
	branchOff    = 0.004 // what gauges whose zeros are known make of no loss, by spans of 0.2 %
	branchUsual  = 0.13  // loss between vessel and hose point, if the nozzle's flow of clean air passes there
	branchSD     = 0.07  // from pot to pot
	branchHeld   = 0.25  // what the air that grit holds back is off
	heldDoubt    = 0.1   // likewise from vent to vent
	pipingHolds  = 3e-3  // m3 between inlet valve, vessel and hose; common practice, no source
	pipingSD     = 2e-3  // likewise from pot to pot
	branchNoise  = 0.002 // of one vent
	branchLeft   = 0.15  // of the loss: what is left of its deviation, however many vents there were
	branchWalk   = 0.0002
	branchBlast  = 12 * time.Second // after a shorter one the hose is not as it usually is
	branchRests  = 30               // instants at rest: before them the gauges' zeros are not known
	branchVents  = 3                // that it is learned from
	branchMost   = 30.0             // for or against
	branchUnseen = 0.04             // of the pots whose open metering valve does not show: it must let through what a nozzle takes
	branchMore   = 0.3              // of the pots lose more than was learned, while grit flowed
	branchSays   = 2.0              // times likelier: it has told something
	branchMemory = 3                // stops
	leastLeaves  = 0.25             // of the nozzle's flow of clean air, that must come out of the vessel
)

// What a branch has learned.
const (
	ofOff  = iota // see branchOff
	ofLoss        // see branchUsual
	ofHeld        // share by which grit holds back more of the air than is reckoned
	branchStates
)

// A branch tells by a vent whether the metering valve is open to air. While the vessel vents the nozzle goes on blowing, and what it takes comes
// out of the hose's own air, as the pressure falls, and out of the vessel: by the line through which the vessel is filled and, in a pot that has
// run empty, by the metering valve as well. Two ways lose less than one: at the same flow such a vessel stands less above the hose point
// than it would in all the vents before, when abrasive lay in the valve.
type branch struct {
	x     [branchStates]float64
	p     [branchStates][branchStates]float64
	n     int     // vents behind them
	zero  float64 // Pa: what the vessel's gauge shows over that of the hose point at rest
	rests int     // instants behind it
	last  float64 // what was told of the stop that goes on; 0: nothing
	right int     // stops that were proven, told rightly less told wrongly
}

func newBranch() (b branch) {
	b.x[ofLoss] = branchUsual
	for i, sd := range [branchStates]float64{branchOff, branchSD, branchHeld} {
		b.p[i][i] = short(square(sd))
	}
	return b
}

// rest takes an instant at which neither vessel nor hose has pressure.
func (b *branch) rest(has points.Set, at *[points.Count]float64) {
	if !has.Has(points.Vessel) || !has.Has(points.Hose) {
		return
	}
	b.rests = min(b.rests+1, 1<<20)
	b.zero = short(b.zero + max(restPath, 1/float64(b.rests))*(at[points.Vessel]-at[points.Hose]-b.zero))
}

// A seen is what a vent shows of the branch. Flows are over the nozzle's of clean air.
type seen struct {
	loss   float64 // between vessel and hose point
	leaves float64 // out of the vessel: what the nozzle passes less what comes out of hose and piping
	held   float64 // what grit keeps the nozzle from passing
	doubt  float64 // what leaves is off by the piping
}

// sees is what a vent shows; false: nothing. What the hose loses its pressure by is the mean of what enters it and of what the nozzle passes.
func (b *branch) sees(m *meter, v *stroke.Vent) (s seen, ok bool) {
	if m.source != byHose || v.Bleeds == 0 || v.Over <= 0 || m.content <= 0 || b.rests < branchRests {
		return s, false
	}
	over := (1 + math.Sqrt(1+max(0, v.Hose))) / 2 // mean pressure of the hose over the nozzle's
	falls := v.Fall * over / m.air
	stored, phi := falls*m.content, 1.0
	for range 5 {
		mid := max(phi/5, phi-stored/2)
		phi = 1 / math.Sqrt(1+float64(slowing*m.loading(v.Hose*square(phi/mid))))
	}
	piping := falls / (airflow.GasConstant * room)
	s = seen{loss: v.Bleed - 2*b.zero/float64(v.Over), leaves: phi - stored - float64(pipingHolds*piping), held: 1 - phi, doubt: pipingSD * piping}
	return s, !math.IsNaN(s.loss + s.leaves)
}

// expect is what the loss would be by (11) with a share of its resistance, its gradient, and its variance.
func (b *branch) expect(s *seen, share float64) (y float64, h [branchStates]float64, v float64) {
	x, r := s.leaves-float64(b.x[ofHeld]*s.held), share*b.x[ofLoss]
	w, slope := x*math.Abs(x), 2*r*math.Abs(x)
	h = [branchStates]float64{1, share * w, -slope * s.held}
	d := math.Hypot(s.doubt, heldDoubt*s.held)
	v = square(branchNoise) + square(slope*d) + square(r*d*d)
	for i := range h {
		for j := range h {
			v += float64(h[i]*h[j]) * b.p[i][j]
		}
	}
	return b.x[ofOff] + float64(r*w), h, v
}

// learn takes a vent during which abrasive lay in the metering valve.
func (b *branch) learn(s *seen) {
	b.p[ofOff][ofOff] += branchWalk * branchWalk
	y, h, v := b.expect(s, 1)
	d := s.loss - y
	if most := 3 * math.Sqrt(v); math.Abs(d) > most {
		d = math.Copysign(most, d)
	}
	var ph [branchStates]float64
	for i := range ph {
		for j := range h {
			ph[i] += float64(b.p[i][j] * h[j])
		}
	}
	for i := range ph {
		b.x[i] = short(b.x[i] + ph[i]*d/v)
		for j := range ph {
			b.p[i][j] = short(b.p[i][j] - float64(ph[i]*ph[j])/v)
		}
		b.p[i][i] = max(1e-9, b.p[i][i])
	}
	b.x[ofLoss] = max(branchUsual/10, b.x[ofLoss])
	b.x[ofHeld] = max(-0.6, min(1, b.x[ofHeld]))
	b.n = min(b.n+1, 1<<20)
}

// stop takes the vent after a stop. It is as told has it, but 1 in a pot of which it was more often wrong than right, as there an open valve does not show,
// and in one whose level is known, until it was right there.
func (b *branch) stop(s *seen, known bool) float64 {
	t := b.told(s)
	b.last = short(t)
	if b.right < 0 || b.right == 0 && known {
		return 1
	}
	return t
}

// proven learns of a stop whose cause has come out, as path's does.
func (b *branch) proven(cause Stop) {
	switch told := b.last > branchSays || b.last > 0 && b.last < 1/branchSays; {
	case told && (b.last > 1) == (cause == Empty):
		b.right = min(branchMemory, b.right+1)
	case told:
		b.right = max(-branchMemory, b.right-1)
	}
	b.last = 0
}

// told is how much likelier a vent after a stop is if the pot has run empty than if its metering is blocked. How much of the resistance an open valve
// leaves is another matter in each pot.
func (b *branch) told(s *seen) float64 {
	if b.n < branchVents || s.leaves < leastLeaves {
		return 1
	}
	like := func(share float64) float64 {
		y, h, v := b.expect(s, share)
		return normal(s.loss-y, v+square(branchLeft*b.x[ofLoss]*h[ofLoss]))
	}
	const shares = 7
	blocked, empty := (1-branchMore)*like(1)+branchMore/3*(like(1.4)+like(2)+like(2.8)), 0.0
	for i := range shares {
		empty += like(0.05+0.1*float64(i)) / shares
	}
	t := (branchUnseen*blocked + (1-branchUnseen)*empty + astray) / (blocked + astray)
	if math.IsNaN(t) {
		return 1
	}
	return max(1/branchMost, min(branchMost, t))
}

// fields lists its state.
func (b *branch) fields(c *statecodec.Codec) {
	for i := range b.x {
		statecodec.Float(c, &b.x[i])
		for j := range i + 1 {
			statecodec.Float(c, &b.p[i][j])
			b.p[j][i] = b.p[i][j]
		}
	}
	statecodec.Float(c, &b.zero)
	statecodec.Int(c, &b.n)
	statecodec.Int(c, &b.rests)
	statecodec.Float(c, &b.last)
	statecodec.Int(c, &b.right)
}
