package poll

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/config"
	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
)

// lineEnd is CR and LF.
const lineEnd = 2

// longestLine is how many characters the longest line of a gauge has, its end included, and whether that is known.
func longestLine(t config.Text) (n int, known bool) {
	known = true
	for _, r := range t.Read {
		l, k := r.Pattern.Longest()
		n, known = max(n, l), known && k
	}
	return n + lineEnd, known
}

// queryTime is how long a query keeps the line of b busy when its gauge answers: silence, query, the time the gauge is
// allowed to think, and its longest line. Without a query it is that line alone.
func queryTime(b config.Bus, t config.Text) time.Duration {
	n, _ := longestLine(t)
	if t.Query == nil {
		return modbus.FrameTime(n, b.Mode.Baud, b.Mode.Bits())
	}
	return ascii.Silence(b.Mode) + modbus.FrameTime(len(t.Query)+n, b.Mode.Baud, b.Mode.Bits()) + b.Turnaround
}

// textTime is queryTime of all gauges.
func textTime(b config.Bus) time.Duration {
	var sum time.Duration
	for _, t := range b.Text {
		sum += queryTime(b, t)
	}
	return sum
}

func textFeasible(b config.Bus) error {
	need := textTime(b)
	if need <= b.Period {
		return nil
	}
	const step = 10 * time.Millisecond
	enough := (need*5/4 + step - 1) / step * step // a fifth in hand
	hint := fmt.Sprintf("write period: %s or more, use a faster line, or put gauges on another one", ms(enough))
	if enough > config.MaxPeriod {
		hint = fmt.Sprintf("no period up to %s would do: use a faster line, or put gauges on another one", ms(config.MaxPeriod))
	}
	what := fmt.Sprintf("%d queries take", len(b.Text))
	if b.Text[0].Query == nil {
		what = "one line of text takes"
	}
	return fmt.Errorf("bus %s: %w: %s %s, period is %s; %s", b.Port, ErrTooSlow, what, ms(need), ms(b.Period), hint)
}

// writeTexts says what is read of a line of text, how busy that keeps it, and what its gauges cannot be trusted with; the
// error is Feasible's.
func writeTexts(out io.Writer, b config.Bus, pots []potfile.Pot) error {
	units := make(map[string]potfile.Units, len(pots))
	for _, p := range pots {
		units[p.Name] = p.Units
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "  pot\tpoint\tquery\tpattern\tcheck\tscaling")
	for _, t := range b.Text {
		for _, r := range t.Read {
			fmt.Fprintf(w, "  %s\t%s\t%s\t%s\t%s\t%s\n", r.Pot, r.Point, queryText(t), r.Pattern, r.Pattern.Check(), textScale(r, units[r.Pot]))
		}
	}
	w.Flush() // to a buffer, which takes everything
	need, share := textTime(b), 100*float64(textTime(b))/float64(b.Period)
	if b.Text[0].Query == nil {
		fmt.Fprintf(out, "  the gauge sends by itself: its longest line takes %s; every %s or more often a good one must come, or the point has no value\n",
			ms(need), ms(max(2*b.Period, leastSilence)))
	} else {
		fmt.Fprintf(out, "  queries a period: %d\n", len(b.Text))
		for _, t := range b.Text {
			n, known := longestLine(t)
			guess := ""
			if !known {
				guess = " (a guess: the pattern has no longest line; write {1,4} for +, and {0,4} for *)"
			}
			fmt.Fprintf(out, "    %s: %s, with a line of %d characters%s\n", queryText(t), ms(queryTime(b, t)), n, guess)
		}
		fmt.Fprintf(out, "  bus time: %s of %s (%.0f %%), with %s for a gauge to think and %s of silence before each query\n",
			ms(need), ms(b.Period), share, ms(b.Turnaround), ms(ascii.Silence(b.Mode)))
		fmt.Fprintf(out, "  line: a character of %d bits takes %s; the fastest period it could keep is %s\n",
			b.Mode.Bits(), ms(modbus.CharacterTime(b.Mode.Baud, b.Mode.Bits())), ms(Fastest(b)))
	}
	for _, note := range textNotes(b) {
		fmt.Fprintf(out, "  note: %s\n", note)
	}
	return Feasible(b)
}

func queryText(t config.Text) string {
	if t.Query == nil {
		return "none"
	}
	return strconv.Quote(string(t.Query))
}

// textScale shows pressures in the unit in which the pot's are shown.
func textScale(r config.TextRead, u potfile.Units) string {
	parts := []string{"unit in the line"}
	if unit := r.Pattern.Unit(); unit != 0 {
		parts[0] = fmt.Sprintf("1 = %s %s", strconv.FormatFloat(float64(unit)/u.Pa(), 'g', 6, 64), u.Pressure)
	}
	s := r.Scale
	if s.Lo != 0 || s.Hi != 0 {
		parts = append(parts, fmt.Sprintf("range %s..%s %s", number(float64(s.Lo)/u.Pa()), number(float64(s.Hi)/u.Pa()), u.Pressure))
	} else if r.Point == points.Vessel {
		parts = append(parts, "range unknown: a reading out of it cannot be told")
	}
	if s.Kind != vent.KindGauge {
		parts = append(parts, fmt.Sprintf("%s, ambient %s kPa", s.Kind, number(float64(s.Ambient)/1e3)))
	}
	return strings.Join(parts, ", ")
}

// textNotes is what must be known of the gauges of a line.
func textNotes(b config.Bus) []string {
	var out []string
	for i, t := range b.Text {
		for _, r := range t.Read {
			what := fmt.Sprintf("%s of %s", r.Point, r.Pot)
			_, fixed := r.Pattern.FixedWidth()
			switch parity := b.Mode.Parity != 'N'; {
			case r.Pattern.Check() != lines.NoCheck:
			case parity && fixed:
				out = append(out, what+" has no check characters: parity finds one wrong bit in a character, not two, and not every adapter looks at it; let the gauge send check characters where it can")
			default:
				out = append(out, what+" has no check characters: a character lost or spoilt on the line may pass for another pressure")
			}
			if r.Point == points.Vessel && r.Pattern.Unit() != 0 {
				out = append(out, what+" is read in the unit given here, whatever the gauge shows: lock its keypad, or let it send its unit and put the group unit around it")
			}
		}
		for j, other := range b.Text[:i] {
			if alike(t, other) {
				out = append(out, fmt.Sprintf("answers to %s and %s cannot be told apart: when one gauge does not answer, the other is not asked for a second or so; let them send their addresses",
					queryText(b.Text[j]), queryText(t)))
			}
		}
	}
	return out
}

func alike(a, b config.Text) bool {
	return ascii.Alike(ascii.Gauge{Patterns: patterns(a)}, ascii.Gauge{Patterns: patterns(b)})
}
