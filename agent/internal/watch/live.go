package watch

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"text/tabwriter"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/tally"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
)

// DefaultLive is how long Live reads.
const DefaultLive = 3 * time.Second

// ErrNotGood stands in the error of Live where a point gave anything but good readings.
var ErrNotGood = errors.New("not every reading was good")

// Live reads every point for a while, then writes what each gave, what is wrong in words with what to do, and how busy
// the lines were. The error wraps ErrNotGood and names the points where any reading was not good; others are as those
// of Run. An end of ctx cuts the reading short.
func Live(ctx context.Context, c config.Config, o Options) error {
	o.For = cmp.Or(o.For, DefaultLive)
	s := newSession(c)
	fmt.Fprintf(o.Out, "\nreading every point for %g s\n", o.For.Seconds())
	rctx, cancel := context.WithTimeout(ctx, o.For)
	defer cancel()
	n := &notes{least: slog.LevelError} // the rest is in the report
	if err := s.poll(rctx, o.Open, slog.New(n)); err != nil {
		return err
	}
	if ctx.Err() != nil {
		fmt.Fprintln(o.Out, "stopped before the end: this is what was read until then")
	}
	bad := s.report(o.Out, n)
	if len(bad) > 0 {
		return fmt.Errorf("%w: %s", ErrNotGood, strings.Join(bad, ", "))
	}
	return nil
}

// report writes everything and gives the points that were not always good.
func (s *session) report(w io.Writer, n *notes) (bad []string) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "  pot\tpoint\tlast reading\tgood")
	var wrong []string
	for _, p := range s.points {
		fmt.Fprintf(t, "  %s\t%s\t%s\t%d of %d\n", p.pot.Name, p.point, p.value(p.last), p.count[points.Good], p.n)
		if p.n > 0 && p.count[points.Good] == p.n {
			continue
		}
		bad = append(bad, fmt.Sprintf("%s (%d of %d good)", p.name(), p.count[points.Good], p.n))
		for _, why := range s.why(p) {
			wrong = append(wrong, p.name()+": "+why)
		}
	}
	t.Flush() // to what main hands over: a failed write shows at its next one
	for _, text := range wrong {
		writeWrapped(w, text)
	}
	for i, l := range s.lines {
		s.lineReport(w, l, i)
	}
	for _, note := range n.text(reportWidth) {
		fmt.Fprintln(w, note)
	}
	fmt.Fprintln(w, "These are readings; nothing here proves that a vessel may be opened.")
	return bad
}

// why says of a point that was not always good what is wrong and what to do.
func (s *session) why(p *point) (out []string) {
	l := s.lines[p.line]
	snap := l.tally.Snapshot()
	if p.count[points.OutOfRange] > 0 {
		_, long := p.quality(p.bad)
		out = append(out, fmt.Sprintf("out of range in %d of %d readings, last at %s", p.count[points.OutOfRange], p.n, long))
	}
	switch {
	case p.n > 0 && p.count[points.NoReply] == 0:
		return out
	case snap.Opened == 0:
		return append(out, fmt.Sprintf("its line %s could not be opened", l.cfg.Port))
	case p.text != nil:
		for _, g := range snap.Gauges {
			if g.Gauge == p.gauge {
				return append(out, whyNoLine(p, g, l.cfg))
			}
		}
		return append(out, fmt.Sprintf("nothing came: look at the gauge's power, wiring and at the line's mode (%s)%s", l.cfg.Mode, ofItself(l.cfg)))
	}
	for _, u := range snap.Units {
		if u.Unit == p.unit {
			if !s.refused(p) {
				u.Exceptions = nil
			}
			return append(out, whyNoReply(p, u, l.cfg)...)
		}
	}
	return append(out, fmt.Sprintf("unit %d was never asked: the line had no time for it, or is never silent", p.unit))
}

// refused tells whether the refusals of p's unit are taken for answers to p: where other points of the unit never
// gave a value, they are theirs.
func (s *session) refused(p *point) bool {
	if p.count[points.Good]+p.count[points.OutOfRange] == 0 {
		return true
	}
	for _, q := range s.points {
		if q.line == p.line && q.unit == p.unit && q.count[points.Good]+q.count[points.OutOfRange] == 0 {
			return false
		}
	}
	return true
}

// whyNoReply goes by what the point's unit did.
func whyNoReply(p *point, u tally.Unit, b config.Bus) (out []string) {
	where := fmt.Sprintf("unit %d, function %02d, address %d", p.unit, uint8(p.read.Function), p.read.Address)
	times := fmt.Sprintf("no value in %d of %d readings", p.count[points.NoReply], p.n)
	for _, e := range u.Exceptions {
		out = append(out, fmt.Sprintf("%s: %s: exception %d, %v: %s", times, where, uint8(e.Code), e.Code, remedy(e.Code)))
	}
	f := &u.Failed
	switch {
	case u.Errors() == 0:
	case u.Replies+u.Refused() == 0 && f[tally.NoReply] == u.Errors():
		out = append(out, fmt.Sprintf("unit %d does not answer: look at its power, its wiring (A and B), its address and the line's mode (%s); gritwatch-agent probe shows who answers", p.unit, b.Mode))
	default:
		out = append(out, fmt.Sprintf("%s; of %d requests to unit %d: %s%s", times, u.Requests, p.unit, failures(u.Counts), advice(u, b)))
	}
	if len(out) == 0 {
		out = append(out, times)
	}
	return out
}

