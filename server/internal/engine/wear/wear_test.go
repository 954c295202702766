package wear_test

import (
	"bytes"
	"math"
	"math/rand"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/steady"
	"gritwatch/server/internal/engine/stroke"
	"gritwatch/server/internal/engine/wear"
)

const began = si.Instant(1_760_000_000_000_000)

var allPoints = points.SetOf(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control)

// pot is what the strokes and seconds of a pot show; all resistances and conductances are over those when new.
type pot struct {
	separator, valve float64
	exhaust          float64
	bore             float64 // over when new
	mixture          float64 // of the abrasive: lessens the nozzle's flow and adds to the hose's loss
	level            float64 // full is 1
	use              float64 // of it in a blast
	empty            bool    // the metering valve lets air through: more goes in at a press
	hastens, loses   float64 // and so fills in that share of the time, and loses so much more before
	tee              float64 // resistance of the mixing segment; 0: it loses nothing, and nothing is said of it
	hose             float64 // resistance of the hose; 0: 1
	leak             float64 // square of the air before the vessel over the nozzle's; 0: 1
	choke            float64 // what it loses more, over the square of the hose's pressure
	untimed          bool    // the presses begin at a vessel that is up
	before, after    bool    // no abrasive is left, as a level has it, at the press and at the release
	over             float64 // the vessel's pressure at the release over the usual one; 0: 1. The air is colder where that is timed, as simulated pots have it
	throttled        bool    // the vessel fills sooner where the mixing segment loses more
	noise            float64 // of the logarithms of what a stroke shows
	poor             float64 // the same of the vents alone
	blast, rest      time.Duration

	tau           float64       // of the last vent, without noise
	expected, lag time.Duration // of it at the slowest

	m   *wear.Monitor
	rng *rand.Rand
	at  si.Instant
	has points.Set
}

func newPot(has points.Set) *pot {
	return &pot{separator: 1, valve: 1, exhaust: 1, bore: 1, mixture: 1, level: 0.5, hastens: 0.82, loses: 1.9, noise: 0.01, blast: 2 * time.Minute, rest: time.Minute,
		m:   wear.New(wear.Params{Points: has, Volume: 0.1, Bore: 0.008}),
		rng: rand.New(rand.NewSource(7)), at: began, has: has}
}

func (p *pot) noisy(x float64) float64 { return x * math.Exp(p.noise*p.rng.NormFloat64()) }

// cycle is one press and one vent.
func (p *pot) cycle() {
	air := 1 - 0.55*p.level
	// The inlet's flow and the nozzle's pass separator and valve together.
	inlet := 0.52 + math.Sqrt(0.025/(1+0.04*p.flow(p.mixture)*(1+2.3*p.mixture))*p.flow(p.mixture))
	press := stroke.Press{At: p.at, Fill: p.noisy(4 * air), Separator: p.noisy(inlet * inlet * p.separator), Valve: p.noisy(inlet * inlet * p.valve), Count: 8}
	// What fills fast loses more.
	press.Separator, press.Valve = press.Separator*math.Pow(air, -0.4), press.Valve*math.Pow(air, -0.4)
	if p.empty {
		press.Separator, press.Valve, press.Fill = p.loses*press.Separator, p.loses*press.Valve, press.Fill*p.hastens
	}
	if p.untimed {
		press.Separator, press.Valve, press.Fill, press.Count = 0, 0, 0, 0
		press.From, press.Working = 300*si.KPa, 800*si.KPa
	}
	if p.throttled {
		press.Fill *= math.Pow(p.tee, -0.06)
	}
	if !p.has.Has(points.Separator) {
		press.Separator = 0
	}
	p.m.Press(&press, p.before)
	for range 20 {
		p.second(false)
	}
	p.level -= p.use
	air = 1 - 0.55*p.level
	// The nozzle bleeds the vessel beside the exhaust, at a seventh of it.
	p.tau = 2.6 * math.Pow(air, 0.8) / (0.87*p.exhaust + 0.13*p.bore*p.bore)
	p.expected, p.lag = p.m.Expect(p.at.Add(p.blast))
	vent := stroke.Vent{At: p.at.Add(p.blast), Blast: p.blast, Lag: time.Duration(150+30*p.rng.NormFloat64()) * time.Millisecond, Tau: p.noisy(p.tau) * math.Exp(p.poor*p.rng.NormFloat64())}
	if vent.From, vent.Working = 800*si.KPa, 800*si.KPa; p.over > 0 {
		vent.From = si.AbsPressure(p.over * float64(vent.From))
		vent.Tau *= 1 + 0.3*(p.over-1)
	}
	p.m.Vent(&vent, p.after)
	p.at = p.at.Add(p.blast + p.rest)
}

// flow is the square of the air's through the nozzle, over that when new and clean.
func (p *pot) flow(mixture float64) float64 { return math.Pow(p.bore, 4) / (1 + 0.39*mixture) }

// second is one of steady blasting.
func (p *pot) second(air bool) {
	mixture := p.mixture
	if air {
		mixture = 0
	}
	p.shown(mixture, air)
}

// laden is so many seconds with abrasive, whatever they are said to be.
func (p *pot) laden(n int, air bool) {
	for range n {
		p.shown(p.mixture, air)
	}
}

// shown is one second of blasting, and what it is said to be.
func (p *pot) shown(mixture float64, air bool) {
	const nozzle = 790e3
	flow := p.flow(mixture)
	s := steady.Second{At: p.at, N: 10, Has: p.has &^ points.SetOf(points.Control), Steady: true, Rated: true}
	s.PP[points.Nozzle] = nozzle * nozzle
	s.PP[points.Hose] = s.PP[points.Nozzle] * (1 + 0.04*max(1, p.hose)*flow*(1+2.3*mixture))
	s.PP[points.Vessel] = s.PP[points.Hose]*(1+p.choke) + 0.01*p.tee*flow*(1+0.4*mixture)*s.PP[points.Nozzle]
	before := flow
	if p.leak > 0 {
		before *= p.leak
	}
	s.PP[points.Separator] = s.PP[points.Vessel] + 0.025*p.valve*before*s.PP[points.Nozzle]
	s.PP[points.Supply] = s.PP[points.Separator] + 0.025*p.separator*before*s.PP[points.Nozzle]
	p.m.Second(&s, air)
	if p.tee > 0 {
		// As package losses has it, which reckons with the bore that is known.
		bore := 0.008 * si.Length(1)
		if known, _, ok := p.m.Bore(); ok {
			bore = max(bore, known)
		}
		p.m.Resistance(wear.Mixing, si.Ratio(p.tee*math.Pow(p.bore*0.008/float64(bore), 4)))
	}
}

func (p *pot) cycles(n int) {
	for range n {
		p.cycle()
	}
}

// saw is a cycle of a crew that blasts from full to nearly empty and fills up.
func (p *pot) saw() {
	if p.level < 0.1 {
		p.level = 1
	}
	p.use = 0.06
	p.cycle()
	p.use = 0
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within {
		t.Errorf("%s: %.4g, want %.4g within %.2g", what, got, want, within)
	}
}

