package gauges

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// lags measures in each vent how far vessel, hose and nozzle follow behind each other.
//
// A gauge of first order reads g where p is: tau dg/dt = p - g, so that the integral of g - p over any time is tau times
// what g has fallen in it. For p stands the quickest of the three, each as a share of what it read before the release,
// which takes out the real drops between them: while the nozzle is choked they are a constant share of the pressure.
//
// A vessel that is cut off from its hose at the release empties by itself, and late too. Its "lag" grows in the vent, as
// it does not begin with the hose's fall but with its own exhaust; that of a gauge is the same from the beginning.
type lags struct {
	on     bool
	ends   si.Instant
	began  si.Instant               // the fall of the quickest; 0: not yet
	before [len(downstream)]float64 // steady reading before the release, Pa; 0: not known
	supply [2]float64               // the same of supply and separator
	start  [len(downstream)]float64 // share at the beginning
	area   [len(downstream)]float64 // integral of the share at the beginning, s
	half   bool                     // the quickest has fallen half way
	early  [len(downstream)]float64 // integral less start up to there, as share s
	drop   [len(downstream)]float64 // fall up to there
	in     [len(downstream)]int     // vents in a row with a lag
	out    [len(downstream)]int     // without
	least  [len(downstream)]float64 // s, of those in a row
	latest [len(downstream)]float64 // s, of the last vent that was timed
	usual  [len(downstream)]float64 // s, the least that was held twice in a row; 0: not known
	last   [len(downstream)]float64 // s, of the last vent; 0: none
}

const (
	pressedFor = 4 * time.Second // a press after which pressures are steady
	steadyBy   = 0.03            // change of a steady pressure within a second
	rampBy     = 0.08            // the same, where a pot that still fills may be timed: all of its points rise together
	unlike     = 0.3             // share by which the three may differ while steady
	lagFrom    = 200 * si.KPa    // a vent from less is not timed
	lagShare   = 0.25            // of the pressure at the release: the end of the timing
	lagEnds    = 8 * time.Second // or this, when the vent is not over
	lagBegins  = 0.95
	lagFalls   = 0.93 // of its mean of half a second: falling as in a vent
	lagCount   = 5    // readings of the fall at least
	lagHalf    = 0.6  // of the pressure at the release: half way
	lagSame    = 0.75 // half way it must be this share of what it is in the end
	lagSeen    = 0.03 // least fall half way that tells
	lagFell    = 0.5  // then the quickest must have fallen under this
	lagFloor   = 0.01 // least fall, as a share
	lagOver    = 0.1  // s less: it is over
	lagGrows   = 0.3  // s over what is usual of this pot's point: as good as lagFound
	lagNeeded  = 0.3  // s, then at least
	lagVents   = 2
	lagMost    = 60 // s
)

// lagFound is the lag, s, that is a slow gauge. A hose of 150 ft behind a small nozzle holds as much air as a small pot, and
// empties late, its far end last: healthy ones measure up to 0.16 s, 0.25 s and 0.5 s.
var lagFound = [len(downstream)]float64{0.3, 0.5, 0.8}

// beginLags begins the timing of a vent that a release after a long press begins.
func (w *Watch) beginLags(released si.Instant, steady bool) {
	l := &w.lags
	l.on = false
	if !steady || w.params.Pot.HoldsPressure {
		return
	}
	for i, p := range airs[:2] {
		l.supply[i] = 0
		if t, ok := w.fresh(p); ok {
			if m, ok := t.steady(released.Add(-w.showsLate()), rampBy); ok {
				l.supply[i] = m
			}
		}
	}
	n := 0
	highest := 0.0
	for i, p := range downstream {
		l.before[i] = 0
		t, ok := w.fresh(p)
		if !ok || !w.quick(t) || w.found[p][Stuck].On || w.found[p][Swapped].On {
			continue
		}
		m, ok := t.steady(released.Add(-w.showsLate()), rampBy)
		if !ok || m < lagFrom {
			continue
		}
		l.before[i], l.start[i], l.area[i] = m, t.v/m, t.until(w.now)/m
		highest = max(highest, m)
		n++
	}
	for i := range downstream {
		if l.before[i] < (1-unlike)*highest && l.before[i] > 0 {
			l.before[i] = 0
			n--
		}
	}
	l.on, l.half, l.began, l.ends = n >= 2, false, 0, w.now.Add(lagEnds)
}

