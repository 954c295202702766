package level

import (
	"math"

	"gritwatch/internal/airflow"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/steady"
)

// Constants of the metering flow.
const (
	room = 293.15 // K, ISO 6358's T0: intake and wall temperatures are not known better
	// slowing is k of phi = 1/sqrt(1 + k mu): with a discharge coefficient of 1 the trade's table of nozzles has the ratio 0.81
	// near mu = 1.3 (see airflow.HandbookSlowing).
	slowing = 0.39
	// friction is kappa: how much a unit of loading adds to the hose's friction. No value is published; this one is the
	// median of simulated pots, and what a pot's own is off by goes into its flow factor.
	friction = 2.2
	// slip is how much longer the hose takes to clear of abrasive than its air takes to pass through it, of simulated pots.
	slip     = 2.5
	reynolds = 0.08 // half the power of the friction by the Reynolds number: 0.09 of a smooth pipe (Blasius: an eighth), 0.03 to 0.07 of one of this roughness
	rich     = 5.0  // loading that no stream exceeds for long

	usualLoading = 1.3     // the same table, about the same for all nozzles
	roughness    = 0.01e-3 // m, roughness of a rubber hose that fits the handbook: see airflow.Pipe
	mostFilling  = 0.5     // of the nozzle's flow, that fills the vessel: more is no blasting
	zeroRatio    = 0.012   // of the ratio: zeros of both gauges off by a quarter psi and spans by 0.2 %, at 7 bar
	couplings    = 1.0     // velocity heads: entry, couplings and bends; common practice, no source
)

// A source is what the loading is told from.
type source uint8

const (
	bySetting source = iota // nothing tells it: the pot's usual flow
	byHose                  // the hose's loss over the square of the nozzle's pressure
	byHead                  // the square of the pressure before hose and nozzle over the loss before the vessel
)

// A meter tells the loading, and the abrasive's flow by formula, from seconds of blasting.
type meter struct {
	source   source
	from, to points.Point // of the loss before the vessel, byHead
	head     points.Point // byHead
	last     points.Point // the one nearest to the nozzle, for the air's flow
	air      float64      // kg/s of clean air for each Pa of absolute nozzle pressure
	hose     float64      // clean hose's (ph^2 - pn^2)/pn^2, by its dimensions
	wall     float64      // the part of it that is friction at the wall
	speed    float64      // and of one velocity head, twice over
	clears   float64      // s: time constant of the hose's clearing of abrasive
	content  float64      // kg of air in the hose for each Pa
	takes    float64      // share of the nozzle's flow that fills the vessel at 1 Pa/s and a nozzle pressure of 1 Pa; byHead

	// State.
	clean   float64 // value of the ratio in clean air; 0: not known yet
	mu      float64 // loading in the hose
	enters  float64 // loading that enters the hose
	before  float64 // ratio of the second before
	began   si.Instant
	age     int     // seconds of this press
	up      int     // of them those since the vessel came up to the hose point
	flown   bool    // abrasive has come in this press
	usual   float64 // loading while it flows, mean of the last third of a minute
	guessed int     // seconds behind the clean value, byHead; over guesses: it was seen
	scatter float64 // byHead: variance of the loading of one second
	typical float64 // byHead: usual loading before the stops that were seen
	low     float64 // evidence that it has stopped
	stopped int     // seconds since it was found to have stopped; 0: it flows
	ending  ending
}

