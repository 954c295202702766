package plant

import "gritwatch/protocol/si"

// waterEvery is how many ticks apart the water is reckoned.
const waterEvery = 1000

// water condenses what the air of the last second could not hold. Liquid reaches the separator as the air has cooled half
// way from the compressor's temperature to the weather's; behind it the air cools the rest of the way.
func (p *Pot) water(in *Input) {
	air := max(0, p.passed)
	p.passed = 0
	humid := float64(in.Weather.Humidity)
	if humid == 0 {
		humid = float64(p.spec.Weather.Humidity)
	}
	drawn := humidity(float64(humid*saturation(p.wall)), p.amb)
	behind := min(drawn, humidity(saturation(p.wall+float64(p.e.warmer/2)), p.press[outlet]))
	cold := min(behind, humidity(saturation(p.wall), p.press[branch]))

	catch := float64(separatorCatch * (1 - float64(in.CarryOver)))
	if p.sump >= sumpHolds {
		catch = 0.1
	}
	liquid := float64(air * (drawn - behind))
	caught := float64(liquid * catch)
	p.sump += caught
	if !in.DrainShut {
		p.ledger.Drained += si.Mass(p.sump)
		p.sump = 0
	}
	carried := liquid - caught + float64(air*(behind-cold))
	p.ledger.Carried += si.Mass(carried)
	if p.grit > 0 {
		p.wet += float64(intoGrit * carried)
	}
}

// damp is the share of the time in which the water in the grit makes it hang.
//
//go:norace
func (p *Pot) damp() float64 {
	if p.wet == 0 {
		return 0
	}
	return min(0.8, max(0, (p.wet/max(p.grit, tailMass)-dampFrom)/dampSpan))
}
