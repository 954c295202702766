package replay

import (
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// faultEvidence names a gauge and what is found of it. Sizes are those of gauges.Finding; without one the fault has ended.
type faultEvidence struct {
	Point string   `json:"point"`
	Kind  string   `json:"kind"`
	With  string   `json:"with,omitempty"`
	Pa    *float64 `json:"size_pa,omitempty"`
	S     *float64 `json:"size_s,omitempty"`
}

// sensorFault is the alarm of a gauge: critical where it is the vessel's and no longer shows its pressure.
func sensorFault(at si.Instant, p points.Point, k gauges.Kind, f gauges.Finding) alarmLine {
	e := &faultEvidence{Point: p.String(), Kind: k.String()}
	l := alarmLine{Kind: "alarm", T: at.String(), Alarm: vent.SensorFault.String(), Event: "returned", Priority: "medium", Evidence: e}
	if p == points.Vessel && k.Blinds() {
		l.Priority = "critical"
	}
	if !f.On {
		return l
	}
	l.Event = "raised"
	switch k {
	case gauges.SlowPort:
		e.S = rounded(f.Size, 1e2)
	case gauges.Swapped:
		e.With = f.Other.String()
		fallthrough
	default:
		e.Pa = rounded(f.Size, 1)
	}
	return l
}

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
