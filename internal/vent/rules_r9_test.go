package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// holder is alder as a pot that stays up at a release.
func holder(ps ...points.Point) vent.Pot { return with(alder(ps...), holds) }

// keepsUp is a press and a release at which the vessel stays up.
func (s *story) keepsUp(press, rest float64) {
	s.press(press)
	s.handle(false, 0)
	s.blow(points.Hose, 0, 0.3)
	s.blow(points.Nozzle, 0, 0.3)
	s.rest(rest)
}

// blowdown tells a pot that came up to a pressure and is vented by hand with a time constant.
func blowdown(top, tau, wait float64, w vent.Word, cs ...vent.Code) func(*story) {
	return func(s *story) {
		if w != vent.Vented {
			s.never(vent.Vented)
		}
		s.top[points.Vessel] = top
		s.rest(5)
		s.keepsUp(20, 10)
		s.says(vent.Pressurised)
		s.blow(points.Vessel, 0, tau)
		s.rest(wait)
		s.says(w, cs...)
	}
}

func TestR9(t *testing.T) {
	no := vent.NoVentSeen
	noTarget := with(holder(), targetless)
	runRows(t, []row{
		{name: "vented by hand", pot: holder(), tell: blowdown(670, 3, 30, vent.Vented)},
		{name: "at any speed: two minutes", pot: holder(), tell: blowdown(670, 25, 170, vent.Vented)},
		{name: "from over half of 690", pot: holder(), tell: blowdown(365, 3, 30, vent.Vented)},
		{name: "from under half of 690", pot: holder(), tell: blowdown(325, 3, 30, vent.NotProven, no)},
		{name: "no target: from over a third of 1034", pot: noTarget, tell: blowdown(365, 3, 30, vent.Vented)},
		{name: "no target: from under a third of 1034", pot: noTarget, tell: blowdown(325, 3, 30, vent.NotProven, no)},
		{name: "no press is needed: found pressurised", pot: holder(), tell: func(s *story) {
			s.jump(points.Vessel, 600)
			s.rest(10)
			s.blow(points.Vessel, 0, 3)
			s.rest(30)
			s.says(vent.Vented)
		}},
		{name: "too fast", pot: holder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.keepsUp(20, 10)
			s.jump(points.Vessel, 0)
			s.rest(30)
			s.says(vent.NotProven, no)
		}},
		{name: "commissioned 8 s, gone in 0.4 s", pot: commissioned(holder(), 8*time.Second), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.keepsUp(20, 10)
			s.ramp(points.Vessel, 0, 0.4)
			s.rest(30)
			s.says(vent.NotProven, no)
		}},
		{name: "cold morning", pot: holder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(60)
			s.says(vent.NotProven, no)
		}},
		{name: "control never witnesses it", pot: holder(points.Vessel, points.Control), tell: blowdown(670, 3, 30, vent.NotProven, vent.NoSecondWitness)},
		{name: "hose alone does", pot: holder(points.Vessel, points.Hose), tell: blowdown(670, 3, 30, vent.Vented)},
		{name: "hose silent, control healthy", pot: holder(), tell: func(s *story) {
			s.silent(points.Hose, 1e6)
			blowdown(670, 3, 30, vent.NotProven, vent.SecondWitnessSilent)(s)
		}},
		{name: "hose falls silent later", pot: holder(), tell: func(s *story) {
			blowdown(670, 3, 30, vent.Vented)(s)
			s.silent(points.Hose, 1e6)
			s.rest(2.4)
			s.stays(10, vent.NotProven, vent.SecondWitnessSilent)
		}},
		{name: "a gap of 2.4 s in the blowdown", pot: holder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.keepsUp(20, 10)
			s.blow(points.Vessel, 0, 3)
			s.rest(3)
			s.silent(points.Vessel, 2.4)
			s.rest(40)
			s.says(vent.NotProven, no)
		}},
		{name: "a gap later", pot: holder(), tell: func(s *story) {
			blowdown(670, 3, 30, vent.Vented)(s)
			s.silent(points.Vessel, 2.4)
			s.rest(10)
			s.stays(10, vent.NotProven, no)
		}},
		{name: "out of range in the blowdown", pot: holder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.keepsUp(20, 10)
			s.blow(points.Vessel, 0, 3)
			s.rest(6)
			s.bad(points.Vessel, points.OutOfRange, 0.1)
			s.rest(40)
			s.says(vent.NotProven, no)
		}},
		{name: "a rise to 40 kPa needs a new blowdown", pot: holder(), tell: func(s *story) {
			blowdown(670, 3, 30, vent.Vented)(s)
			s.ramp(points.Vessel, 40, 5)
			s.rest(10)
			s.says(vent.Pressurised)
			s.never(vent.Vented)
			s.blow(points.Vessel, 0, 3)
			s.rest(30)
			s.says(vent.NotProven, no)
		}},
		{name: "a rise to 14 kPa does not", pot: holder(), tell: func(s *story) {
			blowdown(670, 3, 30, vent.Vented)(s)
			s.ramp(points.Vessel, 14, 5)
			s.rest(10)
			s.says(vent.Pressurised)
			s.blow(points.Vessel, 0, 3)
			s.rest(30)
			s.says(vent.Vented)
		}},
		{name: "two blowdowns", pot: holder(), tell: func(s *story) {
			blowdown(670, 3, 30, vent.Vented)(s)
			blowdown(670, 3, 30, vent.Vented)(s)
		}},
		{name: "hose over the limit", pot: holder(), tell: func(s *story) {
			blowdown(670, 3, 30, vent.Vented)(s)
			s.jump(points.Hose, 15)
			s.rest(1)
			s.stays(5, vent.NotProven, vent.HosePressure)
		}},
		{name: "gauge shut off, then a press: the hose shows it", pot: holder(), tell: func(s *story) {
			blowdown(670, 3, 30, vent.Vented)(s)
			s.stuck(points.Vessel, 0)
			s.press(0.5)
			s.never(vent.Vented)
			s.rest(10)
			s.says(vent.NotProven, vent.GaugeDoesNotFollow)
			s.handle(false, 0)
			s.blow(points.Hose, 0, 0.3)
			s.rest(60)
			s.says(vent.NotProven, vent.GaugeDoesNotFollow)
		}},
		{name: "an electric handle does not witness it either", pot: with(holder(points.Vessel, points.Control), electric), tell: blowdown(670, 3, 30, vent.NotProven, vent.NoSecondWitness)},
		{name: "small target: half of it", pot: with(holder(), func(p *vent.Pot) { p.Target = 300 * si.KPa }), tell: blowdown(170, 3, 30, vent.Vented)},
	})
}
