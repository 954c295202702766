package engine

import (
	"cmp"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"
	"time"

	"gritwatch/internal/statecodec"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/condensate"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/engine/losses"
	"gritwatch/server/internal/engine/steady"
	"gritwatch/server/internal/engine/stroke"
	"gritwatch/server/internal/engine/wear"
)

// An Output is what is known of the pot: now, and what its strokes and its blasting have told so far.
type Output struct {
	Now
	Level      level.Estimate
	Losses     losses.Estimate // of the last second of blasting
	Doubt      losses.Doubt    // of Losses' parts
	Wear       [wear.Parts]wear.Index
	Condensate condensate.Estimate
	Baseline   baseline.Set // that losses are told against
}

// jointEvery is how far apart instants are at least that the estimates take: points that are polled one after another give a new joint
// instant with each reading, and more of them tell no more.
const jointEvery = 40 * time.Millisecond

// calm is how long after a pot has come to rest no air passes any more.
const calm = 5 * time.Second

// estimates are what follows strokes and blasting. They take what the engine has brought to one instant.
type estimates struct {
	params  Params
	strokes *stroke.Timer
	level   *level.Filter
	wear    *wear.Monitor
	losses  *losses.Losses
	water   *condensate.Reckoner
	seconds steady.Averager
	joint   si.Instant // newest that was taken
	vessel  si.Instant // newest reading of the vessel that was taken
	served  []uint64   // marks of the services that were taken last, MostServices at most, the oldest first
	cycles  uint64     // completed ones that were taken
	press   si.Instant // of the cycle that goes on
	used    si.Mass    // by the level, at that press
	waiting []Service  // services whose time has not come, by their instant; not saved
}

// A Service is work that a person recorded.
type Service struct {
	// ID is that of its record. By it alone a service is known that is told again, as after a start: clocks are set back and ahead, those of
	// the records and those of the samples. Empty: the other fields take its place.
	ID   string
	At   si.Instant // by the clock of the samples
	Part string     // as wear.Part has it; others are not looked at
	Work string     // drained: the separator was emptied; all else: cleaned, mended or replaced
}

// MostServices is how many of the services that were taken last are remembered. Whoever tells them again must not tell more.
const MostServices = 64

// mark is a checksum of what a service is known by.
func (s *Service) mark() uint64 {
	of := s.ID
	if of == "" {
		of = fmt.Sprintf("%d %s %s", s.At, s.Part, s.Work)
	}
	sum := sha256.Sum256([]byte(of))
	return binary.LittleEndian.Uint64(sum[:])
}

func newEstimates(p Params) estimates {
	p.Condensate.Ambient, p.Condensate.Volume = p.Ambient, p.Volume
	return estimates{params: p,
		strokes: stroke.New(stroke.Params{Points: p.Points, Ambient: p.Ambient, Period: p.Period}),
		level: level.New(level.Params{Points: p.Points, Volume: p.Volume, Bulk: p.Bulk, Solid: p.Solid, Nozzle: p.Nozzle,
			HoseBore: p.HoseBore, HoseLength: p.HoseLength, Target: p.Target, Ambient: p.Ambient}),
		seconds: steady.Averager{Period: p.Period},
		wear:    wear.New(wear.Params{Points: p.Points, Ambient: p.Ambient, Volume: p.Volume, Bore: p.Nozzle}),
		losses: losses.New(losses.Params{Points: p.Points, Ambient: p.Ambient, Target: p.Target, Volume: p.Volume, Bore: p.Nozzle,
			HoseBore: p.HoseBore, HoseLength: p.HoseLength, Baseline: p.Baseline}),
		water: condensate.New(p.Condensate)}
}

