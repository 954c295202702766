package e2e_test

import (
	"bytes"
	"cmp"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"
	_ "modernc.org/sqlite" // to lock the records as another program would

	"gritwatch/protocol/live"
)

// An alarmPot is a simulated pot.
type alarmPot struct {
	name   string
	vessel string   // of pot.yaml; empty: a small one
	hose   string   // its bore; empty: 1 in
	nozzle string   // its bore; empty: 5/16 in
	target string   // of the nozzle; empty: 100 psi
	points []string // empty: all six
	zero   string   // of the vessel's gauge, as a person recorded it; empty: nobody did
	air    string   // what its site states of the air; empty: nothing
	sim    string   // more keys of the simulated pot; empty: how full it is
	cycle  string   // empty: pressed for 14 s and at rest for 16 s; "none": the events say when
	events []string // it is pressed from 3 s on
}

const (
	shut = "exhaust_shut: 100 %"
	plug = "nozzle: plugged"

	alarmPotsALine = 3 // of six points, read five times a second
)

// sixPoints are all points of a pot, in the order of the air.
var sixPoints = []string{"supply", "separator", "vessel", "hose", "nozzle", "control"}

// measured are the pot's points.
func (p *alarmPot) measured() []string {
	if len(p.points) > 0 {
		return p.points
	}
	return sixPoints
}

func (p *alarmPot) mapping() string {
	var points []string
	for _, x := range p.measured() {
		zero := ""
		if x == "vessel" && p.zero != "" {
			zero = ", zero: " + p.zero
		}
		points = append(points, "{"+x+": {range: 0..200 psi, zero_error: 0.25 psi"+zero+"}}")
	}
	return fmt.Sprintf("name: %s, vessel: %s, hose: {bore: %s, length: 50 ft}, nozzle: {bore: %s, target: %s}, points: [%s]", p.name,
		cmp.Or(p.vessel, "{volume: 3.5 ft3, rated: 150 psi}"), cmp.Or(p.hose, "1 in"), cmp.Or(p.nozzle, "5/16 in"), cmp.Or(p.target, "100 psi"), strings.Join(points, ", "))
}

// An alarmAgent is an agent with its pots, on lines of its own.
type alarmAgent struct {
	name   string
	pots   []alarmPot
	period string // of its lines; empty: 200ms
}

// alarmSim simulates the pots of all agents. relays and the like are put behind the first line's units.
func alarmSim(agents []alarmAgent, more string) string {
	var pots, lines strings.Builder
	for _, a := range agents {
		for i, p := range a.pots {
			cycle := p.cycle
			if cycle == "" {
				cycle = "press: 14 s, rest: 16 s, start: 3 s"
			}
			if cycle = "cycle: {" + cycle + "}, "; p.cycle == "none" {
				cycle = ""
			}
			sim := p.sim
			if sim == "" {
				sim = "fill: 70 %"
			}
			fmt.Fprintf(&pots, "  - {%s, %s, script: {%sevents: [%s]}}\n", p.mapping(), sim, cycle, strings.Join(p.events, ", "))
			if i%alarmPotsALine == 0 {
				if lines.Len() > 0 {
					lines.WriteString(more)
					more = ""
				}
				fmt.Fprintf(&lines, "  - link: $DIR/%s-%d\n    mode: 115200 8E1\n    units:\n", a.name, i/alarmPotsALine)
			}
			fmt.Fprintf(&lines, "      - {unit: %d, kind: transmitter, channels: [", i+1)
			for k, point := range p.measured() {
				if k > 0 {
					lines.WriteString(", ")
				}
				fmt.Fprintf(&lines, "{pot: %s, point: %s, address: %d, order: high-first, unit: psi}", p.name, point, 2*k)
			}
			lines.WriteString("]}\n")
		}
	}
	return "pots:\n" + pots.String() + "lines:\n" + lines.String() + more
}

