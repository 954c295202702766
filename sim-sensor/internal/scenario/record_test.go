package scenario_test

import (
	"math"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/scenario"
)

// Points as tests name them, in the order of the air.
const (
	S, P, V, H, N, C = points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control
)

// A record is what was true at alder, every tenth of a second.
type record struct {
	t    *testing.T
	name string
	rows []scenario.Truth
}

// log plays a scenario for so many seconds.
func log(t *testing.T, name string, seconds float64) *record {
	t.Helper()
	w := play(t, name)
	r := &record{t: t, name: name}
	for w.At() < time.Duration(seconds*float64(time.Second)) {
		for range 10 {
			w.Step()
		}
		for _, row := range w.Truth() {
			if row.Pot == "alder" {
				r.rows = append(r.rows, row)
			}
		}
	}
	return r
}

// at is the row of a second.
func (r *record) at(s float64) scenario.Truth { return r.rows[int(math.Round(s*10))-1] }

// true is the true pressure at a point, psi.
func (r *record) true(s float64, pt points.Point) float64 {
	return r.at(s).TruePa[pt.String()] / si.PSI
}

// reads is what the gauge shows, psi.
func (r *record) reads(s float64, pt points.Point) float64 { return psi(r.at(s), pt.String()) }

// stats are mean, least and greatest of a figure from one second to another.
func (r *record) stats(from, to float64, of func(scenario.Truth) float64) (mean, lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	n := 0.0
	for _, row := range r.rows {
		if row.AtS >= from && row.AtS <= to {
			v := of(row)
			mean, lo, hi, n = mean+v, min(lo, v), max(hi, v), n+1
		}
	}
	return mean / n, lo, hi
}

func point(pt points.Point) func(scenario.Truth) float64 {
	return func(t scenario.Truth) float64 { return t.TruePa[pt.String()] / si.PSI }
}

// drop is the loss from a point to another.
func drop(a, b points.Point) func(scenario.Truth) float64 {
	return func(t scenario.Truth) float64 { return (t.TruePa[a.String()] - t.TruePa[b.String()]) / si.PSI }
}

func loading(t scenario.Truth) float64 { return t.Loading }
func airFlow(t scenario.Truth) float64 { return t.AirKgS }
func mean(m, _, _ float64) float64     { return m }
func swing(_, lo, hi float64) float64  { return hi - lo }
func least(_, lo, _ float64) float64   { return lo }
func most(_, _, hi float64) float64    { return hi }

// is fails where a figure is not between two others.
func (r *record) is(what string, got, lo, hi float64) {
	r.t.Helper()
	within(r.t, r.name+": "+what, got, lo, hi)
}

// vent is how long after a release the vessel takes to fall under half a psi, s.
func (r *record) vent(release float64) float64 {
	for _, row := range r.rows {
		if row.AtS > release && row.VesselPa < 0.5*si.PSI {
			return row.AtS - release
		}
	}
	return math.Inf(1)
}

type truthRow = scenario.Truth

func level(t truthRow) float64 { return t.Level }
