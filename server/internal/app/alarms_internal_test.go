package app

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	msg "gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/acts"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/httpapi"
	"gritwatch/server/internal/live"
	"gritwatch/server/internal/notify"
	"gritwatch/server/internal/pot"
	"gritwatch/server/internal/records"
)

const yardPot = `name: %s
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in, target: 100 psi}
points: [supply, vessel, hose, control]
units: {pressure: psi}
`

// A yard is a site's alarms from the pots' readings to its pages, in the bubble's time: actors, attendance, desk, records, hub and API as
// Run puts them together, without broker and store.
type yard struct {
	t       *testing.T
	names   []string
	folder  string
	records *records.SQLite
	desk    *desk.Desk
	fleet   *fleet
	attend  *attendance
	hub     *live.Hub
	api     http.Handler
	pages   *pipes
	stop    func()

	mu   sync.Mutex
	told []notify.Notice

	guards  map[string]*vent.Judge
	pressed time.Time // all pots; zero: never
	loosed  time.Time
	shut    bool    // the exhausts
	clogged float64 // time constant of the vents over the usual one, less 1
	more    string  // of the pots' files
	since   time.Time
	noise   *rand.Rand // of the gauges: one that never moves would look stuck
}

// pipes is a listener over net.Pipe, whose deadlines follow the bubble's time.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
}

func (l *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}
func (l *pipes) Close() error   { return nil }
func (l *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8080} }

// Notice makes the yard the one who is told outside.
func (y *yard) Notice(n notify.Notice) {
	y.mu.Lock()
	defer y.mu.Unlock()
	y.told = append(y.told, n)
}

// loud are the kinds that were told outside as news.
func (y *yard) loud() (out []string) {
	y.mu.Lock()
	defer y.mu.Unlock()
	for _, n := range y.told {
		if n.Change.Loud {
			out = append(out, n.Change.Key.Kind.String())
		}
	}
	return out
}

func newYard(t *testing.T, names ...string) *yard {
	y := &yard{t: t, names: names, folder: filepath.Join(t.TempDir(), "records"), guards: map[string]*vent.Judge{}, noise: rand.New(rand.NewPCG(1, 2))}
	y.start()
	return y
}

// start starts the server's part; what was recorded stands.
func (y *yard) start() {
	t := y.t
	t.Helper()
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	must := func(err error) {
		if err != nil {
			t.Error(err)
		}
	}
	var err error
	if y.records, err = records.Open(y.folder, log); err != nil {
		t.Fatal(err)
	}
	open, err := y.records.OpenAlarms(t.Context())
	must(err)
	var all []potfile.Pot
	var units []alarm.Unit
	for _, name := range y.names {
		p, err := potfile.ParsePot("pot.yaml", append(fmt.Appendf(nil, yardPot, name), y.more...))
		must(err)
		all = append(all, p)
		units = append(units, alarm.Unit{Pot: name, Agent: "quay-1"})
		if y.guards[name] == nil {
			y.guards[name] = vent.NewJudge(p.Vent(), vent.Options{})
		}
	}
	begin := time.Now()
	tellers := &tellers{}
	y.desk = desk.New(t.Context(), desk.Options{Units: units, Records: y.records, Open: open, Log: log, Tell: tellers.tell, Changed: tellers.changed,
		Assume: tellers.assume, Ease: tellers.ease}, begin)
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	var actors []*pot.Actor
	for _, p := range all {
		a := pot.New(pot.Config{Site: "harrow-quay", Agent: "quay-1", Pot: p},
			pot.Options{Start: begin, Log: log, Events: pot.Events{Alarm: y.desk.Found}, Assume: y.desk.Standing(p.Name, "")})
		actors = append(actors, a)
		running.Go(func() { must(a.Run(ctx)) })
	}
	y.fleet = newFleet(actors)
	y.attend = newAttendance(y.desk, actors, begin)
	done := acts.New(y.desk, y.records, log)
	y.hub = live.New(y.fleet, live.Options{Log: log, Refuse: httpapi.Problem, Alarms: y.desk, Act: done.Ask})
	tellers.begin(y.fleet, y.hub, y)
	y.api = httpapi.New(httpapi.Options{Pots: y.fleet, Live: y.hub, Metrics: http.NotFoundHandler(), Page: fstest.MapFS{"index.html": {}},
		Ready: func() []string { return nil }, Listen: "127.0.0.1:8080",
		Log: log, Records: y.records, Alarms: y.desk, Acts: done, Vent: y.fleet.Vent, Recorder: &clerk{y.fleet, y.records}})
	y.pages = &pipes{make(chan net.Conn), make(chan struct{})}
	server := &http.Server{Handler: y.api}
	running.Go(func() { must(y.hub.Run(ctx)) })
	running.Go(func() { must(y.attend.Run(ctx)) })
	running.Go(func() {
		if err := server.Serve(y.pages); !errors.Is(err, net.ErrClosed) {
			t.Error(err)
		}
	})
	y.since = time.Now()
	y.stop = func() {
		cancel()
		close(y.pages.done)
		running.Wait()
		server.Close()
		must(y.records.Close())
	}
}

