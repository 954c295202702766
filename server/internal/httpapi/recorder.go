package httpapi

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"strings"
	"time"

	"gritwatch/protocol/live"
	pages "gritwatch/server/internal/live"
)

// A Recorder takes what people record of pots, which are all known ones. It comes back once it is stored. What it refuses is a *Refusal.
type Recorder interface {
	Baseline(ctx context.Context, pot string, b live.NewBaseline) (live.StoredBaseline, error)
	Baselines(ctx context.Context, pot string) ([]live.StoredBaseline, error)
	Service(ctx context.Context, pot string, s live.NewService) (live.Service, error)
}

// A Refusal says what is wrong with what somebody wants to record, and what to do.
type Refusal struct{ Says string }

func (e *Refusal) Error() string { return e.Says }

// mostPosted is the most that is read of a body, bytes.
const mostPosted = live.MostAct

// recorderRoutes are the addresses of what people record.
func (a *api) recorderRoutes() []route {
	pot := potParameter()
	answers := func(schema, says string) []answer {
		return []answer{{201, typeJSON, schema, says}, problem(400, "what was sent cannot be read"), problem(404, noPot),
			problem(409, "it cannot be recorded; the words say why and what to do"), problem(413, "more was sent than is ever needed"),
			problem(415, "what was sent is no application/json"), problem(503, "it could not be stored for now, and may be stored later")}
	}
	body := func(schema string) parameter { return parameter{name: "body", in: "body", schema: ref(schema)} }
	return []route{
		{"/api/v1/pots/{name}/baselines", a.baselines, "baselines", "The baselines that people have recorded of a pot, the newest first. Of each kind, with abrasive and " +
			"with air only, the newest holds; what the pot has learned by itself is not among them.", []parameter{pot},
			[]answer{{200, typeJSON, "StoredBaselines", "all of them"}, problem(400, unknown), problem(404, noPot), problem(503, away)}},
		{posts + "/api/v1/pots/{name}/baselines", a.postBaseline, "recordBaseline",
			"Records a baseline: declares what the pot's last steady blast was, or what was written down at commissioning. It takes the place of an earlier one, which stays in the list.",
			[]parameter{pot, body("NewBaseline")}, answers("StoredBaseline", "it is recorded, and holds")},
		{posts + "/api/v1/pots/{name}/services", a.postService, "recordService",
			"Records work on a pot that has just been done. What is known of the part's wear begins anew, and the next strokes tell whether it helped.",
			[]parameter{pot, body("NewService")}, answers("Service", "it is recorded")},
	}
}

// posted lets POST through from pages of this server and from programs, with a body of JSON that is not too long.
func (a *api) posted(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !pages.SameOrigin(r) {
			Problem(w, r, http.StatusForbidden, "a page of another origin may not record anything here")
			return
		}
		// A form of a foreign page cannot send this type without asking first.
		if media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || media != typeJSON {
			Problem(w, r, http.StatusUnsupportedMediaType, "send "+typeJSON)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, mostPosted)
		next(w, r)
	}
}

// readBody reads what was posted, strictly; false: that was answered.
func readBody(w http.ResponseWriter, r *http.Request, into any) bool {
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("something stands behind it")
		}
	}
	var long *http.MaxBytesError
	switch {
	case err == nil:
		return true
	case errors.As(err, &long):
		Problem(w, r, http.StatusRequestEntityTooLarge, "send less than 16 KiB")
	default:
		Problem(w, r, http.StatusBadRequest, "the body cannot be read: "+strings.TrimPrefix(err.Error(), "json: "))
	}
	return false
}

func (a *api) baselines(w http.ResponseWriter, r *http.Request) {
	p, ok := a.known(w, r, time.Now())
	if !ok {
		return
	}
	q := ask(r)
	if q.refused(w, r) {
		return
	}
	out := live.StoredBaselines{Paging: live.Paging{ServerT: instantOf(time.Now())}}
	if a.read(w, r, func(ctx context.Context) (err error) {
		out.Baselines, err = a.o.Recorder.Baselines(ctx, p.Name)
		return err
	}) {
		a.json(w, r, out)
	}
}

func (a *api) postBaseline(w http.ResponseWriter, r *http.Request) {
	p, ok := a.known(w, r, time.Now())
	var in live.NewBaseline
	if !ok || !readBody(w, r, &in) {
		return
	}
	out, err := a.o.Recorder.Baseline(r.Context(), p.Name, in)
	a.recorded(w, r, out, err)
}

func (a *api) postService(w http.ResponseWriter, r *http.Request) {
	p, ok := a.known(w, r, time.Now())
	var in live.NewService
	if !ok || !readBody(w, r, &in) {
		return
	}
	out, err := a.o.Recorder.Service(r.Context(), p.Name, in)
	a.recorded(w, r, out, err)
}

// recorded answers with what was recorded, or with why it was not.
func (a *api) recorded(w http.ResponseWriter, r *http.Request, out any, err error) {
	var refusal *Refusal
	switch {
	case errors.As(err, &refusal):
		Problem(w, r, http.StatusConflict, refusal.Says)
		return
	case err != nil:
		a.o.Log.LogAttrs(r.Context(), slog.LevelError, "what was recorded could not be stored", slog.String("path", r.URL.Path), slog.String("reason", err.Error()))
		busy(w, r, "it could not be stored for now, and the server's log says why; look into the list before you send it again")
		return
	}
	text, err := json.Marshal(out)
	if err != nil {
		Problem(w, r, http.StatusInternalServerError, "")
		return
	}
	write(w, r, http.StatusCreated, typeJSON, text)
}
