package httpapi_test

import (
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"sort"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"gritwatch/protocol/live"
	"gritwatch/server/internal/acts"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/httpapi"
	"gritwatch/server/internal/records"
)

type pots []string

func (p pots) Names() []string { return p }
func (p pots) Estimate(name string, _ time.Time) (live.Pot, bool) {
	i := sort.SearchStrings(p, name)
	ok := i < len(p) && p[i] == name
	return live.Pot{Kind: "estimate", Name: name, Site: "harrow-quay", State: "unknown", Air: "unknown", Unit: "psi", Points: []string{"vessel"},
		Quality: map[string]string{"vessel": "old"}, Answer: live.Answer{Word: "not-proven", Because: []string{"vessel-old"}}}, ok
}

func handler(t *testing.T, missing ...string) http.Handler {
	return newHandler(slog.NewTextHandler(t.Output(), nil), openHistory(t), openRecords(t), missing...)
}

// bare is a handler of no test, over stores that are never opened: it is asked for its document alone.
func bare() http.Handler {
	return newHandler(slog.DiscardHandler, (*history.Store)(nil), (*records.SQLite)(nil))
}

func newHandler(log slog.Handler, h httpapi.History, r httpapi.Records, missing ...string) http.Handler {
	text := func(s string) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, s) })
	}
	d := newDesk(&unwritten{})
	return httpapi.New(httpapi.Options{Pots: pots{"alder", "birch", "cedar"}, Live: text("live"), Metrics: text("metrics"),
		Page:  fstest.MapFS{"index.html": {Data: []byte("<p>page")}, "assets/index.js": {Data: []byte("1")}, ".gitkeep": {}},
		Ready: func() []string { return missing }, Listen: "127.0.0.1:8080", Hosts: []string{"pots.example"},
		Log: slog.New(log), History: h, Records: r, Recorder: &pad{}, Alarms: d, Acts: acts.New(d, r, slog.New(log)),
		Vent: func(name string) *live.RunningVent { return vents[name] }})
}

func call(t *testing.T, h http.Handler, method, host, target string) *http.Response {
	t.Helper()
	r := httptest.NewRequest(method, target, nil)
	r.Host = host
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	documented(t, method, target, w)
	return w.Result()
}

const self = "127.0.0.1:8080"

func body(t *testing.T, res *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestRoutes(t *testing.T) {
	h := handler(t)
	for _, c := range []struct {
		method, target string
		status         int
		kind, has      string
	}{
		{"GET", "/", 200, "text/html; charset=utf-8", "<p>page"},
		{"HEAD", "/", 200, "text/html; charset=utf-8", ""},
		{"GET", "/assets/index.js", 200, "text/javascript; charset=utf-8", "1"},
		{"GET", "/assets/", 404, "application/problem+json", ""},
		{"GET", "/assets/other.js", 404, "application/problem+json", ""},
		{"GET", "/.gitkeep", 404, "application/problem+json", ""},
		{"GET", "/nowhere", 404, "application/problem+json", "/api/v1/pots"},
		{"GET", "/api/v1/nowhere", 404, "application/problem+json", ""},
		{"GET", "/api/v1/pots", 200, "application/json", `"name":"cedar"`},
		{"GET", "/api/v1/pots/birch", 200, "application/json", `"name":"birch"`},
		{"GET", "/api/v1/pots/oak", 404, "application/problem+json", "no pot of this name"},
		{"GET", "/api/v1/pots/%2e%2e", 404, "application/problem+json", ""},
		{"POST", "/api/v1/pots", 405, "application/problem+json", "use GET"},
		{"DELETE", "/api/v1/pots/birch", 405, "application/problem+json", ""},
		{"POST", "/", 405, "application/problem+json", ""},
		{"GET", "/api/v1/pots?limit=0", 400, "application/problem+json", "from 1 to 1000"},
		{"GET", "/api/v1/pots?limit=x", 400, "application/problem+json", ""},
		{"GET", "/api/v1/pots?limit=1&limit=2", 400, "application/problem+json", "more than once"},
		{"GET", "/api/v1/pots?page=2", 400, "application/problem+json", "page"},
		{"GET", "/api/v1/pots?%zz", 400, "application/problem+json", ""},
		{"GET", "/api/v1/live", 426, "application/problem+json", "WebSocket"},
		{"GET", "/metrics", 200, "text/plain; charset=utf-8", "metrics"},
		{"GET", "/api/v1/openapi.json", 200, "application/json", `"openapi":"3.0.3"`},
		{"PUT", "/api/v1/openapi.json", 405, "application/problem+json", "use GET"},
		{"GET", "/healthz", 200, "application/json", "up"},
		{"GET", "/readyz", 200, "application/json", "ready"},
	} {
		res := call(t, h, c.method, self, c.target)
		got := body(t, res)
		if res.StatusCode != c.status || res.Header.Get("Content-Type") != c.kind || !strings.Contains(got, c.has) {
			t.Errorf("%s %s: %d %s %q, want %d %s with %q", c.method, c.target, res.StatusCode, res.Header.Get("Content-Type"), got, c.status, c.kind, c.has)
		}
		if c.status >= 400 {
			var p live.Problem
			if err := json.Unmarshal([]byte(got), &p); err != nil || p.Status != c.status || p.Type != "about:blank" || p.Title == "" {
				t.Errorf("%s %s: problem %+v, error %v", c.method, c.target, p, err)
			}
		}
		if cc := res.Header.Get("Cache-Control"); cc != "no-store" {
			t.Errorf("%s: Cache-Control %q", c.target, cc)
		}
		for header, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Content-Security-Policy": "frame-ancestors 'none'"} {
			if !strings.Contains(res.Header.Get(header), want) {
				t.Errorf("%s: %s is %q", c.target, header, res.Header.Get(header))
			}
		}
	}
	if allow := call(t, h, "POST", self, "/api/v1/pots").Header.Get("Allow"); allow != "GET, HEAD" {
		t.Errorf("Allow: %q", allow)
	}
}

