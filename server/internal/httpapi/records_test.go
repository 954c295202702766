package httpapi_test

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/records"
)

// wait has writes done, and fails where one is not.
func wait(t testing.TB, writes ...*records.Write) {
	t.Helper()
	for _, w := range writes {
		if err := w.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
}

func cycle(pot string, press si.Instant) records.Cycle {
	return records.Cycle{Pot: pot, Ended: press.Add(time.Minute), Cycle: engine.Cycle{Press: press, Release: press.Add(50 * time.Second),
		Vent: engine.Vent{From: 690e3}}}
}

// What was recorded is told field by field, and what is not known is absent, never 0.
func TestRecords(t *testing.T) {
	s := openRecords(t)
	full := cycle("alder", begin)
	full.Inferred, full.Late, full.Incomplete = true, true, true
	full.Release = begin.Add(312_000_400 * time.Microsecond)
	full.Ended = full.Release.Add(8 * time.Second)
	full.Vent = engine.Vent{From: 690000.4, Tau: 1.9004, Settled: 7400 * time.Millisecond, Residual: -0.2}
	full.Abrasive = 26
	full.Contents = engine.Contents{Before: 0.61234, Left: 0.40001, Low: 0.349, High: 0.45006}
	full.Healthy = engine.Envelope{From: 691000.3, Open: 850_400 * time.Microsecond, Rate: 0.210449, Tail: 215000.4, TailRate: 0.168359, DownTo: 95399.8, Ambient: 79499.8}
	ids := make([]string, 12)
	for i := range ids {
		ids[i] = records.NewID(after(time.Duration(i) * time.Second))
	}
	raised := records.Transition{ID: ids[1], Alarm: ids[0], At: begin, Event: "raised", Evidence: `{"p_pa": [690000, 655000]}`}
	wait(t, s.AddCycle(full), s.AddCycle(cycle("alder", after(time.Hour))), s.AddCycle(cycle("birch", begin)),
		s.AddAlarm(records.Alarm{ID: ids[0], Pot: "alder", Kind: "vent-slow", Priority: "critical", Raised: begin, Transitions: []records.Transition{raised}}),
		s.AddTransition(records.Transition{ID: ids[2], Alarm: ids[0], At: after(time.Second), Event: "returned", Evidence: "not JSON"}),
		s.Acknowledge(records.Acknowledgement{ID: ids[3], Alarm: ids[0], At: after(2 * time.Second), By: "Ada", Ends: true}),
		s.AddAlarm(records.Alarm{ID: ids[4], Agent: "quay-1", Kind: "agent-silent", Priority: "high", Raised: after(time.Hour)}),
		s.AddRefill(records.Refill{ID: ids[5], Pot: "alder", At: begin, Mass: 100 * si.Pound, By: "Ada", Note: "two bags"}),
		s.AddRefill(records.Refill{ID: ids[6], Pot: "alder", At: after(time.Hour)}),
		s.AddService(records.Service{ID: ids[7], Pot: "alder", At: begin, Part: "exhaust", Work: "cleaned", By: "Ada"}),
		s.PutShift(records.Shift{ID: ids[8], Name: "early", From: begin, To: after(8 * time.Hour), By: "Ada", Note: "rain"}),
		s.PutShift(records.Shift{ID: ids[9], From: after(8 * time.Hour)}),
		s.AddLosses([]records.Loss{{Agent: "quay-1", Journal: "j1", From: 5, To: 1 << 40, At: begin, Why: "the disk was full"}}))
	h := over(nil, s, slog.DiscardHandler)
	for target, want := range map[string]string{
		"pots/alder/cycles": `{"cycles":[{"blast_s":50,"incomplete":false,"inferred":false,"kind":"cycle","late":false,"pot":"alder","press":"2026-03-01T07:00:00.000Z","release":"2026-03-01T07:00:50.000Z","t":"2026-03-01T07:01:00.000Z","vent":{"p0_pa":690000}},
{"abrasive_kg":26,"blast_s":312,"contents":{"before":0.6123,"high":0.4501,"left":0.4,"low":0.349},"incomplete":true,"inferred":true,"kind":"cycle","late":true,"pot":"alder","press":"2026-03-01T06:00:00.000Z","release":"2026-03-01T06:05:12.000400Z","t":"2026-03-01T06:05:20.000400Z","vent":{"healthy":{"ambient_pa":79500,"down_to_pa":95400,"from_s":0.85,"p0_pa":691000,"rate_per_s":0.2104,"tail_pa":215000,"tail_rate_per_s":0.1684},"p0_pa":690000,"residual_pa":0,"settled_s":7.4,"tau_s":1.9}}]}`,
		"pots/cedar/cycles": `{"cycles":[]}`,
		// Pressed for 312 s and 50 s; of the first it is known.
		"pots/alder/abrasive?from=2026-03-01T05:30:00Z&to=2026-03-01T07:15:00Z": `{"all":{"blast_s":362,"from":"2026-03-01T05:30:00.000Z","kg_per_hour":300,"presses":2,"to":"2026-03-01T07:15:00.000Z","unknown":1,"used_kg":26},
"hours":[{"blast_s":312,"from":"2026-03-01T05:30:00.000Z","kg_per_hour":300,"presses":1,"to":"2026-03-01T06:30:00.000Z","unknown":0,"used_kg":26},
{"blast_s":50,"from":"2026-03-01T06:30:00.000Z","presses":1,"to":"2026-03-01T07:15:00.000Z","unknown":1,"used_kg":0}],"name":"alder","simulated":true,"site":"harrow-quay"}`,
		"pots/alder/abrasive?from=2026-03-01T06:00:00.000001Z&to=2026-03-01T07:00:00Z": `{"all":{"blast_s":0,"from":"2026-03-01T06:00:00.000001Z","presses":0,"to":"2026-03-01T07:00:00.000Z","unknown":0,"used_kg":0},"hours":[],"name":"alder","simulated":true,"site":"harrow-quay"}`,
		"alarms": `{"alarms":[{"agent":"quay-1","alarm":"agent-silent","id":"$4","priority":"high","raised":"2026-03-01T07:00:00.000Z","transitions":[]},
{"alarm":"vent-slow","ended":"2026-03-01T06:00:02.000Z","id":"$0","pot":"alder","priority":"critical","raised":"2026-03-01T06:00:00.000Z","transitions":[
{"event":"raised","evidence":{"p_pa":[690000,655000]},"id":"$1","t":"2026-03-01T06:00:00.000Z"},{"event":"returned","id":"$2","t":"2026-03-01T06:00:01.000Z"},
{"by":"Ada","event":"acknowledged","id":"$3","t":"2026-03-01T06:00:02.000Z"}]}]}`,
		"pots/alder/refills":  `{"refills":[{"id":"$6","pot":"alder","t":"2026-03-01T07:00:00.000Z"},{"by":"Ada","id":"$5","mass_kg":45.359237,"note":"two bags","pot":"alder","t":"2026-03-01T06:00:00.000Z"}]}`,
		"pots/alder/services": `{"services":[{"by":"Ada","id":"$7","part":"exhaust","pot":"alder","t":"2026-03-01T06:00:00.000Z","work":"cleaned"}]}`,
		"shifts": `{"shifts":[{"from":"2026-03-01T14:00:00.000Z","id":"$9"},
{"by":"Ada","from":"2026-03-01T06:00:00.000Z","id":"$8","name":"early","note":"rain","to":"2026-03-01T14:00:00.000Z"}]}`,
		"losses":              `{"losses":[{"agent":"quay-1","from":5,"journal":"j1","t":"2026-03-01T06:00:00.000Z","to":1099511627776,"why":"the disk was full"}]}`,
		"losses?agent=quay-2": `{"losses":[]}`,
		"alarms?pot=birch":    `{"alarms":[]}`,
		"pots/alder/cycles?from=2026-03-01T06:00:00.000001Z&to=2026-03-01T07:00:00Z": `{"cycles":[]}`,
	} {
		got := get[map[string]any](t, h, "/api/v1/"+target)
		if _, err := time.Parse(time.RFC3339Nano, fmt.Sprint(got["server_t"])); err != nil {
			t.Error(err)
		}
		delete(got, "server_t")
		text, err := json.Marshal(got)
		if err != nil {
			t.Fatal(err)
		}
		want = strings.ReplaceAll(want, "\n", "")
		for i, id := range ids {
			want = strings.ReplaceAll(want, fmt.Sprintf(`"$%d"`, i), `"`+id+`"`)
		}
		if string(text) != want {
			t.Errorf("%s:\n%s, want\n%s", target, text, want)
		}
	}
	for target, says := range map[string]string{
		"alarms?limit=0":                        "from 1 to 1000",
		"alarms?limit=1001":                     "from 1 to 1000",
		"alarms?limit=":                         "from 1 to 1000",
		"alarms?after=nonsense":                 "next",
		"alarms?order=up":                       "oldest",
		"alarms?agent=x":                        "known: from, to, limit, after, order, pot",
		"alarms?from=2026-03-02T06:00:00Z&to=1": "does not lie after",
		"losses?pot=alder":                      "agent",
		"shifts?pot=alder":                      "known",
		"pots/alder/abrasive?from=2026-01-01T00:00:00Z&to=2026-02-02T00:00:00Z": "add them up",
		"pots/alder/abrasive?step=1h":                                           "known: from, to",
		"pots/alder/cycles?pot=birch":                                           "known",
		"pots/alder/refills?to=noon":                                            "RFC 3339",
		"pots/alder/services?from=1&from=2":                                     "more than once",
	} {
		res := call(t, h, "GET", self, "/api/v1/"+target)
		if got := body(t, res); res.StatusCode != 400 || !strings.Contains(got, says) {
			t.Errorf("%s: %d %s, want %q", target, res.StatusCode, got, says)
		}
	}
	for _, list := range []string{"cycles", "abrasive", "refills", "services"} {
		if res := call(t, h, "GET", self, "/api/v1/pots/oak/"+list); res.StatusCode != 404 {
			t.Errorf("%s of no pot: %d", list, res.StatusCode)
		}
	}
}

// paged is any of the lists.
type paged struct {
	Cycles   []live.Cycle
	Alarms   []live.Alarm
	Refills  []live.Refill
	Services []live.Service
	Shifts   []live.Shift
	Losses   []live.Loss
	Next     string
}

// keys name the records of a page, each by its instant and what else it has of its own.
func (p *paged) keys() (out []string) {
	for _, x := range p.Cycles {
		out = append(out, x.Press+" "+x.Pot)
	}
	for _, x := range p.Alarms {
		out = append(out, x.Raised+" "+x.ID)
	}
	for _, x := range p.Refills {
		out = append(out, x.T+" "+x.ID)
	}
	for _, x := range p.Services {
		out = append(out, x.T+" "+x.ID)
	}
	for _, x := range p.Shifts {
		out = append(out, x.From+" "+x.ID)
	}
	for _, x := range p.Losses {
		out = append(out, fmt.Sprintf("%s %d", x.T, x.From))
	}
	return out
}

// Paging gives every record once, in order, whatever the page's size and the order, also where many have the same instant.
func TestRecordsPaging(t *testing.T) {
	s := openRecords(t)
	const most = 40
	want := map[string][]string{}
	var writes []*records.Write
	note := func(list string, at si.Instant, key string, w *records.Write) {
		want[list] = append(want[list], at.String()+" "+key)
		writes = append(writes, w)
	}
	for i := range most {
		at := after(time.Duration(i*i%7) * time.Second) // seven instants
		id := func() string { return records.NewID(at) }
		press := after(time.Duration(i*17%most) * time.Second)
		note("pots/alder/cycles", press, "alder", s.AddCycle(cycle("alder", press)))
		writes = append(writes, s.AddCycle(cycle("birch", press)))
		a, r, v, h := id(), id(), id(), id()
		note("alarms", at, a, s.AddAlarm(records.Alarm{ID: a, Pot: "alder", Kind: "vent-slow", Priority: "critical", Raised: at,
			Transitions: []records.Transition{{ID: id(), Alarm: a, At: at, Event: "raised"}}}))
		note("pots/alder/refills", at, r, s.AddRefill(records.Refill{ID: r, Pot: "alder", At: at}))
		note("pots/alder/services", at, v, s.AddService(records.Service{ID: v, Pot: "alder", At: at, Part: "nozzle", Work: "replaced", By: "Ada"}))
		note("shifts", at, h, s.PutShift(records.Shift{ID: h, From: at}))
		note("losses", at, fmt.Sprint(i*10), s.AddLosses([]records.Loss{{Agent: "quay-1", Journal: "j", From: uint64(i * 10), To: uint64(i*10 + 5), At: at, Why: "dropped"}}))
	}
	wait(t, writes...)
	h := over(nil, s, slog.DiscardHandler)
	lists := []string{"pots/alder/cycles", "alarms", "pots/alder/refills", "pots/alder/services", "shifts", "losses"}
	rapid.Check(t, func(rt *rapid.T) {
		list := rapid.SampledFrom(lists).Draw(rt, "list")
		limit := rapid.IntRange(1, most+2).Draw(rt, "limit")
		order := rapid.SampledFrom([]string{"newest", "oldest"}).Draw(rt, "order")
		q := url.Values{"limit": {fmt.Sprint(limit)}, "order": {order}}
		var got []string
		for pages := 0; ; pages++ {
			p := get[paged](t, h, "/api/v1/"+list+"?"+q.Encode())
			keys := p.keys()
			if len(keys) > limit || len(keys) < limit && p.Next != "" || pages > most {
				rt.Fatalf("page %d of %d has %d, next %q", pages, limit, len(keys), p.Next)
			}
			got = append(got, keys...)
			if p.Next == "" {
				break
			}
			q.Set("after", p.Next)
		}
		byTime := func(a, b string) int { return strings.Compare(a[:24], b[:24]) }
		if order == "newest" {
			slices.Reverse(got)
		}
		if !slices.IsSortedFunc(got, byTime) {
			rt.Errorf("not in order: %v", got)
		}
		slices.Sort(got)
		if all := slices.Sorted(slices.Values(want[list])); !slices.Equal(got, all) {
			rt.Errorf("got %v, want %v", got, all)
		}
	})
}

// Records that are away are said to be, and nothing of the disk is told.
func TestRecordsAway(t *testing.T) {
	s := openRecords(t)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	var log strings.Builder
	h := over(nil, s, slog.NewTextHandler(&log, nil))
	for _, target := range []string{"alarms", "shifts", "losses", "pots/alder/cycles", "pots/alder/abrasive", "pots/alder/refills", "pots/alder/services"} {
		res := call(t, h, "GET", self, "/api/v1/"+target)
		if got := body(t, res); res.StatusCode != http.StatusServiceUnavailable || res.Header.Get("Retry-After") == "" || strings.Contains(got, "sql") {
			t.Errorf("%s: %d %s", target, res.StatusCode, got)
		}
	}
	if !strings.Contains(log.String(), "what is stored cannot be read") {
		t.Errorf("logged %q", log.String())
	}
}