// TestSeparator clogs the separator by 30 % at once: found within 12 presses, and nothing before.
func TestSeparator(t *testing.T) {
	for _, noise := range []float64{0.005, 0.02, 0.03} {
		p := newPot(allPoints)
		p.noise = noise
		for i := range 1500 {
			p.saw()
			for _, part := range []wear.Part{wear.Separator, wear.Valve, wear.Exhaust} {
				if p.m.Index(part).Finding {
					t.Fatalf("noise %g: %v found at cycle %d of a healthy pot: %+v", noise, part, i, p.m.Index(part))
				}
				if x := p.m.Index(part); i > 60 && math.Abs(float64(x.Value)-1) > 0.04+2*noise {
					t.Fatalf("noise %g: %v of a healthy pot at cycle %d, level %.2f: %+v", noise, part, i, p.level, x)
				}
			}
		}
		p.separator = 1.30
		n := 0
		for ; n < 30 && !p.m.Index(wear.Separator).Finding; n++ {
			p.saw()
		}
		if n > 12 {
			t.Errorf("noise %g: found after %d presses, want 12", noise, n)
		}
		for range 20 {
			p.saw()
		}
		x := p.m.Index(wear.Separator)
		near(t, "separator", float64(x.Value), 1.30, 0.02+2*noise)
		if !x.Finding || x.Since == 0 || x.SD <= 0 || x.Changed == 0 {
			t.Errorf("noise %g: %+v", noise, x)
		}
		if v := p.m.Index(wear.Valve); v.Finding || math.Abs(float64(v.Value)-1) > 0.02+2*noise {
			t.Errorf("noise %g: the valve took part: %+v", noise, v)
		}
		p.separator = 1
		p.cycles(20)
		if p.m.Index(wear.Separator).Finding {
			t.Errorf("noise %g: still found when clean", noise)
		}
	}
}

// TestOtherAir lets twice the flow in through an empty pot's metering valve, for an hour: nothing is clogged.
func TestOtherAir(t *testing.T) {
	p := newPot(allPoints)
	p.level = 0.1
	p.cycles(40)
	p.empty = true
	for range 60 {
		p.cycle()
		for _, part := range []wear.Part{wear.Separator, wear.Valve, wear.Exhaust} {
			if x := p.m.Index(part); x.Finding || math.Abs(float64(x.Value)-1) > 0.06 {
				t.Fatalf("%v of an empty pot: %+v", part, x)
			}
		}
	}
	p.separator = 1.4
	p.cycles(12)
	if x := p.m.Index(wear.Separator); !x.Finding || math.Abs(float64(x.Value)-1.4) > 0.2 {
		t.Errorf("clogged while the pot is empty: %+v", x)
	}
	p.separator = 1
	p.cycles(12)
	p.empty = false
	p.cycles(12)
	if x := p.m.Index(wear.Separator); x.Finding {
		t.Errorf("cleaned and filled: %+v", x)
	}
	p.separator = 1.4
	p.cycles(12)
	if !p.m.Index(wear.Separator).Finding {
		t.Errorf("after the pot was empty: %+v", p.m.Index(wear.Separator))
	}
}

// TestNozzleIsNoClog wears the nozzle by a fifth: more air passes separator and valve at every press, and neither clogs.
func TestNozzleIsNoClog(t *testing.T) {
	p := newPot(allPoints)
	p.cycles(40)
	for range 400 {
		p.bore += 0.0005
		p.cycle()
	}
	for _, part := range []wear.Part{wear.Separator, wear.Valve} {
		if x := p.m.Index(part); x.Finding || math.Abs(float64(x.Value)-1) > 0.15 {
			t.Errorf("%v: %+v", part, x)
		}
	}
}

// TestExhaust closes the exhaust by a tenth while the level goes up and down: found within 5 cycles, most of them, and all within 10.
func TestExhaust(t *testing.T) {
	slow := 0
	for seed := range int64(20) {
		p := newPot(allPoints)
		p.rng = rand.New(rand.NewSource(seed))
		for range 100 + seed {
			p.saw()
		}
		p.exhaust = 0.9
		n := 0
		for ; n < 20 && !p.m.Index(wear.Exhaust).Finding; n++ {
			p.saw()
		}
		if n > 5 {
			slow++
		}
		if n > 10 {
			t.Errorf("seed %d: found after %d cycles: %+v", seed, n, p.m.Index(wear.Exhaust))
		}
		for range 10 {
			p.saw()
		}
		near(t, "exhaust", float64(p.m.Index(wear.Exhaust).Value), 0.9, 0.03)
	}
	if slow > 3 {
		t.Errorf("%d of 20 exhausts were found after more than 5 cycles", slow)
	}
}

// TestExhaustByFewVents clogs the exhaust by a tenth where few vents tell of it: of a crew that rests so shortly that every second press begins at a vessel that
// is up, and of one that blasts a pot empty in three presses, the first of which the level has for empty still. It is found in five cycles or little more.
func TestExhaustByFewVents(t *testing.T) {
	few := map[string]func(p *pot, i int){
		"short rests": func(p *pot, i int) { p.untimed = i%2 == 1; p.saw() },
		"three presses a fill": func(p *pot, i int) {
			if p.before, p.after, p.use = i%3 == 0, i%3 == 2, 0.3; p.before {
				p.level = 1
			}
			p.cycle()
		},
	}
	for name, cycle := range few {
		slow := 0
		for seed := range int64(20) {
			p := newPot(allPoints)
			p.rng = rand.New(rand.NewSource(seed))
			for i := range 150 {
				cycle(p, i)
			}
			if x := p.m.Index(wear.Exhaust); x.Finding || !x.Known {
				t.Fatalf("%s, seed %d: healthy, %+v", name, seed, x)
			}
			n := 0
			for p.exhaust = 0.89; n < 20 && !p.m.Index(wear.Exhaust).Finding; n++ {
				cycle(p, 150+n)
			}
			// The last press tells of the vent before it.
			if n-1 > 5 {
				slow++
			}
			if n-1 > 7 {
				t.Errorf("%s, seed %d: found after %d cycles", name, seed, n-1)
			}
		}
		if slow > 5 {
			t.Errorf("%s: %d of 20 were found after more than 5 cycles", name, slow)
		}
	}
}

// TestExhaustThatClogsInAFewCycles loses a twentieth more at each vent: one vent that is off is none, but two that are, by however much, are.
func TestExhaustThatClogsInAFewCycles(t *testing.T) {
	p := newPot(allPoints)
	p.noise = 0.003
	for range 150 {
		p.saw()
	}
	n := 0
	for ; n < 10 && !p.m.Index(wear.Exhaust).Finding; n++ {
		p.exhaust -= 0.07 + 0.03*float64(n)
		p.saw()
	}
	if n > 3 {
		t.Errorf("found after %d cycles, at %.2f: %+v", n, p.exhaust, p.m.Index(wear.Exhaust))
	}
}