// newMeter finds what a pot's points let tell.
func newMeter(p Params) meter {
	bore := float64(p.Nozzle)
	if bore <= 0 {
		bore = 0.0095 // m, the usual one: the flow factor takes what it is off
	}
	area := float64(si.CircleArea(si.Length(bore)))
	m := meter{last: points.Vessel, clears: 2, typical: usualLoading, scatter: firstScatter}
	nozzle := airflow.Nozzle{Area: si.Area(area), Coefficient: 1}
	inlet := 7 * si.Bar
	if p.Target > 0 {
		inlet = float64(p.Target.Absolute(p.Ambient))
	}
	if flow, err := nozzle.MassFlow(si.AbsPressure(inlet), p.Ambient, room); err == nil {
		m.air = float64(flow) / inlet
		m.hose, m.wall = 0.08, 0.07 // without dimensions: an ordinary hose
		pipe := airflow.Pipe{Bore: p.HoseBore, Length: p.HoseLength, Roughness: roughness, Loss: couplings, Law: airflow.Haaland}
		if run, err := pipe.Inlet(si.AbsPressure(inlet), flow, room, 0); err == nil {
			r := float64(run.Inlet) / inlet
			m.hose = float64(r*r) - 1
			g := float64(flow) / float64(si.CircleArea(p.HoseBore)) / inlet
			m.speed = float64(g*g) * airflow.GasConstant * room
			m.wall = m.speed * run.Friction * float64(p.HoseLength/p.HoseBore)
			content := float64(si.CircleArea(p.HoseBore)) * float64(p.HoseLength) * inlet / (airflow.GasConstant * room)
			m.clears = slip * content / float64(flow)
			m.content = content / inlet
		}
	}
	switch {
	case p.Points.Has(points.Hose) && p.Points.Has(points.Nozzle):
		m.source, m.last = byHose, points.Nozzle
		m.clean = short(m.hose)
	case p.Points.Has(points.Supply) || p.Points.Has(points.Separator):
		// Of a pot with a separator point the valve's loss alone: a separator clogs within days.
		m.source, m.from, m.to, m.head = byHead, points.Separator, points.Vessel, points.Vessel
		if !p.Points.Has(points.Separator) {
			m.from = points.Supply
		}
		if p.Points.Has(points.Hose) {
			m.head = points.Hose
		}
		m.last = m.head
		if m.air > 0 {
			m.takes = float64(p.Volume) / (airflow.GasConstant * room) / m.air * math.Sqrt(1+float64(slowing*usualLoading))
		}
	}
	return m
}

// break ends the press that goes on.
func (m *meter) rest() {
	m.age, m.up, m.flown, m.before, m.low, m.stopped = 0, 0, false, 0, 0, 0
	m.ending = ending{}
}

// flows tells whether abrasive flows as it usually does.
func (m *meter) flows() bool {
	return m.flown && m.stopped == 0 && m.low == 0 && m.mu > thins*m.usual && m.age > settles
}

// unit is by how much a unit of loading raises the ratio over its clean value, as long as the loading is small.
func (m *meter) unit() float64 {
	if m.source == byHose {
		return float64(friction*m.wall) - float64(slowing*m.hose)
	}
	return m.clean * (slowing + float64(friction*m.wall)) / (1 + m.hose)
}

// loading is that of a ratio: of X by (2) of the package's documentation, of H by (3).
func (m *meter) loading(r float64) float64 {
	var mu float64
	if m.source == byHose {
		// What clean air is off the dimensions' is the gauges' zeros up to a point, and beyond that a hose that has clogged or a
		// bore that has grown, which multiplies all.
		zeros := max(-zeroRatio, min(zeroRatio, m.clean-m.hose))
		x := (r - zeros) * m.hose / max(0.2*m.hose, m.clean-zeros)
		rest := float64(m.speed * (couplings + math.Log1p(max(0, x))))
		for range 6 {
			// Less air: a smaller Reynolds number and more friction.
			w := m.wall * math.Pow(1+float64(slowing*mu), reynolds)
			mu = max(0, min(rich, (x-w-rest)/max(0.2*m.unit(), float64(friction*w)-float64(slowing*x))))
		}
	} else {
		mu = (r - m.clean) / m.unit()
	}
	return max(0, min(rich, mu))
}

// ratio is what the loading is told from, and by how much of the nozzle's flow the vessel filled meanwhile; false: this second does not tell it.
func (m *meter) ratio(s *steady.Second) (r, filling float64, ok bool) {
	switch m.source {
	case byHose:
		loss, ok := s.Between(points.Hose, points.Nozzle)
		return loss / s.PP[points.Nozzle], 0, ok
	case byHead:
		loss, ok := s.Between(m.from, m.to)
		if !ok || !s.Rated || !s.Has.Has(m.head) || loss < 0.002*s.PP[m.head] {
			return 0, 0, false
		}
		// What fills the vessel meanwhile passes the valve, and no nozzle.
		filling = float64(m.takes*s.Rate) / s.P[m.head]
		if math.Abs(filling) > mostFilling {
			return 0, 0, false
		}
		return s.PP[m.head] / loss * float64((1+filling)*(1+filling)), filling, true
	}
	return 0, 0, false
}

