package e2e_test

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// screenRun is how long the page is watched: three cycles of each pot.
const screenRun = 60 * time.Second

// moves is how far a vessel has moved from one reading to the next, Pa, to count as moving: what the agent tells at once.
const moves = 3500

// BenchmarkScreen is how long a vessel's reading on the line takes to the screen while the vessel's pressure moves: from the
// last byte of the reply that bore it, as the agent stamps it, until a real browser has painted it or a newer one. Five
// simulated pots on a line, so that one or another moves most of the time. All clocks are this machine's.
func BenchmarkScreen(b *testing.B) {
	if _, err := os.Stat("../../dashboard/dist/index.html"); err != nil {
		b.Fatal("the page is not built: make page")
	}
	pots := []pot{{name: "alder"}, {name: "birch", start: "9 s"}, {name: "cedar", start: "15 s"}, {name: "elm", start: "21 s"}, {name: "hazel", start: "27 s"}}
	s := newSite(b)
	s.write("sim.yaml", simConfig(pots, "line"))
	s.write("site.yaml", siteConfig(pots))
	s.write("agent.yaml", agentConfig("quay-1", s.mqtt, "line", pots))
	s.start("gritwatch-sim", "run", "--config", "sim.yaml").says("lines ready", soon)
	s.start("gritwatch-server", "run", "--config", "site.yaml").says("dashboard: ", soon)
	told := listen(b, s.mqtt) // before the births, which give the metrics their numbers
	s.start("gritwatch-agent", "run", "--config", "agent.yaml").says("port opened", soon)
	for b.Loop() {
		delays := screenDelays(b, told, s.painted(b, screenRun))
		at := func(share float64) float64 { return delays[int(math.Ceil(share*float64(len(delays))))-1] }
		b.ReportMetric(at(0.50), "p50-ms")
		b.ReportMetric(at(0.95), "p95-ms")
		b.ReportMetric(delays[len(delays)-1], "max-ms")
		b.ReportMetric(float64(len(delays)), "readings")
	}
}

// A paint is what the page showed of a pot once a frame was painted.
type paint struct {
	Pot  string    `json:"pot"`
	T    time.Time `json:"t"` // of the newest reading in the frame
	Pa   *float64  `json:"pa"`
	Text string    `json:"text"`
	At   float64   `json:"at"` // ms since 1970
}

// painted watches the page for a while. Frames whose pressure the page does not show are an error: nothing would be measured.
func (s *site) painted(b *testing.B, during time.Duration) map[string][]paint {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.Context(), during+time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "node", "tests/painted.mjs", "http://"+s.http+"/", strconv.Itoa(int(during.Seconds())))
	cmd.Dir = "../../dashboard"
	var errs bytes.Buffer
	cmd.Stderr = &errs
	text, err := cmd.Output()
	if err != nil {
		b.Fatalf("%v: %s", err, errs.String())
	}
	out := map[string][]paint{}
	shown, late := 0, 0
	for line := range strings.Lines(string(text)) {
		var p paint
		if err := json.Unmarshal([]byte(line), &p); err != nil {
			b.Fatalf("%v in %s", err, line)
		}
		if p.Pa == nil {
			continue
		}
		if p.Text != psiText(*p.Pa) {
			late++ // a newer frame came before this one was painted, or the page has nothing to show yet
			continue
		}
		shown++
		out[p.Pot] = append(out[p.Pot], p)
	}
	if late > shown/20 {
		b.Fatalf("the page showed another pressure than its newest frame %d times, and that of the frame %d times", late, shown)
	}
	return out
}

// psiText is a vessel's pressure as the page writes it: whole psi, tenths under 10.
func psiText(pa float64) string {
	v := math.Abs(pa / psi)
	digits := 0
	if math.Round(v*10)/10 < 10 {
		digits = 1
	}
	text := strconv.FormatFloat(v, 'f', digits, 64)
	if pa < 0 && strings.Trim(text, "0.") != "" {
		return "−" + text
	}
	return text
}

// A reading is one of a vessel, as the agent published it.
type reading struct {
	at time.Time
	pa float64
}

// told collects what the agent publishes.
type told struct {
	mu       sync.Mutex
	readings map[string][]reading // by pot
	aliases  map[string]*sparkplug.Aliases
}

// listen takes the vessels' readings off the broker.
func listen(b *testing.B, broker string) *told {
	b.Helper()
	l := &told{readings: map[string][]reading{}, aliases: map[string]*sparkplug.Aliases{}}
	client := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID("bench"))
	wait := func(what string, token mqtt.Token) {
		if !token.WaitTimeout(soon) || token.Error() != nil {
			b.Fatalf("%s: %v", what, token.Error())
		}
	}
	wait("connect", client.Connect())
	b.Cleanup(func() { client.Disconnect(100) })
	take := func(_ mqtt.Client, m mqtt.Message) {
		if err := l.take(m.Topic(), m.Payload()); err != nil {
			b.Errorf("%s: %v", m.Topic(), err)
		}
	}
	for _, kind := range []string{"DBIRTH", "DDATA"} {
		wait("subscribe", client.Subscribe("spBv1.0/harrow-quay/"+kind+"/quay-1/+", 0, take))
	}
	return l
}

// take takes the message of a topic.
func (l *told) take(topic string, payload []byte) error {
	msg, err := sparkplug.Decode(payload)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	pot := topic[strings.LastIndexByte(topic, '/')+1:]
	if l.aliases[pot] == nil {
		l.aliases[pot] = &sparkplug.Aliases{}
	}
	if strings.Contains(topic, "/DBIRTH/") {
		return l.aliases[pot].Born(msg.Metrics)
	}
	if err := l.aliases[pot].Resolve(msg.Metrics); err != nil {
		return err
	}
	for _, m := range msg.Metrics {
		if s, ok := m.Sample(); ok && s.Point == points.Vessel && s.Quality == points.Good && !m.Historical {
			l.readings[pot] = append(l.readings[pot], reading{s.At.Time(), float64(s.Value)})
		}
	}
	return nil
}

// screenDelays are how long the readings of moving vessels took to be painted, ms, in order.
func screenDelays(b *testing.B, l *told, painted map[string][]paint) (out []float64) {
	b.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	for pot, readings := range l.readings {
		paints := painted[pot]
		for i := 1; i < len(readings); i++ {
			r := readings[i]
			if math.Abs(r.pa-readings[i-1].pa) <= moves || len(paints) == 0 || r.at.Before(paints[0].T) || r.at.After(paints[len(paints)-1].T) {
				continue
			}
			first := slices.IndexFunc(paints, func(p paint) bool { return !p.T.Before(r.at) })
			out = append(out, paints[first].At-float64(r.at.UnixMicro())/1000)
		}
	}
	if len(out) < 100 {
		b.Fatalf("only %d readings of moving vessels were seen", len(out))
	}
	slices.Sort(out)
	return out
}
