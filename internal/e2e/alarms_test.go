package e2e_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"gritwatch/protocol/live"
)

// An alarmPot is a simulated pot of six points, or of those named, and what is expected of one kind of alarm of it.
type alarmPot struct {
	name   string
	vessel string   // of pot.yaml; empty: one that fits
	target string   // of the nozzle; empty: 100 psi
	sim    string   // more keys of the simulated pot
	cycle  string   // empty: pressed for 14 s and at rest for 16 s
	events []string // first press at 3 s
}

// pots six points each, so few a line that ten readings a second fit.
const alarmPotsALine = 3

var sixPoints = []string{"supply", "separator", "vessel", "hose", "nozzle", "control"}

func (p *alarmPot) mapping() string {
	vessel := p.vessel
	if vessel == "" {
		vessel = "{volume: 3.5 ft3, rated: 150 psi}"
	}
	target := p.target
	if target == "" {
		target = "100 psi"
	}
	var points []string
	for _, x := range sixPoints {
		points = append(points, "{"+x+": {range: 0..200 psi, zero_error: 0.25 psi}}")
	}
	return fmt.Sprintf("name: %s, vessel: %s, hose: {bore: 1 in, length: 50 ft}, nozzle: {bore: 5/16 in, target: %s}, points: [%s]", p.name, vessel, target, strings.Join(points, ", "))
}

func alarmSim(pots []alarmPot, links string) string {
	var b strings.Builder
	b.WriteString("pots:\n")
	for _, p := range pots {
		cycle := p.cycle
		if cycle == "" {
			cycle = "press: 14 s, rest: 16 s, start: 3 s"
		}
		more := p.sim
		if more == "" {
			more = "fill: 70 %"
		}
		fmt.Fprintf(&b, "  - {%s, %s, script: {cycle: {%s}, events: [%s]}}\n", p.mapping(), more, cycle, strings.Join(p.events, ", "))
	}
	b.WriteString("lines:\n")
	for i, p := range pots {
		if i%alarmPotsALine == 0 {
			fmt.Fprintf(&b, "  - link: $DIR/%s-%d\n    mode: 115200 8E1\n    units:\n", links, i/alarmPotsALine)
		}
		fmt.Fprintf(&b, "      - {unit: %d, kind: transmitter, channels: [", i+1)
		for k, point := range sixPoints {
			if k > 0 {
				b.WriteString(", ")
			}
			fmt.Fprintf(&b, "{pot: %s, point: %s, address: %d, order: high-first, unit: psi}", p.name, point, 2*k)
		}
		b.WriteString("]}\n")
	}
	return b.String()
}

