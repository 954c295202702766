package level

import (
	"math"

	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/engine/steady"
)

// Numbers of the air's path. The signs of what it tells follow from the law of two branches alone; how much they show is of
// simulated pots.
const (
	newPath     = 1.0 / 3   // gain of the newest seconds
	usualPath   = 1.0 / 40  // gain of what is usual while abrasive flows
	stopPath    = 1.0 / 8   // gain in a stop
	restPath    = 1.0 / 100 // gain of instants at rest
	leastPath   = 15        // seconds behind the usual
	leastRest   = 50        // instants behind what is seen at rest
	leastStop   = 4         // seconds of a stop in which the metering valve may still be opening
	settledPath = 20        // seconds of a press in which the vessel's air cools, and takes in more
	learnedPath = 4         // stops in the running mean of those that were proven
	gaugesPath  = 0.005     // of the vessel's pressure squared: what a difference of two gauges is off, zeros a quarter psi and spans 0.2 %, at 8 bar
	levelPath   = 0.001     // likewise where both were seen at one pressure
	firstJump   = 0.03      // of the logarithm of valve over separator, from one second to the next
	movesPath   = 0.01      // of the same: what else moves it
	restless    = 0.05      // of the logarithm of mixing over valve, likewise
	opens       = 4.0       // s: time constant in which the metering valve of a pot that runs empty opens to air
	closing     = 0.6       // of the second logarithm, until then
	clearing    = 0.2       // likewise until the tee of a blocked one is clear
	partsBy     = 0.09      // scale of how much the first logarithm rises in a pot that has run empty
	sinksBy     = 0.35      // scale of how much the second one falls
	unseen      = 0.2       // of the pots in which neither shows
	astray      = 0.01      // density of what fits neither cause
	mostTold    = 100.0     // for or against
)

// A path tells by how the air parts whether the metering valve is open to it. Behind the inlet valve there are two
// branches: the push line to the mixing tee, and vessel and metering valve to the same tee. As long as abrasive lies in the
// metering valve, or that is blocked, the second branch passes as good as nothing, and the vessel has the pressure of the parting. In a
// pot that has run empty it passes air. Then, at the same flow, the loss before the vessel grows against that of the
// separator, and the vessel sinks towards the hose point: (10).
type path struct {
	usual [2]float64 // of separator and valve while abrasive flows: losses of squares over the vessel's square
	n     int        // seconds behind it
	now   [3]float64 // of separator, valve and mixing, newest seconds
	ratio float64    // logarithm of valve over separator, the second before; 0: none
	jumps float64    // mean square of its steps from second to second
	level float64    // what supply shows over separator at rest, over the separator's square
	rests int        // instants behind it

	stop   [3]float64 // like now, in a stop
	of     int        // seconds behind it; 0: no stop
	filled bool       // the pot may have been filled since that stop
	refs   [2]float64 // logarithm of mixing over valve in stops that were proven: blocked, run empty
	refN   [2]int     // stops behind them
}

// lossesOf are the losses of separator, valve and mixing.
var lossesOf = [...][2]points.Point{{points.Supply, points.Separator}, {points.Separator, points.Vessel}, {points.Vessel, points.Hose}}

// rest takes an instant at which no air passes: supply and separator have one pressure.
func (p *path) rest(has points.Set, at *[points.Count]float64) {
	s := float64(at[points.Separator] * at[points.Separator])
	if !has.Has(points.Supply) || !has.Has(points.Separator) || s <= 0 {
		return
	}
	off := float64(at[points.Supply]*at[points.Supply])/s - 1
	if math.Abs(off) > 6*gaugesPath {
		return // air passes, or the gauges are far off
	}
	p.rests = min(p.rests+1, 1<<20)
	p.level = short(p.level + max(restPath, 1/float64(p.rests))*(off-p.level))
}

// second takes a second of blasting: of its press the age in seconds, whether abrasive flows as usual, and whether it is known to have stopped.
func (p *path) second(s *steady.Second, age int, flows, stopped bool) {
	if !s.Has.Has(points.Vessel) || !(s.PP[points.Vessel] > 0) {
		return
	}
	var u [3]float64
	for i, ends := range lossesOf {
		if d, ok := s.Between(ends[0], ends[1]); ok {
			u[i] = d / s.PP[points.Vessel]
		}
	}
	if u[0] != 0 {
		u[0] -= p.level
	}
	for i := range u {
		if p.now[i] == 0 {
			p.now[i] = short(u[i])
		}
		p.now[i] = short(p.now[i] + newPath*(u[i]-p.now[i]))
	}
	if u[0] > 0 && u[1] > 0 {
		r := short(math.Log(u[1] / u[0]))
		if p.jumps == 0 {
			p.jumps = short(firstJump * firstJump)
		}
		if p.ratio != 0 {
			p.jumps = short(p.jumps + (square(r-p.ratio)-p.jumps)/60)
		}
		p.ratio = r
	}
	switch {
	case stopped && age > settledPath:
		if p.of == 0 {
			p.stop = p.now
		}
		p.of++
		for i := range u {
			p.stop[i] = short(p.stop[i] + max(stopPath, 1/float64(p.of+1))*(u[i]-p.stop[i]))
		}
	case flows:
		p.n = min(p.n+1, 1<<20)
		for i := range p.usual {
			p.usual[i] = short(p.usual[i] + max(usualPath, 1/float64(p.n))*(u[i]-p.usual[i]))
		}
	}
}

