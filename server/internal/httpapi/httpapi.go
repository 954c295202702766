// Package httpapi holds the server's routes: the page, the pots, the live connection, what is stored of readings and
// records, metrics, health, and the OpenAPI document that describes them. Errors are problem documents (RFC 9457). The Host of every request is checked, so that a
// foreign page whose name was pointed at this server's address reads nothing (DNS rebinding).
package httpapi

import (
	"encoding/json"
	"io/fs"
	"log/slog"
	"net/http"
	"sort"
	"strconv"
	"strings"
	"time"

	"gritwatch/protocol/live"
)

// Pots gives the pots.
type Pots interface {
	// Names are those of all pots, sorted.
	Names() []string
	// Estimate is what can be said of a pot at now; false where there is none of the name.
	Estimate(name string, now time.Time) (live.Pot, bool)
}

// Options of the routes. All but Hosts are needed; without History or Records their addresses are not there.
type Options struct {
	Pots    Pots
	Live    http.Handler    // the WebSocket
	Metrics http.Handler    // Prometheus text
	Page    fs.FS           // index.html and what it loads
	Ready   func() []string // what is not ready, in words; none: ready
	Listen  string          // host:port the server listens on
	Hosts   []string        // further names by which it may be called
	Log     *slog.Logger

	History History // stored readings
	Records Records // what was recorded

	Recorder Recorder // takes what people record; nil: nobody can

	Alarms Alarms                              // needs Records and Acts; nil: what was recorded of them alone is told
	Acts   Acts                                // what people may do with Alarms
	Vent   func(name string) *live.RunningVent // of a pot, since its last release; nil: none is told
}

// policy is what the page may load and who may frame it: itself, and nobody. Chart libraries set styles in elements.
const policy = "default-src 'self'; style-src 'self' 'unsafe-inline'; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// Pages of GET /api/v1/pots; the greatest limit is that of all lists.
const (
	defaultLimit = 200
	maxLimit     = 1000
)

// New is the handler of all routes.
func New(o Options) http.Handler {
	a := &api{o: o, hosts: newHosts(o.Listen, o.Hosts), reads: make(places, readsAtOnce), exports: make(places, exportsAtOnce)}
	files, err := readFiles(o.Page)
	if err != nil {
		panic("httpapi: the page's files: " + err.Error()) // they lie in the program
	}
	a.files = files
	mux := http.NewServeMux()
	routes := a.routes()
	for _, r := range routes {
		serve := a.only(r.serve)
		if r.takesBody() {
			serve = a.posted(r.serve)
		}
		mux.HandleFunc(r.pattern, serve)
	}
	if a.document, err = document(routes); err != nil {
		panic("httpapi: the document of the API: " + err.Error()) // of types alone, so any test finds it
	}
	return a.guard(mux)
}

// api is what the routes share.
type api struct {
	o        Options
	hosts    hosts
	document []byte // of the API
	files    map[string]file

	reads, exports places
}

// guard sets the headers of every answer and checks the Host. Health is answered under any name: whoever watches the
// process calls it by address.
func (a *api) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !a.hosts.allow(r.Host) && r.URL.Path != "/healthz" && r.URL.Path != "/readyz" {
			Problem(w, r, http.StatusForbidden, "the request names another host; add its name to hosts: in the site's file if it is this server's")
			return
		}
		next.ServeHTTP(w, r)
	})
}

// only lets GET and HEAD through.
func (a *api) only(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			Problem(w, r, http.StatusMethodNotAllowed, r.Method+" is not possible here; use GET")
			return
		}
		next(w, r)
	}
}

func (a *api) live(w http.ResponseWriter, r *http.Request) {
	if !strings.EqualFold(r.Header.Get("Upgrade"), "websocket") {
		w.Header().Set("Upgrade", "websocket")
		Problem(w, r, http.StatusUpgradeRequired, "this address speaks WebSocket")
		return
	}
	a.o.Live.ServeHTTP(w, r)
}

func (a *api) pot(w http.ResponseWriter, r *http.Request) {
	p, ok := a.o.Pots.Estimate(r.PathValue("name"), time.Now())
	if !ok {
		Problem(w, r, http.StatusNotFound, "no pot of this name; GET /api/v1/pots lists them")
		return
	}
	if a.o.Vent != nil {
		p.Vent = a.o.Vent(p.Name)
	}
	a.json(w, r, p)
}

func (a *api) pots(w http.ResponseWriter, r *http.Request) {
	q := ask(r, "limit", "after")
	limit := q.limit(defaultLimit)
	if q.refused(w, r) {
		return
	}
	now := time.Now()
	names := a.o.Pots.Names()
	if after := q.values.Get("after"); after != "" {
		names = names[sort.Search(len(names), func(i int) bool { return names[i] > after }):]
	}
	out := live.Pots{Pots: []live.Pot{}, ServerT: instantOf(now)}
	if len(names) > limit {
		names = names[:limit]
		out.Next = names[limit-1]
	}
	for _, name := range names {
		if p, ok := a.o.Pots.Estimate(name, now); ok {
			out.Pots = append(out.Pots, p)
		}
	}
	a.json(w, r, out)
}

func (a *api) health(w http.ResponseWriter, r *http.Request) {
	a.json(w, r, status{"up"})
}

func (a *api) ready(w http.ResponseWriter, r *http.Request) {
	if missing := a.o.Ready(); len(missing) > 0 {
		Problem(w, r, http.StatusServiceUnavailable, strings.Join(missing, "; "))
		return
	}
	a.json(w, r, status{"ready"})
}

func (a *api) json(w http.ResponseWriter, r *http.Request, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		a.o.Log.LogAttrs(r.Context(), slog.LevelError, "answer does not encode", slog.String("path", r.URL.Path), slog.String("reason", err.Error()))
		Problem(w, r, http.StatusInternalServerError, "")
		return
	}
	write(w, r, http.StatusOK, typeJSON, text)
}

// Problem answers with a problem document.
func Problem(w http.ResponseWriter, r *http.Request, status int, detail string) {
	text, err := json.Marshal(live.Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail})
	if err != nil {
		panic("httpapi: a problem does not encode: " + err.Error())
	}
	write(w, r, status, typeProblem, text)
}

func write(w http.ResponseWriter, r *http.Request, status int, kind string, text []byte) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Length", strconv.Itoa(len(text)+1))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		// A client that is gone is no news.
		_, _ = w.Write(append(text, '\n'))
	}
}