// TestExhaustAsTheSupplyReturns: where the supply has sagged for long, the vents after it begin a quarter over what has become usual.
func TestExhaustAsTheSupplyReturns(t *testing.T) {
	p := newPot(allPoints)
	for range 100 {
		p.saw()
	}
	for _, p.over = range []float64{1.24, 1.31, 1.22, 1.7, 1.25, 1.13, 1} {
		p.saw()
		if x := p.m.Index(wear.Exhaust); x.Finding || math.Abs(float64(x.Value)-1) > 0.03 {
			t.Fatalf("from %.2f of the usual pressure: %+v", p.over, x)
		}
	}
}

// TestExhaustThatClogsWhileItIsLearned lets the exhaust lose 0.4 % a vent from the eleventh on: the baseline does not follow it.
func TestExhaustThatClogsWhileItIsLearned(t *testing.T) {
	late := 0
	for seed := range int64(20) {
		p := newPot(allPoints)
		p.rng = rand.New(rand.NewSource(seed))
		for range 10 {
			p.saw()
		}
		n := 0
		for ; n < 60 && !p.m.Index(wear.Exhaust).Finding; n++ {
			p.exhaust -= 0.004
			p.saw()
		}
		// Twenty-five of them have lost a tenth, and the last press tells of the vent before it.
		if n-1 > 25+5 {
			late++
		}
	}
	if late > 2 {
		t.Errorf("%d of 20 were found after more than 5 cycles", late)
	}
}

// TestExhaustByPoorTimes: a log of one reading a second times a vent of two seconds by a tenth to a fifth. The scatter is known as soon as the baseline is,
// and what comes of it is no clog.
func TestExhaustByPoorTimes(t *testing.T) {
	found := 0
	for seed := range int64(100) {
		p := newPot(allPoints)
		p.rng, p.poor = rand.New(rand.NewSource(seed)), 0.2
		for range 60 {
			p.saw()
			if p.m.Index(wear.Exhaust).Finding {
				found++
				break
			}
		}
	}
	if found > 15 {
		t.Errorf("%d of 100 healthy exhausts were found", found)
	}
}

// TestExhaustBesideAShutChoke: behind a choke that is partly shut the vessel fills sooner than by the pressure of the hose point, simulated pots by a twentieth
// where the mixing segment loses 2.5 times as much. The vents are as before, and so is the exhaust.
func TestExhaustBesideAShutChoke(t *testing.T) {
	p := newPot(allPoints)
	p.noise, p.tee, p.throttled = 0.005, 1, true
	for range 100 {
		p.saw()
	}
	for range 100 {
		p.tee = min(2.5, p.tee*1.02)
		p.saw()
		if x := p.m.Index(wear.Exhaust); x.Finding || math.Abs(float64(x.Value)-1) > 0.025 {
			t.Fatalf("mixing %.2f: %+v", p.tee, x)
		}
	}
}

// TestExhaustBesideWornNozzle: a nozzle that wears bleeds the vessel faster at each vent, and hides nothing of an exhaust that clogs.
func TestExhaustBesideWornNozzle(t *testing.T) {
	p := newPot(allPoints)
	p.noise = 0.005
	for range 100 {
		p.saw()
	}
	for range 150 {
		p.bore *= 1.0015
		p.saw()
	}
	for range 20 {
		p.saw()
	}
	near(t, "bore", float64(p.m.Index(wear.Bore).Value), p.bore, 0.03)
	near(t, "exhaust beside it", float64(p.m.Index(wear.Exhaust).Value), 1, 0.03)
	p.exhaust = 0.85
	for range 20 {
		p.saw()
	}
	near(t, "exhaust that clogs beside it", float64(p.m.Index(wear.Exhaust).Value), 0.85, 0.03)
	// Another nozzle is put in, as wide as the first, and recorded.
	p.m.Serve(wear.Bore, p.at)
	p.bore = 1
	for range 30 {
		p.saw()
	}
	near(t, "exhaust beside a new nozzle", float64(p.m.Index(wear.Exhaust).Value), 0.85, 0.03)
}

// TestExpect holds what the watch is told of the next vent against the vent: never faster than a healthy one, and hardly slower.
// An exhaust that clogs does not move it.
func TestExpect(t *testing.T) {
	p := newPot(allPoints)
	for range 40 {
		p.saw()
	}
	ratio := 0.0
	for range 400 {
		p.saw()
		if r := p.expected.Seconds() / p.tau; r < 1 || r > 1.3 {
			t.Fatalf("level %.2f: %v is expected at the slowest, the vent has %.3g s", p.level, p.expected, p.tau)
		} else {
			ratio = max(ratio, r)
		}
		if p.lag < 220*time.Millisecond || p.lag > 500*time.Millisecond {
			t.Fatalf("a lag of %v is expected of valves that take 150 ms, 30 ms about", p.lag)
		}
	}
	for range 400 {
		p.exhaust = max(0.3, p.exhaust-0.002)
		p.saw()
		if healthy := p.tau * (0.87*p.exhaust + 0.13); p.expected.Seconds() > 1.3*healthy {
			t.Fatalf("exhaust %.2f: %v is expected, where a healthy vent has %.3g s: what clogs widens its own limit", p.exhaust, p.expected, healthy)
		}
	}
	// A press that tells nothing finds the vessel no emptier than the last blast has left it.
	before, _ := p.m.Expect(p.at)
	p.m.Press(&stroke.Press{At: p.at}, false)
	if tau, _ := p.m.Expect(p.at); tau < p.expected-time.Millisecond || tau > before {
		t.Errorf("after a press that told nothing %v, before it %v, and of the vent before %v", tau, before, p.expected)
	}
	if tau, _ := newPot(allPoints).m.Expect(began); tau != 0 {
		t.Errorf("%v is expected of a pot that was never seen", tau)
	}
}

// TestRefills lets a crew blast a third of the pot and fill it up after every second blast: what a vent before a refill is held
// against is not the press after it.
func TestRefills(t *testing.T) {
	p := newPot(allPoints)
	p.noise = 0.003
	for i := range 200 {
		if i%2 == 0 {
			p.level = 0.95
		}
		p.use = 0.33
		p.cycle()
		if x := p.m.Index(wear.Exhaust); i > 80 && math.Abs(float64(x.Value)-1) > 0.02 {
			t.Fatalf("cycle %d: %+v", i, x)
		}
	}
}

