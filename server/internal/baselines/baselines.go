// Package baselines turns the baselines that people have recorded into rows of the records and back. A baseline is one row a point, all of one
// instant; its rows are named how, mix and point, as ritual_laden_vessel_pa, with gauge pressures, ritual_laden_seconds, and ritual_laden_bore_m of the nozzle
// that was configured by then. Nothing of it is ever changed: a later baseline takes the place of an earlier one, and both stay. With another nozzle configured
// it says nothing of the pot any more, and is not told.
package baselines

import (
	"fmt"
	"math"
	"strings"

	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/records"
)

// A Baseline is one that a person has recorded.
type Baseline struct {
	Pot      string
	Air      bool // with the metering shut; else with abrasive as usual
	Profile  baseline.Profile
	Bore     si.Length // of the nozzle that was configured when it was recorded; 0: not told
	By, Note string
}

// Of is the baseline that somebody wants to record: the last steady blast, or pressures that were written down. What is wrong with it stands in
// the error, for people. Configured and bore are the pot's points and its nozzle's.
func Of(pot string, in live.NewBaseline, at si.Instant, ambient si.AbsPressure, configured points.Set, bore si.Length, last baseline.Profile) (Baseline, error) {
	out := Baseline{Pot: pot, Air: in.AirOnly, Bore: bore, By: strings.TrimSpace(in.By), Note: in.Note}
	if out.By == "" {
		return out, fmt.Errorf("by is missing: say who records it")
	}
	if in.PointsPa == nil {
		if !last.Known() {
			return out, fmt.Errorf("no steady blast of %d s or more has ended in the last %.0f minutes: blast for as long with a steady supply, then record it, or write the pressures down as points_pa",
				baseline.Provisional, baseline.RitualAge.Minutes())
		}
		last.At = at
		out.Profile = last
		return out, nil
	}
	p := &out.Profile
	p.How, p.At = baseline.Commissioned, at
	before, name := 0.0, ""
	if in.PointsPa.Control != nil {
		return out, fmt.Errorf("points_pa.control: the handle's pressure is no part of a baseline; leave it out")
	}
	for i, v := range [...]*float64{in.PointsPa.Supply, in.PointsPa.Separator, in.PointsPa.Vessel, in.PointsPa.Hose, in.PointsPa.Nozzle} {
		pt := points.Point(i)
		switch {
		case v == nil:
			continue
		case pt != points.Nozzle && !configured.Has(pt):
			return out, fmt.Errorf("points_pa.%s: the pot has no such point; only nozzle may stand there without, as a needle gauge shows it", pt)
		case !(*v >= least && *v <= most):
			return out, fmt.Errorf("points_pa.%s: %g is not from %.0f to %.0f Pa", pt, *v, float64(least), float64(most))
		case name != "" && *v >= before:
			return out, fmt.Errorf("points_pa.%s is not under that of %s; along the air pressures fall", pt, name)
		}
		before, name = *v, pt.String()
		p.Has |= points.SetOf(pt)
		p.P[i] = float64(si.GaugePressure(*v).Absolute(ambient))
	}
	if !p.Has.Has(points.Vessel) || p.Has == points.SetOf(points.Vessel) {
		return out, fmt.Errorf("points_pa: vessel and one more point at least are needed, all of one instant of steady blasting")
	}
	return out, nil
}

// Bounds of a pressure that is written down.
const (
	least = 100 * si.KPa
	most  = 20 * si.Bar
)

// Set is what follows from it.
func (b *Baseline) Set() baseline.Set {
	if b.Air {
		return baseline.Set{Air: b.Profile}
	}
	return baseline.Set{Laden: b.Profile}
}

// Holds tells whether it is one of the nozzle that is configured now. One that does not tell its nozzle is taken for one.
func (b *Baseline) Holds(bore si.Length) bool {
	return b.Bore <= 0 || bore <= 0 || math.Abs(float64(b.Bore-bore)) < sameBore
}

// sameBore is by how much two bores may differ that are one, m: a file may hold the same bore in other digits.
const sameBore = 1e-6

func (b *Baseline) prefix() string {
	if b.Air {
		return b.Profile.How.String() + "_air_"
	}
	return b.Profile.How.String() + "_laden_"
}

// Rows are those of the records.
func (b *Baseline) Rows(ambient si.AbsPressure) []records.Baseline {
	var out []records.Baseline
	add := func(what string, v float64) {
		out = append(out, records.Baseline{ID: records.NewID(b.Profile.At), Pot: b.Pot, At: b.Profile.At, What: b.prefix() + what, Value: v, By: b.By, Note: b.Note})
	}
	for i, p := range b.Profile.P {
		if pt := points.Point(i); b.Profile.Has.Has(pt) {
			add(pt.String()+"_pa", float64(si.AbsPressure(p).Gauge(ambient)))
		}
	}
	if b.Profile.Seconds > 0 {
		add("seconds", float64(b.Profile.Seconds))
	}
	if b.Bore > 0 {
		add("bore_m", float64(b.Bore))
	}
	return out
}

// Group makes baselines of rows, which come in the order of their instants; others than Rows makes are left out. The id of each is that of
// its first row.
func Group(rows []records.Baseline, ambient si.AbsPressure) (out []Baseline, ids []string) {
	for i := range rows {
		r := &rows[i]
		how, rest, _ := strings.Cut(r.What, "_")
		mix, what, _ := strings.Cut(rest, "_")
		b := Baseline{Pot: r.Pot, Air: mix == "air", By: r.By, Note: r.Note}
		b.Profile.At = r.At
		for _, k := range baseline.Kinds() {
			if k.String() == how {
				b.Profile.How = k
			}
		}
		if b.Profile.How <= baseline.Learned || mix != "air" && mix != "laden" {
			continue
		}
		if n := len(out); n == 0 || !out[n-1].goesWith(&b) {
			out, ids = append(out, b), append(ids, r.ID)
		}
		p := &out[len(out)-1].Profile
		switch what {
		case "seconds":
			p.Seconds = int(r.Value)
			continue
		case "bore_m":
			out[len(out)-1].Bore = si.Length(r.Value)
			continue
		}
		if pt, err := points.Parse(strings.TrimSuffix(what, "_pa")); err == nil && pt <= points.Nozzle {
			p.Has |= points.SetOf(pt)
			p.P[pt] = float64(si.GaugePressure(r.Value).Absolute(ambient))
		}
	}
	return out, ids
}

func (b *Baseline) goesWith(c *Baseline) bool {
	return b.Pot == c.Pot && b.Air == c.Air && b.Profile.At == c.Profile.At && b.Profile.How == c.Profile.How && b.By == c.By
}

// Message is what the API says of it.
func (b *Baseline) Message(id string, ambient si.AbsPressure) live.StoredBaseline {
	out := live.StoredBaseline{ID: id, Pot: b.Pot, T: b.Profile.At.String(), How: b.Profile.How.String(), AirOnly: b.Air, Seconds: b.Profile.Seconds, By: b.By, Note: b.Note}
	at := [...]**float64{&out.PointsPa.Supply, &out.PointsPa.Separator, &out.PointsPa.Vessel, &out.PointsPa.Hose, &out.PointsPa.Nozzle}
	for i := range at {
		if b.Profile.Has.Has(points.Point(i)) {
			v := float64(si.AbsPressure(b.Profile.P[i]).Gauge(ambient))
			*at[i] = &v
		}
	}
	return out
}