// config is the agent's file; more is put behind the first bus's units.
func (a *alarmAgent) config(broker, more string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "agent: %s\nsite: harrow-quay\nbroker: {url: \"mqtt://%s\"}\njournal: $DIR/journal-%s\nsimulated: true\nbuses:\n", a.name, broker, a.name)
	for i, p := range a.pots {
		if i%alarmPotsALine == 0 {
			if i > 0 {
				b.WriteString(more)
				more = ""
			}
			fmt.Fprintf(&b, "  - port: $DIR/%s-%d\n    mode: 115200 8E1\n    period: %s\n    units:\n", a.name, i/alarmPotsALine, cmp.Or(a.period, "200ms"))
		}
		fmt.Fprintf(&b, "      - unit: %d\n        read:\n", i+1)
		for k, point := range p.measured() {
			fmt.Fprintf(&b, "          - {pot: %s, point: %s, input: %d, type: float32, order: high-first, unit: psi}\n", p.name, point, 2*k)
		}
	}
	b.WriteString(more + "pots:\n")
	for _, p := range a.pots {
		fmt.Fprintf(&b, "  - {%s}\n", p.mapping())
	}
	return b.String()
}

// alarmServer is the server's file; broker is its mapping.
func alarmServer(agents []alarmAgent, broker string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "site: harrow-quay\nlisten: $HTTP\nbroker: %s\ndata: $DIR/data\npots:\n", broker)
	for _, a := range agents {
		for _, p := range a.pots {
			air := ""
			if p.air != "" {
				air = ", air: " + p.air
			}
			fmt.Fprintf(&b, "  - {agent: %s, %s%s}\n", a.name, p.mapping(), air)
		}
	}
	return b.String()
}

// hookSecret is that of the tests' webhooks.
const hookSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

// A hook receives what a server tells outside, as a program by others would: it verifies each message.
type hook struct {
	t    testing.TB
	url  string
	mu   sync.Mutex
	got  []hooked
	down bool // it answers 503
}

// hooked is one alarm as the hook was told of it.
type hooked struct {
	ID, Pot, Agent, Point, Fault, Priority, State, Event, Says string
	Kind                                                       string `json:"alarm"`
	T                                                          string `json:"at"`
	Raised                                                     string
	Simulated                                                  bool
	LateS                                                      float64 `json:"late_s"`
	LateFor                                                    string  `json:"late_for"`
	Do                                                         []string
	at                                                         time.Time // when it came
}

func newHook(t testing.TB) *hook {
	t.Helper()
	v, err := standardwebhooks.NewWebhook(hookSecret)
	if err != nil {
		t.Fatal(err)
	}
	h := &hook{t: t}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		now := time.Now()
		body, err := io.ReadAll(r.Body)
		if err == nil {
			err = v.Verify(body, r.Header)
		}
		var b struct {
			Data struct {
				Rule   string `json:"answer_rule"`
				Alarms []hooked
			}
		}
		if err == nil {
			err = json.Unmarshal(body, &b)
		}
		if err != nil {
			t.Errorf("webhook: %v in %s", err, body)
		}
		if strings.Contains(string(body), `"vented"`) || !strings.Contains(b.Data.Rule, "Only the answer says") {
			t.Errorf("webhook: %s", body)
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		if h.down {
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		for _, a := range b.Data.Alarms {
			a.at = now
			h.got = append(h.got, a)
		}
	}))
	t.Cleanup(s.Close)
	h.url = s.URL
	return h
}

func (h *hook) all() []hooked {
	h.mu.Lock()
	defer h.mu.Unlock()
	return slices.Clone(h.got)
}

func (h *hook) setDown(down bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.down = down
}

// config is the hook in a site's file; its secret is written beside.
func (h *hook) config(s *site) string {
	h.t.Helper()
	if err := os.WriteFile(filepath.Join(s.dir, "hook"), []byte(hookSecret+"\n"), 0o600); err != nil {
		h.t.Fatal(err)
	}
	return fmt.Sprintf("notify:\n  - {name: room, gather: 1 ms, webhook: {url: \"%s\", secret_file: hook}}\n", h.url)
}

// A watchedFrame is the alarms of one frame of the page's WebSocket.
type watchedFrame struct {
	at     time.Time
	alarms []live.StandingAlarm
}

// frames follows the page's WebSocket until the test's end, and notes each list of alarms.
type frames struct {
	mu   sync.Mutex
	seen []watchedFrame
}

func (s *site) frames() *frames {
	s.t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws://"+s.http+"/api/v1/live", nil)
	if err != nil {
		s.t.Fatal(err)
	}
	f := &frames{}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			var x live.Frame
			if conn.ReadJSON(&x) != nil {
				return
			}
			now := time.Now()
			if x.Alarms != nil {
				f.mu.Lock()
				f.seen = append(f.seen, watchedFrame{now, x.Alarms})
				f.mu.Unlock()
			}
			if conn.WriteJSON(map[string]uint64{"ack": x.Seq}) != nil {
				return
			}
		}
	}()
	s.t.Cleanup(func() { conn.Close(); <-done })
	return f
}

