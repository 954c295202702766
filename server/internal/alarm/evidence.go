package alarm

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// Evidence is what shows an alarm, or what a transition of it says besides. Its JSON form stands in the records and in
// the API; a figure that is not known is absent.
type Evidence struct {
	PressurePa []float64 `json:"p_pa,omitempty"`        // where it began, and when it was found; of SupplyBelowVessel the supply and the vessel; else one
	PressureOf string    `json:"p_of,omitempty"`        // point that PressurePa and Trace are of; empty: the vessel
	Computed   bool      `json:"computed,omitempty"`    // PressurePa is an estimate, and no reading
	LimitPa    float64   `json:"limit_pa,omitempty"`    // that the last of PressurePa is past
	TargetPa   float64   `json:"target_pa,omitempty"`   // of the nozzle
	BaselinePa float64   `json:"baseline_pa,omitempty"` // of the supply while the pot blasts healthy
	RatePerS   []float64 `json:"rate_per_s,omitempty"`  // of a slow vent: its own, and the slowest healthy one
	ForS       float64   `json:"for_s,omitempty"`       // when it was found: since the release, the press, or the last good reading
	LimitS     float64   `json:"limit_s,omitempty"`     // of ForS, SilentS, the size of AheadS, and of EmptyS in Contents
	Trace      *Trace    `json:"trace,omitempty"`       // since the release
	Envelope   *Envelope `json:"envelope,omitempty"`    // the slowest healthy vent
	Because    []string  `json:"because,omitempty"`     // codes of the answer that tell why
	Blind      string    `json:"blind,omitempty"`       // fault of the vessel's gauge, by which it does not show the pressure
	Point      string    `json:"point,omitempty"`       // of a gauge
	Fault      string    `json:"fault,omitempty"`       // its kind
	Other      string    `json:"other,omitempty"`       // the gauge, or the pot, that it seems to be exchanged with
	Size       *float64  `json:"size,omitempty"`        // of the fault: Pa, of slow-port s
	Trend      *Trend    `json:"trend,omitempty"`
	Contents   *Contents `json:"contents,omitempty"`
	WaterKg    float64   `json:"water_kg,omitempty"` // since the last drain
	LimitKg    float64   `json:"limit_kg,omitempty"` // of WaterKg
	SilentS    float64   `json:"silent_s,omitempty"` // of an agent
	Safe       bool      `json:"safe,omitempty"`     // of an agent: the answer of all its pots was the good one when it was last heard
	AheadS     float64   `json:"ahead_s,omitempty"`  // of an agent's clock over the server's
	Late       bool      `json:"late,omitempty"`     // found in readings that came late

	Cause string `json:"cause,omitempty"` // id of the alarm that this one follows from
	First bool   `json:"first,omitempty"` // no other alarm of the pot stood when it was raised
	Word  string `json:"word,omitempty"`  // of the answer, which lets a latched alarm go
	Until string `json:"until,omitempty"` // of a shelf, RFC 3339
	Note  string `json:"note,omitempty"`  // of a person
}

// A Trace is a row of readings.
type Trace struct {
	TimeS      []float64 `json:"t_s"`  // since the release
	PressurePa []float64 `json:"p_pa"` // gauge
}

// An Envelope is the slowest healthy vent: the absolute pressure falls from P0Pa as exp(-RatePerS (t - FromS)) while it is
// over DownToPa, gauge; from TailPa on, gauge, where that is not 0, at TailRatePerS.
type Envelope struct {
	FromS        float64 `json:"from_s"` // since the release, when the exhaust is open at the latest
	P0Pa         float64 `json:"p0_pa"`  // gauge
	RatePerS     float64 `json:"rate_per_s"`
	TailPa       float64 `json:"tail_pa,omitempty"`
	TailRatePerS float64 `json:"tail_rate_per_s,omitempty"`
	DownToPa     float64 `json:"down_to_pa"`
	AmbientPa    float64 `json:"ambient_pa,omitempty"` // absolute, which gauge pressures are over; 0: standard, as far as is known
}

// EnvelopeOf is the slowest healthy vent as it is told: down to the pressure to which the vent watch times one.
func EnvelopeOf(h vent.Healthy, ambient si.AbsPressure) *Envelope {
	return &Envelope{FromS: round(h.Open.Sub(h.Released).Seconds(), 1e3), P0Pa: round(float64(h.From), 1), RatePerS: round(h.Rate, 1e4),
		TailPa: round(float64(h.Tail), 1), TailRatePerS: round(h.TailRate, 1e4),
		DownToPa: round(float64(vent.TimedDownTo(ambient)), 1), AmbientPa: round(float64(ambient), 1)}
}

