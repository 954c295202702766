package wear

import (
	"math"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/steady"
	"gritwatch/server/internal/engine/stroke"
)

// A Part is something that wears or clogs.
type Part uint8

// The parts; the first four are those of points.Segment.
const (
	Separator Part = iota
	Valve          // of a pot without a separator point: separator and valve in one
	Mixing
	Hose
	Exhaust
	Bore

	Parts = 6
)

var partNames = [Parts]string{"separator", "valve", "mixing", "hose", "exhaust", "bore"}

// String is the part's name in JSON and metrics.
func (p Part) String() string { return partNames[p] }

// Numbers of the monitor. Those without a source are common practice.
const (
	// Press losses.
	emptyJump    = 0.10   // at least, of the logarithms of both, where another way has opened for the air
	alike        = 0.5    // and they differ by less than this share of the larger
	fillSlope    = -0.25  // of these logarithms over ln fill before it was learned: from simulated pots, no source
	fillTrust    = 40     // weight of that, in thousandths of the square of ln fill
	throughMean  = 63     // seconds that the mean of the nozzle's share goes back
	smoothRate   = 4000.0 // Pa/s: a mean of seconds in which the vessel neither fills nor empties
	throughLeast = 10     // seconds until it is known
	throughWait  = 12     // presses that wait for it
	inletLeast   = 0.4    // of the root of a press loss: more cannot be the nozzle's
	refined      = 30     // observations that improve a baseline

	// Vents.
	ventSlope    = 0.75 // of ln tau over ln fill before it was learned: from simulated pots, no source
	refinedVents = 15   // improve the baseline: where blasts are long, 30 take three hours, in which it may clog
	ventTrust    = 40   // weight of that, as above
	airBleeds    = 0.5  // share of an ideal nozzle's flow that hose and nozzle take in a vent, with what stands in them; no source
	airVolume    = 0.75 // share of the vessel that air fills, in the mean
	takesAs      = 1.0  // share of the vessel's volume that takes in air as its pressure rises while blasting: see package steady
	mostShare    = 0.4  // of the nozzle in a healthy vent
	leastBore    = 0.9  // over the baseline's: no nozzle narrows by more than its index is off
	mostBore     = 1.5
	refilled     = 0.05 // of ln fill: by so much less a press fills in less time once someone has filled in abrasive
	usesPer      = 100  // s
	usesGain     = 1.0 / 8
	mostBlast    = 3600 // s
	higher       = 1.05 // of the usual pressure: a vent from more is timed later, in colder air, and takes longer
	colder       = 0.25 // of ln tau for each time that it is higher: from simulated pots, no source
	farOver      = 1.5  // and from here on it tells nothing
	stillUp      = 0.05 // of the working pressure, gauge: nobody fills abrasive into a vessel that is up by more
	throttles    = 0.05 // of ln tau over ln fill, for one of ln of the mixing segment's resistance: from simulated pots, no source
	warm         = 0.12 // of ln tau after a press of no time at all, dying away within cools: from simulated pots, no source
	cools        = 10.0 // s

	// The bore.
	loadSlope    = -0.18 // of half ln d over ln of the hose's share, before it was learned; see (5) of the package's documentation
	leastLoads   = -0.28 // of that slope: at a loading of 2.3
	mostLoads    = -0.14 // and of 0.4
	loadTrust    = 10    // weight of that, in thousandths of the square of the latter
	mixedLeast   = 0.05  // of the latter: from here the mixture has changed
	mixedMost    = 0.3   // of half ln d off that slope: another cause
	mostFilling  = 0.5   // of the nozzle's air, that fills the vessel: more is no blasting
	coolingAir   = 25    // the same of seconds that tell the bore by themselves: 0.1 of half ln d at first, dying away within ten
	cooling      = 8     // seconds of a press in which the vessel's air is hot, and takes in more while it cools
	usualPhi     = 0.8   // share of clean air that passes with abrasive: the trade handbook's table, near a loading of 1.3
	leaks        = -0.1  // of ln of the mixing segment's resistance: more goes into the vessel than comes to the nozzle
	chokedUnless = 0.5   // of ln of the mixing segment's resistance: a worn nozzle is taken for a leaner mixture, and that for as much
	teeOver      = 0.015 // of ln A: by so much the tee may show more than the inlet, and no choke is partly shut
	teeUnder     = 0.05  // and so much less, and no inlet leaks
	creeps       = 0.008 // of ln A: one blast moves the bore by no more where the two differ
	shrinks      = 0.003 // the same the other way: no nozzle narrows
	another      = 0.1   // of ln A, which both show at once: another nozzle
	together     = 0.05  // and by so much the difference of the two may be off its mean
	teeErrs      = 0.4   // or by so much of what both show, as the gauges of so small a loss err by much of it
	apartGain    = 1.0 / 16
	mixed        = -0.5 // of ln of the hose's share, over the usual: more is no air alone
	freer        = 0.08 // of half ln d: a loading of 0.45 at least, by phi
	kinked       = 0.15 // of ln of the hose's own resistance: so much is no error of bore or mixture
	blastLeast   = 8    // seconds that tell of a blast
	boreLeast    = 5    // the same, of the bore, which inlet and tee tell together
	airLeast     = 5    // the same, of air alone

	million = 1e6
	absurd  = 1e4 // nothing here is ever so much
)

