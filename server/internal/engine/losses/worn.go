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
	window     = 15   // s that make one observation: the mix comes in gusts, and its logarithms are not straight
	fewest     = 6    // of these seconds, with the observation there
	inletOne   = 0.17 // standard deviation of F by the inlet, of one second
	teeOne     = 0.4  // the same by the tee
	mixOne     = 0.1  // of what hose and nozzle show of the mix, of one second
	inletSD    = 0.015
	inletBack  = 1800 // s in which what F is off by the inlet is forgotten
	boreMoves  = 0.1  // of a state in an hour of blasting, if it goes this way and that
	hoseMoves  = 0.45
	mixMoves   = 0.02  // the same of the mix, while nobody turns the metering valve
	firstSD    = 0.005 // of bore and hose when the baseline was taken
	mixSD      = 0.2   // of the mix at first
	turnedAt   = 2.5   // standard deviations: two observations in a row on one side, and the metering valve was turned, or the hose kinked
	turnedSD   = 0.3   // of the mix after that
	teeSD      = 0.12  // of the gauges' share
	teeClogged = 0.06  // of ln r of the tee: its loss tells of itself, not of the bore
	teeShut    = 0.07  // the same: the choke is partly shut
	teeSlowly  = 10    // observations behind what the tee shows over the inlet: one alone is as unsure as a tee that has half clogged
	teeDoubt   = 0.2   // of all that its loss has moved
	jumpAt     = 3.0   // standard deviations: two observations in a row on one side, and the hose has jumped
	jumpDoubt  = 0.04  // of F: more of what is not known of the states does not hide a jump
	jumpSD     = 0.1   // of the hose after one
	anotherSD  = 0.1   // of what others tell of another nozzle, and half of the hose's then
	leaks      = 0.3   // of ln m^2 by the inlet over that by the tee, whatever the mix
	certain    = 2.5   // standard deviations from which the hose is said to be clogged
	still      = 2.0   // the same of one that is said to be
	saidOver   = 0.03  // of ln r: less is not said to be clogged
	freerSD    = 0.15  // of ln r under 0: no hose becomes freer than it was
	freer      = 0.3   // of ln r under 0: unless it was kinked when the baseline was taken
	narrowSD   = 0.05  // of ln A^2 under 0: no nozzle narrows
	narrower   = 0.3   // of ln A^2 under 0: unless a smaller one was put in
	soundBore  = 0.04
	soundHose  = 0.08
	leastMu    = 1.0 / 3 // of the baseline's loading: less is as good as air alone, at which the tee and what is not known of kappa tell nothing
)

// A worn tells a worn nozzle from a clogged hose; see the package's documentation. The zero value has seen nothing.
type worn struct {
	begun bool
	x     [worns]float64
	p     [worns][worns]float64 // covariance
	odd   float64               // an observation that was far off, waiting for the next; 0: none
	gust  float64               // what hose and nozzle showed that was far off, waiting for the next; 0: none
	said  bool                  // the hose is said to be clogged
	clog  float64               // ln r of the tee over the inlet's F, smoothed

	// Sums of the seconds that make the next observation.
	n, inlets, tees int32
	u, nozzle       float64 // x of the hose less n, and n
	inlet, tee      float64 // F less n, and x of the tee less n
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
		for i, sd := range [worns]float64{firstSD, firstSD, inletSD, teeSD, mixSD} {
			w.p[i][i] = short(sd * sd)
		}
	}
	w.moves()
	if v.inletKnown && w.mix(a, v.hose-v.nozzle).mu < leastMu*a.mu0 && a.faster(w.x[ofBore], v.inlet-v.nozzle-w.x[ofInlet]) < leastMu*a.mu0 {
		return // as good as air alone, by hose and inlet
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
		w.observe(a)
		_, hose := w.told()
		w.said = hose > saidOver
		w.n, w.inlets, w.tees, w.u, w.nozzle, w.inlet, w.tee = 0, 0, 0, 0, 0, 0, 0
	}
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
	for i := range w.p {
		w.p[i][ofInlet] = short(stays * w.p[i][ofInlet])
		w.p[ofInlet][i] = w.p[i][ofInlet]
	}
	w.p[ofInlet][ofInlet] = short(float64(stays*w.p[ofInlet][ofInlet]) + (1-stays*stays)*inletSD*inletSD)
}

