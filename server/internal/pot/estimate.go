package pot

import (
	"math"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/figures"
)

// What is said of a point that gives no fresh reading.
const qualityOld = "old"

// airOver is the pressure above which there is air on the pot: R1's limit.
const airOver = 7 * si.KPa

// Estimate is what can be said of the pot at now, which carries its monotonic reading; what has come in since then is told as
// of when it came. Nothing in it is older than 2 s in the worst case, but for t, the ages, and what the configuration gives.
func (a *Actor) Estimate(now time.Time) live.Pot {
	a.mu.Lock()
	defer a.mu.Unlock()
	c := &a.cfg.Pot
	p := live.Pot{Kind: "estimate", Name: c.Name, Site: a.cfg.Site, Agent: a.cfg.Agent, Simulated: a.simulated,
		RatedPa: math.Round(float64(c.Vessel.Rated)), Unit: c.Units.Pressure, Points: []string{}, Quality: map[string]string{}}
	if c.Nozzle.Target > 0 {
		p.TargetPa = pascals(float64(c.Nozzle.Target))
	}
	if a.received.After(now) { // somebody gathers many pots, and began before
		now = a.received
	}
	v := a.viewAt(now)
	if a.follow.Out.At != 0 {
		p.T = a.follow.Out.At.String()
		p.AgeS = v.seconds(a.follow.Out.At)
	}
	v.pressures(&p)
	p.Air = v.air()
	v.state(&p)
	v.drops(&p)
	v.figures(&p)
	out := v.served(now)
	p.Answer = live.Answer{Word: out.Word.String(), Because: out.Because.Strings(), AgeS: v.seconds(out.At)}
	return p
}

// A view is the actor's state as seen at one instant. The actor's lock is held.
type view struct {
	a      *Actor
	mono   time.Duration
	known  bool          // ages can be told at all
	newest time.Duration // the greatest age of the newest sample
}

// viewAt is the state as seen at an instant. The actor's lock is held.
func (a *Actor) viewAt(now time.Time) view {
	v := view{a: a, mono: now.Sub(a.opts.Start), known: !parted(a.received, now)}
	var ok bool
	v.newest, ok = a.clock.Age(a.follow.Out.At, v.mono)
	v.known = v.known && ok
	return v
}

// clockAhead is how far in the future of the agent's clock, as reckoned from the echoes, an instant may seem to lie
// before the reckoning itself is taken for wrong.
const clockAhead = 250 * time.Millisecond

// age is the greatest age of an instant of the agent's clock; false where it cannot be told.
func (v *view) age(at si.Instant) (time.Duration, bool) {
	if !v.known || at == 0 {
		return 0, false
	}
	d := v.newest + v.a.follow.Out.At.Sub(at)
	return max(d, 0), d >= -clockAhead
}

func (v *view) seconds(at si.Instant) *float64 {
	d, ok := v.age(at)
	if !ok {
		return nil
	}
	s := math.Ceil(d.Seconds()*1000) / 1000 // up: an age is never told younger
	return &s
}

// fresh tells whether an instant stands for the present.
func (v *view) fresh(at si.Instant) bool {
	d, ok := v.age(at)
	return ok && d <= vent.MaxAge && v.a.born
}

// reading is a point's value if it is configured, good and fresh.
func (v *view) reading(pt points.Point) (float64, bool) {
	r := &v.a.follow.Out.Readings[pt]
	return float64(r.Value), v.a.cfg.Pot.Points.Has(pt) && r.Quality == points.Good && v.fresh(r.At)
}

func (v *view) pressures(p *live.Pot) {
	at := [points.Count]**float64{&p.PressurePa.Supply, &p.PressurePa.Separator, &p.PressurePa.Vessel,
		&p.PressurePa.Hose, &p.PressurePa.Nozzle, &p.PressurePa.Control}
	for _, pt := range points.All() {
		if !v.a.cfg.Pot.Points.Has(pt) {
			continue
		}
		p.Points = append(p.Points, pt.String())
		r := &v.a.follow.Out.Readings[pt]
		value, ok := v.reading(pt)
		switch {
		case ok && pt == points.Control && v.a.cfg.Pot.Control.Electric:
		case ok:
			*at[pt] = pascals(value)
		case r.At == 0:
			p.Quality[pt.String()] = points.NoReply.String()
		case !v.fresh(r.At):
			p.Quality[pt.String()] = qualityOld
		default:
			p.Quality[pt.String()] = r.Quality.String()
		}
	}
}

