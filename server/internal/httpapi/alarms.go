package httpapi

import (
	"context"
	"encoding/json"
	"math"
	"net/http"
	"slices"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/server/internal/acts"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/records"
)

// Alarms are the standing ones; *desk.Desk is such.
type Alarms interface {
	acts.Standing
	Figures(now time.Time) alarm.Figures
}

// Acts do with alarms what people want done; *acts.Book is such.
type Acts interface {
	// Find is the alarm of an id, from memory, else from the records.
	Find(ctx context.Context, id string) (records.Alarm, *acts.Refusal)
	// Do does something with the alarm of an id.
	Do(ctx context.Context, id, deed string, in live.AlarmAct) (acts.Done, *acts.Refusal)
}

// alarmRoutes are the addresses of the standing alarms.
func (a *api) alarmRoutes() []route {
	id := parameter{"id", "path", "id of the alarm", map[string]any{"type": "string", "pattern": "^[0-9A-Z]{26}$"}}
	routes := []route{
		{"/api/v1/alarms/figures", a.alarmFigures, "alarmFigures", "How well the alarms serve people: the figures of ANSI/ISA-18.2 and IEC 62682, with the benchmarks that they are held against.", nil,
			[]answer{{200, typeJSON, "AlarmFigures", "the figures"}, problem(400, unknown)}},
		{"/api/v1/alarms/{id}", a.alarm, "alarm", "One alarm: what has become of it, what shows it, what people are told of it. Neither an alarm nor its end says that a vessel may be opened.",
			[]parameter{id}, []answer{{200, typeJSON, "AlarmDetail", "the alarm"}, problem(400, unknown), problem(404, noAlarm), problem(503, away)}},
	}
	for _, d := range []struct{ deed, id, does string }{
		{alarm.DoAcknowledge, "acknowledgeAlarm", "Acknowledges an alarm: a named person knows of it. It does not change the answer. A vessel-held that has ended is let go by it, where the answer has been the good one since."},
		{alarm.DoShelve, "shelveAlarm", "Takes an alarm out of sight until a time, of twelve hours at most. Alarms that say that a vessel may hold pressure cannot be shelved, nor those that others of them are suppressed under."},
		{alarm.DoUnshelve, "unshelveAlarm", "Brings a shelved alarm back."},
		{alarm.DoReset, "resetAlarm", "Lets a latched alarm go, by a named person and with a reason, once its condition has ended. It does not change the answer."},
		{alarm.DoTakeOut, "takeOutAlarm", "Takes an alarm out of service, with a reason, until somebody brings it back."},
		{alarm.DoBringBack, "bringBackAlarm", "Brings an alarm back into service."},
		{alarm.DoComment, "commentAlarm", "Keeps a named person's comment, the note, with an alarm, be it open or ended. It changes nothing about the alarm, nor the answer."},
	} {
		routes = append(routes, route{posts + "/api/v1/alarms/{id}/" + d.deed, a.doAlarm(d.deed), d.id, d.does,
			[]parameter{id, {name: "body", in: "body", schema: ref("AlarmAct")}},
			[]answer{{200, typeJSON, "AlarmDetail", "it is done; fault says where it is not stored yet"}, problem(400, "what was sent cannot be read, or is too long"), problem(404, noAlarm),
				problem(409, "it is refused; the words say why and what to do"), problem(413, "more was sent than is ever needed"), problem(415, "what was sent is no application/json"), problem(503, away)}})
	}
	return routes
}

const noAlarm = "no alarm of this id"

func (a *api) alarmFigures(w http.ResponseWriter, r *http.Request) {
	q := ask(r)
	if q.refused(w, r) {
		return
	}
	now := time.Now()
	a.json(w, r, figuresOf(a.o.Alarms.Figures(now), now))
}

// openAlarms answers with the alarms that are open, a page at a time.
func (a *api) openAlarms(w http.ResponseWriter, r *http.Request, q *asked, limit int) {
	if q.refused(w, r) {
		return
	}
	list, _ := a.o.Alarms.Alarms()
	if pot := q.values.Get("pot"); pot != "" {
		list = slices.DeleteFunc(slices.Clone(list), func(s live.StandingAlarm) bool { return s.Pot != pot })
	}
	if after := q.values.Get("after"); after != "" {
		i := slices.IndexFunc(list, func(s live.StandingAlarm) bool { return s.ID == after })
		if i < 0 {
			Problem(w, r, http.StatusBadRequest, "after: the alarm that the page before ended with is not open any more; begin anew")
			return
		}
		list = list[i+1:]
	}
	out := live.Alarms{Alarms: []live.Alarm{}, Paging: a.paging("")}
	if len(list) > limit {
		list = list[:limit]
		out.Next = list[limit-1].ID
	}
	for i := range list {
		if x, ok := a.o.Alarms.Alarm(list[i].ID); ok && x.Ended == 0 {
			one := alarmOf(&x)
			one.Standing = &list[i]
			out.Alarms = append(out.Alarms, one)
		}
	}
	a.json(w, r, out)
}

func (a *api) alarm(w http.ResponseWriter, r *http.Request) {
	q := ask(r)
	if q.refused(w, r) {
		return
	}
	x, none := a.o.Acts.Find(r.Context(), r.PathValue("id"))
	if none != nil {
		refuse(w, r, none)
		return
	}
	a.json(w, r, a.detail(&x))
}

