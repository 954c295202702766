package level

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/steady"
	"gritwatch/server/internal/engine/stroke"
)

// Nominal figures, common practice, no source, but where one stands.
const (
	usableVolume = 0.9  // of the vessel's volume: what abrasive fills at most
	nominalBulk  = 1600 // kg/m3, 100 lb/ft3
	nominalSolid = 3500 // kg/m3, 220 lb/ft3
	freeGas      = 0.8  // gas between grains stays isothermal, free gas does not: the time falls by less than the volume does
	fullShare    = 1.0  // of capacity, which is what a fill to the full holds
	fullSD       = 0.008
	emptyShare   = 0.003 // when the stream stops
	emptySD      = 0.006
	nearlyEmpty  = 0.03 // when a crew fills a pot of which nothing tells that it ran empty
	nearlySD     = 0.05
	startShare   = 0.9 // most shifts begin with a full pot
	startSD      = 0.25
	lostShare    = 0.35 // what a pot holds that should be empty and is not
	mostShare    = 1.05
	sameSounding = 0.15 // two soundings of one rest differ by less, unless the pot was filled between them
	shrinkSD     = 0.15 // of freeGas
	mostlyFull   = 0.8  // of the fills are to the full
)

// Noise, of simulated pots.
const (
	ventSD        = 0.022 // of ln vent time
	fillSD        = 0.022
	fillBlind     = 0.06         // without a feed point
	bleed         = 0.05         // of the vent time, for each unit of loading
	flowSD        = 0.3          // of ln flow: kappa a fifth off makes it a third
	flowWalk      = 0.017 / 24.5 // of ln flow, for each root second: 0.017 in ten minutes
	blindWalk     = 8            // times that where nothing tells the setting
	headWalk      = 2.5          // times that without a nozzle point
	flowNoise     = 0.04         // of the flow, in each second
	warm          = 0.12         // of ln vent time after a very short blast
	warmFor       = 10.0         // s
	spreadAtFirst = 0.03         // of ln flow, variance between settings
	// wobbleLeft is how much of the variance of shortFlow over steadyFlow is left in steadyFlow, if the flow flickers from
	// second to second: 1/120 over 1/24 + 1/120 - 2/72, the variances of running means of 12 and 60 s.
	wobbleLeft = 0.375
	blastLeast = 4 * time.Second
	fillsFrom  = 30 * time.Second // of rest: a shorter one is none in which a pot is filled
	mostFall   = 40 * si.KPa      // a second, of the vessel in a blast: compressors that load and unload make it 25 in simulated pots
	pressGap   = 3 * time.Second  // between two seconds of blasting: more is a rest; common practice, no source
)

// A Filter follows the abrasive in one pot. It costs a constant time a call and allocates nothing. It is a value: a copy
// is a saved state. Not safe for concurrent use.
type Filter struct {
	params   Params
	capacity float64 // kg
	shrinks  float64 // by what share the times fall from empty to full, by the dimensions

	meter  meter
	path   path
	tee    tee
	branch branch
	b      belief // as of the last stroke
	// What was drawn since then, by the formula, shares of capacity; the squares of the seconds' parts; seconds of blasting.
	drawn, squares, lasted float64
	whole                  float64    // drawn since the filter began, likewise by the formula
	sounds                 [2]sounder // by Sounder
	est                    Estimate   // the parts that are kept

	ask      float64 // how likely the pot was filled since the last sounding, before that sounding
	askAt    si.Instant
	wasFull  bool    // the fill that goes on began full
	rested   bool    // no second of blasting since the last sounding
	faded    bool    // the last press ended in a stream that was fading
	carried  float64 // how much likelier by the ends of streams and by vents the stop that goes on is one of a pot that has run empty; 0: none goes on
	anchored bool    // the pot has run empty once: before that the level is hardly more than a guess

	steadyFlow float64 // kg/s, mean of the last minute of blasting
	longFlow   float64 // of the last forty minutes
	spread     float64 // variance of ln of the first over the second
	wobble     float64 // variance of ln of shortFlow over the first
	seconds    float64 // of blasting behind them
	shortFlow  float64

	lastBlast si.Instant // of the last second of blasting
	duty      float64
	dutyOf    float64
}

