package httpapi_test

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"

	"gritwatch/protocol/live"
	"gritwatch/server/internal/engine/finding"
	"gritwatch/server/internal/httpapi"
)

// A pad notes what is recorded, and fails as it is told.
type pad struct {
	fails    error
	baseline []live.NewBaseline
	service  []live.NewService
}

func (p *pad) Baseline(_ context.Context, pot string, b live.NewBaseline) (live.StoredBaseline, error) {
	p.baseline = append(p.baseline, b)
	return live.StoredBaseline{ID: "01HQZX3T7N0000000000000000", Pot: pot, T: "2026-05-04T06:00:00.000Z", How: "ritual", AirOnly: b.AirOnly, Seconds: 30, By: b.By}, p.fails
}

func (p *pad) Baselines(_ context.Context, pot string) ([]live.StoredBaseline, error) {
	v := 750e3
	return []live.StoredBaseline{{ID: "01HQZX3T7N0000000000000000", Pot: pot, T: "2026-05-04T06:00:00.000Z", How: "commissioned", PointsPa: live.Pressures{Vessel: &v}, By: "Ada"}}, p.fails
}

func (p *pad) Service(_ context.Context, pot string, s live.NewService) (live.Service, error) {
	p.service = append(p.service, s)
	return live.Service{ID: "01HQZX3T7N0000000000000000", Pot: pot, T: "2026-05-04T06:00:00.000Z", Part: s.Part, Work: s.Work, By: s.By}, p.fails
}

func (p *pad) handler(t *testing.T) http.Handler {
	return httpapi.New(httpapi.Options{Pots: pots{"alder", "birch"}, Live: http.NotFoundHandler(), Metrics: http.NotFoundHandler(), Page: fstest.MapFS{}, Ready: func() []string { return nil },
		Listen: self, Log: slog.New(slog.DiscardHandler), Records: openRecords(t), Recorder: p})
}

// post sends a body.
func post(t *testing.T, h http.Handler, target, text string, header http.Header) (int, string) {
	t.Helper()
	r := httptest.NewRequest("POST", target, strings.NewReader(text))
	r.Host = self
	r.Header.Set("Content-Type", "application/json")
	for k, v := range header {
		r.Header[k] = v
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	documented(t, "POST", target, w)
	return w.Code, w.Body.String()
}

func TestRecorder(t *testing.T) {
	p := &pad{}
	h := p.handler(t)
	const baselines, services = "/api/v1/pots/alder/baselines", "/api/v1/pots/alder/services"
	if code, body := post(t, h, baselines, `{"by":"Ada","air_only":true}`, nil); code != 201 || !strings.Contains(body, `"air_only":true`) || len(p.baseline) != 1 || p.baseline[0].By != "Ada" {
		t.Errorf("%d %s", code, body)
	}
	if code, body := post(t, h, services, `{"part":"exhaust","work":"cleaned","by":"Ada"}`, http.Header{"Origin": {"http://" + self}}); code != 201 || len(p.service) != 1 || !strings.Contains(body, `"part":"exhaust"`) {
		t.Errorf("%d %s", code, body)
	}
	if res := call(t, h, "GET", self, baselines); res.StatusCode != 200 || !strings.Contains(body(t, res), `"how":"commissioned"`) {
		t.Errorf("the list: %d", res.StatusCode)
	}
	before := len(p.baseline) + len(p.service)
	for _, c := range []struct {
		name, target, text string
		header             http.Header
		code               int
		says               string
	}{
		{"a foreign page", baselines, `{"by":"Ada"}`, http.Header{"Origin": {"http://elsewhere.example"}}, 403, "another origin"},
		{"a form", baselines, "by=Ada", http.Header{"Content-Type": {"application/x-www-form-urlencoded"}}, 415, "application/json"},
		{"no type", services, `{}`, http.Header{"Content-Type": nil}, 415, "application/json"},
		{"no JSON", baselines, `by Ada`, nil, 400, "cannot be read"},
		{"a field too many", baselines, `{"by":"Ada","mood":1}`, nil, 400, "mood"},
		{"two values", services, `{"by":"Ada"} {}`, nil, 400, "behind it"},
		{"no end", baselines, `{"by":"` + strings.Repeat("x", 20<<10) + `"}`, nil, 413, "16 KiB"},
		{"no such pot", "/api/v1/pots/oak/baselines", `{"by":"Ada"}`, nil, 404, "no pot of this name"},
	} {
		if code, body := post(t, h, c.target, c.text, c.header); code != c.code || !strings.Contains(body, c.says) {
			t.Errorf("%s: %d %s", c.name, code, body)
		}
	}
	if len(p.baseline)+len(p.service) != before {
		t.Error("something of it was recorded")
	}
	p.fails = &httpapi.Refusal{Says: "no steady blast"}
	if code, body := post(t, h, baselines, `{"by":"Ada"}`, nil); code != 409 || !strings.Contains(body, "no steady blast") {
		t.Errorf("refused: %d %s", code, body)
	}
	p.fails = errors.New("the disk of /secret is full")
	if code, body := post(t, h, services, `{"by":"Ada"}`, nil); code != 503 || strings.Contains(body, "secret") {
		t.Errorf("not stored: %d %s", code, body)
	}
	r := httptest.NewRequest("POST", baselines, strings.NewReader(`{"by":"Ada"}`))
	r.Host, r.Header = "elsewhere.example", http.Header{"Content-Type": {"application/json"}}
	w := httptest.NewRecorder()
	if h.ServeHTTP(w, r); w.Code != 403 {
		t.Errorf("another host: %d", w.Code)
	}
}

// Findings stand in the document with their sentences.
func TestFindings(t *testing.T) {
	s := document(t).Components.Schemas["Finding"].Value
	sentences, _ := s.Extensions["x-sentences"].(map[string]any)
	if len(s.Enum) != len(finding.All()) || len(sentences) != len(s.Enum) {
		t.Errorf("%d findings, %d sentences", len(s.Enum), len(sentences))
	}
	for _, f := range finding.All() {
		if sentences[f.String()] != f.Says() {
			t.Errorf("%s: %v", f, sentences[f.String()])
		}
	}
	if _, err := json.Marshal(s); err != nil {
		t.Error(err)
	}
}
