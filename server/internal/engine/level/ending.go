package level

import (
	"math"

	"gritwatch/internal/statecodec"
)

// Numbers of how a stream ends. Those without a source are common practice.
const (
	endKeeps  = 20    // seconds of a press
	endLeast  = 4     // of them from where abrasive flows as usual: fewer tell nothing
	endWithin = 26.0  // s before it was found that it has stopped, within which it began to end: as long as the seconds are kept, and somewhat more
	endStep   = 0.5   // s, between the onsets that are looked at
	endFull   = 0.7   // of the usual loading: a hose that has not been filled so far does not show how a stream ends
	endUsual  = 0.3   // of the usual loading, by which the one before the end is off it
	endClean  = 0.1   // likewise what clean air shows
	endFlows  = 0.85  // of the most that the tee loses: from there on abrasive flows as usual
	endLoad   = 0.03  // of the usual loading: scatter of one second, at least
	endLoss   = 0.01  // of the tee's loss, likewise
	endStray  = 1e-9  // likelihood of what fits neither cause, over the best fit
	endTail   = 1.2   // s, of the time constant in which the last of a pot thins out, at least: it slides down the cone's wall; of simulated pots, of which the quickest takes 2 s from half of the usual flow to none
	endSlows  = 0.1   // what k of (1) is off: so much does the handbook leave open
	endFitted = 3     // figures that are fitted to loadings and to losses: two of a line and the onset
	endHose   = 3.0   // the square of a loading's deviation counts for so much less: a hose has more than one time constant, and surges
	endMost   = 100.0 // for or against
	middling  = 0.455 // median of the squares of a normal variable over its variance
)

// cones are what a pot may hold, kg, when the last of it begins to come thinner and thinner: by the flow it is the time constant of that. clearings are time
// constants of the hose over what it is reckoned to have.
var (
	cones     = [...]float64{0.2, 0.28, 0.4, 0.57, 0.8, 1.1, 1.6, 2.3, 3.2}
	clearings = [...]float64{0.8, 1.05}
)

// An ending tells by the last seconds of a stream how it has ended. What a blocked valve holds back is gone from one moment to the next; the last of a pot
// comes thinner and thinner as the cone above the valve empties. The loss of the mixing tee shows what enters the hose in the same second, the hose's own what is in it,
// which clears with its time constant. Both are held against the one story and against the other, with every onset and with every duration of the thinning out.
type ending struct {
	n    int     // seconds of this press
	last float64 // s, of the newest one
	kept [endKeeps]endSecond
	told float64 // of the stop that goes on; 0: nothing
}

// An endSecond is what one second shows, in the four bytes that are saved: sixteenths of a second since the one before, 256ths of the loading in the hose, and 32768ths of the
// loss of the tee and the push line over the square of the nozzle's flow of air, where 0 is not known.
type endSecond uint32

func endOf(since, load, loss float64) endSecond {
	part := func(x float64, most uint32) endSecond { return endSecond(max(0, min(float64(most), math.Round(x)))) }
	return part(since*16, 1<<8-1)<<24 | part(load*256, 1<<11-1)<<13 | part(loss*32768, 1<<13-1)
}

func (s endSecond) since() float64 { return float64(s>>24) / 16 }
func (s endSecond) load() float64  { return float64(s>>13&(1<<11-1)) / 256 }
func (s endSecond) loss() float64  { return float64(s&(1<<13-1)) / 32768 }

// second takes a second of blasting, s after the beginning of the press.
func (e *ending) second(at, load, loss float64) {
	if math.IsNaN(load) || math.IsNaN(loss) {
		return
	}
	e.kept[e.n%endKeeps] = endOf(at-e.last, load, loss)
	e.n, e.last = e.n+1, short(at)
}

// ends judges the end of the stream as it has just been found to have stopped, with its usual loading, its usual flow, kg/s, and the hose's time constant, s.
func (e *ending) ends(usual, flow, clears float64) {
	e.told = short(e.judge(usual, flow, clears))
}