func (y *yard) event(k feed.Kind, name string) feed.Event {
	return feed.Event{Kind: k, Pot: name, Agent: "quay-1", Session: "s" + y.since.String(), Epoch: 1, Simulated: true, Received: time.Now(),
		Digest: y.fleet.actors[name].Config().Pot.Vent().Digest()}
}

func (y *yard) hand(e feed.Event) {
	y.attend.event(&e)
	y.fleet.Event(e)
}

func (y *yard) born() {
	for _, name := range y.names {
		y.hand(y.event(feed.Birth, name))
	}
}

// pressures of a pot: it fills with a time constant of 1.5 s, and vents with one of 2 s.
func (y *yard) pressures() map[points.Point]float64 {
	const full = 650e3
	p := map[points.Point]float64{points.Supply: 700e3, points.Vessel: 0, points.Hose: 0, points.Control: 0}
	switch now := time.Now(); {
	case y.pressed.IsZero():
	case y.loosed.Before(y.pressed):
		p[points.Vessel] = full * (1 - math.Exp(-now.Sub(y.pressed).Seconds()/1.5))
		p[points.Hose], p[points.Control] = 0.98*p[points.Vessel], 600e3
	default:
		s := now.Sub(y.loosed).Seconds()
		p[points.Vessel] = full * math.Exp(-s/2/(1+y.clogged))
		if y.shut {
			p[points.Vessel] = full
		}
		p[points.Hose] = 0.98 * full * math.Exp(-s/0.3)
	}
	return p
}

// run lives for a time: a poll each 100 ms, a message each 500 ms, an echo each 5 s.
func (y *yard) run(d time.Duration) {
	buffer := map[string][]points.Sample{}
	for i := range int(d / (100 * time.Millisecond)) {
		if i%50 == 0 {
			now := time.Now()
			y.attend.heard("quay-1", now)
			y.fleet.Echo(feed.Echo{Agent: "quay-1", Session: "s" + y.since.String(), Epoch: 1, Sent: now, Received: now, AgentAt: si.InstantOf(now)})
		}
		time.Sleep(100 * time.Millisecond)
		p := y.pressures()
		for _, name := range y.names {
			for _, pt := range []points.Point{points.Supply, points.Vessel, points.Hose, points.Control} {
				s := points.Sample{Point: pt, Quality: points.Good, At: si.InstantOf(time.Now()), Value: si.GaugePressure(p[pt] + 400*y.noise.NormFloat64())}
				y.guards[name].Step(s)
				buffer[name] = append(buffer[name], s)
			}
			if i%5 == 4 {
				e := y.event(feed.Data, name)
				g := y.guards[name].Answer()
				e.Samples, e.Guard, e.GuardAt = buffer[name], g.Word.String(), si.InstantOf(time.Now())
				delete(buffer, name)
				y.hand(e)
			}
		}
		synctest.Wait()
	}
}

func (y *yard) press()   { y.pressed = time.Now() }
func (y *yard) release() { y.loosed = time.Now() }