// A sounder keeps how well its soundings fit.
type sounder struct {
	unit float64 // s, the first time that it gave; 0: none yet
	fit  float64 // mean of the squares of the misfits over what was expected
	n    int
}

// New is a filter that has seen nothing.
func New(p Params) *Filter {
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	bulk, solid := Densities(p.Bulk, p.Solid)
	f := &Filter{params: p, capacity: usableVolume * float64(bulk) * float64(p.Volume), meter: newMeter(p), tee: newTee(), branch: newBranch()}
	f.shrinks = freeGas * usableVolume * float64(bulk/solid)
	f.begin(&f.b, startShare, startSD)
	f.b.settle()
	f.est.Capacity = si.Mass(f.capacity)
	for i := range f.sounds {
		f.sounds[i].fit = 1
	}
	f.ask = 0.5
	return f
}

// Densities are those of an abrasive as it lies and of its grains: as configured, else nominal. Where one of them alone is configured the
// other one follows from it, so that as much of the bulk is grain as nominally.
func Densities(bulk, solid si.Density) (si.Density, si.Density) {
	switch {
	case bulk <= 0 && solid > 0:
		return solid * nominalBulk / nominalSolid, solid
	case bulk <= 0:
		bulk = nominalBulk
	}
	if solid <= bulk {
		solid = bulk * nominalSolid / nominalBulk
	}
	return bulk, solid
}

// begin sets a belief to a share, and all else to what is known of every pot.
func (f *Filter) begin(b *belief, share, sd float64) {
	*b = belief{}
	b.x[iShare], b.x[iBleed] = share, bleed
	for i, s := range [states]float64{iShare: sd, iFlow: flowSD, iBleed: bleed / 2} {
		b.p[i][i] = float64(s * s)
	}
	b.straighten()
}

// Second takes one second of blasting; middle is the second before it, its rate that of its own middle, not Rated where that is not known.
func (f *Filter) Second(s, middle *steady.Second) {
	dt := s.Span.Seconds()
	if !(dt > 0) || f.capacity <= 0 || vents(s) {
		return
	}
	if f.apart(s) {
		f.Break()
	}
	f.clock(s.At, dt)
	m := f.meter.second(s, middle)
	f.rested = false
	f.path.second(s, f.meter.age, f.meter.flows(), f.meter.stopped > 0)
	f.tee.second(s, &f.meter, &m)
	switch {
	case m.stops && f.est.Stop != Flowing:
		if f.est.StopSince = s.At; f.carried > 0 {
			f.judge() // the stop of the press before goes on
		} else {
			f.est.Stop = f.cause()
		}
	case f.meter.stopped > 0 && f.est.Stop == Flowing:
		f.say(s.At)
	case m.goes, f.est.Stop != Flowing && f.meter.stopped == 0 && f.meter.flown:
		f.path.proven(Blocked)
		f.tee.proven(Blocked)
		f.branch.proven(Blocked)
		f.est.Stop, f.est.StopSince, f.carried = Flowing, 0, 0
	case f.meter.stopped > 0 && f.meter.stopped < judgedFor:
		f.judge()
	}
	q := m.flow
	if f.meter.stopped == 0 {
		f.draw(m.drawn, dt)
	}
	if f.meter.stopped == 0 && f.meter.flown || f.meter.source == bySetting {
		f.setting(q, dt)
	}
}

// vents tells whether the vessel falls as in no blast: then it vents, and that the handle was let go has not been heard.
func vents(s *steady.Second) bool { return s.Rated && s.Rate < -mostFall }

// apart tells whether a second belongs to another press than the one before. Strokes tell of presses too, but not of one that was not seen to
// begin, nor of its vent.
func (f *Filter) apart(s *steady.Second) bool {
	return f.lastBlast != 0 && s.At.Sub(f.lastBlast) > max(pressGap, 5*s.Span/2)
}

