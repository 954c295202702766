package httpapi_test

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"testing/fstest"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/httpapi"
	"gritwatch/server/internal/records"
)

// begin is the time at which stored readings begin.
var begin = si.InstantOf(time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC))

func after(d time.Duration) si.Instant { return begin.Add(d) }

// fleet are pots by name.
type fleet map[string]live.Pot

func (f fleet) Names() []string { return nil }
func (f fleet) Estimate(name string, _ time.Time) (live.Pot, bool) {
	p, ok := f[name]
	return p, ok
}

// potsOfSite are those of the tests of what is stored: alder is simulated, birch was never heard, cedar is neither.
func potsOfSite() fleet {
	all := []string{"supply", "separator", "vessel", "hose", "nozzle", "control"}
	f := fleet{}
	for _, name := range []string{"alder", "birch", "cedar"} {
		f[name] = live.Pot{Name: name, Site: "harrow-quay", Agent: "quay-1", Unit: "psi", Points: all}
	}
	alder, cedar := f["alder"], f["cedar"]
	alder.Simulated, alder.T, cedar.T = true, begin.String(), begin.String()
	f["alder"], f["cedar"] = alder, cedar
	return f
}

// openHistory is a real store in a folder of the test's.
func openHistory(t testing.TB) *history.Store {
	t.Helper()
	s, err := history.Open(t.TempDir(), history.Options{Site: "harrow-quay", Log: slog.New(slog.DiscardHandler), MinFree: 1, Block: 10 * time.Minute,
		Now: func() time.Time { return after(3 * time.Hour).Time() }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// openRecords are real records in a folder of the test's.
func openRecords(t testing.TB) *records.SQLite {
	t.Helper()
	s, err := records.Open(filepath.Join(t.TempDir(), "records"), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// store stores readings, all of them new.
func store(t testing.TB, s *history.Store, b history.Batch) {
	t.Helper()
	if got, err := s.Append(b); err != nil || got.Stored != len(b.Samples) {
		t.Fatalf("stored %+v of %d, %v", got, len(b.Samples), err)
	}
}

// over is a handler over what is stored.
func over(h httpapi.History, r httpapi.Records, log slog.Handler) http.Handler {
	return overPots(potsOfSite(), h, r, log)
}

// overPots is over with pots of one's own.
func overPots(f fleet, h httpapi.History, r httpapi.Records, log slog.Handler) http.Handler {
	return httpapi.New(httpapi.Options{Pots: f, Live: http.NotFoundHandler(), Metrics: http.NotFoundHandler(), Page: fstest.MapFS{},
		Ready: func() []string { return nil }, Listen: self, Log: slog.New(log), History: h, Records: r})
}

// get asks for JSON and reads it.
func get[T any](t *testing.T, h http.Handler, target string) (out T) {
	t.Helper()
	res := call(t, h, "GET", self, target)
	text := body(t, res)
	if err := json.Unmarshal([]byte(text), &out); err != nil || res.StatusCode != 200 {
		t.Fatalf("%s: %d %s, %v", target, res.StatusCode, text, err)
	}
	return out
}

// A watched history tells of each reading that goes out, before it does.
type watched struct {
	*history.Store
	each  func(n int) error
	ended chan error // of Range
}

func (w *watched) Range(ctx context.Context, q history.Query, each func(history.Record) error) error {
	n := 0
	err := w.Store.Range(ctx, q, func(r history.Record) error {
		if err := w.each(n); err != nil {
			return err
		}
		n++
		return each(r)
	})
	if w.ended != nil {
		w.ended <- err
	}
	return err
}

// minutes stores readings of a vessel and a hose at 10 Hz.
func minutes(t testing.TB, s *history.Store, pot string, epoch uint64, n int) {
	t.Helper()
	for m := range n {
		b := history.Batch{Pot: pot, Epoch: epoch}
		for i := range 600 {
			at := after(time.Duration(m)*time.Minute + time.Duration(i)*100*time.Millisecond)
			b.Samples = append(b.Samples, points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: si.GaugePressure(float32(689475.7 - float64(i)))},
				points.Sample{Point: points.Hose, Quality: points.Good, At: at + 15_432, Value: si.GaugePressure(float32(600000.3 + float64(m)))})
		}
		store(t, s, b)
	}
}

func rangeOf(from, to time.Duration) string {
	return fmt.Sprintf("from=%s&to=%s", after(from), after(to))
}

// What is stored is not told under a foreign host's name, nor where a method would change something.
func TestStoredGuard(t *testing.T) {
	h := over(openHistory(t), openRecords(t), slog.DiscardHandler)
	for _, target := range []string{"/api/v1/pots/alder/history", "/api/v1/pots/alder/export.csv", "/api/v1/pots/alder/cycles", "/api/v1/pots/alder/refills",
		"/api/v1/pots/alder/services", "/api/v1/alarms", "/api/v1/shifts", "/api/v1/losses"} {
		if res := call(t, h, "GET", "evil.example", target); res.StatusCode != http.StatusForbidden {
			t.Errorf("%s for a foreign host: %d", target, res.StatusCode)
		}
		if res := call(t, h, "DELETE", self, target); res.StatusCode != http.StatusMethodNotAllowed {
			t.Errorf("DELETE %s: %d", target, res.StatusCode)
		}
		res := call(t, h, "HEAD", self, target)
		if res.StatusCode != 200 || res.Header.Get("Cache-Control") != "no-store" {
			t.Errorf("HEAD %s: %d, Cache-Control %q", target, res.StatusCode, res.Header.Get("Cache-Control"))
		}
	}
}

// Without history and records their addresses are neither there nor in the document.
func TestWithout(t *testing.T) {
	h := over(nil, nil, slog.DiscardHandler)
	for _, target := range []string{"/api/v1/pots/alder/history", "/api/v1/alarms"} {
		r := httptest.NewRequest("GET", target, nil)
		r.Host = self
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != 404 {
			t.Errorf("%s: %d", target, w.Code)
		}
	}
	text := body(t, call(t, h, "GET", self, "/api/v1/openapi.json"))
	var doc struct{ Paths map[string]any }
	if err := json.Unmarshal([]byte(text), &doc); err != nil || len(doc.Paths) != 8 {
		t.Errorf("%d addresses, %v", len(doc.Paths), err)
	}
}