// first is when a frame first had an alarm that ok takes; false: none had.
func (f *frames) first(ok func(live.StandingAlarm) bool) (time.Time, bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, x := range f.seen {
		if slices.ContainsFunc(x.alarms, ok) {
			return x.at, true
		}
	}
	return time.Time{}, false
}

// now is the newest list.
func (f *frames) now() []live.StandingAlarm {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.seen) == 0 {
		return nil
	}
	return f.seen[len(f.seen)-1].alarms
}

// get asks the API for a document.
func get[T any](s *site, path string) (out T, err error) {
	client := http.Client{Timeout: soon}
	res, err := client.Get("http://" + s.http + path)
	if err != nil {
		return out, err
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err == nil && res.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", res.Status, body)
	}
	if err == nil {
		err = json.Unmarshal(body, &out)
	}
	return out, err
}

// act does something with an alarm, as Ida.
func (s *site) act(id, deed string) error {
	body, err := json.Marshal(live.AlarmAct{By: "Ida", Note: "looked at it"})
	if err != nil {
		return err
	}
	client := http.Client{Timeout: soon}
	res, err := client.Post("http://"+s.http+"/api/v1/alarms/"+id+"/"+deed, "application/json", bytes.NewReader(body))
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if text, err := io.ReadAll(res.Body); err != nil || res.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s %w", res.Status, text, err)
	}
	return nil
}

// TestAlarms has what goes wrong at simulated pots go through the whole chain: lines, agents, broker, server, and from there to a
// page's WebSocket, to a page in a real browser, to the API and to a webhook by others. Of each kind of alarm that can be raised in seconds
// one pot raises it, others that come near it must not, and it is cleared: by what ends it, and by Ida, who reads and acknowledges it at
// the page. What takes hours is played by TestAlarmsOfHours. Meanwhile the records' file is locked by another program for half a minute, which must delay no alarm.
func TestAlarms(t *testing.T) {
	t.Parallel()
	try(t, playAlarms)
}

// fastAlarms are what TestAlarms has raised.
var fastAlarms = []struct {
	pot, kind string  // pot: or agent
	from, to  float64 // raised, s
	then      string  // states after it, up to the last, without repetitions, or others; empty: until it is over
	known     string  // the state in which it is acknowledged at the page; empty: as it is found
}{
	{"slow", "vent-slow", 47.5, 51, "returned-unacknowledged normal", "returned-unacknowledged"},
	{"held", "vessel-held", 48, 54, "latched-unacknowledged latched-acknowledged normal|latched-unacknowledged normal", "latched-unacknowledged"},
	{"creep", "pressure-creep", 52, 63, "returned-unacknowledged normal", "returned-unacknowledged"},
	{"stop", "stop-slow", 52, 55, "returned-unacknowledged normal", "returned-unacknowledged"},
	{"over", "over-pressure", 3, 12, "", "returned-unacknowledged"},
	{"under", "supply-below-vessel", 42, 50, "returned-unacknowledged normal", "returned-unacknowledged"},
	{"unknown", "vessel-unknown", 40, 46, "", ""},
	{"unknown", "sensor-fault", 40, 46, "", ""},
	{"kink", "nozzle-low", 45, 62, "acknowledged normal", ""},
	{"low", "supply-low", 30, 50, "shelved unacknowledged acknowledged|shelved unacknowledged acknowledged normal", ""}, // its end takes minutes of blasting
	{"blind-hose", "sensor-fault", 30, 40, "returned-unacknowledged normal", "returned-unacknowledged"},
	{"far", "config-doubt", 30, 45, "acknowledged normal", ""},
	{"quay-2", "agent-silent", 55, 60, "returned-unacknowledged normal", "returned-unacknowledged"},
	{"quay-4", "clock-skew", 30, 40, "acknowledged normal", ""},
}

