package httpapi

import (
	"context"
	"encoding/json"
	"math"
	"net/http"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/acts"
	"gritwatch/server/internal/records"
)

// defaultRecords is how many records a page has.
const defaultRecords = 100

// asksRecords reads the query of a list of records. owner is the parameter that chooses whose they are; empty: none does.
func asksRecords(r *http.Request, owner string, more ...string) (*asked, records.Query) {
	known := append([]string{"from", "to", "limit", "after", "order"}, more...)
	if owner != "" {
		known = append(known, owner)
	}
	q := ask(r, known...)
	out := records.Query{After: q.values.Get("after"), Limit: q.limit(defaultRecords), OldestFirst: q.oldestFirst()}
	if owner != "" {
		out.Pot = q.values.Get(owner)
	}
	var began, ended bool
	out.From, began = q.instant("from")
	out.To, ended = q.instant("to")
	if began && ended && out.From >= out.To {
		q.fail("to (%v) does not lie after from (%v)", out.To, out.From)
	}
	return q, out
}

// page answers with a page of records, or with why there is none.
func page[T any](a *api, w http.ResponseWriter, r *http.Request, q *asked, ask records.Query,
	read func(context.Context, records.Query) (records.Page[T], error), body func([]T, live.Paging) any) {
	if q.refused(w, r) {
		return
	}
	var p records.Page[T]
	if !a.read(w, r, func(ctx context.Context) (err error) {
		p, err = read(ctx, ask)
		return err
	}) {
		return
	}
	a.json(w, r, body(p.Items, a.paging(p.Next)))
}

// paging is what all pages of records have in common.
func (a *api) paging(next string) live.Paging {
	out := live.Paging{Next: next, ServerT: instantOf(time.Now())}
	if _, faulty := a.o.Records.Fault(); faulty {
		out.Fault = acts.Unstored
	}
	return out
}

// each makes of every item what is told of it; none is an empty list.
func each[T, U any](items []T, tell func(*T) U) []U {
	out := make([]U, 0, len(items))
	for i := range items {
		out = append(out, tell(&items[i]))
	}
	return out
}

func (a *api) cycles(w http.ResponseWriter, r *http.Request) {
	if pot, ok := a.known(w, r, time.Now()); ok {
		q, ask := asksRecords(r, "")
		ask.Pot = pot.Name
		page(a, w, r, q, ask, a.o.Records.Cycles, func(items []records.Cycle, p live.Paging) any {
			return live.Cycles{Cycles: each(items, cycleOf), Paging: p}
		})
	}
}

func cycleOf(c *records.Cycle) live.Cycle {
	out := live.Cycle{Kind: "cycle", Pot: c.Pot, T: instant(c.Ended), Press: instant(c.Press), Release: instant(c.Release),
		BlastS: seconds(c.Blast()), Inferred: c.Inferred, Vent: live.Blowdown{P0Pa: pascals(c.Vent.From)}, Late: c.Late, Incomplete: c.Incomplete}
	if c.Abrasive > 0 {
		kg := math.Round(float64(c.Abrasive)*1e2) / 1e2
		out.AbrasiveKg = &kg
	}
	if l := &c.Contents; l.Known() {
		out.Contents = &live.Contents{Before: rounded(float64(l.Before)), Left: rounded(float64(l.Left)), Low: rounded(float64(l.Low)), High: rounded(float64(l.High))}
	}
	if c.Vent.Tau > 0 {
		tau := math.Round(c.Vent.Tau*1e3) / 1e3
		out.Vent.TauS = &tau
	}
	if c.Vent.Settled > 0 {
		residual, settled := pascals(c.Vent.Residual), seconds(c.Vent.Settled)
		out.Vent.ResidualPa, out.Vent.SettledS = &residual, &settled
	}
	if h := &c.Healthy; h.Rate > 0 {
		out.Vent.Healthy = &live.VentEnvelope{FromS: seconds(h.Open), P0Pa: pascals(h.From), RatePerS: rounded(h.Rate),
			TailPa: pascals(h.Tail), TailRatePerS: rounded(h.TailRate), DownToPa: pascals(h.DownTo),
			AmbientPa: math.Round(float64(h.Ambient))}
	}
	return out
}

// Bounds of GET /api/v1/pots/{name}/abrasive.
const (
	abrasiveUsual   = day
	abrasiveLongest = 31 * day
)

func (a *api) abrasive(w http.ResponseWriter, r *http.Request) {
	now := time.Now()
	pot, ok := a.known(w, r, now)
	if !ok {
		return
	}
	q := ask(r, "from", "to")
	s, _ := q.span(si.InstantOf(now), abrasiveUsual, abrasiveLongest, "ask for less, and add them up")
	if q.refused(w, r) {
		return
	}
	var hours []records.AbrasiveUse
	if !a.read(w, r, func(ctx context.Context) (err error) {
		hours, err = a.o.Records.AbrasiveUsed(ctx, pot.Name, s.from, s.to, time.Hour)
		return err
	}) {
		return
	}
	all := records.AbrasiveUse{From: s.from}
	for _, h := range hours {
		all.Used += h.Used
		all.Cycles += h.Cycles
		all.Unknown += h.Unknown
		all.Blast += h.Blast
		all.Metered += h.Metered
	}
	paging := a.paging("")
	a.json(w, r, live.Abrasive{Name: pot.Name, Site: pot.Site, Simulated: simulated(&pot), All: useOf(&all, s.to),
		Hours: each(hours, func(h *records.AbrasiveUse) live.Use { return useOf(h, min(s.to, h.From.Add(time.Hour))) }),
		Fault: paging.Fault, ServerT: paging.ServerT})
}

