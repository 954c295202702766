package poll

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/beacon"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A unit that answered the last time is waited for until the timeout, but not beyond the period: its points are told to be
// silent before the period ends. One that did not is waited for twice as long as it took of late, at least for knock, and
// as long as the other requests of the period leave time: a reply that goes on missing costs what time is to spare.
//
// A unit that leaves silentAfter requests in a row without a reply is silent: from then on it is asked behind all
// others, in what time is left, and waited for no longer than knock (a unit's usual thinking time is a few ms). So it is
// found in the first period in which it answers. Only now and then it is waited for with the whole timeout, time left or
// not: once in silentRetry, but once in slowRetry where it is known to think longer or no time was left to knock. Between
// two such requests, to whichever units, lies silentGap.
const (
	silentAfter = 2
	slowRetry   = time.Second
	silentRetry = 10 * time.Second
	silentGap   = 500 * time.Millisecond
	knock       = 25 * time.Millisecond // a unit thinks some ms, an adapter holds bytes back for up to 16; common practice, no source
	leastKnock  = 20 * time.Millisecond

	leastPatience = 50 * time.Millisecond // with a line that is never silent
)

// Events are called as things happen, by the goroutine that runs the bus. Nil ones are not called.
type Events struct {
	RTU     rtu.Events
	Port    func(open bool)                // the port was opened, or lost
	Unit    func(unit uint8, answers bool) // a unit fell silent, or answers again
	Text    ascii.Events
	Gauge   func(gauge int, answers bool) // a gauge of text fell silent, or answers again; told by its place
	Skipped func(periods int)             // so many periods were left out because the line was still busy
	Beacon  func(beacon.Event)
}

// Options are what a Bus needs of its surroundings.
type Options struct {
	Open   func() (serialport.Port, error)        // nil: the configured port
	Now    func() si.Instant                      // the clock of the samples
	Sink   func(pot string, sample points.Sample) // called by the goroutine that runs the bus, in the order of time
	Log    *slog.Logger                           // changes only: port, units and beacons
	Events Events

	// Vented tells whether the guard at the pot says now that it is; asked for every beacon of the line, again and
	// again. nil: nothing is ever written, beacons are left as they are.
	Vented func(pot string) bool
}

// A Bus reads one line until it is told to stop.
type Bus struct {
	cfg    config.Bus
	opts   Options
	plan   Plan
	port   *port
	master *rtu.Master // nil before the port was first opened
	units  [modbus.MaxUnit + 1]unit
	gap    time.Time  // before it no silent unit is waited for with the whole timeout
	quiet  []*Request // of silent units, in this period; kept for its memory
	turn   int        // which of them comes first

	beacons *beacon.Line  // nil: none
	reserve time.Duration // of each period for them
}

// unit is what the schedule knows of a unit.
type unit struct {
	missed  int           // requests in a row without a reply
	silent  bool          // and that was said
	waited  time.Time     // silent: when it was last waited for with the whole timeout
	knocked bool          // and that it was asked since
	skip    bool          // it missed in this period: its other requests are not sent
	refused bool          // it refused a request, and that was said
	slow    bool          // its replies took longer than knock of late
	took    time.Duration // beyond the bus time, of late at most
}

// retry is how long a silent unit is not waited for with the whole timeout.
func (u *unit) retry() time.Duration {
	if u.slow || !u.knocked {
		return slowRetry
	}
	return silentRetry
}

// NewBus makes a task that reads the line of cfg. Nothing is opened yet.
func NewBus(cfg config.Bus, opts Options) *Bus {
	opts.Log = opts.Log.With(slog.String("port", cfg.Port))
	b := &Bus{cfg: cfg, opts: opts, plan: NewPlan(cfg), port: newPort(cfg, opts)}
	if opts.Vented != nil {
		b.reserve = beaconTime(cfg)
		b.beacons = beacon.New(cfg.Units, beacon.Options{Busy: busy(cfg), Tell: b.tell})
	}
	return b
}

// String names the task.
func (b *Bus) String() string { return "bus " + b.cfg.Port }

// Run reads every point once a period and hands on a sample for each, good or not, until ctx ends; then it gives nil.
// The periods are counted from the start, so that they do not drift; one that the line is too busy for is left out.
// A lost port is opened again when it is back. Run returns within one request's time of the end of ctx, after it has
// put its beacons out.
func (b *Bus) Run(ctx context.Context) error {
	defer b.port.close(ctx)
	schedule{b.cfg.Period, b.opts.Events.Skipped}.run(ctx, func(until time.Time) {
		if usable := b.period(ctx, until); usable {
			b.between(ctx, until)
		}
	})
	b.putOut(ctx)
	return nil
}

