package app

import (
	"context"
	"log/slog"
	"sync"
	"sync/atomic"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/crossed"
)

// A wiring watches for pots that are wired to each other's names, and logs what it finds. It is safe for concurrent
// use: every pot's actor hands its readings to it.
type wiring struct {
	names []string
	log   *slog.Logger

	with []atomic.Pointer[string] // of each pot the one that it seems to be crossed with; nil: none

	mu    sync.Mutex
	site  *crossed.Site
	found []crossed.Finding
	spare []crossed.Finding
}

func newWiring(pots []potfile.Pot, log *slog.Logger) *wiring {
	w := &wiring{log: log, with: make([]atomic.Pointer[string], len(pots))}
	params := make([]crossed.Params, len(pots))
	for i, p := range pots {
		w.names = append(w.names, p.Name)
		params[i].HoldsPressure = p.Vent().HoldsPressure
	}
	w.site = crossed.New(params)
	return w
}

// of is what hears the pot at a place in what newWiring was given: one sample after the other, and the handle as it is
// after it, both on the server's clock. It does not block for longer than another pot's sample takes.
func (w *wiring) of(pot int) func(context.Context, points.Sample, vent.Handle) {
	return func(ctx context.Context, s points.Sample, h vent.Handle) {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.site.Step(&crossed.Input{Pot: pot, Sample: s, Handle: h}) {
			w.tell(ctx)
		}
	}
}

// crossed is what tells the pot at a place which other one it seems to be crossed with; empty: none. It waits for nothing.
func (w *wiring) crossed(pot int) func() string {
	return func() string {
		if name := w.with[pot].Load(); name != nil {
			return *name
		}
		return ""
	}
}

// A Crossing is a press of one pot that moves the vessel gauge of another, again and again.
type Crossing struct {
	Pressed, Moved string // pots, by name
	Kind           crossed.Kind
	Since          si.Instant
}

// Crossings are those that stand at present, in the order of the site's pots.
func (w *wiring) Crossings() []Crossing {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []Crossing
	for _, f := range w.found {
		out = append(out, Crossing{Pressed: w.names[f.Pressed], Moved: w.names[f.Moved], Kind: f.Kind, Since: f.Since})
	}
	return out
}

// tell logs what has changed. The lock is held.
func (w *wiring) tell(ctx context.Context) {
	was := w.found
	w.found = w.site.Append(w.spare[:0])
	w.spare = was
	with := make([]*string, len(w.with))
	for _, f := range w.found {
		with[f.Pressed], with[f.Moved] = &w.names[f.Moved], &w.names[f.Pressed]
	}
	for i := range with {
		w.with[i].Store(with[i])
	}
	for _, f := range was {
		if !has(w.found, f, false) {
			w.log.LogAttrs(ctx, slog.LevelInfo, "pots "+w.names[f.Pressed]+" and "+w.names[f.Moved]+" no longer look crossed")
		}
	}
	for _, f := range w.found {
		if !has(was, f, true) {
			w.log.LogAttrs(ctx, slog.LevelWarn, "pots "+w.names[f.Pressed]+" and "+w.names[f.Moved]+" are crossed: "+f.Kind.String()+
				"; a press of "+w.names[f.Pressed]+" moves the vessel gauge of "+w.names[f.Moved]+
				": treat both as pressurised and check their wiring",
				slog.String("crossed", f.Kind.Says()), slog.String("since", f.Since.String()))
		}
	}
}

// has tells whether a finding is in a list; alike also asks for the same kind.
func has(list []crossed.Finding, f crossed.Finding, alike bool) bool {
	for _, g := range list {
		if g.Pressed == f.Pressed && g.Moved == f.Moved && (g.Kind == f.Kind || !alike) {
			return true
		}
	}
	return false
}
