package eval_test

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/gauges"
	"gritwatch/server/internal/samplecsv"
)

// A truth is what was really the case at an instant.
type truth struct {
	at      si.Instant
	vessel  float64 // gauge Pa
	pressed bool
	exhaust float64       // conductance as a ratio to the healthy one's; 1 where the truth does not tell
	air     float64       // out of the nozzle, kg/s
	level   float64       // abrasive left, share of capacity
	gauges  []faultyGauge // faults of transducers
}

// A faultyGauge is a fault of a transducer as the truth tells it.
type faultyGauge struct {
	Point  string  `json:"point"`
	Fault  string  `json:"fault"`
	ZeroPa float64 `json:"zero_pa"`
	LagS   float64 `json:"lag_s"`
	With   string  `json:"with"`
}

// A folder is one pot's run.
type folder struct {
	name    string // of the folder, below the root
	dir     string
	pot     potfile.Pot
	truth   []truth
	healthy bool          // nothing was ever wrong
	first   [2]si.Instant // rows of the log
	off     bool          // the vessel gauge was at rest, for 3 s on the mean, lower than its declared error allows
}

// low is the mean of what the vessel gauge shows too little, while the vessel is at rest.
type low struct {
	at  []si.Instant
	err []float64
}

// add tells whether the last 3 s lie lower than u on the mean.
func (l *low) add(at si.Instant, err, u float64) bool {
	l.at, l.err = append(l.at, at), append(l.err, err)
	for at.Sub(l.at[0]) >= 3*time.Second {
		l.at, l.err = l.at[1:], l.err[1:]
	}
	sum := 0.0
	for _, e := range l.err {
		sum += e
	}
	return len(l.err) >= 6 && at.Sub(l.at[0]) > 2*time.Second && sum/float64(len(l.err)) < -u
}

// period is the time between two rows.
func (f *folder) period() time.Duration { return f.first[1].Sub(f.first[0]) }

// folders are all runs below a folder, in the order of their names.
func folders(dir string) (out []string, err error) {
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Name() == "samples.csv" {
			out = append(out, filepath.Dir(path))
		}
		return err
	})
	if err == nil && len(out) == 0 {
		err = fmt.Errorf("no samples.csv anywhere in %s; make eval writes them there", dir)
	}
	return out, err
}

// openPot reads what is said of a run's pot, and no truth.
func openPot(root, dir string) (f *folder, err error) {
	f = &folder{healthy: true, dir: dir}
	if f.name, err = filepath.Rel(root, dir); err != nil {
		return nil, err
	}
	text, err := os.ReadFile(filepath.Join(dir, "pot.yaml"))
	if err != nil {
		return nil, err
	}
	f.pot, err = potfile.ParsePot(filepath.Join(dir, "pot.yaml"), text)
	return f, err
}

func open(root, dir string) (*folder, error) {
	f, err := openPot(root, dir)
	if err != nil {
		return nil, err
	}
	in, err := os.Open(filepath.Join(dir, "truth.jsonl"))
	if err != nil {
		return nil, err
	}
	defer in.Close()
	lines := bufio.NewScanner(in)
	for lines.Scan() {
		var v struct {
			T        time.Time     `json:"t"`
			VesselPa *float64      `json:"vessel_pa"`
			Pressed  bool          `json:"pressed"`
			Faults   []string      `json:"faults"`
			Gauges   []faultyGauge `json:"gauges"`
			Exhaust  *float64      `json:"exhaust"`
			AirKgS   float64       `json:"air_kg_s"`
			Level    float64       `json:"level"`
		}
		if err := json.Unmarshal(lines.Bytes(), &v); err != nil {
			return nil, fmt.Errorf("%s: truth %q: %w", f.name, lines.Text(), err)
		}
		if v.VesselPa == nil || v.T.IsZero() {
			return nil, fmt.Errorf("%s: truth %q has no t or no vessel_pa", f.name, lines.Text())
		}
		open := 1.0
		if v.Exhaust != nil {
			open = *v.Exhaust
		}
		f.truth = append(f.truth, truth{si.InstantOf(v.T), *v.VesselPa, v.Pressed, open, v.AirKgS, v.Level, v.Gauges})
		f.healthy = f.healthy && len(v.Faults) == 0
	}
	if err := lines.Err(); err != nil {
		return nil, fmt.Errorf("%s: truth: %w", f.name, err)
	}
	if len(f.truth) < 2 {
		return nil, fmt.Errorf("%s: no truth", f.name)
	}
	return f, nil
}

// A moment is a row of the log, with what was really the case and what is said after it.
type moment struct {
	at      si.Instant
	now     truth
	rose    si.Instant // when the vessel last rose through limit; 0: never
	samples []points.Sample

	judge  vent.Answer // of the judge alone
	answer vent.Answer // with the watch over gauges
	vents  []ventFinding
	gauges []gaugeFinding
}