// observe takes what the sums tell. By hose and nozzle a loading is known, and by that F, as far as bore and hose are known.
func (w *worn) observe(a *air) {
	if w.inlets < fewest {
		return
	}
	k := airflow.HandbookSlowing
	u, n, inlet := w.u/float64(w.n), w.nozzle/float64(w.n), w.inlet/float64(w.inlets)
	m := w.usual(a)
	flow := w.x[ofBore] - a.slowed(m.mu) // F less n
	doubted := func() float64 { return float64(teeDoubt * math.Abs(n+flow+m.tee)) }
	twice := false
	if w.tees < fewest || w.clog < teeShut+doubted() { // else the mix is quite another one, and goes back with the choke
		var taken bool
		if taken, twice = w.turn(u); !taken {
			return // a gust, or seconds without abrasive among the others
		}
		m = w.usual(a)
		flow = w.x[ofBore] - a.slowed(m.mu)
	}
	tee, clog, doubt := 0.0, 0.0, 0.0
	if w.tees >= fewest {
		tee = w.tee / float64(w.tees)
		// What abrasive adds is reckoned from the inlet: a hose that is not what it is taken for would pass for a tee that has clogged. Nor is it less than
		// that of the mix as it was: while the choke was shut the nozzle has worn, and the inlet, held against the former bore, would have it shut for ever.
		mixed := max(m.tee, a.mix(a.faster(w.x[ofBore], inlet-w.x[ofInlet])).tee)
		w.clog = short(w.clog + (tee-inlet-mixed-w.clog)/teeSlowly)
		clog, doubt = w.clog, doubted()
		if tee-inlet < -leaks {
			return // more goes into the vessel than the nozzle takes
		}
	}
	slow, drag := float64(k*m.mu)/(1+float64(k*m.mu)), float64(a.kappa*m.mu)/(1+float64(a.kappa*m.mu))
	lean := slow / max(0.1, drag-slow) // how much F falls with the mix
	by, off, v := [worns]float64{ofBore: 1, ofMix: -lean, ofInlet: 1}, inlet-flow-w.x[ofInlet], inletOne*inletOne/float64(w.inlets)
	if twice && w.odd == 0 {
		w.odd = off // hose and nozzle have shown it in two observations
	}
	if _, all := w.spread(&by, v); math.Abs(off) > jumpAt*math.Sqrt(min(all, v+jumpDoubt*jumpDoubt)) {
		was := w.odd
		if w.odd = short(off); was*off > 0 {
			w.jumped(a, u, inlet, tee)
		}
		return // one alone moves nothing
	}
	w.odd = 0
	if clog > teeShut+doubt {
		return // air goes through the metering valve too, and the mix is quite another one
	}
	w.see(&by, off, v)
	if w.tees >= fewest && clog < teeClogged+doubt {
		// In differences of squares an error of a pressure grows with the pressure, half as fast as they do.
		share := n/2 - (n + flow + m.tee)
		w.see(&[worns]float64{ofBore: 1 - w.x[ofTee], ofTee: share}, tee-flow-m.tee-float64(w.x[ofTee]*share), teeOne*teeOne/float64(w.tees))
	}
	if h := w.x[ofHose]; h < 0 {
		w.see(&[worns]float64{ofHose: 1}, -h, freerSD*freerSD)
	}
	if bore := w.x[ofBore]; bore < 0 && bore > -narrower {
		w.see(&[worns]float64{ofBore: 1}, -bore, narrowSD*narrowSD)
	}
}

