package wear

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/stroke"
)

// An Index is the state of one part.
type Index struct {
	Known bool
	// Value is over the baseline's: of a segment its resistance, of the exhaust its conductance, of the bore its diameter.
	Value   si.Ratio
	SD      si.Ratio   // standard deviation of Value
	Count   int        // observations since the baseline began
	Finding bool       // past its limit, or as good as
	Since   si.Instant // of Finding
	Changed si.Instant // of the last step or change point; zero: none since the baseline or the last service
	// Trend is the change of Value an hour of blasting.
	Trend, TrendSD float64
	Limit          Forecast // when Value passes its limit
	DueAt          si.Ratio // that limit; 0: Value is not known
}

// A Forecast is when something will be, with its 80 % interval; on the clock, by the duty of late days.
type Forecast struct {
	Known    bool
	P10, P50 si.Instant
	P90      si.Instant // zero: it may never be
}

// A Service is one that a person recorded.
type Service struct {
	At               si.Instant // zero: none
	Before, BeforeSD si.Ratio   // of the index
	Done             bool       // what follows is known
	After, AfterSD   si.Ratio
	Proven           bool // the step shows beyond doubt, and for the better
}

// limits are the values at which a part is due, over its baseline: what the crews' mechanics go by (common practice, no
// source). That of the bore is a sixteenth of an inch, see Params.
var limits = [Parts]float64{Separator: 1.30, Valve: 1.30, Mixing: 1.30, Hose: 1.30, Exhaust: 0.90}

// early is how much of the way to the limit, in logarithms, makes a finding: the index has an error of its own, and a
// finding that waits for certainty comes late. The level's own standard deviation comes on top. stays is how much ends it.
const (
	early     = 0.80
	stays     = 0.60
	earlyVent = 0.65 // the same of the exhaust: what clogs slowly is at its limit for long, and its index errs by 0.02 for hours
	staysVent = 0.45
	sdsVent   = 2 // of the level's own standard deviations come on top
)

const (
	wornBy     = si.Inch / 16
	wornUnless = 1.20  // where the bore is not known
	boreKnown  = 0.06  // of half ln d of a pot without a nozzle point: a bore that is less sure is not known
	ownSD      = 0.025 // of the logarithm of an index: what setting, weather and level leave in it
	laterThan  = 100 * 24 * time.Hour
	trendLeast = 20
	astrayFrom = 1.15   // of the mixing segment's index, half of the way to its limit: from here its neighbours have no date
	trendHours = 0.5    // of blasting between the level and the mean that its trend is told against: about an hour since the last step
	sure       = 3.0    // standard deviations
	tenth      = 1.2816 // of the normal distribution: P10 and P90
)

// limit is the value at which a part is due.
func (m *Monitor) limit(p Part) float64 {
	if p != Bore {
		return limits[p]
	}
	if m.params.Bore <= 0 {
		return wornUnless
	}
	return 1 + float64(wornBy/m.params.Bore)
}

// logOf is the level, less the baseline, at which the index has a value, of the exhaust by (2); valueOf the other way round.
func (m *Monitor) logOf(p Part, value float64) float64 {
	switch p {
	case Exhaust:
		return -math.Log(value*(1-m.share.float()) + m.share.float())
	case Bore:
		return 2 * m.seen() * math.Log(value)
	}
	return math.Log(value)
}

// seen is the share of the bore's growth that shows in the loss before the hose point over the pressure there: all of it over the
// nozzle's own, but less over the hose point's, since what flows more loses more in the hose. From Ph^2 - Pn^2 = r m^2 and
// m = K A Pn it is (Pn/Ph)^2, in clean air 0.9 behind a usual hose.
func (m *Monitor) seen() float64 {
	if m.params.Points.Has(points.Nozzle) {
		return 1
	}
	return 0.9
}

func (m *Monitor) valueOf(p Part, d float64) float64 {
	switch p {
	case Exhaust:
		return max(0, (math.Exp(-d)-m.share.float())/(1-m.share.float()))
	case Bore:
		return math.Exp(d / 2 / m.seen())
	}
	return math.Exp(d)
}

