package history

import (
	"fmt"
	"strings"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// Counters of the library that tell what it does not return as an error.
const (
	countAppended       = "prometheus_tsdb_head_samples_appended_total"
	countLateLogFailed  = "prometheus_tsdb_out_of_order_wbl_writes_failed_total"
	countUnknownSeries  = "prometheus_tsdb_wal_replay_unknown_refs_total"
	countUnknownSeries2 = "prometheus_tsdb_wbl_replay_unknown_refs_total"
)

var countersNeeded = [...]string{countAppended, countLateLogFailed, countUnknownSeries, countUnknownSeries2}

// counters is a registry of one store's own, private to it, that can be asked for single counters at little cost.
type counters struct {
	mu    sync.Mutex
	found map[string][]prometheus.Collector
}

func newCounters() *counters { return &counters{found: map[string][]prometheus.Collector{}} }

// Register keeps the collectors that are needed.
func (c *counters) Register(col prometheus.Collector) error {
	descs := make(chan *prometheus.Desc)
	go func() {
		col.Describe(descs)
		close(descs)
	}()
	c.mu.Lock()
	defer c.mu.Unlock()
	for d := range descs {
		for _, name := range countersNeeded {
			if strings.Contains(d.String(), `"`+name+`"`) {
				c.found[name] = append(c.found[name], col)
			}
		}
	}
	return nil
}

// MustRegister is Register for several.
func (c *counters) MustRegister(cols ...prometheus.Collector) {
	for _, col := range cols {
		_ = c.Register(col) // never an error
	}
}

// Unregister keeps what was registered: a counter may be asked for after the store has closed.
func (c *counters) Unregister(prometheus.Collector) bool { return true }

// complete tells whether the library registered all that is needed: one that renamed a counter must not go unnoticed.
func (c *counters) complete() error {
	for _, name := range countersNeeded {
		if len(c.found[name]) == 0 {
			return fmt.Errorf("the library has no counter %s, without which a lost sample would go unnoticed; use the version in go.mod", name)
		}
	}
	return nil
}

// sum is a counter's value over all its labels.
func (c *counters) sum(name string) float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	var sum float64
	for _, col := range c.found[name] {
		ch := make(chan prometheus.Metric, 16) // more labels than any of these counters has
		col.Collect(ch)
		close(ch)
		for m := range ch {
			var d dto.Metric
			if m.Write(&d) == nil && d.Counter != nil {
				sum += d.Counter.GetValue()
			}
		}
	}
	return sum
}
