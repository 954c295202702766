// Package metrics exports what is known of the pots and serial lines, and of what the server takes in, to Prometheus. The
// pots' values are computed at the scrape: a stale pot has the state unknown, the answer not-proven, and no pressure. Of
// the lines of an agent that is dead or silent nothing is given.
package metrics

import (
	"fmt"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
)

// Pots gives the pots.
type Pots interface {
	Names() []string
	// Estimate is what can be said of a pot at now; false where there is none of the name.
	Estimate(name string, now time.Time) (live.Pot, bool)
}

// Metrics counts what the server takes in. Its methods may be called from any goroutine.
type Metrics struct {
	site     string
	registry *prometheus.Registry
	messages *prometheus.CounterVec
	samples  *prometheus.CounterVec
	ofKind   [len(kinds)]prometheus.Counter // of messages
	live     prometheus.Counter             // of samples
	late     prometheus.Counter
	gaps     *prometheus.CounterVec
	bad      prometheus.Counter
	refused  *prometheus.CounterVec
	dropped  prometheus.Counter
	latency  prometheus.Histogram
	link     prometheus.Gauge
	lines    *lineCollector
	stored   *prometheus.CounterVec
	lost     *prometheus.CounterVec
	loose    *prometheus.CounterVec
	unkept   prometheus.Counter
	ahead    *prometheus.GaugeVec
}

// Fates are what becomes of samples that are to be stored.
var fates = [...]string{"stored", "repeated", "conflict", "too-old", "too-new", "invalid"}

// kinds are the kinds of message that are counted by name: what strangers invent is not.
var kinds = [...]string{"NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH"}

// New counts from zero. Pages is how many pages are connected, faults how many things keep the server from storing.
func New(site string, pots Pots, pages, faults func() int) (*Metrics, error) {
	own := prometheus.Labels{"site": site}
	counter := func(name, help string) prometheus.CounterOpts {
		return prometheus.CounterOpts{Name: "gritwatch_" + name, Help: help, ConstLabels: own}
	}
	m := &Metrics{
		site:     site,
		registry: prometheus.NewPedanticRegistry(),
		messages: prometheus.NewCounterVec(counter("ingest_messages_total", "Sparkplug messages of agents, by kind."), []string{"kind"}),
		samples:  prometheus.NewCounterVec(counter("ingest_samples_total", "Samples taken in, live or late."), []string{"lane"}),
		gaps:     prometheus.NewCounterVec(counter("ingest_gaps_total", "Gaps in the sequence numbers of an agent's messages."), []string{"agent"}),
		bad:      prometheus.NewCounter(counter("ingest_bad_messages_total", "Messages refused because they cannot be read, or may not be believed.")),
		refused:  prometheus.NewCounterVec(counter("ingest_refused_total", "Messages for a pot from another agent, or from a second session of its own."), []string{"pot", "from"}),
		dropped:  prometheus.NewCounter(counter("pot_dropped_total", "Events dropped because a pot's mailbox was full.")),
		lines:    newLines(site),
		stored:   prometheus.NewCounterVec(counter("store_samples_total", "Samples handed to the store, by what became of them."), []string{"fate"}),
		lost:     prometheus.NewCounterVec(counter("journal_lost_total", "Records of an agent's journal that will never be stored."), []string{"agent"}),
		loose:    prometheus.NewCounterVec(counter("journal_missing_samples_total", "Live samples that are in no journal of their agent: what it cannot send is lost."), []string{"agent"}),
		unkept:   prometheus.NewCounter(counter("store_waiting_dropped_total", "Samples dropped on their way to the store for want of room; agents are asked for them again.")),
		ahead: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "gritwatch_agent_clock_ahead_seconds", ConstLabels: own,
			Help: "How far an agent's clock is ahead of the server's, by the newest echo."}, []string{"agent"}),
		link: prometheus.NewGauge(prometheus.GaugeOpts{Name: "gritwatch_broker_link_up", Help: "1 while the server is linked to its MQTT broker.", ConstLabels: own}),
		latency: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "gritwatch_ingest_latency_seconds",
			Help:        "Age of the newest sample of a live batch at its arrival, worst case, by the echoes.",
			ConstLabels: own, Buckets: []float64{.01, .025, .05, .1, .25, .5, 1, 2, 5, 10, 30},
			NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 160}),
	}
	gauge := prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "gritwatch_live_pages", Help: "Pages connected now.", ConstLabels: own},
		func() float64 { return float64(pages()) })
	broken := prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "gritwatch_store_faults", Help: "Things that keep the server from storing samples or records now.", ConstLabels: own},
		func() float64 { return float64(faults()) })
	for _, c := range []prometheus.Collector{m.stored, m.lost, m.loose, m.unkept, m.ahead, broken, m.messages, m.samples, m.gaps, m.bad, m.refused, m.dropped, m.link, m.latency, gauge, newPots(pots), m.lines} {
		if err := m.registry.Register(c); err != nil {
			return nil, fmt.Errorf("metrics: %w", err)
		}
	}
	for i, k := range kinds {
		m.ofKind[i] = m.messages.WithLabelValues(k)
	}
	for _, f := range fates {
		m.stored.WithLabelValues(f)
	}
	m.live, m.late = m.samples.WithLabelValues("live"), m.samples.WithLabelValues("late")
	// A counter that begins with its first event hides that event from rate and increase.
	for _, name := range pots.Names() {
		if p, ok := pots.Estimate(name, time.Now()); ok {
			m.gaps.WithLabelValues(p.Agent)
			m.lost.WithLabelValues(p.Agent)
			m.loose.WithLabelValues(p.Agent)
			m.refused.WithLabelValues(name, fromAgent)
			m.refused.WithLabelValues(name, fromSession)
		}
	}
	return m, nil
}

