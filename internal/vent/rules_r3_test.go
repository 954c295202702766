package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// cycle is a press and a vent; the vessel rises to top.
func (s *story) cycle(top, press, rest float64) {
	s.top[points.Vessel] = top
	s.press(press)
	s.release(rest)
}

// proves tells a first cycle after which the vessel is vented, proveless one after which no vent was seen.
func proves(top, press float64) func(*story) {
	return func(s *story) {
		s.rest(5)
		s.cycle(top, press, 16)
		s.says(vent.Vented)
	}
}

func proveless(top, press float64) func(*story) {
	return func(s *story) {
		s.never(vent.Vented)
		s.rest(5)
		s.cycle(top, press, 16)
		s.says(vent.NotProven, vent.NoVentSeen)
	}
}

// ref is alder with a separator, or another reference.
func ref(ps ...points.Point) vent.Pot {
	return alder(append(ps, points.Vessel, points.Control, points.Hose)...)
}

func targetless(p *vent.Pot) { p.Target = 0 }

// R3 (a): how far the gauge has to rise.
func TestR3Rise(t *testing.T) {
	tiny := with(alder(), func(p *vent.Pot) { p.Target = 50 * si.KPa })
	runRows(t, []row{
		{name: "cold morning: zero from the start proves nothing, and says why", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(60)
			s.says(vent.NotProven, vent.NoVentSeen)
			s.lacks(vent.OverLimit, vent.Settling, vent.VesselOld, vent.VesselBad, vent.SensorFault, vent.SecondWitnessSilent)
		}},
		{name: "found pressurised, vented without a press", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.jump(points.Vessel, 600)
			s.rest(5)
			s.release(20)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "found pressed, vented at the release: the rise was not seen", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.jump(points.Vessel, 670)
			s.jump(points.Hose, 640)
			s.jump(points.Control, 620)
			s.rest(20)
			s.release(20)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "long press, no reference, over a fifth of 690", pot: alder(), tell: proves(150, 20)},
		{name: "long press, no reference, under a fifth of 690", pot: alder(), tell: proveless(130, 20)},
		{name: "no target: over 15 % of 1034", pot: with(alder(), targetless), tell: proves(165, 20)},
		{name: "no target: under 15 % of 1034", pot: with(alder(), targetless), tell: proveless(148, 20)},
		{name: "tiny target: 20 kPa at least", pot: tiny, tell: proves(25, 20)},
		{name: "tiny target: 16 kPa is not enough", pot: tiny, tell: proveless(16, 20)},
		{name: "long press, over half of the separator", pot: ref(points.Separator), tell: proves(365, 20)},
		{name: "long press, under half of the separator", pot: ref(points.Separator), tell: proveless(320, 20)},
		{name: "long press, over half of the supply", pot: ref(points.Supply), tell: proves(365, 20)},
		{name: "long press, under half of the supply", pot: ref(points.Supply), tell: proveless(320, 20)},
		{name: "the separator goes before the supply", pot: ref(points.Supply, points.Separator), tell: func(s *story) {
			s.shows(points.Separator, func(_, v float64) float64 { return v * 0.6 })
			proves(250, 20)(s)
		}},
		{name: "a silent separator gives way to the supply", pot: ref(points.Supply, points.Separator), tell: func(s *story) {
			s.silent(points.Separator, 1e6)
			proveless(300, 20)(s)
		}},
		{name: "a separator out of range gives way to the supply", pot: ref(points.Supply, points.Separator), tell: func(s *story) {
			s.stuck(points.Separator, 10)
			s.bad(points.Separator, points.OutOfRange, 1e6)
			proveless(300, 20)(s)
		}},
		{name: "no healthy reference: a fifth of the target is enough", pot: ref(points.Separator), tell: func(s *story) {
			s.silent(points.Separator, 1e6)
			proves(150, 20)(s)
		}},
		{name: "the air sags under load", pot: ref(points.Separator), tell: func(s *story) {
			s.rest(5)
			s.press(5)
			s.ramp(points.Vessel, 480, 10)
			s.ramp(points.Separator, 520, 10)
			s.rest(15)
			s.release(16)
			s.says(vent.Vented)
		}},
		{name: "a press of 4 s after the start does not count", pot: alder(), tell: proveless(670, 4)},
		{name: "a press of 6 s does", pot: alder(), tell: proves(670, 6)},
		{name: "a press of 4 s counts after a long one", pot: ref(points.Separator), tell: func(s *story) {
			s.proven()
			s.cycle(670, 4, 16)
			s.says(vent.Vented)
		}},
		{name: "a short press needs a fifth only", pot: ref(points.Separator), tell: func(s *story) {
			s.proven()
			s.cycle(160, 4, 16)
			s.says(vent.Vented)
		}},
		{name: "a short press needs a fifth", pot: ref(points.Separator), tell: func(s *story) {
			s.proven()
			s.press(0.3)
			s.never(vent.Vented)
			s.cycle(125, 4, 16)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "a long press that fails does not open the way for short ones", pot: ref(points.Separator), tell: func(s *story) {
			s.never(vent.Vented)
			s.cycle(320, 20, 16)
			s.cycle(670, 4, 16)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "the last press counts, not a better one before", pot: ref(points.Separator), tell: func(s *story) {
			s.proven()
			s.press(0.3)
			s.never(vent.Vented)
			s.cycle(320, 20, 16)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "and a good one after a bad one restores it", pot: ref(points.Separator), tell: func(s *story) {
			s.proven()
			s.cycle(320, 20, 16)
			s.saysNot(vent.Vented)
			s.cycle(670, 20, 16)
			s.says(vent.Vented)
		}},
		{name: "pressed again while venting", pot: ref(points.Separator), tell: func(s *story) {
			s.rest(5)
			s.press(20)
			s.release(1.5)
			s.press(4)
			s.release(16)
			s.says(vent.Vented)
		}},
	})
}

// gentle changes how the vessel vents.
func venting(straight, tau float64) func(*story) {
	return func(s *story) { s.straight, s.vent = straight, tau }
}

// after tells a long press and its vent, changed by set; then waits and expects.
func after(set func(*story), wait float64, w vent.Word, cs ...vent.Code) func(*story) {
	return func(s *story) {
		set(s)
		s.rest(5)
		s.press(20)
		if w != vent.Vented {
			s.never(vent.Vented)
		}
		s.release(wait)
		s.says(w, cs...)
	}
}

// R3 (b): how the gauge has to fall.
func TestR3Fall(t *testing.T) {
	eight := commissioned(alder(), 8*time.Second)
	no := vent.NoVentSeen
	runRows(t, []row{
		{name: "settled 25 s after the release", pot: alder(), tell: after(venting(25, 0), 36, vent.Vented)},
		{name: "settled 34 s after the release", pot: alder(), tell: after(venting(34, 0), 50, vent.NotProven, no)},
		{name: "commissioned 8 s, settled after 13 s", pot: eight, tell: after(venting(13, 0), 24, vent.Vented)},
		{name: "commissioned 8 s, settled after 19 s", pot: eight, tell: after(venting(19, 0), 32, vent.NotProven, no)},
		{name: "commissioned 40 s, settled after 60 s", pot: commissioned(alder(), 40*time.Second), tell: after(venting(60, 0), 75, vent.Vented)},
		{name: "a full pot, time constant 0.9 s", pot: alder(), tell: after(venting(0, 0.9), 12, vent.Vented)},
		{name: "100 psi gone within a sample: no path is that wide", pot: alder(), tell: after(func(s *story) {
			s.top[points.Vessel] = 100 * psi
			s.straight = 0.05
		}, 20, vent.NotProven, no)},
		{name: "commissioned 8 s, gone in 0.4 s", pot: eight, tell: after(venting(0.4, 0), 20, vent.NotProven, no)},
		{name: "commissioned 8 s, gone in 0.8 s", pot: eight, tell: after(venting(0.8, 0), 20, vent.NotProven, no)},
		{name: "stalled at 50 kPa, then down within 30 s", pot: alder(), tell: func(s *story) {
			s.rest(5)
			s.press(20)
			s.release(0)
			s.start(points.Vessel, move{at: s.cursor + 0.2, to: 50, tau: 1.6})
			s.rest(12)
			s.says(vent.Pressurised)
			s.blow(points.Vessel, 0, 1.6)
			s.rest(12)
			s.says(vent.Vented)
		}},
		{name: "stalled at 50 kPa for longer", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.release(0)
			s.start(points.Vessel, move{at: s.cursor + 0.2, to: 50, tau: 1.6})
			s.rest(30)
			s.blow(points.Vessel, 0, 1.6)
			s.rest(20)
			s.says(vent.NotProven, no)
		}},
		{name: "the fall begins 0.3 s before the line's", pot: alder(), tell: func(s *story) {
			s.rest(5)
			s.press(20)
			s.blow(points.Vessel, 0, 1.6)
			s.rest(0.3)
			s.handle(false, 0)
			s.blow(points.Hose, 0, 0.3)
			s.rest(16)
			s.says(vent.Vented)
		}},
		{name: "the fall begins 3 s before the release", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.blow(points.Vessel, 0, 4)
			s.rest(3)
			s.handle(false, 0)
			s.blow(points.Hose, 0, 0.3)
			s.rest(30)
			s.says(vent.NotProven, no)
		}},
		{name: "down before the release altogether", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.blow(points.Vessel, 0, 1)
			s.rest(15)
			s.handle(false, 0)
			s.blow(points.Hose, 0, 0.3)
			s.rest(16)
			s.says(vent.NotProven, no)
		}},
		{name: "no control point: the hose's fall is the release", pot: alder(points.Vessel, points.Hose), tell: func(s *story) { s.proven() }},
		{name: "no control point: the fall begins 3 s before the hose's", pot: alder(points.Vessel, points.Hose), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.blow(points.Vessel, 0, 4)
			s.rest(3)
			s.blow(points.Hose, 0, 0.3)
			s.rest(30)
			s.says(vent.NotProven, no)
		}},
		{name: "a reading that comes back from a little rebound", pot: alder(), tell: func(s *story) {
			s.proven()
			s.ramp(points.Vessel, 2*psi, 3)
			s.rest(6)
			s.says(vent.Pressurised, vent.OverLimit)
			s.ramp(points.Vessel, 0, 10)
			s.rest(16)
			s.says(vent.Vented)
		}},
	})
}

