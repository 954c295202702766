package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
)

// pressedGap tells a cycle in the middle of whose press something happens to the vessel's samples.
func pressedGap(f func(*story)) func(*story) {
	return func(s *story) {
		s.rest(5)
		s.press(10)
		f(s)
		s.rest(10)
		s.release(16)
	}
}

func cut(f func(*story)) func(*story) {
	return func(s *story) {
		s.never(vent.Vented)
		pressedGap(f)(s)
		s.says(vent.NotProven, vent.NoVentSeen)
	}
}

func kept(f func(*story)) func(*story) {
	return func(s *story) {
		pressedGap(f)(s)
		s.says(vent.Vented)
	}
}

// later tells something that happens to the vessel's samples after a proven vent.
func later(f func(*story), keeps bool) func(*story) {
	return func(s *story) {
		s.proven()
		f(s)
		s.rest(12)
		if keeps {
			s.says(vent.Vented)
			return
		}
		s.says(vent.NotProven, vent.NoVentSeen)
		s.cycle(670, 20, 16)
		s.says(vent.Vented)
	}
}

func silent(d float64) func(*story) { return func(s *story) { s.silent(points.Vessel, d) } }
func quality(q points.Quality, d float64) func(*story) {
	return func(s *story) { s.bad(points.Vessel, q, d) }
}

