package e2e_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/gorilla/websocket"

	"gritwatch/protocol/live"
)

// checksAPI holds what a running server says to the document that it gives of itself, with every object of the document
// closed: no field may be told that is not in it.
func (s *site) checksAPI(t *testing.T) {
	t.Helper()
	_, text := s.get(t, "/api/v1/openapi.json")
	doc, err := openapi3.NewLoader().LoadFromData(text)
	if err != nil {
		t.Fatal(err)
	}
	closed := false
	for _, schema := range doc.Components.Schemas {
		if schema.Value.Type.Is("object") {
			schema.Value.AdditionalProperties.Has = &closed
		}
	}
	fits := func(what, name string, text []byte) {
		t.Helper()
		var v any
		if err := json.Unmarshal(text, &v); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		if err := doc.Components.Schemas[name].Value.VisitJSON(v); err != nil {
			t.Errorf("%s: %v\nin %s", what, err, text)
		}
	}
	for target, want := range map[string]struct {
		code   int
		schema string
	}{
		"/api/v1/pots":         {200, "Pots"},
		"/api/v1/pots?limit=1": {200, "Pots"},
		"/api/v1/pots/birch":   {200, "Pot"},
		"/api/v1/pots/oak":     {404, "Problem"},
		"/api/v1/pots?limit=0": {400, "Problem"},
		"/api/v1/live":         {426, "Problem"},
		"/metrics?site=oak":    {404, "Problem"},
		"/healthz":             {200, "Status"},
		"/readyz":              {200, "Status"},
	} {
		code, text := s.get(t, target)
		path, _, _ := strings.Cut(strings.Replace(strings.Replace(target, "/birch", "/{name}", 1), "/oak", "/{name}", 1), "?")
		if code != want.code || doc.Paths.Value(path).Get.Responses.Status(code) == nil {
			t.Errorf("%s: %d, want %d, which must be in the document", target, code, want.code)
		}
		fits(target, want.schema, text)
	}

	conn, res, err := websocket.DefaultDialer.Dial("ws://"+s.http+"/api/v1/live", nil)
	if err != nil || res.StatusCode != http.StatusSwitchingProtocols {
		t.Fatalf("live: %v, %v", res, err)
	}
	defer conn.Close()
	for seq, kind := range []string{"snapshot", "change"} {
		_, text, err := conn.ReadMessage()
		if err != nil {
			t.Fatal(err)
		}
		fits("frame", "Frame", text)
		var f live.Frame
		if err := json.Unmarshal(text, &f); err != nil || f.Type != kind {
			t.Errorf("frame %d is %q, error %v", seq+1, f.Type, err)
		}
		ack, err := json.Marshal(live.Request{Ack: f.Seq})
		if err != nil {
			t.Fatal(err)
		}
		fits("acknowledgement", "Request", ack)
		if err := conn.WriteMessage(websocket.TextMessage, ack); err != nil {
			t.Fatal(err)
		}
	}
}
