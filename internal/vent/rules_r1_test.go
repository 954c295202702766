package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// gauged is alder with another vessel gauge.
func gauged(g vent.Gauge) vent.Pot {
	return with(alder(), func(p *vent.Pot) { p.Gauges[points.Vessel] = g })
}

// holding tells a healthy vent after which the vessel creeps to a pressure and stays there.
func holding(kPa float64, then func(*story)) func(*story) {
	return func(s *story) {
		s.proven()
		s.ramp(points.Vessel, kPa, 2)
		s.rest(8)
		then(s)
	}
}

func stillVented(s *story) { s.stays(5, vent.Vented) }
func pressurised(s *story) { s.stays(5, vent.Pressurised, vent.OverLimit) }
func faulty(s *story) {
	s.never(vent.Vented)
	s.stays(5, vent.NotProven, vent.SensorFault)
}
func zeroOf(v float64) *vent.Zero {
	return &vent.Zero{Offset: si.PressureDrop(v * si.KPa), By: "yard foreman", At: "2031-04-02"}
}

// offBy lets the vessel gauge show so much too much, from the start.
func offBy(kPa float64, tell func(*story)) func(*story) {
	return func(s *story) {
		s.shows(points.Vessel, func(_, truth float64) float64 { return truth + kPa })
		tell(s)
	}
}

