package httpapi_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"gritwatch/internal/alarmtext"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/acts"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/gauges"
	"gritwatch/server/internal/httpapi"
	pages "gritwatch/server/internal/live"
	"gritwatch/server/internal/records"
)

// vents are the running ones of the tests' pots.
var vents = map[string]*live.RunningVent{"alder": {Released: "2026-05-04T06:00:00.000000Z", Trace: live.VentTrace{TS: []float64{0, 0.1}, PPa: []float64{690e3, 680e3}},
	Envelope: &live.VentEnvelope{FromS: 1.2, P0Pa: 690e3, RatePerS: 0.2, DownToPa: 121590}}}

// openID is the id of an alarm that is open at a handler.
func openID(t *testing.T, h http.Handler) string {
	t.Helper()
	var list live.Alarms
	if err := json.Unmarshal([]byte(body(t, call(t, h, "GET", self, "/api/v1/alarms?state=open"))), &list); err != nil || len(list.Alarms) == 0 {
		t.Fatalf("%+v, %v", list, err)
	}
	return list.Alarms[0].ID
}

// unwritten are records that store at once, and forget.
type unwritten struct{ fails error }

func (u *unwritten) AddAlarm(records.Alarm) *records.Write           { return records.Stored(u.fails) }
func (u *unwritten) AddTransition(records.Transition) *records.Write { return records.Stored(u.fails) }
func (u *unwritten) Acknowledge(records.Acknowledgement) *records.Write {
	return records.Stored(u.fails)
}
func (u *unwritten) Alarms(context.Context, records.Query) (records.Page[records.Alarm], error) {
	return records.Page[records.Alarm]{}, nil
}

// newDesk has pot-empty and a blind vessel gauge at alder, supply-low at birch.
func newDesk(r desk.Records) *desk.Desk {
	d := desk.New(context.Background(), desk.Options{Units: []alarm.Unit{{Pot: "alder", Agent: "quay-1"}, {Pot: "birch", Agent: "quay-1"}}, Records: r,
		Log: slog.New(slog.DiscardHandler)}, time.Now())
	at := si.InstantOf(time.Now())
	blind := alarm.Key{Pot: "alder", Kind: alarm.SensorFault, Point: "vessel", Fault: "stuck"}
	d.Found([]alarm.Found{
		{Key: alarm.Key{Pot: "alder", Kind: alarm.PotEmpty}, Priority: alarm.High, At: at, On: true},
		{Key: alarm.Key{Pot: "birch", Kind: alarm.SupplyLow}, Priority: alarm.Medium, At: at, On: true, Evidence: alarm.Evidence{PressurePa: []float64{600e3}, TargetPa: 690e3}},
		{Key: blind, Priority: alarm.Critical, At: at, On: true, Evidence: alarm.Evidence{Point: "vessel", Fault: "stuck"}},
	})
	return d
}

// A yard is a handler with alarms.
type yard struct {
	t   *testing.T
	d   *desk.Desk
	hub *pages.Hub
	h   http.Handler
}

// still are pots of which nothing new comes.
type still []string

func (s still) Names() []string                                 { return s }
func (s still) News(string) uint64                              { return 0 }
func (s still) Vent(string) *live.RunningVent                   { return nil }
func (s still) Estimate(n string, t time.Time) (live.Pot, bool) { return pots(s).Estimate(n, t) }

func newYard(t *testing.T, r desk.Records) *yard {
	book := openRecords(t)
	if r == nil {
		r = book
	}
	y := &yard{t: t, d: newDesk(r)}
	done := acts.New(y.d, book, slog.New(slog.DiscardHandler))
	y.hub = pages.New(still{"alder", "birch"}, pages.Options{Log: slog.New(slog.DiscardHandler), Refuse: httpapi.Problem, Alarms: y.d, Act: done.Ask})
	y.h = httpapi.New(httpapi.Options{Pots: pots{"alder", "birch"}, Live: y.hub, Metrics: http.NotFoundHandler(), Page: fstest.MapFS{}, Ready: func() []string { return nil },
		Listen: self, Log: slog.New(slog.DiscardHandler), Records: book, Alarms: y.d, Acts: done, Vent: func(name string) *live.RunningVent { return vents[name] }})
	return y
}

func (y *yard) get(target string, into any) int {
	y.t.Helper()
	res := call(y.t, y.h, "GET", self, target)
	text := body(y.t, res)
	if into != nil {
		if err := json.Unmarshal([]byte(text), into); err != nil {
			y.t.Fatalf("%s: %v", text, err)
		}
	}
	return res.StatusCode
}

