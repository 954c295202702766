package poll

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/config"
)

// leastSilence is how long a point is at least without a good line before that is told, however short the period.
const leastSilence = 100 * time.Millisecond

// A Heard listens to a gauge that sends lines by itself until it is told to stop.
type Heard struct {
	cfg      config.Bus
	opts     Options
	port     *port
	listener *ascii.Listener // nil before the port was first opened
	reads    []config.TextRead
	good     []time.Time // the last good line, by point
	silent   bool        // no point has one, and that was said
}

// NewHeard makes a task that listens to the one gauge of cfg. Nothing is opened yet.
func NewHeard(cfg config.Bus, opts Options) *Heard {
	opts.Log = opts.Log.With(slog.String("port", cfg.Port))
	return &Heard{cfg: cfg, opts: opts, port: newPort(cfg, opts), reads: cfg.Text[0].Read, good: make([]time.Time, len(cfg.Text[0].Read))}
}

// String names the task.
func (h *Heard) String() string { return "bus " + h.cfg.Port }

// Run hands on a sample of every point for each line that says it, and once a period one without a value for each
// point that no good line has told for two periods, until ctx ends; then it gives nil. A lost port is opened again
// when it is back. Run returns within about a twentieth of a second of the end of ctx.
func (h *Heard) Run(ctx context.Context) error {
	defer h.port.close(ctx)
	timer := time.NewTimer(0)
	defer timer.Stop()
	start := time.Now()
	for i := range h.good {
		h.good[i] = start
	}
	periods := schedule{h.cfg.Period, h.opts.Events.Skipped}
	for due := start; ctx.Err() == nil; {
		if time.Until(due) <= 0 {
			h.tell(ctx)
			due = periods.next(due)
			continue
		}
		if !h.openPort(ctx) {
			timer.Reset(time.Until(due))
			select {
			case <-ctx.Done():
			case <-timer.C:
			}
			continue
		}
		err := h.listener.Listen(time.Until(due), func(a ascii.Answer) { h.take(ctx, a) })
		if errors.Is(err, ascii.ErrPort) {
			h.port.lost(ctx, err)
			h.good = make([]time.Time, len(h.reads)) // silent from now on
		}
	}
	return nil
}

// take hands on what a line says.
func (h *Heard) take(ctx context.Context, a ascii.Answer) {
	for i := range h.reads {
		if a.Readings[i].Err != nil {
			continue
		}
		h.good[i] = time.Now()
		h.opts.Sink(h.reads[i].Pot, textSample(&h.reads[i], a.Readings[i], a.At))
	}
	if h.silent {
		h.silent = false
		h.opts.Log.LogAttrs(ctx, slog.LevelInfo, "gauge answers again", slog.Int("gauge", 1))
		h.event(true)
	}
}

// tell hands on which points have no good line.
func (h *Heard) tell(ctx context.Context) {
	at, now, silent := h.opts.Now(), time.Now(), 0
	for i := range h.reads {
		if now.Sub(h.good[i]) < max(2*h.cfg.Period, leastSilence) {
			continue
		}
		silent++
		h.opts.Sink(h.reads[i].Pot, silentSample(&h.reads[i], at))
	}
	if silent == len(h.reads) && !h.silent && h.port.line.IsOpen() {
		h.silent = true
		h.opts.Log.LogAttrs(ctx, slog.LevelWarn, "gauge is silent, or its lines are not understood: look at its power, wiring, line mode and at the pattern")
		h.event(false)
	}
}

func (h *Heard) event(answers bool) {
	if h.opts.Events.Gauge != nil {
		h.opts.Events.Gauge(0, answers)
	}
}

// openPort tells whether the port is open, after trying to open it where it is due.
func (h *Heard) openPort(ctx context.Context) bool {
	p, fresh := h.port.open(ctx)
	switch {
	case p == nil:
		return false
	case h.listener == nil:
		h.listener = ascii.NewListener(p, patterns(h.cfg.Text[0]), ascii.Options{Mode: h.cfg.Mode, Now: h.opts.Now, Events: h.opts.Events.Text})
	case fresh:
		h.listener.Reopened(p)
	}
	return true
}
