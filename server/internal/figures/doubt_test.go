package figures_test

import (
	"math"
	"testing"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/losses"
	"gritwatch/server/internal/figures"
)

const psi = si.PSI

// sure is a pot whose gauges are declared: 0.25 psi and 0.2 %.
func sure() *figures.Pot {
	p := pot()
	for i := range p.Gauges {
		p.Gauges[i] = vent.Gauge{ZeroError: 0.25 * psi, SpanError: 0.002}
	}
	return p
}

func doubt(t *testing.T, how baseline.Kind, measured bool) *live.Doubt {
	t.Helper()
	o := whole()
	o.Losses.Measured, o.Losses.First = measured, points.Supply
	o.Doubt = losses.Doubt{0.5 * psi}
	o.Losses.Parts[3] = losses.Part{Known: true, From: points.Hose, Excess: 2 * psi}
	b := &o.Baseline.Laden
	b.How, b.Has = how, points.SetOf(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle)
	for pt, now := range []float64{111, 104, 102, 101, 90} {
		o.Readings[pt].Value = si.GaugePressure(now * psi)
	}
	for pt, then := range []float64{115, 114, 112, 111, 100} {
		b.P[pt] = float64(si.GaugePressure(then * psi).Absolute(si.StandardAtmosphere))
	}
	s := new(figures.Sheet)
	s.Fill(sure(), o, true, 0)
	supply, nozzle := 111*psi, 90*psi
	return s.Doubt(sure(), o, &live.Pressures{Supply: &supply, Nozzle: &nozzle})
}

func off(t *testing.T, what string, got *float64, want, by float64) {
	t.Helper()
	switch {
	case got == nil:
		t.Errorf("%s: nothing is said", what)
	case math.Abs(*got-want) > by:
		t.Errorf("%s: %.4g, want %.4g", what, *got, want)
	}
}

// The rule of R1 gives what a reading may be off. What is known of nothing but a bound a has the variance a^2/3 (JCGM 100:2008, 4.3.7), two of them that
// of their sum (5.1.2), and four fifths of a normal distribution lie within 1.2816 of its deviations.
func TestDoubt(t *testing.T) {
	d := doubt(t, baseline.Learned, true)
	off(t, "supply", d.PressurePa.Supply, (0.25+0.002*111)*psi, 0.6)
	off(t, "nozzle", d.PressurePa.Nozzle, (0.25+0.002*90)*psi, 0.6)
	if d.PressurePa.Vessel != nil || d.PressurePa.Control != nil || d.NozzlePa != nil {
		t.Errorf("of what is not shown: %+v", d)
	}
	// One gauge showed both ends of a change: of 10 psi at the nozzle, 4 at the supply, 10 at separator and hose.
	bound := func(change float64) float64 { return (0.25 + 0.002*change) * psi }
	a := d.Losses
	off(t, "fall", &a.Fall.Pa, 1.2816*bound(10)/math.Sqrt(3), 1)
	off(t, "sag", &a.Sag.Pa, 1.2816*bound(4)/math.Sqrt(3), 1)
	off(t, "separator", &a.Separator.Excess.Pa, 1.2816*math.Hypot(bound(4), bound(10))/math.Sqrt(3), 1)
	off(t, "hose", &a.Hose.Excess.Pa, 1.2816*bound(10)*math.Sqrt(2.0/3), 1)
	// An hour of blasting costs 254.53 USD (see TestWhole), a psi 1.5 % of it.
	off(t, "share", &a.Fall.Share, 0.015*a.Fall.Pa/psi, 1e-4)
	off(t, "money", a.Fall.MoneyH, 254.53*0.015*a.Fall.Pa/psi, 0.01)
	off(t, "separator's resistance", a.Separator.ResistancePa, 1.2816*0.5*psi, 1)
	if a.Hose.ResistancePa != nil || a.Valve != nil || a.SagAt != "supply" || a.Currency != "USD" {
		t.Errorf("%+v", a)
	}
	off(t, "baseline under target", &a.Short.Pa, 1.2816*(0.25+0.2)*psi/math.Sqrt(3), 1)

	// Numbers that were written down may be another gauge's: both readings count whole.
	w := doubt(t, baseline.Commissioned, true).Losses
	off(t, "fall from what was written", &w.Fall.Pa, 1.2816*math.Hypot(0.25+0.18, 0.25+0.2)*psi/math.Sqrt(3), 1)

	// A pressure that is computed is off by more than the gauge that it comes from.
	c := doubt(t, baseline.Learned, false)
	if c.NozzlePa == nil || *c.NozzlePa <= 1.2816*psi || math.Abs(*c.NozzlePa-c.Losses.Fall.Pa) > 1 {
		t.Errorf("computed: %+v, %+v", c.NozzlePa, c.Losses.Fall)
	}
}

// Where nothing is shown nothing is off.
func TestNoDoubt(t *testing.T) {
	if d := new(figures.Sheet).Doubt(sure(), whole(), &live.Pressures{}); d != nil {
		t.Errorf("%+v", d)
	}
}
