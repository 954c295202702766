package pot

import (
	"context"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/feed"
)

// toServer is by how much an instant of the agent's clock is to be moved onto the server's, on which pots of all agents are
// compared; false while no echo tells. It holds for one batch.
func (a *Actor) toServer(e *feed.Event) (time.Duration, bool) {
	n := len(e.Samples)
	if n == 0 || a.opts.Events.Sample == nil {
		return 0, false
	}
	at, mono := e.Samples[n-1].At, e.Received.Sub(a.opts.Start)
	age, ok := a.clock.Age(at, mono)
	return si.InstantOf(a.opts.Start).Add(mono - max(age, 0)).Sub(at), ok
}

// share hands on a sample that the judge has just taken, moved onto the server's clock.
func (a *Actor) share(ctx context.Context, s points.Sample, by time.Duration) {
	h := a.follow.Judge.Handle()
	if h.Since != 0 {
		h.Since = h.Since.Add(by)
	}
	s.At = s.At.Add(by)
	a.opts.Events.Sample(ctx, s, h)
}