// cycle is a healthy one, to vented.
func (y *yard) cycle() {
	y.t.Helper()
	y.shut = false
	y.run(3 * time.Second)
	y.press()
	y.run(10 * time.Second)
	y.release()
	y.run(25 * time.Second)
	if p, _ := y.fleet.Estimate(y.names[0], time.Now()); p.Answer.Word != "vented" {
		y.t.Fatalf("after a healthy cycle: %s because %v", p.Answer.Word, p.Answer.Because)
	}
}

// A page is one that is connected; it acknowledges each frame and keeps the alarms and when they came.
type page struct {
	conn *websocket.Conn
	done chan struct{}

	mu     sync.Mutex
	alarms []msg.StandingAlarm
	at     time.Time // of the newest change of them
	frames int       // with alarms
	vent   *msg.RunningVent
}

func (y *yard) page(subscribe ...string) *page {
	y.t.Helper()
	dialer := websocket.Dialer{NetDialContext: func(context.Context, string, string) (net.Conn, error) {
		client, server := net.Pipe()
		y.pages.conns <- server
		return client, nil
	}}
	conn, _, err := dialer.Dial("ws://127.0.0.1:8080/api/v1/live", nil)
	if err != nil {
		y.t.Fatal(err)
	}
	if subscribe != nil {
		if err := conn.WriteJSON(msg.Request{Subscribe: subscribe}); err != nil {
			y.t.Fatal(err)
		}
	}
	p := &page{conn: conn, done: make(chan struct{})}
	go func() {
		defer close(p.done)
		for {
			var f msg.Frame
			if err := conn.ReadJSON(&f); err != nil {
				return
			}
			p.mu.Lock()
			if f.Alarms != nil {
				p.alarms, p.at = f.Alarms, time.Now()
				p.frames++
			}
			if len(f.Pots) > 0 {
				p.vent = f.Pots[0].Vent
			}
			p.mu.Unlock()
			if err := conn.WriteJSON(msg.Request{Ack: f.Seq}); err != nil {
				return
			}
		}
	}()
	return p
}

// list is what the page shows, as kind and state.
func (p *page) list() (out []string, at time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, a := range p.alarms {
		out = append(out, a.Alarm+" "+a.State)
	}
	return out, p.at
}

func (p *page) find(kind string) msg.StandingAlarm {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, a := range p.alarms {
		if a.Alarm == kind {
			return a
		}
	}
	return msg.StandingAlarm{}
}

func (p *page) close() {
	p.conn.Close()
	<-p.done
}

// call is a request to the API.
func (y *yard) call(method, target, body string, into any) int {
	y.t.Helper()
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	r.Host = "127.0.0.1:8080"
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	y.api.ServeHTTP(w, r)
	text, err := io.ReadAll(w.Result().Body)
	if err != nil {
		y.t.Fatal(err)
	}
	if into != nil {
		if err := json.Unmarshal(text, into); err != nil {
			y.t.Fatalf("%s: %v", text, err)
		}
	}
	return w.Code
}

func events(a *msg.Alarm) (out []string) {
	for _, t := range a.Transitions {
		out = append(out, t.Event)
	}
	return out
}

