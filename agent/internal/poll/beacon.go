package poll

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"gritwatch/agent/internal/beacon"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/rtu"
	"gritwatch/protocol/modbus"
)

// beacons is how many there are on a line.
func beacons(b config.Bus) (n int) {
	for _, u := range b.Units {
		n += len(u.Beacons)
	}
	return n
}

// writeTime and readTime are how long a beacon's request keeps the line busy when its unit answers, as Request.BusTime.
func writeTime(b config.Bus) time.Duration {
	return 2*modbus.SilentInterval(b.Mode.Baud) + modbus.FrameTime(2*modbus.WriteSize, b.Mode.Baud, b.Mode.Bits()) + b.Turnaround
}

func readTime(b config.Bus) time.Duration {
	return Request{Function: modbus.ReadHoldingRegisters, Count: 1}.BusTime(b)
}

// beaconTime is what the beacons of a line are given of each period: a write each, and a reading back.
func beaconTime(b config.Bus) time.Duration {
	n := beacons(b)
	if n == 0 {
		return 0
	}
	return time.Duration(n)*writeTime(b) + readTime(b)
}

// busy is how long the line may be kept before a beacon that needs a write gets it: by one request without an answer,
// and by the writes and the reading of all beacons.
func busy(b config.Bus) time.Duration {
	p := NewPlan(b)
	longest := modbus.FrameTime(modbus.RequestSize+p.LongestReply, b.Mode.Baud, b.Mode.Bits()) + 2*modbus.SilentInterval(b.Mode.Baud)
	return longest + b.Timeout + p.settling(b) + beaconTime(b)
}

// beaconsFeasible refuses a line on which a unit that does not answer would keep a beacon from being kept alight.
func beaconsFeasible(b config.Bus) error {
	for _, u := range b.Units {
		for _, l := range u.Beacons {
			limit := beacon.Limit(l)
			if over := busy(b) - limit/2; over > 0 {
				hint := "use a faster line, or put gauges on another one"
				if rest := (b.Timeout - over).Truncate(time.Millisecond); rest >= config.MinTimeout {
					hint = fmt.Sprintf("write timeout: %s or less, or %s", ms(rest), hint)
				}
				return fmt.Errorf("bus %s: %w: the beacon of %s must be kept alight every %s, but a unit that does not answer keeps the line for %s, and half as long as that is the most; %s",
					b.Port, ErrTooSlow, l.Pot, ms(limit), ms(busy(b)), hint)
			}
		}
	}
	return nil
}

// rests tells whether a unit is left alone for its watchdog's sake.
func (b *Bus) rests(unit uint8) bool { return b.beacons != nil && b.beacons.Rests(unit, time.Now()) }

// lost gives up the port after an error of its own.
func (b *Bus) lost(ctx context.Context, err error) {
	b.port.lost(ctx, err)
	if b.beacons != nil {
		b.beacons.Lost(time.Now())
	}
}

// serve does what the beacons need at once, waiting for an answer only as long as what the period still needs allows.
// It is false where the line is of no use in this period.
func (b *Bus) serve(ctx context.Context, until time.Time, need time.Duration) (usable bool) {
	for b.beacons != nil && ctx.Err() == nil {
		a, ok := b.beacons.Next(time.Now(), b.opts.Vented, true)
		if !ok {
			return true
		}
		spare := time.Until(until) - need
		if !b.do(ctx, a, min(b.cfg.Timeout, max(spare+b.cfg.Turnaround, 2*b.cfg.Turnaround))) {
			return false
		}
	}
	return true
}

