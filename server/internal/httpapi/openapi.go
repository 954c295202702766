package httpapi

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"reflect"
	"strconv"

	"gritwatch/internal/messages"
	"gritwatch/internal/vent"
)

// Media types of answers.
const (
	typeJSON    = "application/json"
	typeProblem = "application/problem+json"
	typeText    = "text/plain"
	typePage    = "text/html"
)

// about stands at the head of the document.
const about = `Pots, and what may be said of opening their vessels. It is not a safety-rated system: an answer replaces no gauge, ` +
	`lockout, relief valve or procedure. It is true of the instant at which it was sent and is never to be kept, cached or printed ` +
	`as the present: three seconds after the reading behind it, it is worth nothing.

All values are SI, and pressures are gauge, in Pa. A value that is not known is absent, never 0. Fields and codes may be added. ` +
	`Every address answers HEAD as it answers GET. Errors are problem documents (RFC 9457); any other method gets one with status 405.`

// A route is an address with its handler, and what the document says of it.
type route struct {
	pattern string // of http.ServeMux; also the path in the document
	serve   http.HandlerFunc
	id      string // of the operation
	does    string
	takes   []parameter
	answers []answer
}

// A parameter stands in the path or in the query.
type parameter struct {
	name, in, says string
	schema         map[string]any
}

// An answer is one of those that a route gives, besides the one for a foreign Host.
type answer struct {
	status int
	media  string // "" no body
	schema string // of typeJSON: name of a schema; "" an object
	says   string
}

func problem(status int, says string) answer { return answer{status, typeProblem, "Problem", says} }

// plain is the schema of any text.
var plain = map[string]any{"type": "string"}

// routes are all addresses.
func (a *api) routes() []route {
	pot := parameter{"name", "path", "name of the pot", map[string]any{"type": "string", "pattern": "^[a-z0-9-]{1,32}$"}}
	return []route{
		{"/api/v1/pots", a.pots, "pots", "The newest estimates of all pots, by name, a page at a time.", []parameter{
			{"limit", "query", "the most pots of a page", map[string]any{"type": "integer", "minimum": 1, "maximum": maxLimit, "default": defaultLimit}},
			{"after", "query", "next of the page before", plain},
		}, []answer{{200, typeJSON, "Pots", "a page of pots"}, problem(400, "the query cannot be read, or asks what is not known")}},
		{"/api/v1/pots/{name}", a.pot, "pot", "The newest estimate of one pot.", []parameter{pot},
			[]answer{{200, typeJSON, "Pot", "the pot"}, problem(404, "no pot of this name")}},
		{"/api/v1/live", a.live, "live", "A WebSocket. The server sends frames (schema Frame): a snapshot, then changes. The client sends " +
			"requests (schema Request): what it wants to hear of, and the seq of each frame once it has taken it. One frame is in flight, " +
			"the newest wins, and a client that acknowledges nothing for ten seconds is dropped.", nil,
			[]answer{{101, "", "", "the WebSocket"}, problem(400, "no proper handshake"), problem(426, "this address speaks WebSocket"),
				problem(503, "too many pages are connected")}},
		{"/api/v1/openapi.json", a.openapi, "openapi", "This document (OpenAPI 3.0).", nil, []answer{{200, typeJSON, "", "the document"}}},
		{"/metrics", a.o.Metrics.ServeHTTP, "metrics", "All pots, serial lines and counters of the server for Prometheus, in the format it asks for.",
			[]parameter{{"site", "query", "only the series of this site", plain}},
			[]answer{{200, typeText, "", "the series"}, problem(400, "site stands more than once"), problem(404, "no site of this name"),
				{503, typeText, "", "too many scrapes at once"}}},
		{"/healthz", a.health, "health", "Whether the process lives. Answered under any host name.", nil, []answer{{200, typeJSON, "Status", "it does"}}},
		{"/readyz", a.ready, "ready", "Whether the server can do its work. Answered under any host name.", nil,
			[]answer{{200, typeJSON, "Status", "it can"}, problem(503, "what is missing")}},
		{"/", a.page, "page", "The page. What it loads lies beside it.", nil, []answer{{200, typePage, "", "the page"}, problem(404, "nothing is here")}},
	}
}

// status is the body of the two addresses of health.
type status struct {
	Status string `json:"status"`
}

// document is the OpenAPI document of the routes. Its schemas are made of the same Go types as the answers.
func document(routes []route) ([]byte, error) {
	schemas, err := schemas()
	if err != nil {
		return nil, err
	}
	paths := map[string]any{}
	for _, r := range routes {
		op := map[string]any{"operationId": r.id, "summary": r.does, "responses": responses(r)}
		var takes []any
		for _, p := range r.takes {
			takes = append(takes, map[string]any{"name": p.name, "in": p.in, "required": p.in == "path", "description": p.says, "schema": p.schema})
		}
		if takes != nil {
			op["parameters"] = takes
		}
		paths[r.pattern] = map[string]any{"get": op}
	}
	return json.Marshal(map[string]any{
		"openapi":    "3.0.3",
		"info":       map[string]any{"title": "gritwatch", "version": "1", "description": about},
		"paths":      paths,
		"components": map[string]any{"schemas": schemas},
	})
}