// Handler serves the Prometheus text, and the newer formats to those who ask for them. With site=NAME in the query it gives
// the series of that site alone; where there is none of the name, refuse answers.
func (m *Metrics) Handler(refuse func(w http.ResponseWriter, r *http.Request, status int, detail string)) http.Handler {
	all := promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{ErrorHandling: promhttp.HTTPErrorOnError, MaxRequestsInFlight: 4, Timeout: 10 * time.Second})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		// A server has one site, and every series bears it: either all are asked for, or none.
		switch sites := r.URL.Query()["site"]; {
		case len(sites) > 1:
			refuse(w, r, http.StatusBadRequest, "site stands more than once")
		case len(sites) == 1 && sites[0] != m.site:
			refuse(w, r, http.StatusNotFound, "no site of this name; here is "+m.site)
		default:
			all.ServeHTTP(w, r)
		}
	})
}

// Message counts a message by its kind.
func (m *Metrics) Message(kind string) {
	for i, k := range kinds {
		if k == kind {
			m.ofKind[i].Inc()
			return
		}
	}
	m.messages.WithLabelValues("other").Inc()
}

// Samples counts samples.
func (m *Metrics) Samples(n int, late bool) {
	c := m.live
	if late {
		c = m.late
	}
	c.Add(float64(n))
}

// Gap counts a gap in an agent's messages.
func (m *Metrics) Gap(agent string) { m.gaps.WithLabelValues(agent).Inc() }

// Bad counts a message that was refused.
func (m *Metrics) Bad(string, string) { m.bad.Inc() }

// Where a message that was refused came from.
const (
	fromAgent   = "agent"
	fromSession = "session"
)

// Refused counts a message for a pot from where none may come.
func (m *Metrics) Refused(pot string, second bool) {
	from := fromAgent
	if second {
		from = fromSession
	}
	m.refused.WithLabelValues(pot, from).Inc()
}

// Dropped counts an event that found a pot's mailbox full.
func (m *Metrics) Dropped() { m.dropped.Inc() }

// Latency observes the age of a live batch's newest sample at its arrival.
func (m *Metrics) Latency(d time.Duration) { m.latency.Observe(d.Seconds()) }

// Stored counts samples that were handed to the store, in the order of what became of them: stored, the same was there already, another was
// there, too old, in the future, not a sample.
func (m *Metrics) Stored(counts [len(fates)]int) {
	for i, n := range counts {
		if n > 0 {
			m.stored.WithLabelValues(fates[i]).Add(float64(n))
		}
	}
}

// Lost counts records of an agent's journal that will never be stored.
func (m *Metrics) Lost(agent string, n uint64) { m.lost.WithLabelValues(agent).Add(float64(n)) }

// Loose counts live samples that are in no journal of their agent.
func (m *Metrics) Loose(agent string, n int) { m.loose.WithLabelValues(agent).Add(float64(n)) }

// Unkept counts samples that found no room on their way to the store.
func (m *Metrics) Unkept(n int) { m.unkept.Add(float64(n)) }

// Clock notes how far an agent's clock is ahead of the server's.
func (m *Metrics) Clock(agent string, ahead time.Duration) {
	m.ahead.WithLabelValues(agent).Set(ahead.Seconds())
}

// Link tells whether the server is linked to the broker.
func (m *Metrics) Link(up bool) {
	m.link.Set(0)
	if up {
		m.link.Set(1)
	}
}

// potCollector computes the pots' series at each scrape.
type potCollector struct {
	source                                                                         Pots
	pressure, drop, state, answer, answerAge, production, simulated, rated, target *prometheus.Desc
	resistance, exhaust, level, levelSD, empty, bore                               *prometheus.Desc
}