// find is the id of the alarm of a kind.
func (y *yard) find(kind string) string {
	list, _ := y.d.Alarms()
	for _, a := range list {
		if a.Alarm == kind {
			return a.ID
		}
	}
	return ""
}

func TestOpenAlarms(t *testing.T) {
	y := newYard(t, nil)
	var all live.Alarms
	if code := y.get("/api/v1/alarms?state=open", &all); code != 200 || len(all.Alarms) != 3 || all.Alarms[0].Alarm != "sensor-fault" || all.Alarms[0].Standing == nil ||
		!all.Alarms[0].Standing.Loud || all.Alarms[0].Standing.Fault != "stuck" || all.Alarms[1].Alarm != "pot-empty" || all.Alarms[2].Standing.Loud {
		t.Errorf("%d %+v", code, all)
	}
	var page live.Alarms
	if code := y.get("/api/v1/alarms?state=open&limit=2", &page); code != 200 || len(page.Alarms) != 2 || page.Next != page.Alarms[1].ID {
		t.Errorf("%d %+v", code, page)
	}
	rest := live.Alarms{}
	if code := y.get("/api/v1/alarms?state=open&limit=2&after="+page.Next, &rest); code != 200 || len(rest.Alarms) != 1 || rest.Next != "" || rest.Alarms[0].Alarm != "supply-low" {
		t.Errorf("%d %+v", code, rest)
	}
	rest = live.Alarms{}
	if code := y.get("/api/v1/alarms?state=open&pot=birch", &rest); code != 200 || len(rest.Alarms) != 1 {
		t.Errorf("%d %+v", code, rest)
	}
	for target, says := range map[string]string{
		"/api/v1/alarms?state=all":                       "state is open or ended",
		"/api/v1/alarms?state=open&from=1":               "leave out from",
		"/api/v1/alarms?state=open&after=x":              "begin anew",
		"/api/v1/alarms/figures?mood=1":                  "mood",
		"/api/v1/alarms/" + y.find("pot-empty") + "?a=1": `"a" is not known`,
	} {
		var p live.Problem
		if code := y.get(target, &p); code != 400 || !strings.Contains(p.Detail, says) {
			t.Errorf("%s: %d %s", target, code, p.Detail)
		}
	}

	// The journal tells of an open one how it stands; an ended one is found by state=ended alone.
	id := y.find("supply-low")
	if code, text := post(t, y.h, "/api/v1/alarms/"+id+"/acknowledge", `{"by":"R. Malone"}`, nil); code != 200 {
		t.Fatalf("%d %s", code, text)
	}
	y.d.Found([]alarm.Found{{Key: alarm.Key{Pot: "birch", Kind: alarm.SupplyLow}, At: si.InstantOf(time.Now())}})
	if code, text := post(t, y.h, "/api/v1/alarms/"+y.find("pot-empty")+"/acknowledge", `{"by":"R. Malone"}`, nil); code != 200 { // and so all is stored
		t.Fatalf("%d %s", code, text)
	}
	var ended, journal live.Alarms
	if code := y.get("/api/v1/alarms?state=ended", &ended); code != 200 || len(ended.Alarms) != 1 || ended.Alarms[0].ID != id || ended.Alarms[0].Standing != nil || ended.Alarms[0].Ended == "" {
		t.Errorf("%d %+v", code, ended)
	}
	if code := y.get("/api/v1/alarms", &journal); code != 200 || len(journal.Alarms) != 3 {
		t.Fatalf("%d %+v", code, journal)
	}
	for _, a := range journal.Alarms {
		if (a.Standing == nil) != (a.ID == id) {
			t.Errorf("%+v", a)
		}
	}
}

func TestAlarmDetail(t *testing.T) {
	y := newYard(t, nil)
	var a live.AlarmDetail
	if code := y.get("/api/v1/alarms/"+y.find("sensor-fault"), &a); code != 200 || a.Evidence.Fault != "stuck" || a.Text.Consequence != alarmtext.BlindConsequence ||
		a.Text.Do[0] != alarmtext.BlindDo || !strings.Contains(a.Text.Says, "stays at one reading") || a.AnswerRule != alarmtext.AnswerRule || a.Standing == nil {
		t.Errorf("%d %+v", code, a)
	}
	a = live.AlarmDetail{}
	if code := y.get("/api/v1/alarms/"+y.find("supply-low"), &a); code != 200 || !slices.Equal(a.Evidence.PPa, []float64{600e3}) || a.Evidence.TargetPa != 690e3 || len(a.Text.Causes) == 0 {
		t.Errorf("%d %+v", code, a)
	}
	if code := y.get("/api/v1/alarms/01HQZX3T7N0000000000000000", nil); code != 404 {
		t.Errorf("none of the id: %d", code)
	}
	var p live.Pot
	if code := y.get("/api/v1/pots/alder", &p); code != 200 || !reflect.DeepEqual(p.Vent, vents["alder"]) {
		t.Errorf("%d: the vent %+v", code, p.Vent)
	}
	if text := body(t, call(t, y.h, "GET", self, "/api/v1/pots")); strings.Contains(text, `"vent"`) {
		t.Error("the list of all pots has their vents")
	}
}

