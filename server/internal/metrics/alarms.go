package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"gritwatch/server/internal/alarm"
)

// Alarms exports how many alarms stand, and how well they serve people by the figures of ANSI/ISA-18.2; now gives them at the scrape.
func (m *Metrics) Alarms(now func(time.Time) alarm.Figures) error {
	desc := func(name, help string, labels ...string) *prometheus.Desc {
		return prometheus.NewDesc("gritwatch_alarms_"+name, help, labels, prometheus.Labels{"site": m.site})
	}
	return m.registry.Register(&alarms{now: now,
		active:     desc("active", "Alarms in sight whose condition stands. None of them, nor that there is none, says that a vessel may be opened.", "priority"),
		waiting:    desc("unacknowledged", "Alarms in sight that nobody has acknowledged.", "priority"),
		lastTen:    desc("last_ten", "Alarms that came into sight in the last ten minutes; over ten are a flood."),
		flood:      desc("flood", "1 while the last ten minutes are a flood."),
		perHour:    desc("per_hour", "Alarms that came into sight in an hour, on average over the time named; six are very likely acceptable.", "over"),
		perTen:     desc("per_ten", "Alarms that came into sight in ten minutes, on average over the time named; one is very likely acceptable.", "over"),
		floodShare: desc("flood_ratio", "Share of the time named that was in a flood; one in a hundred at most.", "over"),
		chattering: desc("chattering", "Alarms that came three times within a minute, in the last day; none is right."),
		stale:      desc("stale", "Alarms in sight whose condition has stood for over a day; five at most."),
		hidden:     desc("hidden", "Alarms out of sight, by how.", "how"),
	})
}

type alarms struct {
	now                                                                                     func(time.Time) alarm.Figures
	active, waiting, lastTen, flood, perHour, perTen, floodShare, chattering, stale, hidden *prometheus.Desc
}

// Describe tells which series there are.
func (a *alarms) Describe(to chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{a.active, a.waiting, a.lastTen, a.flood, a.perHour, a.perTen, a.floodShare, a.chattering, a.stale, a.hidden} {
		to <- d
	}
}

// Collect gives them.
func (a *alarms) Collect(to chan<- prometheus.Metric) {
	f := a.now(time.Now())
	put := func(d *prometheus.Desc, v float64, labels ...string) {
		to <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	for p := range alarm.Priority(alarm.Priorities) {
		put(a.active, float64(f.Standing[p]), p.String())
		put(a.waiting, float64(f.Waiting[p]), p.String())
	}
	flood := 0.0
	if f.Flood {
		flood = 1
	}
	put(a.lastTen, float64(f.LastTen))
	put(a.flood, flood)
	for over, s := range map[string]*alarm.Span{"1d": &f.Day, "30d": &f.Month} {
		put(a.perHour, s.PerHour, over)
		put(a.perTen, s.PerTen, over)
		put(a.floodShare, s.FloodShare, over)
	}
	put(a.chattering, float64(len(f.Chattering)))
	put(a.stale, float64(len(f.Stale)))
	put(a.hidden, float64(f.Shelved), "shelved")
	put(a.hidden, float64(f.Suppressed), "suppressed")
	put(a.hidden, float64(f.OutOfService), "out-of-service")
}