// air tells whether the points before the vessel show pressure.
func (v *view) air() string {
	out := "unknown"
	for _, pt := range [...]points.Point{points.Supply, points.Separator} {
		if !v.a.cfg.Pot.Points.Has(pt) {
			continue
		}
		value, ok := v.reading(pt)
		switch {
		case ok && value > airOver:
			return "on"
		case !ok:
			return v.airDespite(pt)
		}
		out = "off"
	}
	return out
}

// airDespite is what the other of the two points says where one is not known: pressure there is pressure, else unknown.
func (v *view) airDespite(silent points.Point) string {
	other := points.Supply + points.Separator - silent
	if value, ok := v.reading(other); ok && value > airOver {
		return "on"
	}
	return "unknown"
}

func (v *view) state(p *live.Pot) {
	s := v.a.follow.Out.State
	if _, ok := v.reading(points.Vessel); !ok {
		s = engine.Unknown
	}
	p.State = s.String()
	if s != engine.Unknown {
		p.StateForS = v.seconds(v.a.follow.Out.Since)
	}
}

func (v *view) drops(p *live.Pot) {
	o := &v.a.follow.Out
	if v.fresh(o.DropsAt) {
		at := [points.SegmentCount]**float64{&p.DropPa.Separator, &p.DropPa.Valve, &p.DropPa.Mixing, &p.DropPa.Hose}
		for s := points.Segment(0); s < points.SegmentCount; s++ {
			from, to := s.Ends()
			_, okFrom := v.reading(from)
			_, okTo := v.reading(to)
			if o.Drops[s].Known && okFrom && okTo {
				*at[s] = pascals(float64(o.Drops[s].Loss))
			}
		}
	}
	if value, ok := v.reading(points.Nozzle); ok && o.NozzleMeasured {
		p.NozzlePa, p.NozzleMeasured = pascals(value), true
		if o.ProductionKnown && p.State == engine.Blasting.String() {
			share := math.Round(float64(o.Production)*1e4) / 1e4
			p.Production = &share
		}
	}
}

// figures are what is estimated of flow, contents, losses and wear, nothing of it while the vessel is not heard; and how far off all that is told may be.
func (v *view) figures(p *live.Pot) {
	var s figures.Sheet
	if _, ok := v.reading(points.Vessel); ok {
		s.Fill(&v.a.about, &v.a.follow.Out, p.State == engine.Blasting.String(), 0)
		p.Figures = s.Figures
		if p.NozzlePa == nil {
			p.NozzlePa, p.Production = s.NozzlePa, s.Production
		}
	}
	p.Doubt = s.Doubt(&v.a.about, &v.a.follow.Out, &p.PressurePa)
}

// served is the answer as it is served: R6 and R8 on top of the judge's word.
func (v *view) served(now time.Time) vent.Answer {
	a := v.a
	own := vent.Witness{Answer: a.answer}
	own.Age, own.Known = v.age(a.answer.At)
	if a.answer.At == 0 {
		// No reading stands behind the word; that the clock is known is then no fault of the echo.
		_, own.Known = v.age(a.follow.Out.At)
	}
	guard := vent.Witness{Answer: a.guard}
	guard.Age, guard.Known = v.age(a.guard.At)
	recent := func(t time.Time) bool { return !t.IsZero() && now.Sub(t) < refusedFor }
	theirs := a.digest
	if a.session == "" {
		theirs = a.own // the agent was never heard, which is reason enough; it has claimed no other configuration
	}
	return vent.Serve(own, guard, vent.Claims{Agent: a.born, Own: a.own, Theirs: theirs,
		SecondAgent: recent(a.refusedAgent), SecondSession: recent(a.refusedSession),
		SensorFault: a.follow.Gauges.Fault()})
}

func pascals(v float64) *float64 {
	v = math.Round(v)
	if v == 0 {
		v = 0 // not minus zero
	}
	return &v
}