// A tried is something that somebody wants done with an alarm, and what is answered.
type tried struct {
	name, id, deed, text string
	header               http.Header
	code                 int
	says                 string
}

// deeds are tried in their order on the alarms of a new desk.
func deeds(empty, low, blind string) []tried {
	return []tried{
		{"a foreign page", empty, "acknowledge", `{"by":"Ada"}`, http.Header{"Origin": {"http://elsewhere.example"}}, 403, "another origin"},
		{"a form", empty, "acknowledge", "by=Ada", http.Header{"Content-Type": {"application/x-www-form-urlencoded"}}, 415, "application/json"},
		{"no JSON", empty, "acknowledge", "Ada", nil, 400, "cannot be read"},
		{"a field too many", empty, "acknowledge", `{"by":"Ada","mood":1}`, nil, 400, "mood"},
		{"nobody", empty, "acknowledge", `{"by":"  "}`, nil, 409, "must be named"},
		{"a long name", empty, "acknowledge", `{"by":"` + strings.Repeat("ä", 65) + `"}`, nil, 400, "by has 65 characters; write 64 at most"},
		{"a long note", empty, "acknowledge", `{"by":"Ada","note":"` + strings.Repeat("x", 501) + `"}`, nil, 400, "note has 501 characters"},
		{"a name of two lines", empty, "acknowledge", `{"by":"Ada\nL"}`, nil, 400, "one line"},
		{"a name with a bell", empty, "acknowledge", `{"by":"Ada\u0007"}`, nil, 400, "cannot be written"},
		{"a shelf without end", empty, "shelve", `{"by":"Ada"}`, nil, 400, "for_s is missing"},
		{"a shelf for ever", empty, "shelve", `{"by":"Ada","for_s":900000}`, nil, 409, "within 12 hours"},
		{"a shelf of no time", empty, "shelve", `{"by":"Ada","for_s":0}`, nil, 400, "for_s is a number"},
		{"an acknowledgement with an end", empty, "acknowledge", `{"by":"Ada","for_s":60}`, nil, 400, "of a shelf alone"},
		{"a shelf for a vessel", blind, "shelve", `{"by":"Ada","for_s":60}`, nil, 409, "cannot shelve sensor-fault of pot alder"},
		{"a vessel out of service", blind, "take-out", `{"by":"Ada","note":"broken"}`, nil, 409, "cannot take out of service"},
		{"no reason", low, "take-out", `{"by":"Ada"}`, nil, 409, "a reason must be given"},
		{"nothing to reset", low, "reset", `{"by":"Ada","note":"so"}`, nil, 409, "still stands"},
		{"not shelved", low, "unshelve", `{"by":"Ada"}`, nil, 409, "cannot unshelve"},
		{"none of the id", "01HQZX3T7N0000000000000000", "acknowledge", `{"by":"Ada"}`, nil, 404, "no alarm of this id"},
		{"as it should be", empty, "acknowledge", ` {"by":" Ada ","note":"bags are here"}`, http.Header{"Origin": {"http://" + self}}, 200, `"state":"acknowledged"`},
		{"an empty comment", blind, "comment", `{"by":"Ada","note":" "}`, nil, 409, "the comment must be written, as note"},
		{"nobody's comment", blind, "comment", `{"note":"so"}`, nil, 409, "must be named"},
		{"a comment on nothing", "01HQZX3T7N0000000000000000", "comment", `{"by":"Ada","note":"so"}`, nil, 404, "no alarm of this id"},
		{"a comment", blind, "comment", `{"by":"Ada","note":"spare is on its way"}`, nil, 200, `"event":"commented","by":"Ada","evidence":{"note":"spare is on its way"}`},
		{"it changes nothing", blind, "comment", `{"by":"Ada","note":"so"}`, nil, 200, `"state":"unacknowledged"`},
		{"a beginning of elsewhere", empty, "acknowledge", `{"by":"Ada","seen":"` + strings.Repeat("0", 65) + `"}`, nil, 400, "seen is the id of a transition"},
		{"again", empty, "acknowledge", `{"by":"Ada"}`, nil, 409, "somebody has done so already"},
		{"shelved", low, "shelve", `{"by":"Ada","for_s":3600}`, nil, 200, `"state":"shelved"`},
		{"acknowledged out of sight", low, "acknowledge", `{"by":"Ada"}`, nil, 409, "bring it back first"},
		{"brought back", low, "unshelve", `{"by":"Ada"}`, nil, 200, `"state":"unacknowledged"`},
		{"out of service", low, "take-out", `{"by":"Ada","note":"compressor away"}`, nil, 200, `"state":"out-of-service"`},
		{"in service", low, "bring-back", `{"by":"Ada"}`, nil, 200, `"can":["acknowledge","shelve","take-out","comment"]`},
	}
}

