package httpapi_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/history"
)

// A gap, a gauge without reply, one out of range and a handle that is a switch each look different, and what is not known is
// null.
func TestHistory(t *testing.T) {
	s := openHistory(t)
	b := history.Batch{Pot: "alder", Epoch: 7, Electric: true}
	for i := range 40 { // seconds 0 to 9: good; 10 to 19: nothing; 20 to 29: no reply; 30 to 39: out of range
		p := points.Sample{Point: points.Vessel, Quality: points.Good, At: after(time.Duration(i) * time.Second), Value: si.GaugePressure(i*i) - 0.4}
		switch i / 10 {
		case 1:
			continue
		case 2:
			p.Quality = points.NoReply
		case 3:
			p.Quality = points.OutOfRange
		}
		b.Samples = append(b.Samples, p, points.Sample{Point: points.Control, Quality: points.Good, At: p.At + 500_000, Pressed: i%10 < 3})
	}
	store(t, s, b)
	h := over(s, openRecords(t), slog.DiscardHandler)
	got := get[map[string]any](t, h, "/api/v1/pots/alder/history?step=10&"+rangeOf(0, 45*time.Second))
	delete(got, "server_t")
	text, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	// Worked out by hand: the squares of 0 to 9 sum to 285, of 30 to 39 to 285 + 2*30*45 + 9000 = 11985.
	const want = `{"epochs":[{"epoch":7,"estimated":false}],"from":"2026-03-01T06:00:00.000Z","name":"alder","simulated":true,"site":"harrow-quay","step_s":10,"steps":5,
"to":"2026-03-01T06:00:45.000Z","traces":[
{"good":{"max_pa":[81,null,null,null,null],"mean_pa":[28,null,null,null,null],"min_pa":[0,null,null,null,null],"n":[10,0,0,0,0]},
"no_reply":[0,0,10,0,0],"out_of_range":{"max_pa":[null,null,null,1521,null],"mean_pa":[null,null,null,1198,null],"min_pa":[null,null,null,900,null],"n":[0,0,0,10,0]},"point":"vessel"},
{"good":{"n":[10,0,10,10,0],"pressed_share":[0.3,null,0.3,0.3,null]},"point":"control"}]}`
	if string(text) != strings.ReplaceAll(want, "\n", "") {
		t.Errorf("got %s", text)
	}
	if got := get[live.History](t, h, "/api/v1/pots/alder/history?points=hose&"+rangeOf(0, time.Minute)); len(got.Traces) != 0 || len(got.Epochs) != 0 {
		t.Errorf("a point that has none: %+v", got)
	}
	for pot, want := range map[string]string{"birch": "null", "cedar": "false"} {
		got := get[live.History](t, h, "/api/v1/pots/"+pot+"/history")
		if text, err := json.Marshal(got.Simulated); err != nil || string(text) != want {
			t.Errorf("%s is simulated: %s, want %s", pot, text, want)
		}
	}
}

// A range without from ends on whole steps from a step's beginning, one without anything is the hour before now.
func TestHistoryUsual(t *testing.T) {
	h := over(openHistory(t), nil, slog.DiscardHandler)
	got := get[live.History](t, h, "/api/v1/pots/alder/history?to="+(after(time.Hour+3*time.Second)).String())
	if got.From != "2026-03-01T06:00:00.000Z" || got.To != "2026-03-01T07:00:03.000Z" || got.StepS != 5 || got.Steps != 721 {
		t.Errorf("%+v", got)
	}
	before := time.Now()
	got = get[live.History](t, h, "/api/v1/pots/alder/history")
	to, err := time.Parse(time.RFC3339Nano, got.To)
	if err != nil || to.Before(before.Truncate(time.Millisecond)) || to.After(time.Now()) {
		t.Errorf("to %s, %v", got.To, err)
	}
}