// draw takes a second's flow by the formula out of the level.
func (f *Filter) draw(q, dt float64) {
	d := q * dt / f.capacity
	f.est.Used = si.Mass(short(float64(f.est.Used) + d*f.capacity*math.Exp(f.b.x[iFlow])))
	f.drawn = short(f.drawn + d)
	f.whole = short(f.whole + d)
	f.squares = short(f.squares + float64(d*d))
	f.lasted = short(f.lasted + dt)
}

// drawnFrom is the belief after what was drawn since the last stroke, (6).
func (f *Filter) drawnFrom(b *belief) {
	if f.lasted == 0 {
		return
	}
	b.x[iShare] -= f.drawn * math.Exp(b.x[iFlow])
	d := b.line.flow * f.drawn
	b.line.share = short(b.line.share - d)
	for j := range states {
		b.p[iShare][j] -= float64(d * b.p[iFlow][j])
	}
	for j := range states {
		b.p[j][iShare] -= float64(d * b.p[j][iFlow])
	}
	b.p[iShare][iShare] += float64(flowNoise*b.line.flow) * float64(flowNoise*b.line.flow) * f.squares
	walk := flowWalk
	switch f.meter.source {
	case bySetting:
		walk *= blindWalk
	case byHead:
		walk *= headWalk
	}
	b.p[iFlow][iFlow] += float64(walk*walk) * f.lasted
	b.bound()
}

// settle takes what was drawn into the belief.
func (f *Filter) settle() {
	f.drawnFrom(&f.b)
	f.drawn, f.squares, f.lasted = 0, 0, 0
}

// setting follows the flow by the formula, for the time to come.
func (f *Filter) setting(q, dt float64) {
	if f.seconds == 0 {
		f.shortFlow, f.steadyFlow, f.longFlow = q, q, q
	}
	f.seconds = short(f.seconds + dt)
	gain := func(t float64) float64 { return dt / min(t, f.seconds) }
	f.shortFlow = short(f.shortFlow + gain(12)*(q-f.shortFlow))
	f.steadyFlow = short(f.steadyFlow + gain(60)*(q-f.steadyFlow))
	f.longFlow = short(f.longFlow + gain(2400)*(q-f.longFlow))
	if f.seconds == dt {
		f.spread = spreadAtFirst
	}
	if f.seconds > 120 && f.shortFlow > 0 && f.steadyFlow > 0 && f.longFlow > 0 {
		l, w := math.Log(f.steadyFlow/f.longFlow), math.Log(f.shortFlow/f.steadyFlow)
		k := dt / (300 + min(900, f.seconds))
		f.spread = short(f.spread + k*(float64(l*l)-f.spread))
		f.wobble = short(f.wobble + k*(float64(w*w)-f.wobble))
	}
}

// clock follows the crew's duty.
func (f *Filter) clock(at si.Instant, dt float64) {
	const memory, longest = 1800.0, 300.0
	gap := dt
	if f.lastBlast != 0 {
		gap = max(dt, min(longest, at.Sub(f.lastBlast).Seconds()))
	}
	f.lastBlast = at
	k := math.Exp(-gap / memory)
	f.duty, f.dutyOf = short(f.duty*k+dt), short(f.dutyOf*k+gap)
}

// Press takes one completed press.
func (f *Filter) Press(p *stroke.Press) {
	// A press whose rise was not timed is told of late: then what has been seen of it stands.
	if f.meter.began < p.At || !f.meter.flown && f.meter.stopped == 0 {
		f.meter.rest()
	}
	f.path.press(p.Rested > fillsFrom)
	f.tee.press(p.Rested > fillsFrom)
	f.settle()
	if s, sd := f.b.x[iShare], math.Sqrt(f.b.p[iShare][iShare]); s < -0.05-2*sd {
		// It goes on flowing from an empty pot: the level was believed wrongly.
		f.restart(&f.b, lostShare, startSD)
		f.anchored = false
	}
	if vented := float64(p.From-f.params.Ambient) < 20*si.KPa; vented && p.Rested > fillsFrom {
		f.maybeFilled(p.At, p.Rested)
	}
	if p.Fill > 0 {
		r := fillSD
		if p.Feed == 0 {
			r = fillBlind
		}
		f.sound(ByPress, p.At, p.Fill, r, 0)
	}
	f.b.settle()
}

