package baseline

import (
	"math"
	"time"

	"gritwatch/internal/statecodec"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/steady"
)

// A Kind is how a profile came to be. The zero value is None.
type Kind uint8

// The kinds, the more binding the later.
const (
	None         Kind = iota
	Learned           // provisional
	Ritual            // measured by the pot's own gauges, declared by a person
	Commissioned      // written down by a person
)

var kindNames = [...]string{"none", "learned", "ritual", "commissioned"}

// String is the kind's name in JSON and records.
func (k Kind) String() string { return kindNames[k] }

// Kinds lists those that a profile can have.
func Kinds() []Kind { return []Kind{Learned, Ritual, Commissioned} }

// A Profile is how the pressures lay along the air's path. The zero value is none.
type Profile struct {
	How     Kind
	At      si.Instant           // when it was measured, its end; zero: not told
	Seconds int                  // of steady blasting behind it; 0: typed
	Has     points.Set           // of the path; nozzle also where a needle showed it and the pot has no such point
	P       [points.Path]float64 // absolute pressure, Pa, root of the mean square; 0 where not in Has
	Rate    float64              // of the vessel, Pa/s, mean: what still went into it
}

// Known tells whether there is one.
func (p Profile) Known() bool { return p.How != None }

// Square is the square of a point's pressure, Pa^2.
func (p *Profile) Square(pt points.Point) float64 { return p.P[pt] * p.P[pt] }

// Newer tells whether p takes the place of old: a person's takes that of a learned one, a later one that of an earlier.
func (p *Profile) Newer(old *Profile) bool {
	switch {
	case p.How == None:
		return false
	case old.How <= Learned || p.How <= Learned:
		return p.How > old.How || p.How == old.How && p.At > old.At
	}
	return p.At >= old.At
}

// A Set is what holds at present.
type Set struct {
	Laden, Air Profile
}

// Put takes over profiles that are newer, and tells whether any was.
func (s *Set) Put(in Set) bool {
	changed := false
	if in.Laden.Newer(&s.Laden) {
		s.Laden, changed = in.Laden, true
	}
	if in.Air.Newer(&s.Air) {
		s.Air, changed = in.Air, true
	}
	return changed
}

// Times of learning and of rituals, in seconds of steady blasting.
const (
	Provisional = 20                     // from here on a learned profile is used, and a ritual can be declared
	learned     = 300                    // here it stands
	parted      = 10 * time.Second       // without a steady second: another blast
	RitualAge   = 10 * time.Minute       // how long after its end a blast can be declared
	slack       = 500 * time.Millisecond // of the middle of seconds
	stopped     = 4 * time.Second        // without a second: another press
	cooling     = 8                      // seconds of blasting
)

// A Learner gathers profiles: that of the first steady blasting, and that of the last steady blast, which a person may declare to
// be a ritual. The zero value has seen nothing.
type Learner struct {
	first, last mean
	at          si.Instant // newest second
	run         int        // seconds of one press
}

// A mean is that of the seconds of one profile.
type mean struct {
	from, at si.Instant // middle of the first and of the last second
	n        int
	has      points.Set
	p        [points.Path]float64 // held to the precision of a float32, 0.03 Pa, so that a state is small; so is the rate
	rate     float64              // of the vessel, Pa/s
}

// Step takes a second of blasting; those that are not steady enough are left out. It tells whether the learned profile changed.
func (l *Learner) Step(s *steady.Second) bool {
	if s.At.Sub(l.at) > stopped || s.At <= l.at {
		l.run = 0
	}
	l.at = s.At
	l.run++
	if !l.Enough(s) || !s.Has.Has(points.Vessel) {
		return false
	}
	if l.last.n == 0 || s.At.Sub(l.last.at) > parted || s.At <= l.last.at || onPath(s.Has) != l.last.has {
		l.last = mean{}
	}
	l.last.add(s)
	if l.first.n >= learned {
		return false
	}
	if l.first.n > 0 && onPath(s.Has) != l.first.has {
		if l.first.n >= Provisional || onPath(s.Has)|l.first.has == l.first.has {
			return false // a point fell silent: the profile waits for it
		}
		l.first = mean{}
	}
	l.first.add(s)
	return l.first.n >= Provisional
}

// Enough tells whether the second that Step has just taken is steady enough for losses. They take the vessel's filling out of what they
// compare, so they bear more than other laws of steady flow do: with a compressor that cycles there would else be nothing to go by. But the air
// in a vessel that was just filled is hot, and takes in more while it cools, so the beginning of each press is left out.
func (l *Learner) Enough(s *steady.Second) bool {
	return l.run > cooling && s.Rated && s.Rate < mostRate && s.Rate > -mostRate
}

// mostRate is that of the vessel's pressure, Pa/s.
const mostRate = 12 * si.KPa

// Learned is the profile of the first steady blasting; the zero value while there is too little.
func (l *Learner) Learned() Profile { return l.first.profile(Learned) }

// Last is the profile of the last steady blast up to now, as a ritual; the zero value where it was too short, or too long ago.
func (l *Learner) Last(now si.Instant) Profile {
	if now.Sub(l.last.at) > RitualAge {
		return Profile{}
	}
	return l.last.profile(Ritual)
}

func onPath(s points.Set) points.Set { return s &^ points.SetOf(points.Control) }

func (m *mean) add(s *steady.Second) {
	if m.n == 0 {
		m.from, m.has = s.At, onPath(s.Has)
	}
	m.at = s.At
	m.n++
	toward := func(v *float64, to float64) { *v = float64(float32(*v + (to-*v)/float64(m.n))) }
	for i := range m.p {
		// The root of the mean of squares: losses begin with differences of squares (package steady), and while the crew turns the
		// metering valve the square of the mean is another.
		square := m.p[i] * m.p[i]
		m.p[i] = float64(float32(math.Sqrt(square + (s.P[i]*s.P[i]-square)/float64(m.n))))
	}
	toward(&m.rate, s.Rate)
}

func (m *mean) profile(how Kind) Profile {
	if m.n < Provisional {
		return Profile{}
	}
	p := Profile{How: how, At: m.at.Add(slack), Seconds: m.n, Has: m.has, P: m.p, Rate: m.rate}
	for i := range p.P {
		if !p.Has.Has(points.Point(i)) {
			p.P[i] = 0
		}
	}
	return p
}

// Fields lists the learner's state for the state of the one that steps it.
func (l *Learner) Fields(c *statecodec.Codec) {
	l.first.fields(c)
	l.last.fields(c)
	statecodec.Int(c, &l.at)
	statecodec.Int(c, &l.run)
}

func (m *mean) fields(c *statecodec.Codec) {
	statecodec.Int(c, &m.n)
	if m.n == 0 {
		*m = mean{}
		return
	}
	statecodec.Int(c, &m.from)
	statecodec.Int(c, &m.at)
	statecodec.Int(c, &m.has)
	for i := range m.p {
		statecodec.Float(c, &m.p[i])
	}
	statecodec.Float(c, &m.rate)
}

// Provisional tells whether losses are told against what was only learned.
func (s Set) Provisional() bool { return s.Laden.How <= Learned }
