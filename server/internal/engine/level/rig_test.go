package level_test

import (
	"math"
	"math/rand/v2"
	"time"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/engine/steady"
	"gritwatch/server/internal/engine/stroke"
)

const (
	began = si.Instant(1_760_000_000_000_000)
	room  = si.Temperature(293.15)
)

var allPoints = points.SetOf(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control)

// A rig is a pot made of published laws alone: hose and nozzle by package airflow, laden as HandbookSlowing has it, vents
// and charges of the volume that the grit leaves by ISO 6358-1. Its hose takes abrasive harder or easier than the filter
// assumes, and its exhaust is its own.
type rig struct {
	params level.Params
	f      *level.Filter
	also   *level.Filter // given the same, or nil
	rng    *rand.Rand
	noise  float64 // of times and of the hose's loss, as a share

	kappa   float64
	share   float64
	mu      float64 // setting of the metering valve
	swings  float64 // Pa/s, by which the vessel's pressure rises and falls, as behind a compressor that loads and unloads
	thins   float64 // share of capacity that comes thinner and thinner at the end; 0: the last comes as the first
	blocked bool
	opens   bool                  // an empty vessel's metering valve lets air through
	inHose  float64               // loading in the hose
	zeros   [points.Count]float64 // Pa: what gauges show too much, in rests and vents

	at      si.Instant
	release si.Instant
	seconds int // of blasting
}

func newRig(has points.Set) *rig {
	p := level.Params{Points: has, Volume: 6.5 * si.CubicFoot, Bulk: 100 * si.PoundPerCubicFoot, Solid: 220 * si.PoundPerCubicFoot,
		Nozzle: 0.375 * si.Inch, HoseBore: 1.25 * si.Inch, HoseLength: 50 * si.Foot, Target: 100 * si.PSI}
	return &rig{params: p, f: level.New(p), rng: rand.New(rand.NewPCG(7, 11)), noise: 0.01, kappa: 1.8, share: 1, mu: 1.2, at: began}
}

