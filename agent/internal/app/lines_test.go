package app_test

import (
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// What is counted of the lines reaches the broker, and grows.
func TestLinesOnTheWire(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, t.TempDir())
		defer r.stop()
		time.Sleep(time.Second)
		r.set(func(p *plant) { p.mute = true }) // unit 9, of line 1
		time.Sleep(31 * time.Second)
		told := map[string]sparkplug.Metric{}
		grew := 0
		for _, h := range r.heard() {
			for _, m := range h.message.Metrics {
				if _, item, ok := points.ParseLine(m.Name); ok && h.topic.Device == "" {
					before, _ := told[m.Name].Value.Uint()
					now, _ := m.Value.Uint()
					if item == points.LineRequests && now > before {
						grew++
					}
					if item.Grows() && now < before {
						t.Errorf("%s fell from %d to %d", m.Name, before, now)
					}
					told[m.Name] = m
				}
			}
		}
		if len(told) != 2*points.LineItems || grew < 6 {
			t.Errorf("%d metrics of two lines, requests grew %d times", len(told), grew)
		}
		n := func(name string) uint64 { v, _ := told[name].Value.Uint(); return v }
		for line, port := range map[int]string{1: "/dev/line-1", 2: "/dev/line-2"} {
			got, _ := told[points.LinePort.Metric(line)].Value.Text()
			open, _ := told[points.LineOpen.Metric(line)].Value.Bool()
			if got != port || !open {
				t.Errorf("line %d: port %q, open %v", line, got, open)
			}
		}
		if n("Line/1/Silent Units") != 1 || n("Line/1/No Reply") < 10 || n("Line/1/Replies") < 5 {
			t.Errorf("line 1: %d silent units, %d times no reply, %d replies", n("Line/1/Silent Units"), n("Line/1/No Reply"), n("Line/1/Replies"))
		}
		if n("Line/2/Silent Units") != 0 || n("Line/2/No Reply") != 0 || n("Line/2/Requests")-n("Line/2/Replies") > 1 || n("Line/2/Replies") < 200 {
			t.Errorf("line 2: %d silent units, %d times no reply, %d requests, %d replies",
				n("Line/2/Silent Units"), n("Line/2/No Reply"), n("Line/2/Requests"), n("Line/2/Replies"))
		}
	})
}