// Params are what a monitor uses of a pot's configuration.
type Params struct {
	Points  points.Set
	Ambient si.AbsPressure // 0: standard
	Volume  si.Volume      // of the vessel; 0: not known
	Bore    si.Length      // as configured; 0: not known
}

// A Monitor follows the wear of one pot. It works once a second of blasting and once a stroke, and allocates nothing. It is
// a value: a copy is a saved state. Not safe for concurrent use.
type Monitor struct {
	params Params
	takes  float64 // share of the nozzle's flow that fills the vessel at 1 Pa/s and a nozzle pressure of 1 Pa; 0: not known
	bleeds float64 // rate at which the nozzle lowers the vessel in a vent, 1/s; 0: not known

	tracks   [Parts]track
	services [Parts]Service
	use      use

	// Of the last press.
	fill   fine // ln of its filling time
	filled bool // that is known
	doubt  bool // an index of separator or valve may be about to step
	odd    bool // both losses had jumped: another way of the air, as through an empty pot's metering valve

	// Of the last vent, while it waits for the next press.
	waits bool
	tau   fine  // ln of its time constant, of air that has cooled
	late  int32 // its lag, ms

	// Of the last press that told how long filling took.
	told    fine  // ln of that
	tells   bool  // there is one, and nobody can have filled in abrasive since
	hasty   bool  // another way of the air had shortened it
	blasted int32 // s since
	uses    fine  // how much ln fill grows in usesPer of blasting

	// How the losses of a press and the vent go with the filling time, learned as the level goes up and down: a full vessel fills
	// faster, which the gauges and the air before them do not follow at once; and see doc.go.
	fills, vents slope
	share        fine // of the nozzle, in how fast a healthy vent falls
	// Of the vents' lags, ms: mean, mean deviation, and how many.
	lag, lagOff, lags int32
	ahead             outlook

	// Of steady blasting, (Ps^2 - Psep^2)/Ph^2 and (Psep^2 - Ph^2)/Ph^2 over the resistance's index, which are the nozzle's
	// share of the press losses; in millionths.
	through [2]int32
	inlet   [2]int32 // the root of what the presses lose without it, likewise
	seconds int32
	waited  int32 // presses until they were known; over throughWait: they never will be

	blast blast
	loads slope // of half ln d over ln of the hose's share, learned as the mixture changes
	// Of the mixing segment: half ln of its loss over the nozzle's square in the bore's baseline, and by how much it has shown more of the bore than the
	// inlet of late.
	tee, apart fine
	alone      alone
}

