package httpapi

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/records"
)

// History gives stored readings; *history.Store is one.
type History interface {
	// Range gives each the readings asked for, in the order of time.
	Range(ctx context.Context, q history.Query, each func(history.Record) error) error
	// Downsampled gives them by steps of time, with the epochs that were met.
	Downsampled(ctx context.Context, q history.Query, step time.Duration) ([]history.Trace, []uint64, error)
	// Stretches tells what Range would give.
	Stretches(ctx context.Context, q history.Query) ([]history.Stretch, error)
	// Stats tells whether readings are stored at present.
	Stats() history.Stats
}

// Records gives what was recorded, a page at a time; records.Records are such.
type Records interface {
	Cycles(ctx context.Context, q records.Query) (records.Page[records.Cycle], error)
	AbrasiveUsed(ctx context.Context, pot string, from, to si.Instant, step time.Duration) ([]records.AbrasiveUse, error)
	Alarms(ctx context.Context, q records.Query) (records.Page[records.Alarm], error)
	Alarm(ctx context.Context, id string) (records.Alarm, bool, error)
	Refills(ctx context.Context, q records.Query) (records.Page[records.Refill], error)
	Services(ctx context.Context, q records.Query) (records.Page[records.Service], error)
	Shifts(ctx context.Context, q records.Query) (records.Page[records.Shift], error)
	Losses(ctx context.Context, q records.Query) (records.Page[records.Loss], error)
	// Placements tells where the epochs of the agents' clocks stand in time.
	Placements(ctx context.Context) ([]clocks.Placement, error)
	// Fault tells what keeps records from being stored now; false: nothing.
	Fault() (records.Fault, bool)
}

// What answers from the disk may cost: the machine's first work is to take readings in.
const (
	readsAtOnce   = 4
	exportsAtOnce = 2
	readWait      = 5 * time.Second  // for one of the others to end
	readTime      = 30 * time.Second // of one
	sendTime      = 30 * time.Second // for the client to take a part of an answer
	retryAfter    = 10               // s
)

// places are how many may do something at once.
type places chan struct{}

// take takes a place, waiting for one at most that long; false: there is none. The caller gives it back.
func (p places) take(ctx context.Context, wait time.Duration) bool {
	select {
	case p <- struct{}{}:
		return true
	default:
	}
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case p <- struct{}{}:
		return true
	case <-timer.C:
	case <-ctx.Done():
	}
	return false
}

func (p places) giveBack() { <-p }

// read does what waits for the disk. It answers by itself where that cannot be done now, and says false.
func (a *api) read(w http.ResponseWriter, r *http.Request, do func(ctx context.Context) error) bool {
	patient(w)
	if !a.reads.take(r.Context(), readWait) {
		busy(w, r, "too many others read what is stored; ask again")
		return false
	}
	defer a.reads.giveBack()
	ctx, cancel := context.WithTimeout(r.Context(), readTime)
	defer cancel()
	err := do(ctx)
	if err == nil {
		return true
	}
	a.unread(w, r, err)
	return false
}

// patient gives an answer that the disk is waited for more time than the server's others have.
func patient(w http.ResponseWriter) {
	// A writer that has no deadlines, as of tests, needs none.
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(readWait + readTime + sendTime))
}

// unread answers where what is stored could not be read. What is told of the disk goes to the log alone.
func (a *api) unread(w http.ResponseWriter, r *http.Request, err error) {
	var place *records.CursorError
	switch {
	case errors.As(err, &place):
		Problem(w, r, http.StatusBadRequest, "after: "+place.Error()+"; pass what the page before gave as next")
		return
	case errors.Is(err, history.ErrQuery):
		Problem(w, r, http.StatusBadRequest, err.Error())
		return
	case r.Context().Err() != nil: // nobody is left to be told
		busy(w, r, "the request was given up")
		return
	case errors.Is(err, context.DeadlineExceeded):
		busy(w, r, "what is stored of this range takes too long to read; ask for less time, or again when the server has less to do")
		return
	}
	a.o.Log.LogAttrs(r.Context(), slog.LevelError, "what is stored cannot be read", slog.String("path", r.URL.Path), slog.String("reason", err.Error()))
	busy(w, r, "what is stored cannot be read at the moment, and the server's log says why; live readings go on. Ask again, or for another range of time")
}

func busy(w http.ResponseWriter, r *http.Request, detail string) {
	w.Header().Set("Retry-After", strconv.Itoa(retryAfter))
	Problem(w, r, http.StatusServiceUnavailable, detail)
}

// known is the pot that the path names; false: there is none, and that was answered.
func (a *api) known(w http.ResponseWriter, r *http.Request, now time.Time) (live.Pot, bool) {
	p, ok := a.o.Pots.Estimate(r.PathValue("name"), now)
	if !ok {
		Problem(w, r, http.StatusNotFound, "no pot of this name; GET /api/v1/pots lists them")
	}
	return p, ok
}

// simulated tells whether a pot's readings come from a simulator; nil: its agent was not heard yet.
func simulated(p *live.Pot) *bool {
	if p.T == "" && !p.Simulated {
		return nil
	}
	return &p.Simulated
}

// placements are those of an agent's clock by epoch; nil: they are not known.
func (a *api) placements(ctx context.Context, agent string) map[uint64]clocks.Placement {
	if a.o.Records == nil {
		return nil
	}
	all, err := a.o.Records.Placements(ctx)
	if err != nil {
		a.o.Log.LogAttrs(ctx, slog.LevelError, "it cannot be told where the clocks of agents stood", slog.String("reason", err.Error()))
		return nil
	}
	out := map[uint64]clocks.Placement{}
	for _, p := range all {
		if p.Agent == agent {
			out[p.Epoch] = p
		}
	}
	return out
}

// instantOf is now in the API's form.
func instantOf(t time.Time) string { return si.InstantOf(t).String() }
