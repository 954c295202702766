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
	w := worn{begun: true, x: [worns]float64{1, 2, 3, 4, 14}, odd: 5, gust: 15, said: true, clog: 13, n: 6, inlets: 7, tees: 8, u: 9, nozzle: 10, inlet: 11, tee: 12}
	for i := range w.p {
		for j := range w.p {
			w.p[i][j] = float64(20 + min(i, j)*worns + max(i, j))
		}
	}
	for _, want := range []worn{w, {}} {
		c := statecodec.Writer(nil, 1)
		want.fields(&c)
		var got worn
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
	if w.odd != 0 || w.gust != 0 {
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
		if bore, hose := w.told(); math.Abs(bore) > 0.05 || hose > 0.05 {
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
	for _, c := range []struct{ bore, least, most float64 }{{-0.1, -0.07, 0}, {-0.7, -0.75, -0.65}} {
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
		if bore, hose := w.told(); math.Abs(bore) > 0.01 || hose != 0 {
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
	if m := w.usual(&mixed); math.Abs(m.mu-0.7) > 0.1 {
		t.Errorf("turned: loading %v", m.mu)
	}
}

// A hose that is said to be clogged stays so while less is known of it for a while; one of which nothing is said has to show more.
func TestWornSaidStays(t *testing.T) {
	w := worn{begun: true}
	w.x[ofHose], w.p[ofHose][ofHose] = 0.2, 0.085*0.085
	if _, hose := w.told(); hose > 0.02 {
		t.Errorf("not said before: %v", hose)
	}
	w.said = true
	if _, hose := w.told(); hose < 0.08 {
		t.Errorf("said before: %v", hose)
	}
	w.another(0.3)
	if w.said || w.gust != 0 {
		t.Error("another nozzle: what was said stays")
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
