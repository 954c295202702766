package losses

import (
	"math"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/finding"
	"gritwatch/server/internal/engine/steady"
)

// Params are what losses use of a pot's configuration; zeros: not known.
type Params struct {
	Points     points.Set
	Ambient    si.AbsPressure // 0: standard
	Target     si.GaugePressure
	Volume     si.Volume // of the vessel
	Bore       si.Length // of the nozzle, when new
	HoseBore   si.Length
	HoseLength si.Length
	Baseline   baseline.Set // what people recorded
}

// An Aside is what others know of the pot; zeros: not known.
type Aside struct {
	Loading   si.Ratio  // kg of abrasive a kg of air
	Separator si.Ratio  // resistance of the separator segment over its baseline, as the presses tell it
	Bore      si.Length // of the nozzle, as it is now
	Air       si.Volume // that air fills in the vessel
}

// A Part is what one segment costs, or several in a row between whose ends the pot has no points.
type Part struct {
	Known bool
	From  points.Point // where it begins; it ends where its segment ends
	// Excess is the drop over that of the baseline; it is the sum of the three others where Split.
	Excess                si.PressureDrop
	Split                 bool // false: the drop, or the baseline's, is too small to be split, or its end is computed
	Flow, Mix, Resistance si.PressureDrop
}

// An Estimate is what is known of the last second of blasting.
type Estimate struct {
	At       si.Instant // middle of that second; zero: none yet
	Measured bool       // the nozzle's pressure is a gauge's

	Nozzle     si.AbsPressure                // at its inlet; 0: not known
	Air        si.MassFlow                   // through the nozzle; 0: not known
	Loading    si.Ratio                      // as the account takes it, meaningful where Air is known
	Resistance [points.SegmentCount]si.Ratio // over the baseline; 0: not known. Of a Part over several segments it stands at the last
	Steady     bool                          // the second was; else the resistances are those of the last that was

	Account bool // what follows is known
	// Fall is the baseline's nozzle pressure less the present one: Sag and all excesses.
	Fall  si.PressureDrop
	First points.Point    // where Sag is seen: supply, where the pot has it
	Sag   si.PressureDrop // the baseline's pressure there less the present one
	Parts [points.SegmentCount]Part
	// Short is the target less the baseline's nozzle pressure; 0 without a target.
	Short si.PressureDrop

	// Flow is the square of the air's flow over what the nozzle's pressure and the baseline make expect: over 1 the nozzle is worn, the mix leaner,
	// or air leaks behind the hose point. 0: not known.
	Flow    si.Ratio
	Finding finding.Finding // the dearest change along the path; None: none that stands beyond doubt
	Feed    finding.Finding // of the vessel against the hose point: Flooding, Spitting or None
}

// Losses follow one pot.
type Losses struct {
	params Params
	set    baseline.Set // people's, and what was learned
	learn  baseline.Learner
	held   held
	feed   feed
	out    Estimate
}

// held is what the last estimate was made of, to the precision of a float32.
type held struct {
	at     si.Instant
	steady bool
	has    points.Set
	p      [points.Path]float64 // mean absolute pressure, Pa
	aside  Aside

	n    int                          // steady seconds behind own
	own  [points.SegmentCount]float64 // ln r/r0 of what ends at each segment, smoothed; before the vessel with the leak in it
	leak float64                      // ln (m_in/m)^2
	over float64                      // F - ln PPh/PPh0, smoothed, of a pot without a nozzle point

	rich float64 // ln (1 + kappa mu0)/(1 + k mu0) by the loading that others tell, smoothed
	told int     // seconds behind it
	worn worn    // of nozzle and hose

	apart float64 // what supply shows over separator at rest, Pa
	rests int     // instants behind it
}

