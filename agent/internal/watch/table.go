package watch

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/tally"
	"gritwatch/internal/terminal"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A table is what a terminal shows: a row a point, a few lines a serial line, and what happened last.
type table struct {
	cfg     config.Config
	session *session
	notes   *notes
	now     func() time.Time
	past    []moment // the newest last
}

// A moment is what rates are reckoned from.
type moment struct {
	at    time.Time
	good  []good // by point
	lines []tally.Counts
}

// good is how many good readings there were, and the instant of the last one, or of the moment.
type good struct {
	n  int
	at si.Instant
}

// rateOver is the number of drawings that a rate is reckoned over: two seconds.
const rateOver = 8

// Widths of the columns behind the pot's name; quality takes "loop at 20.83 mA".
const rowFormat = "%-*s  %-9s  %13s  %-16s  %7s  %7s  %8s"
const rowWidth = 9 + 13 + 16 + 7 + 7 + 8 + 6*2

func newTable(c config.Config, s *session, n *notes, now func() time.Time) *table {
	return &table{cfg: c, session: s, notes: n, now: now}
}

// lines is the table as it stands, for a terminal of a size.
func (t *table) lines(cols, rows int) []string {
	text := fmt.Sprintf("Readings of %s, %s. Nothing here is judged, and nothing here proves that a vessel may be opened: release, read the pot's own gauge, isolate, lock out.", t.cfg.Agent, t.cfg.Site)
	head := wrap(text, cols-1, "")
	if t.cfg.Simulated {
		head = append(head, "The sources are SIMULATED.")
	}
	head = append(head, "")
	last, now := t.remember()
	foot := []string{""}
	for i, l := range t.session.lines {
		foot = append(foot, t.line(l, last, now, i)...)
	}
	foot = append(foot, t.notes.text(cols-1)...)

	names := 3
	for _, p := range t.session.points {
		names = max(names, len(p.pot.Name))
	}
	names = max(min(names, cols-1-rowWidth), 6)
	body := []string{strings.TrimRight(fmt.Sprintf(rowFormat, names, "pot", "point", "reading", "quality", "age", "good/s", "not good"), " ")}
	t.session.mu.Lock()
	for i, p := range t.session.points {
		body = append(body, t.row(p, names, goodRate(last.good[i], now.good[i], t.session.clock.Now())))
	}
	t.session.mu.Unlock()
	if room := rows - 1 - len(head) - len(foot); len(body) > max(room, 2) {
		room = max(room, 2)
		left := len(body) - (room - 1)
		body = append(body[:room-1], fmt.Sprintf("… %d more: a higher window shows them", left))
	}
	return append(append(head, body...), foot...)
}

func (t *table) row(p *point, names int, rate string) string {
	pot := terminal.Cut(p.pot.Name, names)
	if p.n == 0 {
		return fmt.Sprintf(rowFormat, names, pot, p.point, "-", "nothing yet", "-", "-", "-")
	}
	quality, _ := p.quality(p.last)
	age := "never"
	if p.lastGood != 0 {
		age = seconds(t.session.clock.Now().Sub(p.lastGood))
	}
	return fmt.Sprintf(rowFormat, names, pot, p.point, p.value(p.last), quality, age, rate, fmt.Sprint(p.n-p.count[points.Good]))
}

// line is what is said of a serial line: how busy it is, and what went wrong on it.
func (t *table) line(l *line, last, now moment, i int) []string {
	s := l.tally.Snapshot()
	d := now.at.Sub(last.at)
	was, is := last.lines[i], now.lines[i]
	state := "open"
	switch {
	case !s.Open && s.Opened == 0:
		state = "NOT OPEN"
	case !s.Open:
		state = "LOST"
	}
	out := []string{fmt.Sprintf("line %s, %s: %s; %s requests/s, %s replies/s", l.cfg.Port, l.cfg.Mode, state,
		rate(int(was.Requests), int(is.Requests), d), rate(int(was.Replies+was.Refused()), int(is.Replies+is.Refused()), d))}
	if trouble := s.Trouble(); trouble != "" {
		out = append(out, "  "+trouble)
	}
	return out
}

// remember takes the counts now and gives them with those of two seconds ago, or as far back as there are any.
func (t *table) remember() (last, now moment) {
	now.at = t.now()
	for _, l := range t.session.lines {
		now.lines = append(now.lines, l.tally.Snapshot().Total)
	}
	instant := t.session.clock.Now()
	t.session.mu.Lock()
	for _, p := range t.session.points {
		now.good = append(now.good, good{p.count[points.Good], cmp.Or(p.lastGood, instant)})
	}
	t.session.mu.Unlock()
	t.past = append(t.past, now)
	if len(t.past) > rateOver+1 {
		t.past = append(t.past[:0], t.past[1:]...)
	}
	return t.past[0], now
}

// rate is so many a second.
func rate(was, is int, d time.Duration) string {
	if d <= 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f", float64(is-was)/d.Seconds())
}

// goodRate goes by the readings' own instants, so that it is steady, until they are a second overdue.
func goodRate(was, is good, now si.Instant) string {
	if is.n == 0 {
		return "0.0"
	}
	if now.Sub(is.at) > time.Second {
		is.at = now
	}
	return rate(was.n, is.n, is.at.Sub(was.at))
}

// seconds is an age for people.
func seconds(d time.Duration) string {
	switch s := max(d, 0).Seconds(); {
	case s < 10:
		return fmt.Sprintf("%.1f s", s)
	case s < 100:
		return fmt.Sprintf("%.0f s", s)
	default:
		return fmt.Sprintf("%.0f min", s/60)
	}
}

// notes is a log's handler that keeps the last records for the screen.
type notes struct {
	least slog.Level
	mu    sync.Mutex
	last  []string
}

// maxNotes is how many records are shown.
const maxNotes = 3

// Enabled leaves out what is under the least level.
func (n *notes) Enabled(_ context.Context, level slog.Level) bool { return level >= n.least }

// Handle keeps a record: its message and its error.
func (n *notes) Handle(_ context.Context, r slog.Record) error {
	text := r.Time.Format("15:04:05 ") + r.Message
	r.Attrs(func(a slog.Attr) bool {
		switch a.Key {
		case "error":
			text += ": " + a.Value.String()
		case "unit":
			text += ": unit " + a.Value.String()
		}
		return true
	})
	n.mu.Lock()
	defer n.mu.Unlock()
	n.last = append(n.last, text)
	if len(n.last) > maxNotes {
		n.last = append(n.last[:0], n.last[1:]...)
	}
	return nil
}

// WithAttrs gives the same handler: the errors name the port themselves.
func (n *notes) WithAttrs([]slog.Attr) slog.Handler { return n }

// WithGroup gives the same handler.
func (n *notes) WithGroup(string) slog.Handler { return n }

// text is the records, wrapped at width.
func (n *notes) text(width int) []string {
	n.mu.Lock()
	defer n.mu.Unlock()
	var out []string
	for _, note := range n.last {
		out = append(out, wrap(note, width, "         ")...)
	}
	return out
}

// wrap breaks text at spaces into lines of at most width characters, those behind the first indented.
func wrap(text string, width int, indent string) []string {
	var out []string
	line := ""
	for word := range strings.FieldsSeq(text) {
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width:
			out = append(out, line)
			line = indent + word
		default:
			line += " " + word
		}
	}
	return append(out, line)
}