// step takes what the engine has just made of a sample, and gives what strokes that has completed.
func (x *estimates) step(e *Engine, h vent.Handle, out *Output) (news stroke.News) {
	// A silence that nobody told of ends what goes on: what comes after it may be another press.
	if x.joint != 0 && e.joint.at.Sub(x.joint) > x.params.fresh() {
		x.lost()
	}
	if at := e.vesselAt; at > x.vessel {
		x.vessel = at
		v := si.GaugePressure(e.out.Readings[points.Vessel].Value)
		news = x.strokes.Vessel(at, v.Absolute(e.params.Ambient), h)
	}
	if j := &e.joint; j.at.Sub(x.joint) >= jointEvery {
		x.joint = j.at
		p := j.p
		for i := range p {
			p[i] += float64(e.params.Ambient)
		}
		x.strokes.Together(j.at, j.has, &p)
		if s, ok := x.seconds.Step(j.at, j.has, &p, e.out.State == Blasting && j.at >= e.out.Since); ok {
			x.second(&s, out)
		}
		if e.out.State == AtRest && j.at.Sub(e.out.Since) >= calm {
			x.level.Rest(j.has, &p)
			x.losses.Rest(j.has, &p)
		}
		if len(x.waiting) > 0 && x.waiting[0].At <= j.at {
			x.serve(out)
		}
	}
	if news != 0 {
		x.stroke(news, out)
	}
	if e.out.Cycles != x.cycles {
		x.cycles = e.out.Cycles
		if l := &out.Level; l.Known && x.press == e.out.Cycle.Press {
			used := max(0, l.Used-x.used)
			e.out.Cycle.Abrasive = used
			if l.Capacity > 0 {
				e.out.Cycle.Contents = Contents{Before: l.Share + si.Ratio(used/l.Capacity), Left: l.Share, Low: l.Low, High: l.High}
			}
			out.Cycle = e.out.Cycle
		}
	}
	if c := &e.cycle; c.on && c.cycle.Press != x.press {
		x.press, x.used = c.cycle.Press, out.Level.Used
	}
	return news
}

// second takes a second of blasting.
func (x *estimates) second(s *steady.Second, out *Output) {
	middle := x.losses.Middle(s)
	x.level.Second(s, &middle)
	lvl := x.level.Estimate()
	out.Level = lvl
	aside := losses.Aside{}
	if lvl.Known && lvl.FlowKnown {
		aside.Loading = lvl.Loading
	}
	if lvl.Known {
		aside.Air = x.air(lvl.Mass)
	}
	if i := &out.Wear[wear.Separator]; i.Known {
		aside.Separator = i.Value
	}
	if bore, _, ok := x.wear.Bore(); ok {
		aside.Bore = bore
	}
	x.losses.Step(s, aside)
	o := x.losses.Estimate()
	x.wear.Second(&middle, x.airAlone(s, &lvl, o))
	if o.Steady {
		for _, seg := range [...]points.Segment{points.MixingSegment, points.HoseSegment} {
			if r := o.Resistance[seg]; r > 0 {
				x.wear.Resistance(wear.Part(seg), r)
			}
		}
	}
	if o.Air > 0 {
		x.water.Use(s.At, si.Mass(o.Air), si.AbsPressure(s.P[first(s.Has)]))
	}
	out.Losses, out.Doubt, out.Condensate, out.Baseline = *o, x.losses.Doubt(), x.water.Estimate(), x.losses.Baseline()
}

// airAlone tells whether no abrasive is in the stream of a second. Without a nozzle point a loading of nothing may be a worn nozzle: there only a
// stream that was seen to stop counts, once the hose has cleared.
func (x *estimates) airAlone(s *steady.Second, lvl *level.Estimate, o *losses.Estimate) bool {
	if !x.params.Points.Has(points.Nozzle) {
		return lvl.Stop != level.Flowing && s.At.Sub(lvl.StopSince) >= clearsIn
	}
	return o.Air > 0 && o.Loading < airOnly || lvl.Stop != level.Flowing
}

// clearsIn is how long a hose may take to clear after its stream was seen to have stopped.
const clearsIn = 2 * time.Second

// airOnly is the loading under which a second counts as one of air alone, kg a kg.
const airOnly = 0.05

// first is the first point of the air's path in a set, but for the vessel.
func first(has points.Set) points.Point {
	for p := points.Supply; p < points.Vessel; p++ {
		if has.Has(p) {
			return p
		}
	}
	return points.Vessel
}

// air is what of the vessel's volume is left beside a mass of abrasive.
func (x *estimates) air(m si.Mass) si.Volume {
	_, solid := level.Densities(x.params.Bulk, x.params.Solid)
	return max(0, x.params.Volume-si.Volume(float64(m)/float64(solid)))
}

// usualAir is the share of the vessel that air fills where no level is known.
const usualAir = 0.7

