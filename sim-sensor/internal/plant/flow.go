package plant

import (
	"math"

	"gritwatch/protocol/si"
)

// flow moves air, grit and heat for one tick. The air of the six places outside the vessel moves by an implicit step with
// the admittances of the moment, so that small places need no small steps; the same flows leave one place and enter the
// next, so that no air is lost.
//
//go:norace
func (p *Pot) flow(in *Input) {
	e, t, root, pr := &p.e, p.wall, p.root, &p.press
	pv := pr[vessel]
	rootV := math.Sqrt(refTemperature / p.free)

	// Admittances along the air.
	mu := p.loading()
	var g [vessel]float64 // of the way from a place to the next, and of the nozzle
	g[receiver] = iso(e.supplyHose*(1-float64(in.SupplyLost)), pipingB, pr[receiver], pr[inlet], root)
	g[inlet] = iso(e.separator*(1-float64(in.SeparatorLost)), pipingB, pr[inlet], pr[outlet], root)
	if c := float64(e.valve*p.open) + p.holes.inlet; c > 0 {
		g[outlet] = iso(c, valveB, pr[outlet], pr[branch], root)
	}
	// The tee has no volume: its pressure follows from the admittances to the branch, the hose and the vessel.
	gPush, mixing := 0.0, float64(e.mixing*(1+float64(mixingDrag*p.mix())))
	gMix := 0.0
	if choke := (1 - float64(in.ChokeShut)) * p.push; choke > 1e-3 {
		line := e.push / (choke * choke)
		all := line + mixing
		through := rooted(1/math.Sqrt(all*t), pr[branch], pr[head])
		gPush, gMix = through*(all/line), through*(all/mixing)
	} else {
		gMix = rooted(1/math.Sqrt(mixing*t), p.tee, pr[head])
	}
	if kink := 1 - float64(in.HoseKink); kink > 1e-3 {
		g[head] = rooted(e.hose.factor(t, mu*p.surge)*kink, pr[head], pr[tip])
	}
	if !in.NozzlePlugged {
		g[tip] = jet(circle(e.bore+p.worn+float64(in.NozzleWorn)), pr[tip], p.amb, t) / math.Sqrt(1+float64(airSlowing*mu))
	}
	gDrain, gHose, gStop := 0.0, 0.0, 0.0
	if in.CompressorOff {
		gStop = iso(e.relief, holeB, pr[receiver], p.amb, root)
	}
	if p.holes.drain > 0 {
		gDrain = iso(p.holes.drain, holeB, pr[outlet], p.amb, root)
	}
	if p.holes.hose > 0 {
		gHose = iso(p.holes.hose, holeB, pr[head], p.amb, root)
	}

	// What hangs at the vessel.
	gLine, gMeter, pores := 0.0, 0.0, 0.0
	p.metered = 0
	if !p.stuck {
		up := root
		if pv > pr[branch] {
			up = rootV
		}
		gLine = iso(e.vesselLine, pipingB, pr[branch], pv, up)
		p.metered, gMeter, pores = p.meter(in)
	}
	star := gPush + gMix + gMeter
	g[branch] = gPush * gMix / star
	gBack, gDown := gPush*gMeter/star, gMix*gMeter/star // through the metering valve and the tee to the branch and to the hose
	exhaust := float64(e.exhaust * p.hand)
	if !p.stuck {
		exhaust += float64(e.exhaust * p.exh * (1 - float64(in.ExhaustShut)) * (1 - p.ice))
	}
	mE, mS := 0.0, 0.0
	if exhaust > 0 {
		mE = float64(iso(exhaust, exhaustB, pv, p.amb, rootV) * (pv - p.amb))
	}
	if p.holes.seal > 0 {
		mS = float64(iso(p.holes.seal, holeB, pv, p.amb, rootV) * (pv - p.amb))
	}

	// New pressures outside the vessel: a chain, solved from both ends (Thomas).
	mIn := float64(e.delivery * p.thin * p.thr * (1 - float64(in.CapacityLost)))
	others := float64(float64(in.Consumer) * min(1, max(0, (pr[receiver]-p.amb)/1e5)))
	var diag, rhs [vessel]float64
	for i := range diag {
		c := p.stiff[i]
		diag[i], rhs[i] = c+g[i], float64(c*pr[i])
		if i > 0 {
			diag[i] += g[i-1]
		}
	}
	diag[receiver] += gStop
	rhs[receiver] += mIn - others + float64(gStop*p.amb)
	diag[outlet] += gDrain
	rhs[outlet] += float64(gDrain * p.amb)
	diag[branch] += gLine + gBack
	rhs[branch] += float64((gLine + gBack) * pv)
	diag[head] += gHose + gDown
	rhs[head] += float64(gHose*p.amb) + float64(gDown*pv) + pores
	rhs[tip] += float64(g[tip] * p.amb)
	diag[receiver] = 1 / diag[receiver] // from here on one over it
	for i := 1; i < vessel; i++ {
		f := float64(g[i-1] * diag[i-1])
		diag[i] = 1 / (diag[i] - float64(f*g[i-1]))
		rhs[i] += float64(f * rhs[i-1])
	}
	var next [vessel]float64
	next[tip] = float64(rhs[tip] * diag[tip])
	for i := tip - 1; i >= 0; i-- {
		next[i] = float64((rhs[i] + float64(g[i]*next[i+1])) * diag[i])
	}

	// The flows of the step.
	var m [vessel]float64
	for i := range tip {
		m[i] = float64(g[i] * (next[i] - next[i+1]))
	}
	mN := float64(g[tip] * (next[tip] - p.amb))
	mL := float64(gLine * (next[branch] - pv))
	mBack := float64(gBack * (pv - next[branch]))
	mDown := float64(gDown*(pv-next[head])) + pores
	mM := mBack + mDown
	p.tee = (float64(gPush*next[branch]) + float64(gMix*next[head]) + float64(gMeter*pv)) / star
	mD, mH := float64(gDrain*(next[outlet]-p.amb)), float64(gHose*(next[head]-p.amb))
	others += float64(gStop * (next[receiver] - p.amb))

	spray := float64(mu * max(0, mN))
	leaves := spray + float64(mu*max(0, mH))
	if most := p.onWay/dt + p.metered; leaves > most {
		spray, leaves = spray*most/leaves, most
	}
	refill := p.refill(in)

	p.vesselHeat(mL, mM, mE, mS, p.metered-refill)
	p.air[receiver] += float64(dt * (mIn - others - m[receiver]))
	p.air[inlet] += float64(dt * (m[receiver] - m[inlet]))
	p.air[outlet] += float64(dt * (m[inlet] - m[outlet] - mD))
	p.air[branch] += float64(dt * (m[outlet] - m[branch] - mL + mBack))
	p.air[head] += float64(dt * (m[branch] + mDown - m[head] - mH))
	p.air[tip] += float64(dt * (m[head] - mN))
	p.air[vessel] += float64(dt * (mL - mM - mE - mS))
	p.onWay += float64(dt * (p.metered - leaves))
	for i := range next {
		pr[i] = p.air[i] * p.perKg[i]
	}
	p.settle(p.metered - refill)

	p.nozzle, p.spray, p.pushed = mN, spray, m[branch]+mDown
	p.passed += float64(dt * m[inlet])
	p.worn += float64(dt * spray * e.wear)
	p.ice += float64(dt * max(0, mE) * float64(in.ExhaustIce) * gasR * refTemperature / (e.work * e.volume))
	p.ledger.AirIn += si.Mass(dt * mIn)
	p.ledger.AirOut += si.Mass(dt * (mN + mE + mS + mD + mH + others))
	p.ledger.Vented += si.Mass(dt * mE)
	p.ledger.GritIn += si.Mass(dt * refill)
	p.ledger.GritOut += si.Mass(dt * leaves)
}