// Constants of the account.
const (
	gasTemperature = 293.15 // K
	usualLoading   = 1.32   // kg a kg: mean of the trade handbook's table of nozzles (common practice)
	usualKappa     = 2.3    // fits simulated pots; no source
	mostLoading    = 6.0
	teeKappa       = 0.4          // of the mixing tee; fits simulated pots, no source
	smoothed       = 10           // s
	slowly         = 30           // s: of the inlet, where the vessel's filling comes in
	minutes        = 300          // s
	newNozzle      = 0.1          // of ln A^2 at once: no bore grows so fast
	toldMost       = 1800         // s
	restLeast      = 3 * si.Bar   // at rest, gauge: of less pressure the gauges' spans tell little
	restMost       = 1.2 * si.PSI // that two sound gauges show apart of one pressure
	restOver       = 6000         // instants: ten minutes at 10 Hz
	astray         = 0.25         // of ln m^2
	alike          = 0.1          // of ln m^2: two votes whose mean counts
	freest         = 0.7          // of the separator's resistance: less, and it was clogged when the baseline was taken
	leastSplit     = 0.02 * si.PSI
	hoseRoughness  = 1e-5 // m: fits the handbook's hose table (package airflow)
	chokedOver     = 1.9  // nozzle over ambient, absolute: choked (0.5283)
	leastMix       = 0.2  // kg a kg: under it a profile with abrasive is none
	usualAir       = 0.7  // share of the vessel that air fills, where no level is known

	// Air leaves a choked nozzle as m = K p A / sqrt(T): see package airflow.
	chokedFlow = 0.0404149 // s sqrt(K)/m
	rootT      = 17.1216   // sqrt(293.15 K)
)

// New is one that has seen nothing.
func New(p Params) *Losses {
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	l := &Losses{params: p, set: p.Baseline}
	return l
}

// Estimate is the newest. It is not to be changed.
func (l *Losses) Estimate() *Estimate { return &l.out }

// Baseline is what losses are told against: people's, else what was learned.
func (l *Losses) Baseline() baseline.Set {
	s := l.set
	s.Put(baseline.Set{Laden: l.learn.Learned()})
	return s
}

// Recorded is what people recorded.
func (l *Losses) Recorded() baseline.Set { return l.set }

// Record takes over what a person recorded. What was smoothed against another baseline is forgotten.
func (l *Losses) Record(s baseline.Set) {
	if l.set.Put(s) {
		l.anew()
		l.tell()
	}
}

// Ritual is the last steady blast, for a person to declare; the zero value where it was under 20 s or ended over ten minutes ago.
func (l *Losses) Ritual(now si.Instant) baseline.Profile { return l.learn.Last(now) }

// Step takes a second of blasting. How fast the vessel filled in a second is known after the next one, so what is learned from a second is learned
// one later.
func (l *Losses) Step(s *steady.Second, a Aside) {
	h := &l.held
	last, changed := l.Middle(s), false
	h.steady = false
	if last.Rated {
		changed = l.learn.Step(&last)
		h.steady = l.learn.Enough(&last)
	}
	set := l.Baseline()
	b := &set.Laden
	if h.steady && b.Known() {
		if changed { // a learned baseline that still moves is its own measure
			l.anew()
			h.n = 1
		} else {
			a := l.air()
			l.weigh(&last, b, &a)
		}
	}
	h.at, h.has = s.At, s.Has&^points.SetOf(points.Control)
	for i := range h.p {
		h.p[i] = short(s.P[i])
	}
	bore := short(l.bore(a))
	was := h.aside.Bore
	if was <= 0 {
		was = l.params.Bore
	}
	if l.params.Bore > 0 && bore > 0 {
		if step := 4 * math.Log(float64(bore/was)); math.Abs(step) > newNozzle {
			h.worn.another(4 * math.Log(float64(bore/l.params.Bore)))
		}
	}
	h.aside = Aside{Loading: short(a.Loading), Separator: short(a.Separator), Bore: bore, Air: short(a.Air)}
	if b.Known() {
		l.feed.step(h, b)
	}
	l.tell()
}

// Rest takes the absolute pressures, Pa, of an instant at which no air passes. Supply and separator then have one pressure: what they show apart is an error of
// their gauges, which is as large as a sixth of what a sound separator loses.
func (l *Losses) Rest(has points.Set, p *[points.Count]float64) {
	h := &l.held
	off := p[points.Supply] - p[points.Separator]
	if !has.Has(points.Supply) || !has.Has(points.Separator) || p[points.Supply] < float64(l.params.Ambient)+restLeast || math.Abs(off) > restMost {
		return
	}
	h.rests = min(h.rests+1, restOver)
	h.apart = short(h.apart + (off-h.apart)/float64(h.rests))
}