// Times in any of their forms are the same; what cannot be had is refused with what to do.
func TestHistoryAsked(t *testing.T) {
	h := over(openHistory(t), nil, slog.DiscardHandler)
	for from, want := range map[string]string{
		"2026-03-01T06:00:00Z":                              "2026-03-01T06:00:00.000Z",
		"2026-03-01T08:00:00.25%2B02:00":                    "2026-03-01T06:00:00.250Z",
		"2026-03-01T06:00:00.123456Z":                       "2026-03-01T06:00:00.123456Z",
		strconv.FormatInt(int64(begin)/1e6, 10):             "2026-03-01T06:00:00.000Z",
		strconv.FormatInt(int64(begin)/1e6, 10) + ".123456": "2026-03-01T06:00:00.123456Z",
	} {
		if got := get[live.History](t, h, "/api/v1/pots/alder/history?to=2026-03-01T06:01:00Z&from="+from); got.From != want {
			t.Errorf("from=%s is %s", from, got.From)
		}
	}
	for step, want := range map[string]float64{"1": 1, "0.5": 0.5, "500ms": 0.5, "5%20min": 300, "2h": 7200} {
		if got := get[live.History](t, h, "/api/v1/pots/alder/history?step="+step); got.StepS != want {
			t.Errorf("step=%s is %v s", step, got.StepS)
		}
	}
	for query, says := range map[string]string{
		"from=yesterday":                 "RFC 3339",
		"from=":                          "RFC 3339",
		"from=1.2.3":                     "RFC 3339",
		"from=-5":                        "RFC 3339",
		"from=NaN":                       "RFC 3339",
		"from=2026-03-01":                "with its zone",
		"from=2026-03-01T06:00:00":       "with its zone",
		"from=2026-03-01T06:00:00+02:00": "%2B",
		"from=1960-03-01T06:00:00Z":      "RFC 3339",
		"to=1772344800000":               "divide milliseconds",
		"from=2026-03-01T06:00:00Z&to=2026-03-01T06:00:00Z": "does not lie after",
		"from=2026-03-02T06:00:00Z&to=2026-03-01T06:00:00Z": "does not lie after",
		"from=2025-01-01T00:00:00Z&to=2026-03-01T06:00:00Z": "400 days",
		"points=lid":         "supply, separator, vessel",
		"points=":            "not a measuring point",
		"points=vessel;hose": "the query cannot be read",
		"step=0":             "1 ms",
		"step=-1":            "1 ms",
		"step=1e3":           "1 ms",
		"step=0.0001":        "1 ms",
		"step=week":          "1 ms",
		"step=0.1&from=2026-03-01T00:00:00Z&to=2026-03-02T00:00:00Z": "write at least",
		"limit=5":       "known: from, to, points, step",
		"from=1&from=2": "more than once",
		"points=%zz":    "cannot be read",
	} {
		res := call(t, h, "GET", self, "/api/v1/pots/alder/history?"+query)
		if got := body(t, res); res.StatusCode != 400 || !strings.Contains(got, says) {
			t.Errorf("%s: %d %s, want %q", query, res.StatusCode, got, says)
		}
	}
	if res := call(t, h, "GET", self, "/api/v1/pots/oak/history"); res.StatusCode != 404 {
		t.Errorf("no such pot: %d", res.StatusCode)
	}
}

// Whatever the range, the usual step gives enough steps to draw and not too many, and they cover it.
func TestHistorySteps(t *testing.T) {
	h := over(openHistory(t), nil, slog.DiscardHandler)
	rapid.Check(t, func(rt *rapid.T) {
		ms := rapid.OneOf(rapid.Int64Range(1, 3_600_000), rapid.Int64Range(1, 400*24*3_600_000)).Draw(rt, "ms")
		got := get[live.History](t, h, fmt.Sprintf("/api/v1/pots/alder/history?from=%s&to=%s", begin, begin.Add(time.Duration(ms)*time.Millisecond)))
		whole := float64(ms) / 1000
		if n := float64(got.Steps); got.Steps > 1000 || n*got.StepS < whole-1e-9 || (n-1)*got.StepS > whole || got.Steps < 300 && got.StepS > 0.1 {
			rt.Errorf("%v s: %d steps of %v s", whole, got.Steps, got.StepS)
		}
	})
}

