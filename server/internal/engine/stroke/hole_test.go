package stroke_test

import (
	"math"
	"testing"
	"time"
)

// Readings that are missing for up to two seconds anywhere in a press or a vent leave its times unknown, or as they are without; a line that is read as
// seldom as that from the beginning on is timed.
func TestHole(t *testing.T) {
	const every = 100 * time.Millisecond
	s := newSite(allPoints)
	cycle := func(press, vent time.Duration, missing time.Duration) {
		play := func(pressed bool, d, at time.Duration) {
			if missing == 0 || at >= d {
				s.run(pressed, d, every)
				return
			}
			s.run(pressed, at, every)
			s.run(pressed, missing, missing)
			s.run(pressed, d-at-missing, every)
		}
		play(true, 12*time.Second, press)
		play(false, 20*time.Second, vent)
	}
	for range 5 {
		cycle(time.Hour, time.Hour, 0)
	}
	fill, tau := s.timer.Press().Fill, s.timer.Vent().Tau
	if fill == 0 || tau == 0 {
		t.Fatal("not timed without a hole")
	}
	timed, untimed := 0, 0
	for _, missing := range []time.Duration{400, 700, 960, 1900} {
		for at := time.Duration(0); at < 8000; at += 200 {
			cycle(at*time.Millisecond, at*time.Millisecond, missing*time.Millisecond)
			p, v := s.timer.Press(), s.timer.Vent()
			for _, x := range [...][2]float64{{p.Fill, fill}, {v.Tau, tau}} {
				if x[0] == 0 {
					untimed++
				} else if timed++; math.Abs(x[0]/x[1]-1) > 0.02 {
					t.Errorf("%v ms missing %v ms after the handle: %.3f s, without %.3f s", int(missing), int(at), x[0], x[1])
				}
			}
		}
	}
	if timed < 100 || untimed < 20 {
		t.Errorf("%d times are known, %d are not", timed, untimed)
	}
}
