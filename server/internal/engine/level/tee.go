package level

import (
	"math"

	"gritwatch/internal/statecodec"
	"gritwatch/server/internal/engine/steady"
)

// Numbers of the tee. Losses are over the square of the nozzle's flow of air; numbers of simulated pots where nothing else stands.
const (
	teeDrag    = 0.38 // what a unit of loading adds to the loss, over that of clean air
	teeDragSD  = 0.12 // likewise from pot to pot; common practice, no source: simulated pots differ by 0.03
	teeWalk    = 0.01 // likewise from one stop to the next
	teeOff     = 0.03 // of the loss of a stop
	teeNoise   = 0.04 // of the loss of one second, besides its scatter
	teeOwn     = 0.04 // of the loss, by which stops of one pot that has run empty differ
	teeLeast   = 0.35 // of the loss of clean air, that an open metering valve leaves
	teeMost    = 0.95 // likewise
	teeMemory  = 20   // seconds of the running means while abrasive flows
	teeScatter = 60   // of that of the scatter

	teeAge     = 6    // seconds of a press from which on its loss counts
	teeHose    = 3.0  // of the hose's time constant, besides
	teeSettled = 0.25 // of the usual loading, by which what enters the hose may be off what is in it
	teeSteady  = 6e3  // Pa/s, of the vessel, by which it may fill meanwhile
	teeMoves   = 12e3 // likewise in a stop
	teeStops   = 8    // seconds of a stop's running mean
	teeLearned = 4    // stops in the running mean of those of a pot that has run empty
)

// A tee tells by what is lost between vessel and hose point, in push line and mixing tee, whether the metering valve is open to air. While abrasive flows that loss grows
// with the loading; with a blocked valve it is that of clean air. The open valve of a pot that has run empty is a second way beside the push line: less is lost than by clean air.
type tee struct {
	mu, loss float64 // loading and loss while abrasive flows, running means
	n        int     // seconds behind them, at most teeMemory
	scatter  float64 // variance of the loss of one second
	last     float64 // loss of the second before; 0: it did not count
	drag, v  float64 // what a unit of loading adds to the loss, over that of clean air, with its variance

	stop   float64 // loss in a stop, running mean
	stops  int     // seconds behind it, at most teeStops; 0: no stop
	filled bool    // the pot may have been filled since that stop
	empty  float64 // loss in stops of the pot that has run empty, over that of clean air, mean of those that were proven
	known  int     // stops behind it
}

func newTee() tee { return tee{drag: short(teeDrag), v: short(teeDragSD * teeDragSD)} }

// second takes a second of blasting, after the meter has.
func (t *tee) second(s *steady.Second, m *meter, told *measure) {
	if m.source != byHose || !told.told || !s.Rated {
		return
	}
	switch {
	case m.stopped > 0:
		t.last = 0
		if m.enters < lowShare*m.usual && math.Abs(s.Rate) < teeMoves {
			t.stopped(told.loss)
		}
	case m.flows() && float64(m.age) > teeAge+teeHose*m.clears && math.Abs(m.enters-told.load) < teeSettled*m.usual && math.Abs(s.Rate) < teeSteady:
		t.flows(told.load, told.loss)
	default:
		t.last = 0
	}
}

// flows takes a second in which abrasive flows as usual.
func (t *tee) flows(mu, loss float64) {
	if t.n == 0 {
		t.scatter = square(teeNoise * loss)
	}
	if t.last != 0 {
		t.scatter += (square(loss-t.last)/2 - t.scatter) / teeScatter
	}
	t.n, t.scatter, t.last = min(t.n+1, teeMemory), coarse(t.scatter), coarse(loss)
	k := 1 / float64(t.n)
	t.mu, t.loss = short(t.mu+k*(mu-t.mu)), short(t.loss+k*(loss-t.loss))
}

// stopped takes a second of a stop.
func (t *tee) stopped(loss float64) {
	t.stops = min(t.stops+1, teeStops)
	t.stop = short(t.stop + (loss-t.stop)/float64(t.stops))
}

// clean is the loss of clean air, 0 where it is not known, with the gradient of its logarithm by the drag.
func (t *tee) clean() (loss, by float64) {
	q := 1 + float64(t.drag*t.mu)
	return t.loss / q, -t.mu / q
}

// told is how much likelier the loss in the stop is, over that of clean air by (9), if the pot has run empty than if its metering is blocked.
func (t *tee) told() float64 {
	clean, by := t.clean()
	if t.n == 0 || t.stops == 0 || !(clean > 0) {
		return 1
	}
	noise := t.scatter / square(clean)
	own := (square(teeNoise)+noise)/float64(t.stops) + square(teeOff)
	v := own + noise/float64(t.n) + square(by)*t.v
	r := t.stop / clean
	blocked, empty := normal(r-1, v), 0.0
	if t.known > 0 {
		empty = normal(r-t.empty, own+square(teeOwn))
	} else {
		// How much less is lost is another matter in each pot.
		const shares = 6
		for i := range shares {
			empty += normal(r-teeLeast-(teeMost-teeLeast)*(float64(i)+0.5)/shares, v) / shares
		}
		empty = float64((1-branchUnseen)*empty) + float64(branchUnseen*blocked)
	}
	like := (empty + astray) / (blocked + astray)
	if math.IsNaN(like) {
		return 1
	}
	return max(1/mostTold, min(mostTold, like))
}

// proven learns of a stop whose cause has come out, as path's does.
func (t *tee) proven(cause Stop) {
	clean, by := t.clean()
	if t.n > 0 && t.stops >= leastStop && clean > 0 && t.stop > 0 {
		switch {
		case cause == Empty:
			t.known = min(t.known+1, teeLearned)
			t.empty = short(t.empty + (t.stop/clean-t.empty)/float64(t.known))
		case !t.filled:
			v := t.v + teeWalk*teeWalk
			k := v * by / (float64(v*by*by) + square(teeOff))
			t.drag = short(max(teeDrag/3, min(3*teeDrag, t.drag+k*math.Log(t.stop/clean))))
			t.v = short(v * (1 - float64(k*by)))
		}
	}
	t.forget()
}

// forget drops the stop: its cause will not come out.
func (t *tee) forget() { t.stop, t.stops, t.filled = 0, 0, false }

// press begins another press; the pot may have been filled in the rest before it.
func (t *tee) press(filled bool) { t.filled = t.filled || filled && t.stops > 0 }

// fields lists its state.
func (t *tee) fields(c *statecodec.Codec) {
	for _, v := range [...]*float64{&t.mu, &t.loss, &t.scatter, &t.last, &t.drag, &t.v, &t.stop, &t.empty} {
		statecodec.Float(c, v)
	}
	for _, v := range [...]*int{&t.n, &t.stops, &t.known} {
		statecodec.Int(c, v)
	}
	statecodec.Bool(c, &t.filled)
}