// What the steps hold is what was stored, whatever range and step are asked for: figures are reckoned again from the readings.
func TestHistoryAdds(t *testing.T) {
	s := openHistory(t)
	minutes(t, s, "alder", 3, 5)
	h := over(s, nil, slog.DiscardHandler)
	rapid.Check(t, func(rt *rapid.T) {
		from := after(time.Duration(rapid.Int64Range(-30_000, 290_000).Draw(rt, "from")) * time.Millisecond)
		to := from.Add(time.Duration(rapid.Int64Range(1, 330_000).Draw(rt, "length")) * time.Millisecond)
		stepMs := rapid.Int64Range(40, 100_000).Draw(rt, "step")
		q := url.Values{"from": {from.String()}, "to": {to.String()}, "step": {fmt.Sprintf("%dms", stepMs)}}
		got := get[live.History](t, h, "/api/v1/pots/alder/history?"+q.Encode())
		for _, p := range []points.Point{points.Vessel, points.Hose} {
			n, least, greatest := make([]int, got.Steps), make([]float64, got.Steps), make([]float64, got.Steps)
			err := s.Range(t.Context(), history.Query{Pot: "alder", Points: points.SetOf(p), From: from, To: to}, func(r history.Record) error {
				i := int(r.At-from) / int(stepMs*1000)
				if v := float64(r.Value); n[i] == 0 {
					least[i], greatest[i] = v, v
				} else {
					least[i], greatest[i] = min(least[i], v), max(greatest[i], v)
				}
				n[i]++
				return nil
			})
			if err != nil {
				rt.Fatal(err)
			}
			i := slices.IndexFunc(got.Traces, func(x live.Trace) bool { return x.Point == p.String() })
			if i < 0 {
				if slices.Max(n) > 0 {
					rt.Errorf("no trace of %s", p)
				}
				continue
			}
			x := got.Traces[i].Good
			if !slices.Equal(x.N, n) || len(x.MinPa) != len(n) || len(x.MaxPa) != len(n) || len(x.MeanPa) != len(n) {
				rt.Fatalf("%s: counts %v, want %v", p, x.N, n)
			}
			for i := range n {
				switch {
				case n[i] == 0 && x.MinPa[i] == nil && x.MaxPa[i] == nil && x.MeanPa[i] == nil:
				case n[i] == 0, x.MinPa[i] == nil || x.MaxPa[i] == nil || x.MeanPa[i] == nil:
					rt.Fatalf("%s: step %d of %d readings is %v", p, i, n[i], x.MinPa[i])
				case *x.MinPa[i]-least[i] > 0.5 || least[i]-*x.MinPa[i] > 0.5 || *x.MaxPa[i]-greatest[i] > 0.5 || greatest[i]-*x.MaxPa[i] > 0.5 ||
					*x.MeanPa[i] < *x.MinPa[i] || *x.MeanPa[i] > *x.MaxPa[i]:
					rt.Fatalf("%s: step %d is %v to %v, want %v to %v", p, i, *x.MinPa[i], *x.MaxPa[i], least[i], greatest[i])
				}
			}
		}
	})
}

// A history that is away is said to be, with when to ask again; nothing of the disk is told.
func TestHistoryAway(t *testing.T) {
	s := openHistory(t)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	h := over(s, nil, slog.DiscardHandler)
	for _, target := range []string{"/api/v1/pots/alder/history", "/api/v1/pots/alder/export.csv"} {
		res := call(t, h, "GET", self, target)
		if got := body(t, res); res.StatusCode != 503 || res.Header.Get("Retry-After") != "10" || !strings.Contains(got, "ask again") && !strings.Contains(got, "Ask again") ||
			strings.Contains(got, "history is closed") {
			t.Errorf("%s: %d %v %s", target, res.StatusCode, res.Header, got)
		}
		if res.Header.Get("Content-Disposition") != "" {
			t.Errorf("%s: a problem is no file", target)
		}
	}
}

// A held history keeps its readers until it is let go.
type held struct {
	*history.Store
	let chan struct{}
}

func (h held) Downsampled(ctx context.Context, q history.Query, step time.Duration) ([]history.Trace, []uint64, error) {
	select {
	case <-h.let:
		return h.Store.Downsampled(ctx, q, step)
	case <-ctx.Done():
		return nil, nil, ctx.Err()
	}
}

