package engine

import (
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/stroke"
	"gritwatch/server/internal/engine/wear"
	"gritwatch/server/internal/gauges"
)

// A Follower follows one pot with all that is said of it: the judge of the answer, the watches over vents and gauges, and
// the engine. Only what comes in as a sample counts; recorded zeros are subtracted here.
type Follower struct {
	Judge  *vent.Judge
	Watch  *vent.Watch
	Gauges *gauges.Watch
	Engine *Engine
	Out    Output // as of the newest sample
	about  estimates
	zeros  [points.Count]si.GaugePressure
	in     Input
	alone  bool // no point but the vessel tells of the handle
	infer  vent.Inference
	judged Envelope // what the vent of the newest cycle was judged by

	pot      vent.Pot
	params   Params
	identity [4]uint64
	priming  bool
}

// NewFollower is a follower that has seen nothing. Params.Points and Target are those of pot.
func NewFollower(pot vent.Pot, p Params) *Follower {
	p.Points, p.Target, p.Volume = pot.Points, pot.Target, pot.Volume
	if p.Ambient == 0 {
		p.Ambient = si.StandardAtmosphere
	}
	f := &Follower{pot: pot, params: p, identity: identity(pot, p), Judge: vent.NewJudge(pot, vent.Options{Period: p.Period}), Engine: New(p),
		Gauges: gauges.New(gauges.Params{Pot: pot, Period: p.Period}),
		Watch:  vent.NewWatch(vent.WatchParams{Pot: pot, Nozzle: p.Nozzle, Ambient: p.Ambient, Period: p.Period})}
	f.about = newEstimates(f.params)
	f.about.tell(&f.Out)
	f.alone = !pot.Points.Has(points.Control) && !pot.Points.Has(points.Hose)
	for _, pt := range points.All() {
		if z := pot.Gauges[pt].Zero; z != nil {
			f.zeros[pt] = si.GaugePressure(z.Offset)
		}
	}
	return f
}

// Step takes one sample, as it was read.
func (f *Follower) Step(s points.Sample) {
	if f.priming {
		f.Primed()
	}
	was := f.Handle()
	cycles := f.Out.Cycles
	healthy, timed := f.Watch.Healthy() // before the sample: where that is a press, the watch knows no vent behind it
	f.Judge.Step(s)
	h := f.Judge.Handle()
	if f.alone {
		f.infer.Step(s)
		h = f.infer.Handle()
	}
	f.Watch.Step(s, h)
	f.Gauges.Step(s, h)
	if int(s.Point) < points.Count {
		s.Value -= f.zeros[s.Point]
	}
	f.in.Sample, f.in.Handle = s, h
	f.Engine.Step(&f.in, &f.Out.Now)
	news := f.about.step(f.Engine, h, &f.Out)
	if f.Out.Cycles != cycles {
		f.judged = f.envelope(healthy, timed)
	}
	if h.Known && !h.Pressed && (was.Pressed || news&stroke.NewPress != 0) {
		// A short press is told with the reading of the vessel after its release.
		f.expect(h)
	}
}

// envelope is what the vent of the newest cycle was judged by. The watch may have seen the release some readings after the instant at which the
// cycle has it.
func (f *Follower) envelope(h vent.Healthy, timed bool) Envelope {
	release := f.Out.Cycle.Release
	if !timed || h.Released < release {
		return Envelope{}
	}
	return Envelope{From: h.From, Open: h.Open.Sub(release), Rate: h.Rate, Tail: h.Tail, TailRate: h.TailRate,
		DownTo: vent.TimedDownTo(f.params.Ambient), Ambient: f.params.Ambient}
}

// Judged is what the vent of the cycle was judged by that Step has completed last; the zero value: by nothing. A saved state does not have it:
// it is to be asked for when the cycle is told.
func (f *Follower) Judged() Envelope { return f.judged }

// expect tells the vent watch how slow the vent that begins can credibly be, by the level and the valves as presses and vents have
// told of them. What it does not know it does not say: the watch then goes by commissioning or nominal dimensions alone.
func (f *Follower) expect(h vent.Handle) {
	released := h.Since
	if released == 0 {
		released = f.in.Sample.At
	}
	f.Watch.Expect(f.about.wear.Expect(released))
}

// Answer is the judge's word, lowered while something is found of the vessel's gauge (R2).
func (f *Follower) Answer() vent.Answer {
	a := f.Judge.Answer()
	if f.Gauges.Fault() {
		a = a.WithSensorFault()
	}
	return a
}

// Break ends the run of samples: what was seen before proves nothing of what comes. A cycle that goes on is lost.
func (f *Follower) Break(why vent.Break) {
	f.priming = false
	f.Judge.Break(why)
	f.Watch.Break(why)
	f.Gauges.Break(why)
	f.infer.Break()
	f.Engine.cycle.on = false
	f.about.lost()
}

// Reset forgets all samples of the engine: the source died, or its clock was stepped.
func (f *Follower) Reset() {
	f.Engine.Reset()
	f.Out.Now = Now{Cycles: f.Out.Cycles, Cycle: f.Out.Cycle}
	f.about.restart()
}

// Record takes over baselines that a person has recorded. Those that a person recorded later stay.
func (f *Follower) Record(s baseline.Set) {
	f.about.losses.Record(s)
	f.about.tell(&f.Out)
}

// Ritual is the profile of the last steady blast, for a person to declare what it was; the zero value where it was under 20 s or
// ended over ten minutes before the newest sample.
func (f *Follower) Ritual() baseline.Profile { return f.about.losses.Ritual(f.Out.At) }

// Serve takes a service that a person has recorded. It counts from its own time on, once samples have come that far; one that it has taken
// already, by its record's id, is left out.
func (f *Follower) Serve(s Service) { f.about.wait(s) }

// Served is what a recorded service of a part has changed.
func (f *Follower) Served(p wear.Part) wear.Service { return f.about.wear.Service(p) }
