package httpapi

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"reflect"
	"strconv"
	"strings"

	"gritwatch/internal/messages"
	"gritwatch/internal/vent"
	"gritwatch/server/internal/engine/finding"
	"gritwatch/server/internal/history"
)

// Media types of answers.
const (
	typeJSON    = "application/json"
	typeProblem = "application/problem+json"
	typeText    = "text/plain"
	typePage    = "text/html"
	typeCSV     = "text/csv"
)

// about stands at the head of the document.
const about = `Pots, and what may be said of opening their vessels. It is not a safety-rated system: an answer replaces no gauge, ` +
	`lockout, relief valve or procedure. It is true of the instant at which it was sent and is never to be kept, cached or printed ` +
	`as the present: three seconds after the reading behind it, it is worth nothing.

All values are SI, and pressures are gauge, in Pa (but for export.csv). A value that is not known is absent, never 0; in a list ` +
	`that has one entry a step it is null. Times are RFC 3339 in UTC; in a query also with another zone, or as seconds since 1970. ` +
	`Fields and codes may be added. ` +
	`Every address that answers GET answers HEAD as it does. Errors are problem documents (RFC 9457); any other method gets one with status 405.`

// A route is an address with its handler, and what the document says of it.
type route struct {
	pattern string // of http.ServeMux; also the path in the document
	serve   http.HandlerFunc
	id      string // of the operation
	does    string
	takes   []parameter
	answers []answer
}

// posts is what stands before the path in the pattern of an address that takes a body. What it takes stands among its parameters, in the body.
const posts = http.MethodPost + " "