func TestR1(t *testing.T) {
	one := vent.Gauge{ZeroError: 1 * si.KPa, SpanError: 0.001}
	zeroed := vent.Gauge{ZeroError: 2 * si.KPa, Zero: zeroOf(5)}
	sealed := vent.Gauge{Kind: vent.KindSealed, ZeroError: 1 * si.KPa}
	barometer := vent.Gauge{Kind: vent.KindAbsolute, Barometer: true}
	runRows(t, []row{
		{name: "undeclared, under 7 - 3.4 - 0.25 %", pot: alder(), tell: holding(3.55, stillVented)},
		{name: "undeclared, over it", pot: alder(), tell: holding(3.65, pressurised)},
		{name: "declared 1 kPa and 0.1 %, under", pot: gauged(one), tell: holding(5.95, stillVented)},
		{name: "declared 1 kPa and 0.1 %, over", pot: gauged(one), tell: holding(6.05, pressurised)},
		{name: "recorded zero, under", pot: gauged(zeroed), tell: offBy(5, holding(5.9, stillVented))},
		{name: "recorded zero, over", pot: gauged(zeroed), tell: offBy(5, holding(6.05, pressurised))},
		{name: "recorded zero, below -U", pot: gauged(zeroed), tell: offBy(5, holding(-1.1, faulty))},
		{name: "recorded zero, just inside -U", pot: gauged(zeroed), tell: offBy(5, holding(-0.9, stillVented))},
		{name: "sealed with altitude, under 7 - 1 - 3", pot: gauged(sealed), tell: holding(2.9, stillVented)},
		{name: "sealed with altitude, over", pot: gauged(sealed), tell: holding(3.05, pressurised)},
		{name: "absolute with barometer, under 7 - 3.4 - 0.3", pot: gauged(barometer), tell: holding(3.25, stillVented)},
		{name: "absolute with barometer, over", pot: gauged(barometer), tell: holding(3.35, pressurised)},
		{name: "inside -U", pot: alder(), tell: holding(-3.3, stillVented)},
		{name: "below -U", pot: alder(), tell: holding(-3.5, faulty)},
		{name: "fault stays after the reading comes back, and over further vents", pot: alder(), tell: holding(-3.6, func(s *story) {
			s.never(vent.Vented)
			s.ramp(points.Vessel, 0, 1)
			s.rest(5)
			s.says(vent.NotProven, vent.SensorFault)
			s.press(20)
			s.says(vent.Pressurised)
			s.release(20)
			s.says(vent.NotProven, vent.SensorFault)
		})},
		{name: "half a second far below zero is no fault", pot: alder(), tell: func(s *story) {
			s.proven()
			s.jump(points.Vessel, -10)
			s.rest(0.5)
			s.jump(points.Vessel, 0)
			s.rest(5)
			s.says(vent.Vented)
		}},
		{name: "a single high sample does not matter", pot: alder(), tell: func(s *story) {
			s.proven()
			s.jump(points.Vessel, 13)
			s.stays(0.1, vent.Vented)
			s.jump(points.Vessel, 0)
			s.stays(5, vent.Vented)
		}},
		{name: "a half-second mean over 7 kPa breaks the 3 s", pot: alder(), tell: func(s *story) {
			s.proven()
			s.jump(points.Vessel, 9)
			s.rest(0.65)
			s.says(vent.Pressurised, vent.OverLimit)
			s.jump(points.Vessel, 0)
			s.rest(0.7)
			s.stays(1.5, vent.NotProven, vent.Settling)
			s.within(2, vent.Vented)
			s.stays(5, vent.Vented)
		}},
		{name: "the mean of 3 s counts beside the half seconds", pot: alder(), tell: holding(5, func(s *story) {
			s.jump(points.Vessel, 0)
			s.rest(0.65)
			s.says(vent.NotProven, vent.Settling) // mean still 4 kPa
			s.rest(2.5)
			s.says(vent.Vented) // no half second over 7, and the gauge no longer moves
		})},
		{name: "no sooner than 3 s after the fall", pot: alder(), tell: func(s *story) {
			s.straight = 4
			s.rest(5)
			s.press(20)
			s.release(4.2)
			s.not(2.4, vent.Vented)
			s.within(1.2, vent.Vented)
		}},
		{name: "the newest half second over the limit is pressurised at once", pot: alder(), tell: func(s *story) {
			s.proven()
			s.jump(points.Vessel, 60)
			s.rest(0.1)
			s.saysNot(vent.Vented)
			s.rest(0.5)
			s.stays(5, vent.Pressurised, vent.OverLimit)
		}},
		{name: "pressurised from the first reading", pot: alder(), tell: func(s *story) {
			s.jump(points.Vessel, 300)
			s.rest(0.2)
			s.stays(10, vent.Pressurised, vent.OverLimit)
		}},
		{name: "U over 5 kPa never proves zero", pot: gauged(vent.Gauge{ZeroError: 5.1 * si.KPa}), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.says(vent.Pressurised)
			s.release(25)
			s.says(vent.NotProven, vent.UncertaintyTooLarge)
		}},
		{name: "sealed, undeclared, altitude alone: U is 6.4 kPa", pot: gauged(vent.Gauge{Kind: vent.KindSealed}), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.release(25)
			s.says(vent.NotProven, vent.UncertaintyTooLarge)
		}},
		{name: "slow log: a single sample is the reading", pot: alder(), opts: vent.Options{Period: time.Second}, tell: func(s *story) {
			s.every(1)
			s.grace = 2
			s.proven()
			s.jump(points.Vessel, 3.7)
			s.rest(1.05)
			s.says(vent.Pressurised, vent.OverLimit)
			s.jump(points.Vessel, 0)
			s.rest(5)
			s.says(vent.Vented)
		}},
		{name: "slow log: a single sample over 7 kPa breaks the 3 s", pot: alder(), opts: vent.Options{Period: time.Second}, tell: func(s *story) {
			s.every(1)
			s.grace = 2
			s.proven()
			s.rest(0.5)
			s.jump(points.Vessel, 8)
			s.rest(1)
			s.jump(points.Vessel, 0)
			s.stays(2, vent.NotProven)
			s.within(3, vent.Vented)
		}},
	})
}

func TestFaultyIsHandedOn(t *testing.T) {
	s := newStory(alder())
	s.proven()
	s.says(vent.Vented)
	healthy := s.stream()

	j := vent.NewJudge(s.pot, vent.Options{})
	if got := feed(j, healthy); got.Word != vent.Vented || j.Faulty() {
		t.Fatalf("healthy pot: %v %v, faulty %v", got.Word, got.Because.Strings(), j.Faulty())
	}
	j = vent.NewJudge(s.pot, vent.Options{})
	j.MarkFaulty()
	if got := feed(j, healthy); got.Word != vent.NotProven || !got.Because.Has(vent.SensorFault) || !j.Faulty() {
		t.Errorf("marked faulty: %v %v, faulty %v; want not-proven with sensor-fault", got.Word, got.Because.Strings(), j.Faulty())
	}
	s.ramp(points.Vessel, -5, 1)
	s.rest(5)
	j = vent.NewJudge(s.pot, vent.Options{})
	if feed(j, s.stream()); !j.Faulty() {
		t.Error("3 s at -5 kPa: the gauge is not faulty")
	}
	for _, b := range []vent.Break{vent.ClockStep, vent.NewSession, vent.Reconfigured, vent.SourceSilent} {
		j.Break(b)
		if !j.Faulty() {
			t.Errorf("break %d clears the fault: only a recorded zero or service may", b)
		}
	}
}