// mix is the loading in the tee.
//
//go:norace
func (p *Pot) mix() float64 {
	if p.pushed <= 0 {
		return 0
	}
	return min(carryLimit, p.metered/p.pushed)
}

// meter is the flow of grit through the metering valve into the tee, the admittance of the valve for air,
// and the air that comes with the grit, between its grains.
//
//go:norace
func (p *Pot) meter(in *Input) (grit, admits, pores float64) {
	e := &p.e
	pv, tee := p.press[vessel], p.tee
	cover := min(1, p.grit/tailMass)
	setting := (1 + max(-1, float64(in.MeteringBy))) * p.push
	air := p.holes.blowBy
	if in.MeteringBlocked {
		setting = 0
	}
	if open := setting * (1 - float64((1-packedLeak)*cover)); open > 0 {
		air += float64(e.metering * open)
	}
	if air > 0 {
		up := p.root
		if pv > tee && cover < 1 {
			up = math.Sqrt(refTemperature / p.free)
		}
		admits = iso(air, holeB, pv, tee, up)
	}
	// The vessel's pressure over the tee's helps the grains along; under it, they come in fits, and then no more.
	drive := 1 + (pv-tee)/(e.bulk*gravity*assistLength)
	if setting <= 0 || p.bridge || p.grit <= 0 || drive <= 0 || p.pushed <= 0 || drive < 1 && p.fit > drive {
		return 0, admits, 0
	}
	grit = beverloo(e.bulk, e.clear) * setting * math.Sqrt(max(drive, 0.3)) * cover * max(0, 1+p.pulse)
	if clumps := float64(in.Clumps) + p.damp(); clumps > 0 && 1-p.fit < clumps {
		grit *= 0.1
	}
	grit = min(grit, carryLimit*p.pushed, p.grit/dt)
	return grit, admits, float64(grit * e.perPores * pv / (gasR * p.wall))
}

