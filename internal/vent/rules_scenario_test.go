package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
)

// shut shuts the isolation valve under the vessel gauge; from then on the vessel's truth and its gauge part ways, and
// no answer may be vented while the vessel holds pressure (which run checks by itself).
func shut(how func(*story), before float64) func(*story) {
	return func(s *story) {
		s.proven()
		s.press(20 - before)
		s.never(vent.Vented)
		how(s)
		s.rest(before)
		// The vent valve sticks: the vessel stays at 670 kPa, handle and hose behave as in any release.
		s.handle(false, 0)
		s.blow(points.Hose, 0, 0.3)
		s.rest(60)
		s.saysNot(vent.Vented)
	}
}

// TestScenarios tells what goes wrong on real sites, as far as a stream of samples can show it.
func TestScenarios(t *testing.T) {
	trapped := func(s *story) { s.stuck(points.Vessel, 670) }
	leaking := func(s *story) { s.drained(points.Vessel, 1.6) }
	frozen := func(s *story) { s.stuck(points.Vessel, 0) }
	runRows(t, []row{
		{name: "isolation valve shut 10 s before the release, gauge trapped", pot: alder(), tell: shut(trapped, 10)},
		{name: "isolation valve shut 10 s before, gauge leaks in seconds", pot: alder(), tell: shut(leaking, 10)},
		{name: "isolation valve shut 2 s before, gauge leaks in seconds", pot: alder(), tell: shut(leaking, 2)},
		{name: "isolation valve shut 10 s before, gauge leaks slowly", pot: alder(), tell: shut(func(s *story) { s.drained(points.Vessel, 20) }, 10)},
		{name: "isolation valve shut 10 s before, gauge fails to zero", pot: alder(), tell: shut(frozen, 10)},
		{name: "gauge fails to zero at the release", pot: alder(), tell: shut(frozen, 0)},
		{name: "gauge fails to zero 0.6 s after the release, the vent sticks", pot: alder(), tell: failsVenting},
		{name: "the same, commissioned 8 s", pot: commissioned(alder(), 8*time.Second), tell: failsVenting},
		{name: "isolation valve shut, commissioned vent, gauge leaks", pot: commissioned(alder(), 8*time.Second), tell: shut(leaking, 5)},
		{name: "isolation valve shut 5 s before, no control point", pot: alder(points.Vessel, points.Hose), tell: shut(leaking, 5)},
		{name: "isolation valve shut after a vent, then pressed", pot: alder(), tell: func(s *story) {
			s.proven()
			s.stuck(points.Vessel, 0.4)
			s.stays(10, vent.Vented)
			s.press(0.2)
			s.never(vent.Vented)
			s.rest(20)
			s.handle(false, 0)
			s.blow(points.Hose, 0, 0.3)
			s.rest(60)
			s.says(vent.NotProven, vent.GaugeDoesNotFollow)
		}},
		{name: "-3 psi drift, vented: the fault is called", pot: alder(), tell: func(s *story) {
			s.proven()
			s.shows(points.Vessel, func(t, v float64) float64 { return v - min(3*psi, (t-41)*0.5) })
			s.rest(60)
			s.never(vent.Vented)
			s.says(vent.NotProven, vent.SensorFault)
			s.cycle(670, 20, 20)
			s.says(vent.NotProven, vent.SensorFault)
		}},
		{name: "-3 psi drift, vessel holds 2 psi after the vent", pot: alder(), tell: offBy(-3*psi, func(s *story) {
			s.never(vent.Vented)
			s.jump(points.Vessel, 300)
			s.rest(2)
			s.jump(points.Vessel, 0)
			s.rest(0.5)
			s.press(20)
			s.release(0)
			s.start(points.Vessel, move{at: s.cursor + 0.2, to: 2 * psi, tau: 1.6})
			s.rest(40)
			s.says(vent.NotProven, vent.SensorFault)
		})},
		{name: "-3 psi drift, vessel holds 3.3 psi: proven only by what was seen", pot: alder(), tell: offBy(-3*psi, func(s *story) {
			s.never(vent.Vented)
			s.rest(4)
			s.press(20)
			s.release(0)
			s.start(points.Vessel, move{at: s.cursor + 0.2, to: 3.3 * psi, tau: 1.6})
			s.rest(40)
			s.says(vent.NotProven, vent.SensorFault) // the rest before the press had shown -3 psi
		})},
		{name: "scale wrong by ten: 100 psi reads 10", pot: alder(points.Supply, points.Vessel, points.Control), tell: scaled},
		{name: "scale wrong by ten, no gauge of the air", pot: alder(), tell: scaled},
		{name: "scale wrong by ten, no target", pot: with(alder(), targetless), tell: scaled},
		{name: "scale wrong by ten, pot that holds pressure", pot: holder(), tell: func(s *story) {
			s.shows(points.Vessel, func(_, v float64) float64 { return v / 10 })
			s.never(vent.Vented)
			s.keepsUp(20, 10)
			s.blow(points.Vessel, 0, 10)
			s.rest(120)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "rebound by 1 psi", pot: alder(), tell: rebound(1)},
		{name: "rebound by 3 psi", pot: alder(), tell: rebound(3)},
		{name: "rebound by 6 psi", pot: alder(), tell: rebound(6)},
		{name: "1.3 psi trapped, first vent", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.release(0)
			s.start(points.Vessel, move{at: s.cursor + 0.2, to: 1.3 * psi, tau: 1.6})
			s.rest(120)
			s.says(vent.Pressurised, vent.OverLimit)
		}},
		{name: "gauge stuck at zero from the start", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.stuck(points.Vessel, 0)
			s.rest(5)
			s.press(20)
			s.release(30)
			s.says(vent.NotProven, vent.GaugeDoesNotFollow, vent.NoVentSeen)
		}},
		{name: "gauge stuck at 4 mA, noisy", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.noise = 1
			s.stuck(points.Vessel, 0)
			s.rest(5)
			s.press(20)
			s.release(30)
			s.says(vent.NotProven, vent.GaugeDoesNotFollow)
		}},
		{name: "slow port, 20 s: too late to prove the vent", pot: alder(), tell: func(s *story) {
			s.lagging(points.Vessel, 20)
			s.never(vent.Vented)
			s.rest(5)
			s.press(40)
			s.release(30)
			s.says(vent.Pressurised)
			s.rest(120)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "slow port, 400 s, after a healthy vent", pot: alder(), tell: func(s *story) {
			s.proven()
			s.lagging(points.Vessel, 400)
			s.press(0.2)
			s.never(vent.Vented)
			s.rest(20)
			s.handle(false, 0) // and the vent sticks
			s.blow(points.Hose, 0, 0.3)
			s.rest(60)
			s.saysNot(vent.Vented)
		}},
		{name: "clock one hour on, without a word", pot: alder(), tell: func(s *story) {
			s.proven()
			for _, p := range points.All() {
				s.silent(p, 3600)
			}
			s.rest(3610)
			s.stays(5, vent.NotProven, vent.NoVentSeen)
		}},
	})
}

