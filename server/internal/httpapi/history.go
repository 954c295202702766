package httpapi

import (
	"context"
	"math"
	"net/http"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/history"
)

// Bounds of GET /api/v1/pots/{name}/history.
const (
	historyUsual   = time.Hour
	historyLongest = 400 * day // what the server keeps, unless it is told otherwise
	historySteps   = 1000      // at most, where no step is asked for
)

// steps are the lengths to choose from.
func steps() []time.Duration {
	const s, m, h = time.Second, time.Minute, time.Hour
	return []time.Duration{100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond, s, 2 * s, 5 * s, 10 * s, 15 * s, 30 * s,
		m, 2 * m, 5 * m, 10 * m, 15 * m, 30 * m, h, 2 * h, 3 * h, 6 * h, 12 * h}
}

// usualStep is the shortest of steps that cuts a range into few enough.
func usualStep(length time.Duration) time.Duration {
	for _, s := range steps() {
		if length <= historySteps*s {
			return s
		}
	}
	return day
}

func (a *api) history(w http.ResponseWriter, r *http.Request) {
	now := time.Now()
	pot, ok := a.known(w, r, now)
	if !ok {
		return
	}
	q := ask(r, "from", "to", "points", "step")
	set := q.points(pot.Points)
	step := q.step()
	s, began := q.span(si.InstantOf(now), historyUsual, historyLongest, "ask for less")
	if step == 0 {
		step = usualStep(s.length())
	}
	if !began && q.err == "" {
		// On whole steps, so that the same readings fall into the same step when it is asked again.
		s.from -= s.from % si.Instant(step/time.Microsecond)
	}
	if q.refused(w, r) {
		return
	}
	n, err := history.Steps(s.from, s.to, step)
	if err != nil {
		a.unread(w, r, err)
		return
	}
	var traces []history.Trace
	var epochs []uint64
	var placed map[uint64]clocks.Placement
	if !a.read(w, r, func(ctx context.Context) (err error) {
		traces, epochs, err = a.o.History.Downsampled(ctx, history.Query{Pot: pot.Name, Points: set, From: s.from, To: s.to}, step)
		placed = a.placements(ctx, pot.Agent)
		return err
	}) {
		return
	}
	out := live.History{Name: pot.Name, Site: pot.Site, Simulated: simulated(&pot), From: instant(s.from), To: instant(s.to),
		StepS: step.Seconds(), Steps: n, Epochs: []live.Epoch{}, Traces: []live.Trace{}, ServerT: instantOf(now)}
	switch {
	case a.o.History.Stats().Fault != "":
		out.Fault = "readings are not stored at present, and the server's log says why; agents keep them until they can be"
	case placed == nil:
		out.Fault = "it cannot be told at present whether the agent's clock was right; the server's log says why"
	}
	for _, e := range epochs {
		out.Epochs = append(out.Epochs, epochOf(e, placed[e]))
	}
	for _, t := range traces {
		out.Traces = append(out.Traces, traceOf(&t))
	}
	a.json(w, r, out)
}

// epochOf is an epoch of a clock that stands where p says.
func epochOf(epoch uint64, p clocks.Placement) live.Epoch {
	out := live.Epoch{Epoch: epoch, Estimated: p.Estimated}
	if p.Shift != 0 {
		shift := p.Shift.Seconds()
		out.ShiftS = &shift
	}
	return out
}

func traceOf(t *history.Trace) live.Trace {
	electric := t.Electric && t.Point == points.Control
	out := live.Trace{Point: t.Point.String(), Good: spreadOf(t.Bins, electric, func(b *history.Bin) *history.Spread { return &b.Good })}
	var beyond, silent int
	for i := range t.Bins {
		beyond += t.Bins[i].OutOfRange.Count
		silent += t.Bins[i].NoReply
	}
	if beyond > 0 {
		s := spreadOf(t.Bins, electric, func(b *history.Bin) *history.Spread { return &b.OutOfRange })
		out.OutOfRange = &s
	}
	if silent > 0 {
		out.NoReply = make([]int, len(t.Bins))
		for i := range t.Bins {
			out.NoReply[i] = t.Bins[i].NoReply
		}
	}
	return out
}

// spreadOf gives one kind of a point's readings.
func spreadOf(bins []history.Bin, electric bool, of func(*history.Bin) *history.Spread) live.Spread {
	out := live.Spread{N: make([]int, len(bins))}
	figures := func(f func(*history.Spread) float64) []*float64 {
		list, room := make([]*float64, len(bins)), make([]float64, len(bins))
		for i := range bins {
			if s := of(&bins[i]); s.Count > 0 {
				room[i] = f(s)
				list[i] = &room[i]
			}
		}
		return list
	}
	for i := range bins {
		out.N[i] = of(&bins[i]).Count
	}
	if electric {
		out.PressedShare = figures(func(s *history.Spread) float64 { return float64(s.Mean) })
		return out
	}
	out.MinPa = figures(func(s *history.Spread) float64 { return pascals(s.Min) })
	out.MaxPa = figures(func(s *history.Spread) float64 { return pascals(s.Max) })
	out.MeanPa = figures(func(s *history.Spread) float64 { return pascals(s.Mean) })
	return out
}

// pascals is a pressure in whole Pa.
func pascals(p si.GaugePressure) float64 {
	v := math.Round(float64(p))
	if v == 0 {
		return 0 // not minus zero
	}
	return v
}
