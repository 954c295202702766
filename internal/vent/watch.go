package vent

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Condition is something that the vent watch sees going wrong. Its name is that of its alarm.
type Condition uint8

// The conditions.
const (
	VentSlow          Condition = iota // the vent runs slower than any healthy one of this pot
	VesselHeld                         // after a release the vessel holds pressure, and the vent is over or stalls
	PressureCreep                      // the vessel rises while the handle is released, by more than a rebound
	StopSlow                           // the blast goes on too long after the release
	OverPressure                       // over the vessel's rating
	SupplyBelowVessel                  // the supply has fallen under a vessel that is up
	PressOverlong                      // a press of impossible length

	Conditions = 7 // how many there are
)

var conditionNames = [Conditions]string{"vent-slow", "vessel-held", "pressure-creep", "stop-slow", "over-pressure", "supply-below-vessel", "press-overlong"}

// String is the name of the condition's alarm.
func (c Condition) String() string { return conditionNames[c] }

var conditionSays = [Conditions]string{
	"the vent runs slower than any healthy vent of this pot could: keep closed, treat as pressurised",
	"after the release the vessel still holds pressure, and the vent is over or stalls: treat as pressurised",
	"the vessel's pressure rises while the handle is released: keep clear of the filling port, close the supply",
	"the blast goes on too long after the release",
	"the vessel is over its rating",
	"the supply has fallen under the vessel while it is up: grit flows back into valves and control lines",
	"the press is of impossible length: is the handle tied or jammed?",
}

// Says is the condition in words for people.
func (c Condition) Says() string { return conditionSays[c] }

// A Finding is the state of one condition and what shows it.
type Finding struct {
	On    bool
	Since si.Instant       // of On, or of the end
	From  si.GaugePressure // where it began: the vessel at the release, StopSlow hose or nozzle at it, the lowest before a rise, the supply under a vessel
	Now   si.GaugePressure // when it was found
	Limit si.GaugePressure // that Now is over; 0: another one counts
	Point points.Point     // StopSlow: that From and Now are of, nozzle or hose
	Rate  float64          // VentSlow: measured, 1/s
	Least float64          // VentSlow: the slowest healthy one, 1/s
	After time.Duration    // VesselHeld, StopSlow: since the release; PressOverlong: since the press
	Most  time.Duration    // that After is over; 0: another limit counts
}

// WatchParams are what a watch uses of a pot. Only Pot is under the digest: the watch raises alarms, never a word.
type WatchParams struct {
	Pot     Pot
	Nozzle  si.Length      // bore; 0: not known
	Ambient si.AbsPressure // 0: standard
	Period  time.Duration  // of a log that is slower than live readings; 0: live
}

// Numbers of the watch. Those without a source are common practice.
const (
	upAtLeast    = 150 * si.KPa            // a vent from less is not timed: it is hardly choked
	ChokedOver   = 2.2                     // the vessel over ambient, absolute, while its fall is timed
	onset        = 0.985                   // of the pressure at the release: the fall has begun
	valveLag     = 600 * time.Millisecond  // from the release, as the control line shows it, to the beginning of the fall at most, commissioned
	pilotLag     = time.Second             // the same of a release that a switch shows: the line of air behind it has yet to let go
	valveStroke  = 250 * time.Millisecond  // from there to a wide open exhaust
	valveSettles = 200 * time.Millisecond  // from the release to that at least
	nominalLag   = 1200 * time.Millisecond // from the release to a wide open exhaust at most, not commissioned
	sigmas       = 3                       // of the gauge's noise that a rate must be off
	inARow       = 2                       // such rates
	sinceLeast   = 300 * time.Millisecond  // a handle that turned longer ago was told late, and may have turned at any time since
	leastCount   = 3                       // readings of a rate
	leastTime    = 200 * time.Millisecond
	handleLate   = 400 * time.Millisecond // since the handle was told: three polls or four of a live line
	stretchLeast = time.Second            // of readings that a silence interrupts: a line that is polled more seldom has only silences

	// The time constant of an expectation is that of the fall down to a share of the absolute pressure at the release. From there on an empty vessel takes
	// longer, by so much at the most: air that takes up no heat has cooled, and a valve whose critical ratio is 0.2 is not choked any more (ISO 6358-1).
	expectedTo = 0.4
	tailSlower = 0.25

	heldLook   = 2 * time.Second // a vent stalls when it falls less than heldLeast and heldShare in this time
	heldLeast  = 2 * si.KPa
	heldShare  = 0.02
	heldGrace  = 1500 * time.Millisecond // after the release, while the exhaust opens
	offLimit   = limit - 2*si.KPa        // down to this a condition of the vessel lasts
	heated     = 1.4                     // most that filling heats air, over absolute zero: of an empty vessel, without loss, by the ratio of its specific heats
	rebounds   = 1.2                     // polytropic exponent of the fastest vents: how far a shut vessel warms up again
	creepLeast = 5 * si.KPa              // over the rebound
	creepFrom  = 5 * time.Second         // after the release: while valves move the vessel still takes in air
	warmed     = 2 * time.Minute         // after that nothing rebounds any more
	stopLimit  = 5 * time.Second         // proposal of the trade's practice: a blast lasts no longer
	stopShare  = 1.0 / 3                 // of the pressure at the release
	stopLeast  = 69 * si.KPa             // 10 psi
	underLeast = 14 * si.KPa             // 2 psi
	underTime  = 2 * time.Second
	overlong   = 45 * time.Minute // a full pot lasts less, but for a large one behind a small nozzle: the alarm asks
)