// TestBore holds the bore to the handbook's orifice table, "Discharge of air through an orifice", cubic feet of free air a
// minute at 100 psi gauge through a coefficient of 1: 1/4 inch passes 104, 3/8 inch 234, 1/2 inch 415. The nozzle's pressure is
// the same, so what is lost before the hose point goes with the square of these.
func TestBore(t *testing.T) {
	for _, c := range []struct{ bore, cfm float64 }{{3.0 / 8, 234}, {1.0 / 2, 415}} {
		m := wear.New(wear.Params{Points: allPoints, Volume: 0.1, Bore: 0.25 * si.Inch})
		at := began
		blasts := func(n int, cfm float64) {
			for range n {
				nozzle := 114.7 * si.PSI * 114.7 * si.PSI
				flow := cfm * cfm / (104 * 104)
				inlet := 0.52 + math.Sqrt(0.025*flow/(1+0.04*flow))
				m.Press(&stroke.Press{At: at, Fill: 2, Separator: inlet * inlet, Valve: inlet * inlet}, false)
				for range 20 {
					s := steady.Second{At: at, Has: allPoints, Steady: true, Rated: true}
					s.PP = [points.Count]float64{nozzle * (1 + 0.09*flow), nozzle * (1 + 0.065*flow), nozzle * (1 + 0.04*flow), nozzle * (1 + 0.04*flow), nozzle}
					m.Second(&s, false)
				}
				at = at.Add(time.Minute)
				m.Vent(&stroke.Vent{At: at, Blast: time.Minute, Tau: 2}, false)
				at = at.Add(time.Minute)
			}
		}
		blasts(10, 104)
		blasts(30, c.cfm)
		bore, sd, known := m.Bore()
		if !known || sd <= 0 {
			t.Fatalf("bore %v, sd %v, known %v", bore, sd, known)
		}
		near(t, "bore, in", float64(bore/si.Inch), c.bore, 0.01*c.bore)
		if !m.Index(wear.Bore).Finding {
			t.Errorf("%g in for 1/4 in is not found", c.bore)
		}
	}
}

// TestBoreAndMixture changes the mixture now and then, clogs the separator and wears the nozzle: the bore is told through it all.
func TestBoreAndMixture(t *testing.T) {
	p := newPot(allPoints)
	for i := range 300 {
		if i%7 == 0 {
			p.mixture = 0.7 + 0.6*p.rng.Float64()
		}
		if i > 20 {
			p.bore = min(1.15, p.bore+0.001)
		}
		if i > 100 {
			p.separator = min(2, p.separator+0.01)
		}
		p.cycle()
	}
	bore, sd, known := p.m.Bore()
	near(t, "bore, mm", 1e3*float64(bore), 8*1.15, 0.15)
	if !known || sd <= 0 || sd > 0.2e-3 {
		t.Errorf("sd %.3f mm, known %v", 1e3*float64(sd), known)
	}
}

// TestNewNozzle puts another nozzle in at once, as crews do: it is a bore and no clog, and its going back to the old one too, told or not. A choke that
// is partly shut moves the tee's loss alone, and a leak of the vessel what comes before it: neither is a bore.
func TestNewNozzle(t *testing.T) {
	for _, c := range []struct {
		name              string
		bore, tee, leak   float64 // of the nozzle, of the mixing segment's resistance, of the square of the air before it
		wantBore, wantTee float64
	}{
		{"a sixteenth more", 1.2, 1, 1, 1.2, 1},
		{"two sixteenths more", 1.4, 1, 1, 1.4, 1},
		{"choke partly shut", 1, 2, 1, 1, 2},
		{"leak", 1, 1, 1.5, 1, 1},
		{"leak, little", 1, 1, 1.2, 1, 1},
		{"leak, and choke partly shut", 1, 2, 1.5, 1, 2},
	} {
		for _, told := range []bool{false, true} {
			p := newPot(allPoints)
			p.tee = 1
			p.cycles(20)
			p.bore, p.tee, p.leak = c.bore, c.tee, c.leak
			for range 12 {
				p.cycle()
				if p.m.Index(wear.Mixing).Finding && c.wantTee == 1 {
					t.Fatalf("%s: the mixing segment is found", c.name)
				}
			}
			near(t, c.name+": bore", float64(p.m.Index(wear.Bore).Value), c.wantBore, 0.02)
			near(t, c.name+": mixing", float64(p.m.Index(wear.Mixing).Value), c.wantTee, 0.18*c.wantTee)
			if found := p.m.Index(wear.Bore).Finding; found != (c.wantBore > 1.15) {
				t.Errorf("%s: found %v", c.name, found)
			}
			p.bore, p.tee, p.leak = 1, 1, 1
			if told {
				p.m.Serve(wear.Bore, p.at)
			}
			p.cycles(12)
			near(t, c.name+", mended: bore", float64(p.m.Index(wear.Bore).Value), 1, 0.03)
			near(t, c.name+", mended: mixing", float64(p.m.Index(wear.Mixing).Value), 1, 0.06)
			if p.m.Index(wear.Bore).Finding {
				t.Errorf("%s: found after it was mended", c.name)
			}
		}
	}
}

// TestBoreBesideOthers wears the nozzle by a seventh while choke and hose close and open again, the mixture changes, and others take the choke for a kinked hose
// or do not: it is told within 2 % all the time.
func TestBoreBesideOthers(t *testing.T) {
	for _, said := range []float64{0, 0.4} {
		p := newPot(allPoints)
		p.tee, p.hose = 1, 1
		for i := range 400 {
			if i%7 == 0 {
				p.mixture = 0.8 + 0.4*p.rng.Float64()
			}
			if i > 20 {
				p.bore = min(1.15, p.bore+0.0005)
			}
			p.tee, p.hose = 1, 1
			if i > 60 && i < 160 {
				p.tee = 1 + float64(i-60)/100
			}
			if i > 165 && i < 285 {
				p.hose = min(1.5, 1+float64(i-165)/60)
			}
			kinked := 0.0
			if p.tee > 1.4 {
				kinked = said
			}
			if kinked > 0 {
				p.sayHose(math.Exp(kinked))
			}
			p.cycle()
			if bore, _, known := p.m.Bore(); i > 20 && (!known || math.Abs(float64(bore)/0.008-p.bore) > 0.02) {
				t.Fatalf("told of the hose %g, blast %d, tee %.2f, hose %.2f: %.2f mm of %.2f, known %v", said, i, p.tee, p.hose, 1e3*float64(bore), 8*p.bore, known)
			}
		}
		near(t, "bore, mm", 8*float64(p.m.Index(wear.Bore).Value), 9.2, 0.06)
	}
}

// TestNothingLostInTheTee blows a pot down twice over: more than usual comes before the vessel, and nothing is lost between vessel and hose. That is no wider
// nozzle, whatever the inlet shows. Where a gauge has it so for good, a wider nozzle is told nevertheless, though slowly.
func TestNothingLostInTheTee(t *testing.T) {
	const blownDown = -0.04 // over the square of the hose's pressure: well over what the mixing segment loses
	p := newPot(allPoints)
	p.tee = 1
	p.cycles(20)
	p.choke, p.leak = blownDown, 2.2
	for range 3 {
		p.cycle()
		near(t, "bore as it is blown down", float64(p.m.Index(wear.Bore).Value), 1, 0.02)
	}
	p.choke, p.leak = 0, 1
	p.cycles(3)
	near(t, "bore after that", float64(p.m.Index(wear.Bore).Value), 1, 0.02)

	p.choke, p.bore = blownDown, 1.2
	p.cycles(100)
	near(t, "bore beside a gauge that is off", float64(p.m.Index(wear.Bore).Value), 1.2, 0.04) // the inlet ends at that gauge
}