func playAlarms(t *trial) {
	quay := alarmAgent{name: "quay-1", pots: []alarmPot{
		{name: "slow", events: []string{"{at: 40 s, for: 22 s, exhaust_shut: 93 %}", "{at: 47.3 s, for: 14 s, " + plug + "}"}},
		{name: "held", events: []string{"{at: 40 s, for: 25 s, " + shut + "}", "{at: 40 s, for: 25 s, " + plug + "}"}},
		{name: "creep", events: []string{"{at: 46.8 s, for: 15 s, " + shut + "}", "{at: 47.2 s, for: 14 s, " + plug + "}", "{at: 46.8 s, for: 15 s, inlet_leak: 3 mm}"}},
		{name: "stop", events: []string{"{at: 40 s, for: 15 s, inlet: stuck-open}", "{at: 40 s, for: 15 s, " + shut + "}"}},
		{name: "over", vessel: "{volume: 3.5 ft3, rated: 90 psi}", target: "80 psi", sim: "fill: 70 %, compressor: {unload: 125 psi}", events: []string{"{at: 50 s, set_low: 40 psi}"}},
		{name: "under", events: []string{"{at: 40 s, for: 20 s, compressor: off}", "{at: 40 s, for: 20 s, consumer: 200 cfm}", "{at: 40 s, for: 20 s, " + shut + "}", "{at: 40 s, for: 20 s, " + plug + "}"}},
		{name: "unknown", events: []string{"{at: 40 s, for: 12 s, gauge: vessel, failed: true}"}},
		{name: "kink", cycle: "press: 170 s, rest: 10 s, start: 3 s", events: []string{"{at: 4 s, for: 52 s, hose_kink: 70 %}"}},
		{name: "low", cycle: "press: 170 s, rest: 10 s, start: 3 s", events: []string{"{at: 10 s, for: 30 s, set_low: 35 psi}"}},
		{name: "blind-hose", events: []string{"{at: 30 s, for: 20 s, gauge: hose, failed: true}"}},
	}}
	calm := alarmAgent{name: "quay-3", pots: []alarmPot{
		{name: "healthy"},
		{name: "rebound", sim: "fill: 35 %, vent_time: 1.5 s", cycle: "press: 14 s, rest: 30 s, start: 3 s", events: []string{"{at: 30 s, shut_at_zero: true}"}},
		{name: "gap", events: []string{"{at: 22 s, for: 2 s, gauge: vessel, unplugged: true}"}},
		{name: "stopped-empty", events: []string{"{at: 24 s, for: 8 s, compressor: off}", "{at: 24 s, for: 8 s, consumer: 100 cfm}"}},
		{name: "kinked-briefly", cycle: "press: 170 s, rest: 10 s, start: 3 s", events: []string{"{at: 20 s, for: 20 s, hose_kink: 70 %}", "{at: 60 s, for: 9 s, set_low: 35 psi}", "{at: 80 s, for: 2 s, metering: blocked}"}},
	}}
	// The far agent's file first holds its pot for another one.
	far := alarmAgent{name: "quay-2", pots: []alarmPot{{name: "far"}}}
	other := alarmAgent{name: "quay-2", pots: []alarmPot{{name: "far", target: "90 psi"}}}
	// The clock of a fourth agent is set wrong for a while, that of the third is off by less than a reading may be old.
	wrong := alarmAgent{name: "quay-4", pots: []alarmPot{{name: "clock"}}}
	agents := []alarmAgent{quay, calm, far, wrong}

	s, h := newSite(t), newHook(t)
	s.write("sim.yaml", alarmSim(agents, ""))
	s.write("site.yaml", alarmServer(agents, `{embedded: "$MQTT"}`)+h.config(s))
	var alarms []toFollow
	for _, c := range fastAlarms {
		a := toFollow{Pot: c.pot, Kind: c.kind, Acknowledge: c.known, Shelve: strings.HasPrefix(c.then, "shelved"), Stays: c.kind == "supply-low"}
		if strings.HasPrefix(c.pot, "quay-") {
			a.Pot, a.Agent = "", c.pot
		}
		alarms = append(alarms, a)
	}
	page := s.follow(alarms, 5*time.Minute)
	server := s.start("gritwatch-server", "run", "--config", "site.yaml")
	server.says("dashboard: ", soon)
	f := s.frames()
	page.opened()
	truth := s.dir + "/truth.jsonl"
	s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", truth).says("lines ready", soon)
	zero := time.Now()
	t.by(truth, truthEvery)
	begin := func(a alarmAgent) *program {
		s.write(a.name+".yaml", a.config(s.mqtt, ""))
		return s.start("gritwatch-agent", "run", "--config", a.name+".yaml")
	}
	begin(quay)
	near, _ := s.startSkewed(calm, 1500*time.Millisecond)
	farProgram := begin(other)
	_, setWrong := s.startSkewed(wrong, 0)

	at := func(seconds float64, what string, do func()) {
		t.Helper()
		eventually(t, 3*time.Minute, what, func() bool { return time.Since(zero).Seconds() >= seconds })
		do()
	}
	at(20, "the agent freezes", func() { near.signal(syscall.SIGSTOP) })
	at(25, "and goes on", func() { near.signal(syscall.SIGCONT) })
	at(30, "a clock is set wrong", func() { setWrong(5 * time.Second) })
	var unlock func()
	at(40, "the records are locked", func() { unlock = s.lockRecords() })
	at(46, "the far agent is killed", func() { farProgram.kill() })
	// What ends by itself is acknowledged before, however slow the browser is.
	read := func(who, kind string) {
		t.Helper()
		eventually(t, 3*time.Minute, kind+" is acknowledged", func() bool { return page.acknowledged(who, kind) || page.ended() })
	}
	at(60, "the clock is set right", func() { read("quay-4", "clock-skew"); setWrong(0) })
	at(66, "the far agent is started with the right file", func() { read("far", "config-doubt"); begin(far) })
	at(70, "the records are unlocked", func() {
		server.says("records cannot be stored", soon)
		unlock()
	})
	// At the page Ida has the first alarm of each kind; here she acknowledges whatever else she sees, a while after it was raised. The
	// last that must raise nothing comes 80 s after the start.
	at(72, "most was raised", func() {})
	refused := map[string]string{}
	eventually(t, 6*time.Minute, "the end", func() bool {
		for _, a := range f.now() {
			if slices.Contains(a.Can, "acknowledge") && !page.has(a.ID, cmp.Or(a.Pot, a.Agent), a.Alarm) {
				if err := s.act(a.ID, "acknowledge"); err != nil {
					refused[a.ID] = err.Error() // it may have ended in between: then what is below fails
				}
			}
		}
		if time.Since(zero) < 95*time.Second {
			return false
		}
		if page.ended() {
			return true // what is below says what is missing
		}
		// What is a minute late does not come: nobody waits minutes more for it at the page.
		told := h.all()
		for _, c := range fastAlarms {
			if first, _ := after(told, c.pot, c.kind); first.ID == "" && time.Since(zero).Seconds() > c.to+60 {
				return true
			}
		}
		return false
	})

	server.says("records are stored again", soon)
	got := h.all()
	for _, c := range fastAlarms {
		s.follows(h, f, got, zero, c.pot, c.kind, c.from, c.to, c.then)
	}
	page.compare(got)
	for _, a := range got {
		if a.Pot != "" && !a.Simulated {
			t.Errorf("%s of %s is not told as SIMULATED", a.Kind, a.Pot)
		}
		for _, p := range calm.pots {
			// A vessel that is shut at zero rises above 7 kPa by its own warmth: that is held, and no creep.
			if a.Pot == p.name && (p.name != "rebound" || a.Kind != "vessel-held") {
				t.Errorf("%s: %s %s at %.1f s", a.Pot, a.Kind, a.Event, a.at.Sub(zero).Seconds())
			}
		}
		if a.Pot == "far" && a.Kind == "vessel-unknown" {
			t.Errorf("far: told of %s beside its silent agent", a.Kind)
		}
		// It was frozen for 5 s, and its clock is off by 1.5 s.
		if a.Agent == "quay-3" && (a.Kind == "agent-silent" || a.Kind == "clock-skew") {
			t.Errorf("quay-3 is told as %s", a.Kind)
		}
	}
	if t.Failed() {
		for _, a := range got {
			t.Logf("%6.1f %-8s %-20s %-12s %-25s %s %s%s", a.at.Sub(zero).Seconds(), a.Pot, a.Kind, a.Event, a.State, a.Priority, a.Point, a.Fault)
		}
		t.Log(refused)
	}
}

