package poll

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"gritwatch/agent/internal/beacon"
	"gritwatch/agent/internal/config"
	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// ErrTooSlow stands in the errors of Feasible and Check: a bad configuration.
var ErrTooSlow = errors.New("the line cannot keep the period")

// Feasible refuses a bus whose line cannot carry all requests (or queries) in a period, every unit answering.
func Feasible(b config.Bus) error {
	if b.Text != nil {
		return textFeasible(b)
	}
	p := NewPlan(b)
	need := p.BusTime(b) + beaconTime(b)
	if need <= b.Period {
		return beaconsFeasible(b)
	}
	step := 10 * time.Millisecond
	enough := (need*5/4 + step - 1) / step * step // a fifth in hand for retries
	hint := fmt.Sprintf("write period: %s or more, use a faster line, or put units on another one", ms(enough))
	if enough > config.MaxPeriod {
		hint = fmt.Sprintf("no period up to %s would do: use a faster line, or put units on another one", ms(config.MaxPeriod))
	}
	return fmt.Errorf("bus %s: %w: %s take %s, period is %s; %s", b.Port, ErrTooSlow, requests(p, b), ms(need), ms(b.Period), hint)
}

// Fastest is the shortest period that the line of b could keep with every unit (or gauge) answering, and nothing in hand.
func Fastest(b config.Bus) time.Duration {
	const step = 10 * time.Microsecond // as it is printed; rounded up, so that what is printed can be kept
	need := NewPlan(b).BusTime(b) + beaconTime(b)
	if b.Text != nil {
		need = textTime(b)
	}
	return max(config.MinPeriod, (need+step-1)/step*step)
}

// Check says for people what the configuration makes the agent read, how busy that keeps each line, and what must be
// known of each pot. The error wraps ErrTooSlow where a line cannot keep its period; the text is whole even so.
func Check(c config.Config) (text string, err error) {
	var out bytes.Buffer
	fmt.Fprintf(&out, "agent %s of site %s publishes to %s every %s\n", c.Agent, c.Site, c.Broker.Address(), ms(c.Flush))
	if c.Simulated {
		out.WriteString("its sources are SIMULATED\n")
	}
	var errs []error
	for _, b := range c.Buses {
		fmt.Fprintf(&out, "\nbus %s, %s, every %s\n", b.Port, b.Mode, ms(b.Period))
		write := writeRegisters
		if b.Text != nil {
			write = writeTexts
		}
		if err := write(&out, b, c.Pots); err != nil {
			errs = append(errs, err)
			fmt.Fprintf(&out, "  REFUSED: %v\n", err)
		}
	}
	out.WriteByte('\n')
	for _, pot := range c.Pots {
		for _, note := range potfile.Notes(pot) {
			out.WriteString(note + "\n")
		}
	}
	return out.String(), errors.Join(errs...)
}

// writeRegisters says what is read of a line of Modbus RTU, and how busy that keeps it; the error is Feasible's.
func writeRegisters(out io.Writer, b config.Bus, pots []potfile.Pot) error {
	writeReads(out, b, pots)
	writeBeacons(out, b)
	p := NewPlan(b)
	fmt.Fprintf(out, "  requests a period: %d\n", len(p.Requests))
	for _, q := range p.Requests {
		fmt.Fprintf(out, "    unit %d, function %02d, address %d, count %d: %s\n", q.Unit, q.Function, q.Address, q.Count, ms(q.BusTime(b)))
	}
	if n := beacons(b); n > 0 {
		fmt.Fprintf(out, "    beacons: a write each and a reading: %s\n", ms(beaconTime(b)))
	}
	need, silence, bits := p.BusTime(b)+beaconTime(b), modbus.SilentInterval(b.Mode.Baud), b.Mode.Bits()
	fmt.Fprintf(out, "  bus time: %s of %s (%.0f %%), with %s for a unit to think and %s of silence before each frame\n",
		ms(need), ms(b.Period), 100*float64(need)/float64(b.Period), ms(b.Turnaround), ms(silence))
	fmt.Fprintf(out, "  line: a character of %d bits takes %.3g ms, a silent interval %s, a turnaround %s for each request; the fastest period it could keep is %s\n",
		bits, float64(modbus.CharacterTime(b.Mode.Baud, bits))/1e6, ms(silence), ms(b.Turnaround), ms(Fastest(b)))
	return Feasible(b)
}