// TestNewNozzleByPoorGauges puts another nozzle in at a pot whose gauges show half as much again of what the mixing segment loses.
func TestNewNozzleByPoorGauges(t *testing.T) {
	for _, bore := range []float64{1.2, 1.4} {
		p := newPot(allPoints)
		p.tee, p.choke = 1, 0.005
		p.cycles(20)
		p.bore = bore
		p.cycles(3)
		near(t, "bore", float64(p.m.Index(wear.Bore).Value), bore, 0.03)
		p.bore = 1
		p.cycles(3)
		near(t, "bore of the old one", float64(p.m.Index(wear.Bore).Value), 1, 0.03)
	}
}

// TestKinkedHose kinks the hose of a pot whose mixing segment loses too little to tell anything: others tell of the hose, and no bore grows by it.
func TestKinkedHose(t *testing.T) {
	p := newPot(allPoints)
	p.cycles(20)
	p.hose = 2
	for range 20 {
		p.sayHose(2)
		p.cycle()
		near(t, "bore", float64(p.m.Index(wear.Bore).Value), 1, 0.01)
	}
}

// sayHose tells the press that goes on of the hose's resistance.
func (p *pot) sayHose(ratio float64) {
	for range 20 {
		p.m.Resistance(wear.Hose, si.Ratio(ratio))
	}
}

// TestNozzleWhileLearned puts another nozzle in before the bore's baseline is whole: what came before is the baseline.
func TestNozzleWhileLearned(t *testing.T) {
	p := newPot(allPoints)
	p.tee = 1
	p.cycles(3)
	p.bore = 1.2
	p.cycles(4)
	near(t, "bore", float64(p.m.Index(wear.Bore).Value), 1.2, 0.02)
	p.bore = 1
	p.cycles(3)
	near(t, "bore after", float64(p.m.Index(wear.Bore).Value), 1, 0.02)
}

// TestNozzleAmongFalseStops puts a smaller nozzle in, of which others say that no abrasive flows, and that the vessel is empty, while an index of what lies before
// the vessel is in doubt: the hose shows that it flows.
func TestNozzleAmongFalseStops(t *testing.T) {
	p := newPot(allPoints)
	p.tee, p.bore = 1, 1.2
	p.cycles(30)
	at := p.at
	p.bore = 1
	for range 3 {
		p.at = p.at.Add(time.Minute)
		press := stroke.Press{At: p.at, Fill: 2, Separator: 3, Valve: 1, Count: 8}
		p.m.Press(&press, p.at > at.Add(time.Minute))
		p.laden(20, true)
		p.m.Vent(&stroke.Vent{At: p.at.Add(time.Minute), Blast: time.Minute}, true)
		p.at = p.at.Add(time.Minute)
	}
	near(t, "bore", float64(p.m.Index(wear.Bore).Value), 1/1.2, 0.03)
}

// TestShortPresses tells the bore from presses of which a few seconds are steady.
func TestShortPresses(t *testing.T) {
	p := newPot(allPoints)
	p.tee = 1
	blasts := func(n int) {
		for range n {
			p.m.Press(&stroke.Press{At: p.at, Fill: 2, Separator: 0.4, Valve: 0.4, Count: 8}, false)
			p.laden(14, false)
			p.m.Vent(&stroke.Vent{At: p.at.Add(20 * time.Second), Blast: 20 * time.Second, Tau: 2}, false)
			p.at = p.at.Add(40 * time.Second)
		}
	}
	blasts(6)
	p.bore = 1.2
	blasts(2)
	near(t, "bore", float64(p.m.Index(wear.Bore).Value), 1.2, 0.02)
}

// TestLargerNozzle records a nozzle as replaced. One of the configured size is a new beginning. A larger one is told by its bore, and found, until it is configured;
// so is one that nobody has replaced.
func TestLargerNozzle(t *testing.T) {
	for _, c := range []struct{ learned, before, after, says float64 }{{1, 1.2, 1, 1}, {1, 1.2, 1.03, 1}, {1.15, 1.15, 1, 1}, {1, 1, 1.2, 1.2}, {1, 1.2, 1.2, 1.2}} {
		p := newPot(allPoints)
		p.tee, p.noise, p.bore = 1, 0.003, c.learned
		p.cycles(20)
		p.bore = c.before
		p.cycles(10)
		p.m.Serve(wear.Bore, p.at)
		p.bore = c.after
		p.cycles(6)
		x, s := p.m.Index(wear.Bore), p.m.Service(wear.Bore)
		near(t, "bore", float64(x.Value), c.says, 0.01)
		if !s.Done || x.Finding != (c.says > 1) || s.Proven != (c.after < c.before) {
			t.Errorf("%+v: %+v %+v", c, x, s)
		}
		near(t, "after", float64(s.After), c.after/c.learned, 0.02)
		// It is followed from there.
		p.bore *= 1.1
		p.cycles(6)
		near(t, "worn after", float64(p.m.Index(wear.Bore).Value), 1.1*c.says, 0.02)
	}
}

// TestBoreWithoutNozzlePoint knows nothing while abrasive flows, since a leaner mixture looks the same, and is right after air-only
// seconds.
func TestBoreWithoutNozzlePoint(t *testing.T) {
	p := newPot(allPoints &^ points.SetOf(points.Nozzle))
	p.cycles(60)
	if _, _, known := p.m.Bore(); known {
		t.Fatal("the bore is known without air-only seconds")
	}
	air := func(seconds int) {
		for range seconds {
			p.second(true)
		}
		p.cycle()
	}
	const enough = 40 // s: the vessel's air has cooled
	for range 5 {
		air(20) // of warm air, which tells nothing
	}
	if _, _, known := p.m.Bore(); known {
		t.Fatal("the bore is known from warm air")
	}
	for range 6 {
		air(enough)
	}
	p.bore = 1.1
	p.mixture = 0.5
	for range 10 {
		air(enough)
	}
	bore, sd, known := p.m.Bore()
	if !known {
		t.Fatal("not known after air-only seconds")
	}
	near(t, "bore, mm", 1e3*float64(bore), 8*1.1, 2*1e3*float64(sd))
	near(t, "bore, mm", 1e3*float64(bore), 8*1.1, 0.35)
	// What is called air alone and passes no more freely than the mixture of late is none, a stream that was found to have stopped by mistake.
	mixture := p.mixture
	for range 10 {
		for range enough {
			p.second(false)
		}
		p.cycle()
	}
	for range 10 {
		p.laden(enough, true)
		p.cycle()
	}
	if b, _, known := p.m.Bore(); !known || math.Abs(float64(b-bore)) > 0.05e-3 {
		t.Errorf("the bore is %v mm, known %v, after laden seconds that were called air; was %v", 1e3*b, known, 1e3*bore)
	}
	// A mixture that grows leaner looks like wear: until air alone tells, nothing is known.
	p.mixture = 1.5
	p.cycles(20)
	air(enough)
	p.mixture = 0.05
	p.cycles(40)
	if b, _, known := p.m.Bore(); known {
		t.Errorf("the bore is known to be %v mm after a leaner mixture", 1e3*b)
	}
	p.mixture = mixture
	for range 8 {
		air(enough)
	}
	if _, _, known := p.m.Bore(); !known {
		t.Error("not known after air alone once more")
	}
	// Nor is anything taken while a choke is partly shut.
	was, _, _ := p.m.Bore()
	for range 10 {
		p.bore = 1.3
		for range enough {
			p.second(true)
			p.m.Resistance(wear.Mixing, 2)
		}
		p.cycle()
	}
	if b, _, known := p.m.Bore(); known && math.Abs(float64(b-was)) > 0.25e-3 {
		t.Errorf("the bore went from %v to %v mm behind a choke that is partly shut", 1e3*was, 1e3*b)
	}
}