// startSkewed starts an agent whose clock is off by so much, and gives what sets it otherwise.
func (s *site) startSkewed(a alarmAgent, off time.Duration) (p *program, set func(off time.Duration)) {
	s.t.Helper()
	path, err := soakAgentProgram()
	if err != nil {
		s.t.Fatal(err)
	}
	clock := filepath.Join(s.dir, a.name+".clock")
	set = func(off time.Duration) {
		s.t.Helper()
		if err := setClock(clock, off); err != nil {
			s.t.Fatal(err)
		}
	}
	set(off)
	s.write(a.name+".yaml", a.config(s.mqtt, ""))
	cmd := exec.Command(path, "run", "--config", a.name+".yaml")
	cmd.Env = soakEnv(clock, filepath.Join(s.dir, a.name+".read"))
	ahead(cmd)
	return s.startCommand("gritwatch-agent of "+a.name, cmd), set
}

// follows holds one alarm to the whole chain.
func (s *site) follows(h *hook, f *frames, got []hooked, zero time.Time, pot, kind string, from, to float64, then string) {
	t := s.t
	t.Helper()
	first, told := after(got, pot, kind)
	if first.ID == "" {
		t.Errorf("%s of %q was not told", kind, pot)
		return
	}
	when := first.at.Sub(zero).Seconds()
	shown, ok := f.first(func(a live.StandingAlarm) bool { return a.ID == first.ID })
	switch {
	case when < from || when > to:
		t.Errorf("%s of %q was told after %.1f s, should be from %g to %g", kind, pot, when, from, to)
	case first.Event != "raised" || first.State != "unacknowledged" || first.Says == "" || len(first.Do) == 0 || first.LateS != 0:
		t.Errorf("%s of %q: %+v", kind, pot, first)
	case !ok:
		t.Errorf("%s of %q stood in no frame of the page", kind, pot)
	case shown.Sub(first.at).Abs() > time.Second:
		t.Errorf("%s of %q came to the page %v after the webhook", kind, pot, shown.Sub(first.at))
	}
	over := strings.HasSuffix(told, "normal")
	if then != "" && !slices.Contains(strings.Split(then, "|"), told) || then == "" && !over {
		t.Errorf("%s of %q then was told as %q, want %q", kind, pot, told, then)
	}
	if standing := slices.ContainsFunc(f.now(), func(a live.StandingAlarm) bool { return a.ID == first.ID }); standing == over {
		t.Errorf("%s of %q: on the page %v, over %v", kind, pot, standing, over)
	}
	d, err := get[live.AlarmDetail](s, "/api/v1/alarms/"+first.ID)
	if err != nil || d.Alarm.Alarm != kind || (d.Ended != "") != over || len(d.Transitions) < 1+len(strings.Fields(told)) || d.Transitions[0].Event != "raised" || d.AnswerRule == "" || d.Text.Says != first.Says {
		t.Errorf("%s of %q in the API: %v %+v", kind, pot, err, d)
	}
	if kind == "vent-slow" && (d.Evidence.Trace == nil || len(d.Evidence.Trace.TS) < 3 || d.Evidence.Envelope == nil) {
		t.Errorf("%s of %q: evidence %+v", kind, pot, d.Evidence)
	}
	t.Logf("%s of %q: told after %.1f s, on the page %v later; then %s", kind, pot, when, shown.Sub(first.at).Round(time.Millisecond), told)
}

// after is the first alarm of a kind that was told, and the states that were told of it then, without repetitions.
func after(got []hooked, pot, kind string) (first hooked, then string) {
	var states []string
	for _, a := range got {
		switch {
		case first.ID == "" && cmp.Or(a.Pot, a.Agent) == pot && a.Kind == kind:
			first = a
		case first.ID != "" && a.ID == first.ID && (len(states) == 0 || states[len(states)-1] != a.State):
			states = append(states, a.State)
		}
	}
	return first, strings.Join(states, " ")
}

// lockRecords holds the records' file as another program would that writes to it and does not come to an end.
func (s *site) lockRecords() (unlock func()) {
	s.t.Helper()
	db, err := sql.Open("sqlite", filepath.Join(s.dir, "data", "records", "records.db")+"?_pragma=busy_timeout(10000)")
	if err != nil {
		s.t.Fatal(err)
	}
	conn, err := db.Conn(s.t.Context())
	if err == nil {
		_, err = conn.ExecContext(s.t.Context(), "BEGIN IMMEDIATE")
	}
	if err != nil {
		s.t.Fatal(err)
	}
	return func() {
		if err := errors.Join(conn.Close(), db.Close()); err != nil {
			s.t.Error(err)
		}
	}
}
