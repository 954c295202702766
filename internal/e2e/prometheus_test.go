package e2e_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/prometheus/promql/parser"
)

// monitored is a site of two pots with all six points. Alder cycles; birch's exhaust shuts and its nozzle plugs in the first
// press, which it is held from, and nobody presses again.
func monitored(t *testing.T) *runningSite {
	t.Helper()
	const (
		keys  = "vessel: {volume: 3.5 ft3, rated: 150 psi}, hose: {bore: 1 in, length: 50 ft}, nozzle: {bore: 5/16 in, target: 100 psi}, units: {pressure: psi}, points: [{supply: {range: 0..200 psi}}, {separator: {range: 0..200 psi}}, {vessel: {range: 0..200 psi}}, {hose: {range: 0..200 psi}}, {nozzle: {range: 0..200 psi}}, {control: {range: 0..200 psi}}]"
		alder = "name: alder, " + keys
		birch = "name: birch, " + keys
	)
	channels := func(row string) string {
		var out []string
		for i, point := range strings.Fields("supply separator vessel hose nozzle control") {
			out = append(out, fmt.Sprintf(row, point, 2*i))
		}
		return strings.Join(out, ", ")
	}
	units := func(row string) (out string) {
		for i, pot := range []string{"alder", "birch"} {
			out += fmt.Sprintf(row, i+1, channels("{pot: "+pot+", point: %s, address: %d, order: high-first, unit: psi}"))
		}
		return out
	}
	s := newSite(t)
	r := &runningSite{site: s, truth: s.dir + "/truth.jsonl"}
	s.write("sim.yaml", "about: a site that is monitored\npots:\n"+
		"  - {"+alder+", script: {cycle: {press: 14 s, rest: 16 s, start: 3 s}}}\n"+
		"  - {"+birch+", script: {cycle: {press: 14 s, rest: 20 min, start: 3 s}, events: [{at: 10 s, for: 20 min, exhaust_shut: 100 %}, {at: 10 s, for: 20 min, nozzle: plugged}]}}\n"+
		"lines:\n  - link: $DIR/line-0\n    mode: 115200 8E1\n    units:\n"+units("      - {unit: %d, kind: transmitter, channels: [%s]}\n"))
	s.write("site.yaml", "site: harrow-quay\nlisten: $HTTP\nbroker: {embedded: \"$MQTT\"}\ndata: $DIR/data\npots:\n  - {agent: quay-1, "+alder+"}\n  - {agent: quay-1, "+birch+"}\n")
	s.write("agent.yaml", "agent: quay-1\nsite: harrow-quay\nbroker: {url: \"mqtt://$MQTT\"}\njournal: $DIR/journal\nsimulated: true\nbuses:\n  - port: $DIR/line-0\n    mode: 115200 8E1\n    period: 100ms\n    units:\n"+
		strings.ReplaceAll(units("      - {unit: %d, read: [%s]}\n"), "address: ", "type: float32, input: ")+"pots:\n  - {"+alder+"}\n  - {"+birch+"}\n")
	r.sim = s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", r.truth)
	r.sim.says("lines ready", soon)
	r.startServer()
	r.startAgent()
	return r
}

// A prometheus is Debian's, with the configuration and the rules of deploy/prometheus.
type prometheus struct {
	t    *testing.T
	addr string
}

// monitor starts a Prometheus that scrapes the site once a second.
func (s *site) monitor(t *testing.T) *prometheus {
	t.Helper()
	tool, err := exec.LookPath("prometheus")
	if err != nil {
		t.Fatal("prometheus is not installed; it is in Debian's package of that name (make test installs it)")
	}
	for _, name := range []string{"prometheus.yaml", "rules.yaml"} {
		text, err := os.ReadFile(filepath.Join("../../deploy/prometheus", name))
		if err != nil {
			t.Fatal(err)
		}
		for _, change := range [][2]string{{"127.0.0.1:8080", s.http}, {"scrape_interval: 5s", "scrape_interval: 1s"}, {"scrape_timeout: 4s", "scrape_timeout: 1s"},
			{"evaluation_interval: 5s", "evaluation_interval: 1s"}} {
			changed := strings.Replace(string(text), change[0], change[1], 1)
			if name == "prometheus.yaml" && changed == string(text) {
				t.Fatalf("%s lacks %s", name, change[0])
			}
			text = []byte(changed)
		}
		s.write(name, string(text))
	}
	p := &prometheus{t, freeAddr(t)}
	s.command(tool, "--config.file=prometheus.yaml", "--web.listen-address="+p.addr, "--storage.tsdb.path="+filepath.Join(s.dir, "tsdb"), "--log.level=warn")
	eventually(t, 30*time.Second, "Prometheus ready", func() bool {
		res, err := http.Get("http://" + p.addr + "/-/ready")
		if err != nil {
			return false
		}
		res.Body.Close()
		return res.StatusCode == http.StatusOK
	})
	return p
}

