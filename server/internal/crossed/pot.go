package crossed

import (
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Numbers of presses.
const (
	before    = time.Second             // a press may show that long after its vessel has begun to rise, by polling and clocks
	after     = 3 * time.Second         // R4: a vessel follows within
	tap       = 1500 * time.Millisecond // R4 is tested on longer presses
	flowTime  = 4 * time.Second         // after a press the air flows
	underHalf = 0.5                     // of what the air before the vessel shows, it need not rise further
	lossRises = 14 * si.KPa             // 2 psi from supply to separator are flow. No source.
)

// flow is what a pot's own air tells of a press or a move.
type flow uint8

const (
	flowUnknown flow = iota
	still
	flows
)

// verdict is whether a press was followed.
type verdict uint8

const (
	cannotTell verdict = iota
	followed
	notFollowed
)

// A press is a cycle of the handle.
type press struct {
	span
	on       bool // it waits to be told
	judged   bool
	verdict  verdict
	flowTold bool
	flow     flow
	inferred bool
}

// A move is a rise of the vessel gauge and the fall after it.
type move struct {
	span
	on       bool
	flowTold bool
	flow     flow
}

// pot follows one pot's handle and gauges.
type pot struct {
	params Params
	now    si.Instant // newest sample of any point
	last   [points.Count]si.Instant

	handleAt, handleSince si.Instant // the handle is known from then on without a break; 0: it is not
	inferred              bool
	pressed               bool
	presses               past
	press                 press

	vessel gauge
	moves  past
	move   move

	hose              gauge
	loss              gauge // from supply to separator
	supply, separator gauge

	named   int // suspicions and findings that name the pot as the one that moves
	suspect edge
	found   edge
}

// out of sight: what was seen before says nothing of what comes. What was found stands.
func (p *pot) forget() {
	*p = pot{params: p.params, named: p.named, suspect: p.suspect, found: p.found}
}

// step takes one sample and tells what has come to its end with it.
func (p *pot) step(s *points.Sample, h *vent.Handle) (c press, cycled bool, m move, moved bool) {
	if p.last[s.Point] != 0 && s.At <= p.last[s.Point] {
		return c, false, m, false
	}
	p.last[s.Point] = s.At
	p.now = max(p.now, s.At)
	if p.press.on && (p.pressBegins(h) || p.pressDone()) {
		c, cycled = p.endPress()
	}
	p.turn(h)
	switch s.Quality {
	case points.Good:
		m, moved = p.good(s)
	case points.OutOfRange:
		p.lose(s.Point)
	}
	p.settle()
	if p.press.on && p.pressDone() && !cycled {
		c, cycled = p.endPress()
	}
	if p.move.on && p.moveDone() && !moved {
		m, moved = p.endMove()
	}
	return c, cycled, m, moved
}

// lose is a gauge that failed.
func (p *pot) lose(pt points.Point) {
	switch pt {
	case points.Vessel:
		p.vessel, p.move = gauge{}, move{}
	case points.Hose:
		p.hose = gauge{}
	case points.Supply:
		p.supply, p.loss = gauge{}, gauge{}
	case points.Separator:
		p.separator, p.loss = gauge{}, gauge{}
	}
}

func (p *pot) good(s *points.Sample) (m move, moved bool) {
	v := float64(s.Value)
	switch s.Point {
	case points.Vessel:
		if p.vessel.at != 0 && s.At.Sub(p.vessel.at) > maxGap {
			p.move = move{}
			p.moves.shut(p.vessel.at) // when it fell is not known; it is out of sight anyway
		}
		switch p.vessel.step(s.At, v) {
		case rose:
			if p.move.on {
				m, moved = p.endMove()
			}
			p.move = move{span: span{from: p.vessel.began}, on: true}
			p.moves.open(p.vessel.began)
		case fell:
			p.moves.shut(p.vessel.fell)
			p.move.to = p.vessel.fell
		}
	case points.Hose:
		p.hose.step(s.At, v)
	case points.Supply:
		p.supply.step(s.At, v)
	case points.Separator:
		p.separator.step(s.At, v)
		if p.supply.fresh(p.supply.since, s.At) {
			// Brought onto a gauge's scale: a rise of 20 kPa there is one of lossRises here.
			p.loss.step(s.At, (p.supply.mean-p.separator.mean)*(rises/lossRises))
		}
	}
	return m, moved
}

// pressBegins tells whether the handle is pressed anew.
func (p *pot) pressBegins(h *vent.Handle) bool {
	return h.Known && h.Pressed && p.handleSince != 0 && !p.pressed
}

// turn follows the handle.
func (p *pot) turn(h *vent.Handle) {
	if !h.Known || p.handleAt != 0 && (p.now.Sub(p.handleAt) > maxGap || p.inferred != h.Inferred) {
		if p.handleAt != 0 {
			p.presses.shut(p.handleAt)
		}
		p.handleAt, p.handleSince, p.pressed, p.press = 0, 0, false, press{}
	}
	if !h.Known {
		return
	}
	first := p.handleSince == 0
	if first {
		p.handleSince, p.inferred = p.now, h.Inferred
	}
	p.handleAt = p.now
	since := min(h.Since, p.now)
	if !h.Inferred && p.now.Sub(since) > before {
		since = p.now // it is that of the hose, which need not belong to this handle
	}
	if since == 0 {
		since = p.now
	}
	switch {
	case h.Pressed && !p.pressed:
		p.pressed = true
		p.presses.open(since)
		if !first { // one that began out of sight tells nothing
			p.press = press{span: span{from: since}, on: true, inferred: h.Inferred}
		}
	case !h.Pressed && p.pressed:
		p.pressed = false
		p.presses.shut(since)
		p.press.to = since
	}
}

// settle judges the press and the move that go on once their time has come.
func (p *pot) settle() {
	if c := &p.press; c.on {
		if !c.judged && p.now.Sub(c.from) >= after {
			c.judged, c.verdict = true, p.judgeFollow(c.from)
		}
		if !c.flowTold && p.now.Sub(c.from) >= flowTime {
			c.flowTold, c.flow = true, p.flow(c.from)
		}
	}
	if m := &p.move; m.on && !m.flowTold && p.now.Sub(m.from) >= flowTime {
		m.flowTold, m.flow = true, p.flow(m.from)
	}
}

// judgeFollow tells whether the vessel has followed a press, 3 s after it.
func (p *pot) judgeFollow(from si.Instant) verdict {
	v := &p.vessel
	if p.params.HoldsPressure || !v.fresh(from.Add(-before), p.now) {
		return cannotTell
	}
	if within(v.began, from) {
		return followed
	}
	limit := float64(rises)
	for _, g := range [...]*gauge{&p.separator, &p.supply} {
		if g.fresh(g.since, p.now) {
			limit = max(limit, underHalf*g.mean)
			break
		}
	}
	if v.mean < limit {
		return notFollowed
	}
	return cannotTell
}

// within tells whether what t tells of may come of a change of the handle at from.
func within(t, from si.Instant) bool {
	return t != 0 && t >= from.Add(-before) && t <= from.Add(after)
}

// flow tells whether air began to flow in the pot around an instant.
func (p *pot) flow(from si.Instant) flow {
	for _, g := range [...]*gauge{&p.hose, &p.loss} {
		if !g.fresh(from.Add(-before), p.now) {
			continue
		}
		switch {
		case g.rose >= from.Add(-before):
			return flows
		case g.up:
			return flowUnknown // it flowed before
		}
		return still
	}
	return flowUnknown
}

func (p *pot) pressDone() bool {
	return p.press.to != 0 && p.press.judged && p.press.flowTold
}

func (p *pot) endPress() (press, bool) {
	c := p.press
	p.press = press{}
	return c, c.judged && c.verdict != cannotTell && c.to != 0 && c.to.Sub(c.from) >= tap
}

func (p *pot) moveDone() bool {
	return p.move.to != 0 && p.move.flowTold && p.now.Sub(p.move.to) >= before
}

// endMove is the move that has ended, if no press of the pot's own explains it.
func (p *pot) endMove() (move, bool) {
	m := p.move
	p.move = move{}
	return m, m.to != 0 && !p.params.HoldsPressure && p.free(m.from, m.to)
}

// handleKnown tells whether the handle was in sight from an instant to another, and all presses are remembered.
func (p *pot) handleKnown(from, to si.Instant) bool {
	return p.handleSince != 0 && p.handleSince <= from && p.handleAt >= to && p.presses.lost < from
}

// free tells whether neither a press explains a rise, nor a release a fall. A press that began over 3 s before the rise and ends
// with it explains nothing: control lines take half a second to fall.
func (p *pot) free(rise, fall si.Instant) bool {
	if !p.handleKnown(rise.Add(-after), fall.Add(before)) {
		return false
	}
	for _, c := range p.presses.all() {
		if within(rise, c.from) || c.has(rise.Add(before)) || c.to != 0 && within(fall, c.to) {
			return false
		}
	}
	return true
}

// atRest tells whether the handle was in sight around an instant, and not pressed.
func (p *pot) atRest(at si.Instant) bool {
	from, to := at.Add(-before-after), at.Add(before+after)
	if !p.handleKnown(from, to) {
		return false
	}
	for _, c := range p.presses.all() {
		if c.from <= to && (c.to == 0 || c.to >= from) {
			return false
		}
	}
	return true
}

// canMove tells whether the vessel gauge was in sight and down when a press began, and stayed in sight until its release
// would have shown.
func (p *pot) canMove(c span) bool {
	from, to := c.from.Add(-before), c.to.Add(after)
	if p.vessel.since == 0 || p.vessel.since > from || p.vessel.at < to || p.moves.lost >= from {
		return false
	}
	for _, m := range p.moves.all() {
		if m.has(from) {
			return false
		}
	}
	return true
}
