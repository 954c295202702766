package eval_test

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/samplecsv"
)

// watchScore is what the vent watch did with one run or several.
type watchScore struct {
	vents  int // of healthy pots, released with the vessel up
	false_ int // critical findings among them
	where  []string

	shut   int             // vents, of pots with a control point, whose exhaust was shut, or open to a tenth at most
	delays []time.Duration // from the control point's first fall to vent-slow, less the lag
	lags   []time.Duration // from there to the vessel's first fall: pilot line and valves
	missed []string        // neither vent-slow nor vessel-held, though the vessel stayed up for long
}

func (s *watchScore) add(o watchScore) {
	s.vents, s.false_, s.shut = s.vents+o.vents, s.false_+o.false_, s.shut+o.shut
	s.where, s.delays, s.missed = append(s.where, o.where...), append(s.delays, o.delays...), append(s.missed, o.missed...)
	s.lags = append(s.lags, o.lags...)
}

const (
	shutTo   = 0.1
	upAt     = 300 * si.KPa
	longUp   = 5 * time.Second
	lookInto = time.Second            // after the release, when the exhaust's truth is looked at
	tenHertz = 100 * time.Millisecond // the aims for the time are for logs as fast as this
)

// critical are the findings that must never be false.
var critical = []vent.Condition{vent.VentSlow, vent.VesselHeld, vent.PressureCreep}

// watch plays a run through judge, watch and engine as the server does, and scores what the watch finds.
func watch(t *testing.T, f *folder, dir string) watchScore {
	t.Helper()
	var s watchScore
	follow := engine.NewFollower(f.pot.Vent(), engine.Params{Nozzle: f.pot.Nozzle.Bore, Ambient: f.pot.Atmosphere.Pressure()})
	w := &walk{f: f}
	var seen vent.Seen
	var before truth
	var released si.Instant // of a vent that is looked at, by the control point's first fall; 0: none
	var line firstFall
	var from float64 // the vessel then; 0: its first fall was seen
	var lag time.Duration
	var shut, counted, found bool
	f.rows(t, dir, func(at si.Instant, samples []points.Sample) {
		now := w.to(at)
		switch {
		case now.pressed:
			released = 0
		case before.pressed && now.vessel > upAt && f.timed():
			released, shut, counted, found = at, false, false, false
			line.began, from, lag = 0, now.vessel, 0
			if f.healthy {
				s.vents++
			}
		}
		before = now
		for _, x := range samples {
			follow.Step(x)
			if x.Point == points.Control && x.Quality == points.Good {
				line.step(at, x, f.pot.Control.Electric)
			}
		}
		if released != 0 && line.began != 0 && released != line.began && line.began >= released-si.Instant(time.Second/time.Microsecond) && !counted {
			released = line.began
		}
		if released != 0 && from > 0 && now.vessel < 0.98*from {
			lag, from = at.Sub(released), 0
			s.lags = append(s.lags, lag)
		}
		follow.Watch.Tell(&seen, func(c vent.Condition, x vent.Finding) {
			if !x.On || !slices.Contains(critical, c) {
				return
			}
			if f.healthy {
				s.false_++
				s.where = append(s.where, fmt.Sprintf("%s (%v a row, holds %v) %v at %v: %+v", f.name, f.period(), f.pot.Vessel.HoldsPressure, c, at, x))
			}
			if c == vent.VentSlow && released != 0 && shut && f.period() <= tenHertz {
				s.delays = append(s.delays, at.Sub(released)-lag)
			}
			found = true
		})
		if released == 0 || now.pressed {
			return
		}
		since := at.Sub(released)
		if !counted && since >= lookInto {
			counted = true
			if shut = now.exhaust <= shutTo; shut {
				s.shut++
				if found && f.period() <= tenHertz {
					s.delays = append(s.delays, since-lag)
				}
			}
		}
		if shut && !found && since >= longUp+6*f.period() && now.vessel > upAt/2 {
			s.missed = append(s.missed, fmt.Sprintf("%s (%v a row) missed at %v, the vessel still at %.0f kPa after %v", f.name, f.period(), at, now.vessel/1e3, since))
			found = true
		}
	})
	return s
}

// firstFall is when a control line last began to fall from where it stood.
type firstFall struct {
	high  float64
	began si.Instant
}

func (l *firstFall) step(at si.Instant, s points.Sample, electric bool) {
	v := float64(s.Value)
	if electric {
		if v = 0; s.Pressed {
			v = 1e6
		}
	}
	switch {
	case v > 0.97*l.high:
		l.high, l.began = max(v, 0.999*l.high), 0
	case l.began == 0:
		l.began = at
	case v < 0.2*l.high:
		l.high = max(v, 50*si.KPa)
	}
}

// timed tells whether the pot has a vent that can be timed: one due at a release that shows. Without a control point a
// vent that does not begin looks like a press that goes on.
func (f *folder) timed() bool {
	return !f.pot.Vessel.HoldsPressure && f.pot.Points.Has(points.Control)
}

// rows gives every row of a log as samples.
func (f *folder) rows(t *testing.T, dir string, each func(at si.Instant, samples []points.Sample)) {
	t.Helper()
	in, err := os.Open(filepath.Join(dir, "samples.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	r, err := samplecsv.NewReader(in, samplecsv.Format{Name: f.name, Points: f.pot.Points, Pa: f.pot.Units.Pa(), Electric: f.pot.Control.Electric})
	if err != nil {
		t.Fatal(err)
	}
	var row samplecsv.Row
	var samples []points.Sample
	for {
		if err := r.Next(&row); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatal(err)
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

// rate is what a quantile of delays is.
func quantile(d []time.Duration, q float64) time.Duration {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[min(len(d)-1, int(q*float64(len(d))))]
}