// Middle is the second before s, which Step has not taken yet, with the vessel's rate in its own middle; not Rated where it did not come right before. Its
// squares are those of its means: what the pressures move within a second falls out of their differences.
func (l *Losses) Middle(s *steady.Second) steady.Second {
	h := &l.held
	out := steady.Second{At: h.at, Has: h.has, Rate: s.Rate, Rated: s.Rated && s.At > h.at && s.At.Sub(h.at) < rightBefore}
	for i, p := range h.p {
		out.P[i], out.PP[i] = p, p*p
	}
	return out
}

// rightBefore is how far the middles of two seconds that follow each other are apart at most.
const rightBefore = 1800 * time.Millisecond

// bore is the nozzle's. It only grows: less than the configured one is an error of the estimate.
func (l *Losses) bore(a Aside) si.Length {
	if a.Bore <= 0 {
		return 0
	}
	return max(l.params.Bore, a.Bore)
}

// anew forgets what was smoothed against another baseline.
func (l *Losses) anew() {
	h := &l.held
	h.n, h.told, h.worn = 0, 0, worn{}
	h.own, h.leak, h.over, h.rich = [points.SegmentCount]float64{}, 0, 0, 0
}

// short is v to the precision of a float32, so that a state is small.
func short[T ~float64](v T) T { return T(float32(v)) }

// A piece is a part of the air's path between two neighbours of those points that a second and the baseline have.
type piece struct{ from, to points.Point }

// path is the pieces of a set of points, the first of them, and how many.
func path(has points.Set) (out [points.Path - 1]piece, n int) {
	last, any := points.Point(0), false
	for p := points.Supply; p <= points.Nozzle; p++ {
		if !has.Has(p) {
			continue
		}
		if any {
			out[n], n = piece{last, p}, n+1
		}
		last, any = p, true
	}
	return out, n
}

// segment is the one at whose end the piece ends.
func (p piece) segment() points.Segment { return points.Segment(p.to - 1) }

// inlet tells whether the piece lies before the vessel, so that no abrasive passes.
func (p piece) inlet() bool { return p.to <= points.Vessel }

// both are the points that a second and a baseline have. A nozzle that only the baseline has is not among them.
func (l *Losses) both(b *baseline.Profile) points.Set { return l.held.has & b.Has }

// least is the smallest difference of squares that is told from nothing, Pa^2.
func least(p float64) float64 { return 2 * p * leastSplit }

// A mix is what one second says of the abrasive, by hose and nozzle.
type mix struct {
	mu     float64 // loading
	flow   float64 // F
	solids float64 // ln (1 + kappa mu)/(1 + kappa mu0)
	tee    float64 // the same of the mixing tee
}

func (a *air) mix(mu float64) mix {
	mu = min(max(0, mu), mostLoading)
	return mix{mu: mu, solids: math.Log((1 + float64(a.kappa*mu)) / (1 + float64(a.kappa*a.mu0))),
		tee: math.Log((1 + float64(teeKappa*mu)) / (1 + float64(teeKappa*a.mu0)))}
}

// slowed is ln (1 + k mu)/(1 + k mu0).
func (a *air) slowed(mu float64) float64 {
	return math.Log((1 + float64(airflow.HandbookSlowing*mu)) / (1 + float64(airflow.HandbookSlowing*a.mu0)))
}

// faster is the loading at which the nozzle passes the flow e^f, with the square of its pressure e^n over the baseline's.
func (a *air) faster(n, f float64) float64 {
	return ((1+float64(airflow.HandbookSlowing*a.mu0))*math.Exp(n-f) - 1) / airflow.HandbookSlowing
}

// richOf is what a loading makes of the loss of the hose over the square of the nozzle's pressure, ln (1 + kappa mu)/(1 + k mu); atRich is the loading.
func (a *air) richOf(mu float64) float64 {
	return math.Log((1 + float64(a.kappa*mu)) / (1 + float64(airflow.HandbookSlowing*mu)))
}

func (a *air) atRich(rich float64) float64 {
	c := math.Exp(rich)
	if below := a.kappa - float64(airflow.HandbookSlowing*c); below > 0 {
		return min(max(0, (c-1)/below), mostLoading)
	}
	return mostLoading
}

// byHose is the mix by the loss of the hose over the square of the nozzle's pressure, given the hose's own resistance; n is ln PPn/PPn0 with what
// the bore has grown, x ln d/d0 of the hose.
func (l *Losses) byHose(a *air, x, n float64) mix {
	m := a.mix(a.atRich(x - n - l.held.own[points.HoseSegment] + a.richOf(a.mu0)))
	m.flow = n - a.slowed(m.mu)
	return m
}