// bounds are those of a part's finding.
func (m *Monitor) bounds(p Part) bounds {
	d := m.logOf(p, m.limit(p))
	if p == Exhaust {
		return bounds{on: earlyVent * d, off: staysVent * d, sds: sdsVent}
	}
	return bounds{on: early * d, off: stays * d, sds: 1}
}

// value is the index of a part, 1 where it is not known.
func (m *Monitor) value(p Part) float64 {
	t := &m.tracks[p]
	if !t.ready() {
		return 1
	}
	return m.valueOf(p, t.level.float())
}

// Index is the state of a part.
func (m *Monitor) Index(p Part) Index {
	t := &m.tracks[p]
	if !t.ready() {
		return Index{Count: int(t.n)}
	}
	d, off := t.level.float(), math.Hypot(t.levelSD(), ownSD)
	if p == Bore && !m.params.Points.Has(points.Nozzle) {
		hours := m.use.blasting()
		more, _ := m.alone.worn(hours)
		if d, off = d+more, m.alone.off(hours); off > boreKnown || t.after > 0 {
			return Index{Count: int(t.n)}
		}
	}
	value := m.valueOf(p, d)
	// The derivative of Value by d, from both sides.
	const h = 1e-3
	by := (m.valueOf(p, d+h) - m.valueOf(p, d-h)) / (2 * h)
	x := Index{Known: true, Value: si.Ratio(value), SD: si.Ratio(math.Abs(by) * off), Count: int(t.n), DueAt: si.Ratio(m.limit(p)),
		Finding: t.since != 0, Since: t.since, Changed: t.changed}
	if slope, sd, ok := t.trend(m.use.blasting()); ok {
		x.Trend, x.TrendSD = by*slope, math.Abs(by)*sd
		if !m.elsewhere(p) {
			x.Limit = m.forecast(t, m.logOf(p, m.limit(p))-d, slope, sd)
		}
	}
	return x
}

// elsewhere tells whether what moves a part's index may well be another one. A choke that is partly shut sends air through the metering valve: separator and
// valve then lose as if they had clogged, and the vessel vents as if the exhaust had. What a wider nozzle adds to the hose's loss is told from the hose's own only
// in part.
func (m *Monitor) elsewhere(p Part) bool {
	switch p {
	case Separator, Valve, Exhaust:
		return m.value(Mixing) > astrayFrom
	case Hose:
		return m.larger()
	}
	return false
}

// forecast is when a level that has far to go will have gone it.
func (m *Monitor) forecast(t *track, far, slope, sd float64) Forecast {
	duty := m.use.duty()
	if duty <= 0 || slope < sure*sd || m.use.blasting()-float64(t.slowAt)/1000 < trendHours {
		return Forecast{}
	}
	levelSD := math.Hypot(t.levelSD(), ownSD)
	when := func(far, slope float64) si.Instant {
		hours := max(0, far) / slope / duty
		if slope <= 0 || hours > laterThan.Hours() {
			return 0
		}
		return m.use.at.Add(time.Duration(hours * float64(time.Hour)))
	}
	f := Forecast{P10: when(far-tenth*levelSD, slope+tenth*sd), P50: when(far, slope), P90: when(far+tenth*levelSD, slope-tenth*sd)}
	f.Known = f.P50 != 0
	return f
}

// Bore is the nozzle's, with its standard deviation; false: not known. Without a nozzle point it is known only from
// air-only seconds, since a leaner mixture looks like wear.
func (m *Monitor) Bore() (bore, sd si.Length, known bool) {
	x := m.Index(Bore)
	if !x.Known || m.params.Bore <= 0 {
		return 0, 0, false
	}
	return m.params.Bore * si.Length(x.Value), m.params.Bore * si.Length(x.SD), true
}