// ask gives data of an answer of the API.
func (p *prometheus) ask(path string, query url.Values, data any) error {
	client := http.Client{Timeout: soon}
	res, err := client.Get("http://" + p.addr + "/api/v1/" + path + "?" + query.Encode())
	if err != nil {
		return err
	}
	defer res.Body.Close()
	var doc struct {
		Status, Error string
		Data          json.RawMessage
	}
	if err := json.NewDecoder(res.Body).Decode(&doc); err != nil {
		return err
	}
	if doc.Status != "success" {
		return fmt.Errorf("%s", doc.Error)
	}
	return json.Unmarshal(doc.Data, data)
}

// A row is one series of a query's result.
type row struct {
	Metric map[string]string
	Value  [2]any
	Values [][2]any
}

func (p *prometheus) query(expr string) ([]row, error) {
	var data struct{ Result []row }
	err := p.ask("query", url.Values{"query": {expr}}, &data)
	return data.Result, err
}

// firing are the alerts that fire now, as "Name pot".
func (p *prometheus) firing() map[string]bool {
	p.t.Helper()
	var data struct {
		Alerts []struct {
			State  string
			Labels map[string]string
		}
	}
	if err := p.ask("alerts", nil, &data); err != nil {
		p.t.Fatal(err)
	}
	out := map[string]bool{}
	for _, a := range data.Alerts {
		if a.State == "firing" {
			out[strings.TrimSpace(a.Labels["alertname"]+" "+a.Labels["pot"])] = true
		}
	}
	return out
}

// until waits for alerts to fire (or, with a minus before, not to).
func (p *prometheus) until(within time.Duration, what string, alerts ...string) {
	p.t.Helper()
	var last map[string]bool
	defer func() {
		if p.t.Failed() {
			p.t.Logf("%s: firing %v", what, last)
		}
	}()
	eventually(p.t, within, what, func() bool {
		last = p.firing()
		return !slices.ContainsFunc(alerts, func(a string) bool {
			name, off := strings.CutPrefix(a, "-")
			return last[name] == off
		})
	})
}

// TestPrometheus lets Debian's Prometheus, with what deploy/prometheus holds, scrape a running site and follow it through a
// vessel that is held, a server that dies and an agent that dies: what was held is never said to be over because nobody hears
// of it. Every query of deploy/grafana is asked, and the API's document is held against the site's own answers.
func TestPrometheus(t *testing.T) {
	t.Parallel()
	seat(t)
	r := monitored(t)
	p := r.monitor(t)
	file := os.Getenv("RECORD")
	stay := func() { // as long as a recording at the usual interval needs of a phase
		began := time.Now()
		eventually(t, time.Minute, "recorded", func() bool { return file == "" || time.Since(began) > 25*time.Second })
	}

	p.until(90*time.Second, "birch held", "VesselHeld birch", "-VesselPressureUnknown birch", "-VesselPressureUnknown alder", "ReadingsSimulated alder", "-ServerNotHeard")
	if p.firing()["VesselHeld alder"] {
		t.Error("alder, which vents, is said to be held")
	}
	r.checksScrape(t)
	r.checksAPI(t)
	p.checksBoard(t, "../../deploy/grafana/board.json")
	p.checksRules(t)
	stay()

	r.server.kill()
	p.until(60*time.Second, "a dead server", "ServerNotHeard", "VesselPressureUnknown alder", "VesselPressureUnknown birch", "VesselHeld birch")
	rows, err := p.query(`gritwatch_pot_answer or gritwatch_pot_state or gritwatch_pot_pressure_pascals`)
	if err != nil || len(rows) > 0 {
		t.Errorf("of a dead server's pots is still told: %v, error %v", rows, err)
	}
	stay()
	r.startServer()
	p.until(60*time.Second, "a server that is back", "-ServerNotHeard", "-VesselPressureUnknown alder", "-VesselPressureUnknown birch", "VesselHeld birch")

	stay()
	r.agent.kill()
	p.until(60*time.Second, "a dead agent", "VesselPressureUnknown alder", "VesselPressureUnknown birch", "VesselHeld birch", "-ServerNotHeard")
	for _, expr := range []string{`gritwatch_pot_state{state="unknown"} == 1`, `gritwatch_pot_answer{word="not-proven"} == 1`} {
		if rows, err := p.query(expr); err != nil || len(rows) != 2 {
			t.Errorf("%s: %v, error %v", expr, rows, err)
		}
	}
	if rows, err := p.query(`gritwatch_pot_pressure_pascals or gritwatch_pot_drop_pascals or gritwatch_pot_production_ratio`); err != nil || len(rows) > 0 {
		t.Errorf("pressures of a dead agent's pots: %v, error %v", rows, err)
	}
	if file != "" {
		stay()
		p.record(t, file, r)
	}
}