// maybeFilled says how likely the pot was filled during a rest.
func (f *Filter) maybeFilled(at si.Instant, rested time.Duration) {
	t := rested.Seconds()
	p := 0.3 * (1 - math.Exp(-(t-30)/90))
	if f.est.Stop == Empty {
		p = 0.9
	} else if f.b.x[iShare] < 0.15 {
		p = min(0.9, 2*p)
	}
	if p > f.ask {
		f.ask, f.askAt = coarse(p), at
	}
}

// Vent takes one completed vent.
func (f *Filter) Vent(v *stroke.Vent) {
	mu := f.meter.usual
	stopped, thinned, dry := f.meter.stopped > 0, f.thinned()*f.air(), f.ranDry()
	odds := dry / (1 - dry)
	if stopped && f.est.Stop == Flowing {
		f.est.Stop, f.est.StopSince = f.cause(), v.At
	}
	f.carry()
	f.path.ends()
	if s, ok := f.branch.sees(&f.meter, v); ok {
		switch {
		case stopped:
			told := f.branch.stop(&s, f.anchored)
			thinned *= told
			odds *= told
			f.carried = short(max(1/mostCarried, min(mostCarried, f.carried*told)))
		case f.meter.flown && v.Blast >= branchBlast:
			f.branch.learn(&s)
		}
	}
	if f.meter.flown || !stopped {
		f.faded = f.meter.flown && f.meter.enters < 0.35*f.meter.usual && f.meter.mu < 0.7*f.meter.usual
	}
	if f.meter.source != bySetting && f.meter.mu > 0 {
		mu = f.meter.mu
	}
	f.meter.rest()
	f.settle()
	stop := f.est.Stop
	if v.Time > 0 && v.Blast >= blastLeast {
		cold := warm * math.Exp(-v.Blast.Seconds()/warmFor)
		t := v.Time.Seconds() * math.Exp(cold)
		r := math.Hypot(ventSD, cold/2)
		switch {
		case stopped:
			switch word := f.causeByVent(t, r, thinned); {
			case word == Blocked:
				f.sound(ByVent, v.At, t, math.Hypot(r, 0.02), 0)
				fallthrough
			case word == Undecided:
				if stop != Flowing {
					f.est.Stop = word
				}
			default:
				f.est.Stop = word
			}
		default:
			f.sound(ByVent, v.At, t, r, mu)
		}
	} else if stopped {
		// No time tells the cause, but what else was seen of the stop, and of how the vessel vents, stands.
		switch {
		case odds > unlearned:
			f.est.Stop = Empty
		case odds < 1/unlearned:
			f.est.Stop = Blocked
		}
	}
	f.b.settle()
}

// ranEmpty takes a belief for one of a pot that holds as good as nothing.
func (f *Filter) ranEmpty(b *belief, share, sd float64) {
	if !f.anchored {
		f.restart(b, share, sd)
		return
	}
	h := [states]float64{iShare: 1}
	b.update(share-b.x[iShare], float64(sd*sd), &h)
	b.straighten()
}

// restart drops from a belief all but how long vent and charge take now, and sets the share. With the share s and the
// shrinking a by the dimensions, both uncertain, a time is c (1 - a s).
func (f *Filter) restart(b *belief, share, sd float64) {
	old := *b
	f.begin(b, share, sd)
	for i, c := range [...]int{iVent, iFill} {
		if f.sounds[i].unit > 0 {
			d, h := old.expect(Sounder(i), 0, usualLoading)
			v, _ := old.gain(&h)
			f.calibrate(b, c, -d, v+float64(ventSD*ventSD)*d*d)
		}
	}
}

