package crossed_test

import (
	"bytes"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/crossed"
)

// Pots are pressed in turn every 40 s, from 20 s on.

func TestVesselGauges(t *testing.T) {
	y := newYard(t, 4, allPoints)
	y.swap(points.Vessel, 1, 2)
	y.inTurn(20, 40, 3, 0, 1, 2, 3)
	y.run(20 + 160 + 40 + 10) // pot 1's second press is on
	y.finds()
	y.run(20 + 160 + 80 - 4) // its release was 25 s ago
	y.finds(is(1, 2, crossed.VesselGauges))
	y.run(600)
	y.finds(is(1, 2, crossed.VesselGauges), is(2, 1, crossed.VesselGauges))
}

func TestKinds(t *testing.T) {
	few := points.SetOf(points.Vessel, points.Control)
	loss := points.SetOf(points.Supply, points.Separator, points.Vessel, points.Control)
	for _, c := range []struct {
		name string
		has  points.Set
		pts  []points.Point // crossed
		want crossed.Kind
	}{
		{"vessel gauges", allPoints, []points.Point{points.Vessel}, crossed.VesselGauges},
		{"control lines", allPoints, []points.Point{points.Control}, crossed.ControlLines},
		{"vessel and hose look like control", allPoints, []points.Point{points.Vessel, points.Hose}, crossed.ControlLines},
		{"vessel gauges, nothing else", few, []points.Point{points.Vessel}, crossed.CannotTell},
		{"control lines, nothing else", few, []points.Point{points.Control}, crossed.CannotTell},
		{"vessel gauges, by the separator's loss", loss, []points.Point{points.Vessel}, crossed.VesselGauges},
		{"control lines, by the separator's loss", loss, []points.Point{points.Control}, crossed.ControlLines},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := newYard(t, 3, c.has)
			for _, pt := range c.pts {
				y.swap(pt, 0, 2)
			}
			y.run(y.inTurn(20, 40, 3, 0, 1, 2) + 20)
			y.finds(is(0, 2, c.want), is(2, 0, c.want))
		})
	}
}

func TestHealthyAndFaultyAlone(t *testing.T) {
	for name, wrong := range map[string]func(y *yard){
		"healthy":                     func(*yard) {},
		"a dead gauge":                func(y *yard) { y.pots[1].wire[points.Vessel] = dead },
		"a dead handle":               func(y *yard) { y.pots[1].deadHand = true },
		"the air shut off":            func(y *yard) { y.pots[1].air = 0 },
		"two names show one gauge":    func(y *yard) { y.pots[1].wire[points.Vessel] = 0 },
		"dead gauge and dead handles": func(y *yard) { y.pots[1].wire[points.Vessel] = dead; y.pots[2].deadHand = true },
	} {
		t.Run(name, func(t *testing.T) {
			y := newYard(t, 3, allPoints)
			wrong(y)
			y.heard = func(f []crossed.Finding) { t.Errorf("found %+v", f) }
			y.run(y.inTurn(20, 40, 4, 0, 1, 2) + 20)
		})
	}
}

// TestRing: 0 shows 1, 1 shows 2, 2 shows 0.
func TestRing(t *testing.T) {
	y := newYard(t, 4, allPoints)
	for i := range 3 {
		y.pots[i].wire[points.Vessel] = (i + 1) % 3
	}
	y.run(y.inTurn(20, 40, 3, 0, 1, 2, 3) + 20)
	y.finds(is(0, 2, crossed.VesselGauges), is(1, 0, crossed.VesselGauges), is(2, 1, crossed.VesselGauges))
}

// TestOneDirection: 0 shows 1, 1 shows nothing.
func TestOneDirection(t *testing.T) {
	y := newYard(t, 3, allPoints)
	y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = 1, dead
	y.run(y.inTurn(20, 40, 3, 0, 1, 2) + 20)
	y.finds(is(1, 0, crossed.VesselGauges))
}

