package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/gorilla/websocket"

	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/app"
	"gritwatch/server/internal/config"
)

func site(t *testing.T, listen, mqttAddr, data string) config.Config {
	t.Helper()
	c, err := config.Parse("site.yaml", fmt.Appendf(nil, `site: harrow-quay
listen: %q
broker: {embedded: %q}
data: %q
pots:
  - {name: alder, agent: quay-1, vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, points: [vessel, hose, control]}
  - {name: birch, agent: quay-2, vessel: {volume: 3.5 ft3, rated: 150 psi}, hose: {bore: 1 in, length: 50 ft}, nozzle: {bore: 3/8 in, target: 100 psi}, points: [vessel]}
`, listen, mqttAddr, data))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

type buffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *buffer) Write(p []byte) (int, error) { b.mu.Lock(); defer b.mu.Unlock(); return b.b.Write(p) }
func (b *buffer) String() string              { b.mu.Lock(); defer b.mu.Unlock(); return b.b.String() }

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(time.Minute)
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

// start runs a site on free ports; stop ends it and waits.
func start(t *testing.T) (web, broker string, stop func()) {
	t.Helper()
	var out buffer
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	c := site(t, "127.0.0.1:0", "127.0.0.1:0", t.TempDir())
	go func() {
		done <- app.Run(ctx, c, app.Options{Out: &out, Log: slog.New(slog.NewTextHandler(t.Output(), nil)),
			Page: fstest.MapFS{"index.html": {Data: []byte("the page")}}})
	}()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(stop)
	addresses := regexp.MustCompile(`^dashboard: http://(\S+)\nbroker: mqtt://(\S+)\n$`)
	eventually(t, "addresses on standard output", func() bool {
		m := addresses.FindStringSubmatch(out.String())
		if m != nil {
			web, broker = m[1], m[2]
		}
		return m != nil
	})
	eventually(t, "ready", func() bool { status, _ := get(t, web, "/readyz"); return status == 200 })
	return web, broker, stop
}

func get(t *testing.T, web, path string) (int, string) {
	t.Helper()
	res, err := (&http.Client{Timeout: time.Minute, Transport: &http.Transport{DisableKeepAlives: true}}).Get("http://" + web + path)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, string(text)
}

func getPot(t *testing.T, web, name string) live.Pot {
	t.Helper()
	_, text := get(t, web, "/api/v1/pots/"+name)
	var p live.Pot
	if err := json.Unmarshal([]byte(text), &p); err != nil {
		t.Fatalf("%v: %s", err, text)
	}
	return p
}

// An agent speaks for one edge node by raw MQTT. All its publishing is done by the test's goroutine.
type agent struct {
	t    *testing.T
	c    mqtt.Client
	node string
	seq  sparkplug.Counter
	asks chan uint64
}

func join(t *testing.T, broker, node string) *agent {
	t.Helper()
	a := &agent{t: t, node: node, asks: make(chan uint64, 16)}
	a.c = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("mqtt://"+broker).SetClientID("gritwatch-agent-harrow-quay-"+node).
		SetProtocolVersion(4).SetAutoReconnect(false).
		SetBinaryWill("spBv1.0/harrow-quay/NDEATH/"+node, sparkplug.EncodeNodeDeath(0, 0), 1, false))
	a.wait(a.c.Connect())
	t.Cleanup(func() { a.c.Disconnect(0) })
	a.wait(a.c.Subscribe("spBv1.0/harrow-quay/NCMD/"+node, 1, func(_ mqtt.Client, m mqtt.Message) {
		if msg, err := sparkplug.Decode(m.Payload()); err == nil {
			if q := msg.Find(points.MetricEcho); q != nil {
				nonce, _ := q.Value.Uint()
				a.asks <- nonce
			}
		}
	}))
	return a
}

func (a *agent) wait(token mqtt.Token) {
	a.t.Helper()
	if !token.WaitTimeout(time.Minute) || token.Error() != nil {
		a.t.Fatalf("broker: %v", token.Error())
	}
}

func (a *agent) put(kind, device string, payload []byte, err error) {
	a.t.Helper()
	if err != nil {
		a.t.Fatal(err)
	}
	topic := sparkplug.Topic{Kind: sparkplug.Kind(kind), Group: "harrow-quay", Node: a.node, Device: device}
	a.wait(a.c.Publish(topic.String(), 0, false, payload))
}

func (a *agent) born(pot, digest string) {
	a.t.Helper()
	at := si.InstantOf(time.Now())
	p, err := sparkplug.EncodeBirth(at, a.seq.Birth(), []sparkplug.Metric{sparkplug.BdSeq(at, 0), sparkplug.Bool(points.MetricRebirth, at, false),
		sparkplug.Uint(points.MetricClockEpoch, at, 1), sparkplug.Str(points.MetricSession, at, "session of "+a.node),
		sparkplug.Str("Line/1/Port", at, "/dev/line-1"), sparkplug.Uint("Line/1/Requests", at, 77)})
	a.put("NBIRTH", "", p, err)
	p, err = sparkplug.EncodeBirth(at, a.seq.Next(), []sparkplug.Metric{sparkplug.Str(points.MetricConfig, at, digest), sparkplug.Bool(points.MetricSimulated, at, true)})
	a.put("DBIRTH", pot, p, err)
}

func (a *agent) echo() {
	a.t.Helper()
	select {
	case nonce := <-a.asks:
		at := si.InstantOf(time.Now())
		p, err := sparkplug.EncodeData(at, a.seq.Next(), []sparkplug.Metric{sparkplug.Uint(points.MetricClockEcho, at, nonce), sparkplug.Uint(points.MetricClockEchoAt, at, uint64(at))})
		a.put("NDATA", "", p, err)
	case <-time.After(time.Minute):
		a.t.Fatal("no echo was asked for")
	}
}