// alone is a pot without a nozzle point, with 20 blasts behind it, the newest with air alone.
func alone() *pot {
	p := newPot(allPoints &^ points.SetOf(points.Nozzle))
	p.cycles(20)
	p.airAlone(0, 0)
	return p
}

// airAlone is a blast with air alone, and so many seconds with abrasive that are called air, before it and after it; at last abrasive is seen to flow.
func (p *pot) airAlone(before, after int) {
	p.laden(before, true)
	for range 40 {
		p.second(true)
	}
	p.laden(after, true)
	p.second(false)
	p.cycle()
}

// TestBoreBetweenAirs wears the nozzle from the first air alone on: each air alone tells all of it, and between two of them what the laden stream shows counts as
// likely as not, for both the bore and its deviation.
func TestBoreBetweenAirs(t *testing.T) {
	p := alone()
	first, _, known := p.m.Bore()
	near(t, "bore at first, mm", 1e3*float64(first), 8, 0.02)
	if !known {
		t.Fatal("not known after the first air alone")
	}
	for range 6 {
		was := p.bore
		for range 10 {
			p.bore *= 1.004
			p.cycle()
		}
		between, sd, known := p.m.Bore()
		if off := 8*p.bore - 1e3*float64(between); !known || off < 1.6*(p.bore-was) || off > 6*(p.bore-was) || off > 3*1e3*float64(sd) {
			t.Errorf("before air alone the bore is %.3f mm within %.3f, known %v, of %.3f after %.3f", 1e3*between, 1e3*sd, known, 8*p.bore, 8*was)
		}
		p.airAlone(0, 0)
		bore, sd, known := p.m.Bore()
		near(t, "bore, mm", 1e3*float64(bore), 8*p.bore, 0.12)
		if !known || 1e3*sd > 0.17 {
			t.Errorf("after air alone the bore is known %v, within %.3f mm", known, 1e3*sd)
		}
	}
	// A new nozzle that somebody has recorded is the bore that is configured, from the next air alone on.
	p.m.Serve(wear.Bore, p.at)
	p.bore = 1
	p.cycles(3)
	if b, _, known := p.m.Bore(); known {
		t.Errorf("the bore of a new nozzle is said to be %v mm before air alone", 1e3*b)
	}
	p.airAlone(0, 0)
	bore, _, known := p.m.Bore()
	near(t, "bore when new, mm", 1e3*float64(bore), 8, 0.02)
	if s := p.m.Service(wear.Bore); !known || !s.Done || !s.Proven {
		t.Errorf("known %v, %+v", known, s)
	}
	near(t, "bore after the service", float64(p.m.Service(wear.Bore).After), 1, 0.03)
	for range 4 {
		p.airAlone(0, 0)
	}
	bore, _, _ = p.m.Bore()
	near(t, "bore a while later, mm", 1e3*float64(bore), 8, 0.02)
}

// TestAirThatIsNone gives seconds with some abrasive for air alone.
func TestAirThatIsNone(t *testing.T) {
	// Some of it before the stream is seen to flow again counts for nothing.
	p := alone()
	for range 6 {
		p.airAlone(0, 7)
	}
	bore, _, _ := p.m.Bore()
	near(t, "bore, mm", 1e3*float64(bore), 8, 0.02)
	// A leaner stream is none, though it passes more freely than the usual one.
	usual := p.mixture
	for range 6 {
		p.mixture = 0.5
		p.laden(40, true)
		p.mixture = usual
		p.cycle()
	}
	bore, _, known := p.m.Bore()
	near(t, "bore after lean streams, mm", 1e3*float64(bore), 8, 0.02)
	if !known {
		t.Error("not known after lean streams")
	}
	// One with little abrasive counts for little: no nozzle narrows.
	p.mixture = 0.22
	p.laden(40, true)
	p.mixture = usual
	p.cycle()
	bore, _, _ = p.m.Bore()
	near(t, "bore after a stream with little abrasive, mm", 1e3*float64(bore), 8, 0.05)
	// Where a stream that had not quite stopped has made the baseline, two blasts with air alone put it right, and are no wear.
	p = newPot(allPoints &^ points.SetOf(points.Nozzle))
	p.mixture = 2
	p.cycles(20)
	p.mixture = 0.8
	p.laden(40, true)
	p.mixture = 2
	p.cycle()
	for range 3 {
		p.airAlone(0, 0)
	}
	bore, _, _ = p.m.Bore()
	near(t, "bore by a baseline put right, mm", 1e3*float64(bore), 8, 0.02)
	p.bore = 1.05
	p.cycles(6)
	p.airAlone(0, 0)
	bore, _, known = p.m.Bore()
	near(t, "bore after that, mm", 1e3*float64(bore), 8*1.05, 0.2)
	if !known {
		t.Error("not known by a baseline put right")
	}
	// One blast that is far off tells nothing.
	was := bore
	p.leak = 1.4
	p.airAlone(0, 0)
	p.leak = 0
	if bore, _, _ = p.m.Bore(); math.Abs(float64(bore-was)) > 0.2e-3 {
		t.Errorf("one blast moves the bore from %v to %v mm", 1e3*was, 1e3*bore)
	}
}

// TestChokeIsNoBore shuts the choke in part: more is lost between the vessel and the hose point, and the bore without a nozzle point stays.
func TestChokeIsNoBore(t *testing.T) {
	p := alone()
	for range 8 {
		p.choke = 0.03
		p.airAlone(0, 0)
	}
	bore, _, known := p.m.Bore()
	near(t, "bore, mm", 1e3*float64(bore), 8, 0.25)
	if !known {
		t.Error("not known")
	}
}