func newPots(source Pots) *potCollector {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("gritwatch_pot_"+name, help, append([]string{"site", "pot"}, labels...), nil)
	}
	return &potCollector{source: source,
		pressure:   desc("pressure_pascals", "Gauge pressure at a measuring point; absent while it is not fresh and good.", "point"),
		drop:       desc("drop_pascals", "Pressure loss over a segment, its two readings brought to one instant.", "segment"),
		state:      desc("state", "1 for the state the pot is in, 0 for the others.", "state"),
		answer:     desc("answer", "1 for the word that may be said of opening the vessel, 0 for the others. It replaces no gauge and no lockout.", "word"),
		answerAge:  desc("answer_age_seconds", "Age of the sample behind the answer, worst case; absent while it cannot be told."),
		production: desc("production_ratio", "Share of the work that target pressure at the nozzle would do; absent unless blasting, and while the nozzle's pressure is neither measured nor can be computed."),
		simulated:  desc("simulated", "1 while the pot's readings come from a simulator."),
		rated:      desc("rated_pascals", "Gauge pressure that the vessel is rated for, as configured."),
		target:     desc("target_pascals", "Gauge pressure wanted at the nozzle, as configured."),
		resistance: desc("resistance_ratio", "Flow-normalised resistance of a segment over its healthy baseline; absent while it is not known.", "segment"),
		exhaust:    desc("exhaust_ratio", "Conductance of the exhaust over its healthy baseline; absent while it is not known."),
		level:      desc("level_grams", "Estimate of the abrasive left in the pot."),
		levelSD:    desc("level_sd_grams", "Standard deviation of the estimate of the abrasive left."),
		empty:      desc("empty_seconds", "Estimate of the blasting seconds until the pot is empty: in this per cent of cases it takes less.", "percentile"),
		bore:       desc("nozzle_bore_meters", "Estimate of the nozzle's bore; absent while it cannot be told."),
	}
}

// Describe names the series.
func (c *potCollector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{c.pressure, c.drop, c.state, c.answer, c.answerAge, c.production, c.simulated, c.rated, c.target,
		c.resistance, c.exhaust, c.level, c.levelSD, c.empty, c.bore} {
		ch <- d
	}
}

// Collect computes them.
func (c *potCollector) Collect(ch chan<- prometheus.Metric) {
	now := time.Now()
	for _, name := range c.source.Names() {
		p, ok := c.source.Estimate(name, now)
		if !ok {
			continue
		}
		put := func(d *prometheus.Desc, v *float64, labels ...string) {
			if v != nil {
				ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, *v, append([]string{p.Site, p.Name}, labels...)...)
			}
		}
		yes, no := 1.0, 0.0
		hot := func(on bool) *float64 {
			if on {
				return &yes
			}
			return &no
		}
		pp, dp := p.PressurePa, p.DropPa
		for i, v := range [points.Count]*float64{pp.Supply, pp.Separator, pp.Vessel, pp.Hose, pp.Nozzle, pp.Control} {
			put(c.pressure, v, points.Point(i).String())
		}
		for i, v := range [points.SegmentCount]*float64{dp.Separator, dp.Valve, dp.Mixing, dp.Hose} {
			put(c.drop, v, points.Segment(i).String())
		}
		for _, s := range live.States() {
			put(c.state, hot(s == p.State), s)
		}
		for _, w := range vent.AllWords() {
			put(c.answer, hot(w.String() == p.Answer.Word), w.String())
		}
		put(c.answerAge, p.Answer.AgeS)
		put(c.production, p.Production)
		put(c.simulated, hot(p.Simulated))
		put(c.rated, &p.RatedPa)
		put(c.target, p.TargetPa)
		c.figures(&p, put)
	}
}

// figures puts what is estimated of the pot.
func (c *potCollector) figures(p *live.Pot, put func(d *prometheus.Desc, v *float64, labels ...string)) {
	scaled := func(v *float64, by float64) *float64 {
		if v == nil {
			return nil
		}
		x := *v * by
		return &x
	}
	r := &p.Resistance
	for i, v := range [points.SegmentCount]*float64{r.Separator, r.Valve, r.Mixing, r.Hose} {
		put(c.resistance, v, points.Segment(i).String())
	}
	put(c.exhaust, p.Exhaust)
	put(c.level, scaled(p.LevelKg, gramsPerKg))
	put(c.levelSD, scaled(p.LevelSdKg, gramsPerKg))
	if q := p.EmptyS; q != nil {
		put(c.empty, &q.P10, "10")
		put(c.empty, &q.P50, "50")
		put(c.empty, &q.P90, "90")
	}
	if p.BoreMm != nil {
		bore := *p.BoreMm / mmPerMetre
		put(c.bore, &bore)
	}
}

const (
	gramsPerKg = 1e3
	mmPerMetre = 1e3
)