// releaseShows tells of a press, where there is no control point, whether a point falls from what it was as in a vent: a hose
// that follows late tells the release seconds after the vessel does.
func (w *Watch) releaseShows(t *track) bool {
	return w.inSight && t.v < lagFalls*t.fast && t.v > swapLeast && !w.params.Pot.Points.Has(points.Control) && w.now.Sub(w.turned) >= pressedFor
}

// steady is the mean of the second that ended a quarter of a second before an instant; false where it had changed by more
// than a share.
func (t *track) steady(at si.Instant, by float64) (float64, bool) {
	m, change, ok := t.ramp(at)
	return m, ok && change <= by*math.Abs(m)
}

// ramp is the mean of that second and by how much it had changed within a second.
func (t *track) ramp(at si.Instant) (m, by float64, ok bool) {
	late := at.Add(-250 * time.Millisecond)
	m, ok1 := t.mean(late.Add(-time.Second), late)
	earlier, ok2 := t.mean(late.Add(-2*time.Second), late.Add(-time.Second))
	return m, math.Abs(m - earlier), ok1 && ok2
}

// judgeLags ends the timing once the quickest has fallen far enough.
func (w *Watch) judgeLags(p points.Point) {
	l := &w.lags
	if p < points.Vessel {
		return
	}
	if !l.on && w.pressed && w.releaseShows(&w.tracks[p]) {
		w.beginLags(w.now, true)
	}
	if !l.on {
		return
	}
	share := 1.0
	for i, q := range downstream {
		if l.before[i] == 0 {
			continue
		}
		if t, ok := w.fresh(q); ok && t.n > 1 {
			share = min(share, t.v/l.before[i])
		} else {
			l.on = false // a gap: what came in it is not known
			return
		}
	}
	if l.began == 0 && share <= lagBegins {
		l.began = w.now
	}
	if !l.half && share <= lagHalf {
		l.half = true
		l.early, l.drop = w.lagArea()
	}
	if share > lagShare && w.now < l.ends {
		return
	}
	l.on = false
	if share > lagFell || w.now.Sub(l.began).Seconds() < lagCount*w.tracks[p].every {
		return
	}
	w.measureLags()
}

// lagArea is, of each point, the integral of the share since the beginning, s, and how much the share has fallen.
func (w *Watch) lagArea() (area, fell [len(downstream)]float64) {
	l := &w.lags
	for i, p := range downstream {
		if l.before[i] != 0 {
			t := &w.tracks[p]
			area[i] = t.until(w.now)/l.before[i] - l.area[i]
			fell[i] = l.start[i] - t.v/l.before[i]
		}
	}
	return area, fell
}

// supplyFell tells whether a point before the vessel fell with the release.
func (w *Watch) supplyFell() bool {
	for i, p := range airs[:2] {
		if t, ok := w.fresh(p); ok && t.fast < swapFell*w.lags.supply[i] {
			return true
		}
	}
	return false
}

func (w *Watch) measureLags() {
	l := &w.lags
	if w.supplyFell() {
		return // a gauge of the vessel's side in the supply's place, or no air: nothing can be told
	}
	area, fell := w.lagArea()
	quickest := -1
	for i := range downstream {
		if l.before[i] != 0 && (quickest < 0 || area[i] < area[quickest]) {
			quickest = i
		}
	}
	l.latest = [len(downstream)]float64{}
	for i, p := range downstream {
		if l.before[i] == 0 {
			continue
		}
		lag := min(lagMost, (area[i]-area[quickest])/max(lagFloor, fell[i]))
		limit := lagFound[i]
		if l.usual[i] != 0 {
			limit = min(limit, max(lagNeeded, l.usual[i]+lagGrows))
		}
		if l.drop[i] >= lagSeen && (l.early[i]-l.early[quickest])/l.drop[i] < lagSame*lag && lag >= limit {
			continue // it empties by itself
		}
		l.latest[i] = lag
		l.usual[i], l.last[i] = leastOfTwo(l.usual[i], l.last[i], max(lag, 0.01)), max(lag, 0.01)
		switch {
		case lag >= limit:
			if l.in[i] == 0 || lag < l.least[i] {
				l.least[i] = lag
			}
			l.in[i]++
			l.out[i] = 0
		case lag <= limit-lagOver:
			l.in[i] = 0
			l.out[i]++
		default:
			l.out[i] = 0
		}
		switch {
		case l.in[i] >= lagVents:
			w.set(p, SlowPort, true, Finding{Size: l.least[i]})
		case l.out[i] >= lagVents:
			w.set(p, SlowPort, false, Finding{})
		}
	}
}
