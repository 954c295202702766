package httpapi_test

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/records"
)

// A site is a yard behind a real port.
type site struct {
	*yard
	url string
}

func newSite(t *testing.T, r desk.Records) *site {
	s := &site{yard: newYard(t, r)}
	// The address stands in the Host that clients send: loopback is allowed with any port.
	server := httptest.NewServer(s.h)
	s.url = strings.TrimPrefix(server.URL, "http://")
	ctx, cancel := context.WithCancel(t.Context())
	var all sync.WaitGroup
	all.Go(func() { _ = s.hub.Run(ctx) })
	t.Cleanup(func() { cancel(); all.Wait(); server.Close() })
	return s
}

func (s *site) dial(header http.Header) (*websocket.Conn, *http.Response, error) {
	return websocket.DefaultDialer.Dial("ws://"+s.url+"/api/v1/live", header)
}

// A listener is one page's connection: it acknowledges every frame.
type listener struct {
	t    *testing.T
	conn *websocket.Conn
}

func (s *site) listen() *listener {
	s.t.Helper()
	conn, _, err := s.dial(http.Header{"Origin": {"http://" + s.url}})
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { conn.Close() })
	return &listener{s.t, conn}
}

// next reads until a message pleases. It fails where the connection ends before that.
func next[T any](l *listener, pleases func(T) bool) T {
	l.t.Helper()
	for {
		_, text, err := l.conn.ReadMessage()
		if err != nil {
			l.t.Fatal(err)
		}
		var head live.Frame
		if err := json.Unmarshal(text, &head); err != nil {
			l.t.Fatal(err)
		}
		if head.Seq != 0 {
			if err := l.conn.WriteJSON(live.Request{Ack: head.Seq}); err != nil {
				l.t.Fatal(err)
			}
		}
		var m T
		if json.Unmarshal(text, &m) == nil && pleases(m) {
			return m
		}
	}
}

// do asks for something, and gives what is answered.
func (l *listener) do(request, id, deed, body string) live.Outcome {
	l.t.Helper()
	head := fmt.Sprintf(`{"request":%q,"alarm":%q,"deed":%q`, request, id, deed)
	if inner := strings.TrimPrefix(strings.TrimSpace(body), "{"); inner != "}" {
		head += ","
	}
	if err := l.conn.WriteMessage(websocket.TextMessage, []byte(`{"act":`+head+strings.TrimPrefix(strings.TrimSpace(body), "{")+"}")); err != nil {
		l.t.Fatal(err)
	}
	return next(l, func(o live.Outcome) bool { return slices.Contains(live.OutcomeTypes(), o.Type) && o.Request == request })
}

// TestActsOverTheSocket: what a page asks for over its connection is done, told to it with the alarm, and to all pages by the next frame.
// What a POST refuses is refused here with the same document.
func TestActsOverTheSocket(t *testing.T) {
	byPost, bySocket := newYard(t, nil), newSite(t, nil)
	a := bySocket.listen()
	ids := func(y *yard) []tried { return deeds(y.find("pot-empty"), y.find("supply-low"), y.find("sensor-fault")) }
	posted, asked := ids(byPost), ids(bySocket.yard)
	took := 0
	for i := range posted {
		p, c := posted[i], asked[i]
		if p.header != nil && p.code != 200 || p.text == "Ada" { // of HTTP alone
			continue
		}
		if took++; took%15 == 0 { // no page does so much at once
			a = bySocket.listen()
		}
		code, text := post(t, byPost.h, "/api/v1/alarms/"+p.id+"/"+p.deed, p.text, p.header)
		o := a.do(fmt.Sprint(i), c.id, c.deed, c.text)
		if code != p.code {
			t.Fatalf("%s: %d", p.name, code)
		}
		if code == 200 {
			if o.Type != "done" || o.Problem != nil || o.Alarm == nil || o.Alarm.ID != c.id || o.Fault != "" {
				t.Errorf("%s: %+v", c.name, o)
				continue
			}
			var d live.AlarmDetail
			if err := json.Unmarshal([]byte(text), &d); err != nil || d.Standing.State != o.Alarm.State || !slices.Equal(d.Standing.Can, o.Alarm.Can) || d.Standing.By != o.Alarm.By {
				t.Errorf("%s: by POST %+v, over the socket %+v", c.name, d.Standing, o.Alarm)
			}
			continue
		}
		var want live.Problem
		if err := json.Unmarshal([]byte(text), &want); err != nil || o.Type != "refused" || o.Problem == nil {
			t.Fatalf("%s: %+v, %v", c.name, o, err)
		}
		want.Detail = strings.Replace(want.Detail, "the body cannot be read", "act cannot be read", 1)
		if *o.Problem != want {
			t.Errorf("%s: by POST %+v, over the socket %+v", c.name, want, *o.Problem)
		}
	}
	if took < 25 {
		t.Errorf("only %d deeds were tried", took)
	}
}