func (a *agent) data(pot string, vessel si.GaugePressure) {
	a.t.Helper()
	at := si.InstantOf(time.Now())
	var ms []sparkplug.Metric
	for _, pt := range []points.Point{points.Vessel, points.Hose, points.Control} {
		ms = append(ms, sparkplug.OfSample(points.Sample{Point: pt, Quality: points.Good, At: at, Value: vessel}, false))
	}
	p, err := sparkplug.EncodeData(at, a.seq.Next(), append(ms, sparkplug.Str(points.MetricGuardState, at, "pressurised")))
	a.put("DDATA", pot, p, err)
}

// TestServe: from an agent's messages to the API, the page's connection and the metrics, and down again.
func TestServe(t *testing.T) {
	web, broker, stop := start(t)
	if status, text := get(t, web, "/"); status != 200 || text != "the page" {
		t.Errorf("page: %d %s", status, text)
	}
	if p := getPot(t, web, "alder"); p.Answer.Word != "not-proven" || p.State != "unknown" {
		t.Errorf("before anything was heard: %+v", p)
	}
	a := join(t, broker, "quay-1")
	c := site(t, "127.0.0.1:0", "127.0.0.1:0", "x")
	a.born("alder", c.Pots[0].Vent().Digest())
	a.echo()
	a.data("alder", 6e5)
	eventually(t, "pressurised", func() bool { return getPot(t, web, "alder").Answer.Word == "pressurised" })
	p := getPot(t, web, "alder")
	if p.PressurePa.Vessel == nil || *p.PressurePa.Vessel != 6e5 || !p.Simulated || p.AgeS == nil || *p.AgeS > 2 || p.Unit != "psi" {
		t.Errorf("pot %+v", p)
	}
	if _, text := get(t, web, "/metrics"); !strings.Contains(text, `gritwatch_pot_pressure_pascals{point="vessel",pot="alder",site="harrow-quay"} 600000`) ||
		!strings.Contains(text, `gritwatch_pot_answer{pot="alder",site="harrow-quay",word="pressurised"} 1`) ||
		!strings.Contains(text, `gritwatch_line_requests_total{agent="quay-1",line="1",port="/dev/line-1",site="harrow-quay"} 77`) ||
		!strings.Contains(text, "gritwatch_ingest_latency_seconds_count{site=\"harrow-quay\"} 1") {
		t.Errorf("metrics:\n%s", text)
	}

	conn, _, err := websocket.DefaultDialer.Dial("ws://"+web+"/api/v1/live", http.Header{"Origin": {"http://" + web}})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	var f live.Frame
	if err := conn.ReadJSON(&f); err != nil || f.Type != "snapshot" || len(f.Pots) != 2 {
		t.Errorf("first frame %+v, error %v", f, err)
	}

	// Another agent claims the pot; then the first is cut off.
	other := join(t, broker, "quay-2")
	other.born("alder", "vent/1:00")
	eventually(t, "second-agent", func() bool { return slices.Contains(getPot(t, web, "alder").Answer.Because, "second-agent") })
	join(t, broker, "quay-1") // the same client id: the broker ends the first, whose will tells its death
	eventually(t, "agent-silent", func() bool {
		p := getPot(t, web, "alder")
		return p.Answer.Word == "not-proven" && p.State == "unknown" && p.PressurePa.Vessel == nil && slices.Contains(p.Answer.Because, "agent-silent")
	})
	if _, text := get(t, web, "/metrics"); strings.Contains(text, `gritwatch_line_requests_total{agent="quay-1"`) {
		t.Errorf("a dead agent's lines are counted:\n%s", text)
	}

	other.c.Disconnect(0)
	stop()
	if _, _, err := conn.ReadMessage(); err == nil {
		// The change frame that was under way may come first.
		_, _, err = conn.ReadMessage()
		if err == nil {
			t.Error("the page's connection outlives the server")
		}
	}
	conn.Close()
	if _, err := net.Dial("tcp", web); err == nil {
		t.Error("the port is still open")
	}
}

func TestNothingLeftRunning(t *testing.T) {
	before := runtime.NumGoroutine()
	_, _, stop := start(t)
	stop()
	eventually(t, "all goroutines ended", func() bool { return runtime.NumGoroutine() <= before })
}

func TestRefusesToStart(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	used := l.Addr().String()
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	corrupt := t.TempDir()
	if err := os.WriteFile(filepath.Join(corrupt, "faults.json"), []byte("{"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		config config.Config
		want   string
	}{
		"HTTP port in use":   {site(t, used, "127.0.0.1:0", t.TempDir()), used + " is in use by another program: stop it or set listen to another address"},
		"broker port in use": {site(t, "127.0.0.1:0", used, t.TempDir()), used + " is in use by another program: stop it or set broker.embedded to another address"},
		"no data directory":  {site(t, "127.0.0.1:0", "127.0.0.1:0", file), "set data: to a directory this user may write"},
		"corrupt memory":     {site(t, "127.0.0.1:0", "127.0.0.1:0", corrupt), "faults.json, the memory of faulty gauges, cannot be read"},
	} {
		t.Run(name, func(t *testing.T) {
			var out buffer
			err := app.Run(t.Context(), c.config, app.Options{Out: &out, Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Page: fstest.MapFS{}})
			if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") || out.String() != "" {
				t.Errorf("error %v, want %q; printed %q", err, c.want, out.String())
			}
		})
	}
}
