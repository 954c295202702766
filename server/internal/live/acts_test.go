package live_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	msg "gritwatch/protocol/live"
	"gritwatch/server/internal/live"
)

// A helper does acts, each in so much time.
type helper struct {
	mu    sync.Mutex
	takes time.Duration
	begun []msg.ActRequest
	done  []msg.ActRequest
}

func (h *helper) act(ctx context.Context, r msg.ActRequest) msg.Outcome {
	h.mu.Lock()
	h.begun = append(h.begun, r)
	takes := h.takes
	h.mu.Unlock()
	select {
	case <-time.After(takes):
	case <-ctx.Done():
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.done = append(h.done, r)
	return msg.Outcome{Type: "done", Request: r.Request, Alarm: &msg.StandingAlarm{ID: r.Alarm}}
}

// outcomes are those that a page was told so far.
func (p *page) outcomes() []msg.Outcome {
	synctest.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.told
}

func (p *page) write(text string) {
	p.t.Helper()
	if err := p.conn.WriteMessage(websocket.TextMessage, []byte(text)); err != nil {
		p.t.Fatal(err)
	}
	synctest.Wait()
}

func act(request string) msg.Request {
	return msg.Request{Act: &msg.ActRequest{Request: request, Alarm: "01", Deed: "acknowledge", AlarmAct: msg.AlarmAct{By: "Ada"}}}
}

// TestActs: what a page asks for is done in its order, though each takes its time, and told to it alone, while frames go on; an outcome is
// not counted as a frame.
func TestActs(t *testing.T) {
	h := &helper{takes: 700 * time.Millisecond}
	in(t, live.Options{Act: h.act}, func(s *stand) {
		p, q := s.page(), s.page()
		for i := range 3 {
			p.say(act(fmt.Sprint(i)))
		}
		if n := len(p.outcomes()); n != 0 {
			t.Fatalf("%d outcomes at once", n)
		}
		start := time.Now()
		for p, ack := range map[*page]uint64{p: 1, q: 1} {
			p.say(msg.Request{Ack: ack})
		}
		s.pots.set("alder", "pressurised", "2")
		time.Sleep(60 * time.Millisecond)
		if f, at := p.last(); f.Seq != 2 || at.Sub(start) > 50*time.Millisecond {
			t.Errorf("a frame waits for acts: %+v after %v", f, at.Sub(start))
		}
		p.say(msg.Request{Ack: 2})
		time.Sleep(2100 * time.Millisecond)
		var got []string
		for _, o := range p.outcomes() {
			got = append(got, o.Type+" "+o.Request+" "+o.Alarm.ID)
		}
		if want := []string{"done 0 01", "done 1 01", "done 2 01"}; !slices.Equal(got, want) {
			t.Errorf("outcomes %v, want %v", got, want)
		}
		if n := len(q.outcomes()); n != 0 {
			t.Errorf("another page was told of %d", n)
		}
		if h.begun[1].By != "Ada" || h.begun[1].Deed != "acknowledge" {
			t.Errorf("%+v", h.begun[1])
		}
	})
}

// TestUnreadable: what cannot be read is answered in words, and neither ends the connection nor loses what stands beside it.
func TestUnreadable(t *testing.T) {
	h := &helper{}
	in(t, live.Options{Act: h.act}, func(s *stand) {
		p := s.page()
		p.say(act("before"))
		for i, c := range []struct {
			text, request string
			status        int
			says          string
		}{
			{`{`, "", 400, "not JSON"},
			{`[]`, "", 400, "not JSON"},
			{"\xff", "", 400, "not JSON"},
			{`{"ack":"1"}`, "", 400, "ack"},
			{`{"ack":-1}`, "", 400, "ack"},
			{`{"act":{"alarm":"01"}}`, "", 400, "request has 0 characters"},
			{`{"act":7}`, "", 400, "request has 0 characters"},
			{`{"act":{"request":"` + strings.Repeat("x", 65) + `"}}`, "", 400, "request has 65 characters; give 1 to 64"},
			{`{"act":{"request":"7","mood":1}}`, "7", 400, "mood"},
			{`{"act":{"request":"8","by":1}}`, "8", 400, "by"},
			{`{"act":{"request":"9","note":"` + strings.Repeat("x", 17<<10) + `"}}`, "9", 413, "less than 16 KiB"},
			{`{"subscribe":[` + strings.Repeat(`"a",`, 1000) + `"a"]}`, "", 400, "the most is 1000"},
		} {
			p.write(c.text)
			o := p.outcomes()[i+1]
			if o.Type != "refused" || o.Request != c.request || o.Problem == nil || o.Problem.Status != c.status || o.Problem.Type != "about:blank" || o.Problem.Title == "" ||
				!strings.Contains(o.Problem.Detail, c.says) || o.Alarm != nil {
				t.Errorf("%.40s: %+v %+v", c.text, o, o.Problem)
			}
			time.Sleep(500 * time.Millisecond) // the pace
		}
		p.write(`{"ack":1,"subscribe":["birch"],"act":{"request":"10","alarm":"01","deed":"sing","tune":1}}`)
		time.Sleep(60 * time.Millisecond)
		if f, _ := p.last(); f.Seq != 2 || f.Type != "snapshot" || len(f.Pots) != 1 {
			t.Errorf("what stood beside it was lost: %+v", f)
		}
		p.say(act("after"))
		if o := p.outcomes(); p.ended() != nil || o[0].Request != "before" || o[0].Type != "done" || o[len(o)-1].Request != "after" || o[len(o)-1].Type != "done" || len(h.done) != 2 {
			t.Errorf("error %v, done %+v", p.ended(), h.done)
		}
	})
}

// TestPaceOfActs: twenty at once, then two a second; what is beyond is refused and not done, and a page that says only what cannot be read is
// dropped.
func TestPaceOfActs(t *testing.T) {
	h := &helper{}
	in(t, live.Options{Act: h.act}, func(s *stand) {
		p := s.page()
		for i := range 30 {
			p.say(act(fmt.Sprint(i)))
		}
		count := func() (done, refused int) {
			for _, o := range p.outcomes() {
				if o.Type == "done" {
					done++
				} else if o.Problem.Status == 429 && strings.Contains(o.Problem.Detail, "was not done") {
					refused++
				}
			}
			return done, refused
		}
		if done, refused := count(); done != 20 || refused != 10 || len(h.done) != 20 {
			t.Errorf("%d done, %d refused", done, refused)
		}
		time.Sleep(5 * time.Second)
		for i := range 15 {
			p.say(act(fmt.Sprint(i)))
		}
		if done, refused := count(); done != 30 || refused != 15 {
			t.Errorf("%d done, %d refused, after 5 s", done, refused)
		}
		q := s.page()
		for range 25 {
			_ = q.conn.WriteMessage(websocket.TextMessage, []byte("{"))
		}
		if q.ended(); len(q.outcomes()) != 20 || q.ended() == nil || p.ended() != nil {
			t.Errorf("%d outcomes, error %v", len(q.outcomes()), q.ended())
		}
	})
}

// TestWaitingActs: of a page that asks faster than it is done eight wait at most; the others are refused.
func TestWaitingActs(t *testing.T) {
	h := &helper{takes: 2 * time.Second}
	in(t, live.Options{Act: h.act}, func(s *stand) {
		p := s.page()
		for i := range 12 {
			p.say(act(fmt.Sprint(i)))
		}
		o := p.outcomes()
		if len(o) != 3 || o[0].Request != "9" || o[0].Problem.Status != 429 {
			t.Fatalf("%+v", o)
		}
	})
}

// TestActsOfAPageThatLeaves: what was taken is done, though nobody is left to be told; what waits for longer than a moment is given up,
// and nothing is left behind, which the bubble would tell.
func TestActsOfAPageThatLeaves(t *testing.T) {
	h := &helper{takes: 300 * time.Millisecond}
	in(t, live.Options{Act: h.act}, func(s *stand) {
		p := s.page()
		for i := range 6 {
			p.say(act(fmt.Sprint(i)))
		}
		start := time.Now()
		p.conn.Close()
		s.stop()
		if len(h.done) != 6 || time.Since(start) > 1300*time.Millisecond || s.hub.Clients() != 0 {
			t.Errorf("%d done after %v", len(h.done), time.Since(start))
		}
	})
}

// TestNoActs: where nobody does anything with alarms that is said.
func TestNoActs(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p := s.page()
		p.say(act("1"))
		if o := p.outcomes(); len(o) != 1 || o[0].Request != "1" || o[0].Problem.Status != 404 {
			t.Errorf("%+v", o)
		}
	})
}