// checksScrape lets promtool read a scrape of the running server.
func (s *site) checksScrape(t *testing.T) {
	t.Helper()
	code, text := s.get(t, "/metrics?site=harrow-quay")
	if code != http.StatusOK {
		t.Fatalf("scrape: %d %s", code, text)
	}
	cmd := exec.Command("promtool", "check", "metrics")
	cmd.Stdin = bytes.NewReader(text)
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
	if code, text := s.get(t, "/metrics?site=elsewhere"); code != http.StatusNotFound || !bytes.Contains(text, []byte(`"status":404`)) {
		t.Errorf("another site: %d %s", code, text)
	}
}

func (s *site) get(t *testing.T, target string) (int, []byte) {
	t.Helper()
	client := http.Client{Timeout: soon}
	res, err := client.Get("http://" + s.http + target)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res.StatusCode, text
}

// checksRules fails where a rule could not be evaluated.
func (p *prometheus) checksRules(t *testing.T) {
	t.Helper()
	var data struct {
		Groups []struct {
			Rules []struct{ Name, Health, LastError string }
		}
	}
	if err := p.ask("rules", nil, &data); err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, g := range data.Groups {
		for _, rule := range g.Rules {
			n++
			if rule.Health != "ok" {
				t.Errorf("rule %s: %s %s", rule.Name, rule.Health, rule.LastError)
			}
		}
	}
	if n < 20 {
		t.Errorf("only %d rules", n)
	}
}

// ours are names of metrics and recorded series in an expression.
var ours = regexp.MustCompile(`\bgritwatch[_:][a-z0-9_:]+`)

// checksBoard asks every query of a board of Prometheus, with the board's variables filled in: it must be understood, and
// give something of this running site. Every name in it must be on the server's scrape, or recorded by a rule.
func (p *prometheus) checksBoard(t *testing.T, file string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var board any
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	var names []string
	if err := p.ask("label/__name__/values", nil, &names); err != nil {
		t.Fatal(err)
	}
	asked := 0
	check := func(expr string) {
		asked++
		expr = strings.NewReplacer("$site", "harrow-quay", "$pot", "alder", "$__rate_interval", "10s").Replace(expr)
		for _, name := range selected(t, expr) {
			// Of a site where all is known there is none of these two; the rules record them.
			if !slices.Contains(names, name) && name != "gritwatch:pot_lost" && name != "gritwatch:pot_not_known" {
				t.Errorf("%s in %s: no such series", name, expr)
			}
		}
		rows, err := p.query(expr)
		if err != nil {
			t.Errorf("%s: %v", expr, err)
		}
		// Alder blasts for half of the time, and of readings that a busy machine brings late there is nothing for a while.
		if len(rows) == 0 && err == nil && !strings.Contains(expr, "production_ratio") {
			eventually(t, 2*soon, expr+" gives something", func() bool {
				rows, err := p.query(expr)
				return err == nil && len(rows) > 0
			})
		}
	}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, e := range v {
				walk(e)
			}
		case map[string]any:
			if expr, ok := v["expr"].(string); ok {
				check(expr)
			}
			if query, ok := v["definition"].(string); ok {
				check(regexp.MustCompile(`^label_values\((.*), \w+\)$`).ReplaceAllString(query, "$1"))
			}
			for _, e := range v {
				walk(e)
			}
		}
	}
	walk(board)
	if asked < 20 {
		t.Errorf("only %d queries on the board", asked)
	}
}

