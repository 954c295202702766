package load

import (
	_ "embed"
	"fmt"
	"math"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/sim-sensor/internal/potyaml"
	"gritwatch/sim-sensor/internal/scenario"
)

// Bounds of a fleet. A server takes as many pots.
const (
	MaxPots          = 20_000
	MinRate, MaxRate = 1.0, 50.0 // readings of a point a second
	potsAnAgent      = 8         // where the number of agents is not given
)

// sizes are the pots that are recorded; their script has a period of tapeLength.
//
//go:embed sizes.yaml
var sizes []byte

// tapeLength is how much is recorded: the script's cycle is a whole part of it, and begins and ends at rest.
const tapeLength = 3 * time.Minute

// trees name the pots.
var trees = [...]string{"alder", "birch", "cedar", "hazel", "maple", "rowan", "aspen", "beech", "larch", "olive"}

// A tape is what the gauges of one size of pot show, a row a period.
type tape struct {
	points []points.Point
	rows   [][points.Count]float32 // gauge Pa, by point
}

// record plays every size of pot and keeps its readings.
func record(s *scenario.Scenario, rate float64) ([]tape, error) {
	w, err := scenario.NewWorld(s)
	if err != nil {
		return nil, err
	}
	tapes := make([]tape, len(s.Pots))
	for i := range s.Pots {
		for _, pt := range points.All() {
			if s.Pots[i].Points.Has(pt) {
				tapes[i].points = append(tapes[i].points, pt)
			}
		}
	}
	for k := range tapeRows(rate) {
		for at := time.Duration(float64(k) / rate * float64(time.Second)); w.At() < at; {
			w.Step()
		}
		for i := range tapes {
			var row [points.Count]float32
			for _, pt := range tapes[i].points {
				row[pt] = float32(w.Reading(i, pt))
			}
			tapes[i].rows = append(tapes[i].rows, row)
		}
	}
	return tapes, nil
}

func tapeRows(rate float64) int { return int(math.Round(tapeLength.Seconds() * rate)) }

// A Fleet is agents with their pots.
type Fleet struct {
	site   string
	rate   float64
	agents []string
	pots   []member
	sizes  *scenario.Scenario
}

// A member is a pot of the fleet.
type member struct {
	potfile.Pot
	agent int
	tape  int
	from  int // row of its tape at the start
}

var namePattern = regexp.MustCompile(`^[a-z0-9-]{1,32}$`)

// NewFleet is a fleet of so many pots, whose points are read rate times a second, spread evenly over so many agents
// (0: eight pots an agent).
func NewFleet(site string, pots, agents int, rate float64) (*Fleet, error) {
	if agents == 0 {
		agents = (pots + potsAnAgent - 1) / potsAnAgent
	}
	switch {
	case !namePattern.MatchString(site):
		return nil, fmt.Errorf("site %q is not a name; write 1 to 32 of a-z, 0-9 and -, for example harrow-quay", site)
	case pots < 1 || pots > MaxPots:
		return nil, fmt.Errorf("%d pots: a fleet has 1 to %d", pots, MaxPots)
	case agents < 1 || agents > pots:
		return nil, fmt.Errorf("%d agents for %d pots: there must be at least one, and a pot for each", agents, pots)
	case !(rate >= MinRate && rate <= MaxRate):
		return nil, fmt.Errorf("%g readings a second: write %g to %g", rate, MinRate, MaxRate)
	}
	s, err := scenario.Parse("sizes.yaml", sizes)
	if err != nil {
		return nil, err
	}
	f := &Fleet{site: site, rate: rate, sizes: s}
	for i := range agents {
		f.agents = append(f.agents, fmt.Sprintf("load-%d", i+1))
	}
	for i := range pots {
		size := i % len(s.Pots)
		m := member{Pot: s.Pots[size].Pot, agent: i * agents / pots, tape: size}
		m.Name = fmt.Sprintf("%s-%d", trees[i%len(trees)], i/len(trees)+1)
		// The golden section spreads any number of pots evenly over the tape.
		_, part := math.Modf(float64(i) * (math.Sqrt(5) - 1) / 2)
		m.from = int(part * float64(tapeRows(rate)))
		f.pots = append(f.pots, m)
	}
	return f, nil
}

// Site is the text of a site.yaml with which a server takes this fleet in, through the broker given: with one inside it
// where the broker's address is this machine's own.
func (f *Fleet) Site(broker string) ([]byte, error) {
	u, err := url.Parse(broker)
	if err != nil || u.Host == "" {
		return nil, fmt.Errorf("broker %q is not an address; write for example mqtt://127.0.0.1:1883", broker)
	}
	host := u.Host
	if u.Port() == "" {
		host = net.JoinHostPort(u.Hostname(), map[string]string{"mqtts": "8883"}[u.Scheme])
		if u.Scheme != "mqtts" {
			host = net.JoinHostPort(u.Hostname(), "1883")
		}
	}
	where := fmt.Sprintf("{url: %q}", u.Scheme+"://"+host)
	if ip := net.ParseIP(u.Hostname()); u.Hostname() == "localhost" || ip != nil && ip.IsLoopback() {
		where = fmt.Sprintf("{embedded: %q}", host)
	}
	text := fmt.Appendf(nil, "# %d simulated pots of gritwatch-sim load, for measuring. Nothing here is real.\nsite: %s\nlisten: 127.0.0.1:8080\nbroker: %s\ndata: ./run/load/data\npots:\n",
		len(f.pots), f.site, where)
	for i := range f.pots {
		m := &f.pots[i]
		text = potyaml.Append(text, m.Pot, "  - ", "    ", "agent: "+f.agents[m.agent])
	}
	return text, nil
}

// WriteSite puts the text of Site in the place of the file, whole or not at all.
func (f *Fleet) WriteSite(path, broker string) error {
	text, err := f.Site(broker)
	if err != nil {
		return err
	}
	fresh, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".part-*")
	if err != nil {
		return fmt.Errorf("site file: %w", err)
	}
	_, err = fresh.Write(text)
	if err == nil {
		err = fresh.Chmod(0o644)
	}
	if cerr := fresh.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Rename(fresh.Name(), path)
	}
	if err != nil {
		_ = os.Remove(fresh.Name()) // the error at hand says more
		return fmt.Errorf("site file: %w", err)
	}
	return nil
}
