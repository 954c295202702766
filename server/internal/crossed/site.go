package crossed

import (
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Numbers of the comparison of pots.
const (
	lateness = 10 * time.Second // by which pots may be late to each other
	wait     = lateness + after // from an end to the judgement
	keep     = wait + 2*after   // and until nothing can come any more that is compared with it
	enough   = 2                // coincidences for a finding, presses followed against it
	most     = 128              // presses, and moves, that wait; the oldest goes
)

// Params are what is used of a pot's configuration.
type Params struct {
	HoldsPressure bool // by design stays up at a release: such a pot takes no part
}

// An Input is one sample of a pot, and its handle as the judge has it after that sample. All times are on one clock for
// all pots.
type Input struct {
	Pot    int // by its place in what New was given
	Sample points.Sample
	Handle vent.Handle
}

// A Kind says which wires are crossed.
type Kind uint8

// The kinds.
const (
	CannotTell   Kind = iota // vessel gauges, or what tells of the presses: the points there are do not say which
	VesselGauges             // a gauge stands under the other pot's name
	ControlLines             // a control point does; or both vessel and hose do, which looks the same
)

var kindNames = [...]string{"vessel or control", "vessel", "control"}

// String is the kind in a word.
func (k Kind) String() string { return kindNames[k] }

var kindSays = [...]string{
	"either the vessel gauges, or what tells of the presses (control lines, else hoses): the points of these pots cannot tell which",
	"the vessel gauges",
	"the control points, or both vessel and hose",
}

// Says is the kind in words for people.
func (k Kind) Says() string { return kindSays[k] }

// A Finding is one press that moves the wrong gauge, again and again.
type Finding struct {
	Pressed, Moved int // pots, by their places in what New was given
	Kind           Kind
	Since          si.Instant // release of the press that made it certain
}

// An edge is a suspicion, or a finding.
type edge struct {
	on      bool
	to      int
	hits    int
	vessel  int // coincidences that show vessel gauges
	control int // and control lines
	since   si.Instant
	pressed int // presses of their own that the pots have followed since
	moved   int
}

func (e *edge) kind() Kind {
	switch {
	case e.vessel > 0 && e.control == 0:
		return VesselGauges
	case e.control > 0 && e.vessel == 0:
		return ControlLines
	}
	return CannotTell
}

func (e *edge) count(k Kind) {
	switch k {
	case VesselGauges:
		e.vessel = min(e.vessel+1, enough)
	case ControlLines:
		e.control = min(e.control+1, enough)
	}
}

// cycle is a press that waits to be compared, or is compared with.
type cycle struct {
	span
	pot      int
	followed bool
	flow     flow
	inferred bool
	judged   bool
}

// motion is a move that no press of its pot explains.
type motion struct {
	span
	pot      int
	flow     flow
	inferred bool // of the pot's handle
	judged   bool
}

// fits tells whether the move may come of the press.
func (m *motion) fits(c *cycle) bool {
	return m.pot != c.pot && !c.followed && within(m.from, c.from) && within(m.to, c.to)
}

// A Site compares the pots of a site. A sample costs a constant time; only the end of a press or a move of a pot that is
// suspected costs one that grows with the pots. Not safe for concurrent use.
type Site struct {
	pots    []pot
	count   int // of pots, to know a state of another site
	now     si.Instant
	due     si.Instant // nothing is to be judged before; 0: nothing waits
	cycles  [most]cycle
	cycleN  int
	motions [most]motion
	motionN int
	changed bool
}

// New is a site that has seen nothing of its pots.
func New(pots []Params) *Site {
	s := &Site{pots: make([]pot, len(pots)), count: len(pots)}
	for i, p := range pots {
		s.pots[i].params = p
	}
	return s
}

// Break ends what is in sight of a pot: its source died, or its clock was stepped. Findings stand.
func (s *Site) Break(pot int) {
	s.pots[pot].forget()
	s.now = 0
	for i := range s.pots {
		s.now = max(s.now, s.pots[i].now)
	}
	s.retain(func(of int, _ si.Instant) bool { return of != pot })
}

// Step takes one sample and tells whether the findings have changed. Samples of one point of a pot come in order of
// time, one no newer than the point's last is dropped; pots may be late to each other.
func (s *Site) Step(in *Input) (changed bool) {
	if in.Pot < 0 || in.Pot >= len(s.pots) || int(in.Sample.Point) >= points.Count || in.Sample.At <= 0 {
		return false
	}
	s.changed = false
	p := &s.pots[in.Pot]
	c, cycled, m, moved := p.step(&in.Sample, &in.Handle)
	s.now = max(s.now, in.Sample.At)
	if cycled && (c.verdict == notFollowed || p.named > 0 || p.suspect.on || p.found.on) {
		s.await(cycle{span: c.span, pot: in.Pot, followed: c.verdict == followed, flow: c.flow, inferred: c.inferred})
	}
	if moved {
		s.awaitMotion(motion{span: m.span, pot: in.Pot, flow: m.flow, inferred: p.inferred})
	}
	if s.due != 0 && s.now >= s.due {
		s.judge()
	}
	return s.changed
}

func (s *Site) await(c cycle) {
	if s.cycleN == most {
		s.cycleN = copy(s.cycles[:], s.cycles[1:])
	}
	s.cycles[s.cycleN] = c
	s.cycleN++
	s.dueAt(c.to.Add(wait))
}

func (s *Site) awaitMotion(m motion) {
	if s.motionN == most {
		s.motionN = copy(s.motions[:], s.motions[1:])
	}
	s.motions[s.motionN] = m
	s.motionN++
	s.dueAt(m.to.Add(wait))
}

func (s *Site) dueAt(t si.Instant) {
	if s.due == 0 || t < s.due {
		s.due = t
	}
}

// judge compares what has waited long enough, and lets go what nothing can be compared with any more.
func (s *Site) judge() {
	for i := range s.cycleN {
		if c := &s.cycles[i]; !c.judged && c.to.Add(wait) <= s.now {
			c.judged = true
			s.judgeCycle(c)
		}
	}
	for i := range s.motionN {
		if m := &s.motions[i]; !m.judged && m.to.Add(wait) <= s.now {
			m.judged = true
			s.judgeMotion(m)
		}
	}
	s.retain(func(_ int, to si.Instant) bool { return to.Add(keep) > s.now })
}

// retain keeps the presses and moves that are wanted, by pot and end, and sets when the next is due.
func (s *Site) retain(wanted func(pot int, to si.Instant) bool) {
	s.due = 0
	n := 0
	for i := range s.cycleN {
		if c := s.cycles[i]; wanted(c.pot, c.to) {
			s.cycles[n] = c
			n++
			s.dueAgain(c.to, c.judged)
		}
	}
	s.cycleN, n = n, 0
	for i := range s.motionN {
		if m := s.motions[i]; wanted(m.pot, m.to) {
			s.motions[n] = m
			n++
			s.dueAgain(m.to, m.judged)
		}
	}
	s.motionN = n
}

func (s *Site) dueAgain(to si.Instant, judged bool) {
	if judged {
		s.dueAt(to.Add(keep))
	} else {
		s.dueAt(to.Add(wait))
	}
}

func (s *Site) judgeCycle(c *cycle) {
	if c.followed {
		s.follows(c)
		return
	}
	var fit *motion
	for i := range s.motionN {
		if m := &s.motions[i]; m.fits(c) {
			if fit != nil {
				return // two gauges moved: which of them is not told
			}
			fit = m
		}
	}
	if fit == nil {
		s.missed(c)
		return
	}
	for i := range s.cycleN {
		if d := &s.cycles[i]; d.pot != c.pot && fit.fits(d) {
			return // two handles that may have moved it
		}
	}
	s.coincides(c, fit)
}

// follows is a press that the pot's own vessel has followed.
func (s *Site) follows(c *cycle) {
	p := &s.pots[c.pot]
	if e := &p.suspect; e.on && s.pots[e.to].atRest(c.from) {
		s.drop(e)
	}
	if e := &p.found; e.on && s.pots[e.to].atRest(c.from) {
		e.pressed++
		s.endIfMended(e)
	}
	if p.named == 0 {
		return
	}
	for i := range s.pots {
		from := &s.pots[i]
		if e := &from.suspect; e.on && e.to == c.pot && from.atRest(c.from) {
			s.drop(e)
		}
		if e := &from.found; e.on && e.to == c.pot && from.atRest(c.from) {
			e.moved++
			s.endIfMended(e)
		}
	}
}

func (s *Site) endIfMended(e *edge) {
	if e.pressed >= enough && e.moved >= enough {
		s.drop(e)
		s.changed = true
	}
}

// missed is a press that no gauge has followed.
func (s *Site) missed(c *cycle) {
	e := &s.pots[c.pot].suspect
	if !e.on {
		return
	}
	if to := &s.pots[e.to]; to.atRest(c.from) && to.canMove(c.span) {
		s.drop(e)
	}
}

// judgeMotion is a move that may have come of no press at all.
func (s *Site) judgeMotion(m *motion) {
	for i := range s.cycleN {
		if m.fits(&s.cycles[i]) {
			return
		}
	}
	s.contradict(m, -1)
}

// contradict drops the suspicions against pots that were not pressed when the gauge moved.
func (s *Site) contradict(m *motion, but int) {
	if s.pots[m.pot].named == 0 {
		return
	}
	for i := range s.pots {
		if e := &s.pots[i].suspect; i != but && e.on && e.to == m.pot && s.pots[i].atRest(m.from) {
			s.drop(e)
		}
	}
}

// coincides is a press that moved the gauge of another pot.
func (s *Site) coincides(c *cycle, m *motion) {
	s.contradict(m, c.pot)
	k := which(c, m)
	p := &s.pots[c.pot]
	if e := &p.found; e.on && e.to == m.pot {
		e.pressed, e.moved = 0, 0
		was := e.kind()
		e.count(k)
		s.changed = s.changed || e.kind() != was
		if p.suspect.on {
			s.drop(&p.suspect)
		}
		return
	}
	e := &p.suspect
	if !e.on || e.to != m.pot {
		if e.on {
			s.drop(e)
		}
		*e = edge{on: true, to: m.pot}
		s.pots[m.pot].named++
	}
	e.hits++
	e.count(k)
	if e.hits < enough {
		return
	}
	if p.found.on {
		s.drop(&p.found)
	}
	p.found, p.suspect = *e, edge{}
	p.found.since = c.to
	s.changed = true
}

func (s *Site) drop(e *edge) {
	s.pots[e.to].named--
	*e = edge{}
}

// which wires a coincidence shows to be crossed.
func which(c *cycle, m *motion) Kind {
	switch {
	case c.inferred && (m.inferred || m.flow == flows):
		return CannotTell
	case c.inferred:
		return VesselGauges
	case c.flow == flows && m.flow == still:
		return VesselGauges
	case c.flow == still && m.flow == flows:
		return ControlLines
	}
	return CannotTell
}

// Append appends the present findings to dst, in the order of the pressed pots.
func (s *Site) Append(dst []Finding) []Finding {
	for i := range s.pots {
		if e := &s.pots[i].found; e.on {
			dst = append(dst, Finding{Pressed: i, Moved: e.to, Kind: e.kind(), Since: e.since})
		}
	}
	return dst
}