// calibrate makes the calibration c of a sounder from one time t, with its variance.
func (f *Filter) calibrate(b *belief, c int, t, v float64) {
	s, a := max(0, min(1, b.x[iShare])), f.shrinks
	left := 1 - float64(a*s)
	b.x[c], b.x[c+1] = t/left, t*a/left
	// Gradients of both by t, by s and by a.
	gt := [2]float64{1 / left, a / left}
	gs := [2]float64{t * a / (left * left), t * a * a / (left * left)}
	ga := [2]float64{t * s / (left * left), t / (left * left)}
	va := shrinkSD * shrinkSD * a * a
	for k := range 2 {
		for j := range states {
			if j != c && j != c+1 {
				r := gs[k] * b.p[iShare][j]
				b.p[c+k][j], b.p[j][c+k] = r, r
			}
		}
	}
	for k := range 2 {
		for l := range 2 {
			b.p[c+k][c+l] = float64(gs[k]*gs[l])*b.p[iShare][iShare] + float64(ga[k]*ga[l])*va + float64(gt[k]*gt[l])*v
		}
	}
	b.straighten()
}

// expect is by how much a measured time, in units, is off the expected one of (5), and the expected one's gradient.
func (b *belief) expect(by Sounder, y, mu float64) (d float64, h [states]float64) {
	c, a := iVent, iVentA
	if by == ByPress {
		c, a = iFill, iFillA
	}
	s := b.x[iShare]
	want := b.x[c] - float64(b.x[a]*s)
	h[c], h[a] = 1, -b.line.share
	h[iShare] = -b.falls[by]
	if by == ByVent {
		want += b.x[iBleed] * (mu - usualLoading)
		h[iBleed] = mu - usualLoading
	}
	return y - want, h
}

// sound takes a sounding: a time, its noise as a share of it, and the loading at the release.
func (f *Filter) sound(by Sounder, at si.Instant, t, sd, mu float64) {
	if !(t > 0) || math.IsInf(t, 0) {
		return
	}
	if f.meter.source == bySetting {
		mu = usualLoading
	}
	k := &f.sounds[by]
	if k.unit == 0 {
		k.unit = short(t)
		f.calibrate(&f.b, [...]int{iVent, iFill}[by], 1, float64(sd*sd))
		f.ask = 0
		return
	}
	y := t / k.unit
	sd *= y
	f.raw(by, at, y, mu, sd)
	r := sd * sd * max(0.04, min(9, k.fit))
	ask := f.ask
	f.ask = 0
	if ask < 0.01 {
		d, h := f.b.expect(by, y, mu)
		hph, _ := f.b.gain(&h)
		if n := d * d / (hph + r); n > 9 {
			r *= n / 9 // one that does not fit counts less
		}
		k.learn(f.b.update(d, r, &h), hph, r)
		return
	}
	f.filled(by, y, mu, r, ask)
}

// Stories of a rest.
const (
	notFilled   = iota
	fullAgain   // filled to the full, whatever it held
	emptyToFull // filled to the full after it ran empty
	toppedUp
	stories
)

