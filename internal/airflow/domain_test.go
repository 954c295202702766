package airflow_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/si"
)

// calls are all laws with one of their quantities set to v, each of which must be above zero.
func calls(v float64) map[string]error {
	out := map[string]error{}
	n, r, p := bore(0.25), valve(1, 0.3, 0.5), pipe(50, 1, 0.01)
	pa, k, m, l := si.AbsPressure(v), si.Temperature(v), si.MassFlow(v), si.Length(v)
	a := airflow.Air{Pressure: bar, Temperature: r20, Humidity: 0.5}
	s := airflow.Stream{Dry: 1, Vapour: 0.01}
	do := func(name string, f func() (any, error)) { _, out[name] = f() }

	do("nozzle up", func() (any, error) { return n.MassFlow(pa, bar, r20) })
	do("nozzle down", func() (any, error) { return n.MassFlow(bar, pa, r20) })
	do("nozzle temperature", func() (any, error) { return n.MassFlow(bar, bar, k) })
	do("nozzle area", func() (any, error) { return airflow.Nozzle{Area: si.Area(v), Coefficient: 1}.MassFlow(bar, bar, r20) })
	do("nozzle conductance", func() (any, error) { return airflow.Nozzle{Area: si.Area(v), Coefficient: 1}.Conductance() })
	do("laden up", func() (any, error) { return n.LadenFlow(pa, bar, r20, 0.39, 1) })
	do("loading k", func() (any, error) { return airflow.LoadingOf(v, 0.5) })
	do("restriction up", func() (any, error) { return r.MassFlow(pa, bar, r20) })
	do("restriction down", func() (any, error) { return r.MassFlow(bar, pa, r20) })
	do("restriction temperature", func() (any, error) { return r.MassFlow(bar, bar, k) })
	do("restriction C", func() (any, error) { return valve(v, 0.3, 0.5).MassFlow(bar, bar, r20) })
	do("series", func() (any, error) { return airflow.Series(r, valve(v, 0.3, 0.5)) })
	do("parallel", func() (any, error) { return airflow.Parallel(r, valve(v, 0.3, 0.5)) })
	do("chain", func() (any, error) { return airflow.Chain(bar, bar, r20, r, valve(v, 0.3, 0.5)) })
	do("chain up", func() (any, error) { return airflow.Chain(pa, bar, r20, r) })
	do("isentropic", func() (any, error) { return airflow.Isentropic(v) })
	do("friction", func() (any, error) { return airflow.Colebrook.Factor(v, 0) })
	do("viscosity", func() (any, error) { return airflow.Viscosity(k) })
	for name, q := range map[string]airflow.Pipe{"bore": {Bore: l, Length: 1}, "length": {Bore: 0.03, Length: l}} {
		do("flow "+name, func() (any, error) { return q.Flow(2*bar, bar, r20, 0) })
		do("inlet "+name, func() (any, error) { return q.Inlet(bar, 0.01, r20, 0) })
		do("outlet "+name, func() (any, error) { return q.Outlet(bar, 0.01, r20, 0) })
	}
	do("flow up", func() (any, error) { return p.Flow(pa, bar, r20, 0) })
	do("flow down", func() (any, error) { return p.Flow(bar, pa, r20, 0) })
	do("flow temperature", func() (any, error) { return p.Flow(bar, bar, k, 0) })
	do("inlet down", func() (any, error) { return p.Inlet(pa, 0.01, r20, 0) })
	do("outlet up", func() (any, error) { return p.Outlet(pa, 0.01, r20, 0) })
	for name, w := range map[string]airflow.Blowdown{"volume": {si.Volume(v), 2 * bar, bar, bar, r20}, "from": {1, pa, bar, bar, r20},
		"to": {1, 2 * bar, pa, bar, r20}, "ambient": {1, 2 * bar, bar, pa, r20}, "temperature": {1, 2 * bar, bar, bar, k}} {
		do("vent "+name, func() (any, error) { return n.Polytropic(w, 1.2) })
		do("vent isothermal "+name, func() (any, error) { return r.Isothermal(w) })
		do("end "+name, func() (any, error) { return w.End(1.2) })
		if name != "to" {
			do("vented "+name, func() (any, error) { return r.Vented(w, 1, time.Second) })
		}
	}
	for name, w := range map[string]airflow.Charge{"volume": {si.Volume(v), bar, 2 * bar, 3 * bar, r20, r20}, "from": {1, pa, 2 * bar, 3 * bar, r20, r20},
		"to": {1, bar, pa, 3 * bar, r20, r20}, "supply": {1, bar, bar, pa, r20, r20}, "temperature": {1, bar, 2 * bar, 3 * bar, k, r20},
		"supply's temperature": {1, bar, 2 * bar, 3 * bar, r20, k}} {
		do("charge "+name, func() (any, error) { return n.ChargeTime(w, 1.2) })
		do("charge end "+name, func() (any, error) { return w.End(1.2) })
		if name != "to" {
			do("charged "+name, func() (any, error) { return r.Charged(w, 1, time.Second) })
		}
	}
	for name, w := range map[string]airflow.Vessel{"volume": {si.Volume(v), bar, r20}, "pressure": {1, pa, r20}, "temperature": {1, bar, k}} {
		do("mass "+name, func() (any, error) { return w.Mass() })
		do("settled "+name, func() (any, error) { return w.Settled(300) })
		do("decay "+name, func() (any, error) { return w.Decay(1, time.Second) })
	}
	do("settled to", func() (any, error) { return airflow.Vessel{Volume: 1, Pressure: bar, Temperature: r20}.Settled(k) })
	do("decay to", func() (any, error) { return airflow.Vessel{Volume: 1, Pressure: bar, Temperature: r20}.Decay(pa, 1) })
	do("saturation", func() (any, error) { return airflow.Saturation(k) })
	do("over water", func() (any, error) { return airflow.SaturationOverWater(k) })
	do("over ice", func() (any, error) { return airflow.SaturationOverIce(k) })
	do("dew point", func() (any, error) { return airflow.DewPoint(pa) })
	for name, w := range map[string]airflow.Air{"pressure": {pa, r20, 0.5}, "temperature": {bar, k, 0.5}} {
		do("ratio "+name, func() (any, error) { return w.HumidityRatio() })
		do("density "+name, func() (any, error) { return w.Density() })
		do("vapour "+name, func() (any, error) { return w.VapourDensity() })
		do("dew point "+name, func() (any, error) { return w.DewPoint() })
		do("stream "+name, func() (any, error) { return w.Stream(1) })
		do("free air "+name, func() (any, error) { return w.FreeAir(1) })
	}
	do("pressure dew point", func() (any, error) { return a.PressureDewPoint(pa) })
	do("saturated ratio", func() (any, error) { return airflow.SaturatedRatio(pa, r20) })
	do("cooled pressure", func() (any, error) { x, _, err := s.Cooled(pa, r20); return x, err })
	do("cooled temperature", func() (any, error) { x, _, err := s.Cooled(bar, k); return x, err })
	do("humidity", func() (any, error) { return s.Humidity(pa, r20) })
	do("humidity of nothing", func() (any, error) { return airflow.Stream{Dry: m}.Humidity(bar, r20) })

	if v == 0 { // what may be zero, but not below
		return out
	}
	do("laden k", func() (any, error) { return n.LadenFlow(2*bar, bar, r20, v, 1) })
	do("laden mu", func() (any, error) { return n.LadenFlow(2*bar, bar, r20, 1, si.Ratio(v)) })
	do("downstream", func() (any, error) { return r.Downstream(bar, m, r20) })
	do("flow mu", func() (any, error) { return p.Flow(2*bar, bar, r20, si.Ratio(v)) })
	do("inlet flow", func() (any, error) { return p.Inlet(bar, m, r20, 0) })
	do("outlet flow", func() (any, error) { return p.Outlet(bar, m, r20, 0) })
	for name, q := range map[string]airflow.Pipe{"loss": {Bore: 0.03, Length: 1, Loss: v}, "kappa": {Bore: 0.03, Length: 1, Kappa: v}, "roughness": {Bore: 0.03, Length: 1, Roughness: l}} {
		do("pipe "+name, func() (any, error) { return q.Flow(2*bar, bar, r20, 1) })
	}
	do("factor roughness", func() (any, error) { return airflow.Haaland.Factor(1e5, si.Ratio(v)) })
	do("humid", func() (any, error) {
		return airflow.Air{Pressure: bar, Temperature: r20, Humidity: si.Ratio(v)}.DewPoint()
	})
	do("stream", func() (any, error) { return a.Stream(si.VolumeFlow(v)) })
	do("free air", func() (any, error) { return a.FreeAir(m) })
	do("standard flow", func() (any, error) { return airflow.ANR.StandardFlow(m) })
	do("mass flow", func() (any, error) { return airflow.StandardFlow{Volume: si.VolumeFlow(v), At: airflow.ANR}.MassFlow() })
	return out
}