// selected are the names of the series that an expression asks for.
func selected(t *testing.T, expr string) (names []string) {
	t.Helper()
	parsed, err := parser.NewParser(parser.Options{}).ParseExpr(expr)
	if err != nil {
		t.Errorf("%s: %v", expr, err)
		return nil
	}
	parser.Inspect(parsed, func(n parser.Node, _ []parser.Node) error {
		if v, ok := n.(*parser.VectorSelector); ok {
			names = append(names, v.Name)
		}
		return nil
	})
	if len(names) == 0 {
		t.Errorf("%s asks for nothing", expr)
	}
	return names
}

// step is the scrape interval of deploy/prometheus, at which series are recorded.
const step = 5 * time.Second

// Marks in a file of promtool's rule tests, between which record writes.
const (
	recordBegin = "# Recorded from here on.\n"
	recordEnd   = "# Recorded up to here.\n"
)

// record writes what was scraped in this run, of the series that the rules ask for, into a test file for promtool.
func (p *prometheus) record(t *testing.T, file string, r *runningSite) {
	t.Helper()
	rules, err := os.ReadFile("../../deploy/prometheus/rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	names := []string{"up"}
	for _, name := range ours.FindAllString(string(rules), -1) {
		if !strings.Contains(name, ":") && !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	rows, err := p.query(`{__name__=~"` + strings.Join(names, "|") + `"}[10m]`)
	if err != nil || len(rows) == 0 {
		t.Fatalf("%d series, error %v", len(rows), err)
	}
	begin, end := rows[0].Values[0][0].(float64), 0.0
	for _, row := range rows {
		begin = min(begin, row.Values[0][0].(float64))
		end = max(end, row.Values[len(row.Values)-1][0].(float64))
	}
	lines := []string{}
	for _, row := range rows {
		lines = append(lines, "      - series: '"+selector(row.Metric, r)+"'\n        values: '"+shortened(resampled(row.Values, begin, end))+"'\n")
	}
	slices.Sort(lines)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	head, rest, ok := strings.Cut(string(text), recordBegin)
	_, tail, ok2 := strings.Cut(rest, recordEnd)
	if !ok || !ok2 {
		t.Fatalf("%s lacks the lines %q and %q", file, recordBegin, recordEnd)
	}
	indent := head[strings.LastIndexByte(head, '\n')+1:]
	if err := os.WriteFile(file, []byte(head+recordBegin+strings.Join(lines, "")+indent+recordEnd+tail), 0o644); err != nil {
		t.Fatal(err)
	}
}

// selector is a series as promtool's files have it, with the addresses of deploy's examples.
func selector(labels map[string]string, r *runningSite) string {
	var out []string
	for name, value := range labels {
		switch name {
		case "__name__":
			continue
		case "instance":
			value = "127.0.0.1:8080"
		case "port":
			value = strings.Replace(value, r.dir+"/line-0", "/dev/ttyUSB0", 1)
		}
		out = append(out, fmt.Sprintf("%s=%q", name, value))
	}
	slices.Sort(out)
	return labels["__name__"] + "{" + strings.Join(out, ", ") + "}"
}

// resampled is the newest value of each step; where there is none the series is stale, as Prometheus would have marked it.
func resampled(values [][2]any, begin, end float64) (out []string) {
	seen := false
	for at := begin; at < end+step.Seconds(); at += step.Seconds() {
		value := "_"
		for _, v := range values {
			if ts := v[0].(float64); ts > at-step.Seconds() && ts <= at {
				value = v[1].(string)
			}
		}
		if now := value != "_"; seen && !now {
			value = "stale"
			seen = false
		} else {
			seen = now
		}
		out = append(out, value)
	}
	return out
}

// shortened writes repeated values once, in promtool's notation.
func shortened(values []string) string {
	var out []string
	for i := 0; i < len(values); {
		n := 1
		for i+n < len(values) && values[i+n] == values[i] {
			n++
		}
		switch {
		case n < 3:
			out = append(out, values[i:i+n]...)
		case values[i] == "_":
			out = append(out, fmt.Sprintf("_x%d", n))
		default:
			out = append(out, fmt.Sprintf("%s+0x%d", values[i], n-1))
		}
		i += n
	}
	return strings.Join(out, " ")
}
