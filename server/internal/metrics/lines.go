package metrics

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"gritwatch/protocol/points"
	"gritwatch/server/internal/feed"
)

// silentAfter is how long after the last echo that it answered an agent counts as silent: three echoes.
const silentAfter = 15 * time.Second

// lineCollector gives what the agents count of their serial lines, as last told. Of an agent that is dead or silent it
// gives nothing.
type lineCollector struct {
	open, requests, replies, failures, stray, echoes, lost, leftOut, silent *prometheus.Desc

	mu     sync.Mutex
	agents map[string]*agentLines
}

type agentLines struct {
	feed.Lines
	lived time.Time // it certainly lived then, by the echoes of its session; zero: not known
}

func newLines(site string) *lineCollector {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("gritwatch_line_"+name, help, append([]string{"agent", "line", "port"}, labels...), prometheus.Labels{"site": site})
	}
	return &lineCollector{agents: map[string]*agentLines{},
		open:     desc("open", "1 while the agent has the serial port open."),
		requests: desc("requests_total", "Requests (or queries) sent on a serial line."),
		replies:  desc("replies_total", "Good replies on a serial line."),
		failures: desc("failures_total", "Requests without a good reply, by what became of them.", "kind"),
		stray:    desc("stray_bytes_total", "Bytes on a serial line that nobody asked for."),
		echoes:   desc("echoes_total", "Own requests that came back on a serial line."),
		lost:     desc("lost_total", "Times that the serial port was lost, or not to be had."),
		leftOut:  desc("periods_left_out_total", "Periods left out because the serial line was still busy."),
		silent:   desc("silent_units", "Units (or gauges) of a serial line that do not answer now."),
	}
}

// Lines takes what an agent counts of its serial lines.
func (m *Metrics) Lines(l feed.Lines) { m.lines.take(l) }

// Echo takes that an agent lives.
func (m *Metrics) Echo(e feed.Echo) { m.lines.echo(e) }

func (c *lineCollector) take(l feed.Lines) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(l.Lines) == 0 {
		delete(c.agents, l.Agent)
		return
	}
	a := c.agents[l.Agent]
	if a == nil || a.Session != l.Session {
		a = &agentLines{}
		c.agents[l.Agent] = a
	}
	a.Lines = l
}

func (c *lineCollector) echo(e feed.Echo) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if a := c.agents[e.Agent]; a != nil && a.Session == e.Session && e.Sent.After(a.lived) {
		a.lived = e.Sent // it answered later than this
	}
}

// Describe names the series.
func (c *lineCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{c.open, c.requests, c.replies, c.failures, c.stray, c.echoes, c.lost, c.leftOut, c.silent} {
		ch <- d
	}
}

// Collect gives them.
func (c *lineCollector) Collect(ch chan<- prometheus.Metric) {
	for _, a := range c.living(time.Now()) {
		for i, l := range a.Lines {
			if l.Port == "" {
				continue
			}
			put := func(d *prometheus.Desc, t prometheus.ValueType, item points.LineItem, labels ...string) {
				ch <- prometheus.MustNewConstMetric(d, t, float64(l.Values[item]), append([]string{a.Agent, strconv.Itoa(i + 1), l.Port}, labels...)...)
			}
			put(c.open, prometheus.GaugeValue, points.LineOpen)
			put(c.requests, prometheus.CounterValue, points.LineRequests)
			put(c.replies, prometheus.CounterValue, points.LineReplies)
			for item := range points.LineItem(points.LineItems) {
				if kind, ok := item.Failure(); ok {
					put(c.failures, prometheus.CounterValue, item, kind)
				}
			}
			put(c.stray, prometheus.CounterValue, points.LineStrayBytes)
			put(c.echoes, prometheus.CounterValue, points.LineEchoes)
			put(c.lost, prometheus.CounterValue, points.LinePortLost)
			put(c.leftOut, prometheus.CounterValue, points.LineLeftOut)
			put(c.silent, prometheus.GaugeValue, points.LineSilentUnits)
		}
	}
}

// living are the lines of the agents that live, by name. What a feed.Lines holds is never changed.
func (c *lineCollector) living(now time.Time) []feed.Lines {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []feed.Lines
	for a := range maps.Values(c.agents) {
		// By the clock that ran further: monotonic time may stand still while the machine sleeps.
		if age := max(now.Sub(a.lived), now.Round(0).Sub(a.lived.Round(0))); age <= silentAfter {
			out = append(out, a.Lines)
		}
	}
	slices.SortFunc(out, func(a, b feed.Lines) int { return cmp.Compare(a.Agent, b.Agent) })
	return out
}
