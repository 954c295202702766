package e2e_test

import (
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"
)

// lamp is a line of the truth with what hangs on relays: one beacon on a relay with a watchdog, one lit by change.
type lamp struct {
	truth
	Relays map[string]struct{ On bool }
}

// lampNames are the beacons of a lampSite; what hangs on "spare" is lit by the proof alone.
var lampNames = []string{"watched", "changed"}

// lampEvery is how often a lampSite's truth is written down.
const lampEvery = 20 * time.Millisecond

// lampSite starts a simulator with one pot, two relays on its line, and an agent that has no broker to talk to.
func lampSite(t testing.TB, p pot, faults string) *runningSite {
	t.Helper()
	pots := []pot{p}
	s := newSite(t)
	r := &runningSite{site: s, truth: s.dir + "/truth.jsonl"}
	relays := strings.ReplaceAll(`      - {unit: 30, kind: relay, watchdog: 2 s, outputs: [{pot: POT, name: watched, coil: 0}, {pot: POT, name: spare, coil: 7}]}
      - {unit: 31, kind: relay, outputs: [{pot: POT, name: changed, coil: 3, toggled: 1.5 s}]}
`, "POT", p.name)
	s.write("sim.yaml", simConfig(pots, "line")+relays+faults)
	beacons := strings.ReplaceAll(`      - {unit: 30, beacons: [{pot: POT, coil: 0, watchdog: 2 s, prove: {coil: 7}}]}
      - {unit: 31, beacons: [{pot: POT, coil: 3, toggle: true, contact: 3}]}
`, "POT", p.name)
	s.write("agent.yaml", strings.Replace(agentConfig("quay-1", "127.0.0.1:1", "line", pots), "pots:\n", beacons+"pots:\n", 1))
	r.sim = s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", r.truth, "--truth-every", lampEvery.String())
	r.sim.says("lines ready", soon)
	r.startAgent()
	r.agent.says("its relay's watchdog drops out", soon)
	r.agent.says("its contact is off at rest", soon)
	return r
}

// lit waits until both beacons are, by the simulator's truth.
func (r *runningSite) lit(within time.Duration) {
	r.t.Helper()
	eventually(r.t, within, "both beacons lit", func() bool {
		rows := jsonLines[lamp](r.t, r.truth)
		if len(rows) == 0 {
			return false
		}
		last := rows[len(rows)-1]
		return last.Relays["watched"].On && last.Relays["changed"].On
	})
}

// out fails unless each beacon was lit at an instant and dark from 3 s after it on, until a press was seen. The relay's own clock is the
// simulator's: as long as that stood still on a busy machine, nothing dropped out.
func (r *runningSite) out(what string, at time.Time) {
	r.t.Helper()
	rows := jsonLines[lamp](r.t, r.truth)
	for _, name := range lampNames {
		var was bool
		last := at
		for _, row := range rows {
			on := row.Relays[name].On
			switch {
			case row.T.Before(at):
				was = on
				continue
			case row.Pressed:
			case on:
				last = row.T
				continue
			default:
				continue
			}
			break
		}
		if !was {
			r.t.Errorf("%s: %s was not lit before", what, name)
		}
		after := last.Sub(at)
		slack := max(0, starved(rows, at, last)-2*lampEvery)
		r.t.Logf("%s: %s is dark after %v", what, name, after)
		if after > 3*time.Second+slack {
			r.t.Errorf("%s: %s still lit %v later", what, name, after)
		}
	}
}

// honest fails where a beacon was lit while the vessel had held more than 7 kPa for 3 s (and for as long as the simulator stood
// still meanwhile), and gives how many rows it was
// lit in.
func (r *runningSite) honest() (lit map[string]int) {
	r.t.Helper()
	lit = map[string]int{}
	var over, last time.Time // since when it does; of the row before
	var still time.Duration  // for which the simulator stood still since then, at most
	for _, row := range jsonLines[lamp](r.t, r.truth) {
		if row.VesselPa <= 7000 {
			over, still = time.Time{}, 0
		} else if over.IsZero() {
			over = row.T
		} else {
			still = max(still, row.T.Sub(last))
		}
		last = row.T
		for _, name := range lampNames {
			if !row.Relays[name].On {
				continue
			}
			lit[name]++
			if !over.IsZero() && row.T.Sub(over) > 3*time.Second+still {
				always(r.t)("%s is lit at %v with %.0f kPa in the vessel, over 7 kPa for %v", name, row.T, row.VesselPa/1e3, row.T.Sub(over))
				return lit
			}
		}
	}
	return lit
}

// Beacons at the pot, of the real agent on the real lines of the simulator, without a broker or a server.
func TestBeacons(t *testing.T) {
	t.Parallel()
	t.Run("agent stopped, killed and ended", func(t *testing.T) {
		t.Parallel()
		seat(t)
		// It rests for long enough to be dead at rest for a while.
		r := lampSite(t, pot{name: "alder", cycle: "press: 8 s, rest: 16 s"}, "")
		r.lit(60 * time.Second)
		r.agent.signal(syscall.SIGSTOP)
		stopped := time.Now()
		eventually(t, 10*time.Second, "stopped for 5 s", func() bool { return time.Since(stopped) > 5*time.Second })
		r.agent.signal(syscall.SIGCONT)
		eventually(t, 10*time.Second, "going on for 2 s", func() bool { return time.Since(stopped) > 7*time.Second })
		r.out("SIGSTOP", stopped)

		r.lit(70 * time.Second)
		r.agent.kill()
		killed := time.Now()
		eventually(t, 10*time.Second, "dead for 4 s", func() bool { return time.Since(killed) > 4*time.Second })
		r.out("kill -9", killed)
		r.startAgent() // it finds the outputs as they are, and lights nothing by that
		r.lit(90 * time.Second)
		r.out("kill -9 and the next start", killed)

		ended := time.Now()
		r.agent.stop()
		eventually(t, 10*time.Second, "ended for 4 s", func() bool { return time.Since(ended) > 4*time.Second })
		r.out("SIGTERM", ended)
		r.honest()
	})
	t.Run("bus unplugged", func(t *testing.T) {
		t.Parallel()
		seat(t)
		try(t, func(x *trial) {
			const at = 26 * time.Second // it is pressed from 3 to 11 s, and next at 36 s
			r := lampSite(x, pot{name: "birch", cycle: "press: 8 s, rest: 25 s"}, fmt.Sprintf("    faults: [{at: %g s, for: 6 s, unplugged: true}]\n", at.Seconds()))
			x.by(r.truth, lampEvery)
			zero := jsonLines[lamp](x, r.truth)[0].T
			eventually(x, 60*time.Second, "unplugged for 5 s", func() bool { return time.Since(zero) > at+5*time.Second })
			r.out("unplugged", zero.Add(at))
			r.lit(90 * time.Second)
			r.honest()
		})
	})
	t.Run("exhaust shut", func(t *testing.T) {
		t.Parallel()
		seat(t)
		r := lampSite(t, pot{name: "cedar", events: []string{"{at: 0 s, exhaust_shut: 100 %}", "{at: 0 s, nozzle: plugged}"}}, "")
		began := time.Now()
		eventually(t, 80*time.Second, "two presses", func() bool { return time.Since(began) > 40*time.Second })
		if lit := r.honest(); len(lit) > 0 {
			t.Errorf("lit in %v rows", lit)
		}
	})
}
