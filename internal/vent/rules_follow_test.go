package vent_test

import (
	"fmt"
	"testing"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
)

// R4: a press seen anywhere that the vessel does not follow, with some pressure left in the vessel too. The vessel has
// crept up to 50 kPa, so the press does not begin under 20 kPa and the rise of the press before still counts for R3.
func TestR4FollowsFromAboveZero(t *testing.T) {
	crept := func(s *story) {
		s.proven()
		s.ramp(points.Vessel, 50, 5)
		s.rest(8)
		s.says(vent.Pressurised)
	}
	runRows(t, []row{
		{name: "shut off at 50 kPa, pressed, then leaking to zero after the release", pot: alder(points.Vessel, points.Control), tell: func(s *story) {
			crept(s)
			s.never(vent.Vented)
			s.stuck(points.Vessel, 50)
			s.press(10)
			s.handle(false, 0.5) // the exhaust sticks: the vessel keeps its pressure
			m := move{at: s.cursor, from: 50, tau: 3}
			s.shows(points.Vessel, func(t, _ float64) float64 { return m.value(t) })
			s.rest(40)
			s.says(vent.NotProven, vent.GaugeDoesNotFollow)
		}},
		{name: "a healthy press from 50 kPa", pot: alder(points.Vessel, points.Control), tell: func(s *story) {
			crept(s)
			s.press(10)
			s.release(16)
			s.says(vent.Vented)
		}},
		{name: "pressed again high up in the vent need not rise further", pot: alder(points.Separator, points.Vessel, points.Control), tell: func(s *story) {
			s.rest(5)
			s.press(20)
			s.release(0.3)
			s.press(4)
			s.release(16)
			s.lacks(vent.GaugeDoesNotFollow)
			s.says(vent.Vented)
		}},
	})
}

// R3 (b): a gauge that drops faster than any vent could is no witness, whenever in the press or the vent it drops: here
// around half a second before the release, where the fall is not yet the vent's.
func TestR3DropsAroundTheRelease(t *testing.T) {
	var rows []row
	for _, before := range []float64{1.5, 0.75, 0.6, 0.55, 0.5, 0.45, 0.3, 0.1} {
		rows = append(rows, row{name: fmt.Sprintf("%.2f s before", before), pot: alder(points.Vessel, points.Control), tell: func(s *story) {
			s.proven()
			s.press(10 - before)
			s.stuck(points.Vessel, 0)
			s.rest(before)
			s.never(vent.Vented)
			s.handle(false, 0) // the exhaust sticks
			s.rest(40)
			s.says(vent.NotProven, vent.NoVentSeen)
		}})
	}
	runRows(t, rows)
}
