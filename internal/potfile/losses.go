package potfile

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Baseline is what the points showed in steady blasting while the pot was known to be healthy.
type Baseline struct {
	Has points.Set // nozzle also where a needle showed it and the pot has no such point
	P   [points.Path]si.GaugePressure
	By  string
	At  string // 2006-01-02
}

// Day is the beginning of the day on which it was measured, UTC.
func (b *Baseline) Day() si.Instant {
	t, err := time.Parse(time.DateOnly, b.At)
	if err != nil {
		return 0
	}
	return si.InstantOf(t)
}

// Baselines are those that were written down at commissioning; nil: not.
type Baselines struct {
	Blasting *Baseline // with abrasive as usual
	AirOnly  *Baseline // metering shut
}

// Costs are a site's own figures, in its currency. The zero value is none given.
type Costs struct {
	Currency   string      // as USD
	Labour     float64     // an hour of blasting
	Equipment  float64     // an hour of blasting
	Abrasive   float64     // a kg
	Disposal   float64     // a kg
	AbrasiveBy si.MassFlow // while blasting, where the pot does not tell it; 0: not given
}

// Given tells whether costs were configured.
func (c *Costs) Given() bool { return c.Currency != "" }

// PerHour is what an hour of blasting costs at a flow of abrasive; 0 stands for one that the pot does not tell. False: nothing is
// known of it.
func (c *Costs) PerHour(flow si.MassFlow) (float64, bool) {
	if !c.Given() {
		return 0, false
	}
	if flow <= 0 {
		flow = c.AbrasiveBy
	}
	const hour = 3600
	return c.Labour + c.Equipment + float64(float64(flow)*hour*(c.Abrasive+c.Disposal)), true
}

// Intake is the air that the compressor draws in and how it is cooled, for an estimate of condensate. The zero value is not given.
type Intake struct {
	Temperature si.Temperature
	Humidity    si.Ratio
	Aftercooler si.Temperature // at its outlet; 0: there is none
	Separator   si.Temperature // of the air in the pot's moisture separator
	DrainAt     si.Volume      // 0: nobody is reminded
}

// Given tells whether the air was configured.
func (a *Intake) Given() bool { return a.Temperature > 0 }

// Bounds of these figures. Beyond them a unit or a digit is wrong; common practice, no source.
const (
	minAir, maxAir     = 233.15, 363.15 // K: -40 C to 90 C
	minDrain, maxDrain = 0.01 * si.Litre, 200 * si.Litre
	mostMoney          = 1e9
	maxUse             = 20.0 // kg/s
)

func readBaselines(m yamlfile.Map, p *Pot) {
	o := m.Optional()
	if !o.Has("blasting") && !o.Has("air_only") {
		m.Fail("blasting", "is missing", "write the pressures of steady blasting, for example blasting: {supply: 112.4 psi, vessel: 109.2 psi, hose: 107.8 psi, by: yard foreman, at: 2026-05-04}")
	}
	if o.Has("blasting") {
		p.Baselines.Blasting = readBaseline(m.Map("blasting"), p)
	}
	if o.Has("air_only") {
		p.Baselines.AirOnly = readBaseline(m.Map("air_only"), p)
	}
}

func readBaseline(m yamlfile.Map, p *Pot) *Baseline {
	b := &Baseline{}
	last, lastName := si.GaugePressure(0), ""
	for pt := points.Supply; pt <= points.Nozzle; pt++ {
		name := pt.String()
		if !m.Optional().Has(name) {
			continue
		}
		if pt != points.Nozzle && !p.Points.Has(pt) {
			m.Fail(name, "is not among the pot's points", "take it out; only nozzle may stand here without, as a needle gauge shows it")
		}
		v := bounded(m, name, "109.2 psi", si.ParseGaugePressure, minTarget, maxRated, "1 kPa to 20 bar")
		if v > 0 && lastName != "" && v >= last {
			m.Fail(name, "is not under that of "+lastName, "along the air pressures fall; look whether the two are exchanged")
		}
		b.Has |= points.SetOf(pt)
		b.P[pt], last, lastName = v, v, name
	}
	if !b.Has.Has(points.Vessel) || b.Has == points.SetOf(points.Vessel) {
		m.Fail("vessel", "and one more point at least are needed", "write what the points showed in steady blasting, all at once")
	}
	b.By, b.At = signed(m)
	return b
}