func (r *route) takesBody() bool { return strings.HasPrefix(r.pattern, posts) }

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
	pot := potParameter()
	routes := []route{
		{"/api/v1/pots", a.pots, "pots", "The newest estimates of all pots, by name, a page at a time.", []parameter{
			{"limit", "query", "the most pots of a page", map[string]any{"type": "integer", "minimum": 1, "maximum": maxLimit, "default": defaultLimit}},
			{"after", "query", "next of the page before", plain},
		}, []answer{{200, typeJSON, "Pots", "a page of pots"}, problem(400, "the query cannot be read, or asks what is not known")}},
		{"/api/v1/pots/{name}", a.pot, "pot", "The newest estimate of one pot.", []parameter{pot},
			[]answer{{200, typeJSON, "Pot", "the pot"}, problem(404, "no pot of this name")}},
		{"/api/v1/live", a.live, "live", "A WebSocket. The server sends frames (schema Frame): a snapshot, then changes. The client sends " +
			"requests (schema Request): what it wants to hear of, the seq of each frame once it has taken it, and what it wants done with an " +
			"alarm (act: what a POST to the address of the deed does, with the same bounds and the same words of a refusal). One frame is in flight, " +
			"the newest wins, and a client that acknowledges nothing for ten seconds is dropped. Each act is answered by an outcome (schema Outcome), done or refused, with the " +
			"request that the act had; outcomes come between the frames, have no seq and are not acknowledged. Of acts sixteen KiB each are taken, twenty at once and two a second after that, " +
			"and what is beyond is refused with status 429 and not done. What cannot be read is refused with status 400, and nothing else is lost over it.", nil,
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
	if a.o.History != nil {
		routes = append(routes, a.historyRoutes()...)
	}
	if a.o.Records != nil {
		routes = append(routes, a.recordRoutes()...)
	}
	if a.o.Alarms != nil {
		routes = append(routes, a.alarmRoutes()...)
	}
	if a.o.Recorder != nil {
		routes = append(routes, a.recorderRoutes()...)
	}
	return routes
}

func potParameter() parameter {
	return parameter{"name", "path", "name of the pot", map[string]any{"type": "string", "pattern": "^[a-z0-9-]{1,32}$"}}
}

// What the addresses of stored readings and records have in common.
const (
	away    = "what is stored cannot be read at the moment, or too many others read it; Retry-After says when to ask again"
	unknown = "the query cannot be read, or asks what is not known or cannot be had; the words say what to do"
	noPot   = "no pot of this name"
)

// rangeParameters are those of a range of stored readings.
func rangeParameters(usual string) []parameter {
	return []parameter{potParameter(),
		{"from", "query", "where the range begins, taken in; absent: " + usual + " before to", plain},
		{"to", "query", "where it ends, left out; absent: now", plain},
		{"points", "query", "measuring points, separated by commas; absent: those that are configured of the pot", plain}}
}

// historyRoutes are the addresses of stored readings.
func (a *api) historyRoutes() []route {
	return []route{
		{"/api/v1/pots/{name}/history", a.history, "history", "What is stored of a pot's readings in a range of up to 400 days, summed up by steps of time: least, greatest " +
			"and mean of each point's good readings, and how many were good, out of range or without reply. Readings that come late are in it once " +
			"they have come.",
			append(rangeParameters("an hour"), parameter{"step", "query", fmt.Sprintf("length of a step: seconds, or with a unit as 500ms or 5min; at least 1 ms, and long enough for %d steps; absent: "+
				"such that there are %d at most", history.MaxSteps, historySteps), plain}),
			[]answer{{200, typeJSON, "History", "the range"}, problem(400, unknown), problem(404, noPot), problem(503, away)}},
		{"/api/v1/pots/{name}/export.csv", a.export, "export", "The good readings of a range of up to 31 days, each once, as a file that gritwatch-server replay takes: " +
			"time (RFC 3339 in UTC, to the microsecond) and the points asked for, as gauge pressures in the pot's own unit, or 0 and 1 for a control that is a switch. A row is " +
			"one instant, and the points that were not read at it are empty. The format has no word for quality: readings out of range and without reply " +
			"are left out, and the header " + headerReadings + " counts them. The header " + headerSource + " is simulated, measured or, while the pot's agent was not heard since the " +
			"server started, unknown; the name of a file of simulated readings begins with SIMULATED. The header " + headerTimes + " says what their times are: told by " +
			"the agent; shifted, because its clock was wrong; estimated, where nobody could measure that clock and only the order is right; or unknown. Where the answer cannot be given whole, the " +
			"connection breaks off. The file describes the past: it says nothing of what the vessel holds now.",
			append(rangeParameters("an hour"), parameter{"epoch", "query", "only the readings of this epoch of the agent's clock; needed where the clock was set back within the range",
				map[string]any{"type": "integer", "minimum": 0}}),
			[]answer{{200, typeCSV, "", "the file"}, problem(400, unknown), problem(404, noPot),
				problem(409, "the readings of this range cannot stand in one file; the words say why and what to do"), problem(503, away)}},
	}
}

// recordRoutes are the addresses of what was recorded.
func (a *api) recordRoutes() []route {
	list := func(by string, more ...parameter) []parameter {
		return append(more, parameter{"from", "query", "only those whose " + by + " does not lie before it", plain},
			parameter{"to", "query", "only those whose " + by + " lies before it", plain},
			parameter{"limit", "query", "the most records of a page", map[string]any{"type": "integer", "minimum": 1, "maximum": maxLimit, "default": defaultRecords}},
			parameter{"after", "query", "next of the page before; all else as it was there", plain},
			parameter{"order", "query", "by their " + by + ", which come first", map[string]any{"type": "string", "enum": []string{"newest", "oldest"}, "default": "newest"}})
	}
	pot := potParameter()
	ofPot := func(schema string) []answer {
		return []answer{{200, typeJSON, schema, "a page"}, problem(400, unknown), problem(404, noPot), problem(503, away)}
	}
	ofSite := func(schema string) []answer {
		return []answer{{200, typeJSON, schema, "a page"}, problem(400, unknown), problem(503, away)}
	}
	ofAlarms := []parameter{{"pot", "query", "only those of this pot", plain}}
	if a.o.Alarms != nil {
		ofAlarms = append(ofAlarms, parameter{"state", "query", "open: those that stand now; ended: those that are over; absent: all that are recorded", map[string]any{"type": "string", "enum": []string{"open", "ended"}}})
	}
	return []route{
		{"/api/v1/pots/{name}/cycles", a.cycles, "cycles", "The presses of a pot's handle and the vents after them, as they were recorded, a page at a time.", list("press", pot), ofPot("Cycles")},
		{"/api/v1/pots/{name}/abrasive", a.abrasive, "abrasive", "How much abrasive a pot used, by its recorded presses: in all, and by the hour. A shift is asked for by its beginning and end.",
			[]parameter{pot, {"from", "query", "the first instant; a day before to, if absent", plain}, {"to", "query", "the instant at which it ends; now, if absent. At most 31 days", plain}},
			[]answer{{200, typeJSON, "Abrasive", "what was used"}, problem(400, unknown), problem(404, noPot), problem(503, away)}},
		{"/api/v1/pots/{name}/refills", a.refills, "refills", "The refills of a pot, a page at a time.", list("instant", pot), ofPot("Refills")},
		{"/api/v1/pots/{name}/services", a.services, "services", "The work done on a pot, a page at a time.", list("instant", pot), ofPot("Services")},
		{"/api/v1/alarms", a.alarms, "alarms", "Alarms, each with its transitions, a page at a time. With state=open those that stand at this moment, in the order in which people should look at them. " +
			"Else it is a journal: it tells what was raised and what became of it, as far as that is stored.",
			list("raising", ofAlarms...), ofSite("Alarms")},
		{"/api/v1/shifts", a.shifts, "shifts", "The shifts of the site, a page at a time.", list("beginning"), ofSite("Shifts")},
		{"/api/v1/losses", a.losses, "losses", "The ranges of the agents' journals whose readings will never be stored, and why, a page at a time.",
			list("finding", parameter{"agent", "query", "only those of this agent", plain}), ofSite("Losses")},
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
		path, method := strings.TrimPrefix(r.pattern, posts), "get"
		if r.takesBody() {
			method = "post"
		}
		for _, p := range r.takes {
			if p.in == "body" {
				op["requestBody"] = map[string]any{"required": true, "content": map[string]any{typeJSON: map[string]any{"schema": p.schema}}}
				continue
			}
			takes = append(takes, map[string]any{"name": p.name, "in": p.in, "required": p.in == "path", "description": p.says, "schema": p.schema})
		}
		if takes != nil {
			op["parameters"] = takes
		}
		if paths[path] == nil {
			paths[path] = map[string]any{}
		}
		paths[path].(map[string]any)[method] = op
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
		if r.id == "live" || r.takesBody() {
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
		if l.Name == "Finding" {
			says, sentences := l.Says, map[string]string{}
			for _, f := range finding.All() {
				says += "\n- `" + f.String() + "`: " + f.Says()
				sentences[f.String()] = f.Says()
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
		if t == messages.Raw {
			return map[string]any{}, nil
		}
		items, err := schemaOf(t.Elem(), c)
		if t.Elem().Kind() == reflect.Pointer { // in a list what is not known keeps its place
			items = maps.Clone(items)
			items["nullable"] = true
		}
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
