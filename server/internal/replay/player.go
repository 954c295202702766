package replay

import (
	"io"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/figures"
	"gritwatch/server/internal/potparams"
	"gritwatch/server/internal/samplecsv"
	"gritwatch/server/internal/signals"
)

// Settings of a player. Every 0 is 1 s, Period 0 is that of live readings.
type Settings struct {
	Every  time.Duration
	Period time.Duration
}

// A Player plays rows, which come in order of time, and writes what follows from them. Not safe for concurrent use.
type Player struct {
	pot   potfile.Pot
	fresh time.Duration // how long a reading stands for the present
	every si.Instant    // between estimates
	holds bool          // the pot stays up at a release by design

	allowance time.Duration // for a vent

	follow *engine.Follower
	out    *engine.Output
	limits [points.Count]limits

	last    si.Instant // of the newest row
	cell    si.Instant // of the grid, of the newest estimate
	alarms  *alarm.Detector
	signals alarm.Signals
	moment  signals.Moment
	found   []alarm.Found
	unseen  unseen
	cycles  uint64 // told
	lines   lines
	line    estimate // the newest, kept to build the next in
	numbers [numbers]float64
	about   figures.Pot
	sheet   figures.Sheet
	told    happened
}

// NewPlayer is a player that has seen nothing.
func NewPlayer(pot potfile.Pot, s Settings, out io.Writer) *Player {
	if s.Every <= 0 {
		s.Every = time.Second
	}
	p := &Player{pot: pot, fresh: max(vent.MaxAge, 5*s.Period/2), every: max(1, si.Instant(s.Every/time.Microsecond)), cell: -1,
		follow: potparams.Follower(pot, s.Period), alarms: signals.Alarms(pot),
		about: figures.Of(pot), lines: newLines(out)}
	p.out = &p.follow.Out
	p.moment = signals.Moment{Answered: true, Target: pot.Nozzle.Target, Ambient: pot.Atmosphere.Pressure()}
	judged := pot.Vent()
	p.holds, p.allowance = judged.HoldsPressure, judged.Allowance()
	for _, pt := range points.All() {
		p.limits[pt] = limitsOf(&pot, pt)
	}
	return p
}

// Lines is how many were written.
func (p *Player) Lines() int { return p.lines.n }

// Row takes one row.
func (p *Player) Row(row *samplecsv.Row) error {
	if p.last != 0 && row.At.Sub(p.last) > p.fresh {
		if err := p.silence(row.At); err != nil {
			return err
		}
	}
	p.last = row.At
	if row.Has == 0 {
		p.nothing(row.At)
	}
	for pt := points.Point(0); pt < points.Count; pt++ {
		if row.Has.Has(pt) {
			p.follow.Step(p.sample(row, pt))
		}
	}
	if err := p.news(row.At); err != nil {
		return err
	}
	if cell := row.At / p.every; cell != p.cell {
		p.cell = cell
		return p.estimate()
	}
	return nil
}

// silence is a gap in the rows that ends at until.
func (p *Player) silence(until si.Instant) error {
	stale := p.last.Add(p.fresh) + 1
	p.nothing(stale)
	if err := p.news(stale); err != nil {
		return err
	}
	cell := (stale + p.every - 1) / p.every
	grid := cell * p.every
	estimated := grid >= until
	tell := func() error {
		estimated = true
		p.nothing(grid)
		p.cell = cell
		return p.estimate()
	}
	// The alarms are looked at once a second, as they are live.
	for at, end := stale.Add(time.Second), min(until, stale.Add(quietMost)); at < end; at = at.Add(time.Second) {
		if !estimated && at >= grid {
			if err := tell(); err != nil {
				return err
			}
		}
		if err := p.alarm(at); err != nil {
			return err
		}
	}
	if estimated {
		return nil
	}
	return tell()
}

// quietMost is how long of a gap the alarms are looked at: after that nothing more is found by it.
const quietMost = time.Minute

// nothing tells judge, watch and engine that no point gives a reading.
func (p *Player) nothing(at si.Instant) {
	for _, pt := range points.All() {
		p.follow.Step(points.Sample{Point: pt, Quality: points.NoReply, At: at})
	}
}

// sample is a point's reading in a row.
func (p *Player) sample(row *samplecsv.Row, pt points.Point) points.Sample {
	s := points.Sample{Point: pt, Quality: points.Good, At: row.At, Value: row.Value[pt]}
	switch {
	case pt == points.Control && p.pot.Control.Electric:
		s.Pressed = row.Pressed
	case !p.limits[pt].hold(s.Value):
		s.Quality = points.OutOfRange
	}
	return s
}

// limits are the gauge pressures between which a reading is good.
type limits struct {
	known  bool
	lo, hi si.GaugePressure
}

func (l *limits) hold(v si.GaugePressure) bool { return !l.known || v >= l.lo && v <= l.hi }

// Shares of a range by which a reading may pass its ends: NAMUR NE 43, good from 3.8 to 20.5 mA.
const (
	underRange = (4 - 3.8) / 16
	overRange  = (20.5 - 20) / 16
)

// limitsOf are those of a point whose range is declared, in the terms of its transducer.
func limitsOf(p *potfile.Pot, pt points.Point) limits {
	g := p.Gauges[pt]
	if g.Lo == 0 && g.Hi == 0 {
		return limits{}
	}
	span := g.Hi - g.Lo
	lo, hi := g.Lo-underRange*span, g.Hi+overRange*span
	switch amb := p.Atmosphere.Pressure(); g.Kind {
	case vent.KindAbsolute:
		lo, hi = si.AbsPressure(lo).Gauge(amb), si.AbsPressure(hi).Gauge(amb)
	case vent.KindSealed:
		lo, hi = lo.Absolute(si.StandardAtmosphere).Gauge(amb), hi.Absolute(si.StandardAtmosphere).Gauge(amb)
	}
	return limits{true, lo, hi}
}