func TestWithoutControlPoint(t *testing.T) {
	hose, bare := points.SetOf(points.Vessel, points.Hose), points.SetOf(points.Vessel)
	for _, c := range []struct {
		name  string
		first points.Set // of pot 0
		other points.Set
		pt    points.Point
		want  []crossed.Finding
	}{
		{"one tells by its hose", hose, allPoints, points.Vessel, []crossed.Finding{is(0, 1, crossed.VesselGauges), is(1, 0, crossed.VesselGauges)}},
		{"both tell by their hoses", hose, hose, points.Vessel, []crossed.Finding{is(0, 1, crossed.CannotTell), is(1, 0, crossed.CannotTell)}},
		{"both, the hoses are crossed", hose, hose, points.Hose, []crossed.Finding{is(0, 1, crossed.CannotTell), is(1, 0, crossed.CannotTell)}},
		{"one is not seen at all", bare, allPoints, points.Vessel, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := newYard(t, 3, allPoints)
			y.pots[0].points, y.pots[1].points = c.first, c.other
			y.swap(c.pt, 0, 1)
			y.run(y.inTurn(20, 40, 4, 0, 1, 2) + 20)
			y.finds(c.want...)
		})
	}
}

// TestBackToBack: one is pressed at the moment at which the other is let go, so that each gauge is up when its own pot is pressed.
func TestBackToBack(t *testing.T) {
	y := newYard(t, 2, allPoints)
	y.swap(points.Vessel, 0, 1)
	for i := range 8 {
		y.press(i%2, 20+20*float64(i), 40+20*float64(i))
	}
	y.run(200)
	y.finds(is(0, 1, crossed.VesselGauges), is(1, 0, crossed.VesselGauges))
}

// TestOverlap: two pots are pressed each 42 s for 22 s, always one 7 s after the other. The press that comes first tells.
func TestOverlap(t *testing.T) {
	for pt, want := range map[points.Point]crossed.Finding{
		points.Vessel:  is(0, 1, crossed.VesselGauges),
		points.Control: is(1, 0, crossed.ControlLines), // the control line that stands under 1's name is 0's
	} {
		y := newYard(t, 2, allPoints)
		y.swap(pt, 0, 1)
		for i := range 3 {
			at := 20 + 42*float64(i)
			y.press(0, at, at+22)
			y.press(1, at+7, at+29)
		}
		y.run(170)
		y.finds(want)
	}
}

// TestPressedTogether: what two pots do at the same time tells nothing, and what they do apart is still found.
func TestPressedTogether(t *testing.T) {
	y := newYard(t, 2, allPoints)
	y.swap(points.Vessel, 0, 1)
	at := 20.0
	for range 5 {
		y.press(0, at, at+20)
		y.press(1, at+1, at+21)
		at += 45
	}
	y.run(at)
	y.finds()
	y.press(0, at, at+20)
	y.press(0, at+45, at+65)
	y.run(at + 90)
	y.finds(is(0, 1, crossed.VesselGauges))
}

// TestMended: it stands until each pot has followed its own press twice, the other not being pressed.
func TestMended(t *testing.T) {
	y := newYard(t, 2, allPoints)
	y.swap(points.Vessel, 0, 1)
	at := y.inTurn(20, 40, 3, 0, 1)
	y.run(at)
	both := []crossed.Finding{is(0, 1, crossed.VesselGauges), is(1, 0, crossed.VesselGauges)}
	y.finds(both...)
	y.swap(points.Vessel, 0, 1)
	at = y.inTurn(at, 40, 4, 0) // one alone is not enough
	at = y.inTurn(at, 40, 1, 1)
	y.run(at)
	y.finds(both...)
	for range 3 { // nor are presses at the same time
		y.press(0, at, at+15)
		y.press(1, at, at+15)
		at += 40
	}
	y.run(at)
	y.finds(both...)
	at = y.inTurn(at, 40, 1, 1)
	y.run(at)
	y.finds()
}

// TestMendedAtTimes: a coincidence takes back what spoke for the end.
func TestMendedAtTimes(t *testing.T) {
	y := newYard(t, 2, allPoints)
	wrong := func() int { y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = dead, 0; return 0 }
	right := func(pot int) func() int {
		return func() int { y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = 0, 1; return pot }
	}
	y.alternately(1, wrong, wrong, right(0), right(1), right(0), wrong, right(1), right(0))
	y.finds(is(0, 1, crossed.VesselGauges))
}

// TestRewired: the gauge of 0 shows 1, and then is moved to 2's name.
func TestRewired(t *testing.T) {
	y := newYard(t, 3, allPoints)
	y.swap(points.Vessel, 0, 1)
	at := y.inTurn(20, 40, 3, 0, 1, 2)
	y.run(at)
	y.swap(points.Vessel, 0, 1)
	y.swap(points.Vessel, 0, 2)
	at = y.inTurn(at, 40, 3, 0, 1, 2)
	y.run(at)
	for _, f := range y.site.Append(nil) {
		if f.Pressed == 0 && f.Moved != 2 || f.Pressed == 2 && f.Moved != 0 {
			t.Errorf("found %+v", f)
		}
	}
	if n := len(y.site.Append(nil)); n < 2 {
		t.Errorf("%d findings", n)
	}
}