// press begins another press; the pot may have been filled in the rest before it.
func (p *path) press(filled bool) {
	p.ends()
	p.filled = p.filled || filled && p.of > 0
}

// ends ends a press.
func (p *path) ends() { p.now, p.ratio = [3]float64{}, 0 }

// mixing is the logarithm of mixing over valve in the stop; false: not known.
func (p *path) mixing() (float64, bool) {
	if p.of == 0 || !(p.stop[1] > 0) || !(p.stop[2] > 0) {
		return 0, false
	}
	return math.Log(p.stop[2] / p.stop[1]), true
}

// proven learns of a stop whose cause has come out: Blocked as abrasive flows again, Empty as the pot was filled.
func (p *path) proven(cause Stop) {
	h, ok := p.mixing()
	if ok && p.of >= leastStop && (cause == Empty || !p.filled) {
		i := 0
		if cause == Empty {
			i = 1
		}
		p.refN[i] = min(p.refN[i]+1, learnedPath)
		p.refs[i] = short(p.refs[i] + (h-p.refs[i])/float64(p.refN[i]))
	}
	p.forget()
}

// forget drops the stop: its cause will not come out.
func (p *path) forget() { p.of, p.stop, p.filled = 0, [3]float64{}, false }

// told is how much likelier what was seen of the air's path in the stop is if the pot has run empty than if its metering is
// blocked; mixing says whether the loss after the parting counts, which a tee judges where there is one. Before both kinds of stop were proven the other kind may show by any amount, but with the sign that it must have.
func (p *path) told(mixing bool) float64 {
	if p.of == 0 {
		return 1
	}
	n := float64(min(p.of+1, 8))
	like := 1.0
	if a, b := p.usual, p.stop; p.n >= leastPath && (p.refN == [2]int{} || p.refN[0]*p.refN[1] == 0 && p.of >= leastStop) && min(a[0], a[1], b[0], b[1]) > 0 {
		z := math.Log(b[1]/b[0]) - math.Log(a[1]/a[0])
		before := gaugesPath
		if p.rests > leastRest {
			before = levelPath
		}
		// Errors of the gauges fall out but for what the flow has grown.
		v := square(a[0]/b[0]-1)*(square(before/a[0])+square(gaugesPath/a[1])) + p.jumps/2/n + movesPath*movesPath
		like *= shows(z, v, v, partsBy) / normal(z, v)
	}
	if h, ok := p.mixing(); mixing && ok && p.of >= leastStop {
		v := 2*p.jumps/n + restless*restless
		// At first both stand higher than they will.
		late := math.Exp(-float64(p.of) / opens)
		ve, vb := v+square(closing*late), v+square(clearing*late)
		b, e := h-p.refs[0], h-p.refs[1]
		switch {
		case p.refN[0] > 0 && p.refN[1] > 0:
			like *= (normal(e, ve) + astray) / (normal(b, vb) + astray)
		case p.refN[0] > 0:
			like *= shows(-b, vb, vb, sinksBy) / normal(b, vb)
		case p.refN[1] > 0:
			like *= normal(e, ve) / shows(e, ve, vb, sinksBy)
		}
	}
	if math.IsNaN(like) {
		return 1
	}
	return max(1/mostTold, min(mostTold, like))
}

// shows is the density of a difference x that in some pots does not show, where its variance is v, and in the others is positive.
func shows(x, v, beside, scale float64) float64 {
	return unseen*normal(x, v) + (1-unseen)*beyond(x, beside, scale)
}

func square(x float64) float64 { return float64(x * x) }

// normal is the density of the normal distribution of mean 0 and variance v; never 0.
func normal(x, v float64) float64 {
	return math.Exp(-min(600, square(x)/(2*v))) / math.Sqrt(2*math.Pi*v)
}

// beyond is the density of the absolute value of one normal variable, of standard deviation scale, plus another one of variance
// v: a skew-normal distribution (Azzalini, Scandinavian Journal of Statistics 12, 1985).
func beyond(x, v, scale float64) float64 {
	all := v + square(scale)
	return normal(x, all) * math.Erfc(-x*scale/math.Sqrt(2*v*all))
}

// fields lists its state.
func (p *path) fields(c *statecodec.Codec) {
	for _, v := range [...]*float64{&p.usual[0], &p.usual[1], &p.now[0], &p.now[1], &p.now[2], &p.ratio, &p.jumps, &p.level, &p.stop[0], &p.stop[1], &p.stop[2], &p.refs[0], &p.refs[1]} {
		statecodec.Float(c, v)
	}
	for _, v := range [...]*int{&p.n, &p.rests, &p.of, &p.refN[0], &p.refN[1]} {
		statecodec.Int(c, v)
	}
	statecodec.Bool(c, &p.filled)
}