// TestService cleans the separator, and then pretends to.
func TestService(t *testing.T) {
	p := newPot(allPoints)
	p.cycles(50)
	p.separator = 1.6
	p.cycles(50)
	p.m.Serve(wear.Separator, p.at)
	if x := p.m.Index(wear.Separator); x.Finding {
		t.Error("still found after the service")
	}
	p.separator = 1.02
	p.cycles(3)
	if s := p.m.Service(wear.Separator); s.Done {
		t.Errorf("done after three presses: %+v", s)
	}
	p.cycles(3)
	s := p.m.Service(wear.Separator)
	near(t, "before", float64(s.Before), 1.6, 0.06)
	near(t, "after", float64(s.After), 1.02, 0.05)
	if !s.Done || !s.Proven {
		t.Errorf("%+v", s)
	}
	p.separator = 1.5
	p.cycles(30)
	p.m.Serve(wear.Separator, p.at)
	p.cycles(6)
	if s := p.m.Service(wear.Separator); !s.Done || s.Proven {
		t.Errorf("a service that changed nothing: %+v", s)
	}
	if !p.m.Index(wear.Separator).Finding {
		t.Error("a service that changed nothing took the finding away for good")
	}
	p.m.Serve(wear.Part(99), p.at)
}

// TestServiceMovesBaseline cleans an exhaust that was clogged when its baseline was learned.
func TestServiceMovesBaseline(t *testing.T) {
	p := newPot(allPoints)
	p.exhaust, p.noise = 0.8, 0.002
	p.cycles(40)
	p.m.Serve(wear.Exhaust, p.at)
	p.exhaust = 1
	p.cycles(30)
	x := p.m.Index(wear.Exhaust)
	near(t, "after the service", float64(x.Value), 1, 0.015)
	if math.Abs(x.Trend) > 4*x.TrendSD {
		t.Errorf("the move of the baseline is taken for a trend: %+v", x)
	}
	p.exhaust = 0.85
	p.cycles(20)
	near(t, "clogged again", float64(p.m.Index(wear.Exhaust).Value), 0.85, 0.04)
}

// TestServiceOfWhatWasLearnedClogged cleans a separator that was clogged when its baseline was learned, with that of the valve beside it. Both are as they
// were cleaned, for as long as it lasts.
func TestServiceOfWhatWasLearnedClogged(t *testing.T) {
	p := newPot(allPoints)
	p.separator, p.noise = 3, 0.002
	p.cycles(8)
	// An inlet behind much more of it is not choked, and the valve's loss looks smaller.
	p.separator, p.valve = 11, 0.9
	p.cycles(20)
	if !p.m.Index(wear.Separator).Finding {
		t.Fatalf("%+v", p.m.Index(wear.Separator))
	}
	p.m.Serve(wear.Separator, p.at)
	p.separator, p.valve = 1, 1
	for range 20 {
		p.cycles(6)
		for _, part := range []wear.Part{wear.Separator, wear.Valve} {
			x := p.m.Index(part)
			near(t, part.String()+" after the cleaning", float64(x.Value), 1, 0.02)
			if x.Finding || x.Limit.Known {
				t.Fatalf("%v: %+v", part, x)
			}
		}
	}
	p.separator = 1.5
	p.cycles(12)
	near(t, "clogged again", float64(p.m.Index(wear.Separator).Value), 1.5, 0.05)
}

// TestForecast lets a separator clog at an even pace. Half of all pots must lie on either side of the forecast, and four fifths
// within its interval.
func TestForecast(t *testing.T) {
	in, all := 0, 0
	for seed := range int64(40) {
		p := newPot(allPoints)
		p.rng = rand.New(rand.NewSource(seed))
		p.noise = 0.015
		p.cycles(40)
		const each = 0.001
		for range 150 {
			p.separator *= 1 + each
			p.cycle()
		}
		x := p.m.Index(wear.Separator)
		if !x.Limit.Known {
			continue
		}
		all++
		left := math.Log(1.3/p.separator) / math.Log(1+each)
		due := p.at.Add(time.Duration(left * float64(p.blast+p.rest)))
		if due >= x.Limit.P10 && (x.Limit.P90 == 0 || due <= x.Limit.P90) {
			in++
		}
		if x.Limit.P10 >= x.Limit.P50 || x.Limit.P90 != 0 && x.Limit.P50 >= x.Limit.P90 {
			t.Errorf("quantiles out of order: %+v", x.Limit)
		}
		if per := each * float64(x.Value) / p.blast.Hours(); math.Abs(x.Trend-per) > 4*x.TrendSD {
			t.Errorf("trend %.3g +- %.2g an hour, want %.3g", x.Trend, x.TrendSD, per)
		}
	}
	if all < 35 {
		t.Fatalf("only %d of 40 pots have a forecast", all)
	}
	if share := float64(in) / float64(all); share < 0.7 {
		t.Errorf("the interval holds %.0f %%", 100*share)
	}
	steadyPot := newPot(allPoints)
	steadyPot.cycles(300)
	for part := range wear.Part(wear.Parts) {
		if f := steadyPot.m.Index(part).Limit; f.Known {
			t.Errorf("%v of a pot that does not wear is due: %+v", part, f)
		}
	}
}

// TestForecastTakesAnHour: a trend that was seen for less than an hour of blasting has no date, however clear it is.
func TestForecastTakesAnHour(t *testing.T) {
	p := newPot(allPoints)
	p.noise, p.blast, p.rest = 0.003, 20*time.Second, 20*time.Second
	p.cycles(6)
	began := 0.0
	for i := range 400 {
		p.separator *= 1.0008
		p.cycle()
		if x := p.m.Index(wear.Separator); x.Limit.Known {
			began = float64(i+6) * p.blast.Hours()
			break
		}
		if x := p.m.Index(wear.Separator); i == 150 && x.Trend < 5*x.TrendSD {
			t.Fatalf("the trend is not clear: %+v", x)
		}
	}
	if began < 0.8 || began > 1.6 {
		t.Errorf("a date after %.2f h of blasting", began)
	}
}

// TestForecastBesideAShutChoke: air that goes through the metering valve loses more in separator and valve, and neither has a date by that.
func TestForecastBesideAShutChoke(t *testing.T) {
	for _, tee := range []float64{1.05, 1.5} {
		p := newPot(allPoints)
		p.noise, p.tee = 0.005, 1
		p.cycles(40)
		p.tee = tee
		for range 130 {
			p.separator, p.exhaust = p.separator*1.001, p.exhaust*0.9996
			p.cycle()
		}
		for _, part := range []wear.Part{wear.Separator, wear.Exhaust} {
			if x := p.m.Index(part); x.Limit.Known != (tee < 1.15) || x.Finding || x.Trend == 0 {
				t.Errorf("%v beside a mixing segment of %g: %+v", part, tee, x)
			}
		}
	}
}

// TestForecastBesideAWornNozzle: a hose that seems to clog has no date while the nozzle has worn by more than half of what it may.
func TestForecastBesideAWornNozzle(t *testing.T) {
	for _, bore := range []float64{1.05, 1.15} {
		p := newPot(allPoints)
		p.noise = 0.005
		p.cycles(40)
		p.bore = bore
		hose := 1.0
		for range 130 {
			hose *= 1.001
			for range 10 {
				p.m.Resistance(wear.Hose, si.Ratio(p.noisy(hose)))
			}
			p.cycle()
		}
		if x := p.m.Index(wear.Hose); x.Limit.Known != (bore < 1.1) || x.Finding || x.Trend == 0 {
			t.Errorf("hose beside a nozzle of %g: %+v, %+v", bore, x, p.m.Index(wear.Bore))
		}
	}
}