// failsVenting tells a vent that begins and sticks at some 500 kPa, and a gauge whose reading is gone within a sample.
func failsVenting(s *story) {
	s.never(vent.Vented)
	s.rest(5)
	s.press(20)
	s.release(0.6)
	s.jump(points.Vessel, 500)
	s.stuck(points.Vessel, 0)
	s.rest(60)
	s.says(vent.NotProven, vent.NoVentSeen)
}

func scaled(s *story) {
	s.shows(points.Vessel, func(_, v float64) float64 { return v / 10 })
	s.never(vent.Vented)
	for range 3 {
		s.rest(5)
		s.press(20)
		s.release(0)
		s.start(points.Vessel, move{at: s.cursor + 0.2, to: 30, tau: 1.6}) // reads 3 kPa
		s.rest(20)
	}
	s.says(vent.NotProven, vent.NoVentSeen)
}

// rebound tells a vessel shut right after a fast blowdown, which warms up and rises again by so many psi.
func rebound(by float64) func(*story) {
	return func(s *story) {
		s.vent = 0.9
		s.rest(5)
		s.press(20)
		s.release(8)
		s.blow(points.Vessel, by*psi, 20)
		s.rest(60)
		s.stays(20, vent.Pressurised, vent.OverLimit)
	}
}

// TestSwappedGauges has the vessel gauges of two pots wired the wrong way round.
func TestSwappedGauges(t *testing.T) {
	type span struct{ from, to float64 }
	for _, c := range []struct {
		name       string
		own, other []span // presses of this pot and of the other
	}{
		{"own pot pressed alone", []span{{5, 25}, {60, 80}}, nil},
		{"other pot pressed alone", nil, []span{{5, 25}, {60, 80}}},
		{"in turn", []span{{5, 25}, {90, 110}}, []span{{45, 65}, {130, 150}}},
		{"other pot first and longer", []span{{10, 30}}, []span{{5, 40}}},
		{"other pot later and shorter", []span{{10, 40}}, []span{{12, 30}}},
		{"other pot 4 s later", []span{{10, 40}}, []span{{14, 44}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			pot := alder(points.Supply, points.Separator, points.Vessel, points.Hose, points.Control)
			other := newStory(pot)
			for _, p := range c.other {
				other.cursor = p.from
				other.press(p.to - p.from)
				other.release(0)
			}
			s := newStory(pot)
			s.shows(points.Vessel, func(t, _ float64) float64 { return other.truth[points.Vessel].value(t) })
			for _, p := range c.own {
				s.cursor = p.from
				s.press(p.to - p.from)
				s.handle(false, 0) // this pot's vent sticks
				s.blow(points.Hose, 0, 0.3)
			}
			s.cursor = 0
			s.never(vent.Vented)
			s.cursor = 180
			record, _ := run(t, s, vent.Options{})
			s.checks[0].verify(t, record)
		})
	}
}

