package losses

import (
	"math"

	"gritwatch/internal/airflow"
	"gritwatch/internal/statecodec"
)

// What is followed by a worn.
const (
	ofBore  = iota // ln A^2/A0^2 of the nozzle
	ofHose         // ln r/r0 of the hose
	ofInlet        // what F is off, as separator and valve tell it
	ofTee          // share of the mixing segment's loss that is none, but an error of its gauges
	ofMix          // ln (1 + kappa mu)/(1 + k mu) over the baseline's: what the metering valve gives
	worns
)

// Numbers of the filter. All were fitted to simulated pots; no source.
const (
	window    = 15  // s that make one observation: the mix comes in gusts, and its logarithms are not straight
	fewest    = 6   // of these seconds, with the observation there
	inletOne  = 0.4 // standard deviation of F by the inlet, of one second: more than its noise, as its errors last
	teeOne    = 0.27
	mixOne    = 0.1 // of what hose and nozzle show of the mix, of one second
	inletSD   = 0.028
	inletBack = 2600 // s in which what F is off by the inlet is forgotten
	boreMoves = 0.07 // of a state in an hour of blasting, if it goes this way and that
	hoseMoves = 0.24
	mixMoves  = 0.013 // the same of the mix, while nobody turns the metering valve
	shutMoves = 0.1   // the same while the choke is partly shut: air goes through the metering valve too
	firstSD   = 0.006 // of bore and hose when the baseline was taken
	mixSD     = 0.03  // of the mix: it is held against that of the baseline
	teeSD     = 0.06  // of the gauges' share
	teeShut   = 0.12  // of the tee's ln d over the inlet's, from which the choke is partly shut, or the tee has clogged: its loss tells of itself, not of the bore
	teeDoubt  = 0.1   // of all that its loss has moved
	teeSlowly = 10    // observations behind what the tee shows over the inlet: one alone is as unsure as a tee that has half clogged
	leaks     = 0.3   // of ln m^2 by the inlet over that by the tee, whatever the mix
	stepAt    = 2.5   // standard deviations: an observation that is so far off is a gust, or the first of a step
	stepAgain = 2.0   // the same of the next
	stepAlike = 0.1   // between the two: what goes on changing is no step
	stepSD    = 0.03  // of how large a step is
	backSD    = 0.1   // of a hose that is straightened, and a third of what it had more
	backShare = 1.0 / 3
	likelier  = 4.0  // of the logarithm of the odds: what takes a hose back to a sound one is that hose
	oneSays   = 0.15 // of the same: the most that one observation of inlet or tee tells
	settled   = 8.0  // of the same: the other explanation is given up
	longest   = 80   // observations for which two explanations are followed
	anotherSD = 0.1  // of what others tell of another nozzle, and half of the hose's then
	turnedSD  = 0.3  // of the mix then
	certain   = 3.6  // standard deviations from which the hose is said to be clogged
	saidOver  = 0.03 // of ln r: less is not said to be clogged
	under     = 0.08 // of ln r and ln A^2 under 0: no hose becomes freer than it was, no nozzle narrows
	freer     = 0.3  // of ln r under 0: unless it was kinked when the baseline was taken
	narrower  = 0.3  // of ln A^2 under 0: unless a smaller one was put in
	soundBore = 0.04
	soundHose = 0.08
	leastMu   = 1.0 / 3 // of the baseline's loading: less is as good as air alone, at which the tee and what is not known of kappa tell nothing
)

// A worn tells a worn nozzle from a clogged hose; see the package's documentation. The zero value has seen nothing.
type worn struct {
	begun bool
	x     [worns]float64
	p     [worns][worns]float64 // covariance
	gust  float64               // what hose and nozzle showed that was far off, waiting for the next; 0: none
	clog  float64               // x of the tee over the inlet's, smoothed
	other other

	// Sums of the seconds that make the next observation.
	n, inlets, tees int32
	u, nozzle       float64 // x of the hose less n, and n
	inlet, tee      float64 // F less n, and x of the tee less n
}

// An other is the other explanation of a step in what hose and nozzle show: one is that the metering valve was turned, one that the hose kinked or was straightened.
// Both follow the same observations with the same covariance, so that it is enough to know by what their states differ.
type other struct {
	age  int32          // observations since the step; 0: there is none
	odds float64        // ln of how much likelier that is which is followed
	less [worns]float64 // its states less those
}

// A vote is what one second tells, in logarithms over the baseline's.
type vote struct {
	hose, nozzle float64 // x of the hose, and ln pN^2/pN0^2
	inlet, tee   float64
	inletKnown   bool
	teeKnown     bool
}