// A ventFinding is a condition that has begun or ended with this row, a gaugeFinding one of a gauge.
type ventFinding struct {
	vent.Condition
	vent.Finding
}

type gaugeFinding struct {
	points.Point
	gauges.Kind
	gauges.Finding
}

// play lets judge, watches and engine of the pot have every row, as the server does, and calls each after each.
func (f *folder) play(each func(m *moment)) error {
	follow := engine.NewFollower(f.pot.Vent(), engine.Params{Nozzle: f.pot.Nozzle.Bore, Ambient: f.pot.Atmosphere.Pressure()})
	u := float64(f.pot.Vent().Gauges[points.Vessel].U(0))
	var rest low
	var seenVents vent.Seen
	var seenGauges gauges.Seen
	w := &walk{f: f}
	var m moment
	return f.rows(func(at si.Instant, samples []points.Sample) {
		if f.first[0] == 0 {
			f.first[0] = at
		} else if f.first[1] == 0 {
			f.first[1] = at
		}
		m.at, m.now, m.samples = at, w.to(at), samples
		m.rose = w.rose
		for _, s := range samples {
			follow.Step(s)
			if s.Point == points.Vessel && s.Quality == points.Good && m.now.vessel < halfPsi {
				f.off = rest.add(at, float64(s.Value)-m.now.vessel, u) || f.off
			}
		}
		m.judge, m.answer, m.vents, m.gauges = follow.Judge.Answer(), follow.Answer(), m.vents[:0], m.gauges[:0]
		follow.Watch.Tell(&seenVents, func(c vent.Condition, x vent.Finding) { m.vents = append(m.vents, ventFinding{c, x}) })
		follow.Gauges.Tell(&seenGauges, func(p points.Point, k gauges.Kind, x gauges.Finding) {
			m.gauges = append(m.gauges, gaugeFinding{p, k, x})
		})
		each(&m)
	})
}

// rows gives every row of a log as samples.
func (f *folder) rows(each func(at si.Instant, samples []points.Sample)) error {
	in, err := os.Open(filepath.Join(f.dir, "samples.csv"))
	if err != nil {
		return err
	}
	defer in.Close()
	r, err := samplecsv.NewReader(in, samplecsv.Format{Name: f.name, Points: f.pot.Points, Pa: f.pot.Units.Pa(), Electric: f.pot.Control.Electric})
	if err != nil {
		return err
	}
	var row samplecsv.Row
	var samples []points.Sample
	for {
		if err := r.Next(&row); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
		samples = samples[:0]
		for _, pt := range points.All() {
			if f.pot.Points.Has(pt) {
				samples = append(samples, f.sample(&row, pt))
			}
		}
		each(row.At, samples)
	}
}

// sample is a row's reading of a point. A log has no qualities: out of range is what lies beyond the limits of NAMUR
// NE 43 for the range declared, 3.8 and 20.5 mA of 4 to 20.
func (f *folder) sample(row *samplecsv.Row, pt points.Point) points.Sample {
	s := points.Sample{Point: pt, At: row.At, Quality: points.Good, Value: row.Value[pt]}
	if !row.Has.Has(pt) {
		s.Quality = points.NoReply
		return s
	}
	if f.pot.Control.Electric && pt == points.Control {
		s.Pressed = row.Pressed
		return s
	}
	g := f.pot.Gauges[pt]
	if span := float64(g.Hi - g.Lo); span > 0 && (g.Kind == vent.KindGauge || g.Kind == "") {
		if share := float64(s.Value-g.Lo) / span; share < -0.0125 || share > 1.03125 {
			s.Quality = points.OutOfRange
		}
	}
	return s
}

// A walk goes along the truth with the samples.
type walk struct {
	f    *folder
	i    int
	rose si.Instant // when the vessel last rose through limit; 0: never
}

const limit = 7e3 // Pa, R1

// to is the truth at an instant that never goes back, between the two beside it.
func (w *walk) to(at si.Instant) truth {
	ts := w.f.truth
	for w.i+1 < len(ts)-1 && ts[w.i+1].at <= at {
		w.i++
		if a, b := ts[w.i-1], ts[w.i]; a.vessel <= limit && b.vessel > limit {
			w.rose = a.at + si.Instant(float64(b.at-a.at)*(limit-a.vessel)/(b.vessel-a.vessel))
		}
	}
	a, b := ts[w.i], ts[w.i+1]
	share := min(1, max(0, float64(at-a.at)/float64(b.at-a.at)))
	if at >= a.at && a.vessel <= limit && b.vessel > limit {
		w.rose = a.at + si.Instant(float64(b.at-a.at)*(limit-a.vessel)/(b.vessel-a.vessel))
	}
	now := a
	now.at, now.vessel, now.pressed = at, a.vessel+share*(b.vessel-a.vessel), a.pressed || b.pressed
	return now
}