func alarmAgent(agent, broker, links string, pots []alarmPot) string {
	var b strings.Builder
	fmt.Fprintf(&b, "agent: %s\nsite: harrow-quay\nbroker: {url: \"mqtt://%s\"}\njournal: $DIR/journal-%s\nsimulated: true\nbuses:\n", agent, broker, agent)
	for i, p := range pots {
		if i%alarmPotsALine == 0 {
			fmt.Fprintf(&b, "  - port: $DIR/%s-%d\n    mode: 115200 8E1\n    period: 100ms\n    units:\n", links, i/alarmPotsALine)
		}
		fmt.Fprintf(&b, "      - unit: %d\n        read:\n", i+1)
		for k, point := range sixPoints {
			fmt.Fprintf(&b, "          - {pot: %s, point: %s, input: %d, type: float32, order: high-first, unit: psi}\n", p.name, point, 2*k)
		}
	}
	b.WriteString("pots:\n")
	for _, p := range pots {
		fmt.Fprintf(&b, "  - {%s}\n", p.mapping())
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
	client := http.Client{Timeout: 2 * time.Second}
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
	client := http.Client{Timeout: 2 * time.Second}
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

func TestAlarmExplore(t *testing.T) {
	s := newSite(t)
	h := newHook(t)
	pots := []alarmPot{
		{name: "slow", events: []string{"{at: 40 s, for: 22 s, exhaust_shut: 93 %}", "{at: 47 s, for: 15 s, nozzle: plugged}"}},
		{name: "held", events: []string{"{at: 40 s, for: 25 s, exhaust_shut: 100 %}", "{at: 40 s, for: 25 s, nozzle: plugged}"}},
		{name: "creep", events: []string{"{at: 40 s, for: 22 s, exhaust_shut: 100 %}", "{at: 40 s, for: 22 s, nozzle: plugged}", "{at: 40 s, for: 22 s, inlet_leak: 2 mm}"}},
		{name: "stop", events: []string{"{at: 40 s, for: 15 s, inlet: stuck-open}", "{at: 40 s, for: 15 s, exhaust_shut: 100 %}"}},
		{name: "over", vessel: "{volume: 3.5 ft3, rated: 90 psi}", target: "80 psi", sim: "fill: 70 %, compressor: {unload: 125 psi}"},
		{name: "under", events: []string{"{at: 40 s, for: 20 s, compressor: off}", "{at: 40 s, for: 20 s, consumer: 200 cfm}", "{at: 40 s, for: 20 s, exhaust_shut: 100 %}", "{at: 40 s, for: 20 s, nozzle: plugged}"}},
		{name: "unknown", events: []string{"{at: 40 s, for: 12 s, gauge: vessel, failed: true}"}},
		{name: "brief", events: []string{"{at: 40 s, for: 2 s, gauge: vessel, failed: true}"}},
		{name: "kink", cycle: "press: 170 s, rest: 10 s, start: 3 s", events: []string{"{at: 10 s, for: 50 s, hose_kink: 70 %}"}},
		{name: "low", cycle: "press: 170 s, rest: 10 s, start: 3 s", events: []string{"{at: 10 s, for: 30 s, set_low: 35 psi}"}},
		{name: "empty", sim: "fill: 14 %", cycle: "press: 14 s, rest: 10 s, start: 3 s, refill_below: 0.1 %, refill_pause: 40 s"},
		{name: "stopped", events: []string{"{at: 62 s, for: 40 s, metering: blocked}"}},
		{name: "noisy", events: []string{"{at: 30 s, for: 25 s, gauge: hose, noise: 3 %}"}},
		{name: "stuck", events: []string{"{at: 30 s, for: 40 s, gauge: hose, stuck: true}"}},
		{name: "rebound", sim: "fill: 35 %, vent_time: 1.5 s", cycle: "press: 14 s, rest: 30 s, start: 3 s", events: []string{"{at: 30 s, shut_at_zero: true}"}},
		{name: "healthy"},
	}
	s.write("sim.yaml", alarmSim(pots, "line"))
	var b strings.Builder
	b.WriteString("site: harrow-quay\nlisten: $HTTP\nbroker: {embedded: \"$MQTT\"}\ndata: $DIR/data\npots:\n")
	for _, p := range pots {
		fmt.Fprintf(&b, "  - {agent: quay-1, %s}\n", p.mapping())
	}
	s.write("site.yaml", b.String()+h.config(s))
	s.write("agent.yaml", alarmAgent("quay-1", s.mqtt, "line", pots))
	s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", s.dir+"/truth.jsonl").says("lines ready", soon)
	s.start("gritwatch-server", "run", "--config", "site.yaml").says("dashboard: ", soon)
	f := s.frames()
	s.start("gritwatch-agent", "run", "--config", "agent.yaml")
	zero := time.Now()
	n := 0
	eventually(t, 200*time.Second, "the end", func() bool {
		for ; n < len(h.all()); n++ {
			a := h.all()[n]
			fmt.Printf("%6.1f %-8s %-20s %-12s %-25s %s %s%s\n", a.at.Sub(zero).Seconds(), a.Pot, a.Kind, a.Event, a.State, a.Priority, a.Point, a.Fault)
		}
		for _, a := range f.now() {
			if slices.Contains(a.Can, "acknowledge") && time.Since(zero) > 70*time.Second && a.Pot != "under" {
				if err := s.act(a.ID, "acknowledge"); err != nil {
					fmt.Println(err)
				}
			}
		}
		return time.Since(zero) > 150*time.Second
	})
}