// requests says what a period's time is needed for.
func requests(p Plan, b config.Bus) string {
	text := fmt.Sprintf("%d requests", len(p.Requests))
	if n := beacons(b); n > 0 {
		text += fmt.Sprintf(" and %d beacons", n)
	}
	return text
}

// writeBeacons says what lights a lamp at a pot, what puts it out, and what will be proven of that.
func writeBeacons(out io.Writer, b config.Bus) {
	for _, u := range b.Units {
		for _, l := range u.Beacons {
			fmt.Fprintf(out, "  beacon of %s: unit %d, %s\n", l.Pot, u.Unit, l.Output)
			for _, line := range beacon.Explain(l) {
				fmt.Fprintf(out, "    %s\n", line)
			}
			if l.Prove != nil && len(u.Read) > 0 {
				fmt.Fprintln(out, "    points of this unit are not read meanwhile")
			}
		}
	}
	if beacons(b) > 0 {
		fmt.Fprintln(out, "  A dark beacon says nothing. A lit one replaces no gauge, lockout or procedure, and is no instruction to open.")
	}
}

func writeReads(out io.Writer, b config.Bus, pots []potfile.Pot) {
	units := make(map[string]potfile.Units, len(pots))
	for _, p := range pots {
		units[p.Name] = p.Units
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if slices.ContainsFunc(b.Units, func(u config.Unit) bool { return len(u.Read) > 0 }) {
		fmt.Fprintln(w, "  pot\tpoint\tunit\tfunction\taddress\ttype\tscaling")
	}
	for _, u := range b.Units {
		for _, r := range u.Read {
			fmt.Fprintf(w, "  %s\t%s\t%d\t%02d\t%d\t%s\t%s\n", r.Pot, r.Point, u.Unit, r.Function, r.Address, typeText(r), scaleText(r, units[r.Pot]))
		}
	}
	w.Flush() // to a buffer, which takes everything
}

// typeText says how the value stands in its registers.
func typeText(r config.Read) string {
	switch r.Function {
	case modbus.ReadCoils:
		return "coil"
	case modbus.ReadDiscreteInputs:
		return "discrete input"
	}
	text := r.Type.String()
	switch {
	case r.Type.Size() == 1:
	case r.LowFirst:
		text += ", low register first"
	default:
		text += ", high register first"
	}
	if r.BytesLow {
		text += ", low byte first"
	}
	return text
}

// scaleText shows pressures in the unit in which the pot's are shown.
func scaleText(r config.Read, u potfile.Units) string {
	s := r.Scale
	span := fmt.Sprintf("%s..%s %s", number(float64(s.Lo)/u.Pa()), number(float64(s.Hi)/u.Pa()), u.Pressure)
	var parts []string
	switch {
	case r.Type == config.Discrete && r.Inverse:
		return "0 = pressed"
	case r.Type == config.Discrete:
		return "1 = pressed"
	case s.PerUnit == 0:
		parts = append(parts, fmt.Sprintf("%d..%d = %s..%s mA, 4..20 mA = %s", s.CountLo, s.CountHi, mA(s.CurrentLo), mA(s.CurrentHi), span))
	default:
		parts = append(parts, fmt.Sprintf("1 = %s %s", strconv.FormatFloat(s.PerUnit/u.Pa(), 'g', 6, 64), u.Pressure))
		if s.Lo != 0 || s.Hi != 0 {
			parts = append(parts, "range "+span)
		} else if r.Point == points.Vessel {
			parts = append(parts, "range unknown: a reading out of it cannot be told")
		}
	}
	if s.Kind != vent.KindGauge {
		parts = append(parts, fmt.Sprintf("%s, ambient %s kPa", s.Kind, number(float64(s.Ambient)/si.KPa)))
	}
	return strings.Join(parts, ", ")
}

func ms(d time.Duration) string { return number(float64(d)/1e6) + " ms" }

func mA(i si.Current) string { return number(float64(i) * 1e3) }

// number has at most two figures behind the point, and no zeros at its end.
func number(v float64) string {
	s := strconv.FormatFloat(v, 'f', 2, 64)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
}