// judge is how much likelier the end is if the pot has run empty than if its metering is blocked.
func (e *ending) judge(usual, flow, clears float64) float64 {
	if !(usual > 0) || !(flow > 0) || !(clears > 0) {
		return 1
	}
	var s [endKeeps]endPoint
	n, most, full := 0, 0.0, 0.0
	for i := max(0, e.n-endKeeps); i < e.n; i++ {
		most, full = max(most, e.kept[i%endKeeps].loss()), max(full, e.kept[i%endKeeps].load())
	}
	now := 0.0
	for i := max(0, e.n-endKeeps); i < e.n; i++ {
		x := e.kept[i%endKeeps]
		now += x.since()
		if n > 0 || x.loss() >= endFlows*most {
			s[n] = endPoint{now, x.load() / usual, x.loss()}
			n++
		}
	}
	if n < endLeast || full < endFull*usual {
		return 1
	}
	for i := range n {
		s[i].at -= now
	}
	vLoad, vLoss := scatters(s[:n])
	creeps := endSlows * usual * lossLeft(s[:n])
	const onsets = int(endWithin/endStep) + 1
	var off [len(clearings) * onsets * (1 + len(cones))][2]float64
	least, k := [2]float64{math.Inf(1), math.Inf(1)}, 0
	for _, c := range clearings {
		for i := range onsets {
			for j := range 1 + len(cones) {
				tail := 0.0
				if j > 0 {
					tail = max(endTail, cones[j-1]/flow)
				}
				x := &off[k]
				x[0], x[1] = misfits(s[:n], vLoad, vLoss, creeps, -endStep*float64(i), c*clears, tail)
				least = [2]float64{min(least[0], x[0]), min(least[1], x[1])}
				k++
			}
		}
	}
	// What the best of them is off more than scatter has it is the laws' error: it counts for all alike.
	free := float64(n - endFitted)
	wide := [2]float64{endHose * max(1, least[0]/free), max(1, least[1]/free)}
	best := math.Inf(1)
	for i := range off {
		off[i][0] = off[i][0]/wide[0] + off[i][1]/wide[1]
		best = min(best, off[i][0])
	}
	var blocked, empty float64
	for i := range off {
		like := math.Exp(-min(600, (off[i][0]-best)/2))
		if i%(1+len(cones)) == 0 {
			blocked += like
		} else {
			empty += like / float64(len(cones))
		}
	}
	return max(1/endMost, min(endMost, (empty+endStray)/(blocked+endStray)))
}

// An endPoint is a second as it is judged: s before the last one, loading over the usual, loss.
type endPoint struct{ at, load, loss float64 }

// scatters are the variances of a second's loading and loss, by the median of what three, or two, seconds in a row are off one another: the end itself hardly counts.
func scatters(s []endPoint) (load, loss float64) {
	var a, b [endKeeps]float64
	n, m, sum := 0, 0, 0.0
	for i := 1; i < len(s); i++ {
		if i > 1 {
			a[n] = square(s[i].load-2*s[i-1].load+s[i-2].load) / 6
			n++
		}
		if s[i].loss > 0 && s[i-1].loss > 0 {
			b[m] = square(s[i].loss-s[i-1].loss) / 2
			sum += s[i].loss
			m++
		}
	}
	load = median(a[:n])/middling + endLoad*endLoad
	if m > 0 {
		loss = median(b[:m])/middling + square(endLoss*sum/float64(m))
	}
	return load, loss
}

// median is the middle one of a few values, which it sorts.
func median(v []float64) float64 {
	for i := range v {
		for j := i; j > 0 && v[j] < v[j-1]; j-- {
			v[j], v[j-1] = v[j-1], v[j]
		}
	}
	return v[len(v)/2]
}

// lossLeft is the newest loss that is known; 0: none.
func lossLeft(s []endPoint) float64 {
	for i := len(s) - 1; i >= 0; i-- {
		if s[i].loss > 0 {
			return s[i].loss
		}
	}
	return 0
}