// weigh takes the votes of a steady second and smooths what they leave of each piece.
func (l *Losses) weigh(s *steady.Second, b *baseline.Profile, a *air) {
	h := &l.held
	has := l.both(b)
	pieces, n := path(has)
	var x [points.SegmentCount]float64
	var known [points.SegmentCount]bool
	var votes [points.SegmentCount]float64
	inlets := 0
	for _, p := range pieces[:n] {
		d, d0 := s.PP[p.from]-s.PP[p.to], b.Square(p.from)-b.Square(p.to)
		if !(d > least(s.P[p.from]) && d0 > least(b.P[p.from])) {
			continue
		}
		g := p.segment()
		if p.from == points.Supply && p.to == points.Separator {
			// What the two gauges show apart of one pressure is no loss.
			if less, less0 := h.apart*(s.P[p.from]+s.P[p.to]), h.apart*(b.P[p.from]+b.P[p.to]); d-less > least(s.P[p.from]) && d0-less0 > least(b.P[p.from]) {
				d, d0 = d-less, d0-less0
			}
		}
		x[g], known[g] = math.Log(d/d0), true
		if !p.inlet() {
			continue
		}
		x[g] -= l.filling(s, b, a.m0)
		votes[inlets], inlets = x[g], inlets+1
	}
	inlet, agree := l.inlet(votes[:inlets], pieces[0].from == points.Supply && pieces[0].to == points.Separator)
	measured := has.Has(points.Nozzle) && l.params.Points.Has(points.Nozzle)
	var m mix
	tee, hose := points.MixingSegment, points.HoseSegment
	switch {
	case measured && known[hose]:
		nozzle := math.Log(s.PP[points.Nozzle] / b.Square(points.Nozzle))
		h.n++
		if told := float64(h.aside.Loading); told > leastMix && h.told < toldMost && h.worn.sound() {
			h.told++
			to := a.richOf(told) - (x[hose] - nozzle)
			h.rich = short(h.rich + (to-h.rich)/float64(min(h.told, minutes)))
		}
		if inlets > 0 {
			h.worn.take(a, &vote{hose: x[hose], nozzle: nozzle, inlet: l.byInlet(votes[:inlets], inlet), tee: x[tee], inletKnown: agree, teeKnown: known[tee]})
			_, own := h.worn.told()
			h.own[hose] = short(own)
		}
		m = l.byHose(a, x[hose], nozzle+l.grown())
	case !measured && known[tee] && inlets > 0:
		// The tee's vote knows as little of the mix as it does of the inlet's clogging: what abrasive adds to its loss, it takes from the flow.
		h.n++
		flow := inlet
		if mixed := x[tee] - a.mix(l.byPressure(a)).tee; !agree && math.Abs(mixed-inlet) > astray {
			flow = min(mixed, inlet)
		}
		l.toward(&h.over, flow-math.Log(s.PP[points.Hose]/b.Square(points.Hose)), slowly)
		m = a.mix(l.byPressure(a))
		m.flow = h.over + math.Log(s.PP[points.Hose]/b.Square(points.Hose))
	default:
		h.n = 0 // one vote tells nothing apart
		return
	}
	for _, p := range pieces[:n] {
		switch g := p.segment(); {
		case !known[g] || g == hose:
		case g == tee:
			l.toward(&h.own[g], x[g]-m.flow-m.tee, smoothed)
		default:
			l.toward(&h.own[g], x[g]-m.flow, slowly)
		}
	}
}

// inlet is F by what separator and valve segment lose; of one segment alone it is that one's. They agree where both say the same. separator says that the first is the separator's: where the
// presses tell its resistance that is taken out, unless that makes the two differ more: presses tell late that it was cleaned.
func (l *Losses) inlet(votes []float64, separator bool) (flow float64, agree bool) {
	if len(votes) == 0 {
		return 0, false
	}
	if known := float64(l.held.aside.Separator); separator && known > 0 {
		if known > freest {
			known = max(1, known) // no separator becomes freer than it was; a kinked hose makes presses say so
		}
		vote := votes[0] - math.Log(known)
		if len(votes) == 1 || math.Abs(vote-votes[1]) < math.Abs(votes[0]-votes[1]) {
			votes[0] = vote
		}
	}
	if len(votes) == 1 {
		return votes[0], false
	}
	if math.Abs(votes[0]-votes[1]) < alike {
		return (votes[0] + votes[1]) / 2, true
	}
	return min(votes[0], votes[1]), math.Abs(votes[0]-votes[1]) < 2*alike
}

