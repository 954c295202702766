package losses

import (
	"math"
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/internal/statecodec"
	"gritwatch/protocol/si"
)

// mixed is the air of a baseline with the loading and kappa that the trade's table and simulated pots have.
var mixed = air{mu0: usualLoading, kappa: usualKappa}

// says is what a second shows, by the equations (1) to (3), of a bore, a hose, and a loading.
func says(bore, hose, mu float64) *vote {
	a := mixed
	ratio := func(k float64) float64 { return math.Log((1 + k*mu) / (1 + k*a.mu0)) }
	flow := bore - ratio(airflow.HandbookSlowing) // at the baseline's pressure
	return &vote{hose: hose + flow + ratio(a.kappa), inlet: flow, tee: flow + ratio(teeKappa), inletKnown: true, teeKnown: true}
}

func (w *worn) seconds(n int, v *vote) {
	for range n {
		w.take(&mixed, v)
	}
}

// Every part of the state is saved.
func TestWornState(t *testing.T) {
	w := worn{begun: true, x: [worns]float64{1, 2, 3, 4, 14}, gust: 15, clog: 13, other: other{age: 5, odds: 16, less: [worns]float64{17, 18, 19, 60, 61}}, n: 6, inlets: 7, tees: 8, u: 9, nozzle: 10, inlet: 11, tee: 12}
	for i := range w.p {
		for j := range w.p {
			w.p[i][j] = float64(20 + min(i, j)*worns + max(i, j))
		}
	}
	settled := w
	settled.other = other{}
	for _, want := range []worn{w, settled, {}} {
		c := statecodec.Writer(nil, 1)
		want.fields(&c)
		got := w // whatever stood there before
		if err := statecodec.Read(c.Bytes(), 1, got.fields); err != nil || got != want {
			t.Errorf("%v:\n%+v\n%+v", err, got, want)
		}
	}
}

// One observation that is far off moves nothing; two of a kinked hose do, and what is as good as air alone never does.
func TestWornJumps(t *testing.T) {
	var w worn
	w.seconds(20*window, says(0, 0, 1.3))
	kinked := says(0, 0.5, 1.3)
	w.seconds(window, kinked)
	if bore, hose := w.told(); math.Abs(bore) > 0.01 || hose != 0 || w.gust == 0 {
		t.Errorf("one observation: bore %v, hose %v, gust %v", bore, hose, w.gust)
	}
	w.seconds(window, says(0, 0, 1.3))
	if w.gust != 0 {
		t.Error("a gust is remembered")
	}
	w.seconds(2*window, kinked)
	if bore, hose := w.told(); math.Abs(bore) > 0.02 || math.Abs(hose-0.5) > 0.05 {
		t.Errorf("kinked: bore %v, hose %v", bore, hose)
	}
	before := w.x
	clean := says(0, 0.5, 0.4)
	clean.hose -= 0.3 // kappa is not what it was taken for
	w.seconds(20*window, clean)
	before[ofInlet] = w.x[ofInlet] // it is forgotten in half an hour
	if w.x != before {
		t.Errorf("as good as air alone: %v, before %v", w.x, before)
	}
	// A hose of which less is lost than of the new one is none.
	w.forget(ofHose, 0.01)
	w.x[ofHose], w.x[ofMix] = -0.2, 0
	if bore, hose := w.told(); hose != 0 || bore == w.x[ofBore] && w.p[ofBore][ofHose] != 0 {
		t.Errorf("freer: bore %v of %v, hose %v", bore, w.x[ofBore], hose)
	}
	if w.x[ofHose] = -0.5; w.x[ofHose] < -freer {
		if _, hose := w.told(); !(hose < -0.4) {
			t.Errorf("kinked when the baseline was taken: hose %v", hose)
		}
	}
	was := w.x[ofHose]
	w.seconds(window, says(0, was, 1.3))
	if !(w.x[ofHose] > was) {
		t.Error("nothing draws it back")
	}
}

// A choke that is partly shut moves neither bore nor hose, though the mix is then another one and not as it was reckoned; a worn nozzle is told from it.
func TestWornChokeShut(t *testing.T) {
	for _, suddenly := range []bool{true, false} {
		var w worn
		w.seconds(40*window, says(0, 0, 1.3))
		for i := range 240 {
			shut := 0.5
			if !suddenly {
				shut *= min(1, float64(i)/60)
			}
			v := says(0, 0, 1.3+shut)
			v.tee += shut
			v.hose += shut / 5
			w.seconds(window, v)
		}
		if bore, hose := w.told(); math.Abs(bore) > 0.06 || hose > 0.05 {
			t.Errorf("shut, suddenly %v: bore %v, hose %v", suddenly, bore, hose)
		}
		w.seconds(120*window, says(0, 0, 1.3))
		if bore, hose := w.told(); math.Abs(bore) > 0.02 || hose > 0.02 {
			t.Errorf("open again, suddenly %v: bore %v, hose %v", suddenly, bore, hose)
		}
	}
}