// A Watch follows the vents of one pot. Samples of one point come in order of time, those of different
// points may be late by less than a second. It costs a constant time a sample and allocates nothing. It is a value: a copy
// is a saved state. Not safe for concurrent use.
//
// VentSlow is a sequential test: from when the exhaust must be open, the slope of ln p over all readings is held
// against the slowest that a healthy vent of the empty pot could have; it is found when the slope, with three standard
// deviations of the gauge's noise, is under that twice in a row.
//
// It is made for the empty pot, and for valves as slow as they may be. Where more is known of the next vent, Expect takes it, and
// a second test runs beside the first: the fall since the release against that of the slowest vent expected. It is found
// when the fall, with three standard deviations of the noise, is less twice in a row. The time constant is of the fall down to two fifths
// of the pressure at the release; from there on a vessel may take a quarter longer. So an expectation, right or wrong, makes a
// finding come earlier and never later.
//
// What rests on a release does not begin while nothing has told of the handle for handleLate or more, and what rises only once it was told
// since: on a line that is late the other points show a press before the control point does.
//
// A silence of all points may hide a press and its release. After it nothing that rests on the release before begins until the
// handle was told again; where it is still, or again, let go, the vent is timed anew from there.
type Watch struct {
	params  WatchParams
	ambient float64
	tau     float64 // slowest healthy time constant, s
	noise   float64 // standard deviation of a reading, Pa
	stale   time.Duration

	expected expectation // of the next vent, or of the one that goes on

	now      si.Instant
	teller   si.Instant // when the handle was told last; 0: not known
	behind   bool       // that was too long before the newest sample
	woke     si.Instant // end of the last silence of all points
	wary     bool       // since when neither handle nor vessel need have been told of
	last     [points.Count]si.Instant
	recent   [points.Count]level
	pressed  bool
	known    bool
	released si.Instant // 0: no vent is watched
	from     float64    // vessel at the release, gauge Pa
	hoseFrom float64    // hose or nozzle at the release
	began    si.Instant // of the fall
	before   si.Instant // reading before it
	slope    slope
	under    int        // rates in a row under the least
	since    si.Instant // of the release, as the handle has it
	top      float64    // vessel at its highest since then, absolute Pa
	short    int        // falls in a row that are less than expected
	pressAt  si.Instant
	past     [8]level // vessel each quarter of a second
	pastN    int
	upSince  si.Instant // since when the vessel is over the limit
	lowest   float64    // vessel since the release
	lowestAt si.Instant // of it
	warm     float64    // vessel when rebounds were over; NaN: not yet
	low      si.Instant // since when the supply is under the vessel
	rises    si.Instant // when the vessel was first seen to rise in the vent
	rose     si.Instant // when the vessel was first seen too far over the lowest
	blew     si.Instant // when the blast was first seen to go on
	found    [Conditions]Finding
}

// level is the recent past of a point: means that forget within about a third of a second, and within a second.
type level struct {
	at   si.Instant
	mean float64
	slow float64
}