func readCosts(m yamlfile.Map, p *Pot) {
	c := &p.Costs
	money := func(key, per, example string, units map[string]float64) float64 {
		return yamlfile.Scalar(m.Optional(), key, example, func(s string) (float64, error) {
			v, currency, err := parseMoney(s, per, example, units)
			if err == nil && c.Currency != "" && currency != c.Currency {
				err = fmt.Errorf("%q is in another currency than the costs before it; write all in %s", s, c.Currency)
			}
			if err == nil {
				c.Currency = currency
			}
			return v, err
		})
	}
	hour, mass := map[string]float64{"h": 1}, map[string]float64{"t": 1000, "kg": 1, "lb": si.Pound}
	c.Labour = money("labour", "an hour", "57 USD/h", hour)
	c.Equipment = money("equipment", "an hour", "45 USD/h", hour)
	c.Abrasive = money("abrasive", "a mass", "51 USD/t", mass)
	c.Disposal = money("disposal", "a mass", "172 USD/t", mass)
	c.AbrasiveBy = yamlfile.Scalar(m.Optional(), "abrasive_use", "650 kg/h", parseUse)
	if !c.Given() && len(m.Keys()) == 0 {
		m.Fail("labour", "is missing", "write at least one of labour, equipment, abrasive and disposal, for example labour: 57 USD/h")
	}
}

// parseMoney reads "57 USD/h": an amount, a currency of three capitals, and what it is for.
func parseMoney(text, per, example string, units map[string]float64) (v float64, currency string, err error) {
	fail := func(why string) (float64, string, error) {
		return 0, "", fmt.Errorf("%q is not an amount of money for %s: it %s; write for example %s", text, per, why, example)
	}
	number, rest, ok := strings.Cut(strings.TrimSpace(text), " ")
	currency, unit, parted := strings.Cut(strings.TrimSpace(rest), "/")
	if !ok || !parted {
		return fail("has no currency and unit behind a space")
	}
	if len(currency) != 3 || strings.Trim(currency, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" {
		return fail(fmt.Sprintf("has %q where a currency of three capitals should be", currency))
	}
	for name, of := range units {
		if name != unit {
			continue
		}
		if v, err = strconv.ParseFloat(number, 64); err != nil || strings.Trim(number, "0123456789.") != "" {
			return fail(fmt.Sprintf("has %q where a number should be", number))
		}
		if v > mostMoney {
			return fail("is more than anything here costs")
		}
		return v / of, currency, nil
	}
	return fail(fmt.Sprintf("has the unit %q, which is not known here", unit))
}

// parseUse reads a mass an hour.
func parseUse(text string) (si.MassFlow, error) {
	of, ok := strings.CutSuffix(strings.TrimSpace(text), "/h")
	if !ok {
		return 0, fmt.Errorf("%q is not a mass an hour; write for example 650 kg/h", text)
	}
	m, err := si.ParseMass(of)
	if err != nil {
		return 0, fmt.Errorf("%q is not a mass an hour: %w", text, err)
	}
	v := float64(m) / 3600
	if !(v > 0 && v <= maxUse) {
		return 0, fmt.Errorf("%q is not above 0 and at most 72 t/h; look at the number and its unit", text)
	}
	return si.MassFlow(v), nil
}

func readIntake(m yamlfile.Map, a *Intake) {
	const say = "-40 C to 90 C"
	a.Temperature = bounded(m, "intake", "25 C", si.ParseTemperature, minAir, maxAir, say)
	a.Humidity = bounded(m, "humidity", "60 %", si.ParseRatio, 0.01, 1, "1 % to 100 %")
	a.Separator = bounded(m, "separator", "28 C", si.ParseTemperature, minAir, maxAir, say)
	o := m.Optional()
	a.Aftercooler = bounded(o, "aftercooler", "", si.ParseTemperature, minAir, maxAir, say)
	a.DrainAt = bounded(o, "drain_at", "", si.ParseVolume, minDrain, maxDrain, "0.01 L to 200 L")
}
