package metrics

import "github.com/prometheus/client_golang/prometheus"

// A Receiver is how it goes with one who is told of alarms outside. Counts are since the start.
type Receiver struct {
	Name, Kind string
	Sent       uint64 // messages that were taken
	Failed     uint64 // tries that were not
	Dropped    uint64 // alarms that were not told
	Waiting    int    // alarms that wait to be told
}

// Receivers exports what becomes of messages to those who are told of alarms outside; now gives it at the scrape.
func (m *Metrics) Receivers(now func() []Receiver) error {
	desc := func(name, help string) *prometheus.Desc {
		return prometheus.NewDesc("gritwatch_notify_"+name, help, []string{"receiver", "kind"}, prometheus.Labels{"site": m.site})
	}
	return m.registry.Register(&receivers{now: now,
		sent:    desc("sent_total", "Messages about alarms that a receiver outside has taken."),
		failed:  desc("failed_total", "Tries to send a message about alarms to a receiver outside that failed."),
		dropped: desc("dropped_total", "Alarms that a receiver outside was not told of: too many waited, or it refused them for too long."),
		waiting: desc("waiting", "Alarms that wait to be told to a receiver outside."),
	})
}

type receivers struct {
	now                            func() []Receiver
	sent, failed, dropped, waiting *prometheus.Desc
}

// Describe tells which series there are.
func (r *receivers) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{r.sent, r.failed, r.dropped, r.waiting} {
		to <- d
	}
}

// Collect gives them.
func (r *receivers) Collect(to chan<- prometheus.Metric) {
	for _, x := range r.now() {
		put := func(d *prometheus.Desc, kind prometheus.ValueType, v float64) {
			to <- prometheus.MustNewConstMetric(d, kind, v, x.Name, x.Kind)
		}
		put(r.sent, prometheus.CounterValue, float64(x.Sent))
		put(r.failed, prometheus.CounterValue, float64(x.Failed))
		put(r.dropped, prometheus.CounterValue, float64(x.Dropped))
		put(r.waiting, prometheus.GaugeValue, float64(x.Waiting))
	}
}