// TestHeldVessel: from a stalled vent's readings to the page, outside, the records and the API; acknowledged by a person; latched over a
// restart; and let go by a vent that was seen, not before.
func TestHeldVessel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		y := newYard(t, "alder", "birch")
		y.names = y.names[:1] // birch's readings are of no matter, but it is the same agent's
		y.born()
		y.cycle()
		p := y.page("alder")
		y.run(time.Second)
		if list, _ := p.list(); slices.ContainsFunc(list, func(s string) bool { return strings.HasPrefix(s, "v") && !strings.HasPrefix(s, "vessel-unknown") }) {
			t.Fatalf("a healthy pot: %v", list)
		}
		p.mu.Lock()
		v := p.vent
		p.mu.Unlock()
		if v == nil || len(v.Trace.TS) < 20 || v.Envelope == nil {
			t.Errorf("the page of one pot has the vent %+v", v)
		}
		y.press()
		y.run(10 * time.Second)
		y.shut = true
		y.release()
		y.run(5 * time.Second)
		slow, held := p.find("vent-slow"), p.find("vessel-held")
		if slow.State != "unacknowledged" || held.State != "unacknowledged" || !held.Loud || held.Cause != slow.ID || held.Pot != "alder" || !slices.Equal(held.Can, []string{"acknowledge", "comment"}) {
			t.Fatalf("the page shows %+v, %+v", slow, held)
		}
		if loud := y.loud(); !slices.Contains(loud, "vent-slow") || !slices.Contains(loud, "vessel-held") {
			t.Errorf("told outside: %v", loud)
		}
		y.mu.Lock()
		for _, n := range y.told {
			if n.Change.Key.Pot == "alder" && (n.Agent != "quay-1" || !n.Simulated) {
				t.Errorf("told without agent, or that it is simulated: %+v", n)
			}
		}
		y.mu.Unlock()

		var one msg.AlarmDetail
		if code := y.call("GET", "/api/v1/alarms/"+held.ID, "", &one); code != 200 || one.Evidence.Trace == nil || one.Evidence.Cause != slow.ID || one.Text.Says == "" ||
			one.AnswerRule == "" || one.Standing == nil || len(one.Transitions) != 1 {
			t.Errorf("%d: %+v", code, one)
		}
		var list msg.Alarms
		if code := y.call("GET", "/api/v1/alarms?state=open&pot=alder", "", &list); code != 200 || len(list.Alarms) != 2 || list.Alarms[0].ID != slow.ID || list.Alarms[1].Standing.ID != held.ID {
			t.Errorf("%d: %+v", code, list)
		}
		var refused msg.Problem
		if code := y.call("POST", "/api/v1/alarms/"+held.ID+"/reset", `{"by":"R. Malone","note":"gauge read zero"}`, &refused); code != 409 || !strings.Contains(refused.Detail, "still stands") {
			t.Errorf("a reset while it stands: %d %+v", code, refused)
		}
		if code := y.call("POST", "/api/v1/alarms/"+held.ID+"/shelve", `{"by":"R. Malone","for_s":600}`, &refused); code != 409 || !strings.Contains(refused.Detail, "cannot shelve vessel-held of pot alder") {
			t.Errorf("a shelf for a vessel: %d %+v", code, refused)
		}
		one = msg.AlarmDetail{}
		if code := y.call("POST", "/api/v1/alarms/"+held.ID+"/acknowledge", `{"by":"R. Malone","note":"on my way"}`, &one); code != 200 || one.Standing == nil || one.Standing.State != "acknowledged" ||
			one.Standing.By != "R. Malone" || one.Fault != "" || !strings.Contains(string(one.Transitions[1].Evidence), "on my way") {
			t.Errorf("%d: %+v", code, one)
		}
		y.run(time.Second)
		if a := p.find("vessel-held"); a.State != "acknowledged" || a.Loud {
			t.Errorf("the page shows %+v", a)
		}
		if p, _ := y.fleet.Estimate("alder", time.Now()); p.Answer.Word != "pressurised" {
			t.Errorf("acknowledged, and the answer is %s", p.Answer.Word)
		}

		// The server is started anew, with the vessel held.
		p.close()
		y.stop()
		told := len(y.told)
		y.names = []string{"alder", "birch"}
		y.start()
		y.names = y.names[:1]
		y.born()
		p = y.page()
		y.run(5 * time.Second)
		if a := p.find("vessel-held"); a.ID != held.ID || a.State != "acknowledged" || !a.Active || a.By != "R. Malone" {
			t.Errorf("after a start: %+v", a)
		}
		for _, n := range y.told[told:] {
			if n.Change.Key.Pot == "alder" {
				t.Errorf("told again: %+v", n.Change)
			}
		}
		// The exhaust opens at last. Nothing was seen that proves a vent: it is latched.
		y.shut, y.loosed = false, time.Now()
		y.run(6 * time.Minute)
		if a := p.find("vessel-held"); a.ID != held.ID || a.State == "unacknowledged" {
			t.Errorf("vented unseen: %+v", a)
		}
		y.cycle()
		y.run(time.Second)
		if a := p.find("vessel-held"); a.ID != "" {
			t.Errorf("after a vent that was seen: %+v", a)
		}
		one = msg.AlarmDetail{}
		if code := y.call("GET", "/api/v1/alarms/"+held.ID, "", &one); code != 200 || one.Ended == "" || !slices.Equal(events(&one.Alarm), []string{"raised", "acknowledged", "returned", "returned"}) {
			t.Errorf("%d: its life %v, ended %s", code, events(&one.Alarm), one.Ended)
		}
		p.close()
		y.stop()

		// The records have the same.
		r, err := records.Open(y.folder, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		x, ok, err := r.Alarm(t.Context(), held.ID)
		if err != nil || !ok || x.Ended == 0 || len(x.Transitions) != 4 || x.Transitions[1].By != "R. Malone" || !strings.Contains(x.Transitions[3].Evidence, "word") {
			t.Errorf("records: %+v, %v", x, err)
		}
	})
}