// take takes a second.
func (w *worn) take(a *air, v *vote) {
	if !w.begun {
		*w = worn{begun: true}
		for i, sd := range [worns]float64{ofBore: firstSD, ofHose: firstSD, ofInlet: inletSD, ofTee: teeSD, ofMix: mixSD} {
			w.p[i][i] = short(sd * sd)
		}
	}
	w.moves()
	if v.inletKnown && w.mix(a, v.hose-v.nozzle).mu < leastMu*a.mu0 && a.faster(w.x[ofBore], v.inlet-v.nozzle-w.x[ofInlet]) < leastMu*a.mu0 {
		w.close(a) // as good as air alone, by hose and inlet
		return
	}
	w.n++
	w.u, w.nozzle = short(w.u+v.hose-v.nozzle), short(w.nozzle+v.nozzle)
	if v.inletKnown {
		w.inlets, w.inlet = w.inlets+1, short(w.inlet+v.inlet-v.nozzle)
	}
	if v.teeKnown {
		w.tees, w.tee = w.tees+1, short(w.tee+v.tee-v.nozzle)
	}
	if w.n >= window {
		w.close(a)
	}
}

// close makes an observation of the seconds, and begins the next.
func (w *worn) close(a *air) {
	if w.n >= fewest {
		w.observe(a)
	}
	w.n, w.inlets, w.tees, w.u, w.nozzle, w.inlet, w.tee = 0, 0, 0, 0, 0, 0, 0
}

// moves brings it on by a second.
func (w *worn) moves() {
	const (
		stays = 1 - 1.0/inletBack
		hour  = 3600
	)
	w.p[ofBore][ofBore] = short(w.p[ofBore][ofBore] + boreMoves*boreMoves/hour)
	w.p[ofHose][ofHose] = short(w.p[ofHose][ofHose] + hoseMoves*hoseMoves/hour)
	w.p[ofMix][ofMix] = short(w.p[ofMix][ofMix] + mixMoves*mixMoves/hour)
	w.x[ofInlet] = short(stays * w.x[ofInlet])
	w.other.less[ofInlet] = short(stays * w.other.less[ofInlet])
	for i := range w.p {
		w.p[i][ofInlet] = short(stays * w.p[i][ofInlet])
		w.p[ofInlet][i] = w.p[i][ofInlet]
	}
	w.p[ofInlet][ofInlet] = short(float64(stays*w.p[ofInlet][ofInlet]) + (1-stays*stays)*inletSD*inletSD)
}

// observe takes what the sums tell: (5), and where they are known (6) and (7).
func (w *worn) observe(a *air) {
	const observed = window / 3600.0 // hours
	u, n := w.u/float64(w.n), w.nozzle/float64(w.n)
	inletKnown, teeKnown := w.inlets >= fewest, w.inlets >= fewest && w.tees >= fewest
	inlet, tee := w.inlet/float64(max(1, w.inlets)), w.tee/float64(max(1, w.tees))
	if teeKnown {
		w.clog = short(w.clog + (tee-inlet-w.clog)/teeSlowly)
		if w.clog > teeShut+float64(teeDoubt*math.Abs(n+tee)) {
			teeKnown = false
			w.p[ofMix][ofMix] = short(w.p[ofMix][ofMix] + shutMoves*shutMoves*observed)
		}
		if tee-inlet < -leaks {
			inletKnown = false // more goes into the vessel than the nozzle takes
		}
	}
	if !w.step(a, u, inlet, tee, inletKnown && teeKnown) {
		return // a gust, or seconds with hardly any abrasive among the others
	}
	if inletKnown {
		lean, _ := w.leans(a)
		off, than := w.both(func(x *[worns]float64) float64 { return inlet - a.flow(x) - x[ofInlet] })
		w.tell(&[worns]float64{ofBore: 1, ofMix: -lean, ofInlet: 1}, off, than, inletOne*inletOne/float64(w.inlets))
	}
	if teeKnown {
		_, lean := w.leans(a)
		// In differences of squares an error of a pressure grows with the pressure, half as fast as they do.
		share := func(x *[worns]float64) float64 { return n/2 - (n + a.flow(x) + a.followed(x).tee) }
		off, than := w.both(func(x *[worns]float64) float64 {
			return tee - a.flow(x) - a.followed(x).tee - float64(x[ofTee]*share(x))
		})
		all := 1 - w.x[ofTee]
		w.tell(&[worns]float64{ofBore: all, ofMix: float64(-lean * all), ofTee: share(&w.x)}, off, than, teeOne*teeOne/float64(w.tees))
	}
	if h := w.x[ofHose]; h < 0 {
		w.see(&[worns]float64{ofHose: 1}, -h, -h-w.other.less[ofHose], square(max(under, -h/2))) // the less the further, as it may have been kinked when the baseline was taken
	}
	if bore := w.x[ofBore]; bore < 0 && bore > -narrower {
		w.see(&[worns]float64{ofBore: 1}, -bore, -bore-w.other.less[ofBore], under*under)
	}
	if o := &w.other; o.age > 0 {
		if o.age++; o.odds > settled || o.age > longest {
			w.settle()
		}
	}
}