// What one observation of the tee is off, as its small loss is with noise, has both signs, and none is left out for it.
func TestWornNoisyTee(t *testing.T) {
	var w worn
	for i := range 800 {
		v := says(0.3*min(1, float64(i)/400), 0, 1.3)
		v.tee += 0.15 * float64(1-2*(i%2))
		w.seconds(window, v)
	}
	if bore, hose := w.told(); math.Abs(bore-0.3) > 0.03 || hose > 0.02 {
		t.Errorf("worn: bore %v, hose %v", bore, hose)
	}
}

// No nozzle narrows: a bore under that of the baseline is drawn back, but one that was put in is not.
func TestWornNarrow(t *testing.T) {
	for _, c := range []struct{ bore, least, most float64 }{{-0.1, -0.08, 0}, {-0.7, -0.75, -0.65}} {
		w := worn{begun: true}
		w.x[ofBore] = c.bore
		for i := range w.p {
			w.p[i][i] = 1e-3
		}
		w.seconds(8*window, says(c.bore, 0, 1.3))
		if x := w.x[ofBore]; x < c.least || x > c.most {
			t.Errorf("%v: %v", c.bore, x)
		}
	}
}

// While nobody turns the metering valve the mix stays, so that a hose that kinks slowly is told by hose and nozzle, though the inlet goes astray meanwhile; a valve that
// is turned is no hose.
func TestWornMixStays(t *testing.T) {
	var w worn
	w.seconds(120*window, says(0, 0, 1.3))
	for i := range 240 {
		v := says(0, 0.3*min(1, float64(i)/120), 1.3)
		v.inlet += 0.05 * min(1, float64(i)/120)
		w.seconds(window, v)
	}
	if bore, hose := w.told(); math.Abs(bore) > 0.03 || math.Abs(hose-0.3) > 0.04 {
		t.Errorf("kinked: bore %v, hose %v", bore, hose)
	}
	w = worn{}
	w.seconds(120*window, says(0, 0, 1.3))
	for i := range 40 {
		w.seconds(15*60, says(0, 0, []float64{1.6, 1.1, 1.9, 0.8}[i%4]))
		if bore, hose := w.told(); math.Abs(bore) > 0.03 || hose != 0 {
			t.Fatalf("turned %d times: bore %v, hose %v", i+1, bore, hose)
		}
	}
}

// A nozzle that has worn while the choke was partly shut does not keep the choke from being seen to open.
func TestWornChokeOpens(t *testing.T) {
	var w worn
	w.seconds(120*window, says(0, 0, 1.3))
	for i := range 720 {
		v := says(0.2*float64(i)/720, 0, 1.9)
		v.tee += 0.5
		w.seconds(window, v)
	}
	w.seconds(120*window, says(0.2, 0, 1.3))
	if bore, hose := w.told(); math.Abs(bore-0.2) > 0.03 || hose > 0.03 {
		t.Errorf("bore %v, hose %v", bore, hose)
	}
}

// A gust, or the few seconds before and after air alone, is no other mix: what is known of the one that comes back stays, so that an inlet that errs afterwards makes no kink of it.
func TestWornGust(t *testing.T) {
	var w worn
	w.seconds(240*window, says(0, 0, 1.3))
	mix, sd := w.x[ofMix], math.Sqrt(w.p[ofMix][ofMix])
	w.seconds(window, says(0, 0, 0.7))
	if now := math.Sqrt(w.p[ofMix][ofMix]); w.gust == 0 || w.x[ofMix] != mix || now > 1.1*sd {
		t.Errorf("gust %v, mix %v +- %v, before %v +- %v", w.gust, w.x[ofMix], now, mix, sd)
	}
	w.seconds(window, says(0, 0, 1.3))
	if now := math.Sqrt(w.p[ofMix][ofMix]); w.gust != 0 || math.Abs(w.x[ofMix]-mix) > 0.005 || now > 1.1*sd {
		t.Errorf("over: gust %v, mix %v +- %v, before %v +- %v", w.gust, w.x[ofMix], now, mix, sd)
	}
	w.seconds(2*window, says(0, 0, 0.7))
	if m := mixed.followed(&w.x); math.Abs(m.mu-0.7) > 0.1 {
		t.Errorf("turned: loading %v", m.mu)
	}
}