// period sends each request of the plan once, those to silent units behind the others. It should end by until. What
// beacons need at once goes between the requests. It is false where the line was of no use.
func (b *Bus) period(ctx context.Context, until time.Time) (usable bool) {
	usable = b.openPort(ctx)
	for i := range b.units {
		b.units[i].skip = false
	}
	b.quiet = b.quiet[:0]
	need := b.plan.settling(b.cfg) + b.reserve // of the requests that are still to come, and of one that times out
	for i := range b.plan.Requests {
		if q := &b.plan.Requests[i]; !b.units[q.Unit].silent {
			need += q.BusTime(b.cfg)
		}
	}
	for i := range b.plan.Requests {
		q := &b.plan.Requests[i]
		u := &b.units[q.Unit]
		asked := !u.silent
		usable = usable && b.serve(ctx, until, need)
		switch {
		case ctx.Err() != nil:
			return false
		case !usable || u.skip || b.rests(q.Unit):
			b.silent(q)
		case u.silent:
			b.quiet = append(b.quiet, q)
		default:
			allowed := max(time.Until(until)-need+b.cfg.Turnaround, b.usual(u))
			if u.missed == 0 {
				allowed = max(allowed, time.Until(until)-q.BusTime(b.cfg)-b.plan.settling(b.cfg)-b.reserve)
			}
			usable = b.ask(ctx, q, min(b.cfg.Timeout, allowed))
		}
		if asked {
			need -= q.BusTime(b.cfg)
		}
	}
	b.turn++
	for i := range b.quiet {
		if ctx.Err() != nil {
			return false
		}
		q := b.quiet[(b.turn+i)%len(b.quiet)]
		usable = usable && b.serve(ctx, until, need)
		timeout := b.patience(q, until)
		if !usable || timeout == 0 || b.rests(q.Unit) {
			b.silent(q)
			continue
		}
		usable = b.ask(ctx, q, timeout)
	}
	return usable
}

// patience is how long the unit of q is waited for, when it is silent or was at the beginning of the period; 0: it is
// not asked now.
func (b *Bus) patience(q *Request, until time.Time) time.Duration {
	u := &b.units[q.Unit]
	now := time.Now()
	left := until.Sub(now) - q.BusTime(b.cfg) - b.plan.settling(b.cfg)
	switch {
	case u.skip:
		return 0
	case !u.silent && left > 0: // it answered an earlier request of this period
		return b.cfg.Timeout
	case u.silent && now.Sub(u.waited) >= u.retry() && !now.Before(b.gap):
		u.waited, u.knocked, b.gap = now, false, now.Add(silentGap)
		return b.cfg.Timeout
	case left >= leastKnock:
		u.knocked = true
		return min(left, b.usual(u), b.cfg.Timeout)
	}
	return 0
}

// usual is how long a unit is waited for that did not answer the last time.
func (b *Bus) usual(u *unit) time.Duration { return max(knock, 2*b.cfg.Turnaround, 2*u.took) }

// ask sends one request and hands on what comes of it. It is false where the line is of no use in this period.
func (b *Bus) ask(ctx context.Context, q *Request, timeout time.Duration) (usable bool) {
	start := time.Now()
	reply, err := b.master.ReadWithin(timeout, q.Unit, q.Function, q.Address, q.Count)
	usable = true
	switch {
	case errors.Is(err, rtu.ErrPort):
		usable = false
		b.lost(ctx, err)
	case errors.Is(err, rtu.ErrBabble):
		usable = false // it would be the same for every unit, and takes its time each time
	default:
		b.note(ctx, q, err)
	}
	if err != nil {
		b.silent(q)
		return usable
	}
	u := &b.units[q.Unit]
	u.took = max(time.Since(start)-q.BusTime(b.cfg), u.took-u.took/32)
	u.slow = u.took > knock
	for k := range q.Fields {
		f := &q.Fields[k]
		b.opts.Sink(f.Pot, f.Decode(reply.Data, reply.At))
	}
	return usable
}

// silent hands on that no point of q gave an answer.
func (b *Bus) silent(q *Request) {
	at := b.opts.Now()
	for k := range q.Fields {
		f := &q.Fields[k]
		b.opts.Sink(f.Pot, f.Silent(at))
	}
}

// note keeps account of whether a unit answers. A refusal is an answer, and so is one that the line spoilt.
func (b *Bus) note(ctx context.Context, q *Request, err error) {
	u := &b.units[q.Unit]
	var refused *modbus.ExceptionError
	isRefused := errors.As(err, &refused)
	if err != nil && !isRefused && !errors.Is(err, rtu.ErrDamaged) {
		u.skip = true
		u.missed++
		if u.missed >= silentAfter && !u.silent {
			u.silent, u.waited, u.knocked = true, time.Now(), false
			b.opts.Log.LogAttrs(ctx, slog.LevelWarn, "unit is silent: look at its power, wiring, address and line mode", slog.Any("error", err))
			b.unitEvent(q.Unit, false)
		}
		return
	}
	u.missed = 0
	if u.silent {
		u.silent = false
		b.opts.Log.LogAttrs(ctx, slog.LevelInfo, "unit answers again", slog.Int("unit", int(q.Unit)))
		b.unitEvent(q.Unit, true)
	}
	if isRefused && !u.refused {
		u.refused = true
		b.opts.Log.LogAttrs(ctx, slog.LevelWarn, "unit refuses a request: look at function, address and type", slog.Any("error", err))
	}
}

func (b *Bus) unitEvent(id uint8, answers bool) {
	if b.opts.Events.Unit != nil {
		b.opts.Events.Unit(id, answers)
	}
}

// openPort tells whether the port is open, after trying to open it where it is due.
func (b *Bus) openPort(ctx context.Context) bool {
	p, fresh := b.port.open(ctx)
	switch {
	case p == nil:
		return false
	case b.master == nil:
		b.master = rtu.NewMaster(p, rtu.Options{Mode: b.cfg.Mode, Timeout: b.cfg.Timeout, LongestReply: b.plan.LongestReply,
			Patience: min(max(b.cfg.Period, leastPatience), rtu.DefaultPatience), Now: b.opts.Now, Events: b.opts.Events.RTU})
	case fresh:
		b.master.Reopened(p)
	}
	return true
}
