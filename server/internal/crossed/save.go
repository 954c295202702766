package crossed

import "gritwatch/internal/statecodec"

// stateVersion is raised whenever the list of fields or their meaning changes.
const stateVersion = 1

// AppendState appends the site's state, without its parameters.
func (s *Site) AppendState(dst []byte) []byte { return statecodec.Append(dst, stateVersion, s.fields) }

// SetState restores what AppendState gave, of a site with as many pots in the same order: it goes on as if nothing had
// happened. After an error it is as it was.
func (s *Site) SetState(b []byte) error {
	fresh := *s
	fresh.pots = append([]pot(nil), s.pots...)
	if err := statecodec.Read(b, stateVersion, fresh.fields); err != nil {
		return err
	}
	if len(s.pots) != fresh.count || !fresh.sound() {
		return statecodec.ErrState
	}
	*s = fresh
	return nil
}

// sound tells whether what was read names pots and places that there are.
func (s *Site) sound() bool {
	pot := func(i int) bool { return i >= 0 && i < len(s.pots) }
	if s.cycleN < 0 || s.cycleN > most || s.motionN < 0 || s.motionN > most {
		return false
	}
	for i := range s.cycleN {
		if !pot(s.cycles[i].pot) {
			return false
		}
	}
	for i := range s.motionN {
		if !pot(s.motions[i].pot) {
			return false
		}
	}
	for i := range s.pots {
		p := &s.pots[i]
		if !pot(p.suspect.to) || !pot(p.found.to) || p.presses.n < 0 || p.moves.n < 0 {
			return false
		}
	}
	return true
}

func (s *Site) fields(c *statecodec.Codec) {
	statecodec.Int(c, &s.count)
	for i := range s.pots {
		s.pots[i].fields(c)
	}
	statecodec.Int(c, &s.now)
	statecodec.Int(c, &s.due)
	for i := range s.cycles {
		y := &s.cycles[i]
		y.span.fields(c)
		statecodec.Int(c, &y.pot)
		statecodec.Bool(c, &y.followed)
		statecodec.Int(c, &y.flow)
		statecodec.Bool(c, &y.inferred)
		statecodec.Bool(c, &y.judged)
	}
	statecodec.Int(c, &s.cycleN)
	for i := range s.motions {
		m := &s.motions[i]
		m.span.fields(c)
		statecodec.Int(c, &m.pot)
		statecodec.Int(c, &m.flow)
		statecodec.Bool(c, &m.inferred)
		statecodec.Bool(c, &m.judged)
	}
	statecodec.Int(c, &s.motionN)
}

func (p *pot) fields(c *statecodec.Codec) {
	statecodec.Int(c, &p.now)
	for i := range p.last {
		statecodec.Int(c, &p.last[i])
	}
	statecodec.Int(c, &p.handleAt)
	statecodec.Int(c, &p.handleSince)
	statecodec.Bool(c, &p.inferred)
	statecodec.Bool(c, &p.pressed)
	p.presses.fields(c)
	y := &p.press
	y.span.fields(c)
	statecodec.Bool(c, &y.on)
	statecodec.Bool(c, &y.judged)
	statecodec.Int(c, &y.verdict)
	statecodec.Bool(c, &y.flowTold)
	statecodec.Int(c, &y.flow)
	statecodec.Bool(c, &y.inferred)
	p.moves.fields(c)
	m := &p.move
	m.span.fields(c)
	statecodec.Bool(c, &m.on)
	statecodec.Bool(c, &m.flowTold)
	statecodec.Int(c, &m.flow)
	for _, g := range [...]*gauge{&p.vessel, &p.hose, &p.loss, &p.supply, &p.separator} {
		g.fields(c)
	}
	statecodec.Int(c, &p.named)
	p.suspect.fields(c)
	p.found.fields(c)
}

func (s *span) fields(c *statecodec.Codec) {
	statecodec.Int(c, &s.from)
	statecodec.Int(c, &s.to)
}

func (p *past) fields(c *statecodec.Codec) {
	for i := range p.spans {
		p.spans[i].fields(c)
	}
	statecodec.Int(c, &p.n)
	statecodec.Int(c, &p.lost)
}

func (g *gauge) fields(c *statecodec.Codec) {
	statecodec.Int(c, &g.at)
	statecodec.Int(c, &g.since)
	statecodec.Float(c, &g.mean)
	statecodec.Float(c, &g.base)
	statecodec.Float(c, &g.peak)
	statecodec.Int(c, &g.level)
	statecodec.Bool(c, &g.rising)
	statecodec.Bool(c, &g.up)
	statecodec.Int(c, &g.began)
	statecodec.Int(c, &g.rose)
	statecodec.Int(c, &g.fell)
}

func (e *edge) fields(c *statecodec.Codec) {
	statecodec.Bool(c, &e.on)
	statecodec.Int(c, &e.to)
	statecodec.Int(c, &e.hits)
	statecodec.Int(c, &e.vessel)
	statecodec.Int(c, &e.control)
	statecodec.Int(c, &e.since)
	statecodec.Int(c, &e.pressed)
	statecodec.Int(c, &e.moved)
}