// filled takes the first sounding after a rest in which the pot may have been filled: it weighs the stories of that rest.
func (f *Filter) filled(by Sounder, y, mu, r, ask float64) {
	var bs [stories]belief
	for i := range bs {
		bs[i] = f.b
	}
	// The stream had stopped, or was about to: if it was filled, then since it was empty.
	empty := f.est.Stop == Empty || f.est.Stop == Undecided || f.est.Stop == Blocked && !f.anchored || f.faded
	w := [stories]float64{1 - ask, ask * mostlyFull, 0, ask * (1 - mostlyFull)}
	switch {
	case empty:
		f.ranEmpty(&bs[toppedUp], emptyShare, emptySD)
		w[fullAgain], w[emptyToFull] = 0, w[fullAgain]
	default:
		// Once in a fill, at its end, it counts that the pot cannot have held less than nothing.
		bs[toppedUp].notNegative(-3)
		if !f.anchored || f.meter.source == bySetting {
			// Nothing else shows when it is empty: most crews fill a pot then.
			w[fullAgain], w[emptyToFull] = 0.3*w[fullAgain], 0.7*w[fullAgain]
		}
	}
	bs[fullAgain] = bs[toppedUp]
	switch {
	case empty:
		bs[emptyToFull] = bs[toppedUp]
	case w[emptyToFull] > 0:
		f.ranEmpty(&bs[emptyToFull], nearlyEmpty, nearlySD)
	}
	s := max(0, min(1, bs[toppedUp].x[iShare]))
	bs[fullAgain].forget(iShare, fullShare, fullSD)
	bs[emptyToFull].forget(iShare, fullShare, fullSD)
	bs[toppedUp].forget(iShare, (s+1)/2, math.Hypot((1-s)/3.5, 0.03))
	sum := 0.0
	for i := range bs {
		if i != notFilled {
			bs[i].straighten()
		}
		d, h := bs[i].expect(by, y, mu)
		hph, _ := bs[i].gain(&h)
		v := hph + r
		n := d * d / v
		w[i] *= math.Exp(-min(n, 60)/2) / math.Sqrt(v)
		sum += w[i]
		bs[i].update(d, r, &h)
	}
	if !(sum > 0) {
		return
	}
	for i := range w {
		w[i] /= sum
	}
	from := f.b.x[iShare]
	f.b = mix(bs[:], w[:])
	f.b.bound()
	if w[notFilled] > 0.2 {
		return
	}
	f.b.straighten()
	full := w[fullAgain]+w[emptyToFull] > w[toppedUp]
	if f.askAt != 0 {
		if empty {
			from = emptyShare
			f.path.proven(Empty)
			f.tee.proven(Empty)
			f.branch.proven(Empty)
		} else {
			f.path.forget()
			f.tee.forget()
			f.branch.last = 0
		}
		f.est.Refills++
		f.est.Refill = Refill{At: f.askAt, From: si.Ratio(coarse(max(0, from))), To: si.Ratio(coarse(f.b.x[iShare])), Full: full}
		f.est.Stop, f.est.StopSince, f.carried = Flowing, 0, 0
	}
	if empty && f.wasFull {
		f.est.Fills++
	}
	f.anchored = f.anchored || empty || w[emptyToFull] > 0.5
	f.wasFull, f.faded = full, false
}

// learn keeps how well soundings fit.
func (k *sounder) learn(squares, hph, r float64) {
	k.n++
	if hph > 4*r {
		return // it says more of the calibration than of the noise
	}
	k.fit = coarse(k.fit + (min(squares, 9)-k.fit)/float64(min(40, 10+k.n)))
}

// raw keeps what a sounding alone tells; a press together with the vent before it, where they tell the same.
func (f *Filter) raw(by Sounder, at si.Instant, y, mu, sd float64) {
	b := f.b
	b.x[iShare] = 0
	d, _ := b.expect(by, y, mu)
	a := b.x[[...]int{iVentA, iFillA}[by]]
	s := max(-0.2, min(1.2, -d/a))
	sd *= math.Sqrt(max(0.1, f.sounds[by].fit)) / a
	e := &f.est
	if last := float64(e.Sounding); by == ByPress && e.SoundedBy == ByVent && e.SoundingAt != 0 && f.rested && math.Abs(s-last) < sameSounding {
		w := sd * sd / (sd*sd + float64(e.SoundingSD*e.SoundingSD))
		s += w * (last - s)
		sd *= math.Sqrt(1 - w)
	}
	f.rested = by == ByVent
	e.Sounding, e.SoundingSD, e.SoundingAt, e.SoundedBy = si.Ratio(coarse(s)), si.Ratio(coarse(sd)), at, by
}

// carry keeps what has been seen of a stop for the press after this one.
func (f *Filter) carry() {
	if f.meter.stopped > 0 && f.meter.source == byHose {
		f.carried = short(f.thinned())
	}
}

// Break says that what came between is not known.
func (f *Filter) Break() {
	f.carry()
	f.meter.rest()
	f.path.ends()
}

// Rest takes the absolute pressures, Pa, of the points in has at an instant at which the pot has been at rest for some time.
func (f *Filter) Rest(has points.Set, p *[points.Count]float64) {
	f.path.rest(has, p)
	f.branch.rest(has, p)
}