// R3's last clause: a tap that raises nothing leaves the former witness standing.
func TestR3Tap(t *testing.T) {
	tap := func(d, vessel, hose float64, then func(*story)) func(*story) {
		return func(s *story) {
			s.proven()
			s.handle(true, 0)
			s.ramp(points.Vessel, vessel, d/2)
			s.ramp(points.Hose, hose, d/2)
			s.rest(d / 2)
			s.saysNot(vent.Vented)
			s.rest(d / 2)
			s.handle(false, 0)
			s.ramp(points.Vessel, 0, 1)
			s.ramp(points.Hose, 0, 0.3)
			s.rest(10)
			then(s)
		}
	}
	stands := func(s *story) { s.says(vent.Vented) }
	gone := func(s *story) { s.stays(5, vent.NotProven, vent.NoVentSeen) }
	runRows(t, []row{
		{name: "1 s, nothing raised", pot: alder(), tell: tap(1, 0, 0, stands)},
		{name: "1.4 s, nothing raised", pot: alder(), tell: tap(1.4, 0, 0, stands)},
		{name: "1 s, no hose point, nothing raised", pot: alder(points.Vessel, points.Control), tell: tap(1, 0, 0, stands)},
		{name: "1 s, vessel raised by 10 kPa", pot: alder(points.Vessel, points.Control), tell: tap(1, 10, 0, stands)},
		{name: "1 s, vessel raised by 40 kPa", pot: alder(), tell: tap(1, 40, 0, gone)},
		{name: "1 s, hose raised to 5 kPa", pot: alder(), tell: tap(1, 0, 5, stands)},
		{name: "1.4 s, hose raised to 16 kPa", pot: alder(), tell: tap(1.4, 0, 16, func(s *story) { s.stays(5, vent.NotProven) })},
		{name: "1 s, nothing raised, hose silent", pot: alder(), tell: func(s *story) {
			s.silent(points.Hose, 1e6)
			tap(1, 0, 0, stands)(s)
		}},
		{name: "0.5 s, the vessel raised by 100 kPa half a second later: long lines are slow", pot: alder(points.Vessel, points.Control), tell: func(s *story) {
			s.proven()
			s.handle(true, 0.5)
			s.handle(false, 0.5)
			s.ramp(points.Vessel, 100, 0.5)
			s.rest(1)
			s.never(vent.Vented)
			s.blow(points.Vessel, 0, 1)
			s.rest(15)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "three taps that raise nothing", pot: alder(), tell: func(s *story) {
			s.proven()
			for range 3 {
				s.handle(true, 1)
				s.says(vent.NotProven, vent.ControlPressed)
				s.handle(false, 2)
			}
			s.rest(4)
			s.says(vent.Vented)
		}},
		{name: "2.5 s with the air off raises nothing, yet is no tap", pot: alder(points.Supply, points.Vessel, points.Control), tell: func(s *story) {
			s.proven()
			s.jump(points.Supply, 0)
			s.rest(2)
			s.handle(true, 0.2)
			s.never(vent.Vented)
			s.rest(2.3)
			s.handle(false, 20)
			s.says(vent.NotProven)
			s.lacks(vent.GaugeDoesNotFollow)
		}},
	})
}