// TestLessPoints takes points away.
func TestLessPoints(t *testing.T) {
	p := newPot(allPoints &^ points.SetOf(points.Separator, points.Nozzle))
	p.cycles(60)
	p.valve = 1.4
	p.cycles(20)
	if x := p.m.Index(wear.Separator); x.Known {
		t.Errorf("a separator without its point: %+v", x)
	}
	if x := p.m.Index(wear.Valve); !x.Finding {
		t.Errorf("separator and valve in one: %+v", x)
	}
}

// TestResistance takes the losses' word for mixing and hose.
func TestResistance(t *testing.T) {
	p := newPot(allPoints)
	blasts := func(n int, hose si.Ratio) {
		for range n {
			for range 10 {
				p.m.Resistance(wear.Hose, hose)
				p.m.Resistance(wear.Separator, 9) // not its business
			}
			p.cycle()
		}
	}
	blasts(20, 1)
	blasts(10, 1.5)
	x := p.m.Index(wear.Hose)
	near(t, "hose", float64(x.Value), 1.5, 0.05)
	if !x.Finding || p.m.Index(wear.Mixing).Known {
		t.Errorf("hose %+v, mixing %+v", x, p.m.Index(wear.Mixing))
	}
	// A step back to the baseline itself is one as well.
	blasts(2, 1.2)
	blasts(4, 1)
	x = p.m.Index(wear.Hose)
	near(t, "hose that is as it was", float64(x.Value), 1, 0.01)
	if x.Finding {
		t.Errorf("hose %+v", x)
	}
}

// TestState saves and restores at any moment: what follows is the same, bit for bit.
func TestState(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		has := rapid.SampledFrom([]points.Set{allPoints, allPoints &^ points.SetOf(points.Nozzle)}).Draw(t, "points")
		p := newPot(has)
		p.rng = rand.New(rand.NewSource(rapid.Int64().Draw(t, "seed")))
		story := func(p *pot, n int) {
			for i := range n {
				p.separator *= 1.001
				p.bore *= 1.0002
				p.mixture = 1 + 0.05*float64(i%7)
				p.empty = i%17 == 5
				if i%23 == 22 {
					p.m.Serve(wear.Part(i%wear.Parts), p.at)
				}
				if i%11 == 10 {
					for range 40 {
						p.second(true)
						p.m.Resistance(wear.Mixing, 1.1)
					}
				}
				p.saw()
			}
		}
		story(p, rapid.SampledFrom([]int{0, 11, 22, 60, 100}).Draw(t, "before")+rapid.IntRange(0, 10).Draw(t, "and"))
		pressed := rapid.Bool().Draw(t, "in a press")
		if pressed {
			p.m.Press(&stroke.Press{At: p.at, Fill: 2, Separator: 0.5, Valve: 0.5}, false)
			for i := range rapid.IntRange(30, 60).Draw(t, "seconds") {
				p.second(i%50 > 10)
			}
		}
		state := p.m.AppendState(nil)
		if len(state) > 400 {
			t.Fatalf("%d bytes", len(state))
		}
		other := newPot(has)
		other.m.Serve(wear.Hose, 1) // must leave no trace
		other.cycles(3)
		*other = pot{separator: p.separator, valve: p.valve, exhaust: p.exhaust, bore: p.bore, mixture: p.mixture, level: p.level,
			hastens: p.hastens, loses: p.loses, noise: p.noise, blast: p.blast, rest: p.rest, m: other.m, at: p.at, has: p.has}
		if err := other.m.SetState(state); err != nil {
			t.Fatal(err)
		}
		p.rng, other.rng = rand.New(rand.NewSource(3)), rand.New(rand.NewSource(3))
		for _, n := range []int{0, 4, 40} {
			for _, p := range [...]*pot{p, other} {
				for range 20 {
					if pressed {
						p.second(true)
					}
				}
				story(p, n)
			}
			if a, b := p.m.AppendState(nil), other.m.AppendState(nil); !bytes.Equal(a, b) {
				t.Fatalf("went on to %x, restored to %x", a, b)
			}
			for part := range wear.Part(wear.Parts) {
				if a, b := p.m.Index(part), other.m.Index(part); a != b {
					t.Fatalf("%v: %+v, restored %+v", part, a, b)
				}
				if a, b := p.m.Service(part), other.m.Service(part); a != b {
					t.Fatalf("%v: %+v, restored %+v", part, a, b)
				}
			}
		}
	})
}

func TestDamagedState(t *testing.T) {
	p := newPot(allPoints)
	p.cycles(30)
	state := p.m.AppendState(nil)
	for i := range state {
		if err := p.m.SetState(state[:i]); err == nil {
			t.Fatalf("%d of %d bytes were taken", i, len(state))
		}
	}
	if got := p.m.AppendState(nil); !bytes.Equal(got, state) {
		t.Fatal("a refused state left something behind")
	}
}

// TestOddInput gives what cannot be: nothing is known from it, and nothing breaks.
func TestOddInput(t *testing.T) {
	m := wear.New(wear.Params{})
	for range 50 {
		m.Press(&stroke.Press{At: began, Fill: math.Inf(1), Separator: -1, Valve: math.NaN()}, false)
		m.Second(&steady.Second{Steady: true, Rated: true, Has: allPoints}, true)
		m.Resistance(wear.Hose, si.Ratio(math.NaN()))
		m.Vent(&stroke.Vent{At: began, Tau: math.NaN(), Blast: -time.Hour}, false)
		m.Break()
	}
	for part := range wear.Part(wear.Parts) {
		if x := m.Index(part); x.Known {
			t.Errorf("%v is known: %+v", part, x)
		}
	}
	if _, _, known := m.Bore(); known {
		t.Error("the bore is known")
	}
}

func TestAllocates(t *testing.T) {
	p := newPot(allPoints)
	p.cycles(50)
	if n := testing.AllocsPerRun(200, func() {
		p.saw()
		p.second(true)
		for part := range wear.Part(wear.Parts) {
			p.m.Index(part)
		}
		p.m.Bore()
	}); n != 0 {
		t.Errorf("%g allocations a cycle", n)
	}
}

func TestNames(t *testing.T) {
	want := []string{"separator", "valve", "mixing", "hose", "exhaust", "bore"}
	for p := range wear.Part(wear.Parts) {
		if p.String() != want[p] {
			t.Errorf("part %d is %q, want %q", p, p, want[p])
		}
		if p < points.SegmentCount && p.String() != points.Segment(p).String() {
			t.Errorf("part %q is segment %q", p, points.Segment(p))
		}
	}
}