// TestPageAtOnce: a change of the alarms goes to the page in the instant in which it is found, not with the next beat or the next look.
func TestPageAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		y := newYard(t, "alder")
		y.born()
		y.run(5 * time.Second)
		p := y.page()
		y.run(2 * time.Second)
		for range 5 { // wherever the hub's look stands
			time.Sleep(13 * time.Millisecond)
			synctest.Wait()
			_, before := p.list()
			y.desk.Found([]alarm.Found{{Key: alarm.Key{Pot: "alder", Kind: alarm.OverPressure}, Priority: alarm.Critical, At: si.InstantOf(time.Now()), On: true}})
			found := time.Now()
			synctest.Wait()
			if _, at := p.list(); at == before || at.Sub(found) > 0 {
				t.Errorf("told %v after it was found", at.Sub(found))
			}
			y.desk.Found([]alarm.Found{{Key: alarm.Key{Pot: "alder", Kind: alarm.OverPressure}, At: si.InstantOf(time.Now())}})
			synctest.Wait()
		}
		p.mu.Lock()
		if p.frames > 12 { // the first, and those changes
			t.Errorf("%d frames had alarms", p.frames)
		}
		p.mu.Unlock()
		p.close()
		y.stop()
	})
}

// TestDeadAgent: an agent with twenty pots dies: people hear of one alarm, the vessels' stand suppressed under it; heard again, all end by
// themselves but for what is to be acknowledged.
func TestDeadAgent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var names []string
		for i := range 20 {
			names = append(names, fmt.Sprintf("pot-%02d", i))
		}
		y := newYard(t, names...)
		y.born()
		y.cycle()
		if loud := y.loud(); len(loud) != 0 {
			t.Fatalf("healthy pots: %v", loud)
		}
		for _, name := range names {
			y.hand(y.event(feed.Death, name))
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		if loud := y.loud(); !slices.Equal(loud, []string{"agent-silent"}) {
			t.Errorf("people heard of %v", loud)
		}
		list, _ := y.desk.Alarms()
		// All its pots were vented at the last word: then it is high.
		if len(list) != 21 || list[0].Alarm != "agent-silent" || list[0].Priority != "high" || list[0].Agent != "quay-1" {
			t.Fatalf("%d alarms, the first %+v", len(list), list[0])
		}
		for _, a := range list[1:] {
			if a.Alarm != "vessel-unknown" || a.State != "suppressed" {
				t.Errorf("%+v", a)
			}
		}
		y.born()
		y.run(40 * time.Second)
		list, _ = y.desk.Alarms()
		if loud := y.loud(); len(loud) != 1 || len(list) != 1 || list[0].State != "returned-unacknowledged" {
			t.Errorf("heard again: %v, told %v", list, loud)
		}
		y.stop()
	})
}

