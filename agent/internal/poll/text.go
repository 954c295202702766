package poll

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/config"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A Runner is the task of one line.
type Runner interface {
	// Run reads every point once a period (or what a gauge sends by itself) until ctx ends; then it gives nil.
	Run(ctx context.Context) error
	String() string
}

// New makes the task that the line of cfg needs. Nothing is opened yet.
func New(cfg config.Bus, opts Options) Runner {
	switch {
	case cfg.Text == nil:
		return NewBus(cfg, opts)
	case len(cfg.Text) == 1 && cfg.Text[0].Query == nil:
		return NewHeard(cfg, opts)
	}
	return NewTextBus(cfg, opts)
}

// A gauge of which silentAfter queries in a row stay without an answer is silent. One whose answers nobody else's can be
// taken for is then asked once in slowRetry, with silentGap between two such gauges; one that shares its kind makes
// the others wait each time (see package ascii), so they get their answers before it is asked again after its first
// miss, and it is left alone for long when it is silent.
const sharedRetry = 10 * time.Second

// A TextBus asks the gauges of one line of text until it is told to stop.
type TextBus struct {
	cfg    config.Bus
	opts   Options
	port   *port
	asker  *ascii.Asker // nil before the port was first opened
	gauges []askedGauge // those with a vessel first, then those with a control line
	gap    time.Time    // before it no silent gauge is asked
}

// askedGauge is what the schedule knows of a gauge.
type askedGauge struct {
	place  int // in the configuration
	reads  []config.TextRead
	missed int // queries in a row without an answer
	silent bool
	due    time.Time // before it the gauge is not asked
}

// NewTextBus makes a task that asks the gauges of cfg. Nothing is opened yet.
func NewTextBus(cfg config.Bus, opts Options) *TextBus {
	opts.Log = opts.Log.With(slog.String("port", cfg.Port))
	b := &TextBus{cfg: cfg, opts: opts, port: newPort(cfg, opts)}
	for rank := range 3 {
		for i, t := range cfg.Text {
			if textRank(t) == rank {
				b.gauges = append(b.gauges, askedGauge{place: i, reads: t.Read})
			}
		}
	}
	return b
}

func textRank(t config.Text) int {
	var read points.Set
	for _, r := range t.Read {
		read |= points.SetOf(r.Point)
	}
	return rank(read)
}

// String names the task.
func (b *TextBus) String() string { return "bus " + b.cfg.Port }

// Run asks every gauge once a period and hands on a sample for each of its points, good or not, until ctx ends; then
// it gives nil. Periods, a busy line and a lost port are as with Bus.
func (b *TextBus) Run(ctx context.Context) error {
	defer b.port.close(ctx)
	schedule{b.cfg.Period, b.opts.Events.Skipped}.run(ctx, func(time.Time) { b.period(ctx) })
	return nil
}

// period asks every gauge that is due once.
func (b *TextBus) period(ctx context.Context) {
	usable := b.openPort(ctx)
	for i := range b.gauges {
		if ctx.Err() != nil {
			return
		}
		g := &b.gauges[i]
		if !usable || !b.due(g) {
			b.silent(g)
			continue
		}
		answer, err := b.asker.Ask(g.place)
		switch {
		case errors.Is(err, ascii.ErrPort):
			usable = false
			b.port.lost(ctx, err)
		case errors.Is(err, ascii.ErrBabble):
			usable = false // it would be the same for every gauge, and takes its time each time
		default:
			b.note(ctx, g, err)
		}
		if err != nil {
			b.silent(g)
			continue
		}
		for k := range g.reads {
			b.opts.Sink(g.reads[k].Pot, textSample(&g.reads[k], answer.Readings[k], answer.At))
		}
	}
}

// due tells whether a gauge is to be asked now.
func (b *TextBus) due(g *askedGauge) bool {
	now := time.Now()
	if now.Before(g.due) || g.silent && now.Before(b.gap) {
		return false
	}
	if g.silent {
		b.gap = now.Add(silentGap)
	}
	return true
}

// silent hands on that no point of g gave an answer.
func (b *TextBus) silent(g *askedGauge) {
	at := b.opts.Now()
	for k := range g.reads {
		b.opts.Sink(g.reads[k].Pot, silentSample(&g.reads[k], at))
	}
}

// note keeps account of whether a gauge answers. An answer that was spoilt or is not used is one; a gauge that was left
// in peace was not asked.
func (b *TextBus) note(ctx context.Context, g *askedGauge, err error) {
	switch {
	case errors.Is(err, ascii.ErrResting):
	case errors.Is(err, ascii.ErrTimeout), errors.Is(err, ascii.ErrLate), errors.Is(err, ascii.ErrCut), errors.Is(err, ascii.ErrExtra):
		g.missed++
		shared := b.asker.Shares(g.place)
		switch {
		case shared && g.missed < silentAfter:
			g.due = time.Now().Add(b.asker.Rest() + 2*b.cfg.Period + b.cfg.Period/2)
		case shared:
			g.due = time.Now().Add(sharedRetry)
		case g.missed >= silentAfter:
			g.due = time.Now().Add(slowRetry)
		}
		if g.missed >= silentAfter && !g.silent {
			g.silent = true
			b.opts.Log.LogAttrs(ctx, slog.LevelWarn, "gauge is silent: look at its power, wiring, address and line mode", slog.Any("error", err))
			b.gaugeEvent(g.place, false)
		}
	default:
		g.missed = 0
		if g.silent {
			g.silent = false
			b.opts.Log.LogAttrs(ctx, slog.LevelInfo, "gauge answers again", slog.Int("gauge", g.place+1))
			b.gaugeEvent(g.place, true)
		}
	}
}

func (b *TextBus) gaugeEvent(place int, answers bool) {
	if b.opts.Events.Gauge != nil {
		b.opts.Events.Gauge(place, answers)
	}
}

// openPort tells whether the port is open, after trying to open it where it is due.
func (b *TextBus) openPort(ctx context.Context) bool {
	p, fresh := b.port.open(ctx)
	switch {
	case p == nil:
		return false
	case b.asker == nil:
		gauges := make([]ascii.Gauge, len(b.cfg.Text))
		for i, t := range b.cfg.Text {
			gauges[i] = ascii.Gauge{Query: t.Query, Patterns: patterns(t)}
		}
		b.asker = ascii.NewAsker(p, gauges, ascii.Options{Mode: b.cfg.Mode, Timeout: b.cfg.Timeout, Period: b.cfg.Period,
			Now: b.opts.Now, Events: b.opts.Events.Text})
	case fresh:
		b.asker.Reopened(p)
	}
	return true
}

func patterns(t config.Text) []*lines.Pattern {
	out := make([]*lines.Pattern, len(t.Read))
	for i, r := range t.Read {
		out[i] = r.Pattern
	}
	return out
}

// textSample is the sample of a reading. A vessel's in steps so coarse that pressure may look like none is not good.
func textSample(r *config.TextRead, got ascii.Reading, at si.Instant) points.Sample {
	if got.Err != nil {
		return silentSample(r, at)
	}
	fine := r.Point != points.Vessel || got.Step <= config.MaxStep*(1+1e-9)
	return pressure(r.Point, &r.Scale, got.Own, fine && within(&r.Scale, got.Own), at)
}

// silentSample is the sample of a point that gave no answer.
func silentSample(r *config.TextRead, at si.Instant) points.Sample {
	return points.Sample{Point: r.Point, Quality: points.NoReply, At: at}
}
