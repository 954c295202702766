package level

import (
	"math"
	"math/rand/v2"
	"testing"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/steady"
)

// Mean and variance of the standard normal above zero are sqrt(2/pi) and 1 - 2/pi (half-normal distribution; Johnson, Kotz
// and Balakrishnan, Continuous Univariate Distributions 1, section 13.10), above -1 and 1 they are by numbers.
func TestNotNegative(t *testing.T) {
	for _, mean := range []float64{0, 1, 2, -1, -3} {
		const sd, lean = 0.2, 0.7
		var b belief
		b.x[iShare], b.p[iShare][iShare] = mean*sd, sd*sd
		b.x[iFlow], b.p[iFlow][iFlow] = 0, 0.04
		b.p[iShare][iFlow], b.p[iFlow][iShare] = lean*sd*0.2, lean*sd*0.2
		// Simpson's rule over the part above zero.
		var w, m, v float64
		for i := range 20001 {
			x := float64(i) / 20000 * (max(0, mean) + 9) * sd
			d := math.Exp(-(x/sd-mean)*(x/sd-mean)/2) * [...]float64{2, 4}[i%2]
			if i == 0 || i == 20000 {
				d /= 2
			}
			w += d
			m += d * x
			v += d * x * x
		}
		m /= w
		v = v/w - m*m
		if mean == 0 {
			if math.Abs(m-sd*math.Sqrt(2/math.Pi)) > 1e-6 || math.Abs(v-sd*sd*(1-2/math.Pi)) > 1e-6 {
				t.Fatalf("by numbers %v, %v", m, v)
			}
		}
		was := b.x[iShare]
		b.notNegative(-10)
		if math.Abs(b.x[iShare]-m) > 1e-4 || math.Abs(b.p[iShare][iShare]-v) > 1e-4 {
			t.Errorf("mean %v sd: %v, %v, want %v, %v", mean, b.x[iShare], b.p[iShare][iShare], m, v)
		}
		// What leans on it moves with it, as a regression line does.
		if want := lean * 0.2 / sd * (b.x[iShare] - was); math.Abs(b.x[iFlow]-want) > 1e-9 {
			t.Errorf("flow moved by %v, want %v", b.x[iFlow], want)
		}
	}
}

// Two measurements of one thing weigh by the inverse of their variances (Gauss); a sum that is measured splits by the
// variances of its parts.
func TestUpdate(t *testing.T) {
	var b belief
	b.x[iShare], b.p[iShare][iShare] = 0.5, 0.04
	h := [states]float64{iShare: 1}
	b.update(0.8-0.5, 0.01, &h)
	if want := (0.5/0.04 + 0.8/0.01) / (1/0.04 + 1/0.01); math.Abs(b.x[iShare]-want) > 1e-12 || math.Abs(b.p[iShare][iShare]-1/(1/0.04+1/0.01)) > 1e-12 {
		t.Errorf("%v +- %v", b.x[iShare], b.p[iShare][iShare])
	}
	b = belief{}
	b.p[iShare][iShare], b.p[iFlow][iFlow] = 0.03, 0.01
	h = [states]float64{iShare: 1, iFlow: 1}
	b.update(0.1, 1e-9, &h)
	if math.Abs(b.x[iShare]-0.075) > 1e-6 || math.Abs(b.x[iFlow]-0.025) > 1e-6 || math.Abs(b.p[iShare][iFlow]+0.0075) > 1e-6 {
		t.Errorf("%v", b)
	}
}

// A mixture has the mean and the variance of all draws from its parts.
func TestMix(t *testing.T) {
	var a, b belief
	a.x[iShare], a.p[iShare][iShare] = 0.2, 0.01
	b.x[iShare], b.p[iShare][iShare] = 0.9, 0.0025
	m := mix([]belief{a, b}, []float64{0.3, 0.7})
	rng := rand.New(rand.NewPCG(1, 2))
	var s, ss float64
	const n = 200000
	for range n {
		x := 0.9 + 0.05*rng.NormFloat64()
		if rng.Float64() < 0.3 {
			x = 0.2 + 0.1*rng.NormFloat64()
		}
		s += x
		ss += x * x
	}
	s /= n
	if v := ss/n - s*s; math.Abs(m.x[iShare]-s) > 0.003 || math.Abs(m.p[iShare][iShare]/v-1) > 0.02 {
		t.Errorf("%v +- %v, want %v +- %v", m.x[iShare], m.p[iShare][iShare], s, v)
	}
}

