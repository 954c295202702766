package replay

import (
	"gritwatch/internal/vent"
	"gritwatch/protocol/si"
)

// unseen tells once a release when the answer has no witness for it (R3): none came in the time that a vent may take, or
// it was lost again.
type unseen struct {
	released si.Instant // 0: pressed, or no release was seen
	had      bool       // a witness since
	told     bool
}

func (u *unseen) lacks(p *Player, a *vent.Answer) bool {
	switch h := p.follow.Judge.Handle(); {
	case !h.Known:
	case h.Pressed:
		*u = unseen{}
	case h.Since != 0 && h.Since != u.released:
		*u = unseen{released: h.Since}
	}
	if u.released == 0 || u.told || p.holds || a.Because&vent.CodesOf(vent.OverLimit, vent.VesselBad, vent.VesselOld) != 0 {
		return false // with those, the answer does not go so far as to ask for a witness
	}
	if !a.Because.Has(vent.NoVentSeen) {
		u.had = true
		return false
	}
	u.told = u.had || p.out.At.Sub(u.released) > p.allowance
	return u.told
}