// between does what the beacons need in the time that is left of a period.
func (b *Bus) between(ctx context.Context, until time.Time) {
	if b.beacons == nil {
		return
	}
	end := until.Add(-max(writeTime(b.cfg), readTime(b.cfg)) - b.plan.settling(b.cfg) - leastKnock)
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		now := time.Now()
		if now.After(end) {
			return
		}
		if a, ok := b.beacons.Next(now, b.opts.Vented, false); ok {
			if !b.do(ctx, a, min(b.cfg.Timeout, end.Sub(now)+leastKnock)) {
				return
			}
			timer.Reset(0)
			continue
		}
		due := b.beacons.Due(now)
		if due.IsZero() || due.After(end) {
			return
		}
		timer.Reset(max(due.Sub(now), time.Millisecond))
	}
}

// do sends one request of the beacons and tells them what came of it. It is false where the line is of no use.
func (b *Bus) do(ctx context.Context, a beacon.Action, timeout time.Duration) (usable bool) {
	var value uint16
	var err error
	if a.Writes() {
		err = b.master.Write(timeout, a.Write, a.Until)
	} else {
		var reply rtu.Reply
		if reply, err = b.master.ReadWithin(timeout, a.Unit, a.Function, a.Address, 1); err == nil {
			value = bit(a.Function, reply.Data)
		}
	}
	usable = true
	outcome := beacon.NoAnswer
	var refused *modbus.ExceptionError
	switch {
	case err == nil:
		outcome = beacon.Good
	case errors.As(err, &refused):
		outcome = beacon.Refused
	case errors.Is(err, rtu.ErrPort):
		usable, outcome = false, beacon.Unsent
		b.lost(ctx, err)
	case errors.Is(err, rtu.ErrBabble):
		usable, outcome = false, beacon.Unsent
	case errors.Is(err, rtu.ErrResting), errors.Is(err, rtu.ErrHeld):
		outcome = beacon.Unsent
	case errors.Is(err, rtu.ErrLate), errors.Is(err, rtu.ErrDamaged), errors.Is(err, rtu.ErrExtra):
		outcome = beacon.Unclear
	}
	b.beacons.Done(a, time.Now(), value, outcome)
	return usable
}

func bit(fn modbus.Function, d modbus.Data) uint16 {
	if !fn.Bits() {
		return d.Register(0)
	}
	if d.Input(0) {
		return 1
	}
	return 0
}

// putOut puts the beacons out when the bus ends.
func (b *Bus) putOut(ctx context.Context) {
	if b.beacons == nil || !b.port.line.IsOpen() {
		return
	}
	for _, a := range b.beacons.Last(time.Now()) {
		for range 2 {
			err := b.master.Write(b.cfg.Timeout, a.Write, time.Time{})
			if err == nil {
				break
			}
			if errors.Is(err, rtu.ErrPort) {
				b.port.lost(ctx, err)
				return
			}
		}
	}
}

// tell logs what changed of a beacon.
func (b *Bus) tell(e beacon.Event) {
	where := []slog.Attr{slog.String("pot", e.Pot), slog.Int("unit", int(e.Unit)), slog.String("output", e.Output.String())}
	say := func(level slog.Level, text string, more ...slog.Attr) {
		b.opts.Log.LogAttrs(context.Background(), level, text, append(where, more...)...)
	}
	reason := slog.String("reason", e.Why)
	switch e.Kind {
	case beacon.Lit:
		say(slog.LevelInfo, "beacon is lit")
	case beacon.Dark:
		say(slog.LevelInfo, "beacon is put out", reason)
	case beacon.Proven:
		say(slog.LevelInfo, "beacon is proven to drop out", reason)
	case beacon.Unproven:
		say(slog.LevelWarn, "beacon stays dark", reason)
	case beacon.Faulty:
		say(slog.LevelError, "beacon is not as it should be", reason, slog.Int("times", e.Count))
	case beacon.Fatal:
		say(slog.LevelError, "CRITICAL: beacon may be lit and cannot be put out; take its power away. It stays dark until the agent is started again", reason, slog.Int("times", e.Count))
	}
	if b.opts.Events.Beacon != nil {
		b.opts.Events.Beacon(e)
	}
}