// byInlet is F of a pot with a nozzle point, from what inlet has made of the votes. Between supply and separator the gauges' error is known from rest and is taken out; between
// separator and vessel it is not, a quarter of a psi of the one or two that the valve loses, and moves its vote by a tenth and more as the flow grows. So the separator
// alone counts; the valve says when not to believe it, as it has clogged since the presses told of it.
func (l *Losses) byInlet(votes []float64, both float64) float64 {
	if len(votes) == 2 && l.held.rests > 0 && votes[0]-votes[1] < alike {
		return votes[0]
	}
	return both
}

// toward moves a mean on, over so many seconds.
func (l *Losses) toward(at *float64, to float64, over int) {
	*at = short(*at + (to-*at)/float64(min(l.held.n, over)))
}

// byPressure is the loading of a pot without a nozzle point, by the flow and the hose point's pressure.
func (l *Losses) byPressure(a *air) float64 {
	// (1 + k mu) + B (1 + kappa mu) = PPh/m^2, in units of the clean nozzle's: see the package's documentation.
	k := airflow.HandbookSlowing
	up := 1 + float64(k*a.mu0)
	part := a.r0 * up / (1 + float64(a.kappa*a.mu0))
	return ((1+a.r0)*up*math.Exp(-l.held.over) - 1 - part) / (k + float64(a.kappa*part))
}

// grown is ln A^2/A0^2 of the nozzle's bore, as nozzle, hose, tee and inlet show it together; where they cannot, as it is known from elsewhere.
func (l *Losses) grown() float64 {
	h := &l.held
	switch {
	case h.worn.begun:
		bore, _ := h.worn.told()
		return bore
	case l.params.Bore > 0 && h.aside.Bore > 0:
		return 4 * math.Log(float64(h.aside.Bore/l.params.Bore))
	}
	return 0
}

// filling is ln (m_in/m)^2 of a second less that of the baseline.
func (l *Losses) filling(s *steady.Second, b *baseline.Profile, m0 float64) float64 {
	air := float64(l.held.aside.Air)
	if air <= 0 {
		air = usualAir * float64(l.params.Volume)
	}
	if air <= 0 || m0 <= 0 {
		return 0
	}
	share := air / (airflow.GasConstant * gasTemperature * m0)
	m := s.P[points.Vessel] / b.P[points.Vessel] // over m0, to first order
	in := func(rate, m float64) float64 { return max(0.5, 1+float64(share*rate)/m) }
	return 2 * math.Log(in(s.Rate, m)/in(b.Rate, 1))
}

// air is what the baseline's air and abrasive were.
type air struct {
	mu0, kappa float64
	pn0        float64 // absolute pressure at the nozzle, Pa; 0: not known
	r0         float64 // of a computed nozzle: PPh0/PPn0 - 1
	m0         float64 // kg/s; 0: not known
	measured   bool    // pn0 is
}

// air reckons what the baseline says of the mix. It is small work, and done once a second.
func (l *Losses) air() air {
	set := l.Baseline()
	b := &set.Laden
	if !b.Known() {
		b = &set.Air
	}
	a := air{mu0: usualLoading, kappa: usualKappa}
	if !b.Known() || l.params.Bore <= 0 {
		return a
	}
	if !set.Laden.Known() {
		a.mu0 = 0
	} else if !set.Air.Known() || !l.learnMix(&a, &set) {
		if l.held.told >= baseline.Provisional {
			a.mu0 = a.atRich(l.held.rich)
		}
	}
	k := airflow.HandbookSlowing
	clean := chokedFlow * float64(si.CircleArea(l.params.Bore)) / rootT // kg/s for each Pa, of air alone
	switch {
	case b.Has.Has(points.Nozzle):
		a.pn0, a.measured = b.P[points.Nozzle], true
		if b.Has.Has(points.Hose) {
			a.r0 = b.Square(points.Hose)/b.Square(points.Nozzle) - 1
		}
	case b.Has.Has(points.Hose) && l.params.HoseBore > 0 && l.params.HoseLength > 0:
		per := clean * clean / (1 + float64(k*a.mu0)) * (1 + float64(a.kappa*a.mu0))
		m := clean * b.P[points.Hose] / math.Sqrt(1+float64(k*a.mu0))
		a.r0 = l.hose(m) * per
		a.pn0 = b.P[points.Hose] / math.Sqrt(1+a.r0)
	}
	a.m0 = clean * a.pn0 / math.Sqrt(1+float64(k*a.mu0))
	return a
}

