package probe

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/bits"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
)

// report writes what a scan found, for people.
func report(w io.Writer, o Options, r Result) {
	best := r.Best()
	for _, m := range r.Modes {
		if len(m.Units) > 0 {
			fmt.Fprintf(w, "\n%s, %s: %s\n", o.Port, m.Mode, plural(len(m.Units), "unit")+" answered")
			unitTable(w, m.Units)
		}
		for _, note := range m.notes(o) {
			fmt.Fprintf(w, "%s: %s\n", m.Mode, note)
		}
	}
	if r.Stopped {
		fmt.Fprintf(w, "\nstopped before the end: this is what was found until then\n")
	}
	if best == nil {
		if !r.Stopped && !r.hasText() {
			fmt.Fprintf(w, "\n%s\n", hints(o, r))
		}
		return
	}
	fmt.Fprintf(w, "\nFor agent.yaml; what stands in capitals is yours to fill in, from the gauges' manuals:\n\n%s", skeleton(o, *best))
	if len(o.Ranges) == 0 {
		fmt.Fprintf(w, "\nTo see the registers of one: gritwatch-agent probe --port %s --modes %q --unit %d --registers %s:0-99\n",
			o.Port, best.Mode, best.Units[0].Unit, kind(best.Units[0].words()))
	}
}

func unitTable(w io.Writer, units []Found) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fns := functions()
	slices.Reverse(fns) // by number
	fmt.Fprint(t, "  unit")
	for _, fn := range fns {
		fmt.Fprintf(t, "\t%s (%02d)", kind(fn), uint8(fn))
	}
	fmt.Fprintln(t, "\tround trip")
	for _, u := range units {
		fmt.Fprintf(t, "  %d", u.Unit)
		for _, fn := range fns {
			fmt.Fprintf(t, "\t%s", u.word(fn))
		}
		fmt.Fprintf(t, "\t%s\n", u.trips())
	}
	t.Flush() // to what main hands over: a failed write shows at its next one
	if i := slices.IndexFunc(units, func(u Found) bool { return u.refusesAddress() }); i >= 0 {
		fmt.Fprintln(w, "  yes*: the unit knows the function, but has nothing at address 0")
	}
}

// word is what became of a function: yes, yes* (known, but nothing at address 0), no, or the exception's number.
func (f *Found) word(fn modbus.Function) string {
	i := slices.IndexFunc(f.Answers, func(a Answer) bool { return a.Function == fn })
	if i < 0 {
		return "no reply"
	}
	switch c := f.Answers[i].Code; c {
	case 0:
		return "yes"
	case modbus.IllegalAddress, modbus.IllegalValue:
		return "yes*"
	case modbus.IllegalFunction:
		return "no"
	default:
		return fmt.Sprintf("exception %d", uint8(c))
	}
}

func (f *Found) refusesAddress() bool {
	return slices.ContainsFunc(f.Answers, func(a Answer) bool { return a.Code == modbus.IllegalAddress || a.Code == modbus.IllegalValue })
}

// words is the function to read registers with.
func (f *Found) words() modbus.Function {
	for _, fn := range []modbus.Function{modbus.ReadInputRegisters, modbus.ReadHoldingRegisters} {
		if w := f.word(fn); strings.HasPrefix(w, "yes") {
			return fn
		}
	}
	return modbus.ReadInputRegisters
}

func (f *Found) trips() string {
	fast, slow := f.Answers[0].Trip, f.Slowest()
	for _, a := range f.Answers {
		fast = min(fast, a.Trip)
	}
	if a, b := milli(fast), milli(slow); a != b {
		return fmt.Sprintf("%s to %s ms", a, b)
	}
	return milli(slow) + " ms"
}