// blast are sums over the steady seconds of the press that goes on, in millionths.
type blast struct {
	age         int32 // seconds of the press
	inlet, hose int64 // losses before the hose point less what clogs there, and the hose's, over the nozzle's square
	seconds     int32
	tee         int64 // what the mixing segment loses, likewise
	tees        int32 // seconds in that
	air         int64 // inlet of air-only seconds without a nozzle point, over the hose point's square
	airSeconds  int32
	late        int64 // the same of the newest: abrasive may have come already
	lateSeconds int32
	ratio       [2]fine // sums of ln resistance of mixing and hose
	ratios      [2]int32
}

// airEnded counts the newest air-only seconds with the others.
func (b *blast) airEnded() {
	b.air, b.airSeconds = b.air+b.late, b.airSeconds+b.lateSeconds
	b.late, b.lateSeconds = 0, 0
}

// own is ln of the resistance of mixing or hose over its baseline, in the mean; 0: too little is known.
func (b *blast) own(p Part) float64 {
	if n := b.ratios[p-Mixing]; n >= blastLeast {
		return b.ratio[p-Mixing].float() / float64(n)
	}
	return 0
}

// New is a monitor that has seen nothing.
func New(p Params) *Monitor {
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	return &Monitor{params: p, bleeds: p.bleeds(), takes: p.takes(),
		fills: slope{value: fineOf(fillSlope), weight: fillTrust}, vents: slope{value: fineOf(ventSlope), weight: ventTrust}, loads: slope{value: fineOf(loadSlope), weight: loadTrust}}
}

// bleeds is the rate, 1/s, at which the nozzle alone lowers the vessel in a vent; 0: not known. A choked flow grows with
// the pressure alone, so the rate is the same at all of them: isothermal, V/(R T) dp/dt = -m.
func (p *Params) bleeds() float64 {
	const at = 500 * si.KPa
	if p.Volume <= 0 || p.Bore <= 0 {
		return 0
	}
	q, err := airflow.Nozzle{Area: si.CircleArea(p.Bore), Coefficient: airBleeds}.MassFlow(at, p.Ambient, airflow.ReferenceTemperature)
	if err != nil {
		return 0
	}
	mass, err := airflow.Vessel{Volume: airVolume * p.Volume, Pressure: at, Temperature: airflow.ReferenceTemperature}.Mass()
	if err != nil {
		return 0
	}
	return float64(q) / float64(mass)
}

// takes is V/(R T) over K A/sqrt(T): what dp/dt takes of the air over what a choked nozzle passes, see Monitor.
func (p *Params) takes() float64 {
	if b := p.bleeds(); b > 0 {
		return takesAs / airVolume * airBleeds / b / usualPhi
	}
	return 0
}

// Press takes one completed press. empty says that no abrasive is left, as a level has it; false where that is not known.
func (m *Monitor) Press(p *stroke.Press, empty bool) {
	m.doubt = false
	released := m.use.at
	jump, both := m.filling(p, empty)
	if m.waits {
		m.exhaust(released)
	}
	m.waits = false
	switch {
	case m.filled:
		m.told, m.tells, m.hasty, m.blasted = m.fill, true, m.odd, 0
	case float64(p.From)-float64(m.params.Ambient) < stillUp*(float64(p.Working)-float64(m.params.Ambient)):
		m.tells = false // somebody may have filled in abrasive before it
	}
	m.ahead.press(m, jump, both)
}