// NewWatch is a watch that has seen nothing.
func NewWatch(p WatchParams) *Watch {
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	g := p.Pot.Gauges[points.Vessel]
	noise := 0.002 * float64(g.Hi-g.Lo)
	if noise <= 0 {
		noise = 0.002 * 200 * si.PSI
	}
	w := &Watch{params: p, ambient: float64(p.Ambient), tau: p.slowest(), noise: noise, stale: max(MaxAge, 5*p.Period/2)}
	w.forget()
	return w
}

// expectation is how a vent should go at the slowest; zero: nothing is expected.
type expectation struct {
	tau time.Duration // time constant of the choked part
	lag time.Duration // from the release to the beginning of the fall, as if the exhaust opened at once
}

// Expect tells the slowest that the next vent can credibly be: the time constant of its choked part, and the time from the
// release to its beginning. An estimate has them from the level, and from how this pot's valves have moved. It stands until the next
// press. What is not above zero is no expectation.
func (w *Watch) Expect(tau, lag time.Duration) {
	if tau <= 0 || lag < 0 {
		tau, lag = 0, 0
	}
	w.expected = expectation{tau.Round(time.Millisecond), lag.Round(time.Millisecond)}
}

// Find is the state of a condition.
func (w *Watch) Find(c Condition) Finding { return w.found[c] }

// Seen is which conditions somebody was told of.
type Seen [Conditions]bool

// Tell calls each for every condition that differs from what was seen, and notes it.
func (w *Watch) Tell(seen *Seen, each func(Condition, Finding)) {
	for c := range Condition(Conditions) {
		if f := w.found[c]; f.On != seen[c] {
			seen[c] = f.On
			each(c, f)
		}
	}
}

// Lag is the time from the release to the beginning of the vessel's fall in this vent, if it has begun.
func (w *Watch) Lag() (time.Duration, bool) {
	return w.began.Sub(w.released), w.released != 0 && w.began != 0
}

// Break ends what is being watched: what came between is not known. Conditions that stood still stand until readings
// end them.
func (w *Watch) Break(Break) { w.forget() }

func (w *Watch) forget() {
	w.recent = [points.Count]level{}
	w.known, w.released, w.pressAt, w.low, w.upSince, w.rises, w.rose, w.blew = false, 0, 0, 0, 0, 0, 0, 0
	w.lowest, w.warm, w.pastN = math.NaN(), math.NaN(), 0
	w.expected = expectation{}
	w.wary = false
}

// Step takes one sample with the handle as the judge has it after that sample.
func (w *Watch) Step(s points.Sample, h Handle) {
	if int(s.Point) >= points.Count || !w.params.Pot.Points.Has(s.Point) || s.At <= w.last[s.Point] {
		return
	}
	gap := s.At.Sub(w.last[s.Point])
	w.last[s.Point] = s.At
	if s.At.Sub(w.now) > w.stale && !w.wary {
		w.wary = w.now.Sub(w.woke) >= stretchLeast
		w.woke = s.At
	}
	w.now = max(w.now, s.At)
	w.handle(h)
	if s.Quality != points.Good {
		return
	}
	if s.Point == points.Control {
		w.recent[points.Control].at = s.At
		w.wake(s.At)
		return
	}
	if w.teller = w.recent[points.Control].at; h.Inferred {
		w.teller = w.recent[points.Hose].at
	}
	if s.At.Sub(w.teller) > w.stale {
		w.teller = 0 // it has died: what goes on is judged without it
	}
	w.behind = w.teller != 0 && s.At.Sub(w.teller) > max(handleLate, 3*gap/2)
	v := float64(s.Value)
	if z := w.params.Pot.Gauges[s.Point].Zero; z != nil {
		v -= float64(z.Offset)
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return
	}
	l := &w.recent[s.Point]
	l.step(s.At, v, w.stale)
	if w.wary {
		w.wake(w.teller)
		w.behind = w.behind || w.wary
	}
	switch s.Point {
	case points.Vessel:
		w.overPressure(l)
		w.fall(s.At, v, l)
		w.held(l)
		w.creep(l)
	case points.Supply:
		w.supply()
	case points.Hose, points.Nozzle:
		w.stop()
	}
}

func (l *level) step(at si.Instant, v float64, stale time.Duration) {
	d := at.Sub(l.at)
	if l.at == 0 || d > stale {
		l.mean, l.slow = v, v
	} else {
		l.mean += (v - l.mean) * (1 - math.Exp(-d.Seconds()/levelMemory))
		l.slow += (v - l.slow) * (1 - math.Exp(-d.Seconds()/slowMemory))
	}
	l.at = at
}

