package metrics_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/encoding/protodelim"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/metrics"
	"gritwatch/server/internal/pot"
)

type pots map[string]live.Pot

func (p pots) Names() []string { return []string{"alder", "birch"} }
func (p pots) Estimate(name string, _ time.Time) (live.Pot, bool) {
	pot, ok := p[name]
	return pot, ok
}

func ptr(v float64) *float64 { return &v }

// scrape is the text of one scrape.
func scrape(t *testing.T) string {
	t.Helper()
	m, err := metrics.New("harrow-quay", pots{
		"alder": {Name: "alder", Site: "harrow-quay", State: "blasting", PressurePa: live.Pressures{Vessel: ptr(650000), Hose: ptr(640000)},
			DropPa: live.Drops{Mixing: ptr(10000)}, Production: ptr(0.89), Simulated: true, Agent: "quay-1", RatedPa: 1034214, TargetPa: ptr(689476), Answer: live.Answer{Word: "pressurised", AgeS: ptr(0.4)},
			Figures: live.Figures{LevelKg: ptr(121), LevelSdKg: ptr(6), EmptyS: &live.Quantiles{P10: 520, P50: 610, P90: 720}, BoreMm: ptr(11.25),
				Resistance: live.Ratios{Separator: ptr(1.04), Hose: ptr(1)}, Exhaust: ptr(0.97)}},
		"birch": {Name: "birch", Site: "harrow-quay", State: "unknown", Agent: "quay-2", RatedPa: 1034214, Answer: live.Answer{Word: "not-proven"}},
	}, func() int { return 3 }, func() int { return 2 })
	if err != nil {
		t.Fatal(err)
	}
	m.Message("DDATA")
	m.Message("made up by a stranger")
	m.Samples(12, false)
	m.Samples(3, true)
	m.Gap("quay-1")
	m.Bad("", "")
	m.Refused("alder", true)
	m.Dropped()
	m.Latency(300 * time.Millisecond)
	m.Link(true)
	m.Stored([...]int{100, 20, 3, 4, 5, 6})
	m.Lost("quay-1", 150)
	m.Loose("quay-2", 40)
	m.Unkept(60)
	m.Clock("quay-1", -90*time.Second)
	m.Lines(feed.Lines{Agent: "quay-1", Session: "s1", Lines: []points.Line{
		{Port: "/dev/serial/by-id/quay", Values: [points.LineItems]uint64{0, 1, 42, 30, 7, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 31, 32, 33, 34, 2}}, {}}})
	m.Echo(feed.Echo{Agent: "quay-1", Session: "s1", Sent: time.Now()})
	return text(t, m)
}

func text(t *testing.T, m *metrics.Metrics) string {
	t.Helper()
	code, text := get(t, m, "/metrics")
	if code != 200 {
		t.Fatalf("scrape: %d: %s", code, text)
	}
	return text
}

// get asks the handler.
func get(t *testing.T, m *metrics.Metrics, target string) (int, string) {
	t.Helper()
	w := httptest.NewRecorder()
	m.Handler(refused).ServeHTTP(w, httptest.NewRequest("GET", target, nil))
	text, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Code, string(text)
}

func refused(w http.ResponseWriter, _ *http.Request, status int, detail string) {
	http.Error(w, detail, status)
}