// A Trend is how a part goes.
type Trend struct {
	Value float64 `json:"value"`
	SD    float64 `json:"sd,omitempty"`
	Limit float64 `json:"limit,omitempty"`
	P10   string  `json:"p10,omitempty"` // when it passes the limit, RFC 3339
	P50   string  `json:"p50,omitempty"`
	P90   string  `json:"p90,omitempty"`
}

// Contents are the abrasive in the vessel.
type Contents struct {
	Share  *float64 `json:"share,omitempty"` // of capacity
	Low    *float64 `json:"low,omitempty"`   // 80 % interval
	High   *float64 `json:"high,omitempty"`
	Limit  float64  `json:"limit,omitempty"`   // of Share
	EmptyS *Spread  `json:"empty_s,omitempty"` // of blasting
}

// A Spread is a forecast.
type Spread struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}

// Figure is the figure of the evidence that says most in a few characters, in SI units; empty: it has none.
func (e *Evidence) Figure() string {
	of := func(value, limit float64, unit string) string {
		if limit > 0 {
			return fmt.Sprintf("%.4g%s of %.4g%s", value, unit, limit, unit)
		}
		return fmt.Sprintf("%.4g%s", value, unit)
	}
	switch n := len(e.PressurePa); {
	case n > 0:
		return of(e.PressurePa[n-1]/1e3, cmp.Or(e.LimitPa, e.TargetPa)/1e3, " kPa")
	case e.Trend != nil:
		return of(e.Trend.Value, e.Trend.Limit, "")
	case e.Contents != nil && e.Contents.EmptyS != nil:
		return "empty in " + of(e.Contents.EmptyS.P50, 0, " s")
	case e.Contents != nil && e.Contents.Share != nil:
		return of(100**e.Contents.Share, 0, " % left")
	case e.Size != nil && e.Fault == gauges.SlowPort.String():
		return of(*e.Size, 0, " s")
	case e.Size != nil:
		return of(*e.Size/1e3, 0, " kPa")
	case e.WaterKg != 0:
		return of(e.WaterKg, e.LimitKg, " kg")
	case e.SilentS != 0:
		return of(e.SilentS, e.LimitS, " s")
	case e.AheadS != 0:
		return of(e.AheadS, e.LimitS, " s")
	case e.ForS != 0:
		return of(e.ForS, e.LimitS, " s")
	}
	return ""
}

// text is the evidence as it stands in records; empty for none.
func (e Evidence) text() string {
	b, err := json.Marshal(e)
	if err != nil { // all numbers went through round
		panic("alarm: evidence does not encode: " + err.Error())
	}
	if string(b) == "{}" {
		return ""
	}
	return string(b)
}

// ParseEvidence reads what stands in records.
func ParseEvidence(text string) (Evidence, error) {
	var e Evidence
	if text == "" {
		return e, nil
	}
	if err := json.Unmarshal([]byte(text), &e); err != nil {
		return Evidence{}, fmt.Errorf("the evidence of an alarm cannot be read: %w", err)
	}
	return e, nil
}

// proves tells whether the word lets a latched alarm go.
func (e *Evidence) proves() bool {
	w, err := vent.ParseWord(e.Word)
	return err == nil && w.IsVented()
}

// until is the end of a shelf; 0: none.
func (e *Evidence) until() si.Instant {
	t, err := time.Parse(time.RFC3339, e.Until)
	if err != nil {
		return 0
	}
	return si.InstantOf(t)
}

// round is v to a part of one, and 0 for what is no number.
func round(v, parts float64) float64 {
	v = math.Round(v*parts) / parts
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0 // not minus zero either
	}
	return v
}

func rounded(v, parts float64) *float64 {
	v = round(v, parts)
	return &v
}

// when is an instant in words; empty for none.
func when(i si.Instant) string {
	if i == 0 {
		return ""
	}
	return i.String()
}

func pair(a, b si.GaugePressure) []float64 {
	return []float64{round(float64(a), 1), round(float64(b), 1)}
}

func trendOf(x *Index) *Trend {
	t := &Trend{Value: round(float64(x.Value), 1e4), SD: round(float64(x.SD), 1e4), Limit: round(float64(x.Limit), 1e4)}
	if x.ForecastKnown {
		t.P10, t.P50, t.P90 = when(x.P10), when(x.P50), when(x.P90)
	}
	return t
}

func contentsOf(l *Level) *Contents {
	c := &Contents{}
	if l.Known {
		c.Share, c.Low, c.High = rounded(float64(l.Share), 1e4), rounded(float64(l.Low), 1e4), rounded(float64(l.High), 1e4)
	}
	if l.EmptyKnown {
		c.EmptyS = &Spread{P10: round(l.P10.Seconds(), 1), P50: round(l.P50.Seconds(), 1), P90: round(l.P90.Seconds(), 1)}
	}
	return c
}