func (r *rig) each(do func(f *level.Filter)) {
	do(r.f)
	if r.also != nil {
		do(r.also)
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func (r *rig) capacity() float64 {
	return 0.9 * float64(r.params.Volume) * float64(r.params.Bulk)
}

func (r *rig) airVolume() si.Volume {
	return r.params.Volume - si.Volume(r.share*r.capacity()/float64(r.params.Solid))
}

func (r *rig) jitter() float64 { return 1 + r.noise*r.rng.NormFloat64() }

const working = si.AbsPressure(850e3)

// press begins a press after a rest; fill is what the vessel's charge takes.
func (r *rig) press(rest time.Duration) {
	r.at = r.at.Add(rest)
	inlet := airflow.Restriction{C: 40 * airflow.DM3PerSecondBar, B: 0.3, M: 0.5}
	c := airflow.Charge{Volume: r.airVolume(), From: 0.1*working + 101325, To: 0.6*working + 101325, Supply: working + 50e3, Temperature: room, SupplyTemperature: room}
	t := must(inlet.ChargeTime(c, airflow.Isothermal)).Seconds() * r.jitter()
	p := stroke.Press{At: r.at, From: 101325, Feed: working + 50e3, Rise: time.Duration(t * 1e9), Fill: t * 2, Working: working}
	if r.release != 0 {
		p.Rested = r.at.Sub(r.release)
	}
	r.each(func(f *level.Filter) { f.Press(&p) })
	r.inHose = 0
}

// blast goes on for so many seconds; do is called after each, and ends it by false.
func (r *rig) blast(n int, do func() bool) {
	began := r.at
	nozzle := airflow.Nozzle{Area: si.CircleArea(r.params.Nozzle), Coefficient: 1}
	for range n {
		r.at = r.at.Add(time.Second)
		r.seconds++
		enters := r.mu
		if r.thins > 0 {
			enters *= min(1, r.share/r.thins)
		}
		if r.blocked || r.share <= r.thins/15 {
			enters = 0
		}
		r.inHose += (enters - r.inHose) * (1 - math.Exp(-1/2.2))
		pipe := airflow.Pipe{Bore: r.params.HoseBore, Length: r.params.HoseLength, Roughness: 0.01e-3, Loss: 0.5, Law: airflow.Haaland, Kappa: r.kappa}
		// Supply at a steady pressure: find the nozzle's, which is that of a flow that loses the rest.
		pn := 760e3
		var m, in, hose, vessel, sep float64
		// By the law of ideal gases, V dp/dt = R T (in - m) of a vessel that keeps its temperature.
		rate := r.swings * math.Sin(float64(r.seconds)/2)
		for range 7 {
			m = float64(must(nozzle.LadenFlow(si.AbsPressure(pn), 101325, room, airflow.HandbookSlowing, si.Ratio(r.inHose))))
			hose = float64(must(pipe.Inlet(si.AbsPressure(pn), si.MassFlow(m), room, si.Ratio(r.inHose))).Inlet)
			// Abrasive that is taken along loses more in the tee, by its flow over the air's: a kilogram of it half as much as one of air.
			const push, tee = 0.45e12, 0.47e12
			parting := hose*hose + (push+tee*(1+0.5*enters))*m*m
			vessel = math.Sqrt(parting)
			if r.opens && !r.blocked && r.share <= r.thins/15 {
				// Resistances in parallel: 1/sqrt(r) adds up.
				const line, valve = 13e12, 20e12
				both := math.Pow(1/math.Sqrt(push)+1/math.Sqrt(line+valve), -2)
				parting += (both - push) * m * m
				vessel = math.Sqrt(parting - line*both/(line+valve)*m*m)
			}
			in = m + float64(r.params.Volume)/(airflow.GasConstant*float64(room))*rate
			sep = math.Sqrt(parting + 1.6e12*in*in)
			supply := math.Sqrt(sep*sep + 1.6e12*in*in)
			pn *= math.Pow(900e3/supply, 0.8)
		}
		supply := math.Sqrt(sep*sep + 1.6e12*in*in)
		s := steady.Second{At: r.at, Span: time.Second, N: 10, Has: r.params.Points &^ points.SetOf(points.Control), Rated: true, Steady: true, Rate: rate}
		loss := (hose*hose - pn*pn) * (r.noise*r.rng.NormFloat64()/2 + 1)
		for pt, p := range map[points.Point]float64{points.Supply: supply, points.Separator: sep, points.Vessel: vessel, points.Hose: math.Sqrt(pn*pn + loss), points.Nozzle: pn} {
			if s.Has.Has(pt) {
				s.P[pt], s.PP[pt] = p, p*p
			}
		}
		r.share = max(0, r.share-enters*m/r.capacity())
		r.each(func(f *level.Filter) { f.Second(&s, &s) })
		if do != nil && !do() {
			break
		}
	}
	r.release = r.at
	exhaust := airflow.Restriction{C: 30 * airflow.DM3PerSecondBar, B: 0.3, M: 0.5}
	b := airflow.Blowdown{Volume: r.airVolume(), From: 0.8*working + 101325, To: 0.07*working + 101325, Ambient: 101325, Temperature: room}
	t := must(exhaust.Polytropic(b, 1.1)).Seconds() * r.jitter()
	v := stroke.Vent{At: r.at, Blast: r.at.Sub(began), From: working, Time: time.Duration(t * 1e9), Working: working}
	r.bleeds(&v)
	r.each(func(f *level.Filter) { f.Vent(&v) })
	r.at = r.at.Add(10 * time.Second)
	at := [points.Count]float64{}
	for pt := range at {
		at[pt] = 101325 + r.zeros[pt]
	}
	for range 40 {
		r.each(func(f *level.Filter) { f.Rest(r.params.Points, &at) })
	}
}

// bleeds adds to a vent what leaves by the nozzle: its flow less what comes out of the hose, through the line and, in an empty vessel whose
// metering valve lets air through, through that as well.
func (r *rig) bleeds(v *stroke.Vent) {
	if !r.params.Points.Has(points.Hose) || !r.params.Points.Has(points.Nozzle) {
		return
	}
	const pn, line, valve = 450e3, 13.5e12, 20e12
	nozzle := airflow.Nozzle{Area: si.CircleArea(r.params.Nozzle), Coefficient: 1}
	m := float64(must(nozzle.LadenFlow(pn, 101325, room, airflow.HandbookSlowing, si.Ratio(r.inHose))))
	v.Over, v.Bleeds = pn, 20
	v.Fall = math.Log((0.8*float64(working)+101325)/(0.07*float64(working)+101325)) / v.Time.Seconds()
	pipe := airflow.Pipe{Bore: r.params.HoseBore, Length: r.params.HoseLength, Roughness: 0.01e-3, Loss: 0.5, Law: airflow.Haaland, Kappa: r.kappa}
	hose, out := pn, 0.0
	for range 4 {
		out = v.Fall * float64(si.CircleArea(r.params.HoseBore)) * float64(r.params.HoseLength) * (hose + pn) / 2 / (airflow.GasConstant * float64(room))
		hose = float64(must(pipe.Inlet(pn, si.MassFlow(max(m/10, m-out/2)), room, si.Ratio(r.inHose))).Inlet)
	}
	both := line
	if r.opens && !r.blocked && r.share <= r.thins/15 {
		both = math.Pow(1/math.Sqrt(line)+1/math.Sqrt(valve), -2)
	}
	vessel := math.Sqrt(hose*hose+both*(m-out)*math.Abs(m-out)) + r.zeros[points.Vessel]
	hose += r.zeros[points.Hose]
	v.Bleed, v.Hose = (vessel*vessel-hose*hose)/(pn*pn)*r.jitter(), hose*hose/(pn*pn)-1
}

// empties blasts in bursts of 90 s until the crew sees that nothing comes any more; before is called each second.
func (r *rig) empties(before func()) {
	for rest := 20 * time.Second; ; rest = 20 * time.Second {
		r.press(rest)
		gone := 0
		r.blast(90, func() bool {
			if before != nil {
				before()
			}
			if r.share <= 0 {
				gone++
			}
			return gone < 16
		})
		if r.share <= 0 {
			return
		}
	}
}

// fill fills the pot during a rest, which the next press ends.
func (r *rig) fill(to float64) {
	r.share = to
	r.at = r.at.Add(150 * time.Second)
}