func TestAgainst(t *testing.T) {
	t.Run("a press between that moves nothing", func(t *testing.T) {
		y := newYard(t, 2, allPoints)
		y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = dead, 0
		at := y.inTurn(20, 40, 1, 0)
		y.run(at - 20)
		for range 4 { // hit, miss, hit, miss
			y.run(at - 1)
			y.pots[1].wire[points.Vessel] = 1
			at = y.inTurn(at, 40, 1, 0)
			y.run(at - 1)
			y.pots[1].wire[points.Vessel] = 0
			at = y.inTurn(at, 40, 1, 0)
		}
		y.run(at)
		y.finds()
	})
	t.Run("a move that comes of no press", func(t *testing.T) {
		y := newYard(t, 2, allPoints)
		y.pots[0].wire[points.Vessel] = dead
		y.pots[1].deadHand = true
		at := 20.0
		for range 6 {
			y.press(0, at, at+15)
			y.press(1, at, at+15)
			y.press(1, at+40, at+55)
			at += 80
		}
		y.run(at)
		y.finds()
	})
	t.Run("the moved pot follows its own press", func(t *testing.T) {
		y := newYard(t, 2, allPoints)
		y.pots[0].wire[points.Vessel] = dead
		at := 20.0
		for range 6 {
			y.pots[1].deadHand = true
			y.press(0, at, at+15)
			y.press(1, at, at+15)
			y.run(at + 39)
			y.pots[1].deadHand = false
			y.press(1, at+40, at+55)
			y.run(at + 80)
			at += 80
		}
		y.run(at)
		y.finds()
	})
}

// alternately sets a yard's wiring for one press of 15 s after the other, 40 s apart.
func (y *yard) alternately(rounds int, steps ...func() (pressed int)) {
	at := 20.0
	for range rounds {
		for _, step := range steps {
			y.run(at - 1)
			at = y.inTurn(at, 40, 1, step())
		}
	}
	y.run(at + 20)
}

func TestAgainstByOthers(t *testing.T) {
	t.Run("the pressed pot follows its own press", func(t *testing.T) {
		y := newYard(t, 2, allPoints)
		y.alternately(3, func() int {
			y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = dead, 0
			return 0
		}, func() int {
			y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = 0, 1
			return 0
		})
		y.finds()
	})
	t.Run("the gauge moves with another pot too", func(t *testing.T) {
		y := newYard(t, 3, allPoints)
		y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = dead, dead
		y.alternately(3, func() int { y.pots[2].wire[points.Vessel] = 0; return 0 },
			func() int { y.pots[2].wire[points.Vessel] = 1; return 1 })
		y.finds()
	})
	t.Run("the moved pot is let go at the same time", func(t *testing.T) {
		y := newYard(t, 2, allPoints)
		y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = dead, 0
		for i := range 4 {
			at := 20 + 40*float64(i)
			y.press(0, at, at+20)
			y.press(1, at+8, at+20)
		}
		y.run(200)
		y.finds()
	})
}

// TestUpAlready: a gauge that is up need not rise any more, so its press is not judged.
func TestUpAlready(t *testing.T) {
	y := newYard(t, 3, allPoints)
	y.press(2, 1, 1000)
	y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = 2, 0
	y.run(y.inTurn(20, 40, 4, 0) + 20)
	y.finds()
}

// TestFlowBefore: a hose that is up all the time tells of no flow that began, nor of none.
func TestFlowBefore(t *testing.T) {
	y := newYard(t, 3, allPoints)
	y.press(2, 1, 1000)
	y.swap(points.Control, 0, 1)
	y.pots[0].wire[points.Hose] = 2
	y.run(y.inTurn(20, 40, 3, 0, 1) + 20)
	y.finds(is(0, 1, crossed.CannotTell), is(1, 0, crossed.CannotTell))
}

// TestHandleOutOfSight: a pot whose control point is not read while it is pressed moves for a reason that nobody saw.
func TestHandleOutOfSight(t *testing.T) {
	y := newYard(t, 2, points.SetOf(points.Vessel, points.Control))
	y.pots[0].wire[points.Vessel] = dead
	for i := range 4 {
		at := 20 + 40*float64(i)
		y.press(0, at, at+15)
		y.press(1, at, at+15)
	}
	y.pots[1].mute = func(pt points.Point, t float64) bool {
		t = math.Mod(t-20, 40)
		return pt == points.Control && (t > 35 || t < 15.2)
	}
	y.run(200)
	y.finds()
}

