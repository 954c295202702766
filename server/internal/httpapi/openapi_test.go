package httpapi_test

import (
	"encoding/json"
	"fmt"
	"maps"
	"mime"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
)

// read is the document that the server gives, read and checked by a library that knows OpenAPI. Its objects are closed, so
// that a field which only the answers have is found.
var read = sync.OnceValues(func() (*openapi3.T, error) {
	w := httptest.NewRecorder()
	r := httptest.NewRequest("GET", "/api/v1/openapi.json", nil)
	r.Host = self
	bare().ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		return nil, fmt.Errorf("the document: %d", w.Code)
	}
	doc, err := openapi3.NewLoader().LoadFromData(w.Body.Bytes())
	if err != nil {
		return nil, err
	}
	if err := doc.Validate(openapi3.NewLoader().Context); err != nil {
		return nil, err
	}
	closed := false
	for _, s := range doc.Components.Schemas {
		if s.Value.Type.Is("object") {
			s.Value.AdditionalProperties.Has = &closed
			for _, p := range s.Value.Properties {
				if p.Value.Type.Is("object") {
					p.Value.AdditionalProperties.Has = &closed
				}
			}
		}
	}
	return doc, nil
})

func document(t *testing.T) *openapi3.T {
	t.Helper()
	doc, err := read()
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// pathOf is the path of the document that a request's address belongs to; "" none.
func pathOf(doc *openapi3.T, target string) string {
	target, _, _ = strings.Cut(target, "?")
	if doc.Paths.Value(target) != nil {
		return target // before those with something in braces
	}
	for path := range doc.Paths.Map() {
		pattern := regexp.MustCompile(`\\\{[^}]*\}`).ReplaceAllString(regexp.QuoteMeta(path), "[^/]+")
		if regexp.MustCompile("^" + pattern + "$").MatchString(target) {
			return path
		}
	}
	return ""
}

// documented fails where an answer is not one that the document tells of: status, media type and body. HEAD answers as GET
// does, without a body; other methods, and what is nowhere, get a problem.
func documented(t *testing.T, method, target string, w *httptest.ResponseRecorder) {
	t.Helper()
	doc := document(t)
	media, _, err := mime.ParseMediaType(w.Header().Get("Content-Type"))
	if err != nil {
		t.Errorf("%s %s: %v", method, target, err)
		return
	}
	body := w.Body.Bytes()
	if method == http.MethodHead {
		if len(body) > 0 {
			t.Errorf("%s %s: a body", method, target)
		}
		return
	}
	schema := doc.Components.Schemas["Problem"]
	path := pathOf(doc, target)
	op := (*openapi3.Operation)(nil)
	if path != "" {
		op = doc.Paths.Value(path).GetOperation(method)
	}
	if op != nil {
		response := op.Responses.Status(w.Code)
		if response == nil {
			t.Errorf("%s %s: the document has no status %d", method, target, w.Code)
			return
		}
		content := response.Value.Content[media]
		if content == nil {
			t.Errorf("%s %s: %d with %s, the document has %v", method, target, w.Code, media, slices.Collect(maps.Keys(response.Value.Content)))
			return
		}
		schema = content.Schema
	} else if w.Code < 400 && !strings.HasPrefix(target, "/assets/") || w.Code >= 400 && media != "application/problem+json" {
		t.Errorf("%s %s: %d with %s, and the document has no such address", method, target, w.Code, media)
		return
	}
	if media != "application/json" && media != "application/problem+json" {
		return
	}
	if err := fits(schema, body); err != nil {
		t.Errorf("%s %s: %v\nin %s", method, target, err, body)
	}
}

// fits tells what a text of JSON lacks of its schema, or has beyond it.
func fits(schema *openapi3.SchemaRef, text []byte) error {
	var v any
	if err := json.Unmarshal(text, &v); err != nil {
		return err
	}
	return schema.Value.VisitJSON(v)
}

// Every address of the document is served, and by a handler of its own; the addresses of the tests in this package are in it
// (see call). Nothing but the routes' one table registers a handler, so no address can be left out.
func TestEveryPathIsServed(t *testing.T) {
	doc := document(t)
	want := []string{"/", "/api/v1/alarms", "/api/v1/alarms/figures", "/api/v1/alarms/{id}", "/api/v1/alarms/{id}/acknowledge", "/api/v1/alarms/{id}/bring-back", "/api/v1/alarms/{id}/comment",
		"/api/v1/alarms/{id}/reset", "/api/v1/alarms/{id}/shelve", "/api/v1/alarms/{id}/take-out", "/api/v1/alarms/{id}/unshelve", "/api/v1/live", "/api/v1/losses", "/api/v1/openapi.json", "/api/v1/pots", "/api/v1/pots/{name}",
		"/api/v1/pots/{name}/abrasive", "/api/v1/pots/{name}/baselines", "/api/v1/pots/{name}/cycles", "/api/v1/pots/{name}/export.csv", "/api/v1/pots/{name}/history", "/api/v1/pots/{name}/refills",
		"/api/v1/pots/{name}/services", "/api/v1/shifts", "/healthz", "/metrics", "/readyz"}
	if got := slices.Sorted(maps.Keys(doc.Paths.Map())); !slices.Equal(got, want) {
		t.Errorf("addresses %v, want %v", got, want)
	}
	h := handler(t)
	for path, item := range doc.Paths.Map() {
		acts := strings.HasPrefix(path, "/api/v1/alarms/{id}/")
		takes := acts || path == "/api/v1/pots/{name}/baselines" || path == "/api/v1/pots/{name}/services"
		if (item.Get == nil) != acts || (item.Post != nil) != takes || len(item.Operations()) > 2 {
			t.Errorf("%s: operations %v", path, item.Operations())
		}
		target := strings.NewReplacer("{name}", "birch", "{id}", openID(t, h)).Replace(path)
		if acts {
			if code, body := post(t, h, target, `{}`, nil); code == http.StatusNotFound {
				t.Errorf("%s: %s", path, body)
			}
			continue
		}
		res := call(t, h, "GET", self, target)
		if res.StatusCode == http.StatusNotFound {
			t.Errorf("%s: %s", path, body(t, res))
		}
	}
	source, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	registers := 0
	for _, file := range source {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.HasSuffix(file, "_test.go") {
			registers += len(regexp.MustCompile(`\.Handle(Func)?\(`).FindAll(text, -1))
		}
	}
	if registers != 1 {
		t.Errorf("handlers are registered in %d places", registers)
	}
}

// The codes of the answer stand in the document with their sentences.
func TestCodes(t *testing.T) {
	code := document(t).Components.Schemas["Code"].Value
	sentences, _ := code.Extensions["x-sentences"].(map[string]any)
	if len(code.Enum) != len(vent.AllCodes()) || len(sentences) != len(code.Enum) {
		t.Errorf("%d codes, %d sentences", len(code.Enum), len(sentences))
	}
	for i, c := range vent.AllCodes() {
		if code.Enum[i] != c.String() || sentences[c.String()] != c.Sentence() || !strings.Contains(code.Description, "`"+c.String()+"`: "+c.Sentence()) {
			t.Errorf("%s: %v", c, sentences[c.String()])
		}
	}
}

// The messages that stand for what goes over the WebSocket fit their schemas.
func TestVectorsFit(t *testing.T) {
	for pattern, schema := range map[string]string{"frame-*.json": "Frame", "request-*.json": "Request"} {
		files, err := filepath.Glob("../../../protocol/testdata/live/" + pattern)
		if err != nil || len(files) < 3 {
			t.Fatalf("%s: %d files, %v", pattern, len(files), err)
		}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if err := fits(document(t).Components.Schemas[schema], text); err != nil {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
}

// A pot with every field fits; one with a word, code, state, point or field that the document does not know does not, nor one
// that lacks what is always there.
func TestSchemaIsClose(t *testing.T) {
	pot := document(t).Components.Schemas["Pot"]
	whole := map[string]any{}
	full := live.Pot{Kind: "estimate", State: "held", Answer: live.Answer{Word: "pressurised", Because: []string{"over-limit"}}, Air: "on", Unit: "bar",
		T: "2026-05-04T06:07:08.009Z", Points: []string{"vessel"}, Quality: map[string]string{"hose": "old"}}
	fields := fillAll(reflect.ValueOf(&full).Elem())
	full.Findings, full.Losses.SagAt, full.Losses.Hose.From, full.Baseline.How = []string{"spitting"}, "supply", "vessel", "learned"
	full.Losses.Separator.From, full.Losses.Valve.From, full.Losses.Mixing.From, full.Condensate.Since = "supply", "supply", "vessel", full.T
	full.Doubt.Losses = full.Losses
	full.Vent.Released, full.Vent.Trace.TS, full.Vent.Trace.PPa = full.T, []float64{0}, []float64{1}
	fill := func() {
		text, err := json.Marshal(full)
		if err != nil {
			t.Fatal(err)
		}
		clear(whole)
		if err := json.Unmarshal(text, &whole); err != nil {
			t.Fatal(err)
		}
	}
	fill()
	if err := pot.Value.VisitJSON(whole); err != nil || len(whole) != fields {
		t.Fatalf("a whole pot of %d fields: %v", len(whole), err)
	}
	for what, spoil := range map[string]func(){
		"another state":    func() { whole["state"] = "asleep" },
		"another word":     func() { whole["answer"].(map[string]any)["word"] = "safe" },
		"another code":     func() { whole["answer"].(map[string]any)["because"] = []any{"mood"} },
		"another point":    func() { whole["points"] = []any{"lid"} },
		"another quality":  func() { whole["quality"] = map[string]any{"hose": "so-so"} },
		"quality of none":  func() { whole["quality"] = map[string]any{"lid": "old"} },
		"a further field":  func() { whole["mood"] = 1 },
		"a further point":  func() { whole["pressure_pa"].(map[string]any)["lid"] = 1 },
		"no answer":        func() { delete(whole, "answer") },
		"no word":          func() { delete(whole["answer"].(map[string]any), "word") },
		"text as pressure": func() { whole["pressure_pa"].(map[string]any)["vessel"] = "7" },
		"unknown as null":  func() { whole["production"] = nil },
		"a date":           func() { whole["t"] = "yesterday" },
	} {
		fill()
		spoil()
		if err := pot.Value.VisitJSON(whole); err == nil {
			t.Errorf("%s: fits", what)
		}
	}
}

// fillAll gives all that a message points to, and counts its fields, those of what is embedded in it too.
func fillAll(v reflect.Value) (fields int) {
	for i := range v.NumField() {
		f, t := v.Field(i), v.Type().Field(i)
		switch {
		case t.Anonymous:
			fields += fillAll(f) - 1
		case f.Kind() == reflect.Struct:
			fillAll(f)
		case f.Kind() == reflect.Pointer:
			f.Set(reflect.New(f.Type().Elem()))
			if f.Elem().Kind() == reflect.Struct {
				fillAll(f.Elem())
			}
		}
		fields++
	}
	return fields
}