const levelMemory, slowMemory = 0.15, 0.5 // s

func (w *Watch) fresh(p points.Point) (*level, bool) {
	l := &w.recent[p]
	return l, l.at != 0 && w.now.Sub(l.at) <= w.stale
}

// handle follows presses and releases.
func (w *Watch) handle(h Handle) {
	if !h.Known {
		w.known = false
		return
	}
	switch {
	case h.Pressed && (!w.known || !w.pressed):
		w.released, w.pressAt = 0, w.now
		w.expected = expectation{}
		w.lowest, w.warm = math.NaN(), math.NaN()
		for _, c := range [...]Condition{VentSlow, VesselHeld, PressureCreep, StopSlow} {
			w.set(c, false, Finding{})
		}
	case !h.Pressed && w.known && w.pressed:
		w.release(h.Since)
	}
	if w.known, w.pressed = true, h.Pressed; !w.pressed {
		w.set(PressOverlong, false, Finding{})
	} else if w.pressAt != 0 && w.now.Sub(w.pressAt) > overlong {
		w.set(PressOverlong, true, Finding{After: w.now.Sub(w.pressAt), Most: overlong})
	}
}

// wake goes on after a silence, once the vessel was read and the handle told, which it was at the time given; without the one or the
// other where it is not told in time.
func (w *Watch) wake(told si.Instant) {
	_, seen := w.fresh(points.Vessel)
	if !w.wary || (told < w.woke || !seen) && w.now.Sub(w.woke) < w.stale {
		return
	}
	w.wary = false
	if w.known && w.pressed {
		return
	}
	w.expected = expectation{}
	w.upSince, w.rose, w.lowest, w.warm = 0, 0, math.NaN(), math.NaN()
	if w.released == 0 || !seen {
		return
	}
	from, hose := w.from, w.hoseFrom
	w.release(w.now)
	if w.params.Pot.HoldsPressure {
		w.from = max(w.from, from) // a blowdown that has begun goes on from where it began
	}
	if math.IsNaN(w.hoseFrom) {
		w.hoseFrom = hose
	}
}

// release begins a vent. The handle may have turned a little before the sample that shows it.
func (w *Watch) release(since si.Instant) {
	w.pressAt = 0
	v, ok := w.fresh(points.Vessel)
	if !ok {
		w.released = 0
		return
	}
	w.released, w.from = w.now, v.mean
	if w.since = since; since <= 0 || since > w.now || w.now.Sub(since) > sinceLeast {
		w.since = w.now
	}
	// The slower mean still stands where the fall began.
	w.top, w.short = max(v.mean, v.slow)+w.ambient, 0
	w.began, w.before, w.under, w.pastN = 0, w.now, 0, 0
	w.slope = slope{}
	w.rises, w.blew = 0, 0
	w.lowest, w.lowestAt, w.warm = v.mean, w.now, math.NaN()
	w.hoseFrom = math.NaN()
	for _, p := range [...]points.Point{points.Nozzle, points.Hose} {
		if l, ok := w.fresh(p); ok {
			w.hoseFrom = l.mean
			break
		}
	}
}

// fall times the choked part of a vent.
func (w *Watch) fall(at si.Instant, v float64, l *level) {
	if w.found[VentSlow].On && l.mean < offLimit {
		w.set(VentSlow, false, Finding{})
	}
	if w.released == 0 || w.params.Pot.HoldsPressure || w.from < upAtLeast || w.found[VentSlow].On {
		return
	}
	// A vessel that rises is no vent, and may be a press.
	rising := l.mean > l.slow+sigmas*w.noise
	if told := w.toldSince(&w.rises, rising); rising && !told {
		return
	}
	p := v + w.ambient
	if w.began == 0 && p < onset*(w.from+w.ambient)-sigmas*w.noise {
		w.began = w.before
	}
	w.before = at
	if p < ChokedOver*w.ambient {
		return
	}
	w.fallsShort(at, p, l.mean+w.ambient)
	if at < w.open() || w.found[VentSlow].On {
		return
	}
	w.slope.add(at.Sub(w.released).Seconds(), math.Log(p))
	rate, deviation, ok := w.slope.fit(w.noise / p)
	if !ok {
		return
	}
	least := 1 / w.tau
	if rate+sigmas*deviation >= least {
		w.under = 0
		return
	}
	if w.under++; w.under >= inARow {
		w.set(VentSlow, true, Finding{From: si.GaugePressure(w.from), Now: si.GaugePressure(v), Rate: rate, Least: least})
	}
}