func TestAlarmActs(t *testing.T) {
	y := newYard(t, nil)
	empty, low, blind := y.find("pot-empty"), y.find("supply-low"), y.find("sensor-fault")
	for _, c := range deeds(empty, low, blind) {
		code, text := post(t, y.h, "/api/v1/alarms/"+c.id+"/"+c.deed, c.text, c.header)
		if code != c.code || !strings.Contains(text, c.says) {
			t.Errorf("%s: %d %s", c.name, code, text)
		}
	}
	a, _ := y.d.Alarm(empty)
	if len(a.Transitions) != 2 || a.Transitions[1].By != "Ada" {
		t.Errorf("%+v", a.Transitions)
	}
	// One that has ended is not unknown.
	y.d.Found([]alarm.Found{{Key: alarm.Key{Pot: "alder", Kind: alarm.PotEmpty}, At: si.InstantOf(time.Now())}})
	if code, text := post(t, y.h, "/api/v1/alarms/"+empty+"/acknowledge", `{"by":"Ada"}`, nil); code != 409 || !strings.Contains(text, "it ended at") {
		t.Errorf("ended: %d %s", code, text)
	}
	if code, text := post(t, y.h, "/api/v1/alarms/"+empty+"/comment", `{"by":"Ada"}`, nil); code != 409 || !strings.Contains(text, "must be written") {
		t.Errorf("nothing on an ended one: %d %s", code, text)
	}
	var d live.AlarmDetail
	code, text := post(t, y.h, "/api/v1/alarms/"+empty+"/comment", `{"by":"Ada","note":"bags ran out at 8"}`, nil)
	if err := json.Unmarshal([]byte(text), &d); err != nil || code != 200 || d.Ended == "" || d.Standing != nil || d.Text.Says == "" || d.Fault != "" {
		t.Fatalf("on an ended one: %d %s", code, text)
	}
	if last := d.Transitions[len(d.Transitions)-1]; last.Event != alarm.EventCommented || last.By != "Ada" || !strings.Contains(string(last.Evidence), "bags ran out at 8") {
		t.Errorf("%+v", d.Transitions)
	}
	for _, method := range []string{"GET", "PUT", "DELETE"} {
		if res := call(t, y.h, method, self, "/api/v1/alarms/"+low+"/acknowledge"); res.StatusCode < 400 {
			t.Errorf("%s: %d", method, res.StatusCode)
		}
	}
}

// TestUnstoredAct: what a person does has its effect while the disk is full, and the answer says that it is not stored.
func TestUnstoredAct(t *testing.T) {
	y := newYard(t, &unwritten{fails: fmt.Errorf("%w: %w", records.ErrWaiting, records.ErrFull)})
	code, text := post(t, y.h, "/api/v1/alarms/"+y.find("pot-empty")+"/acknowledge", `{"by":"Ada"}`, nil)
	if code != 200 || !strings.Contains(text, `"state":"acknowledged"`) || !strings.Contains(text, `"fault":"records are not stored`) {
		t.Errorf("%d %s", code, text)
	}
}

func TestAlarmFigures(t *testing.T) {
	y := newYard(t, nil)
	var f live.AlarmFigures
	if code := y.get("/api/v1/alarms/figures", &f); code != 200 || f.LastTen != 3 || f.Flood || f.Standing != (live.AlarmCounts{Critical: 1, High: 1, Medium: 1}) ||
		f.Waiting != f.Standing || len(f.Worst) != 3 || f.Day.Alarms != 3 || f.Day.PerTen != 3 || f.Day.PerHour != 18 || f.Benchmarks.PerHour != 6 || f.Benchmarks.PerTen != 1 ||
		f.Benchmarks.FloodBegins != 10 || f.Benchmarks.CriticalShare != 0.01 || f.Stale == nil || f.Chattering == nil {
		t.Errorf("%d %+v", code, f)
	}
}