func TestHost(t *testing.T) {
	h := handler(t)
	for host, ok := range map[string]bool{
		"127.0.0.1:8080": true, "localhost:8080": true, "localhost": true, "localhost:9999": true, "[::1]:8080": true,
		"pots.example": true, "POTS.example:443": true, "evil.example": false, "evil.example:8080": false,
		"127.0.0.1.evil.example": false, "192.168.1.4:8080": false, "": false, "0.0.0.0:8080": false,
	} {
		for _, target := range []string{"/", "/api/v1/pots", "/api/v1/live", "/metrics"} {
			res := call(t, h, "GET", host, target)
			if (res.StatusCode != http.StatusForbidden) != ok {
				t.Errorf("host %q, %s: %d", host, target, res.StatusCode)
			}
		}
		if res := call(t, h, "GET", host, "/healthz"); res.StatusCode != 200 {
			t.Errorf("host %q: health %d", host, res.StatusCode)
		}
	}
}

// TestHostOpen: on all addresses any address will do, but no name that is not listed.
func TestHostOpen(t *testing.T) {
	h := httpapi.New(httpapi.Options{Pots: pots{}, Live: http.NotFoundHandler(), Metrics: http.NotFoundHandler(), Page: fstest.MapFS{},
		Ready: func() []string { return nil }, Listen: "0.0.0.0:8080", Log: slog.New(slog.DiscardHandler)})
	for host, ok := range map[string]bool{"192.168.1.4:8080": true, "192.168.1.4:80": false, "[fe80::1]:8080": true, "evil.example:8080": false} {
		if res := call(t, h, "GET", host, "/api/v1/pots"); (res.StatusCode == 200) != ok {
			t.Errorf("host %q: %d", host, res.StatusCode)
		}
	}
}

func TestPaging(t *testing.T) {
	h := handler(t)
	var seen []string
	target := "/api/v1/pots?limit=2"
	for range 3 {
		var page live.Pots
		if err := json.Unmarshal([]byte(body(t, call(t, h, "GET", self, target))), &page); err != nil {
			t.Fatal(err)
		}
		for _, p := range page.Pots {
			seen = append(seen, p.Name)
		}
		if page.Next == "" {
			break
		}
		target = "/api/v1/pots?limit=2&after=" + page.Next
	}
	if got := strings.Join(seen, " "); got != "alder birch cedar" {
		t.Errorf("pages hold %q", got)
	}
	if got := body(t, call(t, h, "GET", self, "/api/v1/pots?after=zz")); !strings.Contains(got, `"pots":[]`) {
		t.Errorf("past the end: %s", got)
	}
}

func TestNotReady(t *testing.T) {
	res := call(t, handler(t, "no link to the broker", "pot alder does not keep up"), "GET", self, "/readyz")
	if got := body(t, res); res.StatusCode != 503 || !strings.Contains(got, "no link to the broker; pot alder does not keep up") {
		t.Errorf("%d %s", res.StatusCode, got)
	}
}