// misfits is by how much the seconds' loadings and losses are off a stream that begins to end at an onset, s, by (8): the sums of squares over the variances. The hose clears with a time constant,
// what enters it goes down with another one, or, with 0, at once. Loading is linear in what is in the hose, loss in what enters it, by figures that are fitted. As what is in the
// hose slows the nozzle by another factor than is reckoned with, it is in the loss too, by a figure of standard deviation creeps.
func misfits(s []endPoint, vLoad, vLoss, creeps, onset, clears, tail float64) (loads, losses float64) {
	var load line2
	var loss line3
	load.add(1, 1, endUsual*endUsual)
	load.add(0, 0, endClean*endClean)
	if tail == clears {
		tail *= 1.01
	}
	for i := range s {
		since := s[i].at - onset
		enters, in := fading(since, tail), fading(since, clears)
		if tail > 0 {
			in = (float64(tail*enters) - float64(clears*in)) / (tail - clears)
		}
		load.add(in, s[i].load, vLoad)
		if s[i].loss > 0 {
			loss.add(enters, in, s[i].loss, vLoss)
		}
	}
	return load.misfit(), loss.misfit(creeps)
}

// fading is the mean over one second, whose middle is so long after an onset, s, of what is 1 before it and then goes to 0 with a time constant.
func fading(since, tail float64) float64 {
	from, to := since-0.5, since+0.5
	if to <= 0 {
		return 1
	}
	before := max(0, -from)
	from = max(0, from)
	if tail <= 0 {
		return before
	}
	return before + float64(tail*(math.Exp(-from/tail)-math.Exp(-to/tail)))
}

// A line2 fits y = a + b x by least squares.
type line2 struct{ w, x, xx, y, xy, yy float64 }

func (l *line2) add(x, y, v float64) {
	w := 1 / v
	l.w += w
	l.x += float64(w * x)
	l.xx += float64(w * x * x)
	l.y += float64(w * y)
	l.xy += float64(w * x * y)
	l.yy += float64(w * y * y)
}

// misfit is the sum of squares that is left, with b not under 0: without abrasive nothing loses more.
func (l *line2) misfit() float64 {
	if l.w == 0 {
		return 0
	}
	b := 0.0
	if det := float64(l.w*l.xx) - float64(l.x*l.x); det > 1e-9*l.w*l.w {
		b = max(0, (float64(l.w*l.xy)-float64(l.x*l.y))/det)
	}
	a := (l.y - float64(b*l.x)) / l.w
	return max(0, l.yy-float64(2*a*l.y)-float64(2*b*l.xy)+float64(a*a*l.w)+float64(2*a*b*l.x)+float64(b*b*l.xx))
}

// A line3 fits y = a + b x + c z by least squares.
type line3 struct{ w, x, z, xx, xz, zz, y, xy, zy, yy float64 }

func (l *line3) add(x, z, y, v float64) {
	w := 1 / v
	l.w += w
	l.x += float64(w * x)
	l.z += float64(w * z)
	l.xx += float64(w * x * x)
	l.xz += float64(w * x * z)
	l.zz += float64(w * z * z)
	l.y += float64(w * y)
	l.xy += float64(w * x * y)
	l.zy += float64(w * z * y)
	l.yy += float64(w * y * y)
}

// misfit is the sum of squares that is left, with b not under 0, and with the square of c over that of its standard deviation; where that is 0, c is 0.
func (l *line3) misfit(sd float64) float64 {
	if l.w == 0 {
		return 0
	}
	about := func(xy, x, y float64) float64 { return xy - float64(x*y)/l.w }
	xx, xy, left := about(l.xx, l.x, l.x), about(l.xy, l.x, l.y), about(l.yy, l.y, l.y)
	if sd > 0 {
		zz, xz, zy := about(l.zz, l.z, l.z)+1/square(sd), about(l.xz, l.x, l.z), about(l.zy, l.z, l.y)
		xx -= square(xz) / zz
		xy -= float64(xz*zy) / zz
		left -= square(zy) / zz
	}
	if xx > 1e-9*l.xx && xy > 0 {
		left -= square(xy) / xx
	}
	return max(0, left)
}

// fields lists its state.
func (e *ending) fields(c *statecodec.Codec) {
	if statecodec.Int(c, &e.n); e.n < 0 {
		c.Fail(statecodec.ErrState)
		e.n = 0
	}
	statecodec.Float(c, &e.last)
	for i := range e.kept {
		x := uint64(e.kept[i])
		if statecodec.Int(c, &x); x > math.MaxUint32 {
			c.Fail(statecodec.ErrState)
		}
		e.kept[i] = endSecond(x)
	}
	statecodec.Float(c, &e.told)
}