// filling takes what the vessel's filling tells of what lies before it. It gives by how much the losses of separator and valve are both over
// their levels at least, in logarithms; false: they are not known.
func (m *Monitor) filling(p *stroke.Press, empty bool) (jump float64, both bool) {
	m.use.press(p.At)
	m.filled, m.fill = p.Fill > 0 && p.Fill < absurd, 0
	if m.filled {
		m.fill = fineOf(math.Log(p.Fill))
	}
	if m.seconds < throughLeast && m.waited <= throughWait {
		m.waited++
	}
	separator, valve := &m.tracks[Separator], &m.tracks[Valve]
	x, okX := m.pressLoss(p.Separator, Separator)
	z, okZ := m.pressLoss(p.Valve, Valve)
	level, common := 0.0, 0.0
	if okX || okZ {
		if !m.filled {
			return 0, false
		}
		// What clogs a separator is not in the valve's loss, which goes first.
		with := z
		if !okZ {
			with = x
		}
		m.fills.next(m.fill.float(), with, slopeLeast, farOff)
		level = m.fills.correct(m.fill.float())
	}
	if okX && okZ && separator.ready() && valve.ready() {
		dx, dz := x-level-(separator.base+separator.level).float(), z-level-(valve.base+valve.level).float()
		jump, both = min(dx, dz), true
		least := max(emptyJump, 3*separator.deviation(), 3*valve.deviation())
		m.odd = dx > least && dz > least && (m.odd || math.Abs(dx-dz) < alike*max(dx, dz))
		if m.odd {
			// What both share tells nothing; a part that clogs meanwhile shows in the difference.
			if math.Abs(dx-dz) < max(emptyJump, 3*separator.deviation(), 3*valve.deviation()) {
				return jump, both
			}
			common = min(dx, dz)
		}
	} else {
		m.odd = false
	}
	if m.odd = m.odd || empty; empty {
		return jump, both
	}
	learned, n := false, int32(0)
	if okX {
		learned, n = m.observe(Separator, p.At, x-common, level), separator.n
	}
	if okZ {
		learned, n = m.observe(Valve, p.At, z-common, level), valve.n
	}
	m.doubt = separator.odd != 0 || valve.odd != 0
	if learned {
		m.fills.learn(m.fill.float(), n)
	}
	return jump, both
}

// pressLoss is the logarithm of a press loss, brought to the nozzle's flow that was usual at first. With n the nozzle's share of
// the flow and g the rest, as roots of losses through the healthy part, what the loss goes with is (g + n)^2, (1).
func (m *Monitor) pressLoss(loss float64, of Part) (float64, bool) {
	if !(loss > 0) || loss > absurd {
		return 0, false
	}
	through := math.Sqrt(float64(max(0, m.through[of])) / million)
	switch {
	case m.waited > throughWait:
		// A pot without a hose point, or with bursts so short that nothing is ever steady: the share is not known.
		return math.Log(loss), true
	case m.seconds < throughLeast:
		return 0, false
	case m.inlet[of] == 0:
		m.inlet[of] = int32(math.Round(million * max(math.Sqrt(loss)-through, inletLeast*math.Sqrt(loss))))
	}
	inlet := float64(m.inlet[of]) / million
	return math.Log(loss) - 2*math.Log1p(through/inlet), true
}

// Vent takes one completed vent, after its press. empty says that no abrasive flowed at the release.
func (m *Monitor) Vent(v *stroke.Vent, empty bool) {
	m.ahead.vent(m, v)
	m.use.vent(v)
	m.endBlast(v.At)
	m.blasted = min(mostBlast, m.blasted+int32(max(0, min(mostBlast, v.Blast.Seconds()))))
	over := 1.0
	if v.Working > 0 {
		over = float64(v.From / v.Working)
	}
	if m.waits = v.Tau > 0 && v.Tau < absurd && !empty && over <= farOver; m.waits {
		m.tau, m.late = fineOf(cooled(v)-colder*max(0, over-higher)), int32(max(-mostLag, min(mostLag, v.Lag.Milliseconds())))
	}
}