// refill is what the tender pours, kg/s.
//
//go:norace
func (p *Pot) refill(in *Input) float64 {
	to := float64(min(1, float64(in.Refill)) * p.e.capacity)
	if to <= p.grit || in.Pressed || p.press[vessel]-p.amb >= openLimit {
		return 0
	}
	return min(p.e.capacity/p.e.refill, (to-p.grit)/dt)
}

// vesselHeat moves the vessel's pressure for the flows of a tick: air from the line (mL), through metering valve (mM),
// exhaust (mE) and seal (mS), and the grit that leaves (grit). Energy balances of the free air and of the air between the
// grains, which has their temperature:
//
//	(Vf + g T/Tw Vp) dp/dt = (g-1)(H + Q) - g p dVf/dt - g T/Tw (p dVp/dt + R Tw mM)
//
// with T that of the air that passes between the two.
//
//go:norace
func (p *Pot) vesselHeat(mL, mM, mE, mS, grit float64) {
	e, pv := &p.e, p.press[vessel]
	above, between := p.volumes()
	wides := float64(grit * e.perBulk)     // dVf/dt
	shrinks := float64(-grit * e.perPores) // dVp/dt
	fill := p.grit / e.capacity
	carried := float64(-heatCp * p.free * (mE + mS))
	if mL > 0 {
		carried += float64(heatCp * p.wall * mL)
	} else {
		carried += float64(heatCp * p.free * mL)
	}
	wall := float64(e.wallHeat * math.Sqrt(pv/e.work) * (1 - float64(0.65*fill)) * (p.wall - p.free))
	theta := 1.0
	if p.sinks {
		theta = p.free / p.wall
	}
	rate := (float64((gamma-1)*(carried+wall)) - float64(gamma*pv*wides) - float64(gamma*theta*(float64(pv*shrinks)+float64(gasR*p.wall*mM)))) /
		(above + float64(gamma*theta*between))
	down := (float64(between*rate)+float64(pv*shrinks))/(gasR*p.wall) + mM // kg/s from above to between
	grains := (float64(between*rate)+float64(pv*shrinks))/(gamma-1) - float64(down*heatCp*theta*p.wall) + float64(mM*heatCp*p.wall) + float64(pv*shrinks)
	p.sinks = down > 0
	p.press[vessel] = pv + float64(dt*rate)
	p.ledger.Heat += float64(dt * (wall + grains))
	p.ledger.Enthalpy += float64(dt * (carried - float64(heatCp*p.wall*mM)))
	p.ledger.Work += float64(dt * pv * grit / e.solid)
}

// volumes are the free air's and that between the grains.
//
//go:norace
func (p *Pot) volumes() (above, between float64) {
	return p.e.volume - float64(p.grit*p.e.perBulk), float64(p.grit * p.e.perPores)
}

// settle takes the grit out, and the water with it, and gives the free air the temperature of its mass and pressure.
//
//go:norace
func (p *Pot) settle(grit float64) {
	if p.wet > 0 && grit > 0 {
		p.wet = max(0, p.wet-float64(p.wet*dt*grit/p.grit))
	}
	p.grit = max(0, p.grit-float64(dt*grit))
	above, between := p.volumes()
	pv := p.press[vessel]
	p.free = pv * above / (gasR * (p.air[vessel] - pv*between/(gasR*p.wall)))
}
