package potfile

import (
	"fmt"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Figures of the rules that the notes quote.
const (
	limitPa    = 7 * si.KPa    // R1
	maxUPa     = 5 * si.KPa    // R1
	learntPa   = 3.5 * si.KPa  // R2: where learning of an offset stops
	usualRated = 12.5 * si.Bar // portable pots are rated up to 150 psi, bulk pots to 175; common practice, no source
	fewRated   = 5 * si.Bar    // the same
	ventTime   = "30 s"        // R3, common practice
	noVentEver = "VENTED will never be said of this pot"
)

// Notes says what the check of a file must say of a pot that is well formed: what the answer can and cannot do with
// what was configured. One sentence each, in a fixed order.
func Notes(p Pot) []string {
	v := p.Vent()
	u := float64(v.Gauges[points.Vessel].U(0))
	var out []string
	say := func(format string, args ...any) { out = append(out, p.Name+": "+fmt.Sprintf(format, args...)) }

	if v.Provable() {
		say("the vessel gauge is uncertain by U = %.1f kPa; VENTED needs its mean under %.1f kPa", u/si.KPa, (limitPa-u)/si.KPa)
	} else {
		say("the vessel gauge is uncertain by U = %.1f kPa, which is over %.0f kPa: %s; record a zero, declare zero_error, or fit a better gauge",
			u/si.KPa, maxUPa/si.KPa, noVentEver)
	}
	g := p.Gauges[points.Vessel]
	if g.ZeroError == 0 && g.Zero == nil {
		say("the vessel gauge's zero_error is not declared; 0.25 %% of 200 psi is taken")
	}
	if g.Lo == 0 && g.Hi == 0 {
		say("the vessel gauge's range is not declared here")
	}
	if k := g.Kind; (k == vent.KindSealed || k == vent.KindAbsolute) && !p.Atmosphere.FromBarometer() {
		say("the vessel gauge is %s and the ambient pressure comes from the altitude alone, which adds 3 kPa to U; a barometer adds 0.3", k)
	}
	for _, pt := range points.All() {
		if z := p.Gauges[pt].Zero; p.Points.Has(pt) && z != nil {
			say("%s reads with a zero of %.2f kPa, recorded by %s on %s", pt, float64(z.Offset)/si.KPa, z.By, z.At)
			if z.Offset > learntPa || z.Offset < -learntPa {
				say("the recorded zero of %s is large; have the gauge serviced", pt)
			}
		}
	}

	control, hose := p.Points.Has(points.Control), p.Points.Has(points.Hose)
	switch {
	case p.Vessel.HoldsPressure && !hose:
		say("it holds pressure by design and has no hose point, the only second witness of such a pot: %s", noVentEver)
	case !control && !hose:
		say("it has neither control nor hose point, so no second gauge can contradict the vessel's: %s", noVentEver)
	}
	if p.Vessel.HoldsPressure {
		say("it holds pressure by design: no vent is due at a release, and the vent watch starts with the blowdown by hand")
	}
	if !control {
		say("it has no control point: a vent that never starts cannot be timed")
	}
	if p.Commissioned == nil {
		say("the vent of the empty pot is not recorded (commissioned); %s is taken", ventTime)
	} else {
		say("the empty pot vents in %v, recorded by %s on %s", p.Commissioned.Time, p.Commissioned.By, p.Commissioned.At)
	}
	out = append(out, lossNotes(p)...)
	if r := float64(p.Vessel.Rated); r > usualRated || r < fewRated {
		say("a rating of %.1f bar is unusual for a blasting pot; look at the nameplate", r/si.Bar)
	}
	return out
}

// lossNotes says what the pot's losses are told against, in what money, and whether its condensate can be told.
func lossNotes(p Pot) (out []string) {
	say := func(format string, args ...any) { out = append(out, p.Name+": "+fmt.Sprintf(format, args...)) }
	switch b := p.Baselines.Blasting; {
	case !p.Points.Has(points.Hose) && !p.Points.Has(points.Nozzle):
		say("it has neither hose nor nozzle point, so flow, losses by segment and what is left in it are told badly or not at all")
	case b == nil:
		say("no baseline is written down: losses are told against the first five minutes of blasting, marked provisional, until a ritual is recorded")
	default:
		say("losses are told against pressures written down by %s on %s", b.By, b.At)
	}
	if p.Points.Has(points.Hose) && !p.Points.Has(points.Nozzle) {
		say("it has no nozzle point: the nozzle's pressure is computed from the hose as configured, never measured")
	}
	if p.Costs.Given() {
		v, _ := p.Costs.PerHour(0)
		say("an hour of blasting costs %.2f %s%s; each psi lost at the nozzle 1.5 %% of it (common practice, no source)", v, p.Costs.Currency, withoutAbrasive(p.Costs))
	}
	if p.Intake.Given() {
		say("condensate is an estimate from the temperatures written down; nothing measures it")
	}
	return out
}

// withoutAbrasive says what is not in the cost.
func withoutAbrasive(c Costs) string {
	if c.AbrasiveBy == 0 && c.Abrasive+c.Disposal > 0 {
		return " and the abrasive that the pot uses"
	}
	return ""
}