// followed is the mix of states.
func (a *air) followed(x *[worns]float64) mix { return a.mix(a.atRich(x[ofMix] + a.richOf(a.mu0))) }

// flow is F less n, by states.
func (a *air) flow(x *[worns]float64) float64 { return x[ofBore] - a.slowed(a.followed(x).mu) }

// both is what an observation is off by the states that are followed, and by the other explanation's.
func (w *worn) both(off func(x *[worns]float64) float64) (followed, other float64) {
	followed = off(&w.x)
	if w.other.age == 0 {
		return followed, followed
	}
	x := w.x
	for i, less := range w.other.less {
		x[i] += less
	}
	return followed, off(&x)
}

// leans are by how much F, and x of the tee, fall with the mix as it is followed.
func (w *worn) leans(a *air) (inlet, tee float64) {
	mu := a.followed(&w.x).mu
	part := func(k float64) float64 { return float64(k*mu) / (1 + float64(k*mu)) }
	slow, drag := part(float64(airflow.HandbookSlowing)), part(a.kappa)
	each := max(0.1, drag-slow)
	return slow / each, (slow - part(teeKappa)) / each
}

// step takes what hose and nozzle show: what bore, hose and mix make together. As long as it moves slowly it is the bore or the hose, since the mix stays. An observation alone
// that is far off is false, and is left out; two alike are a step: of a nozzle, which inlet and tee show as well, or else of the metering valve or of the hose.
func (w *worn) step(a *air, u, inlet, tee float64, known bool) (taken bool) {
	by, off, v := [worns]float64{ofBore: 1, ofHose: 1, ofMix: 1}, u-w.x[ofBore]-w.x[ofHose]-w.x[ofMix], mixOne*mixOne/float64(w.n)
	was := w.gust
	w.gust = 0
	again := was*off > 0 && math.Abs(was-off) < stepAlike
	at := stepAt
	if again {
		at = stepAgain
	}
	if _, all := w.spread(&by, v); off*off > at*at*all {
		if !again {
			w.gust = short(off)
			return false
		}
		more, mixed := inlet-a.flow(&w.x)-w.x[ofInlet], tee-a.flow(&w.x)-a.followed(&w.x).tee
		if jump := math.Copysign(min(math.Abs(more), math.Abs(mixed)), more); known && more*mixed > 0 && more*off > 0 && math.Abs(jump) > newNozzle {
			w.another(w.x[ofBore] + jump)
			return false
		}
		w.split(float64(was+off) / 2)
		off = u - w.x[ofBore] - w.x[ofHose] - w.x[ofMix]
	}
	w.see(&by, off, off-w.apart(&by), v)
	return true
}

// split begins to follow two explanations of a step: of the mix, and of the hose unless that would then be freer than it was.
func (w *worn) split(step float64) {
	w.settle()
	h := w.x[ofHose]
	w.x[ofMix] = short(w.x[ofMix] + step)
	w.p[ofMix][ofMix] = short(w.p[ofMix][ofMix] + stepSD*stepSD)
	room := backSD + float64(backShare*max(0, h))
	if left := h + step; left > -room || left < -freer {
		w.other = other{age: 1, less: [worns]float64{ofHose: short(step), ofMix: short(-step)}}
		if step < 0 && math.Abs(left) < room {
			w.other.odds = -likelier
			w.prefer()
		}
	}
}

// prefer follows the likelier of two explanations.
func (w *worn) prefer() {
	o := &w.other
	if o.odds >= 0 {
		return
	}
	o.odds = -o.odds
	for i := range w.x {
		w.x[i], o.less[i] = short(w.x[i]+o.less[i]), -o.less[i]
	}
}

// settle gives up the less likely of two explanations. What is left of its likelihood is doubt (the covariance of a mixture of two normal distributions with one covariance).
func (w *worn) settle() {
	o := &w.other
	if o.age == 0 {
		return
	}
	unsure := o.unsure()
	for i := range w.p {
		for j := i; j < worns; j++ {
			w.p[i][j] = short(w.p[i][j] + float64(float64(unsure*o.less[i])*o.less[j]))
			w.p[j][i] = w.p[i][j]
		}
	}
	*o = other{}
}

// unsure is p (1 - p) of the likelihood p of one of two explanations.
func (o *other) unsure() float64 {
	q := 1 / (1 + math.Exp(o.odds))
	return q * (1 - q)
}