// milli has figures where they matter: 0.4, 7.3, 41.
func milli(d time.Duration) string {
	v := float64(d) / 1e6
	if v < 10 {
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.0f", v)
}

// notes is what must be said of a mode beside its units.
func (m *ModeResult) notes(o Options) []string {
	var out []string
	for _, u := range m.Units {
		if s := u.Slowest(); s > o.Timeout {
			out = append(out, fmt.Sprintf("unit %d answers late (%s ms): give its bus a longer timeout", u.Unit, milli(s)))
		}
	}
	text, mode, isText := m.text()
	switch {
	case isText:
		out = append(out, fmt.Sprintf("something sends lines of text by itself, for example %q: a gauge that speaks text, not Modbus RTU. In agent.yaml: mode: %s, and text: in place of units:", text, mode))
	case m.Babble:
		out = append(out, "the line is never silent; given up. Another master, a gauge that sends without end, or open wires that pick up noise")
	case m.Damaged > 0 && len(m.Units) == 0:
		out = append(out, fmt.Sprintf("something is on the line, but not at this setting: %s came that are no whole reply", plural(m.Damaged, "byte")))
	case m.Damaged > 0:
		out = append(out, fmt.Sprintf("%s were damaged: look at termination, shield and the length of the cable; two units of one address do this too", plural(m.Damaged, "byte")))
	}
	if m.Foreign > 0 {
		out = append(out, fmt.Sprintf("%s came that this program did not ask for: another master talks on this line; a line has one", plural(m.Foreign, "reply")))
	}
	if m.Echo {
		out = append(out, "the adapter hears what it sends itself (echo); that does no harm here")
	}
	return out
}

// hasText tells whether a gauge sends text by itself, which is an answer, too.
func (r Result) hasText() bool {
	return slices.ContainsFunc(r.Modes, func(m ModeResult) bool { return m.isText() })
}

// isText tells whether what came unasked is text.
func (m *ModeResult) isText() bool {
	_, _, ok := m.text()
	return ok
}

// text gives a line of what came unasked and its mode, where that is text. Seven bits and a parity bit look like eight
// bits without one.
func (m *ModeResult) text() (line string, mode serialport.Mode, ok bool) {
	mode = m.Mode
	kept := slices.Clone(m.kept)
	if mode.Parity == 'N' {
		ones := 0
		for i, b := range kept {
			ones += bits.OnesCount8(b) & 1
			kept[i] = b & 0x7F
		}
		switch high := slices.ContainsFunc(m.kept, func(b byte) bool { return b > 0x7F }); {
		case high && ones == 0:
			mode.DataBits, mode.Parity = 7, 'E'
		case high && ones == len(kept):
			mode.DataBits, mode.Parity = 7, 'O'
		case high:
			return "", mode, false
		}
	}
	printable := 0
	for _, b := range kept {
		if b >= ' ' && b <= '~' || b == '\r' || b == '\n' {
			printable++
		}
	}
	fields := bytes.FieldsFunc(kept, func(r rune) bool { return r == '\r' || r == '\n' })
	if len(kept) < 6 || printable*20 < len(kept)*19 || len(fields) == 0 || !bytes.ContainsAny(kept, "\r\n") {
		return "", mode, false
	}
	line = string(fields[len(fields)/2]) // the first and the last may be cut
	return line[:min(len(line), 60)], mode, true
}

// hints say where to look when nothing answered.
func hints(o Options, r Result) string {
	damaged := false
	for _, m := range r.Modes {
		damaged = damaged || m.Damaged > 0 || m.Babble
	}
	lines := []string{fmt.Sprintf("No unit answered on %s. Look at, in this order:", o.Port),
		"power of the gauge or module: its lamp, and the voltage at its own terminals",
		"wiring: A and B swapped is the most frequent fault (makers name them differently: try both ways); join the grounds",
		"the port: is it the adapter that the cable is on, and of the right kind (RS-485 or RS-232)?",
		"termination: 120 ohm at both ends of a long line and nowhere else; a bias at one place",
		"address: set by switches or by the maker's tool, and often valid only after power off and on" + unitsAsked(o),
		"setting: speed and parity" + modesTried(r)}
	if damaged {
		lines = append(lines, "bytes did come: so the line is not dead. A wrong speed or parity, swapped wires or noise do that")
	}
	lines = append(lines, fmt.Sprintf("a slow unit: it had %s ms to answer; --timeout 500ms gives it more", milli(o.Timeout)))
	return strings.Join(lines, "\n  - ")
}

func unitsAsked(o Options) string {
	if len(o.Units) == modbus.MaxUnit {
		return ""
	}
	return fmt.Sprintf("; only %s asked here: --units 1-247 asks all", plural(len(o.Units), "unit")+map[bool]string{true: " was", false: " were"}[len(o.Units) == 1])
}

func modesTried(r Result) string {
	var names []string
	for _, m := range r.Modes {
		names = append(names, m.Mode.String())
	}
	return "; tried here: " + strings.Join(names, ", ")
}

// skeleton is what to begin an agent.yaml's bus with.
func skeleton(o Options, m ModeResult) string {
	var b strings.Builder
	fmt.Fprintf(&b, "buses:\n  - port: %s\n    mode: %s\n    period: %s\n", o.Port, m.Mode, period(m))
	slowest := time.Duration(0)
	for _, u := range m.Units {
		slowest = max(slowest, u.Slowest())
	}
	if slowest > DefaultTimeout*3/4 {
		step := 50 * time.Millisecond
		fmt.Fprintf(&b, "    timeout: %d ms\n", ((slowest*3/2+step-1)/step*step)/time.Millisecond)
	}
	b.WriteString("    units:\n")
	for _, u := range m.Units {
		fmt.Fprintf(&b, "      - unit: %d\n        read: [{pot: POT, point: POINT, %s: ADDRESS, type: TYPE, unit: UNIT}]\n", u.Unit, kind(u.words()))
	}
	return b.String()
}

// period is one that the line keeps when every unit is asked once for two registers, with room; check reckons it
// exactly.
func period(m ModeResult) string {
	var sum time.Duration
	for _, u := range m.Units {
		sum += 2*modbus.SilentInterval(m.Mode.Baud) + modbus.FrameTime(modbus.RequestSize+modbus.ReplySize(modbus.ReadInputRegisters, 2), m.Mode.Baud, m.Mode.Bits()) + max(u.Slowest()/2, 5*time.Millisecond)
	}
	step := 50 * time.Millisecond
	return fmt.Sprintf("%d ms", max(100*time.Millisecond, min((sum*5/4+step-1)/step*step, 2*time.Second))/time.Millisecond)
}

// mapReport writes the values of a map.
func mapReport(w io.Writer, unit uint8, m Map) {
	fmt.Fprintf(w, "\nunit %d, %s registers %d to %d (function %02d)\n", unit, kind(m.Function), m.First, m.Last, uint8(m.Function))
	t := tabwriter.NewWriter(w, 0, 0, 1, ' ', tabwriter.AlignRight)
	words := m.Function == modbus.ReadInputRegisters || m.Function == modbus.ReadHoldingRegisters
	if words && len(m.Values) > 0 {
		fmt.Fprintln(t, "\t\t\t\tfloat32\tfloat32\tint32\tint32\t")
		fmt.Fprintln(t, "address\thex\tuint16\tint16\thigh-first\tlow-first\thigh-first\tlow-first\t")
	}
	for _, v := range m.Values {
		if !words {
			fmt.Fprintf(t, "%d\t%d\t\n", v.Address, v.Register)
			continue
		}
		fmt.Fprintf(t, "%d\t%04X\t%d\t%d\t", v.Address, v.Register, v.Register, int16(v.Register))
		if v.Pair {
			high, low := uint32(v.Register)<<16|uint32(v.Next), uint32(v.Next)<<16|uint32(v.Register)
			fmt.Fprintf(t, "%s\t%s\t%d\t%d\t", float(high), float(low), int32(high), int32(low))
		} else {
			fmt.Fprint(t, "\t\t\t\t")
		}
		fmt.Fprintln(t)
	}
	t.Flush()
	codes := make([]modbus.Code, 0, len(m.Refused))
	for c := range m.Refused {
		codes = append(codes, c)
	}
	slices.Sort(codes)
	for _, c := range codes {
		fmt.Fprintf(w, "%s: exception %d, %v\n", plural(m.Refused[c], "address"), uint8(c), c)
	}
	if m.NoReply > 0 {
		fmt.Fprintf(w, "%s without a whole reply\n", plural(m.NoReply, "address"))
	}
	if m.GaveUp != nil {
		fmt.Fprintf(w, "the rest was not asked: %v\n", m.GaveUp)
	}
	if words && len(m.Values) > 0 {
		fmt.Fprintln(w, "A pair is the register and the one behind it. To find a pressure, read this at rest and again under pressure:\nwhat follows the pot's own gauge is it.")
	}
}

// float is a float32's bits for a narrow column.
func float(bits uint32) string {
	v := math.Float32frombits(bits)
	if v != v {
		return "NaN"
	}
	return fmt.Sprintf("%.5g", v)
}

// plural is "1 unit", "2 units", "3 replies", "4 addresses".
func plural(n int, noun string) string {
	switch {
	case n == 1:
		return "1 " + noun
	case strings.HasSuffix(noun, "ss"):
		noun += "es"
	case strings.HasSuffix(noun, "y"):
		noun = strings.TrimSuffix(noun, "y") + "ies"
	default:
		noun += "s"
	}
	return fmt.Sprintf("%d %s", n, noun)
}

// roughly is a time for people: 8 s, 2 min.
func roughly(d time.Duration) string {
	if d < 100*time.Second {
		return fmt.Sprintf("%d s", (d+time.Second-1)/time.Second)
	}
	return fmt.Sprintf("%d min", (d+time.Minute-1)/time.Minute)
}