// A step in what hose and nozzle show is of the valve or of the hose, and of one alone: inlet and tee tell which, within a minute and a half, and what is known of the other one stays.
func TestWornStep(t *testing.T) {
	for _, c := range []struct {
		name     string
		from, to *vote
		hose     float64
	}{
		{"kinked", says(0, 0, 1.3), says(0, 0.3, 1.3), 0.3},
		{"turned richer", says(0, 0, 1.3), says(0, 0, 2.3), 0},
		{"turned leaner", says(0, 0, 1.3), says(0, 0, 0.8), 0},
		{"straightened", says(0, 0.3, 1.3), says(0, 0, 1.3), 0},
		{"turned leaner, kinked", says(0, 0.5, 1.3), says(0, 0.5, 0.9), 0.5},
		{"turned richer, kinked", says(0, 0.5, 1.3), says(0, 0.5, 1.9), 0.5},
		{"half straightened", says(0, 0.7, 1.3), says(0, 0.35, 1.3), 0.35},
	} {
		var w worn
		w.seconds(40*window, says(0, 0, 1.3))
		w.seconds(20*window, c.from)
		w.settle()
		w.seconds(window, c.to)
		if w.gust == 0 || w.other.age != 0 {
			t.Errorf("%s: one observation alone: %+v", c.name, w.other)
		}
		w.seconds(5*window, c.to)
		bore, hose := w.told()
		if math.Abs(bore) > 0.03 || math.Abs(hose-c.hose) > 0.03 {
			t.Errorf("%s: bore %.3f, hose %.3f", c.name, bore, hose)
		}
		w.seconds(2*longest*window, c.to)
		if bore, hose = w.told(); math.Abs(bore) > 0.02 || math.Abs(hose-c.hose) > 0.03 || w.other != (other{}) {
			t.Errorf("%s, later: bore %.3f, hose %.3f, %+v", c.name, bore, hose, w.other)
		}
	}
}

// What goes on changing is no step: a hose that kinks within minutes is followed, with the mix as it was.
func TestWornNoStep(t *testing.T) {
	var w worn
	w.seconds(40*window, says(0, 0, 1.3))
	for i := range 24 {
		w.seconds(window, says(0, 0.012*float64(i+1), 1.3))
	}
	w.seconds(12*window, says(0, 0.288, 1.3))
	if bore, hose := w.told(); math.Abs(bore) > 0.02 || math.Abs(hose-0.288) > 0.03 {
		t.Errorf("bore %v, hose %v", bore, hose)
	}
}

// The two explanations of a step are one filter each: what is kept as their difference is what a filter of its own would have, and the one that is given up leaves doubt.
func TestWornOther(t *testing.T) {
	start := func() (w worn) {
		w.seconds(40*window, says(0, 0, 1.3))
		w.settle()
		return w
	}
	w, alone := start(), start()
	w.split(0.2)
	alone.x[ofHose] += w.x[ofHose] + w.other.less[ofHose] - alone.x[ofHose]
	alone.x[ofMix] += w.x[ofMix] + w.other.less[ofMix] - alone.x[ofMix]
	alone.p = w.p
	for i := range 5 {
		by := [worns]float64{ofBore: 1, ofHose: 0.3 * float64(i), ofMix: -0.5, ofInlet: 1}
		y := 0.03 * float64(i-1)
		see := func(w *worn) {
			off := y
			for i, b := range by {
				off -= b * w.x[i]
			}
			w.see(&by, off, off-w.apart(&by), 0.01)
		}
		see(&w)
		see(&alone)
	}
	for i := range w.x {
		if got := w.x[i] + w.other.less[i]; math.Abs(got-alone.x[i]) > 1e-6 {
			t.Errorf("state %d: %v, alone %v", i, got, alone.x[i])
		}
	}
	doubt, step := w.p[ofHose][ofHose], w.other.less[ofHose]
	w.other.odds = math.Log(9)
	before := w.doubt(&[worns]float64{ofHose: 1}, 0)
	w.settle()
	if after := w.doubt(&[worns]float64{ofHose: 1}, 0); math.Abs(after-before) > 1e-6 || !(before > doubt+0.05*step*step) {
		t.Errorf("doubt before %v, after %v, of the covariance alone %v", before, after, doubt)
	}
	if got, want := w.p[ofHose][ofHose]-doubt, 0.1*0.9*step*step; math.Abs(got-want) > 1e-6 || w.other != (other{}) {
		t.Errorf("doubt %v, want %v", got, want)
	}
}

// No separator becomes freer than it was: presses that say so while the hose is kinked are not believed, but where it was clogged when the baseline was taken they are.
func TestFreerSeparator(t *testing.T) {
	for _, c := range []struct{ separator, vote, want float64 }{{0.92, -0.05, -0.05}, {0.5, -0.7, math.Ln2 - 0.7}, {1.5, 0.4, 0.4 - math.Log(1.5)}} {
		l := New(Params{})
		l.held.aside.Separator = si.Ratio(c.separator)
		votes := []float64{c.vote, 0.02}
		if l.inlet(votes, true); math.Abs(votes[0]-c.want) > 1e-9 {
			t.Errorf("presses say %v: separator's vote %v, want %v", c.separator, votes[0], c.want)
		}
	}
}
