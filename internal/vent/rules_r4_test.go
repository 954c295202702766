package vent_test

import (
	"testing"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

func electric(p *vent.Pot) { p.Electric = true }
func inverse(p *vent.Pot)  { p.Inverse = true }
func holds(p *vent.Pot)    { p.HoldsPressure = true }

// alone tells a pot without a second witness.
func alone(s *story) {
	s.never(vent.Vented)
	s.rest(5)
	s.press(20)
	s.says(vent.Pressurised)
	s.release(25)
	s.says(vent.NotProven, vent.NoSecondWitness)
}

func healthyTwice(s *story) {
	s.proven()
	s.cycle(670, 15, 16)
	s.says(vent.Vented)
	s.stays(20, vent.Vented)
}

// unfollowed tells, after a healthy vent, a press of so many seconds that a stuck gauge does not follow.
func unfollowed(press float64, then func(*story)) func(*story) {
	return func(s *story) {
		s.proven()
		s.stuck(points.Vessel, 0)
		s.press(0.6)
		s.never(vent.Vented)
		s.rest(press - 0.6)
		then(s)
	}
}

func follows(s *story) {
	s.rest(0.5)
	s.says(vent.NotProven, vent.GaugeDoesNotFollow)
	s.release(30)
	s.stays(60, vent.NotProven, vent.GaugeDoesNotFollow)
}

func TestR4(t *testing.T) {
	runRows(t, []row{
		{name: "vessel alone", pot: alder(points.Vessel), tell: alone},
		{name: "vessel and nozzle", pot: alder(points.Vessel, points.Nozzle), tell: alone},
		{name: "supply, separator, vessel", pot: alder(points.Supply, points.Separator, points.Vessel), tell: alone},
		{name: "vessel and control", pot: alder(points.Vessel, points.Control), tell: healthyTwice},
		{name: "vessel and hose", pot: alder(points.Vessel, points.Hose), tell: healthyTwice},
		{name: "electric handle", pot: with(alder(points.Vessel, points.Control), electric), tell: healthyTwice},
		{name: "line that works the other way", pot: with(alder(points.Vessel, points.Control), inverse), tell: healthyTwice},
		{name: "control falls silent, no hose", pot: alder(points.Vessel, points.Control), tell: func(s *story) {
			s.proven()
			s.silent(points.Control, 1e6)
			s.rest(2.4)
			s.stays(20, vent.NotProven, vent.SecondWitnessSilent)
		}},
		{name: "control refused, no hose", pot: alder(points.Vessel, points.Control), tell: func(s *story) {
			s.proven()
			s.bad(points.Control, points.NoReply, 1e6)
			s.rest(2.4)
			s.stays(20, vent.NotProven, vent.SecondWitnessSilent)
		}},
		{name: "control out of range, no hose", pot: alder(points.Vessel, points.Control), tell: func(s *story) {
			s.proven()
			s.bad(points.Control, points.OutOfRange, 1e6)
			s.rest(2.4)
			s.stays(20, vent.NotProven, vent.SecondWitnessSilent)
		}},
		{name: "control never heard, no hose", pot: alder(points.Vessel, points.Control), tell: func(s *story) {
			s.silent(points.Control, 1e6)
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.release(20)
			s.says(vent.NotProven, vent.SecondWitnessSilent)
		}},
		{name: "control falls silent, the hose is healthy", pot: alder(), tell: func(s *story) {
			s.proven()
			s.silent(points.Control, 1e6)
			s.stays(20, vent.Vented)
		}},
		{name: "hose falls silent, the control is healthy", pot: alder(), tell: func(s *story) {
			s.proven()
			s.silent(points.Hose, 1e6)
			s.stays(20, vent.Vented)
		}},
		{name: "both fall silent", pot: alder(), tell: func(s *story) {
			s.proven()
			s.silent(points.Hose, 1e6)
			s.silent(points.Control, 1e6)
			s.rest(2.4)
			s.stays(20, vent.NotProven, vent.SecondWitnessSilent)
		}},
		{name: "press not followed, no gauge of the air", pot: alder(), tell: unfollowed(3, follows)},
		{name: "press not followed, supply and separator up", pot: ref(points.Supply, points.Separator), tell: unfollowed(3, follows)},
		{name: "press not followed, supply up", pot: ref(points.Supply), tell: unfollowed(3, follows)},
		{name: "press not followed, no hose point", pot: alder(points.Vessel, points.Control), tell: unfollowed(3, follows)},
		{name: "press not followed, no control point", pot: alder(points.Vessel, points.Hose), tell: unfollowed(3.5, follows)},
		{name: "press not followed, electric", pot: with(alder(points.Vessel, points.Control), electric), tell: unfollowed(3, follows)},
		{name: "press of 2.5 s not followed: judged at the release", pot: alder(), tell: unfollowed(2.5, func(s *story) {
			s.release(1.5)
			s.stays(60, vent.NotProven, vent.GaugeDoesNotFollow)
		})},
		{name: "followed by 6 kPa is not followed", pot: alder(), tell: func(s *story) {
			s.proven()
			s.shows(points.Vessel, func(_, v float64) float64 { return v * 6 / 670 })
			s.press(0.2)
			s.never(vent.Vented)
			s.rest(3.5)
			s.lacks(vent.NoSecondWitness)
			s.release(30)
			s.stays(5, vent.NotProven, vent.GaugeDoesNotFollow)
		}},
		{name: "followed by 12 kPa is, and proves nothing", pot: alder(), tell: func(s *story) {
			s.proven()
			s.shows(points.Vessel, func(_, v float64) float64 { return v * 12 / 670 })
			s.press(0.2)
			s.never(vent.Vented)
			s.rest(10)
			s.lacks(vent.GaugeDoesNotFollow)
			s.release(30)
			s.stays(5, vent.NotProven, vent.NoVentSeen)
		}},
		{name: "until a press that it follows", pot: alder(), tell: func(s *story) {
			s.proven()
			s.stuck(points.Vessel, 0)
			s.press(10)
			s.release(20)
			s.says(vent.NotProven, vent.GaugeDoesNotFollow)
			s.shows(points.Vessel, nil)
			s.press(10)
			s.says(vent.Pressurised)
			s.lacks(vent.GaugeDoesNotFollow)
			s.release(16)
			s.says(vent.Vented)
		}},
		{name: "air off: nothing to follow, and nothing proven", pot: ref(points.Supply, points.Separator), tell: func(s *story) {
			s.proven()
			s.jump(points.Supply, 0)
			s.jump(points.Separator, 0)
			s.rest(3)
			s.handle(true, 0.2)
			s.never(vent.Vented)
			s.rest(6)
			s.lacks(vent.GaugeDoesNotFollow)
			s.handle(false, 20)
			s.lacks(vent.GaugeDoesNotFollow)
			s.says(vent.NotProven)
		}},
		{name: "air off and on again", pot: ref(points.Supply, points.Separator), tell: func(s *story) {
			s.proven()
			s.jump(points.Supply, 0)
			s.jump(points.Separator, 0)
			s.rest(3)
			s.handle(true, 6)
			s.handle(false, 5)
			s.jump(points.Supply, 700)
			s.jump(points.Separator, 700)
			s.rest(3)
			s.cycle(670, 20, 16)
			s.says(vent.Vented)
		}},
		{name: "the hose rises at rest and the vessel does not", pot: alder(), tell: func(s *story) {
			s.proven()
			s.jump(points.Hose, 40)
			s.rest(0.2)
			s.never(vent.Vented)
			s.rest(3.5)
			s.says(vent.NotProven, vent.GaugeDoesNotFollow, vent.HosePressure)
			s.jump(points.Hose, 0)
			s.rest(2)
			s.stays(30, vent.NotProven, vent.GaugeDoesNotFollow)
			s.lacks(vent.HosePressure)
		}},
		{name: "the hose rises at rest, the vessel with it, without a press", pot: alder(), tell: func(s *story) {
			s.proven()
			s.ramp(points.Hose, 300, 1)
			s.ramp(points.Vessel, 300, 1)
			s.rest(5)
			s.stays(20, vent.Pressurised)
			s.lacks(vent.GaugeDoesNotFollow)
		}},
	})
}

func TestR5(t *testing.T) {
	all := alder(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control)
	shows := func(p points.Point, kPa float64, c vent.Code) func(*story) {
		return func(s *story) {
			s.proven()
			s.ramp(p, kPa, 1)
			s.rest(2)
			if kPa <= 7 {
				s.stays(10, vent.Vented)
				return
			}
			s.stays(10, vent.NotProven, c)
			s.ramp(p, 0, 1)
			s.rest(5)
			s.says(vent.Vented)
		}
	}
	spike := func(p points.Point) func(*story) {
		return func(s *story) {
			s.proven()
			s.jump(p, 18)
			s.stays(0.1, vent.Vented)
			s.jump(p, 0)
			s.stays(5, vent.Vented)
		}
	}
	runRows(t, []row{
		{name: "hose 8 kPa", pot: all, tell: shows(points.Hose, 8, vent.HosePressure)},
		{name: "hose 6 kPa", pot: all, tell: shows(points.Hose, 6, vent.HosePressure)},
		{name: "nozzle 8 kPa", pot: all, tell: shows(points.Nozzle, 8, vent.NozzlePressure)},
		{name: "nozzle 6 kPa", pot: all, tell: shows(points.Nozzle, 6, vent.NozzlePressure)},
		{name: "one sample of the hose", pot: all, tell: spike(points.Hose)},
		{name: "one sample of the nozzle", pot: all, tell: spike(points.Nozzle)},
		{name: "hose keeps pressure from the vent on", pot: all, tell: func(s *story) {
			s.rest(5)
			s.press(20)
			s.never(vent.Vented)
			s.release(0.2)
			s.jump(points.Hose, 100)
			s.rest(20)
			s.says(vent.NotProven, vent.HosePressure)
		}},
		{name: "control pressed", pot: all, tell: func(s *story) {
			s.proven()
			s.handle(true, 0.2)
			s.stays(0.8, vent.NotProven, vent.ControlPressed)
		}},
		{name: "electric handle pressed", pot: with(all, electric), tell: func(s *story) {
			s.proven()
			s.handle(true, 0.2)
			s.stays(0.8, vent.NotProven, vent.ControlPressed)
		}},
		{name: "line of the other way pressed", pot: with(all, inverse), tell: func(s *story) {
			s.proven()
			s.handle(true, 0.2)
			s.stays(0.8, vent.NotProven, vent.ControlPressed)
		}},
		{name: "line between the thresholds: as before", pot: all, tell: func(s *story) {
			s.proven()
			s.jump(points.Control, 130)
			s.stays(10, vent.Vented)
			s.jump(points.Control, 145)
			s.rest(0.2)
			s.stays(0.5, vent.NotProven, vent.ControlPressed)
			s.jump(points.Control, 80)
			s.rest(0.2)
			s.stays(0.4, vent.NotProven, vent.ControlPressed)
			s.jump(points.Control, 60)
			s.rest(5)
			s.says(vent.Vented)
		}},
		{name: "own thresholds", pot: with(all, func(p *vent.Pot) { p.On, p.Off = 300*si.KPa, 200*si.KPa }), tell: func(s *story) {
			s.proven()
			s.jump(points.Control, 290)
			s.stays(10, vent.Vented)
			s.jump(points.Control, 310)
			s.rest(0.2)
			s.says(vent.NotProven, vent.ControlPressed)
		}},
	})
}

func TestHandle(t *testing.T) {
	own := with(alder(), func(p *vent.Pot) { p.On, p.Off = 300*si.KPa, 200*si.KPa })
	for _, c := range []struct {
		name string
		pot  vent.Pot
		tell func(s *story)
		want vent.Handle
		at   float64 // Since, s
	}{
		{"nothing heard", alder(points.Vessel), func(s *story) { s.rest(5) }, vent.Handle{}, 0},
		{"pressed", alder(), func(s *story) { s.rest(5); s.press(2) }, vent.Handle{Known: true, Pressed: true}, 5},
		{"released", alder(), func(s *story) { s.rest(5); s.press(10); s.release(10) }, vent.Handle{Known: true}, 15},
		{"electric", with(alder(), electric), func(s *story) { s.rest(5); s.press(2) }, vent.Handle{Known: true, Pressed: true}, 5},
		{"other way", with(alder(), inverse), func(s *story) { s.rest(5); s.press(10); s.release(10) }, vent.Handle{Known: true}, 15},
		{"from the hose", alder(points.Vessel, points.Hose), func(s *story) { s.rest(5); s.press(4) }, vent.Handle{Known: true, Pressed: true, Inferred: true}, 5.3},
		{"from the hose, released", alder(points.Vessel, points.Hose), func(s *story) { s.rest(5); s.press(10); s.release(10) }, vent.Handle{Known: true, Inferred: true}, 15.4},
		{"under own threshold", own, func(s *story) { s.rest(5); s.press(10); s.release(5); s.jump(points.Control, 290); s.rest(2) }, vent.Handle{Known: true}, 15},
	} {
		s := newStory(c.pot)
		c.tell(s)
		j := vent.NewJudge(c.pot, vent.Options{})
		feed(j, s.stream())
		got := j.Handle()
		since := got.Since
		got.Since = 0
		if got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
		if d := since.Sub(instant(c.at)).Seconds(); c.at != 0 && (d < -0.6 || d > 0.9) {
			t.Errorf("%s: since %v, want about %v", c.name, since, instant(c.at))
		}
	}
}