// R2: only a recorded zero is subtracted; nothing is learned from vents.
func TestR2(t *testing.T) {
	runRows(t, []row{
		{name: "half a psi trapped in ten vents is not learned as zero", pot: alder(), tell: func(s *story) {
			for range 10 {
				s.rest(3)
				s.press(10)
				s.release(0)
				s.start(points.Vessel, move{at: s.cursor + 0.2, to: 0.5 * psi, tau: s.vent})
				s.rest(16)
				s.says(vent.Vented)
			}
			s.press(10)
			s.release(0)
			s.start(points.Vessel, move{at: s.cursor + 0.2, to: 1.3 * psi, tau: s.vent})
			s.not(16, vent.Vented)
			s.says(vent.Pressurised, vent.OverLimit)
		}},
		{name: "ten vents at -3 kPa, then 4 kPa", pot: alder(), tell: offBy(-3, func(s *story) {
			for range 10 {
				s.press(10)
				s.release(16)
			}
			s.says(vent.Vented)
			s.ramp(points.Vessel, 7.1, 1)
			s.rest(5)
			s.says(vent.Pressurised)
		})},
		{name: "a recorded zero is subtracted", pot: gauged(vent.Gauge{Zero: zeroOf(6)}), tell: offBy(6, func(s *story) { s.proven() })},
		{name: "without the record the same gauge proves nothing", pot: alder(), tell: offBy(6, func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.release(20)
			s.says(vent.Pressurised, vent.OverLimit)
		})},
		{name: "a zero recorded of another point is not the vessel's", pot: with(alder(), func(p *vent.Pot) {
			p.Gauges[points.Hose].Zero = zeroOf(6)
		}), tell: offBy(6, func(s *story) {
			s.rest(5)
			s.press(20)
			s.not(20, vent.Vented)
		})},
	})
}

func TestU(t *testing.T) {
	for _, c := range []struct {
		name string
		g    vent.Gauge
		at   si.GaugePressure
		want float64 // kPa, from R1's text
		ok   bool    // Provable
	}{
		{"undeclared", vent.Gauge{}, 0, 3.4, true},
		{"undeclared, of a reading", vent.Gauge{}, 400 * si.KPa, 4.4, true},
		{"undeclared, of a negative reading", vent.Gauge{}, -400 * si.KPa, 4.4, true},
		{"declared", vent.Gauge{ZeroError: 1.7 * si.KPa, SpanError: 0.002}, 500 * si.KPa, 2.7, true},
		{"recorded zero", vent.Gauge{Zero: zeroOf(3), ZeroError: 2 * si.KPa}, 0, 1, true},
		{"recorded zero keeps the span", vent.Gauge{Zero: zeroOf(3), SpanError: 0.01}, 100 * si.KPa, 2, true},
		{"sealed, altitude", vent.Gauge{Kind: vent.KindSealed}, 0, 6.4, false},
		{"sealed, barometer", vent.Gauge{Kind: vent.KindSealed, Barometer: true}, 0, 3.7, true},
		{"absolute, altitude, recorded zero", vent.Gauge{Kind: vent.KindAbsolute, Zero: zeroOf(1)}, 0, 4, true},
		{"absolute, barometer", vent.Gauge{Kind: vent.KindAbsolute, Barometer: true}, 0, 3.7, true},
		{"gauge kind needs no barometer", vent.Gauge{Kind: vent.KindGauge, Barometer: true}, 0, 3.4, true},
		{"too large", vent.Gauge{ZeroError: 5.01 * si.KPa}, 0, 5.01, false},
		{"5 kPa is not over 5 kPa", vent.Gauge{ZeroError: 5 * si.KPa}, 0, 5, true},
	} {
		if got := float64(c.g.U(c.at)) / si.KPa; got < c.want-1e-9 || got > c.want+1e-9 {
			t.Errorf("%s: U is %v kPa, want %v", c.name, got, c.want)
		}
		if got := gauged(c.g).Provable(); got != c.ok {
			t.Errorf("%s: Provable %v, want %v", c.name, got, c.ok)
		}
	}
}
