package e2e_test

import (
	"cmp"
	"fmt"
	"strings"
	"testing"
	"time"
)

// pot is one pot of a test's site: healthy, but for its events.
type pot struct {
	name   string
	agent  string // quay-1 unless named
	start  string // of its first press; 3 s unless named
	cycle  string // usual unless named
	events []string
}

// usual is how a pot is pressed: long enough to come up, and then to be VENTED for some seconds before the next press, at a vent of five.
const usual = "press: 8 s, rest: 12 s"

const (
	potPoints = "[separator, vessel, hose, control]"
	potKeys   = "vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, units: {pressure: psi}"
)

var potPointNames = []string{"separator", "vessel", "hose", "control"}

// perLine is how many pots of four points a line at 115200 bit/s reads ten times a second with time to spare.
const perLine = 5

func potMapping(p pot) string {
	points := "[{separator: {range: 0..200 psi}}, {vessel: {range: 0..200 psi}}, {hose: {range: 0..200 psi}}, {control: {range: 0..200 psi}}]"
	return fmt.Sprintf("name: %s, %s, points: %s", p.name, potKeys, points)
}

// simConfig simulates the pots.
func simConfig(pots []pot, links string) string {
	var b strings.Builder
	b.WriteString("about: a site under test\npots:\n")
	for _, p := range pots {
		fmt.Fprintf(&b, "  - {%s, script: {cycle: {%s, start: %s, refill_below: 0.1 %%}", potMapping(p), cmp.Or(p.cycle, usual), cmp.Or(p.start, "3 s"))
		if len(p.events) > 0 {
			fmt.Fprintf(&b, ", events: [%s]", strings.Join(p.events, ", "))
		}
		b.WriteString("}}\n")
	}
	b.WriteString("lines:\n")
	for i, p := range pots {
		if i%perLine == 0 {
			fmt.Fprintf(&b, "  - link: $DIR/%s-%d\n    mode: 115200 8E1\n    units:\n", links, i/perLine)
		}
		fmt.Fprintf(&b, "      - {unit: %d, kind: transmitter, channels: [", i+1)
		for k, point := range potPointNames {
			if k > 0 {
				b.WriteString(", ")
			}
			fmt.Fprintf(&b, "{pot: %s, point: %s, address: %d, order: high-first, unit: psi}", p.name, point, 2*k)
		}
		b.WriteString("]}\n")
	}
	return b.String()
}

// agentConfig reads the pots from the lines of simConfig.
func agentConfig(agent, broker, links string, pots []pot) string {
	var b strings.Builder
	fmt.Fprintf(&b, "agent: %s\nsite: harrow-quay\nbroker: {url: \"mqtt://%s\"}\njournal: $DIR/journal-%s-%s\nsimulated: true\nbuses:\n", agent, broker, agent, links)
	for i, p := range pots {
		if i%perLine == 0 {
			fmt.Fprintf(&b, "  - port: $DIR/%s-%d\n    mode: 115200 8E1\n    period: 100ms\n    units:\n", links, i/perLine)
		}
		fmt.Fprintf(&b, "      - unit: %d\n        read:\n", i+1)
		for k, point := range potPointNames {
			fmt.Fprintf(&b, "          - {pot: %s, point: %s, input: %d, type: float32, order: high-first, unit: psi}\n", p.name, point, 2*k)
		}
	}
	b.WriteString("pots:\n")
	for _, p := range pots {
		fmt.Fprintf(&b, "  - {%s}\n", potMapping(p))
	}
	return b.String()
}

func siteConfig(pots []pot) string {
	var b strings.Builder
	b.WriteString("site: harrow-quay\nlisten: $HTTP\nbroker: {embedded: \"$MQTT\"}\ndata: $DIR/data\npots:\n")
	for _, p := range pots {
		fmt.Fprintf(&b, "  - {agent: %s, %s}\n", cmp.Or(p.agent, "quay-1"), potMapping(p))
	}
	return b.String()
}

// truthEvery is how often the simulator writes down the truth, unless it is told otherwise.
const truthEvery = 100 * time.Millisecond

// running is a whole site with one agent.
type runningSite struct {
	*site
	sim, server, agent *program
	truth              string
}

// runSite starts simulator, server and agent.
func runSite(t testing.TB, pots []pot) *runningSite {
	t.Helper()
	s := newSite(t)
	r := &runningSite{site: s, truth: s.dir + "/truth.jsonl"}
	s.write("sim.yaml", simConfig(pots, "line"))
	s.write("site.yaml", siteConfig(pots))
	s.write("agent.yaml", agentConfig("quay-1", s.mqtt, "line", pots))
	r.sim = s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", r.truth)
	r.sim.says("lines ready", soon)
	r.startServer()
	r.startAgent()
	return r
}

func (r *runningSite) startServer() {
	r.server = r.start("gritwatch-server", "run", "--config", "site.yaml")
	r.server.says("dashboard: ", soon)
}

func (r *runningSite) startAgent() {
	r.agent = r.start("gritwatch-agent", "run", "--config", "agent.yaml")
}