// A measure is what a second tells.
type measure struct {
	flow  float64 // of abrasive out of the hose, kg/s, by the formula
	drawn float64 // of abrasive into the hose
	told  bool    // loading is of this second
	load  float64 // that loading, and what is lost between vessel and hose point over the square of the nozzle's flow of air; byHose
	loss  float64
	stops bool // it was found in this second that no abrasive flows any more
	goes  bool // it was found in this second that it flows again
}

// second takes one second of blasting; middle is the one before it, its rate that of its own middle.
func (m *meter) second(s, middle *steady.Second) (out measure) {
	if m.age == 0 {
		m.began = s.At
	}
	m.age++
	// A vessel under the hose point still fills, and gives no abrasive.
	if loss, ok := s.Between(points.Vessel, points.Hose); m.up > 0 || !ok || loss > 0 {
		m.up++
	}
	of := s
	if m.source == byHead {
		of = middle
	}
	r, filling, ok := m.ratio(of)
	if ok && m.source == byHead && m.guessed < guesses && m.age > 5 {
		// No clean air seen yet: the stream is taken for an ordinary one.
		if m.guessed == 0 {
			m.clean = r
		}
		m.guessed++
		one := (slowing + float64(friction*m.wall)) / (1 + m.hose)
		m.clean = short(m.clean + (r/(1+float64(usualLoading*one))-m.clean)/float64(m.guessed))
	}
	ok = ok && m.clean > 0
	if ok {
		out.told = true
		if m.source == byHose {
			out.load = m.loading(r)
			loss, _ := s.Between(points.Vessel, points.Hose)
			out.loss = loss / s.PP[points.Nozzle] * (1 + float64(slowing*out.load))
			if m.stopped == 0 && float64(m.age) >= settles+m.clears/3 {
				m.ending.second(s.At.Sub(m.began).Seconds(), out.load, out.loss)
			}
		}
		m.follow(r, filling, &out)
		if out.stops && m.source == byHose {
			m.ending.ends(m.usual, m.usual*m.air*s.P[m.last]/math.Sqrt(1+float64(slowing*m.usual)), m.clears)
		}
	} else {
		m.before = 0
	}
	mu := m.mu
	switch {
	case m.source == bySetting:
		mu = usualLoading
	case m.source == byHead && !ok && m.stopped == 0:
		mu = m.usual
		if mu == 0 {
			mu = usualLoading
		}
	}
	p := s.P[m.last]
	if !s.Has.Has(m.last) {
		p = 0
		for _, pt := range [...]points.Point{points.Nozzle, points.Hose, points.Vessel} {
			if s.Has.Has(pt) {
				p = s.P[pt]
				break
			}
		}
	}
	if m.last != points.Nozzle {
		p /= math.Sqrt(1 + (m.hose+float64(friction*mu)*m.wall)/(1+float64(slowing*mu)))
	}
	air := m.air * p / math.Sqrt(1+float64(slowing*mu))
	out.flow, out.drawn = mu*air, mu*air
	if m.source == byHose {
		out.drawn = m.enters * air
		if float64(m.age) < settles+m.clears/3 {
			out.drawn = 0
		}
	}
	return out
}

// Numbers of the stop's detection, tuned on simulated pots.
const (
	settles      = 3 // seconds of a press, and a third of the time of the hose, before the first that counts
	observeHose  = 0.6
	observeFeed  = 0.4
	observeSlow  = 0.35
	usualGain    = 1.0 / 20
	thins        = 0.8  // of the usual loading: with less in the hose the stream thins out
	lowShare     = 0.15 // of the usual loading: what enters the hose is as good as nothing
	between      = 0.4  // of the usual loading, without a nozzle point: less says that the stream has stopped, more that it flows
	certain      = 10.0 // of the logarithm of the likelihood
	mostEvidence = 3.0
	firstScatter = 0.15 // of the loading, its variance
	leastScatter = 0.02
	scatterOver  = 120.0 // s
	fillingDoubt = 1.3   // of the loading, for each share of the nozzle's flow that fills the vessel
	cooling      = 12    // seconds of a press in which the vessel's air is hot, and takes in more while it cools
	leastUsual   = 0.2
	drifts       = 7200.0 // s in which the ratio of clean air goes to where the usual loading would have it, without a nozzle point
	stopAt       = 1.8
	guesses      = 60  // seconds that the clean value is guessed from without a nozzle point
	coming       = 0.5 // of the usual: abrasive has come
	startsBy     = 2.0 // s since the vessel is up, and 1.5 times the time of the hose: until then abrasive must have come
)

