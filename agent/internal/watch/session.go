package watch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/tally"
	"gritwatch/agent/internal/timebase"
	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A point is one measuring point of a pot and what was read of it.
type point struct {
	pot      potfile.Pot
	point    points.Point
	line     int          // its line's place in the file
	unit     uint8        // with read
	read     *config.Read // nil: it is read from lines of text
	gauge    int          // with text: its place on the line
	text     *config.TextRead
	last     points.Sample
	bad      points.Sample // the last one out of range
	lastGood si.Instant    // 0: none yet
	n        int           // readings
	count    [points.Good + 1]int
}

// scale is that of the point's gauge.
func (p *point) scale() *config.Scale {
	if p.text != nil {
		return &p.text.Scale
	}
	return &p.read.Scale
}

func (p *point) electric() bool { return p.point == points.Control && p.pot.Control.Electric }

func (p *point) name() string { return p.pot.Name + " " + p.point.String() }

// A line is one serial line at work.
type line struct {
	cfg    config.Bus
	tally  tally.Tally
	opened bool          // it was open at least once
	spent  time.Duration // on the line, in all; belongs to the line's task
}

// A session reads the lines of a configuration as the agent does, and judges nothing.
type session struct {
	clock  *timebase.Clock
	lines  []*line
	tap    func(p *point, s points.Sample) // may be nil; called with mu held
	mu     sync.Mutex
	points []*point // in the order of the file
	index  map[string]*[points.Count]*point
}

func newSession(c config.Config) *session {
	// The clock is left at its first epoch: the readings' times go on evenly even where the machine's clock is set.
	s := &session{clock: timebase.New(timebase.Options{}), index: make(map[string]*[points.Count]*point)}
	for _, pot := range c.Pots {
		s.index[pot.Name] = new([points.Count]*point)
		for _, pt := range points.All() {
			if pot.Points.Has(pt) {
				p := &point{pot: pot, point: pt}
				s.points = append(s.points, p)
				s.index[pot.Name][pt] = p
			}
		}
	}
	for i, b := range c.Buses {
		s.lines = append(s.lines, &line{cfg: b})
		for _, u := range b.Units {
			for k := range u.Read {
				r := &u.Read[k]
				p := s.index[r.Pot][r.Point]
				p.line, p.unit, p.read = i, u.Unit, r
			}
		}
		for place := range b.Text {
			for k := range b.Text[place].Read {
				r := &b.Text[place].Read[k]
				p := s.index[r.Pot][r.Point]
				p.line, p.gauge, p.text = i, place, r
			}
		}
	}
	return s
}

// poll reads until ctx ends. An error is of a port that another program holds or that may not be opened.
func (s *session) poll(ctx context.Context, open func(config.Bus) (serialport.Port, error), log *slog.Logger) error {
	if open == nil {
		open = func(b config.Bus) (serialport.Port, error) { return serialport.Open(b.Port, b.Mode) }
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	g, gctx := errgroup.WithContext(ctx)
	for _, l := range s.lines {
		o := poll.Options{Now: s.clock.Now, Log: log, Events: l.tally.Events(),
			Sink: func(pot string, sample points.Sample) { s.take(pot, sample) },
			Open: func() (serialport.Port, error) {
				p, err := open(l.cfg)
				if err != nil && !l.opened && hopeless(err) {
					cancel(fmt.Errorf("%w; a line has one reader, so gritwatch-agent run must not be running", err))
				}
				if err != nil {
					return nil, err
				}
				l.opened = true
				return &meter{p, &l.spent}, nil
			}}
		g.Go(func() error { return poll.New(l.cfg, o).Run(gctx) })
	}
	err := g.Wait()
	if cause := context.Cause(ctx); hopeless(cause) {
		return cause
	}
	return err
}

// hopeless tells whether waiting for the port is of no use.
func hopeless(err error) bool {
	return errors.Is(err, serialport.ErrBusy) || errors.Is(err, serialport.ErrPermission)
}

func (s *session) take(pot string, sample points.Sample) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.index[pot][sample.Point]
	p.last = sample
	p.n++
	p.count[sample.Quality]++
	switch sample.Quality {
	case points.Good:
		p.lastGood = sample.At
	case points.OutOfRange:
		p.bad = sample
	}
	if s.tap != nil {
		s.tap(p, sample)
	}
}

// A meter adds up the time that a task spends on its port: the line is busy with it then.
type meter struct {
	serialport.Port
	spent *time.Duration
}

func (m *meter) Read(p []byte, timeout time.Duration) (int, error) {
	start := time.Now()
	n, err := m.Port.Read(p, timeout)
	*m.spent += time.Since(start)
	return n, err
}

func (m *meter) Write(p []byte) (int, error) {
	start := time.Now()
	n, err := m.Port.Write(p)
	*m.spent += time.Since(start)
	return n, err
}
