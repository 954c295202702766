package stroke

import (
	"math"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Shares of the usual working pressure, gauge, between which times are taken.
const (
	RiseFrom = 0.10
	RiseTo   = 0.60
	VentFrom = 0.80
	VentMid  = 0.40
	VentTo   = 0.07
)

// A Press is what the filling of the vessel tells. What is zero is not known, but for From and Rested.
type Press struct {
	At       si.Instant // of the press, as the handle has it
	Inferred bool
	Rested   time.Duration  // from the release before
	From     si.AbsPressure // vessel at the press
	Lag      time.Duration  // from the press to the beginning of the rise, on its straight line; meaningful with Rise
	// Feed is the mean pressure before the restriction that the vessel fills through, while it rises from RiseFrom to RiseTo:
	// the hose point's, else the separator's, else the supply's.
	Feed si.AbsPressure
	Rise time.Duration // of the vessel from RiseFrom to RiseTo of Working
	// Fill is the time constant of filling, s: Rise times the mean of the feed over the pressure gained, the feed lessened
	// where the restriction is no longer choked. It does not depend on the supply, nor, with a hose point, on what is clogged
	// before the vessel. Without a feed point the usual working pressure stands in for it.
	Fill    float64
	Working si.AbsPressure // by which the times were taken

	// Separator and Valve are the losses of these segments while the inlet is choked, over the square of the pressure
	// before the restriction that chokes: (Ps^2 - Psep^2)/Ph^2 and (Psep^2 - Ph^2)/Ph^2, brought to the pressure ratio
	// chokeAt. Without a hose point Separator is over Psep^2; without a separator point Valve is (Ps^2 - Ph^2)/Ph^2.
	Separator, Valve float64
	Count            int // instants in these
}

// A Vent is what the emptying of the vessel tells. What is zero is not known.
type Vent struct {
	At    si.Instant     // of the release, as the handle has it
	Blast time.Duration  // how long the handle was pressed
	From  si.AbsPressure // vessel at the release
	Lag   time.Duration  // from the release to the beginning of the fall, on its exponential; meaningful with Tau
	Early time.Duration  // of the vessel from VentFrom to VentMid of Working
	Time  time.Duration  // of the vessel from VentFrom to VentTo of Working
	// Tau is the time constant, s, of the fall from VentFrom to VentMid: Early over the logarithm of the ratio of the
	// absolute pressures.
	Tau     float64
	Working si.AbsPressure // by which the times were taken
	Pressed bool           // the next press came before VentTo

	// While the vessel falls from VentFrom to bleedTo of Working: what of the squares of pressures is lost between the vessel and the hose point, and
	// by the hose, over the nozzle's.
	Bleed, Hose float64
	Over        si.AbsPressure // root of the mean of the nozzle's square
	Fall        float64        // 1/s, of the logarithm of the hose point's pressure meanwhile
	Bleeds      int            // instants in these
}

// Params are what a timer uses of a pot's configuration.
type Params struct {
	Points  points.Set
	Ambient si.AbsPressure // 0: standard
	Period  time.Duration  // of a log that is slower than live readings; 0: live
}

// News tells what a step has completed.
type News uint8

// What a step may complete.
const (
	NewPress News = 1 << iota
	NewVent
)

// Numbers of the timer. Those without a source are common practice.
const (
	spread    = 450 * time.Millisecond // of the readings that a crossing is read from
	mostRead  = 5                      // of them
	inSight   = 5 * time.Second        // a stroke that began longer ago was not seen to begin
	longPress = 20 * time.Second       // after that a press has told what it can
	holeLeast = 300 * time.Millisecond // without a reading, where they usually come sooner: a line between the readings beside it is no crossing
	holeOver  = 3                      // of the usual time between readings
	usually   = 8                      // readings in that
	riseWait  = time.Second            // for joint instants, which are behind the vessel's own readings

	chokeFrom  = 0.30 // vessel over separator, absolute: from here the valve has opened and the first rush is over
	chokeTo    = 0.60 // and to here the restriction before the vessel is near enough to choked
	chokeAt    = 0.50 // vessel over the pressure before that restriction, to which losses are brought
	chokeRatio = 0.25 // critical ratio that the correction takes; ISO 6358-1 has 0.2 to 0.5 for real valves
	chokeWait  = 300 * time.Millisecond
	chokeLeast = 2 // instants

	worksFrom    = 5 * time.Second // a shorter press does not tell the working pressure
	worksShift   = 0.06            // of it: the usual pressure has changed
	worksGain    = 0.2             // of each press in the running mean
	worksSure    = 3               // presses: the mean of these replaces the first
	worksLeast   = 150 * si.KPa    // gauge
	mostPressure = 100 * si.MPa    // gauge: more is no pressure
	worksOpen    = 0.9             // mean of what the restriction passes, over choked, where only the working pressure is known

	ventSagging = 0.9 // of the vessel's pressure at the release, where that is not up to the usual one
	ventLeast   = 2.2 // of the ambient pressure, gauge: half of it is still choked

	bleedTo    = 0.25 // of the working pressure: below it zeros count for too much, and the nozzle may not be choked
	bleedLeast = 5    // instants
)

// phase is what the vessel is being watched for.
type phase uint8

const (
	idle phase = iota
	rising
	up // the press has told what it can
	falling
)

// A Timer follows the presses and vents of one pot. Readings of the vessel and joint instants each come in order of time.
// It costs a constant time a step and allocates nothing. It is a value: a copy is a saved state. Not safe for concurrent
// use.
type Timer struct {
	params  Params
	ambient float64
	stale   time.Duration

	press Press // the last completed
	vent  Vent

	// The stroke that goes on.
	phase    phase
	since    si.Instant // of the handle's state; 0: not known
	inferred bool
	before   time.Duration // of the state before: the rest before a press, the press before a vent
	from     int32         // vessel at since, absolute, Pa
	marks    [3]int32      // crossings, ms after since; 0: not yet; negative: never, as readings are missing
	edge     edge
	usual    int32      // time between readings, ms
	last     si.Instant // joint instant
	sum      sums

	working int32 // Pa, gauge; 0: not known
	running int32 // mean of late presses
	works   int32 // presses in it
}

// sums are those of a press, kept to single precision: more is noise, and would double what is saved.
type sums struct {
	feed, flow              float32 // while the vessel rises from RiseFrom to RiseTo
	feeds                   int32
	separator, valve, shape float32 // while the inlet is choked
	n                       int32
	bleed, hose, over       float32 // while the vessel falls from VentFrom to bleedTo
	first, newest           float32 // Pa, of the hose point
	firstAt, newestAt       int32   // ms after since
	bleeds                  int32
}

// New is a timer that has seen nothing.
func New(p Params) *Timer {
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	return &Timer{params: p, ambient: float64(p.Ambient), stale: max(vent.MaxAge, 5*p.Period/2)}
}

// Press is the last one that was completed; zero: none.
func (t *Timer) Press() Press { return t.press }

// Vent is the last one that was completed; zero: none.
func (t *Timer) Vent() Vent { return t.vent }

// Working is the usual working pressure of the vessel, by which times are taken; 0: not known yet.
func (t *Timer) Working() si.AbsPressure {
	if t.working == 0 {
		return 0
	}
	return si.AbsPressure(float64(t.working) + t.ambient)
}

// Break ends the stroke that goes on: what came between is not known.
func (t *Timer) Break() {
	t.phase, t.since, t.edge, t.last = idle, 0, edge{}, 0
}

// Vessel takes one good reading of the vessel and the handle as the judge has it after that sample.
func (t *Timer) Vessel(at si.Instant, p si.AbsPressure, h vent.Handle) (news News) {
	v := float64(p) - t.ambient
	if math.IsNaN(v) || math.Abs(v) > mostPressure {
		return 0
	}
	at -= at % ms
	hole := false
	if t.edge.n > 0 {
		newest := t.edge.at[t.edge.n-1]
		if at <= newest {
			return 0
		}
		if at.Sub(newest) > t.stale {
			t.Break()
		}
		hole = t.hole(at.Sub(newest))
	}
	news = t.handle(at, v, h)
	t.edge.add(at, v)
	if hole {
		t.missing()
	}
	switch t.phase {
	case rising:
		news |= t.rise(at)
	case falling:
		news |= t.fall()
	}
	return news
}

// hole tells whether readings are missing in a time between two of them, which it takes into the usual one.
func (t *Timer) hole(gap time.Duration) bool {
	if t.usual == 0 {
		t.usual = int32(min(gap, t.stale) / time.Millisecond)
	}
	usual := time.Duration(t.usual) * time.Millisecond
	if gap > holeOver*usual && gap > holeLeast {
		t.usual += t.usual / usually // a line that has become slow is believed in the end
		return true
	}
	t.usual += int32((gap - usual) / usually / time.Millisecond)
	return false
}

// missing gives up the crossings that are yet to come in this stroke: they, or those before them, may lie where readings are missing.
func (t *Timer) missing() {
	if t.phase != rising && t.phase != falling {
		return
	}
	for i := range t.marks {
		if t.marks[i] == 0 {
			t.marks[i] = -1
		}
	}
}

// handle follows presses and releases.
func (t *Timer) handle(at si.Instant, v float64, h vent.Handle) (news News) {
	if !h.Known {
		t.phase, t.since = idle, 0
		return 0
	}
	pressed := t.phase == rising || t.phase == up
	switch {
	case h.Since == 0 || h.Since == t.since:
	case t.since == 0 && at.Sub(h.Since) > inSight:
		// Its beginning was not seen; its end will be.
		t.since = h.Since
		if h.Pressed {
			t.phase = up
		}
	case h.Pressed && !pressed:
		if t.phase == falling {
			news = t.finishVent(true)
		}
		t.begin(rising, h, v)
	case !h.Pressed && pressed && h.Since > t.since:
		if t.phase == rising {
			news = t.finishPress()
		}
		t.use(t.edge.mean(v), h.Since.Sub(t.since))
		t.begin(falling, h, v)
	case !h.Pressed && t.phase == idle:
		t.since = h.Since
	}
	return news
}

// begin begins a stroke.
func (t *Timer) begin(p phase, h vent.Handle, v float64) {
	t.before = 0
	if t.since != 0 && h.Since > t.since {
		t.before = h.Since.Sub(t.since)
	}
	t.phase, t.since, t.inferred, t.from = p, h.Since, h.Inferred, int32(math.Round(t.edge.mean(v)+t.ambient))
	t.marks, t.sum = [3]int32{}, sums{}
}

// use takes the pressure at the end of a press into the usual one.
func (t *Timer) use(from float64, pressed time.Duration) {
	if pressed < worksFrom || from < worksLeast {
		return
	}
	t.works = min(t.works+1, 1<<20)
	t.running += int32(math.Round(max(worksGain, 1/float64(t.works)) * (from - float64(t.running))))
	if t.working == 0 || t.works == worksSure || math.Abs(float64(t.running-t.working)) > worksShift*float64(t.working) {
		t.working = t.running
	}
}

// mark looks whether the vessel has come to a gauge pressure, for marks[i], after the mark before.
func (t *Timer) mark(i int, level float64, upwards bool) {
	if t.marks[i] != 0 || i > 0 && t.marks[i-1] == 0 || i == 0 && (float64(t.from)-t.ambient < level) != upwards {
		return
	}
	if when, ok := t.edge.cross(level, upwards); ok {
		t.marks[i] = int32(max(1, min(math.MaxInt32, (when-t.since)/ms)))
	}
}

// top is the gauge pressure, Pa, from which the vent's time constant is taken, to half of it: VentFrom of the usual one, or under the one at the release
// where a long press has not come up to that, as while the supply sags.
func (t *Timer) top() float64 {
	usual := VentFrom * float64(t.working)
	if low := ventSagging * (float64(t.from) - t.ambient); t.before >= longPress && low < usual && low > ventLeast*t.ambient {
		return low
	}
	return usual
}

// between is the time from one mark to a later one; 0: not known.
func (t *Timer) between(i, j int) time.Duration {
	if t.marks[i] <= 0 || t.marks[j] <= t.marks[i] {
		return 0
	}
	return time.Duration(t.marks[j]-t.marks[i]) * time.Millisecond
}

// rise follows the vessel's reading through a press.
func (t *Timer) rise(at si.Instant) News {
	if t.working != 0 {
		t.mark(0, RiseFrom*float64(t.working), true)
		t.mark(1, RiseTo*float64(t.working), true)
	}
	// The joint instants that belong to the end of the rise come a little later.
	if risen := t.since.Add(time.Duration(t.marks[1]) * time.Millisecond); (t.marks[1] <= 0 || at.Sub(risen) <= riseWait) && at.Sub(t.since) <= longPress {
		return 0
	}
	news := t.finishPress()
	t.phase = up
	return news
}

// finishPress completes the press with what was seen.
func (t *Timer) finishPress() News {
	s, working := &t.sum, float64(t.working)
	p := Press{At: t.since, Inferred: t.inferred, Rested: t.before, From: si.AbsPressure(t.from), Working: t.Working(), Rise: t.between(0, 1)}
	flow := float64(p.Working) * worksOpen
	if s.feeds > 0 {
		p.Feed = si.AbsPressure(float64(s.feed) / float64(s.feeds))
		flow = float64(s.flow) / float64(s.feeds)
	}
	if p.Rise > 0 {
		gained := (RiseTo - RiseFrom) * working
		p.Fill = p.Rise.Seconds() * flow / gained
		// Choked, the rise is a straight line.
		first := (RiseFrom*working - (float64(p.From) - t.ambient)) / gained
		p.Lag = time.Duration(t.marks[0])*time.Millisecond - time.Duration(first*float64(p.Rise))
	}
	if s.n >= chokeLeast {
		p.Separator, p.Valve, p.Count = float64(s.separator/s.shape), float64(s.valve/s.shape), int(s.n)
	}
	t.press = p
	return NewPress
}

// fall follows the vessel's reading through a vent.
func (t *Timer) fall() News {
	if t.working == 0 {
		return t.finishVent(false)
	}
	top := t.top()
	t.mark(0, top, false)
	t.mark(1, top*VentMid/VentFrom, false)
	t.mark(2, VentTo*float64(t.working), false)
	if t.marks[2] <= 0 && t.edge.mean(0) > VentTo*float64(t.working) {
		return 0
	}
	return t.finishVent(false)
}

// finishVent completes the vent with what was seen.
func (t *Timer) finishVent(pressed bool) News {
	v := Vent{At: t.since, Blast: t.before, From: si.AbsPressure(t.from), Working: t.Working(), Pressed: pressed,
		Early: t.between(0, 1), Time: t.between(0, 2)}
	top := t.top()
	if top < VentFrom*float64(t.working) {
		v.Time = 0
	}
	if v.Early > 0 {
		from, mid := top+t.ambient, top*VentMid/VentFrom+t.ambient
		v.Tau = v.Early.Seconds() / math.Log(from/mid)
		v.Lag = time.Duration(t.marks[0])*time.Millisecond - time.Duration(v.Tau*math.Log(float64(v.From)/from)*float64(time.Second))
	}
	if s := &t.sum; s.bleeds >= bleedLeast && s.over > 0 && s.newestAt > s.firstAt && min(s.first, s.newest) > 0 {
		v.Bleed, v.Hose, v.Bleeds = float64(s.bleed/s.over), float64(s.hose/s.over), int(s.bleeds)
		v.Over = si.AbsPressure(math.Sqrt(float64(s.over) / float64(s.bleeds)))
		v.Fall = 1000 * math.Log(float64(s.first/s.newest)) / float64(s.newestAt-s.firstAt)
	}
	t.vent, t.phase = v, idle
	return NewVent
}

// Together takes the absolute pressures, Pa, of the points in has brought to one instant.
func (t *Timer) Together(at si.Instant, has points.Set, p *[points.Count]float64) {
	if at <= t.last || at <= t.since || !has.Has(points.Vessel) {
		return
	}
	switch t.phase {
	case rising:
		t.last = at
		t.filling(at, has, p)
	case falling:
		t.last = at
		t.bleeding(at, has, p)
	}
}

// bleeding takes an instant of a vent: what of the vessel's air leaves by the nozzle.
func (t *Timer) bleeding(at si.Instant, has points.Set, p *[points.Count]float64) {
	v, h, n := p[points.Vessel], p[points.Hose], p[points.Nozzle]
	working := float64(t.working)
	if g := v - t.ambient; t.working == 0 || g > VentFrom*working || g < bleedTo*working || !has.Has(points.Hose) || !has.Has(points.Nozzle) {
		return
	}
	s := &t.sum
	s.bleed += float32(float64(v*v) - float64(h*h))
	s.hose += float32(float64(h*h) - float64(n*n))
	s.over += float32(n * n)
	s.newest, s.newestAt = float32(h), int32(min(math.MaxInt32, (at-t.since)/ms))
	if s.bleeds == 0 {
		s.first, s.firstAt = s.newest, s.newestAt
	}
	s.bleeds++
}

// filling takes an instant of a press.
func (t *Timer) filling(at si.Instant, has points.Set, p *[points.Count]float64) {
	s, v, own := &t.sum, p[points.Vessel], t.params.Points
	before := points.Separator
	if !own.Has(before) {
		before = points.Supply
	}
	hose, inlet := own.Has(points.Hose), own.Has(before)
	supply := before == points.Separator && own.Has(points.Supply)
	// All instants of a press must have the same points, or their sums would not go together.
	if hose && !has.Has(points.Hose) || inlet && !has.Has(before) || supply && !has.Has(points.Supply) || !hose && !inlet {
		return
	}
	feed, over := p[before], p[points.Hose]
	if !hose {
		over = feed
	}
	if over <= 0 {
		return
	}
	if g := v - t.ambient; t.working != 0 && g >= RiseFrom*float64(t.working) && g <= RiseTo*float64(t.working) {
		s.feed += float32(over)
		s.flow += float32(over * math.Sqrt(open(v/over)))
		s.feeds++
	}
	if !inlet || v < chokeFrom*feed || v > chokeTo*feed || at.Sub(t.since) < chokeWait {
		return
	}
	if hose {
		s.valve += float32(float64(feed*feed) - float64(over*over))
	}
	if supply {
		s.separator += float32(float64(p[points.Supply]*p[points.Supply]) - float64(feed*feed))
	}
	s.shape += float32(float64(over*over) * (open(v/over) / open(chokeAt)))
	s.n++
}

// open is the square of what a restriction passes, over its choked flow (ISO 6358-1 with the usual index of one half).
func open(ratio float64) float64 {
	u := max(0, min(0.95, (ratio-chokeRatio)/(1-chokeRatio)))
	return 1 - float64(u*u)
}

// edge are the newest readings of the vessel, oldest first, at whole milliseconds and in grains: finer is noise.
type edge struct {
	at [mostRead]si.Instant
	p  [mostRead]int32
	n  int32
}

const (
	ms    = si.Instant(1000)
	grain = 32.0 // Pa
)

func (e *edge) add(at si.Instant, p float64) {
	first := int32(0)
	for first < e.n && (e.n-first == mostRead || at.Sub(e.at[first]) > spread && e.n-first > 1) {
		first++
	}
	if first > 0 {
		copy(e.at[:], e.at[first:e.n])
		copy(e.p[:], e.p[first:e.n])
		e.n -= first
	}
	e.at[e.n], e.p[e.n] = at, int32(math.Round(p/grain))
	e.n++
}

// mean is that of the readings; without any it is what is given.
func (e *edge) mean(none float64) float64 {
	if e.n == 0 {
		return none
	}
	sum := int32(0)
	for _, p := range e.p[:e.n] {
		sum += p
	}
	return grain * float64(sum) / float64(e.n)
}

// cross is when the straight line through the readings meets a level, once their mean has come to it from the other
// side.
func (e *edge) cross(level float64, upwards bool) (si.Instant, bool) {
	mean := e.mean(math.NaN())
	if e.n < 2 || (mean < level) == upwards {
		return 0, false
	}
	var t, tt, tp float64
	for i := range e.n {
		d := float64(e.at[i] - e.at[0])
		t += d
		tt += float64(d * d)
		tp += float64(d * (grain*float64(e.p[i]) - mean))
	}
	n := float64(e.n)
	slope := tp / (tt - float64(t*t)/n)
	if (slope > 0) != upwards || slope == 0 {
		return 0, false
	}
	when := t/n + (level-mean)/slope
	return e.at[0] + si.Instant(max(0, min(float64(e.at[e.n-1]-e.at[0]), when))), true
}