// R3 and R7: the run of samples.
func TestR3Run(t *testing.T) {
	runRows(t, []row{
		{name: "gap of 1.7 s while pressed", pot: alder(), tell: kept(silent(1.7))},
		{name: "gap of 2.4 s while pressed", pot: alder(), tell: cut(silent(2.4))},
		{name: "refused for 1.7 s while pressed", pot: alder(), tell: kept(quality(points.NoReply, 1.7))},
		{name: "refused for 2.4 s while pressed", pot: alder(), tell: cut(quality(points.NoReply, 2.4))},
		{name: "one sample out of range while pressed", pot: alder(), tell: cut(quality(points.OutOfRange, 0.1))},
		{name: "gap of 2.4 s in the vent", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.release(1)
			s.silent(points.Vessel, 2.4)
			s.rest(20)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "lost polls here and there", pot: alder(), tell: func(s *story) {
			for range 40 {
				s.bad(points.Vessel, points.NoReply, 0.2)
				s.rest(1.3)
			}
			s.cursor = 0
			s.proven()
		}},
		{name: "vented, then a gap of 1.7 s", pot: alder(), tell: later(silent(1.7), true)},
		{name: "vented, then a gap of 2.4 s", pot: alder(), tell: later(silent(2.4), false)},
		{name: "vented, then refused once", pot: alder(), tell: later(quality(points.NoReply, 0.1), true)},
		{name: "vented, then refused for 2.4 s", pot: alder(), tell: later(quality(points.NoReply, 2.4), false)},
		{name: "vented, then one sample out of range", pot: alder(), tell: later(quality(points.OutOfRange, 0.1), false)},
		{name: "vented, then all points silent for 3 s", pot: alder(), tell: later(func(s *story) {
			for _, p := range points.All() {
				s.silent(p, 3)
			}
		}, false)},
		{name: "vented, clock step", pot: alder(), tell: later(func(s *story) { s.breakRun(vent.ClockStep) }, false)},
		{name: "vented, new session", pot: alder(), tell: later(func(s *story) { s.breakRun(vent.NewSession) }, false)},
		{name: "vented, reconfigured", pot: alder(), tell: later(func(s *story) { s.breakRun(vent.Reconfigured) }, false)},
		{name: "vented, source silent", pot: alder(), tell: later(func(s *story) { s.breakRun(vent.SourceSilent) }, false)},
		{name: "a break while pressed", pot: alder(), tell: cut(func(s *story) { s.breakRun(vent.SourceSilent) })},
		{name: "a break in the vent", pot: alder(), tell: func(s *story) {
			s.never(vent.Vented)
			s.rest(5)
			s.press(20)
			s.release(1)
			s.breakRun(vent.NewSession)
			s.rest(20)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "after a gap a short press counts: a long one counted since the start", pot: alder(), tell: func(s *story) {
			s.proven()
			s.silent(points.Vessel, 3)
			s.rest(10)
			s.cycle(670, 4, 16)
			s.says(vent.Vented)
		}},
		{name: "after a change of configuration it does not", pot: alder(), tell: func(s *story) {
			s.proven()
			s.breakRun(vent.Reconfigured)
			s.rest(10)
			s.never(vent.Vented)
			s.cycle(670, 4, 16)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "after a restart it does not", pot: alder(), tell: func(s *story) {
			s.proven()
			s.breakRun(vent.NewSession)
			s.rest(10)
			s.never(vent.Vented)
			s.cycle(670, 4, 16)
			s.says(vent.NotProven, vent.NoVentSeen)
		}},
		{name: "the control's silence does not end the run", pot: alder(), tell: later(func(s *story) { s.silent(points.Control, 4) }, true)},
	})
}

// R6 inside the judge: a reading that is too old proves neither word.
func TestVesselOldOrBad(t *testing.T) {
	runRows(t, []row{
		{name: "pressurised, then silent", pot: alder(), tell: func(s *story) {
			s.rest(5)
			s.press(10)
			s.silent(points.Vessel, 1e6)
			s.stays(1.8, vent.Pressurised)
			s.rest(0.3)
			s.never(vent.Pressurised)
			s.never(vent.Vented)
			s.stays(20, vent.NotProven, vent.VesselOld)
		}},
		{name: "vented, then silent", pot: alder(), tell: func(s *story) {
			s.proven()
			s.silent(points.Vessel, 1e6)
			s.rest(2.2)
			s.stays(20, vent.NotProven, vent.VesselOld)
		}},
		{name: "vented, then refused", pot: alder(), tell: func(s *story) {
			s.proven()
			s.bad(points.Vessel, points.NoReply, 1e6)
			s.rest(2.2)
			s.stays(20, vent.NotProven, vent.VesselOld)
		}},
		{name: "loop failed at zero", pot: alder(), tell: func(s *story) {
			s.proven()
			s.bad(points.Vessel, points.OutOfRange, 1e6)
			s.rest(0.2)
			s.stays(20, vent.NotProven, vent.VesselBad)
		}},
		{name: "loop failed high", pot: alder(), tell: func(s *story) {
			s.rest(5)
			s.press(10)
			s.bad(points.Vessel, points.OutOfRange, 1e6)
			s.rest(2.3)
			s.never(vent.Vented)
			s.stays(10, vent.NotProven, vent.VesselBad)
		}},
		{name: "vessel never heard", pot: alder(), tell: func(s *story) {
			s.silent(points.Vessel, 1e6)
			s.rest(0.5)
			s.stays(10, vent.NotProven, vent.VesselOld)
		}},
	})
}

func logged(d float64, tell func(*story)) func(*story) {
	return func(s *story) {
		s.every(d)
		s.grace = 2.1 * d
		tell(s)
	}
}

// Logs that are slower than live readings, and rates other than 10 Hz.
func TestRates(t *testing.T) {
	period := func(d time.Duration) vent.Options { return vent.Options{Period: d} }
	cycles := func(s *story) {
		for range 3 {
			s.rest(10)
			s.press(40)
			s.release(25)
			s.says(vent.Vented)
		}
	}
	runRows(t, []row{
		{name: "50 Hz", pot: alder(), tell: logged(0.02, func(s *story) { s.proven() })},
		{name: "2 Hz live", pot: alder(), tell: logged(0.5, cycles)},
		{name: "1 Hz live", pot: alder(), tell: logged(1, cycles)},
		{name: "2 Hz log", pot: alder(), opts: period(500 * time.Millisecond), tell: logged(0.5, cycles)},
		{name: "1 s log", pot: alder(), opts: period(time.Second), tell: logged(1, cycles)},
		{name: "2 s log, pressed between two samples", pot: alder(), opts: period(2 * time.Second), tell: logged(2, func(s *story) {
			s.rest(1)
			cycles(s)
		})},
		{name: "2 s log", pot: alder(), opts: period(2 * time.Second), tell: logged(2, cycles)},
		{name: "3 s log is too slow", pot: alder(), opts: period(3 * time.Second), tell: logged(3, func(s *story) {
			s.never(vent.Vented)
			s.rest(10)
			s.press(40)
			s.says(vent.Pressurised)
			s.release(40)
			s.says(vent.NotProven, vent.LogTooSlow)
		})},
		{name: "2 s log, one sample missing", pot: alder(), opts: period(2 * time.Second), tell: logged(2, kept(silent(2)))},
		{name: "2 s log, three samples missing", pot: alder(), opts: period(2 * time.Second), tell: logged(2, cut(silent(6)))},
		{name: "1 s log, three samples missing", pot: alder(), opts: period(time.Second), tell: logged(1, cut(silent(3)))},
		{name: "wrong period: live, yet every 3 s", pot: alder(), tell: logged(3, func(s *story) {
			s.never(vent.Vented)
			s.rest(10)
			s.press(40)
			s.release(60)
			s.saysNot(vent.Vented)
		})},
		{name: "wrong period: 1 s, yet every 3 s", pot: alder(), opts: period(time.Second), tell: logged(3, func(s *story) {
			s.never(vent.Vented)
			s.rest(10)
			s.press(40)
			s.release(60)
			s.saysNot(vent.Vented)
		})},
		{name: "control and hose arrive 0.8 s late", pot: alder(), tell: func(s *story) {
			s.late[points.Control], s.late[points.Hose] = 0.8, 0.8
			s.grace = 1.6
			cycles(s)
		}},
		{name: "the vessel arrives 0.8 s late", pot: alder(), tell: func(s *story) {
			s.late[points.Vessel] = 0.8
			s.grace = 1.6
			cycles(s)
		}},
	})
}