// fallsShort holds the fall since the release against the slowest expected, at the absolute pressure p, whose recent mean is given.
func (w *Watch) fallsShort(at si.Instant, p, mean float64) {
	// Until the valves move a vessel that is still being filled rises on.
	w.top = max(w.top, mean)
	e := &w.expected
	if e.tau == 0 || at.Sub(w.since) <= e.lag {
		return
	}
	since := (at.Sub(w.since) - e.lag).Seconds()
	fall := math.Log(w.top / p)
	tail := tailSlower * max(0, fall+math.Log(expectedTo))
	if fall+tail+sigmas*w.noise/p >= since/e.tau.Seconds() {
		w.short = 0
		return
	}
	if w.short++; w.short >= inARow {
		w.set(VentSlow, true, Finding{From: si.GaugePressure(w.from), Now: si.GaugePressure(p - w.ambient),
			Rate: max(0, fall/at.Sub(w.since).Seconds()), Least: 1 / e.tau.Seconds()})
	}
}

// open is when the exhaust of a healthy pot is wide open at the latest.
func (w *Watch) open() si.Instant {
	if w.params.Pot.Commissioned == nil {
		return w.released.Add(nominalLag)
	}
	lag := time.Duration(valveLag)
	if w.params.Pot.Electric {
		lag = pilotLag
	}
	latest := w.released.Add(lag + valveStroke)
	if w.began == 0 {
		return latest
	}
	return min(latest, max(w.began.Add(valveStroke), w.released.Add(valveSettles)))
}

// held tells a vent that stalls, or takes longer than it may.
func (w *Watch) held(l *level) {
	if l.slow <= limit {
		w.upSince = 0
	} else if w.upSince == 0 {
		w.upSince = l.at
	}
	if w.found[VesselHeld].On && l.slow < offLimit {
		w.set(VesselHeld, false, Finding{})
	}
	if w.released == 0 {
		return
	}
	const step = 250 * time.Millisecond
	if w.pastN == 0 || l.at.Sub(w.past[(w.pastN-1)%len(w.past)].at) >= step {
		w.past[w.pastN%len(w.past)] = *l
		w.pastN++
	}
	since := w.now.Sub(w.released)
	if w.upSince == 0 || l.at.Sub(w.upSince) < heldLook || since < heldGrace+heldLook || w.found[VesselHeld].On {
		return
	}
	long := since > w.params.Pot.allowance()
	stalls := false
	if then := w.past[w.pastN%len(w.past)]; w.pastN >= len(w.past) && l.at.Sub(then.at) <= 2*heldLook { // the oldest
		stalls = then.slow-l.slow < max(heldLeast, heldShare*l.slow)*l.at.Sub(then.at).Seconds()/heldLook.Seconds()
	}
	if w.params.Pot.HoldsPressure {
		// Nothing is due at a release; a blowdown that has begun and stalls is. Air that was pressed in fast is hot, and
		// its pressure falls by itself as it cools.
		long, stalls = false, stalls && l.slow+w.ambient < (w.from+w.ambient)/heated
	}
	if long || stalls {
		f := Finding{From: si.GaugePressure(w.from), Now: si.GaugePressure(l.slow), Limit: limit, After: since}
		if long {
			f.Most = w.params.Pot.allowance()
		}
		w.set(VesselHeld, true, f)
	}
}

// creep tells a rise while the handle is released. A vessel that is shut at zero after a fast vent warms up again by
// what the expansion has cooled it, at most (p0/p)^((n-1)/n) of its absolute pressure, and that is over in warmed.
func (w *Watch) creep(l *level) {
	if w.found[PressureCreep].On && l.slow < offLimit {
		w.set(PressureCreep, false, Finding{})
		w.lowest, w.lowestAt = l.slow, l.at
	}
	if !w.known || w.pressed {
		w.rose = 0
		return
	}
	if w.released != 0 && w.now.Sub(w.released) < creepFrom {
		w.lowest, w.lowestAt = l.slow, l.at
		return
	}
	if math.IsNaN(w.lowest) || l.slow < w.lowest {
		w.lowest, w.lowestAt = l.slow, l.at
	}
	low := max(w.lowest, 0) + w.ambient
	allowed := creepLeast + sigmas*w.noise
	if w.released != 0 && w.from > w.lowest && math.IsNaN(w.warm) {
		allowed += low * (math.Pow((w.from+w.ambient)/low, (rebounds-1)/rebounds) - 1)
	}
	base := w.lowest
	if !math.IsNaN(w.warm) {
		base = w.warm
		w.warm = min(w.warm, l.slow)
	} else if w.now.Sub(w.lowestAt) > warmed {
		w.warm = l.slow
	}
	if w.toldSince(&w.rose, l.slow > limit && l.slow-base > allowed) {
		w.set(PressureCreep, true, Finding{From: si.GaugePressure(base), Now: si.GaugePressure(l.slow), Limit: si.GaugePressure(max(limit, base+allowed))})
	}
}