// A settled belief that is settled again, or saved and restored, is the same; and it is hardly changed.
func TestSettle(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 100 {
		var b belief
		for range 12 { // a sum of squares is a covariance
			var v [states]float64
			for i := range v {
				v[i] = rng.NormFloat64() * math.Exp(2*rng.NormFloat64())
			}
			for i := range v {
				b.x[i] = v[i]
				for j := range v {
					b.p[i][j] += v[i] * v[j]
				}
			}
		}
		was := b
		b.settle()
		for i := range states {
			for j := range states {
				if d := math.Abs(b.p[i][j]-was.p[i][j]) / math.Sqrt(was.p[i][i]*was.p[j][j]); d > 1e-3 || b.p[i][j] != b.p[j][i] {
					t.Fatalf("%v off by %v", was.p[i][j], d)
				}
			}
		}
		again := b
		again.settle()
		if again != b {
			t.Fatal("settled twice is another")
		}
	}
}

// The loading that a hose and a laden nozzle of package airflow show is told again, where the hose takes the abrasive as
// the filter assumes.
func TestLoading(t *testing.T) {
	p := Params{Points: points.SetOf(points.Vessel, points.Hose, points.Nozzle), Volume: 0.1, Nozzle: 0.009, HoseBore: 0.032, HoseLength: 20, Target: 700e3, Ambient: si.StandardAtmosphere}
	nozzle := airflow.Nozzle{Area: si.CircleArea(p.Nozzle), Coefficient: 1}
	pipe := airflow.Pipe{Bore: p.HoseBore, Length: p.HoseLength, Roughness: roughness, Loss: couplings, Law: airflow.Haaland, Kappa: friction}
	for _, mu := range []float64{0, 0.2, 0.6, 1.3, 2} {
		m := newMeter(p)
		m.usual = 1
		const pn = 750e3
		air, err := nozzle.LadenFlow(pn, si.StandardAtmosphere, room, airflow.HandbookSlowing, si.Ratio(mu))
		if err != nil {
			t.Fatal(err)
		}
		run, err := pipe.Inlet(pn, air, room, si.Ratio(mu))
		if err != nil {
			t.Fatal(err)
		}
		var s steady.Second
		s.Has = p.Points
		for pt, v := range map[points.Point]float64{points.Vessel: 800e3, points.Hose: float64(run.Inlet), points.Nozzle: pn} {
			s.P[pt], s.PP[pt] = v, v*v
		}
		var out measure
		for range 40 {
			out = m.second(&s, &s)
		}
		if math.Abs(m.mu-mu) > 0.02+0.03*mu {
			t.Errorf("loading %v told as %v", mu, m.mu)
		}
		if want := mu * float64(air); math.Abs(out.flow-want) > 0.002+0.03*want {
			t.Errorf("flow %v told as %v", want, out.flow)
		}
	}
	// By the handbook's table, a 3/8 in nozzle at 100 psi passes 1152 lb/h of abrasive and 196 ft3/min of air at 14.7 psi and
	// 68 F: the loading that nothing measures is taken from it.
	const flow, airFlow = 1152 * si.Pound / 3600, 196 * 4.719474432e-4 * 1.2045
	m := newMeter(Params{Points: points.SetOf(points.Vessel), Nozzle: 0.375 * si.Inch, Target: 100 * si.PSI, Ambient: si.StandardAtmosphere})
	m.hose, m.wall = 0, 0 // the table's pressure is at the nozzle
	s := steady.Second{Has: points.SetOf(points.Vessel)}
	s.P[points.Vessel] = 100*si.PSI + 101325
	if got := m.second(&s, &s).flow; math.Abs(got/flow-1) > 0.05 {
		t.Errorf("%v kg/s, the table has %v", got, flow)
	}
	if mu := flow / airFlow; math.Abs(usualLoading/mu-1) > 0.03 {
		t.Errorf("usual loading %v, the table has %v", usualLoading, mu)
	}
}