// exhaust takes the vent before a press into account, which began at an instant. The level of the vent is that of the press, unless the press does not tell it, or someone has filled in
// abrasive: then it is not known.
func (m *Monitor) exhaust(at si.Instant) {
	tau, fill, used := m.tau.float(), m.fill.float(), (m.fill - m.told).float()
	if !m.filled || m.odd || !m.tells || used < -refilled {
		return
	}
	tau += m.bled() - throttles*math.Log(max(1, m.value(Mixing)))
	if m.blasted >= blastLeast && !m.hasty {
		m.uses += fineOf(usesGain * (max(-1, min(1, used*usesPer/float64(m.blasted))) - m.uses.float()))
	}
	m.vents.next(fill, tau, slopeLeast, farOff)
	t := &m.tracks[Exhaust]
	other := m.vents.correct(fill)
	// A vent that is off tells nothing of the valves.
	if off := tau - other - (t.base + t.level).float(); t.ready() && math.Abs(off) < sure*t.deviation() {
		m.learnLag(m.late)
	}
	if !t.ready() {
		m.share = fineOf(min(mostShare, m.bleeds*math.Exp(tau)))
	}
	if m.observe(Exhaust, at, tau, other) {
		m.vents.learn(fill, t.n)
	}
}

// bled is by how much a wider nozzle than that of the baseline has lessened the logarithm of a vent's time constant, since it bleeds the vessel faster: of
// c (1 - q) + q A/A0 in place of (2); 0 where the bore is not known.
func (m *Monitor) bled() float64 {
	t, x := &m.tracks[Exhaust], m.Index(Bore)
	if !x.Known || !t.ready() {
		return 0
	}
	wider := max(leastBore, min(mostBore, float64(x.Value)))
	return math.Log1p(m.share.float() * (wider*wider - 1) * math.Exp(t.level.float()))
}

// Second takes a second of blasting, its rate that of its own middle. air says that no abrasive flows, as a ritual has it, or the
// seconds after the pot has run empty.
func (m *Monitor) Second(s *steady.Second, air bool) {
	m.blast.age = min(m.blast.age+1, mostCount)
	hose := s.PP[points.Hose]
	if !s.Rated || m.blast.age <= cooling || !s.Has.Has(points.Hose) || hose <= 0 {
		return
	}
	first := points.Separator
	if !m.params.Points.Has(first) {
		first = points.Supply
	}
	separator, okX := s.Between(points.Supply, points.Separator)
	valve, okZ := s.Between(first, points.Hose)
	nozzle := m.params.Points.Has(points.Nozzle)
	over := hose
	if nozzle {
		if over = s.PP[points.Nozzle]; !s.Has.Has(points.Nozzle) || over <= 0 {
			over = 0
		}
	}
	// What fills the vessel meanwhile passes separator and valve, and no nozzle.
	through := 1.0
	if m.takes > 0 && over > 0 {
		through = 1 + max(-mostFilling, min(mostFilling, m.takes*s.Rate/math.Sqrt(over)))
		through *= through
	}
	end, common := valve, m.common()
	if s.Has.Has(points.Vessel) {
		// A choke that is partly shut lies behind the vessel, and loses as a wider nozzle would.
		end, _ = s.Between(first, points.Vessel)
	}
	inlet := separator/m.value(Separator)*common + end/m.value(Valve)*common
	// Whatever others believe of bore and mixture: the hose's share of a stream with abrasive is none of air alone.
	if air && nozzle && over > 0 && m.tracks[Bore].ready() && hose-over > math.Exp(m.loads.pivot.float()+mixed)*inlet/through {
		air = false
	}
	if !air && math.Abs(s.Rate) < smoothRate {
		m.smooth(&m.through[Separator], separator/hose/m.value(Separator), okX)
		m.smooth(&m.through[Valve], valve/hose/m.value(Valve), okZ)
		m.seconds = min(m.seconds+1, throughMean)
	}
	if !okZ || !okX && m.params.Points.Has(points.Supply) && first == points.Separator || over <= 0 {
		return
	}
	b := &m.blast
	each := million / over / through
	switch {
	case air && (nozzle || b.age <= coolingAir):
	case air:
		b.late += int64(each * inlet)
		if b.lateSeconds++; b.lateSeconds >= airEnds {
			b.airEnded()
		}
	default:
		b.late, b.lateSeconds = 0, 0
		b.inlet += int64(each * inlet)
		b.hose += int64(million * (hose - over) / over)
		b.seconds++
		if tee, ok := s.Between(points.Vessel, points.Hose); ok && nozzle {
			b.tee += int64(million * tee / over)
			b.tees++
		}
	}
}