// toldSince tells whether the handle was told after something was first met: what rises fast may be a press that the other points
// show before the control point is read.
func (w *Watch) toldSince(first *si.Instant, met bool) bool {
	switch {
	case !met:
		*first = 0
	case *first == 0:
		*first = w.now
	}
	return met && (w.teller == 0 || w.teller > *first)
}

// stop tells a blast that goes on after the release.
func (w *Watch) stop() {
	p := points.Nozzle
	l, ok := w.fresh(p)
	if !ok {
		p = points.Hose
		if l, ok = w.fresh(p); !ok {
			return
		}
	}
	if w.found[StopSlow].On && l.mean < stopLeast/2 {
		w.set(StopSlow, false, Finding{})
	}
	if w.released == 0 || math.IsNaN(w.hoseFrom) || w.now.Sub(w.released) <= stopLimit {
		w.blew = 0
		return
	}
	stopped := max(stopLeast, stopShare*w.hoseFrom)
	if w.toldSince(&w.blew, l.mean > stopped) {
		w.set(StopSlow, true, Finding{From: si.GaugePressure(w.hoseFrom), Now: si.GaugePressure(l.mean), Limit: si.GaugePressure(stopped), Point: p,
			After: w.now.Sub(w.released), Most: stopLimit})
	}
}

func (w *Watch) overPressure(l *level) {
	rated := float64(w.params.Pot.Rated)
	switch {
	case l.mean > rated:
		w.set(OverPressure, true, Finding{Now: si.GaugePressure(l.mean), Limit: w.params.Pot.Rated})
	case l.mean < rated-underLeast:
		w.set(OverPressure, false, Finding{})
	}
}

// supply tells a supply that has fallen under a vessel that is up.
func (w *Watch) supply() {
	s, okS := w.fresh(points.Supply)
	v, okV := w.fresh(points.Vessel)
	if !okS || !okV {
		w.low = 0
		return
	}
	switch under := v.mean - s.mean; {
	case v.mean < 100*si.KPa || under < underLeast/2:
		w.low = 0
		w.set(SupplyBelowVessel, false, Finding{})
	case under < underLeast:
		w.low = 0
	case w.low == 0:
		w.low = w.now
	case w.now.Sub(w.low) >= underTime:
		w.set(SupplyBelowVessel, true, Finding{From: si.GaugePressure(s.mean), Now: si.GaugePressure(v.mean), Limit: si.GaugePressure(s.mean + underLeast)})
	}
}

// set changes a condition; what was found at its beginning stays with it. What rests on a release does not begin while nothing has told of the
// handle for a while: the line may be late with a press that the other points show already. It begins when the handle is told again.
func (w *Watch) set(c Condition, on bool, f Finding) {
	if w.found[c].On == on || on && w.behind && c <= StopSlow {
		return
	}
	f.On, f.Since = on, w.now
	w.found[c] = f
}

// slope is a straight line through readings by least squares.
type slope struct {
	n            int
	first        float64
	t, tt, y, ty float64
	last         float64
}

func (s *slope) add(t, y float64) {
	if s.n == 0 {
		s.first = t
	}
	t -= s.first
	s.n++
	s.last = t
	s.t += t
	s.tt += t * t
	s.y += y
	s.ty += t * y
}

// fit is how fast y falls, and the standard deviation of that for readings with the deviation given.
func (s *slope) fit(of float64) (rate, deviation float64, ok bool) {
	n := float64(s.n)
	square := s.tt - s.t*s.t/n
	if s.n < leastCount || s.last < leastTime.Seconds() || square <= 0 {
		return 0, 0, false
	}
	return -(s.ty - s.t*s.y/n) / square, of / math.Sqrt(square), true
}