// TestClockStepsBack: samples that are older than the point's last are dropped; with a new epoch the judge takes up
// the new time and has to see a new vent.
func TestClockStepsBack(t *testing.T) {
	s := newStory(alder())
	s.proven()
	first := s.stream()
	back := func(in []item, by time.Duration) []item {
		out := make([]item, len(in))
		for i, it := range in {
			it.sample.At = it.sample.At.Add(-by)
			out[i] = it
		}
		return out
	}
	j := vent.NewJudge(s.pot, vent.Options{})
	before := feed(j, first)
	if before.Word != vent.Vented {
		t.Fatalf("before the step: %v %v", before.Word, before.Because.Strings())
	}
	up := newStory(s.pot)
	up.jump(points.Vessel, 500)
	up.rest(10)
	for _, it := range back(up.stream(), time.Hour) {
		j.Step(it.sample)
		if got := j.Answer(); got.At != before.At {
			t.Fatalf("an old sample moved the answer from %v to %v", before.At, got.At)
		}
	}
	j.Break(vent.ClockStep)
	if got := j.Answer(); got.Word == vent.Vented {
		t.Errorf("vented across a clock step")
	}
	for i, it := range back(up.stream(), time.Hour) {
		j.Step(it.sample)
		if got := j.Answer(); got.Word == vent.Vented || i > 30 && (got.Word != vent.Pressurised || got.At > it.sample.At) {
			t.Fatalf("500 kPa after the step: %v %v at %v", got.Word, got.Because.Strings(), got.At)
		}
	}
	down := newStory(s.pot)
	down.rest(20)
	j.Break(vent.ClockStep)
	if got := feed(j, back(down.stream(), 2*time.Hour)); got.Word != vent.NotProven || !got.Because.Has(vent.NoVentSeen) {
		t.Errorf("zero after the step: %v %v, want not-proven with no-vent-seen", got.Word, got.Because.Strings())
	}
	down.cursor = 1 // a press that begins out of sight would prove nothing
	down.press(20)
	down.release(16)
	j.Break(vent.ClockStep)
	if got := feed(j, back(down.stream(), 3*time.Hour)); got.Word != vent.Vented {
		t.Errorf("a vent seen after the step: %v %v, want vented", got.Word, got.Because.Strings())
	}
}
