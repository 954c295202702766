package e2e_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"
)

// BenchmarkAlarm is how long a shut exhaust takes from the reading that shows it to whoever is to know: from the last byte of the
// deciding reply, as the agent stamps it, to the frame of the page's WebSocket, and to a webhook by others. Twenty pots on four
// lines vent into shut exhausts, ten times each. All clocks are this machine's.
// A vessel that stands moves nothing; it is told at once all the same, since its control has just moved.
func BenchmarkAlarm(b *testing.B) {
	for b.Loop() {
		alarmDelays(b)
	}
}

func alarmDelays(b *testing.B) {
	const many, cycles, cycle = 20, 10, 13 * time.Second
	var pots []pot
	for i := range many {
		pots = append(pots, pot{name: fmt.Sprintf("pot-%d", i), cycle: "press: 6 s, rest: 7 s", start: fmt.Sprintf("%d ms", 3000+i*650), events: []string{"{" + shut + "}", "{" + plug + "}"}})
	}
	s, h := newSite(b), newHook(b)
	s.write("sim.yaml", simConfig(pots, "line"))
	s.write("site.yaml", siteConfig(pots)+h.config(s))
	s.write("agent.yaml", agentConfig("quay-1", s.mqtt, "line", pots))
	sim := s.start("gritwatch-sim", "run", "--config", "sim.yaml")
	sim.says("lines ready", soon)
	server := s.start("gritwatch-server", "run", "--config", "site.yaml")
	server.says("dashboard: ", soon)
	f := s.frames()
	agent := s.start("gritwatch-agent", "run", "--config", "agent.yaml")
	began := time.Now()
	eventually(b, (cycles+3)*cycle, "ten cycles of all pots", func() bool { return time.Since(began) > (cycles+2)*cycle })
	for _, p := range []*program{agent, server, sim} {
		p.stop()
	}

	report := func(to string, delays []float64) {
		if len(delays) < many*cycles {
			b.Fatalf("%s: only %d alarms were told", to, len(delays))
		}
		slices.Sort(delays)
		at := func(share float64) float64 { return delays[int(math.Ceil(share*float64(len(delays))))-1] }
		b.ReportMetric(at(0.50), to+"-p50-ms")
		b.ReportMetric(at(0.95), to+"-p95-ms")
		b.ReportMetric(delays[len(delays)-1], to+"-max-ms")
		b.ReportMetric(float64(len(delays)), to+"-alarms")
	}
	since := func(what string, at time.Time) float64 {
		decided, err := time.Parse(time.RFC3339, what)
		if err != nil {
			b.Fatal(err)
		}
		return float64(at.Sub(decided).Microseconds()) / 1000
	}
	var hooked, shown []float64
	for _, a := range h.all() {
		if a.Kind == "vent-slow" && a.Event == "raised" {
			hooked = append(hooked, since(a.T, a.at))
		}
	}
	seen := map[string]bool{}
	for _, x := range f.seen {
		for _, a := range x.alarms {
			if key := a.ID + a.Since; a.Alarm == "vent-slow" && a.State == "unacknowledged" && !seen[key] {
				seen[key] = true
				shown = append(shown, since(a.Since, x.at))
			}
		}
	}
	report("webhook", hooked)
	report("page", shown)
}
