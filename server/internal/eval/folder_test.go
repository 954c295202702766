package eval_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/samplecsv"
)

// A truth is what was really the case at an instant.
type truth struct {
	at      si.Instant
	vessel  float64 // gauge Pa
	pressed bool
	exhaust float64 // conductance as a ratio to the healthy one's; 1 where the truth does not tell
}

// A folder is one pot's run.
type folder struct {
	name    string
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
func folders(t *testing.T, dir string) (out []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Name() == "samples.csv" {
			out = append(out, filepath.Dir(path))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) == 0 {
		t.Fatalf("no samples.csv anywhere in %s; make eval writes them there", dir)
	}
	return out
}

func open(t *testing.T, root, dir string) folder {
	t.Helper()
	f := folder{healthy: true}
	var err error
	if f.name, err = filepath.Rel(root, dir); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(dir, "pot.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if f.pot, err = potfile.ParsePot(filepath.Join(dir, "pot.yaml"), text); err != nil {
		t.Fatal(err)
	}
	in, err := os.Open(filepath.Join(dir, "truth.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	for lines := bufio.NewScanner(in); lines.Scan(); {
		var v struct {
			T        time.Time `json:"t"`
			VesselPa *float64  `json:"vessel_pa"`
			Pressed  bool      `json:"pressed"`
			Faults   []string  `json:"faults"`
			Exhaust  *float64  `json:"exhaust"`
		}
		if err := json.Unmarshal(lines.Bytes(), &v); err != nil || v.VesselPa == nil || v.T.IsZero() {
			t.Fatalf("%s: truth %q: %v", f.name, lines.Text(), err)
		}
		open := 1.0
		if v.Exhaust != nil {
			open = *v.Exhaust
		}
		f.truth = append(f.truth, truth{si.InstantOf(v.T), *v.VesselPa, v.Pressed, open})
		f.healthy = f.healthy && len(v.Faults) == 0
	}
	if len(f.truth) < 2 {
		t.Fatalf("%s: no truth", f.name)
	}
	return f
}

// play lets a judge of the pot have every row, and tells what it says after each.
func (f *folder) play(t *testing.T, dir string, said func(at si.Instant, a vent.Answer)) {
	t.Helper()
	judge := vent.NewJudge(f.pot.Vent(), vent.Options{})
	u := float64(f.pot.Vent().Gauges[points.Vessel].U(0))
	var rest low
	w := &walk{f: f}
	f.rows(t, dir, func(at si.Instant, samples []points.Sample) {
		if f.first[0] == 0 {
			f.first[0] = at
		} else if f.first[1] == 0 {
			f.first[1] = at
		}
		now := w.to(at)
		for _, s := range samples {
			judge.Step(s)
			if s.Point == points.Vessel && s.Quality == points.Good && now.vessel < halfPsi {
				f.off = rest.add(at, float64(s.Value)-now.vessel, u) || f.off
			}
		}
		said(at, judge.Answer())
	})
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
	return truth{at, a.vessel + share*(b.vessel-a.vessel), a.pressed || b.pressed, a.exhaust}
}

func describe(n int, of string) string {
	if n == 0 {
		return "no " + of
	}
	return fmt.Sprintf("%d %s", n, of)
}