// Serve takes a service that a person recorded. What the part was before it is kept; what it is after it is known after the
// next few observations.
func (m *Monitor) Serve(p Part, at si.Instant) {
	if int(p) >= Parts {
		return
	}
	s, x := &m.services[p], m.Index(p)
	*s = Service{At: at}
	if x.Known {
		s.Before, s.BeforeSD = single(x.Value), single(x.SD)
	}
	m.tracks[p].serve()
	if p == Exhaust {
		m.waits = false // a vent from before
	}
	if p == Bore {
		m.alone.loads, m.alone.lately = 0, 0 // of another nozzle
	}
	if p == Exhaust || p == Bore {
		m.ahead.fits = false // another silencer, or a smaller nozzle, may vent slower
	}
}

// Service is the last one of a part.
func (m *Monitor) Service(p Part) Service { return m.services[p] }

// served completes a service once enough was seen since.
func (m *Monitor) served(p Part, at si.Instant) {
	s, t := &m.services[p], &m.tracks[p]
	if s.At == 0 || s.Done || at <= s.At || t.after > 0 || !t.ready() {
		return
	}
	x := m.Index(p)
	s.Done = true
	s.After, s.AfterSD = single(x.Value), single(x.SD)
	better := float64(s.Before - s.After)
	if p == Exhaust {
		better = -better
	}
	s.Proven = s.Before > 0 && better > sure*math.Hypot(float64(s.BeforeSD), float64(s.AfterSD))
	// A part that is better than its baseline was clogged when the baseline was learned; a new nozzle is a new beginning.
	if p == Bore && !m.larger() || p != Bore && better > 0 && t.level.float() < -2*math.Hypot(t.levelSD(), ownSD) {
		m.rebase(p)
	}
}

// rebase makes a part's level its baseline, and of the bore that of the tee. What the nozzle's air loses in separator and valve is kept over that, and better told by what follows, which
// refines the baseline again.
func (m *Monitor) rebase(p Part) {
	t := &m.tracks[p]
	if p == Separator || p == Valve {
		by := math.Exp(t.level.float())
		m.through[p] = int32(math.Round(by * float64(m.through[p])))
		m.inlet[p] = int32(math.Round(math.Sqrt(by) * float64(m.inlet[p])))
		t.n = learns
	}
	if p == Bore {
		m.tee += t.level
	}
	t.rebase()
}

// larger tells whether the nozzle is by half of what wears it out larger than the configured one: whoever puts such a one in enters it in the pot's file.
func (m *Monitor) larger() bool {
	return m.value(Bore)-1 > (m.limit(Bore)-1)/2
}

// use is how much the pot is used. Hours are in thousandths, and what the thousandths leave is in rest.
type use struct {
	hours         int32      // of blasting, in all
	rest          int32      // ms, less than a thousandth of an hour
	at            si.Instant // newest stroke
	from          si.Instant // newest press; zero: none
	clock, blasts int32      // of late days, on the clock and of blasting, s
}

const (
	lateDays   = 5 * 24 * 3600 // s
	thousandMS = 3600          // ms in a thousandth of an hour
	mostHours  = 2_000_000_000
)

func (u *use) press(at si.Instant) {
	if u.from != 0 && at > u.from {
		u.clock += int32(min(lateDays, at.Sub(u.from).Seconds()))
		if u.clock > lateDays {
			u.blasts = int32(int64(u.blasts) * lateDays / int64(u.clock))
			u.clock = lateDays
		}
	}
	u.from, u.at = at, at
}

func (u *use) vent(v *stroke.Vent) {
	blast := max(0, min(v.Blast, 24*time.Hour))
	all := int64(u.rest) + blast.Milliseconds()
	u.hours, u.rest = min(mostHours, u.hours+int32(all/thousandMS)), int32(all%thousandMS)
	u.blasts += int32(blast.Seconds())
	u.at = v.At
}

// blasting is how many hours the pot has blasted.
func (u *use) blasting() float64 { return float64(u.hours) / 1000 }

// duty is the share of the clock that is blasting; 0: not known.
func (u *use) duty() float64 {
	if u.clock <= 0 {
		return 0
	}
	return min(1, float64(u.blasts)/float64(u.clock))
}

// single keeps a ratio to single precision: more is noise, and would double what is saved.
func single(r si.Ratio) si.Ratio { return si.Ratio(float32(r)) }