// TestClockComesAgain: what waited before a clock was set back is not compared with what comes at the same times again.
func TestClockComesAgain(t *testing.T) {
	y := newYard(t, 2, allPoints)
	y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = dead, 0
	y.inTurn(20, 40, 3, 0)
	y.run(37)
	for i, p := range y.pots {
		p.step, p.judge = -40, newJudge(p)
		y.site.Break(i)
	}
	y.run(140)
	y.finds(is(0, 1, crossed.VesselGauges))
}

// TestHalfACoincidence: a gauge that rises with a press and does not fall with its release, or the other way round.
func TestHalfACoincidence(t *testing.T) {
	for _, other := range [][2]float64{{0, 25}, {8, 20}} {
		y := newYard(t, 2, allPoints)
		y.pots[0].wire[points.Vessel], y.pots[1].deadHand = dead, true
		for i := range 4 {
			at := 20 + 50*float64(i)
			y.press(0, at, at+20)
			y.press(1, at+other[0], at+other[1])
		}
		y.run(240)
		y.finds()
	}
}

// TestHoldsPressure: no press moves the vessel of a pot that holds pressure by design, so it takes no part.
func TestHoldsPressure(t *testing.T) {
	for i := range 2 {
		y := newYard(t, 2, allPoints)
		y.pots[i].holds = true
		y.swap(points.Vessel, 0, 1)
		y.run(y.inTurn(20, 40, 3, 0, 1) + 20)
		y.finds()
	}
}

// TestTaps: a press under 1.5 s is not judged.
func TestTaps(t *testing.T) {
	y := newYard(t, 2, allPoints)
	y.swap(points.Vessel, 0, 1)
	for i := range 6 {
		at := 20 + 30*float64(i)
		y.press(i%2, at, at+1.2)
	}
	y.run(220)
	y.finds()
}

// TestTwoExplanations: of two gauges that move with a press, and of two presses that may have moved a gauge, neither is named.
func TestTwoExplanations(t *testing.T) {
	y := newYard(t, 3, allPoints)
	y.pots[0].wire[points.Vessel] = dead
	y.pots[1].wire[points.Vessel], y.pots[2].wire[points.Vessel] = 0, 0
	y.run(y.inTurn(20, 40, 5, 0) + 20)
	y.finds()

	y = newYard(t, 3, allPoints)
	y.pots[0].wire[points.Vessel], y.pots[1].wire[points.Vessel] = dead, dead
	y.pots[2].wire[points.Vessel] = 0
	for i := range 5 {
		at := 20 + 40*float64(i)
		y.press(0, at, at+15)
		y.press(1, at+0.4, at+15.2)
	}
	y.run(240)
	y.finds()
}

// TestLate: pots whose readings arrive out of order, each late by its own seconds.
func TestLate(t *testing.T) {
	y := newYard(t, 3, allPoints)
	y.swap(points.Vessel, 0, 1)
	y.pots[0].late, y.pots[2].late = 8, 3
	y.run(y.inTurn(20, 40, 3, 0, 1, 2) + 30)
	y.finds(is(0, 1, crossed.VesselGauges), is(1, 0, crossed.VesselGauges))

	// Later than that: nothing is found, and nothing is found wrongly.
	y = newYard(t, 3, allPoints)
	y.swap(points.Vessel, 0, 1)
	y.pots[0].late = 60
	y.run(y.inTurn(20, 40, 3, 0, 1, 2) + 90)
	y.finds()
}

// TestOutOfSight: what cannot be seen speaks neither for nor against, and what was found stands.
func TestOutOfSight(t *testing.T) {
	between := func(from, to float64) func(float64) bool { return func(t float64) bool { return t >= from && t < to } }
	both := []crossed.Finding{is(0, 1, crossed.VesselGauges), is(1, 0, crossed.VesselGauges)}
	for name, c := range map[string]struct {
		change func(y *yard)
		until  float64
		want   []crossed.Finding
	}{
		// Presses of 0 at 20, 100, 180, of 1 at 60, 140, 220.
		"a gap in the press":         {func(y *yard) { y.pots[0].silent = between(99, 104) }, 160, nil},
		"and a third press":          {func(y *yard) { y.pots[0].silent = between(99, 104) }, 250, both},
		"a gap of the other's gauge": {func(y *yard) { y.pots[1].silent = between(99, 104) }, 160, nil},
		"a short gap":                {func(y *yard) { y.pots[0].silent = between(108, 109.5) }, 160, both[:1]},
		"appears late":               {func(y *yard) { y.pots[1].silent = between(0, 90) }, 250, both},
		"disappears for good":        {func(y *yard) { y.pots[1].silent = between(150, 1e9) }, 400, both[:1]},
	} {
		t.Run(name, func(t *testing.T) {
			y := newYard(t, 2, allPoints)
			y.swap(points.Vessel, 0, 1)
			c.change(y)
			y.inTurn(20, 40, 3, 0, 1)
			y.run(c.until)
			y.finds(c.want...)
		})
	}
}