// common is what the indices of separator and valve have in common: the flow of a press that is not known better, and not a clog of both at once.
func (m *Monitor) common() float64 {
	s, v := m.value(Separator), m.value(Valve)
	return max(min(s, v), min(1, max(s, v)))
}

// smooth brings a mean nearer to a second's value, at first as the plain mean of all.
func (m *Monitor) smooth(mean *int32, v float64, ok bool) {
	if ok {
		*mean += int32(math.Round((million*max(-1, min(1, v)) - float64(*mean)) / float64(m.seconds+1)))
	}
}

// Resistance takes that of mixing or hose over its baseline in one steady second, corrected for the abrasive.
func (m *Monitor) Resistance(p Part, ratio si.Ratio) {
	if (p == Mixing || p == Hose) && ratio > 0 && !math.IsInf(float64(ratio), 0) {
		m.blast.ratio[p-Mixing] += fineOf(math.Log(float64(ratio)))
		m.blast.ratios[p-Mixing]++
	}
}

// endBlast takes what the seconds of one press have told.
func (m *Monitor) endBlast(at si.Instant) {
	b := &m.blast
	b.airEnded()
	if nozzle := m.params.Points.Has(points.Nozzle); nozzle && m.doubt || !nozzle && (m.tracks[Separator].odd != 0 || m.tracks[Valve].odd != 0) {
		// The index that the losses are divided by may be about to step.
		b.seconds, b.airSeconds = 0, 0
	}
	if m.params.Points.Has(points.Nozzle) {
		if m.shown(at); m.tracks[Bore].odd != 0 || m.tracks[Bore].changed == at {
			b.ratios = [2]int32{} // reckoned with another nozzle's bore
		}
	} else {
		m.hidden(at)
	}
	for i, p := range [...]Part{Mixing, Hose} {
		if n := b.ratios[i]; n >= blastLeast {
			m.observe(p, at, b.ratio[i].float()/float64(n), 0)
		}
	}
	*b = blast{}
}

// halves are half ln d of the press that goes on and, where the hose lost anything, ln of the hose's share: y and h of (3) and (4).
func (m *Monitor) halves() (half, share float64) {
	b := &m.blast
	half = math.Log(float64(b.inlet)/million/float64(b.seconds)) / 2
	if b.hose > 0 {
		share = math.Log(float64(b.hose) / float64(b.inlet))
	}
	return half, share
}

// hidden takes what a blast tells of the bore without a nozzle point.
func (m *Monitor) hidden(at si.Instant) {
	b := &m.blast
	if b.seconds >= blastLeast && b.inlet > 0 {
		half, _ := m.halves()
		m.alone.laden(half)
	}
	// A choke that is partly shut sends air through the metering valve too, and a leak lets it out of the vessel: the bore looks wider than it is.
	if own := b.own(Mixing); own > chokedUnless || own < leaks || b.airSeconds < airLeast || b.air <= 0 {
		return
	}
	// Air alone passes more freely than any mixture of late, or it is none.
	if half := math.Log(float64(b.air)/million/float64(b.airSeconds)) / 2; m.alone.loads == 0 || half >= m.alone.lately.float()+freer {
		m.airAlone(at, half)
	}
}

