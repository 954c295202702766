package probe

import (
	"context"
	"fmt"
	"time"

	"gritwatch/agent/internal/rtu"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
)

// longScan is a time that people want to be told of beforehand.
const longScan = 10 * time.Second

// Run scans and writes for people what it found; with Ranges also what those hold. It gives ErrNothing where nothing
// answered, and an error of the port. The end of ctx ends it with what was found until then.
func Run(ctx context.Context, o Options) error {
	o = o.withDefaults()
	if d := Estimate(o); d > longScan {
		fmt.Fprintf(o.Out, "%s in %s: at most %s, if nothing answers. --units and --modes shorten that; Ctrl-C ends it with what was found.\n",
			plural(len(o.Units), "unit"), plural(len(o.Modes), "setting"), roughly(d))
	}
	r, err := Scan(ctx, o)
	if err != nil && r.Best() == nil {
		return err
	}
	report(o.Out, o, r)
	switch {
	case err != nil:
		return err
	case r.Best() == nil && !r.hasText():
		return fmt.Errorf("%w on %s", ErrNothing, o.Port)
	case len(o.Ranges) > 0 && !r.Stopped:
		return showRanges(ctx, o, *r.Best())
	}
	return nil
}

// showRanges reads the ranges of the first unit found, as the agent would read them: an old reply must not be taken
// for a value.
func showRanges(ctx context.Context, o Options, m ModeResult) (err error) {
	port, err := o.Open(m.Mode)
	if err != nil {
		return err
	}
	defer func() {
		if cerr := port.Close(); err == nil {
			err = cerr
		}
	}()
	u := m.Units[0]
	master := rtu.NewMaster(port, rtu.Options{Mode: m.Mode, Timeout: max(o.Timeout, 2*u.Slowest()),
		LongestReply: modbus.ReplySize(modbus.ReadInputRegisters, blockSize), Now: func() si.Instant { return si.InstantOf(time.Now()) }})
	defer o.Progress("")
	for _, rg := range o.Ranges {
		values := ReadMap(ctx, master, u.Unit, rg, func(addr int) {
			o.Progress(fmt.Sprintf("unit %d, %s registers %d to %d: at %d", u.Unit, kind(rg.Function), rg.First, rg.Last, addr))
		})
		o.Progress("")
		mapReport(o.Out, u.Unit, values)
		if ctx.Err() != nil {
			return nil
		}
	}
	return nil
}