// TestAlarmWords: the lists of the messages are those of package alarm, and there is a text for each of them.
func TestAlarmWords(t *testing.T) {
	var kinds, states, priorities, faults []string
	for k := range alarm.Kind(alarm.Kinds) {
		kinds = append(kinds, k.String())
	}
	for s := range alarm.State(alarm.States) {
		states = append(states, s.String())
	}
	for p := range alarm.Priority(alarm.Priorities) {
		priorities = append(priorities, p.String())
	}
	slices.Reverse(priorities)
	for k := range gauges.Kind(gauges.Kinds) {
		faults = append(faults, k.String())
	}
	faults = append(faults, "declared-error")
	for name, x := range map[string][2][]string{
		"kinds":      {live.AlarmKinds(), kinds},
		"states":     {live.AlarmStates(), states},
		"priorities": {live.Priorities(), priorities},
		"faults":     {live.GaugeFaults(), faults},
		"events": {live.AlarmEvents(), {alarm.EventRaised, alarm.EventReturned, alarm.EventAcknowledged, alarm.EventReset, alarm.EventShelved, alarm.EventUnshelved,
			alarm.EventSuppressed, alarm.EventUnsuppressed, alarm.EventTakenOut, alarm.EventBroughtBack, alarm.EventCommented}},
		"deeds": {live.AlarmDeeds(), {alarm.DoAcknowledge, alarm.DoShelve, alarm.DoUnshelve, alarm.DoReset, alarm.DoTakeOut, alarm.DoBringBack, alarm.DoComment}},
	} {
		if !slices.Equal(x[0], x[1]) {
			t.Errorf("%s: %v, package alarm has %v", name, x[0], x[1])
		}
	}
	if got, want := alarmtext.Kinds(), slices.Sorted(slices.Values(kinds)); !slices.Equal(got, want) {
		t.Errorf("texts of %v, want %v", got, want)
	}
	if got, want := alarmtext.Faults(), slices.Sorted(slices.Values(faults)); !slices.Equal(got, want) {
		t.Errorf("texts of the faults %v, want %v", got, want)
	}
}

// TestEvidenceIsDescribed: whatever evidence package alarm writes fits the message, each field of it.
func TestEvidenceIsDescribed(t *testing.T) {
	one := 1.0
	e := alarm.Evidence{PressurePa: []float64{1}, PressureOf: points.Hose.String(), Computed: true, LimitPa: 1, BaselinePa: 1, RatePerS: []float64{1}, ForS: 1, LimitS: 1, LimitKg: 1, Blind: "stuck", Trace: &alarm.Trace{TimeS: []float64{0}, PressurePa: []float64{1}},
		Envelope: &alarm.Envelope{FromS: 1, P0Pa: 1, RatePerS: 1, DownToPa: 1}, Because: []string{"vessel-old"}, Point: points.Vessel.String(), Fault: "stuck", Other: "birch", Size: &one,
		TargetPa: 1, Trend: &alarm.Trend{Value: 1, SD: 1, Limit: 1, P10: "2026-05-04T06:00:00.000000Z", P50: "2026-05-04T06:00:00.000000Z", P90: "2026-05-04T06:00:00.000000Z"},
		Contents: &alarm.Contents{Share: &one, Low: &one, High: &one, Limit: 1, EmptyS: &alarm.Spread{P10: 1, P50: 1, P90: 1}}, WaterKg: 1, SilentS: 1, Safe: true, AheadS: 1, Late: true,
		Cause: "01HQZX3T7N0000000000000000", First: true, Word: "vented", Until: "2026-05-04T06:00:00.000000Z", Note: "so"}
	for i := range reflect.TypeOf(e).NumField() {
		if reflect.ValueOf(e).Field(i).IsZero() {
			t.Fatalf("%s is not filled in here", reflect.TypeOf(e).Field(i).Name)
		}
	}
	text, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	var m live.AlarmEvidence
	if err := d.Decode(&m); err != nil {
		t.Fatal(err)
	}
	back, err := json.Marshal(m)
	if err != nil || string(back) != string(text) {
		t.Errorf("%s\nis not %s, %v", back, text, err)
	}
	if err := fits(document(t).Components.Schemas["AlarmEvidence"], text); err != nil {
		t.Error(err)
	}
}