// TestNobodyHeard: a server whose agents do not come says so, as critical, once they have had the time to come back: nothing is known of their
// pots, whose own alarms are suppressed under it. Agents that come back late, but in time, are no alarm.
func TestNobodyHeard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		y := newYard(t, "alder")
		time.Sleep(19 * time.Second)
		synctest.Wait()
		if list, _ := y.desk.Alarms(); len(list) != 0 {
			t.Errorf("after 19 s: %+v", list)
		}
		time.Sleep(15 * time.Second)
		synctest.Wait()
		list, _ := y.desk.Alarms()
		if len(list) != 2 || list[0].Alarm != "agent-silent" || list[0].Priority != "critical" || list[1].Alarm != "vessel-unknown" || list[1].State != "suppressed" {
			t.Errorf("%+v", list)
		}
		y.stop()

		z := newYard(t, "alder")
		time.Sleep(16 * time.Second)
		z.born()
		z.run(20 * time.Second)
		if list, _ := z.desk.Alarms(); len(list) != 0 {
			t.Errorf("back after 16 s: %+v", list)
		}
		z.stop()
	})
}

// TestClockSkew: an agent whose clock is three seconds off, for sure, is told of once, and its end.
func TestClockSkew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		y := newYard(t, "alder")
		y.born()
		y.run(2 * time.Second)
		y.attend.clock("quay-1", time.Now(), 3*time.Second, 3*time.Second) // perhaps off by half of that alone
		y.run(5 * time.Second)
		if list, _ := y.desk.Alarms(); len(list) != 0 {
			t.Errorf("not for sure: %+v", list)
		}
		for range 3 {
			y.attend.clock("quay-1", time.Now(), -3*time.Second, 100*time.Millisecond)
			y.run(5 * time.Second)
		}
		if list, _ := y.desk.Alarms(); len(list) != 1 || list[0].Alarm != "clock-skew" || list[0].Agent != "quay-1" {
			t.Errorf("off: %+v", list)
		}
		for range 4 {
			y.attend.clock("quay-1", time.Now(), 100*time.Millisecond, 100*time.Millisecond)
			y.run(5 * time.Second)
		}
		if list, _ := y.desk.Alarms(); len(list) != 0 {
			t.Errorf("set right: %+v", list)
		}
		y.stop()
	})
}

// TestServiced: what people do to a pot ends its alarms. Water of damp air gathers in the separator until somebody records that it was drained; that it was
// looked at does not count. An exhaust that has clogged is found until it was cleaned, and that is recorded: ten minutes later its alarm is over.
func TestServiced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		y := &yard{t: t, names: []string{"alder"}, folder: filepath.Join(t.TempDir(), "records"), guards: map[string]*vent.Judge{}, noise: rand.New(rand.NewPCG(1, 2)),
			more: "air: {intake: 30 C, humidity: 80 %, separator: 25 C, drain_at: 0.1 L}\n"}
		y.start()
		defer y.stop()
		y.born()
		open := func(kind string) bool {
			list, _ := y.desk.Alarms()
			return slices.ContainsFunc(list, func(a msg.StandingAlarm) bool { return a.Alarm == kind })
		}
		serve := func(part, work string) {
			t.Helper()
			if code := y.call("POST", "/api/v1/pots/alder/services", fmt.Sprintf(`{"part":%q,"work":%q,"by":"R. Malone"}`, part, work), nil); code != 201 {
				t.Fatalf("%s %s: %d", part, work, code)
			}
		}
		until := func(kind string, want bool, least, most int) {
			t.Helper()
			for n := range most + 1 {
				if open(kind) == want {
					if n < least {
						t.Fatalf("%s: %v after %d cycles", kind, want, n)
					}
					t.Logf("%s: %v after %d cycles", kind, want, n)
					return
				}
				y.cycle()
			}
			t.Fatalf("%s: never %v", kind, want)
		}
		until("drain-due", true, 3, 12)
		serve("separator", "looked at")
		y.cycle()
		if !open("drain-due") {
			t.Error("the drain is not due after a look at the separator")
		}
		serve("separator", "drained")
		until("drain-due", false, 1, 1)
		until("drain-due", true, 3, 12)

		if open("exhaust-restricted") {
			t.Error("the exhaust is restricted while it is sound")
		}
		y.clogged = 0.5
		until("exhaust-restricted", true, 3, 8)
		y.clogged = 0
		y.cycle()
		serve("exhaust", "cleaned")
		until("exhaust-restricted", false, 15, 20) // ten minutes
	})
}