// detail is an alarm with all that people are told of it.
func (a *api) detail(x *records.Alarm) live.AlarmDetail {
	out := live.AlarmDetail{Alarm: alarmOf(x), AnswerRule: alarm.AnswerRule, ServerT: instantOf(time.Now())}
	list, _ := a.o.Alarms.Alarms()
	if i := slices.IndexFunc(list, func(s live.StandingAlarm) bool { return s.ID == x.ID }); i >= 0 {
		out.Standing = &list[i]
	}
	point, fault := "", ""
	for i, t := range x.Transitions {
		// The first names the gauge; the newest beginning shows what it is about. One that cannot be read shows nothing.
		var e live.AlarmEvidence
		if json.Unmarshal([]byte(t.Evidence), &e) != nil {
			continue
		}
		if i == 0 {
			point, fault = e.Point, e.Fault
		}
		// One that was only hidden has none.
		if t.Event == alarm.EventRaised || t.Event == alarm.EventSuppressed {
			out.Evidence = e
		}
	}
	if k, err := alarm.ParseKind(x.Kind); err == nil {
		t := alarm.Text(alarm.Key{Pot: x.Pot, Agent: x.Agent, Kind: k, Point: point, Fault: fault})
		out.Text = live.AlarmText{Says: t.Says, Consequence: t.Consequence, Causes: orEmpty(t.Causes), Do: orEmpty(t.Do)}
	} else { // of another version of this program
		out.Text = live.AlarmText{Says: x.Kind, Causes: []string{}, Do: []string{}}
	}
	if _, faulty := a.o.Records.Fault(); faulty {
		out.Fault = acts.Unstored
	}
	return out
}

// doAlarm is what does something with an alarm.
func (a *api) doAlarm(deed string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var in live.AlarmAct
		if !readBody(w, r, &in) {
			return
		}
		done, refusal := a.o.Acts.Do(r.Context(), r.PathValue("id"), deed, in)
		if refusal != nil {
			refuse(w, r, refusal)
			return
		}
		out := a.detail(&done.Alarm)
		if !done.Stored {
			out.Fault = acts.Unstored
		}
		a.json(w, r, out)
	}
}

// refuse answers with why something was not done, and says when to ask again where that helps.
func refuse(w http.ResponseWriter, r *http.Request, why *acts.Refusal) {
	if why.Status == http.StatusServiceUnavailable {
		busy(w, r, why.Says)
		return
	}
	Problem(w, r, why.Status, why.Says)
}

// orEmpty is a list that is there, if need be empty.
func orEmpty(l []string) []string {
	if l == nil {
		return []string{}
	}
	return l
}

func countsOf(n [alarm.Priorities]int) live.AlarmCounts {
	return live.AlarmCounts{Critical: n[alarm.Critical], High: n[alarm.High], Medium: n[alarm.Medium], Low: n[alarm.Low]}
}

func spanOf(s *alarm.Span) live.AlarmSpan {
	return live.AlarmSpan{OverS: s.Over.Seconds(), Alarms: s.Alarms, ByPriority: countsOf(s.ByPriority), PerHour: rounded(s.PerHour), PerTen: rounded(s.PerTen), MostInTen: s.MostInTen,
		BusyShare: rounded(s.BusyShare), FloodShare: rounded(s.FloodShare), Floods: s.Floods}
}

func sourceOf(k alarm.Key) live.AlarmSource {
	return live.AlarmSource{Pot: k.Pot, Agent: k.Agent, Alarm: k.Kind.String(), Point: k.Point, Fault: k.Fault}
}

func figuresOf(f alarm.Figures, now time.Time) live.AlarmFigures {
	out := live.AlarmFigures{LastTen: f.LastTen, Flood: f.Flood, Day: spanOf(&f.Day), Month: spanOf(&f.Month), Worst: []live.AlarmSource{}, Chattering: []live.AlarmSource{},
		Standing: countsOf(f.Standing), Waiting: countsOf(f.Waiting), Stale: orEmpty(f.Stale), Shelved: f.Shelved, Suppressed: f.Suppressed, OutOfService: f.OutOfService,
		Benchmarks: live.AlarmBenchmarks{PerHour: alarm.PerHour, PerTen: alarm.PerTenMinutes, FloodBegins: alarm.FloodBegins, FloodEnds: alarm.FloodEnds, FloodShare: alarm.FloodShare,
			Stale: alarm.StaleMost, CriticalShare: alarm.PriorityShares[alarm.Critical], HighShare: alarm.PriorityShares[alarm.High],
			MediumShare: alarm.PriorityShares[alarm.Medium], LowShare: alarm.PriorityShares[alarm.Low]},
		ServerT: instantOf(now)}
	for _, s := range f.Worst {
		one := sourceOf(s.Key)
		one.Times, one.Share = s.Times, rounded(s.Share)
		out.Worst = append(out.Worst, one)
	}
	for _, k := range f.Chattering {
		out.Chattering = append(out.Chattering, sourceOf(k))
	}
	return out
}

// rounded is a figure to a part of ten thousand.
func rounded(v float64) float64 { return math.Round(v*1e4) / 1e4 }