// learnMix takes loading and kappa of the baseline from the air-only profile beside it; false where it cannot.
func (l *Losses) learnMix(a *air, set *baseline.Set) bool {
	from, to, ok := points.Supply, points.Vessel, true
	has := set.Laden.Has & set.Air.Has
	if !has.Has(from) {
		from = points.Separator
	}
	ok = has.Has(from) && has.Has(to) && has.Has(points.Nozzle)
	if !ok {
		return false
	}
	inlet := func(p *baseline.Profile) float64 { return p.Square(from) - p.Square(to) }
	in, in0 := inlet(&set.Laden), inlet(&set.Air)
	if !(in > least(set.Laden.P[from]) && in0 > least(set.Air.P[from])) {
		return false
	}
	// m^2/pN^2 is as 1/(1 + k mu), and so is in/pN^2.
	slow := in0 / set.Air.Square(points.Nozzle) / (in / set.Laden.Square(points.Nozzle))
	mu := (slow - 1) / airflow.HandbookSlowing
	if !(mu > leastMix && mu < mostLoading) {
		return false // not air alone, or no abrasive in the other
	}
	a.mu0 = mu
	if !has.Has(points.Hose) {
		return true
	}
	loss := func(p *baseline.Profile) float64 { return p.Square(points.Hose) - p.Square(points.Nozzle) }
	if s := loss(&set.Laden) / in / (loss(&set.Air) / in0); s > 1 {
		a.kappa = (s - 1) / mu
	}
	return true
}

// hose is the resistance of the configured hose to m of air alone, Pa^2 s^2/kg^2.
func (l *Losses) hose(m float64) float64 {
	t := si.Temperature(gasTemperature)
	mu, err := airflow.Viscosity(t)
	if err != nil {
		return 0
	}
	d := float64(l.params.HoseBore)
	re := 4 * m / (math.Pi * d * float64(mu))
	f, err := airflow.Haaland.Factor(re, si.Ratio(hoseRoughness/d))
	if err != nil {
		return 0
	}
	area := float64(si.CircleArea(l.params.HoseBore))
	return airflow.GasConstant * gasTemperature * f * float64(l.params.HoseLength) / d / (area * area)
}

// tell makes the estimate of what is held.
func (l *Losses) tell() {
	h := &l.held
	if h.at == 0 {
		return
	}
	l.out = Estimate{At: h.at, Steady: h.steady, Finding: l.out.Finding, Feed: l.feed.now}
	o := &l.out
	set := l.Baseline()
	b := &set.Laden
	a := l.air()
	has := l.both(b)
	o.Measured = h.has.Has(points.Nozzle) && l.params.Points.Has(points.Nozzle)

	m := a.mix(a.mu0)
	switch {
	case o.Measured && has.Has(points.Nozzle):
		m = l.now(b, &a, has)
	case !o.Measured && h.n > 0 && a.pn0 > 0:
		m = a.mix(l.byPressure(&a))
	case h.aside.Loading > 0:
		m = a.mix(float64(h.aside.Loading))
	}
	k := airflow.HandbookSlowing
	switch {
	case o.Measured:
		o.Nozzle = si.AbsPressure(h.p[points.Nozzle])
	case h.has.Has(points.Hose) && a.pn0 > 0:
		r := a.r0 * math.Exp(m.solids-a.slowed(m.mu))
		o.Nozzle = si.AbsPressure(h.p[points.Hose] / math.Sqrt(1+r))
	}
	if bore := l.params.Bore; bore > 0 && o.Nozzle > chokedOver*l.params.Ambient {
		area := float64(si.CircleArea(bore)) * math.Exp(l.grown()/2)
		o.Air = si.MassFlow(chokedFlow * area * float64(o.Nozzle) / (rootT * math.Sqrt(1+float64(k*m.mu))))
		o.Loading = si.Ratio(m.mu)
	}
	if !b.Known() {
		return
	}
	l.account(b, &a, &m)
	l.find()
}