// Of readers only so many are at work; others wait for a while, and what takes too long is given up. Both are told when to ask
// again.
func TestHistoryBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := openHistory(t)
		h := over(held{s, make(chan struct{})}, nil, slog.DiscardHandler)
		free := make(chan struct{})
		close(free)
		type end struct {
			status int
			after  time.Duration
			says   string
		}
		ends := make(chan end, 10)
		began := time.Now()
		serve := func(h http.Handler) {
			r := httptest.NewRequest("GET", "/api/v1/pots/alder/history", nil)
			r.Host = self
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code == 503 && w.Header().Get("Retry-After") == "" {
				t.Error("no Retry-After")
			}
			ends <- end{w.Code, time.Since(began), w.Body.String()}
		}
		for range 4 {
			go serve(h)
		}
		synctest.Wait()
		go serve(h)
		if e := <-ends; e.status != 503 || e.after != 5*time.Second || !strings.Contains(e.says, "too many") {
			t.Errorf("one too many: %+v", e)
		}
		time.Sleep(22 * time.Second) // of the bubble
		go serve(h)                  // takes a place when one is given back, 3 s later
		for range 4 {
			if e := <-ends; e.status != 503 || e.after != 30*time.Second || !strings.Contains(e.says, "less time") {
				t.Errorf("too long: %+v", e)
			}
		}
		if e := <-ends; e.status != 503 || e.after != 60*time.Second || !strings.Contains(e.says, "less time") {
			t.Errorf("the one that waited: %+v", e)
		}
		serve(over(held{s, free}, nil, slog.DiscardHandler))
		if e := <-ends; e.status != 200 {
			t.Errorf("free: %+v", e)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
}

// A faulty history hands out what it has, and says that the newest may be missing.
type faulty struct{ *history.Store }

func (f faulty) Stats() history.Stats {
	st := f.Store.Stats()
	st.Fault = "disk of /srv/data is full"
	return st
}

func TestHistoryFault(t *testing.T) {
	s := openHistory(t)
	minutes(t, s, "alder", 1, 1)
	target := "/api/v1/pots/alder/history?" + rangeOf(0, time.Minute)
	if got := get[live.History](t, over(s, openRecords(t), slog.DiscardHandler), target); got.Fault != "" || len(got.Traces) != 2 {
		t.Errorf("%+v", got)
	}
	if got := get[live.History](t, over(faulty{s}, nil, slog.DiscardHandler), target); got.Fault == "" || strings.Contains(got.Fault, "/srv") || len(got.Traces) != 2 {
		t.Errorf("%+v", got)
	}
}

// Where an agent's clock was wrong, what is told of its readings says so; nobody else's clock matters.
func TestClocks(t *testing.T) {
	s, r := openHistory(t), openRecords(t)
	for i, e := range []uint64{11, 12, 13} {
		store(t, s, history.Batch{Pot: "alder", Epoch: e, Samples: []points.Sample{{Point: points.Vessel, Quality: points.Good, At: after(time.Duration(i) * time.Minute), Value: 7}}})
	}
	wait(t, r.PutPlacements([]clocks.Placement{{Agent: "quay-1", Epoch: 12, Shift: -90 * time.Minute}, {Agent: "quay-1", Epoch: 13, Shift: 24 * time.Hour, Estimated: true},
		{Agent: "quay-2", Epoch: 11, Shift: time.Hour}}))
	h := over(s, r, slog.DiscardHandler)
	text, err := json.Marshal(get[live.History](t, h, "/api/v1/pots/alder/history?"+rangeOf(0, time.Hour)).Epochs)
	if want := `[{"epoch":11,"estimated":false},{"epoch":12,"shift_s":-5400,"estimated":false},{"epoch":13,"shift_s":86400,"estimated":true}]`; err != nil || string(text) != want {
		t.Errorf("%s, %v", text, err)
	}
	for until, want := range map[time.Duration]string{time.Minute: "told", 2 * time.Minute: "shifted", 3 * time.Minute: "estimated"} {
		res := call(t, h, "GET", self, "/api/v1/pots/alder/export.csv?"+rangeOf(0, until))
		if got := res.Header.Get("Gritwatch-Times"); got != want {
			t.Errorf("%v: %s, want %s", until, got, want)
		}
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if got := get[live.History](t, h, "/api/v1/pots/alder/history?"+rangeOf(0, time.Hour)); !strings.Contains(got.Fault, "clock") || len(got.Traces) != 1 {
		t.Errorf("without records: %+v", got)
	}
	if got := call(t, h, "GET", self, "/api/v1/pots/alder/export.csv?"+rangeOf(0, time.Hour)).Header.Get("Gritwatch-Times"); got != "unknown" {
		t.Errorf("without records: %s", got)
	}
}
