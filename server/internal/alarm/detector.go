package alarm

import (
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// A Found is that a condition has begun or ended; or, where Proven, that the answer lets a latched vessel-held go.
type Found struct {
	Key
	Priority Priority
	At       si.Instant
	On       bool
	Proven   bool
	Evidence Evidence
}

// A verdict is what signals say of one condition.
type verdict uint8

const (
	unknown verdict = iota // nothing: as it was, and the time does not count
	between                // within the deadband: as it was
	good
	bad
)

func judge(is, isNot bool) verdict {
	switch {
	case is:
		return bad
	case isNot:
		return good
	}
	return between
}

// A timer turns verdicts into a condition.
type timer struct {
	on      bool
	assumed bool // on since before the start: the finder may not know of it
	pending bool // a verdict has spoken against on
	against time.Duration
}

// step tells whether the condition has changed: verdicts must have spoken against it for long enough. Those within the
// deadband take back half of their time, so that a few excursions do not add up; those that speak for it take back all.
// What is not known does not count, so that of blasting only those seconds are reckoned that were blasted.
func (t *timer) step(v verdict, d, onAfter, offAfter time.Duration) bool {
	switch {
	case v == unknown:
		return false
	case v == between:
		t.against = max(0, t.against-d/2)
		t.pending = t.against > 0
		return false
	case (v == bad) == t.on:
		t.pending, t.against = false, 0
		t.assumed = t.assumed && v != bad
		return false
	}
	after := onAfter
	if t.on {
		after = offAfter
	}
	if t.pending {
		t.against += d
	}
	t.pending = true
	if t.against < after {
		return false
	}
	*t = timer{on: !t.on}
	return true
}

// Params are what a detector uses of a pot.
type Params struct {
	Pot     string
	Points  points.Set
	Rated   si.GaugePressure // 0: not known
	Ambient si.AbsPressure   // 0: standard
}

// slowEvery is how often what does not matter in a second is looked at.
const slowEvery = 200 * time.Millisecond

// longestStep is the most time that one step counts for.
const longestStep = 5 * time.Second

// freshFor is how long what has just begun to learn must go on finding nothing before a condition from before the start has ended: a gauge watch that
// never found anything, or an estimate that takes a pot for full, its stream for an ordinary one and its separator for drained until something tells it better, see
// witnesses.
const freshFor = 10 * time.Minute

// remembers tells whether a kind rests on what only its past tells.
func remembers(k Kind) bool {
	return k == PotEmptySoon || k == PotEmpty || k == AbrasiveStopped || k == DrainDue
}

// A Detector finds the conditions of one pot's alarms in its signals. A step that changes nothing allocates nothing, and
// costs a constant time. Not safe for concurrent use.
type Detector struct {
	params Params
	key    Key // of the pot
	at     si.Instant
	slowAt si.Instant
	timers [Kinds]timer
	faults [points.Count][faultKinds]timer
	blasts time.Duration    // for how long the pot has been blasting, of this press
	lost   [3]time.Duration // of vessel-unknown: old, bad, clash
	clash  bool             // another point has contradicted the vessel, and has not agreed since
	proven bool             // told
	past   witnesses        // since a condition was assumed last
	trace  trace            // the vessel
	stream trace            // hose or nozzle
}

// witnesses are what makes a finder's word against an assumed condition worth as much as its word against any other. One that has just begun says that the pot is full
// and abrasive flows whatever the pot holds, so that alone ends nothing for freshFor.
type witnesses struct {
	told    bool   // the finders go on from a saved state, over all that came since, as if there had been no start
	stopped bool   // the stream has been seen to stop: that it flows then was seen too
	counted bool   // refills is
	refills uint64 // at the first step; one more was seen
}

// step takes what is known of the abrasive.
func (w *witnesses) step(l *Level) {
	if !w.counted {
		w.counted, w.refills = true, l.Refills
	}
	w.stopped = w.stopped || l.Feed == Blocked || l.Feed == Empty || l.Feed == FeedUndecided
}

// against tells whether what the finder of a kind says against an assumed condition rests on more than what it takes for granted. Of a drain there is no such witness: a
// reckoner that has just begun knows of no water, whoever has drained it.
func (w *witnesses) against(k Kind, l *Level) bool {
	switch k {
	case PotEmptySoon:
		return w.told || l.Refills > w.refills
	case PotEmpty:
		return w.told || l.Refills > w.refills || w.stopped && l.Feed == Flowing
	case AbrasiveStopped:
		return w.told || w.stopped && l.Feed == Flowing
	}
	return w.told
}

// NewDetector is a detector that has seen nothing.
func NewDetector(p Params) *Detector {
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	return &Detector{params: p, key: Key{Pot: p.Pot}}
}

// Assume tells of an alarm of the pot whose condition stood before the start, see Board.Standing. It ends when the
// signals show that it has, and is not found a second time.
func (d *Detector) Assume(k Key) {
	if t := d.timer(k); t != nil && !t.on {
		*t = timer{on: true, assumed: true}
		d.past = witnesses{}
	}
}

// Recalled tells that the finders now know what they would without a start: they go on from a saved state of before, over all that came since. What was
// assumed until now then ends as anything does.
func (d *Detector) Recalled() { d.past.told = true }

// timer is that of a key; nil: there is none.
func (d *Detector) timer(k Key) *timer {
	if k.Kind != SensorFault {
		return &d.timers[k.Kind]
	}
	for _, p := range points.All() {
		for f := range faultKinds {
			if p.String() == k.Point && faultName(f) == k.Fault {
				return &d.faults[p][f]
			}
		}
	}
	return nil
}

// Ease tells that a condition which was only assumed has ended; false: it was not assumed, or the signals have shown it
// since.
func (d *Detector) Ease(k Key) bool {
	t := d.timer(k)
	if t == nil || !t.assumed {
		return false
	}
	*t = timer{}
	return true
}

// Step takes the signals and appends what they change to dst. It is to be called whenever signals may have changed, and
// at least once a second.
func (d *Detector) Step(s *Signals, dst []Found) []Found {
	since := step(d.at, s.At)
	d.at = s.At
	d.trace.step(s, s.Vessel, points.Vessel)
	stream, of := s.stream()
	d.stream.step(s, stream, of)
	if s.Vent != nil {
		for c := range vent.Condition(vent.Conditions) {
			f := s.Vent.Find(c)
			k := Kind(c)
			offAfter := rules[k].OffAfter
			if k <= StopSlow && s.leaves() {
				offAfter = 0 // it has ended for good, and not by noise
			}
			if d.timers[k].step(d.condition(k, &f, s), since, rules[k].OnAfter, offAfter) {
				dst = d.add(dst, s, k, d.conditionEvidence(k, f, s))
			}
		}
	}
	dst = d.prove(s, dst)
	if gone := s.At.Sub(d.slowAt); gone < 0 || gone >= slowEvery {
		since := step(d.slowAt, s.At)
		d.slowAt = s.At
		if d.blasts += since; !s.Blasting {
			d.blasts = 0
		}
		d.past.step(&s.Level)
		// What makes the vessel unknown comes before that it is.
		dst = d.gauges(s, since, dst)
		dst = d.step(ConfigDoubt, s, since, dst)
		for k := VesselUnknown; k <= DrainDue; k++ {
			if k != ConfigDoubt {
				dst = d.step(k, s, since, dst)
			}
		}
	}
	return dst
}

// step follows one of the conditions that do not matter in a second.
func (d *Detector) step(k Kind, s *Signals, since time.Duration, dst []Found) []Found {
	onAfter, offAfter := rules[k].OnAfter, rules[k].OffAfter
	switch {
	case d.timers[k].assumed && remembers(k) && !d.past.against(k, &s.Level):
		offAfter = freshFor
	case k == PotEmpty && s.Level.full():
		offAfter = refilledFor
	case k == ConfigDoubt && s.Crossed != "":
		onAfter = 0 // its finder has seen it again and again
	}
	if d.timers[k].step(d.slow(k, s, since), since, onAfter, offAfter) {
		dst = d.add(dst, s, k, d.slowEvidence(k, s))
	}
	return dst
}

// step is the time that counts between two steps.
func step(from, to si.Instant) time.Duration {
	if from == 0 {
		return 0
	}
	return min(max(to.Sub(from), 0), longestStep)
}

// add appends a change of a kind. Evidence is made of a beginning only.
func (d *Detector) add(dst []Found, s *Signals, k Kind, e Evidence) []Found {
	f := Found{Key: d.key, At: s.At, On: d.timers[k].on}
	f.Kind = k
	f.Priority = f.Key.priority()
	if f.On {
		f.Evidence = e
	}
	return append(dst, f)
}

// condition is the verdict of the vent watch. One that has never found a condition does not know whether it stood before
// the start; then only what contradicts it ends it.
func (d *Detector) condition(k Kind, f *vent.Finding, s *Signals) verdict {
	switch t := &d.timers[k]; {
	case k == SupplyBelowVessel && d.blind(points.Supply):
		return unknown
	case f.On:
		return bad
	case !t.on || !t.assumed && f.Since != 0:
		return good
	}
	vessel, ok := s.Vessel.value()
	over := false
	switch k {
	case OverPressure:
		over = ok && vessel < float64(d.params.Rated)-2*si.PSI
	case SupplyBelowVessel:
		supply, both := s.Supply.value()
		over = ok && (vessel < 100*si.KPa || both && supply > vessel)
	case PressOverlong:
		over = s.Handle.Known && !s.Handle.Pressed
	default:
		over = s.leaves()
	}
	if over {
		return good
	}
	return unknown
}

// blind tells whether the gauge of a point no longer shows what the pressure is: nothing begins or ends by it but what is
// about the vessel.
func (d *Detector) blind(p points.Point) bool {
	for k := range d.faults[p] {
		if d.faults[p][k].on && blindsBy[k] {
			return true
		}
	}
	return false
}

// blindOf tells whether one of several points' gauges is blind.
func (d *Detector) blindOf(of points.Set) bool {
	for p := range points.Point(points.Count) {
		if of.Has(p) && d.blind(p) {
			return true
		}
	}
	return false
}

// leaves tells whether a vent is over beyond doubt: by the next press, or by the answer.
func (s *Signals) leaves() bool { return s.Handle.Known && s.Handle.Pressed || s.good() }

// good tells whether the answer is the good one.
func (s *Signals) good() bool { return s.Answered && s.Answer.Word.IsVented() }

func (d *Detector) conditionEvidence(k Kind, f vent.Finding, s *Signals) Evidence {
	e := Evidence{LimitPa: round(float64(f.Limit), 1), ForS: round(f.After.Seconds(), 10), LimitS: round(f.Most.Seconds(), 10)}
	if k == OverPressure {
		e.PressurePa = []float64{round(float64(f.Now), 1)}
	} else if f.From != 0 || f.Now != 0 {
		e.PressurePa = pair(f.From, f.Now)
	}
	if k == VentSlow {
		e.RatePerS = []float64{round(f.Rate, 1e4), round(f.Least, 1e4)}
	}
	if k == VentSlow || k == VesselHeld {
		if h, ok := s.Vent.Healthy(); ok {
			e.Envelope = EnvelopeOf(h, d.params.Ambient)
		}
	}
	switch {
	case k == StopSlow:
		e.PressureOf = f.Point.String()
		if d.stream.point == f.Point {
			e.Trace = d.stream.evidence()
		}
	case k < StopSlow: // it is about a vent
		e.Trace = d.trace.evidence()
	}
	return e
}

// prove tells once that the answer is the good one and no vessel-held stands.
func (d *Detector) prove(s *Signals, dst []Found) []Found {
	if !s.good() || d.timers[VesselHeld].on {
		d.proven = false
		return dst
	}
	if d.proven {
		return dst
	}
	d.proven = true
	f := Found{Key: d.key, At: s.At, Priority: rules[VesselHeld].Priority, Proven: true, Evidence: Evidence{Word: s.Answer.Word.String()}}
	f.Kind = VesselHeld
	return append(dst, f)
}

// gauges follow the faults of all gauges.
func (d *Detector) gauges(s *Signals, since time.Duration, dst []Found) []Found {
	r := &rules[SensorFault]
	if s.Gauges != nil {
		for p := range points.Point(points.Count) {
			if !d.params.Points.Has(p) {
				continue
			}
			for k := range gauges.Kind(gauges.Kinds) {
				f := s.Gauges.Find(p, k)
				t := &d.faults[p][k]
				offAfter := r.OffAfter
				if t.assumed && !d.past.told || f.Since == 0 {
					offAfter = freshFor
				}
				if t.step(judge(f.On, !f.On), since, r.OnAfter, offAfter) {
					dst = d.fault(dst, s, p, int(k), &f)
				}
			}
		}
	}
	if t := &d.faults[points.Vessel][faultKinds-1]; s.Answered || s.Faulty {
		if t.step(judge(s.Faulty, !s.Faulty), since, r.OnAfter, r.OffAfter) {
			dst = d.fault(dst, s, points.Vessel, faultKinds-1, nil)
		}
	}
	return dst
}

func (d *Detector) fault(dst []Found, s *Signals, p points.Point, k int, f *gauges.Finding) []Found {
	out := Found{Key: Key{Pot: d.params.Pot, Kind: SensorFault, Point: p.String(), Fault: faultName(k)}, At: s.At, On: d.faults[p][k].on}
	out.Priority = out.Key.priority()
	e := &out.Evidence
	e.Point, e.Fault = out.Point, out.Fault
	if out.On && f != nil {
		if f.Size != 0 { // some faults have none
			e.Size = rounded(f.Size, 1e3)
		}
		if gauges.Kind(k) == gauges.Swapped {
			e.Other = f.Other.String()
		}
	}
	return append(dst, out)
}

// doubts are the codes of an answer that say that a pot is not as it is configured; clashes those by which another point
// contradicts a vessel without pressure; olds those of a vessel of which nothing fresh is known.
var (
	olds    = vent.CodesOf(vent.VesselOld, vent.NoEcho, vent.AgentSilent)
	doubts  = vent.CodesOf(vent.ConfigDiffers, vent.RulesDiffer, vent.SecondAgent, vent.SecondSession)
	clashes = vent.CodesOf(vent.HosePressure, vent.NozzlePressure)

	// unknowns are all codes that tell why a vessel's pressure is not known.
	unknowns = olds | clashes | vent.CodesOf(vent.VesselBad, vent.GaugeDoesNotFollow)
)

// unknownMost is how long the vessel may be old, bad, or contradicted, see Detector.lost.
var unknownMost = [3]time.Duration{unknownOld, unknownBad, unknownClash}

// slow is the verdict on what does not matter in a second.
func (d *Detector) slow(k Kind, s *Signals, since time.Duration) verdict {
	switch k {
	case VesselUnknown:
		return d.vesselUnknown(s, since)
	case PotEmptySoon:
		return soon(&s.Level)
	case PotEmpty:
		return feed(&s.Level, Empty)
	case AbrasiveStopped:
		return feed(&s.Level, Blocked)
	case ConfigDoubt:
		if !s.Answered && s.Crossed == "" {
			return unknown
		}
		is := s.Crossed != "" || s.Answer.Because&doubts != 0
		return judge(is, !is)
	case NozzleLow:
		v, ok := s.Nozzle.value()
		target, wanted := s.Target.value()
		if !ok || !wanted || !s.Blasting || d.blind(points.Nozzle) {
			return unknown
		}
		return d.filling(k, judge(v < target-nozzleOn, v > target-nozzleOff))
	case SupplyLow:
		if d.blind(points.Supply) {
			return unknown
		}
		return d.filling(k, supply(s))
	case DrainDue:
		if !s.Drain.Known {
			return unknown
		}
		return judge(s.Drain.Due, !s.Drain.Due)
	}
	x := k - SeparatorRestricted
	if d.blindOf(partPoints[x]) {
		return unknown
	}
	return part(&s.Wear[x], s.At)
}

// partPoints are those whose gauges tell of a part.
var partPoints = [Parts]points.Set{
	Separator: points.SetOf(points.Supply, points.Separator, points.Hose), Valve: points.SetOf(points.Supply, points.Separator, points.Hose),
	Mixing: points.SetOf(points.Vessel, points.Hose), Hose: points.SetOf(points.Hose, points.Nozzle), Exhaust: points.SetOf(points.Vessel),
	Nozzle: points.SetOf(points.Supply, points.Separator, points.Hose, points.Nozzle),
}

// filling keeps an alarm that stands from being held by the beginning of each press, in which the vessel fills and all is low: else it would never end
// where presses are short.
func (d *Detector) filling(k Kind, v verdict) verdict {
	if v == bad && d.blasts < fills && d.timers[k].on {
		return unknown
	}
	return v
}

// vesselUnknown is the verdict on the vessel's pressure: failed, stale, or contradicted by another point. Whether two
// points agree shows only with the handle released and the vessel at nothing.
func (d *Detector) vesselUnknown(s *Signals, since time.Duration) verdict {
	if d.blind(points.Vessel) || s.Crossed != "" {
		return bad // what its gauge shows is not what is in it
	}
	if !s.Answered {
		return unknown
	}
	b := s.Answer.Because
	old, failed, still := b&olds != 0, b.Has(vent.VesselBad), s.Handle.Known && !s.Handle.Pressed
	clash := still && b&clashes != 0
	if still && !clash && !old && !failed && !b.Has(vent.OverLimit) {
		d.clash = false
	}
	v := good
	for i, is := range [...]bool{old, failed, clash} {
		if !is {
			d.lost[i] = 0
			continue
		}
		if d.lost[i] += since; d.lost[i] > unknownMost[i] {
			v = bad
			d.clash = d.clash || clash
		} else if v == good {
			v = between
		}
	}
	switch {
	case b.Has(vent.GaugeDoesNotFollow):
		return bad
	case d.clash && v == good:
		return unknown
	}
	return v
}

// blindsBy are the faults of a gauge that blind it.
var blindsBy = func() (b [faultKinds]bool) {
	for k := range b {
		b[k] = blinds(faultName(k))
	}
	return b
}()

func soon(l *Level) verdict {
	if l.Known && l.Share > soonShareOff {
		return good // refilled, though nobody knows how long it lasts
	}
	if !l.Known || !l.EmptyKnown {
		return unknown
	}
	return judge(l.P50 < soonOn && l.Share < soonShareOn, l.P50 > soonOff)
}

// full tells whether the pot has been refilled beyond doubt.
func (l *Level) full() bool { return l.Known && l.Low > refilled }

func feed(l *Level, of Feed) verdict {
	switch {
	case l.Feed == of:
		return bad
	case l.Feed == Flowing || l.Feed == Blocked || l.Feed == Empty:
		return good
	case of == Empty && l.full():
		return good
	}
	return unknown
}

func supply(s *Signals) verdict {
	v, ok := s.Supply.value()
	target, wanted := s.Target.value()
	sag, sags := s.Sag.value()
	if !ok || !wanted || !s.Blasting {
		return unknown
	}
	return judge(v < target+supplyOn || sags && sag > sagOn, v > target+supplyOff && !(sags && sag > sagOff))
}

func part(x *Index, now si.Instant) verdict {
	if !x.Known {
		return unknown
	}
	if x.Found {
		return bad
	}
	left := x.P50.Sub(now)
	gone, way := float64(x.Value-1), float64(x.Limit-1)
	if x.Limit < 1 {
		gone, way = -gone, -way
	}
	near := x.ForecastKnown && gone >= noticeShareOn*way && gone > noticeGone*float64(x.SD) && left < noticeOn && x.P90 != 0 && x.P90.Sub(x.P10) < noticeSpread*noticeOn
	return judge(near, !x.ForecastKnown || left > noticeOff || gone < noticeShareOff*way)
}

// unknownEvidence is why nobody knows the vessel's pressure, and for how long already where time counts.
func (d *Detector) unknownEvidence(s *Signals) Evidence {
	e := Evidence{Other: s.Crossed}
	if b := s.Answer.Because & unknowns; b != 0 {
		e.Because = b.Strings()
	}
	for k := range d.faults[points.Vessel] {
		if d.faults[points.Vessel][k].on && blindsBy[k] {
			e.Blind = faultName(k)
		}
	}
	for i, most := range unknownMost {
		if d.lost[i] > most {
			e.ForS, e.LimitS = round(d.lost[i].Seconds(), 10), most.Seconds()
		}
	}
	return e
}

// supplyEvidence is the supply against what it should be: over the nozzle's target, and not far under what it is while this pot blasts healthy.
func supplyEvidence(s *Signals) Evidence {
	v, target := float64(s.Supply.Value), float64(s.Target.Value)
	e := Evidence{PressurePa: []float64{round(v, 1)}, PressureOf: points.Supply.String(), TargetPa: round(target, 1), LimitPa: round(target+supplyOn, 1)}
	if sag, ok := s.Sag.value(); ok {
		e.BaselinePa = round(v+sag, 1)
		if v >= target+supplyOn { // then it is the sag that tells
			e.LimitPa = round(v+sag-sagOn, 1)
		}
	}
	return e
}

func (d *Detector) slowEvidence(k Kind, s *Signals) Evidence {
	var e Evidence
	switch k {
	case VesselUnknown:
		e = d.unknownEvidence(s)
	case ConfigDoubt:
		e.Because, e.Other = (s.Answer.Because & doubts).Strings(), s.Crossed
	case PotEmptySoon, PotEmpty, AbrasiveStopped:
		e.Contents = contentsOf(&s.Level)
		if k == PotEmptySoon {
			e.Contents.Limit, e.LimitS = soonShareOn, soonOn.Seconds()
		}
	case NozzleLow:
		e.PressurePa, e.PressureOf, e.Computed = []float64{round(float64(s.Nozzle.Value), 1)}, points.Nozzle.String(), s.NozzleComputed
		e.TargetPa, e.LimitPa = round(float64(s.Target.Value), 1), round(float64(s.Target.Value)-nozzleOn, 1)
	case SupplyLow:
		e = supplyEvidence(s)
	case DrainDue:
		e.WaterKg, e.LimitKg = round(float64(s.Drain.Water), 1e3), round(float64(s.Drain.DueAt), 1e3)
	default:
		e.Trend = trendOf(&s.Wear[k-SeparatorRestricted])
	}
	return e
}