// TestScrape compares all series of the pots, and those of the counters, as a whole.
func TestScrape(t *testing.T) {
	var got []string
	for _, line := range strings.Split(scrape(t), "\n") {
		if line != "" && !strings.HasPrefix(line, "#") && !strings.Contains(line, "_bucket{") {
			got = append(got, line)
		}
	}
	want := strings.Split(strings.TrimSpace(`
gritwatch_agent_clock_ahead_seconds{agent="quay-1",site="harrow-quay"} -90
gritwatch_broker_link_up{site="harrow-quay"} 1
gritwatch_ingest_bad_messages_total{site="harrow-quay"} 1
gritwatch_ingest_gaps_total{agent="quay-1",site="harrow-quay"} 1
gritwatch_ingest_gaps_total{agent="quay-2",site="harrow-quay"} 0
gritwatch_ingest_latency_seconds_sum{site="harrow-quay"} 0.3
gritwatch_ingest_latency_seconds_count{site="harrow-quay"} 1
gritwatch_ingest_messages_total{kind="DBIRTH",site="harrow-quay"} 0
gritwatch_ingest_messages_total{kind="DDATA",site="harrow-quay"} 1
gritwatch_ingest_messages_total{kind="DDEATH",site="harrow-quay"} 0
gritwatch_ingest_messages_total{kind="NBIRTH",site="harrow-quay"} 0
gritwatch_ingest_messages_total{kind="NDATA",site="harrow-quay"} 0
gritwatch_ingest_messages_total{kind="NDEATH",site="harrow-quay"} 0
gritwatch_ingest_messages_total{kind="other",site="harrow-quay"} 1
gritwatch_ingest_refused_total{from="agent",pot="alder",site="harrow-quay"} 0
gritwatch_ingest_refused_total{from="agent",pot="birch",site="harrow-quay"} 0
gritwatch_ingest_refused_total{from="session",pot="alder",site="harrow-quay"} 1
gritwatch_ingest_refused_total{from="session",pot="birch",site="harrow-quay"} 0
gritwatch_ingest_samples_total{lane="late",site="harrow-quay"} 3
gritwatch_ingest_samples_total{lane="live",site="harrow-quay"} 12
gritwatch_journal_lost_total{agent="quay-1",site="harrow-quay"} 150
gritwatch_journal_lost_total{agent="quay-2",site="harrow-quay"} 0
gritwatch_journal_missing_samples_total{agent="quay-1",site="harrow-quay"} 0
gritwatch_journal_missing_samples_total{agent="quay-2",site="harrow-quay"} 40
gritwatch_line_echoes_total{agent="quay-1",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 31
gritwatch_line_failures_total{agent="quay-1",kind="cut",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 12
gritwatch_line_failures_total{agent="quay-1",kind="damaged",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 13
gritwatch_line_failures_total{agent="quay-1",kind="exceptions",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 7
gritwatch_line_failures_total{agent="quay-1",kind="extra_bytes",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 16
gritwatch_line_failures_total{agent="quay-1",kind="late",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 11
gritwatch_line_failures_total{agent="quay-1",kind="left_in_peace",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 18
gritwatch_line_failures_total{agent="quay-1",kind="never_silent",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 17
gritwatch_line_failures_total{agent="quay-1",kind="no_reply",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 10
gritwatch_line_failures_total{agent="quay-1",kind="not_understood",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 14
gritwatch_line_failures_total{agent="quay-1",kind="not_used",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 15
gritwatch_line_failures_total{agent="quay-1",kind="other",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 20
gritwatch_line_failures_total{agent="quay-1",kind="port_failed",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 19
gritwatch_line_lost_total{agent="quay-1",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 33
gritwatch_line_open{agent="quay-1",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 1
gritwatch_line_periods_left_out_total{agent="quay-1",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 34
gritwatch_line_replies_total{agent="quay-1",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 30
gritwatch_line_requests_total{agent="quay-1",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 42
gritwatch_line_silent_units{agent="quay-1",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 2
gritwatch_line_stray_bytes_total{agent="quay-1",line="1",port="/dev/serial/by-id/quay",site="harrow-quay"} 32
gritwatch_live_pages{site="harrow-quay"} 3
gritwatch_pot_answer{pot="alder",site="harrow-quay",word="not-proven"} 0
gritwatch_pot_answer{pot="alder",site="harrow-quay",word="pressurised"} 1
gritwatch_pot_answer{pot="alder",site="harrow-quay",word="vented"} 0
gritwatch_pot_answer{pot="birch",site="harrow-quay",word="not-proven"} 1
gritwatch_pot_answer{pot="birch",site="harrow-quay",word="pressurised"} 0
gritwatch_pot_answer{pot="birch",site="harrow-quay",word="vented"} 0
gritwatch_pot_answer_age_seconds{pot="alder",site="harrow-quay"} 0.4
gritwatch_pot_drop_pascals{pot="alder",segment="mixing",site="harrow-quay"} 10000
gritwatch_pot_dropped_total{site="harrow-quay"} 1
gritwatch_pot_empty_seconds{percentile="10",pot="alder",site="harrow-quay"} 520
gritwatch_pot_empty_seconds{percentile="50",pot="alder",site="harrow-quay"} 610
gritwatch_pot_empty_seconds{percentile="90",pot="alder",site="harrow-quay"} 720
gritwatch_pot_exhaust_ratio{pot="alder",site="harrow-quay"} 0.97
gritwatch_pot_level_grams{pot="alder",site="harrow-quay"} 121000
gritwatch_pot_level_sd_grams{pot="alder",site="harrow-quay"} 6000
gritwatch_pot_nozzle_bore_meters{pot="alder",site="harrow-quay"} 0.01125
gritwatch_pot_pressure_pascals{point="hose",pot="alder",site="harrow-quay"} 640000
gritwatch_pot_pressure_pascals{point="vessel",pot="alder",site="harrow-quay"} 650000
gritwatch_pot_production_ratio{pot="alder",site="harrow-quay"} 0.89
gritwatch_pot_rated_pascals{pot="alder",site="harrow-quay"} 1.034214e+06
gritwatch_pot_rated_pascals{pot="birch",site="harrow-quay"} 1.034214e+06
gritwatch_pot_resistance_ratio{pot="alder",segment="hose",site="harrow-quay"} 1
gritwatch_pot_resistance_ratio{pot="alder",segment="separator",site="harrow-quay"} 1.04
gritwatch_pot_simulated{pot="alder",site="harrow-quay"} 1
gritwatch_pot_simulated{pot="birch",site="harrow-quay"} 0
gritwatch_pot_state{pot="alder",site="harrow-quay",state="at-rest"} 0
gritwatch_pot_state{pot="alder",site="harrow-quay",state="blasting"} 1
gritwatch_pot_state{pot="alder",site="harrow-quay",state="charging"} 0
gritwatch_pot_state{pot="alder",site="harrow-quay",state="held"} 0
gritwatch_pot_state{pot="alder",site="harrow-quay",state="unknown"} 0
gritwatch_pot_state{pot="alder",site="harrow-quay",state="venting"} 0
gritwatch_pot_state{pot="birch",site="harrow-quay",state="at-rest"} 0
gritwatch_pot_state{pot="birch",site="harrow-quay",state="blasting"} 0
gritwatch_pot_state{pot="birch",site="harrow-quay",state="charging"} 0
gritwatch_pot_state{pot="birch",site="harrow-quay",state="held"} 0
gritwatch_pot_state{pot="birch",site="harrow-quay",state="unknown"} 1
gritwatch_pot_state{pot="birch",site="harrow-quay",state="venting"} 0
gritwatch_pot_target_pascals{pot="alder",site="harrow-quay"} 689476
gritwatch_store_faults{site="harrow-quay"} 2
gritwatch_store_samples_total{fate="conflict",site="harrow-quay"} 3
gritwatch_store_samples_total{fate="invalid",site="harrow-quay"} 6
gritwatch_store_samples_total{fate="repeated",site="harrow-quay"} 20
gritwatch_store_samples_total{fate="stored",site="harrow-quay"} 100
gritwatch_store_samples_total{fate="too-new",site="harrow-quay"} 5
gritwatch_store_samples_total{fate="too-old",site="harrow-quay"} 4
gritwatch_store_waiting_dropped_total{site="harrow-quay"} 60
`), "\n")
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// TestSite: one site's series are all there are, each bears its name, and another site is refused in words.
func TestSite(t *testing.T) {
	m, err := metrics.New("harrow-quay", pots{"alder": {Name: "alder", Site: "harrow-quay"}}, func() int { return 0 }, func() int { return 0 })
	if err != nil {
		t.Fatal(err)
	}
	code, own := get(t, m, "/metrics?site=harrow-quay")
	if code != 200 || own != text(t, m) {
		t.Errorf("the own site: %d\n%s", code, own)
	}
	for line := range strings.Lines(own) {
		if !strings.HasPrefix(line, "#") && !strings.Contains(line, `site="harrow-quay"`) {
			t.Errorf("a series of no site: %s", line)
		}
	}
	for target, want := range map[string]int{"/metrics?site=elsewhere": 404, "/metrics?site=": 404, "/metrics?site=harrow-quay&site=elsewhere": 400} {
		if code, text := get(t, m, target); code != want || !strings.Contains(text, "site") || strings.Contains(text, "gritwatch_") {
			t.Errorf("%s: %d %s", target, code, text)
		}
	}
}

// TestStale: of a real pot whose readings end, state unknown, not proven and no pressure is given from 2 s after the last.
func TestStale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p, err := potfile.ParsePot("pot.yaml", []byte("name: alder\nvessel: {volume: 6.5 ft3, rated: 150 psi}\nhose: {bore: 1.25 in, length: 50 ft}\nnozzle: {bore: 7/16 in}\npoints: [vessel, hose, control]\n"))
		if err != nil {
			t.Fatal(err)
		}
		a := pot.New(pot.Config{Site: "harrow-quay", Agent: "quay-1", Pot: p}, pot.Options{Start: time.Now(), Log: slog.New(slog.NewTextHandler(t.Output(), nil))})
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- a.Run(ctx) }()
		defer func() {
			stop()
			if err := <-done; err != nil {
				t.Error(err)
			}
		}()
		m, err := metrics.New("harrow-quay", one{a}, func() int { return 0 }, func() int { return 0 })
		if err != nil {
			t.Fatal(err)
		}
		e := feed.Event{Kind: feed.Birth, Pot: "alder", Agent: "quay-1", Session: "s1", Epoch: 1, Digest: p.Vent().Digest(), Received: time.Now()}
		a.Put(e)
		a.PutEcho(feed.Echo{Agent: "quay-1", Session: "s1", Epoch: 1, Sent: time.Now(), Received: time.Now(), AgentAt: si.InstantOf(time.Now())})
		for range 20 {
			time.Sleep(100 * time.Millisecond)
			e.Kind, e.Received, e.Samples = feed.Data, time.Now(), nil
			for pt, pa := range map[points.Point]si.GaugePressure{points.Vessel: 650e3, points.Hose: 640e3, points.Control: 600e3} {
				e.Samples = append(e.Samples, points.Sample{Point: pt, Quality: points.Good, At: si.InstantOf(time.Now()), Value: pa})
			}
			a.Put(e)
		}
		check := func(when, state, word string, pressures, drops int) {
			t.Helper()
			synctest.Wait()
			text := text(t, m)
			for _, want := range []string{fmt.Sprintf(`gritwatch_pot_state{pot="alder",site="harrow-quay",state=%q} 1`, state),
				fmt.Sprintf(`gritwatch_pot_answer{pot="alder",site="harrow-quay",word=%q} 1`, word)} {
				if !strings.Contains(text, want) {
					t.Errorf("%s: no %s in\n%s", when, want, text)
				}
			}
			if n := strings.Count(text, "\ngritwatch_pot_pressure_pascals{"); n != pressures {
				t.Errorf("%s: %d pressures, want %d", when, n, pressures)
			}
			if n := strings.Count(text, "\ngritwatch_pot_drop_pascals{"); n != drops {
				t.Errorf("%s: %d drops, want %d", when, n, drops)
			}
		}
		check("fresh", "blasting", "pressurised", 3, 1)
		time.Sleep(1999 * time.Millisecond)
		check("just fresh", "blasting", "pressurised", 3, 1)
		time.Sleep(2 * time.Millisecond)
		check("stale", "unknown", "not-proven", 0, 0)
	})
}