// whyNoLine goes by what the point's gauge of text did.
func whyNoLine(p *point, g tally.Gauge, b config.Bus) string {
	what := fmt.Sprintf("no value in %d of %d readings: of %d queries: %s", p.count[points.NoReply], p.n, g.Requests, failures(g.Counts))
	if g.Requests == 0 {
		what = fmt.Sprintf("no value in %d of %d readings: %d lines understood; %s", p.count[points.NoReply], p.n, g.Replies, failures(g.Counts))
	}
	switch f := &g.Failed; {
	case f[tally.NotUnderstood] > 0:
		what += ": look at the pattern, which must fit the whole line; " + seeProbe(b)
	case f[tally.Damaged]+f[tally.Cut] > 0:
		what += fmt.Sprintf(": the line spoils characters: look at the mode (%s), the key check, termination and shield", b.Mode)
	case f[tally.Late]+f[tally.Unused] > 0:
		what += fmt.Sprintf(": it answers too late: write a longer timeout than %s", ms(b.Timeout))
	case f[tally.Extra]+f[tally.Babble] > 0:
		what += ": somebody else talks on this line, or the gauge is set to send by itself"
	default:
		what += fmt.Sprintf(": look at its power, wiring and address, at query and at the line's mode (%s)%s", b.Mode, ofItself(b))
	}
	return what
}

func seeProbe(b config.Bus) string {
	return "gritwatch-agent probe --port " + b.Port + " shows a line of a gauge that sends by itself"
}

func ofItself(b config.Bus) string {
	if b.Text[0].Query == nil {
		return ", and whether it is set to send by itself"
	}
	return ""
}

// failures is what went wrong beside exceptions.
func failures(c tally.Counts) string {
	if text := (tally.Counts{Failed: c.Failed}).Summary(); text != "" {
		return text
	}
	return "nothing went wrong otherwise"
}

// advice is what to do about the most harmful of a unit's failures.
func advice(u tally.Unit, b config.Bus) string {
	switch f := &u.Failed; {
	case f[tally.Late] > 0:
		return fmt.Sprintf(": it answers too late: write a longer timeout than %s", ms(b.Timeout))
	case f[tally.Damaged]+f[tally.Cut]+f[tally.Extra] > 0:
		return ": the line spoils bytes: look at termination, shield, the mode, and whether two units have one address"
	case f[tally.Babble] > 0:
		return ": somebody else talks on this line, or open wires pick up noise"
	case f[tally.NoReply] > 0:
		return ": a loose wire, or a unit that needs longer than its timeout"
	}
	return ""
}

// remedy is what to do about an exception.
func remedy(c modbus.Code) string {
	switch c {
	case modbus.IllegalFunction:
		return "read it with another key: input is function 04, holding 03, discrete 02, coil 01"
	case modbus.IllegalAddress:
		return "look at the address: many manuals count from 1, or put 30001 or 40001 in front; on the wire it counts from 0"
	case modbus.IllegalValue:
		return "look at the type, which says how many registers are read at once"
	}
	return "look at the unit itself"
}

// lineReport says how busy a line was beside what check reckons.
func (s *session) lineReport(w io.Writer, l *line, i int) {
	periods := 0
	for _, p := range s.points {
		if p.line == i {
			periods = max(periods, p.n)
		}
	}
	snap := l.tally.Snapshot()
	fmt.Fprintf(w, "line %s, %s: ", l.cfg.Port, l.cfg.Mode)
	if snap.Opened == 0 {
		fmt.Fprintln(w, "could not be opened")
		return
	}
	replies := snap.Total.Replies + snap.Total.Refused()
	if text := l.cfg.Text; text != nil && text[0].Query == nil {
		fmt.Fprintf(w, "the gauge sends by itself; %d readings\n", periods)
	} else {
		fmt.Fprintf(w, "%d periods of %s, %d left out; %d requests, %d replies\n", periods, ms(l.cfg.Period), snap.Skipped, snap.Total.Requests, replies)
		s.busTime(w, l, periods)
	}
	trouble := snap.Trouble()
	if trouble == "" {
		trouble = "none"
	}
	fmt.Fprintf(w, "  errors: %s\n", trouble)
}

// busTime says how long a period kept the line busy, beside what check reckons.
func (s *session) busTime(w io.Writer, l *line, periods int) {
	if periods == 0 {
		return
	}
	took, reckoned := l.spent/time.Duration(periods), ""
	if l.cfg.Text == nil {
		reckoned = ", reckoned " + ms(poll.NewPlan(l.cfg).BusTime(l.cfg))
	}
	fmt.Fprintf(w, "  bus time a period: measured %s%s, of %s\n", ms(took), reckoned, ms(l.cfg.Period))
	if took > l.cfg.Period*9/10 {
		fmt.Fprintln(w, "  that is nearly all there is: write a longer period, or put units on another line")
	}
}

// ms has at most one figure behind the point.
func ms(d time.Duration) string {
	return strings.TrimSuffix(fmt.Sprintf("%.1f", float64(d)/1e6), ".0") + " ms"
}

// reportWidth is where a report's sentences are broken.
const reportWidth = 100

func writeWrapped(w io.Writer, text string) {
	for _, line := range wrap(text, reportWidth, "    ") {
		fmt.Fprintln(w, line)
	}
}
