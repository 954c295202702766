package vent

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math"
	"strings"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Rules names the rules a judge goes by; it stands in front of every digest. Raised only when a rule changes.
const Rules = "vent/1"

// A Kind is what a transducer measures against.
type Kind string

// The kinds of transducer. The zero value counts as KindGauge.
const (
	KindGauge    Kind = "gauge"    // against the air around it
	KindSealed   Kind = "sealed"   // against a sealed chamber at one standard atmosphere
	KindAbsolute Kind = "absolute" // against vacuum
)

// A Zero is an offset that a named person recorded with the vessel open (R2). It is subtracted from the reading.
type Zero struct {
	Offset si.PressureDrop
	By     string
	At     string // date as recorded
}

// A Vent is the blowdown of the empty pot as commissioning or a recorded service measured it.
type Vent struct {
	Time time.Duration // release to the first 3 s within the limit
	By   string
	At   string
}

// A Gauge is what is known of a point's transducer. Zero errors stand for undeclared: 3.4 kPa and 0.25 %.
type Gauge struct {
	Kind      Kind
	Lo, Hi    si.GaugePressure // range; both zero: not declared
	ZeroError si.PressureDrop
	SpanError si.Ratio
	Barometer bool // kinds sealed and absolute: the atmosphere comes from a barometer, not from altitude alone
	Zero      *Zero
}

// A Pot is what the answer uses of a pot's configuration, and no more. Agent and server each make one from their
// own files; equal digests prove that they judge by the same.
type Pot struct {
	Name          string
	Volume        si.Volume
	Rated         si.GaugePressure
	Target        si.GaugePressure // at the nozzle; 0: not given
	HoldsPressure bool             // by design stays up at a release (R9)
	Electric      bool             // the handle is a switch: Control is a discrete input
	Inverse       bool             // pneumatic line that works the other way: pressed when under Off
	On, Off       si.GaugePressure // pressed over On, released under Off; both 0: 140 and 70 kPa
	Points        points.Set
	Gauges        [points.Count]Gauge
	Commissioned  *Vent
}

// Limits and defaults of the rules. Every number is from the rule named.
const (
	limit            = 7 * si.KPa   // R1
	maxU             = 5 * si.KPa   // R1
	defaultZeroError = 3.4 * si.KPa // R1: 0.25 % of 200 psi
	defaultSpanError = 0.0025       // R1
	recordedZero     = 1 * si.KPa   // R1: zero part after a recorded zero
	altitudeError    = 3 * si.KPa   // R1: sealed or absolute, altitude alone
	barometerError   = 0.3 * si.KPa // R1: the same with a barometer
	defaultOn        = 140 * si.KPa // contract, press
	defaultOff       = 70 * si.KPa  // contract, release
)

// U is the uncertainty of a reading of the gauge at p: zero error, span error of the reading, barometer error.
func (g Gauge) U(p si.GaugePressure) si.PressureDrop {
	zero := float64(g.ZeroError)
	if zero == 0 {
		zero = defaultZeroError
	}
	if g.Zero != nil {
		zero = recordedZero
	}
	span := float64(g.SpanError)
	if span == 0 {
		span = defaultSpanError
	}
	u := zero + span*math.Abs(float64(p))
	if g.Kind == KindSealed || g.Kind == KindAbsolute {
		if g.Barometer {
			u += barometerError
		} else {
			u += altitudeError
		}
	}
	return si.PressureDrop(u)
}

// Provable tells whether the vessel gauge is good enough ever to prove zero: U at zero is at most 5 kPa.
func (p Pot) Provable() bool { return p.Gauges[points.Vessel].U(0) <= maxU }

// Thresholds are the pressures of the pneumatic control line above which the handle counts as pressed and below
// which as released (the other way round with Inverse).
func (p Pot) Thresholds() (on, off si.GaugePressure) {
	if p.On == 0 && p.Off == 0 {
		return defaultOn, defaultOff
	}
	return p.On, p.Off
}

// Digest is Rules, a colon and the hexadecimal SHA-256 of canonical SI JSON of the pot: keys in the order below,
// absent values left out, no white space, numbers as Go's encoding/json writes them after rounding to nine
// significant digits (so that 1 in and 25.4 mm agree).
func (p Pot) Digest() string {
	type zero struct {
		OffsetPa float64 `json:"offset_pa"`
		By       string  `json:"by"`
		At       string  `json:"at"`
	}
	type gauge struct {
		Point     string      `json:"point"`
		Kind      Kind        `json:"kind"`
		RangePa   *[2]float64 `json:"range_pa,omitempty"`
		ZeroErrPa float64     `json:"zero_error_pa,omitempty"`
		SpanErr   float64     `json:"span_error,omitempty"`
		Barometer bool        `json:"barometer,omitempty"`
		Zero      *zero       `json:"zero,omitempty"`
	}
	type vent struct {
		S  float64 `json:"s"`
		By string  `json:"by"`
		At string  `json:"at"`
	}
	on, off := p.Thresholds()
	doc := struct {
		Name     string  `json:"name"`
		VolumeM3 float64 `json:"volume_m3"`
		RatedPa  float64 `json:"rated_pa"`
		TargetPa float64 `json:"target_pa,omitempty"`
		Holds    bool    `json:"holds_pressure,omitempty"`
		Electric bool    `json:"electric,omitempty"`
		Inverse  bool    `json:"inverse,omitempty"`
		OnPa     float64 `json:"on_pa,omitempty"`
		OffPa    float64 `json:"off_pa,omitempty"`
		Points   []gauge `json:"points"`
		Vent     *vent   `json:"commissioned_vent,omitempty"`
	}{Name: p.Name, VolumeM3: nine(float64(p.Volume)), RatedPa: nine(float64(p.Rated)), TargetPa: nine(float64(p.Target)),
		Holds: p.HoldsPressure, Electric: p.Electric, Inverse: p.Inverse}
	if p.Points.Has(points.Control) && !p.Electric {
		doc.OnPa, doc.OffPa = nine(float64(on)), nine(float64(off))
	}
	for _, pt := range points.All() {
		if !p.Points.Has(pt) {
			continue
		}
		g := p.Gauges[pt]
		if g.Kind == "" {
			g.Kind = KindGauge
		}
		j := gauge{Point: pt.String(), Kind: g.Kind, ZeroErrPa: nine(float64(g.ZeroError)), SpanErr: nine(float64(g.SpanError)),
			Barometer: g.Barometer && g.Kind != KindGauge}
		if g.Lo != 0 || g.Hi != 0 {
			j.RangePa = &[2]float64{nine(float64(g.Lo)), nine(float64(g.Hi))}
		}
		if g.Zero != nil {
			j.Zero = &zero{nine(float64(g.Zero.Offset)), g.Zero.By, g.Zero.At}
		}
		doc.Points = append(doc.Points, j)
	}
	if p.Commissioned != nil {
		doc.Vent = &vent{nine(p.Commissioned.Time.Seconds()), p.Commissioned.By, p.Commissioned.At}
	}
	text, err := json.Marshal(doc)
	if err != nil {
		panic("vent: pot with a quantity that is not a number: " + err.Error())
	}
	sum := sha256.Sum256(text)
	return Rules + ":" + hex.EncodeToString(sum[:])
}

// RulesOf is the part of a digest that names the rules.
func RulesOf(digest string) string {
	rules, _, _ := strings.Cut(digest, ":")
	return rules
}

// nine rounds to nine significant digits.
func nine(v float64) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	scale := math.Pow(10, 8-math.Floor(math.Log10(math.Abs(v))))
	return math.Round(v*scale) / scale
}