// jumped takes what has jumped. A nozzle of another bore moves what the inlet and what the tee lose over the square of its pressure, by as much; a kinked
// hose moves neither, and its resistance is found anew with the nozzle as it was, and the loading by the inlet.
func (w *worn) jumped(a *air, u, inlet, tee float64) {
	w.odd = 0
	more, mixed := inlet-w.x[ofInlet]-w.x[ofBore], tee-w.x[ofBore]
	if step := math.Copysign(min(math.Abs(more), math.Abs(mixed)), more); w.tees >= fewest && more*mixed > 0 && math.Abs(step) > newNozzle {
		w.another(w.x[ofBore] + step)
		return
	}
	mu := max(0, a.faster(w.x[ofBore], inlet-w.x[ofInlet]))
	w.x[ofMix] = short(a.richOf(mu) - a.richOf(a.mu0))
	w.x[ofHose] = short(u - w.x[ofBore] - w.x[ofMix])
	w.forget(ofHose, jumpSD)
	w.forget(ofMix, jumpSD)
	w.p[ofHose][ofMix], w.p[ofMix][ofHose] = short(-jumpSD*jumpSD), short(-jumpSD*jumpSD) // their sum is known
}

// turn takes what hose and nozzle show: what bore, hose and mix make together. As long as it moves slowly it is the bore or the hose; at once it is the mix, as the crew
// turns the metering valve more often than a hose kinks, and the inlet has to say that it is not. One observation alone that is far off is neither: false, and it is left out.
// To take it for another mix would throw away what is known of the one that comes back.
func (w *worn) turn(u float64) (taken, turned bool) {
	by, off, v := [worns]float64{ofBore: 1, ofHose: 1, ofMix: 1}, u-w.x[ofBore]-w.x[ofHose]-w.x[ofMix], mixOne*mixOne/float64(w.n)
	was := w.gust
	w.gust = 0
	if _, all := w.spread(&by, v); off*off > turnedAt*turnedAt*all {
		if !(was*off > 0) {
			w.gust = short(off)
			return false, false
		}
		turned = true
		w.p[ofMix][ofMix] = short(w.p[ofMix][ofMix] + turnedSD*turnedSD)
	}
	w.see(&by, off, v)
	return true, turned
}

// usual is the mix as it is followed.
func (w *worn) usual(a *air) mix { return a.mix(a.atRich(w.x[ofMix] + a.richOf(a.mu0))) }

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

// see takes an observation of sum by[i] x[i] that is so much off, with a variance of its own. One that is over three deviations off counts for less.
func (w *worn) see(by *[worns]float64, off, v float64) {
	with, all := w.spread(by, v)
	if far := float64(off*off) / all; far > 9 {
		all *= far / 9
	}
	for i := range with {
		w.x[i] = short(w.x[i] + float64(with[i]*off)/all)
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
	w.x[ofBore], w.x[ofHose], w.x[ofMix], w.odd, w.gust, w.said = short(bore), 0, 0, 0, 0, false
	w.forget(ofBore, anotherSD)
	w.forget(ofHose, 2*anotherSD)
	w.forget(ofMix, turnedSD)
	w.n, w.inlets, w.tees, w.u, w.nozzle, w.inlet, w.tee = 0, 0, 0, 0, 0, 0, 0
}

// told is ln A^2/A0^2 of the nozzle and ln r/r0 of the hose, as they are said: of the hose nothing that may be an error, and the nozzle then as it is
// with a sound hose. What has been said is said on with less: a kink stays until somebody straightens it.
func (w *worn) told() (bore, hose float64) {
	bore, hose = w.x[ofBore], w.x[ofHose]
	v := w.p[ofHose][ofHose]
	if v <= 0 {
		return bore, hose
	}
	less := hose
	sure := certain
	if w.said {
		sure = still
	}
	if doubt := float64(sure * sure * v); hose*hose > doubt && (hose > 0 || hose < -freer) {
		less = hose * square(doubt/(hose*hose))
	}
	return bore - w.p[ofBore][ofHose]/v*less, hose - less
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
	statecodec.Float(c, &w.odd)
	statecodec.Float(c, &w.gust)
	statecodec.Bool(c, &w.said)
	statecodec.Float(c, &w.clog)
	statecodec.Int(c, &w.n)
	statecodec.Int(c, &w.inlets)
	statecodec.Int(c, &w.tees)
	for _, v := range [...]*float64{&w.u, &w.nozzle, &w.inlet, &w.tee} {
		statecodec.Float(c, v)
	}
}