// stroke takes what a press or a vent has told.
func (x *estimates) stroke(news stroke.News, out *Output) {
	if news&stroke.NewPress != 0 {
		p := x.strokes.Press()
		x.wear.Press(&p, out.Level.Stop == level.Empty)
		x.level.Press(&p)
		if p.Working > p.From {
			share := si.Ratio(usualAir)
			if out.Level.Known && x.params.Volume > 0 {
				share = si.Ratio(x.air(out.Level.Mass) / x.params.Volume)
			}
			x.water.Fill(p.At, p.From, p.Working, share)
		}
	}
	if news&stroke.NewVent != 0 {
		v := x.strokes.Vent()
		x.wear.Vent(&v, out.Level.Stop != level.Flowing)
		x.level.Vent(&v)
	}
	out.Level = x.level.Estimate()
	x.tellWear(out)
	out.Condensate = x.water.Estimate()
}

func (x *estimates) tellWear(out *Output) {
	for p := range out.Wear {
		out.Wear[p] = x.wear.Index(wear.Part(p))
	}
}

// tell gives all estimates again, as of a restored state.
func (x *estimates) tell(out *Output) {
	x.tellWear(out)
	out.Level, out.Losses, out.Doubt, out.Condensate, out.Baseline = x.level.Estimate(), *x.losses.Estimate(), x.losses.Doubt(), x.water.Estimate(), x.losses.Baseline()
}

// serve takes the services whose time has come.
func (x *estimates) serve(out *Output) {
	for len(x.waiting) > 0 && x.waiting[0].At <= x.joint {
		s := x.waiting[0]
		x.waiting = x.waiting[1:]
		if len(x.served) == MostServices {
			x.served = slices.Delete(x.served, 0, 1)
		}
		x.served = append(x.served, s.mark())
		if s.Part == wear.Separator.String() && s.Work == Drained {
			x.water.Drain(s.At)
			continue
		}
		for p := wear.Part(0); p < wear.Parts; p++ {
			if p.String() == s.Part {
				x.wear.Serve(p, s.At)
			}
		}
	}
	x.tell(out)
}

// wait notes a service until its time comes, unless it waits already or was taken.
func (x *estimates) wait(s Service) {
	mark := s.mark()
	if slices.Contains(x.served, mark) || slices.ContainsFunc(x.waiting, func(w Service) bool { return w.mark() == mark }) {
		return
	}
	x.waiting = append(x.waiting, s)
	slices.SortStableFunc(x.waiting, func(a, b Service) int { return cmp.Compare(a.At, b.At) })
}

// restart makes ready for another base of time: what was learned stays, what was going on is lost.
func (x *estimates) restart() {
	x.lost()
	x.joint, x.vessel = 0, 0
}

// Drained is the work of a service after which a separator holds no water.
const Drained = "drained"

// lost says that what comes between is not known.
func (x *estimates) lost() {
	x.strokes.Break()
	x.wear.Break()
	x.level.Break()
	x.seconds = steady.Averager{Period: x.params.Period}
}

// estimatesState is raised whenever the list of parts changes.
const estimatesState = 2

// AppendState appends the state of all of them.
func (x *estimates) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, estimatesState)
	x.fields(&c)
	return c.Bytes()
}

// SetState restores what AppendState gave. After an error it may be half restored.
func (x *estimates) SetState(b []byte) error { return statecodec.Read(b, estimatesState, x.fields) }

func (x *estimates) fields(c *statecodec.Codec) {
	statecodec.Nested(c, x.strokes)
	statecodec.Nested(c, x.level)
	statecodec.Nested(c, x.wear)
	statecodec.Nested(c, x.losses)
	statecodec.Nested(c, x.water)
	x.seconds.Fields(c)
	statecodec.Int(c, &x.joint)
	statecodec.Int(c, &x.vessel)
	statecodec.Int(c, &x.cycles)
	statecodec.Int(c, &x.press)
	statecodec.Float(c, &x.used)
	n := len(x.served)
	if statecodec.Int(c, &n); n < 0 || n > MostServices {
		c.Fail(statecodec.ErrState)
		return
	}
	if c.Reading() {
		x.served = make([]uint64, n)
	}
	for i := range x.served {
		statecodec.Word(c, &x.served[i])
	}
}

// take takes over what another one knows that has seen more; what people told stays.
func (x *estimates) take(from *estimates) {
	waiting, set := x.waiting, x.losses.Recorded()
	*x.strokes, *x.level, *x.wear, *x.losses, *x.water = *from.strokes, *from.level, *from.wear, *from.losses, *from.water
	x.seconds, x.joint, x.vessel, x.served = from.seconds, from.joint, from.vessel, slices.Clone(from.served)
	x.cycles, x.press, x.used = from.cycles, from.press, from.used
	x.losses.Record(set)
	x.waiting = nil
	for _, s := range waiting {
		x.wait(s)
	}
}