// TestEveryoneSeesAnAct: who asks gets the outcome alone; another page hears of it by a frame, and the records have who, when and why.
func TestEveryoneSeesAnAct(t *testing.T) {
	s := newSite(t, nil)
	a, b := s.listen(), s.listen()
	id := s.find("pot-empty")
	if o := a.do("1", id, "acknowledge", `{"by":"Ada","note":"bags are here"}`); o.Type != "done" || o.Alarm.State != "acknowledged" || o.Alarm.By != "Ada" {
		t.Fatalf("%+v", o)
	}
	// What comes to b up to the frame with it is frames alone.
	next(b, func(m map[string]any) bool {
		if m["request"] != nil {
			t.Fatalf("an outcome for a page that has not asked: %v", m)
		}
		text, _ := json.Marshal(m["alarms"])
		var list []live.StandingAlarm
		_ = json.Unmarshal(text, &list)
		return slices.ContainsFunc(list, func(x live.StandingAlarm) bool { return x.ID == id && x.State == "acknowledged" && x.By == "Ada" })
	})
	var d live.AlarmDetail
	if code := s.get("/api/v1/alarms/"+id, &d); code != 200 || len(d.Transitions) != 2 || d.Transitions[1].By != "Ada" || string(d.Transitions[1].Evidence) != `{"note":"bags are here"}` {
		t.Errorf("%d %+v", code, d.Transitions)
	}
	s.d.Found([]alarm.Found{{Key: alarm.Key{Pot: "alder", Kind: alarm.PotEmpty}, At: si.InstantOf(time.Now())}})
	if o := b.do("2", id, "comment", `{"by":"Bo","note":"ran out at 8"}`); o.Type != "done" || o.Alarm != nil {
		t.Errorf("a comment on one that has ended: %+v", o)
	}
	if o := b.do("3", id, "acknowledge", `{"by":"Bo"}`); o.Problem == nil || o.Problem.Status != 409 || !strings.Contains(o.Problem.Detail, "it ended at") {
		t.Errorf("one that has ended: %+v", o.Problem)
	}
	if o := b.do("4", s.find("supply-low"), "open", `{"by":"Bo"}`); o.Problem == nil || o.Problem.Status != 400 || !strings.Contains(o.Problem.Detail, "deed is one of acknowledge") {
		t.Errorf("a deed that is none: %+v", o.Problem)
	}
}

// TestNobodyElseActs: the connection over which one acts is refused to pages of elsewhere and to names that are not the server's.
func TestNobodyElseActs(t *testing.T) {
	s := newSite(t, nil)
	for name, header := range map[string]http.Header{"another origin": {"Origin": {"http://elsewhere.example"}}, "no origin at all that is one": {"Origin": {"null"}},
		"another host": {"Host": {"elsewhere.example"}, "Origin": {"http://elsewhere.example"}}} {
		if conn, res, err := s.dial(maps.Clone(header)); err == nil || res == nil || res.StatusCode != http.StatusForbidden {
			if conn != nil {
				conn.Close()
			}
			t.Errorf("%s: %v %v", name, res, err)
		}
	}
}

// TestUnstoredActOverTheSocket: it has its effect while the disk is full, and the outcome says that it is not stored.
func TestUnstoredActOverTheSocket(t *testing.T) {
	s := newSite(t, &unwritten{fails: fmt.Errorf("%w: %w", records.ErrWaiting, records.ErrFull)})
	if o := s.listen().do("1", s.find("pot-empty"), "acknowledge", `{"by":"Ada"}`); o.Type != "done" || o.Alarm.State != "acknowledged" || !strings.HasPrefix(o.Fault, "records are not stored") {
		t.Errorf("%+v", o)
	}
}