// follow takes the ratio of a second: the loading, the clean value, and whether abrasive flows.
func (m *meter) follow(r, filling float64, out *measure) {
	if float64(m.age) < settles+m.clears/3 {
		return // the hose fills with air, and the metering valve has not opened
	}
	// Below clean air is impossible: then the clean value is lower.
	if r < m.clean && m.before != 0 && m.before < m.clean && (m.source == byHose || m.guessed >= guesses) {
		m.cleanIs(m.clean + 0.3*((r+m.before)/2-m.clean))
	}
	mu := m.loading(r)
	if m.before == 0 {
		m.mu, m.enters = short(mu), short(mu)
	}
	// An observer of what enters the hose, which clears with a time constant: (4).
	ahead := m.mu + float64((m.enters-m.mu)*(1-math.Exp(-1/m.clears)))
	off := mu - ahead
	m.mu = short(ahead + observeHose*off)
	m.enters = short(max(-rich, min(rich, m.enters+(observeFeed+float64(observeSlow*m.clears))*off)))
	m.before = short(r)
	if m.usual == 0 {
		if m.age > 3 && mu > 0.2 {
			m.usual = short(mu)
		}
		return
	}
	share := m.enters / m.usual
	if share > coming && mu > 0.3*m.usual {
		m.flown = true
	}
	stops, goes := false, false
	switch {
	case !m.flown && m.stopped == 0 && float64(m.up) < startsBy+1.5*m.clears:
		m.low = 0
	case m.source == byHead && m.age <= cooling:
	case m.source == byHead:
		m.low = short(max(0, min(certain, m.low+m.evidence(mu, filling))))
		stops, goes = m.low >= certain, m.low == 0
	default:
		if share < lowShare {
			m.low = short(m.low + min(1.2, (lowShare-share)/lowShare))
		} else {
			m.low = short(max(0, m.low-1))
		}
		stops, goes = m.low >= stopAt, share > coming && mu > 0.25*m.usual
	}
	switch {
	case m.stopped > 0:
		m.stopped++
		if goes {
			m.stopped, m.low = 0, 0
			out.goes = true
		} else if m.flown && float64(m.stopped) > 4*m.clears && (mu < 0.1*m.usual || m.source == byHead && mu < between*m.usual) {
			// The hose has been seen to clear: this is clean air.
			if m.cleanIs(m.clean + 0.15*(r-m.clean)); m.source == byHead {
				m.guessed = guesses + 1
				m.typical = short(m.typical + 0.05*(m.usual-m.typical))
			}
		}
	case stops:
		m.stopped = 1
		out.stops = true
	case m.flown:
		if m.source == byHead && math.Abs(filling) < 0.1 && m.age > cooling {
			off := mu - m.usual
			m.scatter = short(m.scatter + (float64(off*off)-m.scatter)/scatterOver)
		}
		m.usual = short(m.usual + usualGain*(mu-m.usual))
		if m.source == byHead && m.guessed >= guesses {
			m.cleanIs(m.clean + (r/(1+float64(m.typical*m.unit()/m.clean))-m.clean)/drifts)
		}
	}
}

// evidence is what a second's loading says, without a nozzle point, of a stop against a stream: the logarithm of how much likelier it is (Wald,
// Sequential Analysis, 1947), both normal with the scatter that was learned. The one that is as likely under both is lower than half
// way, as crews set leaner streams too.
func (m *meter) evidence(mu, filling float64) float64 {
	v := max(leastScatter, m.scatter) + float64(fillingDoubt*filling)*float64(fillingDoubt*filling)
	return max(-mostEvidence, min(mostEvidence, m.usual*(between*m.usual-mu)/v))
}

// cleanIs makes a value that of clean air; byHead the usual loading follows, so that the ratio that is usual stays.
func (m *meter) cleanIs(v float64) {
	was, unit := m.clean, m.unit()
	m.clean = short(v)
	if m.source == byHead && m.usual > 0 {
		m.usual = short(max(leastUsual, (was+float64(unit*m.usual)-m.clean)/m.unit()))
	}
}
