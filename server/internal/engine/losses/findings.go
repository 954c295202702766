package losses

import (
	"math"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/finding"
)

// Limits of findings: common practice, no source. A finding that stands ends at three quarters of what it takes to begin.
const (
	foundCost  = 1 * si.PSI // of the nozzle's pressure
	foundLog   = 0.2        // ln of the ratio: 22 %
	foundAfter = 10         // steady seconds
	stays      = 0.75

	floodOver  = 1.5 * si.PSI // vessel over hose point, over the baseline's: a few psi decide
	floodLog   = 0.4          // and its own resistance, ln: 50 %
	spitLog    = 0.4          // ln under the baseline's, of the same flow
	spitUnder  = 0.4 * si.PSI // and in pressure
	feedAfter  = 10 * time.Second
	feedParted = 5 * time.Second
)

// causes are the segments' findings.
var causes = [points.SegmentCount]finding.Finding{finding.SeparatorRestricted, finding.ValveRestricted, finding.MixingRestricted, finding.HoseRestricted}

// find names the dearest change that stands beyond doubt.
func (l *Losses) find() {
	o := &l.out
	if l.held.n < foundAfter {
		return
	}
	was := o.Finding
	o.Finding = finding.None
	dearest := si.PressureDrop(0)
	try := func(f finding.Finding, cost si.PressureDrop, log float64) {
		limit := 1.0
		if f == was {
			limit = stays
		}
		if float64(cost) >= limit*foundCost && log >= limit*foundLog && cost > dearest {
			o.Finding, dearest = f, cost
		}
	}
	flow := si.PressureDrop(0)
	for s := range o.Parts {
		p := &o.Parts[s]
		if !p.Split {
			continue
		}
		try(causes[s], p.Resistance, l.own(points.Segment(s)))
		flow += p.Flow
	}
	if o.Flow > 0 {
		try(finding.MoreFlow, flow, math.Log(float64(o.Flow)))
	}
	inlet := o.Parts[points.SeparatorSegment].Flow + o.Parts[points.ValveSegment].Flow
	try(finding.InletLeak, inlet, l.held.leak)
}

// own is ln of a segment's resistance.
func (l *Losses) own(s points.Segment) float64 {
	if r := float64(l.out.Resistance[s]); r > 0 {
		return math.Log(r)
	}
	return 0
}

// A feed follows the vessel against the hose point.
type feed struct {
	now    finding.Finding
	next   finding.Finding
	since  si.Instant // of next
	before si.Instant // second before
}

// step takes the newest second. A change counts once it has stood for ten seconds of one blast.
func (f *feed) step(h *held, b *baseline.Profile) {
	has := h.has & b.Has
	if !has.Has(points.Vessel) || !has.Has(points.Hose) {
		*f = feed{}
		return
	}
	next := f.judge(h, b)
	if next != f.next || h.at.Sub(f.before) > feedParted {
		f.next, f.since = next, h.at
	}
	f.before = h.at
	if h.at.Sub(f.since) >= feedAfter {
		f.now = next
	}
}

func (f *feed) judge(h *held, b *baseline.Profile) finding.Finding {
	over := h.p[points.Vessel] - h.p[points.Hose]
	usual := b.P[points.Vessel] - b.P[points.Hose]
	own, limit := h.own[points.MixingSegment], 1.0
	if h.n == 0 {
		own = math.Log(max(over, 1) / max(usual, 1)) // one vote: its flow is not known
	}
	if f.now == finding.Flooding {
		limit = stays
	}
	if over-usual > limit*floodOver && own > limit*floodLog {
		return finding.Flooding
	}
	limit = 1
	if f.now == finding.Spitting {
		limit = stays
	}
	if over <= 0 || usual-over > limit*spitUnder && own < -limit*spitLog {
		return finding.Spitting
	}
	return finding.None
}
