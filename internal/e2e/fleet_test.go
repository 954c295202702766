package e2e_test

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// TestFleetOnABrokerThatIsKilled: while the readings of forty pots pour in, the broker is killed and started again. Server
// and all agents find it, every pot is fresh again, and then no message is missing.
func TestFleetOnABrokerThatIsKilled(t *testing.T) {
	t.Parallel()
	const pots, agents, rate, perPot = 40, 5, 10, 6
	for _, kind := range []string{"embedded", "mosquitto"} {
		t.Run(kind, func(t *testing.T) {
			t.Parallel()
			s := newSite(t)
			url := "mqtt://" + s.mqtt
			fleet := s.start("gritwatch-sim", "load", "--pots", fmt.Sprint(pots), "--agents", fmt.Sprint(agents), "--rate", fmt.Sprint(rate),
				"--site", "yard", "--broker", url, "--site-file", "fleet.yaml")
			fleet.says("start the server with", soon)
			text, err := os.ReadFile(filepath.Join(s.dir, "fleet.yaml"))
			if err != nil {
				t.Fatal(err)
			}
			edit := []string{"listen: 127.0.0.1:8080", "listen: $HTTP", "data: ./run/load/data", "data: ./data"}
			if kind == "mosquitto" {
				edit = append(edit, fmt.Sprintf(`{embedded: "%s"}`, s.mqtt), fmt.Sprintf(`{url: "%s"}`, url))
			}
			s.write("site.yaml", strings.NewReplacer(edit...).Replace(string(text)))
			var broker, server *program
			run := func() {
				if kind == "mosquitto" {
					broker = s.command("/usr/sbin/mosquitto", "-c", "mosquitto.conf", "-v")
					broker.says("running", soon)
				}
				if kind == "embedded" || server == nil {
					server = s.start("gritwatch-server", "run", "--config", "site.yaml")
					server.says("dashboard: ", soon)
				}
				if kind == "embedded" {
					broker = server
				}
			}
			if kind == "mosquitto" {
				host, port, _ := strings.Cut(s.mqtt, ":")
				s.write("mosquitto.conf", fmt.Sprintf("listener %s %s\nallow_anonymous true\n", port, host))
			}
			run()
			fresh := func(when string) {
				t.Helper()
				began := time.Now()
				eventually(t, recovers, fmt.Sprintf("fresh readings of %d pots %s", pots, when), func() bool {
					all, err := s.pots()
					n := 0
					for _, p := range all {
						if p.AgeS != nil && *p.AgeS < 2 {
							n++
						}
					}
					return err == nil && n == pots
				})
				t.Logf("%s: %d pots fresh %s after %v", kind, pots, when, time.Since(began).Round(100*time.Millisecond))
			}
			fresh("at the start")
			broker.kill()
			gone := time.Now()
			eventually(t, soon, "the broker has been away", func() bool { return time.Since(gone) > 2500*time.Millisecond }) // all readings are old
			run()
			fresh("after the broker was killed")

			// Then nothing is missing: no gap, and as many readings as the generator says that it makes; of a few pots it makes none of
			// a point, and on a busy machine fewer of all.
			count := func(name string) float64 {
				sum := 0.0
				for _, v := range slices.Collect(maps.Values(s.series(name))) {
					sum += v
				}
				return sum
			}
			said := len(fleet.out.String())
			gaps, samples, began := count("gritwatch_ingest_gaps_total"), count("gritwatch_ingest_samples_total"), time.Now()
			eventually(t, 3*soon, "ten seconds", func() bool { return time.Since(began) > 10*time.Second })
			made, all := time.Since(began).Seconds()*sent(fleet.out.String()[said:]), time.Since(began).Seconds()*pots*rate*perPot
			got := count("gritwatch_ingest_samples_total") - samples
			t.Logf("%s: %.0f of %.0f readings in", kind, got, made)
			if made < 0.2*all {
				t.Errorf("the generator made %.0f readings, should have made %.0f", made, all)
			}
			if got < 0.8*made || count("gritwatch_ingest_gaps_total") != gaps {
				t.Errorf("%.0f of %.0f readings came in, and %.0f gaps", got, made, count("gritwatch_ingest_gaps_total")-gaps)
			}
		})
	}
}

// sent is how many values a second the generator has sent, by its lines of each second.
func sent(lines string) float64 {
	all := regexp.MustCompile(`(\d+) values/s`).FindAllStringSubmatch(lines, -1)
	sum := 0.0
	for _, m := range all {
		n, _ := strconv.ParseFloat(m[1], 64) // of digits
		sum += n
	}
	return sum / max(1, float64(len(all)))
}