// now is the mix of the held second, by a measured nozzle.
func (l *Losses) now(b *baseline.Profile, a *air, has points.Set) mix {
	h := &l.held
	pieces, n := path(has)
	last := pieces[n-1]
	square := func(p points.Point) float64 { return h.p[p] * h.p[p] }
	d, d0 := square(last.from)-square(last.to), b.Square(last.from)-b.Square(last.to)
	if n == 0 || last.to != points.Nozzle || last.inlet() || !(d > least(h.p[last.from]) && d0 > least(b.P[last.from])) {
		return a.mix(a.mu0)
	}
	return l.byHose(a, math.Log(d/d0), math.Log(square(points.Nozzle)/b.Square(points.Nozzle))+l.grown())
}

// account fills in resistances and attribution.
func (l *Losses) account(b *baseline.Profile, a *air, m *mix) {
	h, o := &l.held, &l.out
	now, then := h.p, b.P
	has := l.both(b)
	if !o.Measured {
		has &^= points.SetOf(points.Nozzle)
	}
	pieces, n := path(has)
	own := h.own
	h.leak = l.leak(pieces[:n])
	for _, p := range pieces[:n] {
		s := p.segment()
		if p.inlet() {
			own[s] -= h.leak
		}
		if h.n > 0 {
			o.Resistance[s] = si.Ratio(math.Exp(own[s]))
		}
	}
	if o.Measured && h.n > 0 && has.Has(points.Nozzle) {
		o.Flow = si.Ratio(math.Exp(l.grown() - a.slowed(m.mu)))
	}
	if o.Nozzle == 0 || n == 0 || a.pn0 == 0 {
		return
	}
	if !has.Has(points.Nozzle) {
		now[points.Nozzle], then[points.Nozzle] = float64(o.Nozzle), a.pn0
		if !has.Has(points.Hose) {
			return
		}
		own[points.HoseSegment] = 0
		pieces, n = path(has | points.SetOf(points.Nozzle))
	}
	o.Account = true
	o.First = pieces[0].from
	o.Fall = si.PressureDrop(then[points.Nozzle] - now[points.Nozzle])
	o.Sag = si.PressureDrop(then[o.First] - now[o.First])
	if l.params.Target > 0 {
		o.Short = l.params.Target.Sub(si.AbsPressure(then[points.Nozzle]).Gauge(l.params.Ambient))
	}
	for _, p := range pieces[:n] {
		s := p.segment()
		part := &o.Parts[s]
		drop, drop0 := now[p.from]-now[p.to], then[p.from]-then[p.to]
		*part = Part{Known: true, From: p.from, Excess: si.PressureDrop(drop - drop0)}
		if h.n == 0 || drop < leastSplit || drop0 < leastSplit || p.to == points.Nozzle && !o.Measured {
			continue // a computed hose has no resistance of its own: it was taken for unchanged
		}
		mean := logMean(drop, drop0)
		part.Split = true
		part.Resistance = si.PressureDrop(mean * own[s])
		switch p.segment() {
		case points.MixingSegment:
			part.Mix = si.PressureDrop(mean * m.tee)
		case points.HoseSegment:
			part.Mix = si.PressureDrop(mean * m.solids)
		}
		part.Flow = part.Excess - part.Resistance - part.Mix
	}
}

// leak is ln of what more goes into the vessel, squared, than the nozzle takes: what separator and valve have in common.
func (l *Losses) leak(pieces []piece) float64 {
	h := &l.held
	if len(pieces) < 2 || !pieces[1].inlet() {
		return 0
	}
	first := h.own[pieces[0].segment()]
	if h.aside.Separator > 0 && pieces[0].from == points.Supply {
		first -= math.Log(float64(h.aside.Separator))
	}
	return max(0, min(first, h.own[pieces[1].segment()]))
}

// logMean is the logarithmic mean of two numbers over 0.
func logMean(a, b float64) float64 {
	if math.Abs(a-b) < 1e-6*b {
		return (a + b) / 2
	}
	return (a - b) / math.Log(a/b)
}

// Share is the share of the work that a loss of pressure at the nozzle costs: 1.5 % for each psi, common practice, no source.
func Share(loss si.PressureDrop) si.Ratio { return si.Ratio(perPSI * float64(loss) / si.PSI) }

const perPSI = 0.015