func responses(r route) map[string]any {
	answers := r.answers
	if r.pattern != "/healthz" && r.pattern != "/readyz" {
		says := "the request names a host that is not this server's"
		if r.id == "live" {
			says += ", or comes from a page of another origin"
		}
		answers = append(answers[:len(answers):len(answers)], problem(403, says))
	}
	out := map[string]any{}
	for _, a := range answers {
		response := map[string]any{"description": a.says}
		if a.media != "" {
			schema := plain
			switch {
			case a.schema != "":
				schema = ref(a.schema)
			case a.media == typeJSON:
				schema = map[string]any{"type": "object"}
			}
			response["content"] = map[string]any{a.media: map[string]any{"schema": schema}}
		}
		out[strconv.Itoa(a.status)] = response
	}
	return out
}

func ref(name string) map[string]any { return map[string]any{"$ref": "#/components/schemas/" + name} }

// schemas are those of the messages and of the closed lists.
func schemas() (map[string]any, error) {
	out := map[string]any{}
	for _, l := range messages.Lists() {
		schema := map[string]any{"type": "string", "enum": l.Words, "description": l.Says}
		if l.Name == "Code" {
			says, sentences := l.Says, map[string]string{}
			for _, c := range vent.AllCodes() {
				says += "\n- `" + c.String() + "`: " + c.Sentence()
				sentences[c.String()] = c.Sentence()
			}
			schema["description"], schema["x-sentences"] = says, sentences
		}
		out[l.Name] = schema
	}
	all, err := messages.All()
	if err != nil {
		return nil, err
	}
	for _, m := range all {
		properties, required := map[string]any{}, []string{}
		for _, f := range m.Fields {
			if properties[f.Name], err = schemaOfField(f); err != nil {
				return nil, fmt.Errorf("%s.%s: %w", m.Name, f.Name, err)
			}
			if !f.Optional {
				required = append(required, f.Name)
			}
		}
		out[m.Name] = object(m.Says, properties, required)
	}
	out["Status"] = object("", map[string]any{"status": plain}, []string{"status"})
	return out, nil
}

func object(says string, properties map[string]any, required []string) map[string]any {
	out := map[string]any{"type": "object", "properties": properties}
	if says != "" {
		out["description"] = says
	}
	if len(required) > 0 {
		out["required"] = required
	}
	return out
}

// schemaOfField is what a field holds, as close as its list tells.
func schemaOfField(f messages.Field) (map[string]any, error) {
	schema, err := schemaOf(f.Type, f.Closer)
	if err != nil || f.Says == "" {
		return schema, err
	}
	if schema["$ref"] != nil { // beside a reference nothing else is read
		return map[string]any{"allOf": []any{schema}, "description": f.Says}, nil
	}
	schema = maps.Clone(schema)
	schema["description"] = f.Says
	return schema, nil
}

func schemaOf(t reflect.Type, c messages.Closer) (map[string]any, error) {
	switch t.Kind() {
	case reflect.Pointer:
		return schemaOf(t.Elem(), c)
	case reflect.String:
		switch {
		case c.Only != "":
			return map[string]any{"type": "string", "enum": []string{c.Only}}, nil
		case c.List != "":
			return ref(c.List), nil
		case c.Time:
			return map[string]any{"type": "string", "format": "date-time"}, nil
		}
		return plain, nil
	case reflect.Bool:
		return map[string]any{"type": "boolean"}, nil
	case reflect.Float64:
		return map[string]any{"type": "number"}, nil
	case reflect.Int:
		return map[string]any{"type": "integer"}, nil
	case reflect.Uint64:
		return map[string]any{"type": "integer", "minimum": 0}, nil
	case reflect.Struct:
		return ref(t.Name()), nil
	case reflect.Slice:
		items, err := schemaOf(t.Elem(), c)
		return map[string]any{"type": "array", "items": items}, err
	case reflect.Map:
		value, err := schemaOf(t.Elem(), messages.Closer{List: c.List})
		properties := map[string]any{}
		for _, l := range messages.Lists() {
			if l.Name == c.Keys {
				for _, word := range l.Words {
					properties[word] = value
				}
			}
		}
		return object("", properties, nil), err
	}
	return nil, fmt.Errorf("no schema for %s; add one to schemaOf", t)
}

// openapi gives the document.
func (a *api) openapi(w http.ResponseWriter, r *http.Request) {
	write(w, r, http.StatusOK, typeJSON, a.document)
}