func TestOutsideTheDomain(t *testing.T) {
	check := func(name string, err error) {
		t.Helper()
		var de *airflow.DomainError
		if !errors.As(err, &de) || !errors.Is(err, airflow.ErrDomain) || de.Quantity == "" || de.Want == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, v := range []float64{0, -1, math.NaN(), math.Inf(1), math.Inf(-1)} {
		for name, err := range calls(v) {
			check(at("%s of %g", name, v), err)
		}
	}
	n, r, p := bore(0.25), valve(1, 0.3, 0.5), pipe(50, 1, 0.01)
	b := airflow.Blowdown{Volume: 1, From: 2 * bar, To: bar, Ambient: bar, Temperature: r20}
	c := airflow.Charge{Volume: 1, From: bar, To: 2 * bar, Supply: 3 * bar, Temperature: r20, SupplyTemperature: r20}
	nan := math.NaN()
	var errs []error
	add := func(_ any, err error) { errs = append(errs, err) }
	for _, x := range []airflow.Exponent{0, 0.999, 1.401, airflow.Exponent(nan)} {
		add(n.Polytropic(b, x))
		add(r.Vented(b, x, 1))
		add(b.End(x))
		add(n.ChargeTime(c, x))
		add(r.Charged(c, x, 1))
		add(c.End(x))
	}
	add(n.Vented(b, 1, -1))
	add(n.Charged(c, 1, -1))
	for _, q := range []si.Ratio{0, -0.1, 1.01, si.Ratio(nan)} {
		add(airflow.Nozzle{Area: 1, Coefficient: q}.MassFlow(bar, bar, r20))
		add(airflow.LoadingOf(0.39, q))
	}
	add(airflow.LoadingOf(1e-300, 1e-10))
	for _, q := range []si.Ratio{-0.1, 1, si.Ratio(nan)} {
		add(airflow.Restriction{C: dm3, B: q, M: 0.5}.MassFlow(bar, bar, r20))
	}
	for _, m := range []float64{0, 1, nan} {
		add(airflow.Restriction{C: dm3, B: 0.3, M: m}.MassFlow(bar, bar, r20))
	}
	add(r.Downstream(bar, 1, r20))
	add(airflow.Series())
	add(airflow.Parallel())
	add(airflow.Chain(bar, bar, r20))
	add(airflow.Series(r, valve(1, 0.3, 0.4)))
	add(airflow.Parallel(r, valve(1, 0.3, 0.4)))
	add(airflow.FrictionLaw(2).Factor(1e5, 0))
	add(airflow.Colebrook.Factor(1e5, 0.051))
	p.Roughness = p.Bore
	add(p.Flow(2*bar, bar, r20, 0))
	p = pipe(50, 1, 0)
	p.Law = 2
	add(p.Outlet(2*bar, 0.01, r20, 0))
	high := b
	high.To = 3 * bar
	add(n.Isothermal(high))
	high.To = 0.9 * bar
	add(n.Adiabatic(high))
	high.To, high.Volume = bar, 1e15
	add(n.Isothermal(high))
	top := c
	top.To = 4 * bar
	add(n.ChargeTime(top, 1))
	top.To, top.From = bar, 2*bar
	add(n.ChargeTime(top, 1))
	add(airflow.Vessel{Volume: 1, Pressure: bar, Temperature: r20}.Decay(2*bar, time.Second))
	add(airflow.Vessel{Volume: 1, Pressure: bar, Temperature: r20}.Decay(0.5*bar, 0))
	add(airflow.SaturationOverWater(223))
	add(airflow.SaturationOverWater(648))
	add(airflow.SaturationOverIce(274))
	add(airflow.DewPoint(23e6))
	add(airflow.SaturatedRatio(bar, 380))
	add(airflow.Air{Pressure: bar, Temperature: r20, Humidity: 1.01}.HumidityRatio())
	add(airflow.Reference(0).Density())
	add(airflow.Reference(99).StandardFlow(1))
	add(airflow.StandardFlow{Volume: 1}.MassFlow())
	ok := airflow.Measurement{Up: 7 * bar, Down: bar, Temperature: r20, Flow: 600 * lmin}
	add(airflow.Fit(ok, ok, 0.5))
	add(airflow.Fit(airflow.Measurement{}, ok, 0.5))
	// Finite quantities of which no finite result can come.
	add(airflow.Nozzle{Area: 1e300, Coefficient: 1}.MassFlow(1e300, 1, r20))
	add(airflow.Restriction{C: 1e300, B: 0.3, M: 0.5}.MassFlow(1e300, 1, r20))
	add(airflow.Pipe{Bore: 1e200, Length: 1}.Flow(2*bar, bar, r20, 0))
	add(pipe(50, 1, 0).Flow(1e308, 1e300, 1e-300, 0))
	p = pipe(50, 1, 0)
	add(p.Outlet(bar, 1e300, r20, 0))
	add(p.Inlet(bar, 1e307, r20, 0))
	if f := must(p.Outlet(bar, 1e-300, r20, 0))(t); f.Outlet != bar {
		t.Errorf("next to no flow loses %v", f.Drop())
	}
	for i, err := range errs {
		check(at("call %d", i), err)
	}
	_, err := r.Downstream(bar, 1, r20)
	if !errors.Is(err, airflow.ErrChoked) || !strings.Contains(err.Error(), "at most the choked flow of 0.00118") {
		t.Errorf("more than the choked flow: %v", err)
	}
}

// No law allocates where it succeeds.
func TestNoAllocation(t *testing.T) {
	n, r, p := bore(0.5), valve(1, 0.3, 0.5), pipe(50, 1.25, 0.01)
	odd := valve(1, 0.3, 0.6)
	b := airflow.Blowdown{Volume: 1, From: 7 * bar, To: 1.1 * bar, Ambient: bar, Temperature: r20}
	c := airflow.Charge{Volume: 1, From: bar, To: 6.9 * bar, Supply: 7 * bar, Temperature: r20, SupplyTemperature: r20}
	a := airflow.Air{Pressure: bar, Temperature: r20, Humidity: 0.5}
	var bad error
	note := func(err error) {
		if err != nil {
			bad = err
		}
	}
	got := testing.AllocsPerRun(50, func() {
		_, err := airflow.Isentropic(0.5)
		note(err)
		_, err = n.MassFlow(2*bar, bar, r20)
		note(err)
		_, err = n.LadenFlow(2*bar, bar, r20, 0.39, 1.3)
		note(err)
		m, err := r.MassFlow(2*bar, bar, r20)
		note(err)
		_, err = r.Downstream(2*bar, m, r20)
		note(err)
		_, err = airflow.Series(r, r, r)
		note(err)
		_, err = airflow.Parallel(r, r, r)
		note(err)
		_, err = airflow.Chain(2*bar, bar, r20, r, r, odd)
		note(err)
		f, err := p.Flow(8*bar, 7.5*bar, r20, 1.3)
		note(err)
		_, err = p.Flow(8*bar, bar, r20, 1.3)
		note(err)
		_, err = p.Inlet(7.5*bar, f.Flow, r20, 1.3)
		note(err)
		_, err = p.Outlet(8*bar, f.Flow, r20, 1.3)
		note(err)
		for _, x := range [...]airflow.Exponent{airflow.Isothermal, 1.2, airflow.Adiabatic} {
			_, err = n.Polytropic(b, x)
			note(err)
			_, err = n.Vented(b, x, time.Second)
			note(err)
			_, err = odd.Polytropic(b, x)
			note(err)
			_, err = odd.Vented(b, x, time.Hour/2)
			note(err)
			_, err = odd.ChargeTime(c, x)
			note(err)
			_, err = odd.Charged(c, x, time.Hour/2)
			note(err)
			_, err = c.End(x)
			note(err)
		}
		v, err := b.End(1.2)
		note(err)
		_, err = v.Settled(r20)
		note(err)
		_, err = a.PressureDewPoint(8 * bar)
		note(err)
		_, err = airflow.DewPoint(100)
		note(err)
		s, err := a.Stream(1)
		note(err)
		_, _, err = s.Cooled(8*bar, r20)
		note(err)
		q, err := airflow.ANR.StandardFlow(m)
		note(err)
		_, err = q.To(airflow.DIN1343)
		note(err)
	})
	if got != 0 || bad != nil {
		t.Errorf("%v allocations, %v", got, bad)
	}
}