// shown takes what a blast tells of the bore with a nozzle point. Inlet and tee each tell it, by (3) and (6): the mixture moves the one along a slope, and the other not at
// all. Where they agree it is their mean. Where they do not, one of them has another cause: the bore goes towards the nearer one, by little.
func (m *Monitor) shown(at si.Instant) {
	t, b := &m.tracks[Bore], &m.blast
	if b.seconds < boreLeast || b.inlet <= 0 || b.hose <= 0 {
		return
	}
	half, share := m.halves()
	other := m.loads.correct(share)
	base, level := t.base.float(), t.level.float()
	off := half - other - base
	tee, near, known := 0.0, level, b.tees == b.seconds && b.tee > 0
	if known {
		tee = math.Log(float64(b.tee)/million/float64(b.tees)) / 2
		near = (level + tee - m.tee.float()) / 2
	}
	if own := b.own(Hose); own > kinked {
		// The hose's share tells of the mixture without what its own resistance adds; but others may be wrong of that.
		straight := m.loads.correct(share - own)
		if with := half - straight - base; math.Abs(with-near) < math.Abs(off-near) {
			share, other, off = share-own, straight, with
		}
	}
	agree := true
	switch {
	case !t.ready():
		if t.n > 1 && math.Abs(off) > another {
			// One alone tells nothing. Two make what was before a baseline, and another nozzle of what comes.
			if t.odd == 0 || math.Abs(off-t.odd.float()) > together {
				t.odd = fineOf(off)
				return
			}
			t.first(base, 0, m.use.blasting())
		} else {
			t.odd = 0
		}
	case known:
		byTee := tee - m.tee.float()
		apart, step := byTee-off, min(math.Abs(off-level), math.Abs(byTee-level))
		moved := math.Abs(apart - m.apart.float())
		m.apart += fineOf(apartGain * (apart - m.apart.float()))
		switch agree = apart < teeOver && apart > -teeUnder; {
		case agree:
			off = (off + byTee) / 2
		case t.after > 0, step > another && (off > level) == (byTee > level) && moved < max(together, teeErrs*step):
		default:
			if math.Abs(byTee-level) < math.Abs(off-level) {
				off = byTee
			}
			off = level + max(-shrinks, min(creeps, off-level))
		}
	case m.tee != 0 && b.tees == b.seconds && t.after == 0 && off > level+teeUnder:
		// Nothing is lost between vessel and hose, as where a pot is blown down: the tee has no logarithm, but it speaks against a wider nozzle.
		agree, off = false, level+creeps
	}
	if agree {
		m.loads.next(share, half, mixedLeast, mixedMost)
		// An error of the inlet's loss is in both, and draws a slope of its own: no mixture makes one outside these.
		m.loads.value = max(fineOf(leastLoads), min(fineOf(mostLoads), m.loads.value))
	}
	if m.observe(Bore, at, base+other+off, other) {
		m.loads.learn(share, t.n)
		if known {
			m.tee += fineOf((tee - m.tee.float()) / float64(max(1, t.n)))
		}
	}
}

// observe takes an observation of a part, and how much of it has another cause. It tells whether the baseline learned from it.
func (m *Monitor) observe(p Part, at si.Instant, y, other float64) bool {
	refines := int32(refined)
	switch {
	case p == Exhaust:
		refines = refinedVents
	case p == Bore:
		refines = 0 // it only grows, and what it grows meanwhile would be lost
	case p <= Valve && m.tracks[Separator+Valve-p].since != 0:
		refines = 0 // behind a neighbour that has clogged, the vessel fills too slowly to be choked all the time
	}
	learned := m.tracks[p].add(at, y, other, m.use.blasting(), refines, m.bounds(p))
	m.served(p, at)
	return learned
}

// Break says that what came between is not known.
func (m *Monitor) Break() {
	m.filled, m.waits, m.tells, m.fills.seen, m.vents.seen, m.loads.seen, m.blast = false, false, false, false, false, false, blast{}
}