// TestClockSteps: a break ends what is in sight; times go on an hour earlier, or later.
func TestClockSteps(t *testing.T) {
	for _, by := range []float64{-3600, 3600} {
		y := newYard(t, 2, allPoints)
		y.swap(points.Vessel, 0, 1)
		at := y.inTurn(20, 40, 2, 0, 1)
		y.run(at - 35) // pot 1's second press is on, or just over
		y.finds(is(0, 1, crossed.VesselGauges))
		for i, p := range y.pots {
			p.step = by
			p.judge = newJudge(p)
			y.site.Break(i)
		}
		y.run(at)
		y.finds(is(0, 1, crossed.VesselGauges))
		at = y.inTurn(at, 40, 2, 0, 1)
		y.run(at + 20)
		y.finds(is(0, 1, crossed.VesselGauges), is(1, 0, crossed.VesselGauges))
	}
}

func TestBadInput(t *testing.T) {
	s := crossed.New(make([]crossed.Params, 2))
	for _, in := range []crossed.Input{{Pot: -1}, {Pot: 2}, {Sample: points.Sample{Point: points.Count, At: 5}},
		{Sample: points.Sample{At: 0}}, {Sample: points.Sample{At: -4}}} {
		if s.Step(&in) {
			t.Errorf("%+v changed something", in)
		}
	}
}

// crews draws presses of 10 to 60 s for hours of work, at so many an hour, each pot for itself.
func (y *yard) crews(hours, anHour float64) {
	for i := range y.pots {
		at := 20 + 60*y.rng.Float64()
		for at < hours*3600 {
			took := 10 + 50*y.rng.Float64()
			y.press(i, at, at+took)
			at += took + 12 + y.rng.ExpFloat64()*max(1, 3600/anHour-35-12)
		}
	}
}

// TestCrews: crews that work independently of each other give no finding.
func TestCrews(t *testing.T) {
	hours, seeds := 2.0, uint64(1)
	if !testing.Short() {
		hours, seeds = 4, 1
	}
	for seed := uint64(1); seed <= seeds; seed++ {
		y := newYard(t, 24, points.SetOf(points.Vessel, points.Control))
		y.rng, y.rate, y.quick = rand.New(rand.NewPCG(seed, 1)), 4, true
		y.heard = func(f []crossed.Finding) { t.Errorf("seed %d: found %+v at %.0f s", seed, f, y.now) }
		y.crews(hours, 60)
		presses := 0
		for _, p := range y.pots {
			presses += len(p.presses)
		}
		y.run(hours * 3600)
		t.Logf("seed %d: %d pots, %.0f h, %d presses", seed, len(y.pots), hours, presses)
	}
}

// TestChance measures the chance coincidences of pairs that are faulty twice: the gauge of one is dead, and the handle of
// the other.
func TestChance(t *testing.T) {
	pairs, hours := 6, 12.0
	if testing.Short() {
		pairs = 2
	}
	found := 0
	for seed := range pairs {
		y := newYard(t, 2, points.SetOf(points.Vessel, points.Control))
		y.rng, y.rate, y.quick = rand.New(rand.NewPCG(uint64(seed), 3)), 4, true
		y.pots[0].wire[points.Vessel] = dead
		y.pots[1].deadHand = true
		was := 0
		y.heard = func(f []crossed.Finding) {
			found += max(0, len(f)-was)
			was = len(f)
		}
		y.crews(hours, 60)
		y.run(hours * 3600)
	}
	// One in 165 h, says the package's documentation. A pair that was found stays found, so it counts once.
	expected := float64(pairs) * hours / 165
	t.Logf("%d false findings in %.0f h of such pairs; the documentation reckons %.2f", found, float64(pairs)*hours, expected)
	if float64(found) > expected+3*math.Sqrt(expected) {
		t.Errorf("%d false findings, want about %.2f", found, expected)
	}
}

