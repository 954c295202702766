package e2e_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/live"
)

// TestAlarmThroughKills: while a vent has stalled, the broker is killed, then the server, then the network between agent and broker is cut, and
// nobody outside can be reached. Broker and server come back, and hear nothing of the agent until the network does; outside is reached last. The beacons at the pot stay off as long as the vessel holds pressure, whoever is alive, and are lit after the next vent; afterwards the alarm's
// history is complete, and who could not be reached is told late, once.
func TestAlarmThroughKills(t *testing.T) {
	t.Parallel()
	quay := alarmAgent{name: "quay-1", pots: []alarmPot{{name: "alder", cycle: "none", events: []string{
		"{at: 5 s, for: 8 s, press: true}", "{at: 102 s, for: 8 s, press: true}",
		"{at: 11 s, for: 60 s, " + shut + "}", "{at: 13.3 s, for: 57 s, " + plug + "}"}}}}
	s, h := newSite(t), newHook(t)
	r := &runningSite{site: s, truth: filepath.Join(s.dir, "truth.jsonl")}
	relays := `      - {unit: 30, kind: relay, watchdog: 2 s, outputs: [{pot: alder, name: watched, coil: 0}, {pot: alder, name: spare, coil: 7}]}
      - {unit: 31, kind: relay, outputs: [{pot: alder, name: changed, coil: 3, toggled: 1.5 s}]}
`
	beacons := `      - {unit: 30, beacons: [{pot: alder, coil: 0, watchdog: 2 s, prove: {coil: 7}}]}
      - {unit: 31, beacons: [{pot: alder, coil: 3, toggle: true, contact: 3}]}
`
	agents := []alarmAgent{quay}
	s.write("sim.yaml", alarmSim(agents, relays))
	s.write("site.yaml", alarmServer(agents, fmt.Sprintf(`{url: "mqtt://%s"}`, s.mqtt))+h.config(s))
	near := freeAddr(t)
	network := newLink(t, near, s.mqtt)
	s.write("agent.yaml", quay.config(near, beacons))
	host, port, _ := strings.Cut(s.mqtt, ":")
	s.write("mosquitto.conf", fmt.Sprintf("listener %s %s\nallow_anonymous true\n", port, host))
	broker := func() *program {
		b := s.command("/usr/sbin/mosquitto", "-c", "mosquitto.conf", "-v")
		b.says("running", soon)
		return b
	}
	b := broker()
	r.sim = s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", r.truth, "--truth-every", "50ms")
	r.sim.says("lines ready", soon)
	zero := time.Now()
	r.startServer()
	r.startAgent()

	told := func(kind, event string) (hooked, bool) {
		all := h.all()
		i := slices.IndexFunc(all, func(a hooked) bool { return a.Kind == kind && a.Event == event })
		if i < 0 {
			return hooked{}, false
		}
		return all[i], true
	}
	var held hooked
	eventually(t, 80*time.Second, "vessel-held is told", func() (ok bool) { held, ok = told("vessel-held", "raised"); return ok })
	raised := time.Now()
	b.kill()
	pass := func(d time.Duration, what string) {
		t.Helper()
		eventually(t, 2*time.Minute, what, func() bool { return time.Since(raised) > d })
	}
	pass(3*time.Second, "without a broker")
	r.server.kill()
	pass(6*time.Second, "without a server")
	network.set(linkState{cut: true})
	h.setDown(true)
	pass(9*time.Second, "without a network, and with nobody to reach")
	broker()
	r.startServer()
	eventually(t, soon, "the alarm stands after the start", func() bool {
		open, err := get[live.Alarms](s, "/api/v1/alarms?state=open")
		return err == nil && slices.ContainsFunc(open.Alarms, func(a live.Alarm) bool { return a.ID == held.ID && a.Standing != nil && a.Standing.Active })
	})
	if err := s.act(held.ID, "acknowledge"); err != nil {
		t.Error(err)
	}
	acknowledged := time.Now()
	silent := func(is bool) func() bool {
		return func() bool {
			open, err := get[live.Alarms](s, "/api/v1/alarms?state=open")
			return err == nil && is == slices.ContainsFunc(open.Alarms, func(a live.Alarm) bool {
				return a.Alarm == "agent-silent" && a.Standing != nil && a.Standing.Active
			})
		}
	}
	eventually(t, time.Minute, "the agent is silent, as the network is cut", silent(true))
	if d, err := get[live.AlarmDetail](s, "/api/v1/alarms/"+held.ID); err != nil || d.Standing == nil || !d.Standing.Active {
		t.Errorf("while the network is cut vessel-held is %+v, %v", d, err)
	}
	network.set(linkState{})
	eventually(t, time.Minute, "the agent is heard again", silent(false))
	eventually(t, 3*time.Minute, "a minute later", func() bool { return time.Since(acknowledged) > 62*time.Second })
	h.setDown(false)
	// Press and vent come at 102 s, and let the alarm go.
	ended := func() (live.AlarmDetail, bool) {
		d, err := get[live.AlarmDetail](s, "/api/v1/alarms/"+held.ID)
		return d, err == nil && d.Ended != ""
	}
	eventually(t, 90*time.Second, "vessel-held is over", func() bool { _, ok := ended(); return ok })
	d, _ := ended()
	var steps []string
	for _, x := range d.Transitions {
		steps = append(steps, x.Event)
	}
	// Its condition ends with the next press, and the answer lets it go after the vent.
	if got := strings.Join(steps, " "); got != "raised acknowledged returned returned" {
		t.Errorf("history %q", got)
	}
	if d.Transitions[1].By != "Ida" || d.Evidence.Trace == nil {
		t.Errorf("%+v", d)
	}
	eventually(t, 2*time.Minute, "its end is told", func() bool {
		all := h.all()
		return slices.ContainsFunc(all, func(a hooked) bool { return a.ID == held.ID && a.State == "normal" })
	})
	seen := map[string]int{}
	for _, a := range h.all() {
		if a.ID == held.ID {
			seen[a.State]++
			if late := a.State == "acknowledged"; late != (a.LateS > 60 && a.LateFor == "not-reached") {
				t.Errorf("%s was told %g s late (%s)", a.State, a.LateS, a.LateFor)
			}
			t.Logf("told %.1f s: %s, %g s late (%s)", a.at.Sub(zero).Seconds(), a.State, a.LateS, a.LateFor)
		}
	}
	for state, n := range seen {
		if n != 1 {
			t.Errorf("told of %s %d times", state, n)
		}
	}
	if seen["unacknowledged"] != 1 || seen["acknowledged"] != 1 || seen["normal"] != 1 {
		t.Errorf("told %v", seen)
	}
	r.lit(60 * time.Second) // now that it has vented
	lit := r.honest()
	t.Logf("beacons lit in rows: %v", lit)
	for _, row := range jsonLines[lamp](t, r.truth) {
		for _, name := range lampNames {
			if row.Relays[name].On && row.VesselPa > 100e3 && row.T.After(raised) {
				t.Fatalf("%s is lit at %v with %.0f kPa in the vessel", name, row.T, row.VesselPa/1e3)
			}
		}
	}
}