// one is a site of one pot.
type one struct{ a *pot.Actor }

func (o one) Names() []string { return []string{o.a.Name()} }
func (o one) Estimate(name string, now time.Time) (live.Pot, bool) {
	return o.a.Estimate(now), name == o.a.Name()
}

// TestNativeHistogram: who asks for the protobuf format gets the latency both as a native and as a classic histogram.
func TestNativeHistogram(t *testing.T) {
	m, err := metrics.New("harrow-quay", pots{}, func() int { return 0 }, func() int { return 0 })
	if err != nil {
		t.Fatal(err)
	}
	m.Latency(300 * time.Millisecond)
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Header.Set("Accept", "application/vnd.google.protobuf;proto=io.prometheus.client.MetricFamily;encoding=delimited")
	w := httptest.NewRecorder()
	m.Handler(refused).ServeHTTP(w, r)
	body := bufio.NewReader(w.Body)
	for {
		var f dto.MetricFamily
		if err := protodelim.UnmarshalFrom(body, &f); err != nil {
			t.Fatalf("the histogram was not found: %v", err)
		}
		if f.GetName() == "gritwatch_ingest_latency_seconds" {
			h := f.GetMetric()[0].GetHistogram()
			if len(h.GetBucket()) < 8 || len(h.GetPositiveSpan()) != 1 || h.GetSampleCount() != 1 {
				t.Errorf("histogram %v", h)
			}
			return
		}
	}
}

// TestPromtool lets Prometheus's own checker read a scrape.
func TestPromtool(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		t.Fatal("promtool is not installed; it is in Debian's package prometheus (make test installs it)")
	}
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(scrape(t))
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Run(); err != nil || out.Len() > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out.String())
	}
}