// TestCrewsFindCrossings: the same crews on a yard with crossed wires find all of them, and nothing else.
func TestCrewsFindCrossings(t *testing.T) {
	for seed := uint64(1); seed <= 2; seed++ {
		y := newYard(t, 20, points.SetOf(points.Vessel, points.Hose, points.Control))
		y.rng, y.rate, y.quick = rand.New(rand.NewPCG(seed, 2)), 4, true
		y.swap(points.Vessel, 3, 7)
		for i := 14; i < 17; i++ {
			y.pots[i].wire[points.Vessel] = 14 + (i-13)%3
		}
		want := map[[2]int]crossed.Kind{{3, 7}: crossed.VesselGauges, {7, 3}: crossed.VesselGauges, {14, 16}: crossed.VesselGauges,
			{15, 14}: crossed.VesselGauges, {16, 15}: crossed.VesselGauges}
		y.heard = func(list []crossed.Finding) {
			for _, f := range list {
				if k, ok := want[[2]int{f.Pressed, f.Moved}]; !ok || k != f.Kind {
					t.Errorf("seed %d: found %+v at %.0f s", seed, f, y.now)
				}
			}
		}
		y.crews(1.5, 60)
		y.run(1.5 * 3600)
		if len(y.told) != len(want) {
			t.Errorf("seed %d: found %+v", seed, y.told)
		}
	}
}

// TestSaved: a restored site goes on bit for bit, whenever it was saved.
func TestSaved(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		y := newYard(t, 3, allPoints)
		y.rate, y.quick = 4, true
		y.swap(points.Vessel, 0, 1)
		y.inTurn(20, 40, 2, 0, 1, 2)
		y.run(rapid.Float64Range(0, 280).Draw(rt, "saved at"))
		saved := y.site.AppendState(nil)
		copied := crossed.New(make([]crossed.Params, 3))
		if err := copied.SetState(saved); err != nil {
			rt.Fatal(err)
		}
		if !bytes.Equal(copied.AppendState(nil), saved) {
			rt.Fatal("the state differs after it was restored")
		}
		y.double = copied
		y.run(y.now + 60)
		if !bytes.Equal(copied.AppendState(nil), y.site.AppendState(nil)) {
			rt.Fatal("a restored site goes on otherwise")
		}
	})
}

func TestStateOfAnotherSite(t *testing.T) {
	s := crossed.New(make([]crossed.Params, 3))
	b := s.AppendState(nil)
	for name, c := range map[string]struct {
		pots int
		b    []byte
	}{"more pots": {4, b}, "fewer pots": {2, b}, "short": {3, b[:len(b)-1]}, "long": {3, append(slices.Clone(b), 0)}, "none": {3, nil},
		"a pot that is none": {3, spoilt(b)}} {
		if err := crossed.New(make([]crossed.Params, c.pots)).SetState(c.b); err != statecodec.ErrState {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// spoilt has every number of a state set to -1.
func spoilt(b []byte) []byte {
	out := slices.Clone(b)
	for i := 16; i < len(out); i++ {
		out[i] = math.MaxUint8
	}
	return out
}

func TestAllocatesNothing(t *testing.T) {
	y := newYard(t, 3, allPoints)
	y.swap(points.Vessel, 0, 1)
	y.run(y.inTurn(20, 40, 2, 0, 1, 2))
	in := crossed.Input{Sample: points.Sample{Point: points.Vessel, Quality: points.Good, At: instant(y.now + 60)}}
	if n := testing.AllocsPerRun(1000, func() {
		in.Sample.At = in.Sample.At.Add(100_000_000)
		in.Sample.Value = si.GaugePressure(int(in.Sample.Value+50e3) % 700e3)
		in.Pot = (in.Pot + 1) % 3
		y.site.Step(&in)
	}); n != 0 {
		t.Errorf("%v allocations a sample", n)
	}
}

func BenchmarkStep(b *testing.B) {
	s := crossed.New(make([]crossed.Params, 100))
	in := crossed.Input{Sample: points.Sample{Point: points.Vessel, Quality: points.Good, At: instant(0)}}
	b.ReportAllocs()
	for b.Loop() {
		in.Pot = (in.Pot + 1) % 100
		if in.Pot == 0 {
			in.Sample.At = in.Sample.At.Add(100_000_000)
		}
		s.Step(&in)
	}
}