func useOf(u *records.AbrasiveUse, to si.Instant) live.Use {
	out := live.Use{From: instant(u.From), To: instant(to), UsedKg: math.Round(float64(u.Used)*1e2) / 1e2, BlastS: seconds(u.Blast), Presses: u.Cycles, Unknown: u.Unknown}
	if u.Metered > 0 {
		rate := math.Round(float64(u.Used)/u.Metered.Hours()*10) / 10
		out.KgPerHour = &rate
	}
	return out
}

// seconds is a length of time in s, to a millisecond.
func seconds(d time.Duration) float64 { return d.Round(time.Millisecond).Seconds() }

func (a *api) alarms(w http.ResponseWriter, r *http.Request) {
	more := []string{}
	if a.o.Alarms != nil {
		more = append(more, "state")
	}
	q, ask := asksRecords(r, "pot", more...)
	switch state := q.values.Get("state"); {
	case !q.values.Has("state"):
	case state == "ended":
		ask.Ended = true
	case state != "open":
		q.fail("state is open or ended; absent: both, as they are recorded")
	case q.values.Has("from") || q.values.Has("to") || q.values.Has("order"):
		q.fail("open alarms come in the order in which people should look at them, and all of them: leave out from, to and order")
	default:
		a.openAlarms(w, r, q, ask.Limit)
		return
	}
	page(a, w, r, q, ask, a.o.Records.Alarms, func(items []records.Alarm, p live.Paging) any {
		out := live.Alarms{Alarms: each(items, alarmOf), Paging: p}
		if a.o.Alarms != nil {
			standing(out.Alarms, a.o.Alarms)
		}
		return out
	})
}

// standing tells of recorded alarms how they stand.
func standing(list []live.Alarm, from Alarms) {
	open, _ := from.Alarms()
	byID := make(map[string]*live.StandingAlarm, len(open))
	for i := range open {
		byID[open[i].ID] = &open[i]
	}
	for i := range list {
		if list[i].Ended == "" {
			list[i].Standing = byID[list[i].ID]
		}
	}
}

func alarmOf(x *records.Alarm) live.Alarm {
	return live.Alarm{ID: x.ID, Pot: x.Pot, Agent: x.Agent, Alarm: x.Kind, Priority: x.Priority, Raised: instant(x.Raised), Ended: maybe(x.Ended),
		Transitions: each(x.Transitions, func(t *records.Transition) live.Transition {
			out := live.Transition{ID: t.ID, T: instant(t.At), Event: t.Event, By: t.By}
			if evidence := json.RawMessage(t.Evidence); json.Valid(evidence) {
				out.Evidence = evidence
			}
			return out
		})}
}

// maybe is an instant; empty for none.
func maybe(i si.Instant) string {
	if i == 0 {
		return ""
	}
	return instant(i)
}

func (a *api) refills(w http.ResponseWriter, r *http.Request) {
	if pot, ok := a.known(w, r, time.Now()); ok {
		q, ask := asksRecords(r, "")
		ask.Pot = pot.Name
		page(a, w, r, q, ask, a.o.Records.Refills, func(items []records.Refill, p live.Paging) any {
			return live.Refills{Refills: each(items, func(x *records.Refill) live.Refill {
				out := live.Refill{ID: x.ID, Pot: x.Pot, T: instant(x.At), By: x.By, Note: x.Note}
				if mass := float64(x.Mass); mass != 0 {
					out.MassKg = &mass
				}
				return out
			}), Paging: p}
		})
	}
}

func (a *api) services(w http.ResponseWriter, r *http.Request) {
	if pot, ok := a.known(w, r, time.Now()); ok {
		q, ask := asksRecords(r, "")
		ask.Pot = pot.Name
		page(a, w, r, q, ask, a.o.Records.Services, func(items []records.Service, p live.Paging) any {
			return live.Services{Services: each(items, func(x *records.Service) live.Service {
				return live.Service{ID: x.ID, Pot: x.Pot, T: instant(x.At), Part: x.Part, Work: x.Work, By: x.By, Note: x.Note}
			}), Paging: p}
		})
	}
}

func (a *api) shifts(w http.ResponseWriter, r *http.Request) {
	q, ask := asksRecords(r, "")
	page(a, w, r, q, ask, a.o.Records.Shifts, func(items []records.Shift, p live.Paging) any {
		return live.Shifts{Shifts: each(items, func(x *records.Shift) live.Shift {
			return live.Shift{ID: x.ID, Name: x.Name, From: instant(x.From), To: maybe(x.To), By: x.By, Note: x.Note}
		}), Paging: p}
	})
}

func (a *api) losses(w http.ResponseWriter, r *http.Request) {
	q, ask := asksRecords(r, "agent")
	page(a, w, r, q, ask, a.o.Records.Losses, func(items []records.Loss, p live.Paging) any {
		return live.Losses{Losses: each(items, func(x *records.Loss) live.Loss {
			return live.Loss{Agent: x.Agent, Journal: x.Journal, From: x.From, To: x.To, T: instant(x.At), Why: x.Why}
		}), Paging: p}
	})
}
