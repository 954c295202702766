package app

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/baselines"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/wear"
	"gritwatch/server/internal/httpapi"
	"gritwatch/server/internal/pot"
	"gritwatch/server/internal/records"
)

// A clerk takes what people record of pots: it stores it, and tells what follows the pot. It is safe for concurrent use.
type clerk struct {
	fleet   *fleet
	records records.Records
}

// Baseline records one: what the last blast was declared to be, or what was written down.
func (c *clerk) Baseline(ctx context.Context, name string, in live.NewBaseline) (live.StoredBaseline, error) {
	a := c.fleet.actors[name]
	about := a.Config().Pot
	ambient := about.Atmosphere.Pressure()
	at := max(si.InstantOf(time.Now()), a.Recorded()+1) // the newest holds, though the clock was set back since the one before
	b, err := baselines.Of(name, in, at, ambient, about.Points, about.Nozzle.Bore, a.Ritual())
	if err != nil {
		return live.StoredBaseline{}, &httpapi.Refusal{Says: err.Error()}
	}
	rows := b.Rows(ambient)
	writes := make([]*records.Write, len(rows))
	for i, r := range rows {
		writes[i] = c.records.AddBaseline(r)
	}
	for _, w := range writes {
		if err := w.Wait(ctx); err != nil {
			return live.StoredBaseline{}, err
		}
	}
	a.Record(b.Set())
	return b.Message(rows[0].ID, ambient), nil
}

// Service records work on a pot.
func (c *clerk) Service(ctx context.Context, name string, in live.NewService) (live.Service, error) {
	a := c.fleet.actors[name]
	var parts []string
	for p := wear.Part(0); p < wear.Parts; p++ {
		parts = append(parts, p.String())
	}
	switch in.By, in.Work = strings.TrimSpace(in.By), strings.TrimSpace(in.Work); {
	case in.By == "":
		return live.Service{}, &httpapi.Refusal{Says: "by is missing: say who did it"}
	case in.Work == "":
		return live.Service{}, &httpapi.Refusal{Says: "work is missing: say what was done, as cleaned or replaced"}
	case !slices.Contains(parts, in.Part):
		return live.Service{}, &httpapi.Refusal{Says: fmt.Sprintf("part: %q is none; parts: %s", in.Part, strings.Join(parts, ", "))}
	}
	at := si.InstantOf(time.Now())
	s := records.Service{ID: records.NewID(at), Pot: name, At: at, Part: in.Part, Work: in.Work, By: in.By, Note: in.Note}
	if err := c.records.AddService(s).Wait(ctx); err != nil {
		return live.Service{}, err
	}
	a.Serve(s.ID, in.Part, in.Work)
	return live.Service{ID: s.ID, Pot: s.Pot, T: s.At.String(), Part: s.Part, Work: s.Work, By: s.By, Note: s.Note}, nil
}

// Baselines are all that people have recorded of a pot, the newest first.
func (c *clerk) Baselines(ctx context.Context, name string) ([]live.StoredBaseline, error) {
	a := c.fleet.actors[name]
	ambient := a.Config().Pot.Atmosphere.Pressure()
	found, ids, err := baselinesOf(ctx, c.records, name, ambient)
	out := []live.StoredBaseline{}
	for i := range found {
		out = append(out, found[i].Message(ids[i], ambient))
	}
	slices.Reverse(out)
	return out, err
}

// baselinesOf are those of a pot, the oldest first.
func baselinesOf(ctx context.Context, r records.Records, name string, ambient si.AbsPressure) ([]baselines.Baseline, []string, error) {
	var rows []records.Baseline
	for q := (records.Query{Pot: name, Limit: 1000, OldestFirst: true}); ; {
		p, err := r.Baselines(ctx, q)
		if err != nil {
			return nil, nil, err
		}
		rows = append(rows, p.Items...)
		if q.After = p.Next; q.After == "" {
			break
		}
	}
	found, ids := baselines.Group(rows, ambient)
	return found, ids, nil
}

// remind tells a pot's actor, at the start of the server, what people have recorded of it: of baselines those of the nozzle that is configured now.
func remind(ctx context.Context, r records.Records, a *pot.Actor) error {
	about := a.Config().Pot
	found, _, err := baselinesOf(ctx, r, a.Name(), about.Atmosphere.Pressure())
	if err != nil {
		return err
	}
	for i := range found {
		if b := &found[i]; b.Holds(about.Nozzle.Bore) {
			a.Record(b.Set())
		}
	}
	// A service counts once; one that the newest checkpoint does not hold was recorded in the half minute before the server ended.
	p, err := r.Services(ctx, records.Query{Pot: a.Name(), From: si.InstantOf(time.Now()).Add(-lateService), OldestFirst: true, Limit: 1000})
	if err != nil {
		return err
	}
	for _, s := range p.Items {
		a.Remind(engine.Service{ID: s.ID, At: s.At, Part: s.Part, Work: s.Work})
	}
	return nil
}

// lateService is how far back services are told at a start: as far as a rewind may begin.
const lateService = 26 * time.Hour