// tell takes an observation as see does. One that is over three deviations off counts for less. Of two explanations it tells which is likelier.
func (w *worn) tell(by *[worns]float64, off, than, v float64) {
	_, all := w.spread(by, v)
	if far := float64(off*off) / all; far > 9 {
		v += float64(all * (far/9 - 1))
		all *= far / 9
	}
	if o := &w.other; o.age > 0 {
		o.odds = short(o.odds + max(-oneSays, min(oneSays, (float64(than*than)-float64(off*off))/(2*all))))
	}
	w.see(by, off, than, v)
	w.prefer()
}

// forget makes what is known of a state a standard deviation, and nothing of what it has to do with others.
func (w *worn) forget(state int, sd float64) {
	for i := range w.p {
		w.p[i][state], w.p[state][i] = 0, 0
	}
	w.p[state][state] = short(sd * sd)
}

// mix is that of hose and nozzle.
func (w *worn) mix(a *air, u float64) mix {
	return a.mix(a.atRich(u - w.x[ofBore] - w.x[ofHose] + a.richOf(a.mu0)))
}

// spread is the covariance of the states with sum by[i] x[i], and the variance of an observation of that, of its own variance v.
func (w *worn) spread(by *[worns]float64, v float64) (with [worns]float64, all float64) {
	for i := range with {
		for j, b := range by {
			with[i] += float64(w.p[i][j] * b)
		}
	}
	for i, b := range by {
		v += float64(b * with[i])
	}
	return with, v
}

// apart is by how much sum by[i] x[i] differs between the two explanations.
func (w *worn) apart(by *[worns]float64) (sum float64) {
	for i, b := range by {
		sum += float64(b * w.other.less[i])
	}
	return sum
}

// see takes an observation of sum by[i] x[i] that is so much off, and than by the other explanation, with a variance of its own.
func (w *worn) see(by *[worns]float64, off, than, v float64) {
	with, all := w.spread(by, v)
	for i := range with {
		w.x[i] = short(w.x[i] + float64(with[i]*off)/all)
		w.other.less[i] = short(w.other.less[i] + float64(with[i]*(than-off))/all)
		for j := i; j < worns; j++ {
			w.p[i][j] = short(w.p[i][j] - float64(with[i]*with[j])/all)
			w.p[j][i] = w.p[i][j]
		}
	}
}

// another says that the nozzle may be another one, by what others have found, ln A^2/A0^2: what was known of it and of the hose does not count any more.
func (w *worn) another(bore float64) {
	if !w.begun {
		return
	}
	w.x[ofBore], w.x[ofHose], w.x[ofMix], w.gust, w.other = short(bore), 0, 0, 0, other{}
	w.forget(ofBore, anotherSD)
	w.forget(ofHose, 2*anotherSD)
	w.forget(ofMix, turnedSD)
	w.n, w.inlets, w.tees, w.u, w.nozzle, w.inlet, w.tee = 0, 0, 0, 0, 0, 0, 0
}

// told is ln A^2/A0^2 of the nozzle and ln r/r0 of the hose, as they are said: of the hose nothing that may be an error, and the nozzle then as it is
// with a sound hose.
func (w *worn) told() (bore, hose float64) {
	bore, hose = w.x[ofBore], w.x[ofHose]
	v := w.p[ofHose][ofHose]
	if v <= 0 || hose*hose > float64(certain*certain*v) && (hose > saidOver || hose < -freer) {
		return bore, hose
	}
	return bore - w.p[ofBore][ofHose]/v*hose, 0
}

// sound tells whether bore and hose are as they were, as far as can be seen: else the loading that others tell is off by as much, and says nothing of the baseline's.
func (w *worn) sound() bool {
	return math.Abs(w.x[ofBore]) < soundBore && math.Abs(w.x[ofHose]) < soundHose
}

func square(x float64) float64 { return float64(x * x) }

func (w *worn) fields(c *statecodec.Codec) {
	statecodec.Bool(c, &w.begun)
	if !w.begun {
		*w = worn{}
		return
	}
	for i := range w.x {
		statecodec.Float(c, &w.x[i])
		for j := i; j < worns; j++ {
			statecodec.Float(c, &w.p[i][j])
			w.p[j][i] = w.p[i][j]
		}
	}
	statecodec.Float(c, &w.gust)
	statecodec.Float(c, &w.clog)
	o := &w.other
	statecodec.Int(c, &o.age)
	if o.age == 0 {
		*o = other{}
	} else {
		statecodec.Float(c, &o.odds)
		for i := range o.less {
			statecodec.Float(c, &o.less[i])
		}
	}
	statecodec.Int(c, &w.n)
	statecodec.Int(c, &w.inlets)
	statecodec.Int(c, &w.tees)
	for _, v := range [...]*float64{&w.u, &w.nozzle, &w.inlet, &w.tee} {
		statecodec.Float(c, v)
	}
}
