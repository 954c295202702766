package eval_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/replay"
)

// An alarmScore is which alarms the pots have raised at which nothing is ever wrong.
type alarmScore struct {
	cycles int            // releases with the vessel up
	raised map[string]int // by priority and kind, as "high pot-empty"
	wrong  map[string]int // of those, the ones that the truth does not bear out
	byRule int            // of the wrong ones, critical: R1's 3 s mean under -U, and the vessel unknown for that
	where  []string
}

func (s *alarmScore) add(o alarmScore) {
	s.cycles += o.cycles
	s.byRule += o.byRule
	s.where = append(s.where, o.where...)
	if s.raised == nil {
		s.raised, s.wrong = map[string]int{}, map[string]int{}
	}
	for k, n := range o.raised {
		s.raised[k] += n
	}
	for k, n := range o.wrong {
		s.wrong[k] += n
	}
}

// Of a pot that is truly so empty, or will be soon, it may be said. The second is where the alarm itself is over.
const (
	emptyUnder = 0.05 // of capacity
	soonUnder  = 0.45
)

// scoreAlarms has the server's replay play a healthy pot's log, with engine and alarms as they are live, and looks at every alarm that
// is raised.
func scoreAlarms(f *folder) (s alarmScore, err error) {
	s.add(s)
	in, err := os.Open(filepath.Join(f.dir, "samples.csv"))
	if err != nil {
		return s, err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	out := &alarmLines{f: f, s: &s, walk: walk{f: f}}
	_, err = replay.Run(context.Background(), f.pot, in, out, replay.Options{Name: f.name, Every: 24 * time.Hour})
	return s, errors.Join(err, out.err)
}

// alarmLines takes the lines of a replay.
type alarmLines struct {
	f    *folder
	s    *alarmScore
	walk walk
	rest []byte
	err  error
}

func (a *alarmLines) Write(p []byte) (int, error) {
	a.rest = append(a.rest, p...)
	for {
		line, rest, whole := bytes.Cut(a.rest, []byte("\n"))
		if !whole {
			return len(p), nil
		}
		if a.rest = rest; bytes.Contains(line, []byte(`"kind":"alarm"`)) {
			a.err = errors.Join(a.err, a.alarm(line))
		}
	}
}

func (a *alarmLines) alarm(line []byte) error {
	var l struct {
		T                      time.Time
		Alarm, Event, Priority string
		Evidence               alarm.Evidence
	}
	if err := json.Unmarshal(line, &l); err != nil || l.Event != alarm.EventRaised {
		return err
	}
	name := l.Priority + " " + l.Alarm
	a.s.raised[name]++
	now := a.walk.to(si.InstantOf(l.T))
	switch {
	case l.Alarm == alarm.PotEmpty.String() && now.level < emptyUnder, l.Alarm == alarm.PotEmptySoon.String() && now.level < soonUnder:
		return nil
	}
	if l.Alarm == alarm.NozzleLow.String() || l.Alarm == alarm.SupplyLow.String() {
		return nil // a pressure is where it is, whether or not anything is wrong
	}
	a.s.wrong[name]++
	if l.Evidence.Fault == "declared-error" || l.Evidence.Blind == "declared-error" {
		a.s.byRule++
	}
	a.s.where = append(a.s.where, fmt.Sprintf("%s (%v a row, commissioned %v), truly %.0f %% full: %s", a.f.name, a.f.period(), a.f.pot.Commissioned != nil, 100*now.level, line))
	return nil
}

// falsely is how many of a priority were wrong, and which.
func (s *alarmScore) falsely(p alarm.Priority) (n int, of string) {
	var kinds []string
	for k, many := range s.wrong {
		if kind, ok := strings.CutPrefix(k, p.String()+" "); ok {
			n += many
			kinds = append(kinds, fmt.Sprintf("%s %d", kind, many))
		}
	}
	slices.Sort(kinds)
	return n, strings.Join(kinds, ", ")
}

// right is how many of a priority the truth bears out.
func (s *alarmScore) right(p alarm.Priority) (n int) {
	for k, many := range s.raised {
		if strings.HasPrefix(k, p.String()+" ") {
			n += many - s.wrong[k]
		}
	}
	return n
}

func (s *alarmScore) figures(b *board, short, full int) {
	of := fmt.Sprintf("%d cycles, %d of them short ones (%.3g %% of the 10,000 of the full run)", s.cycles, short, 100*min(1, float64(s.cycles)/float64(full)))
	row := func(p alarm.Priority) figure {
		n, kinds := s.falsely(p)
		f := figure{what: "false " + p.String() + " alarms, engine and alarms as they are live, healthy cycles", measured: describe(n, "alarms"), of: of,
			bound: bound(min(n, s.cycles), s.cycles)}
		if kinds != "" {
			f.measured += " (" + kinds + ")"
		}
		if right := s.right(p); right > 0 {
			f.measured += fmt.Sprintf(", true: %d", right)
		}
		return f
	}
	critical := row(alarm.Critical)
	critical.aim, critical.notes = "none in 10,000", s.where
	n, _ := s.falsely(alarm.Critical)
	critical.ok = n == 0 && s.cycles > 0
	if n > 0 && n == s.byRule {
		critical.why = "all by R1 as it is written, a 3 s mean of the vessel gauge under -U, which the noise of a healthy gauge can make"
	}
	b.row(critical)
	for _, p := range []alarm.Priority{alarm.High, alarm.Medium, alarm.Low} {
		b.fact(row(p))
	}
}

// TestAlarmScore: an alarm is false unless the truth bears it out, and each is counted under its priority.
func TestAlarmScore(t *testing.T) {
	f := &folder{name: "x", truth: []truth{{at: 0, level: 0.6}, {at: 100e6, level: 0.6}, {at: 200e6, level: 0.02}, {at: 300e6, level: 0.02}}, healthy: true}
	s := alarmScore{cycles: 9}
	s.add(alarmScore{})
	a := &alarmLines{f: f, s: &s, walk: walk{f: f}}
	for _, l := range []string{
		`{"kind":"estimate","t":"1970-01-01T00:00:10.000Z"}`,
		`{"kind":"alarm","t":"1970-01-01T00:00:10.000Z","alarm":"pot-empty","event":"raised","priority":"high"}`,
		`{"kind":"alarm","t":"1970-01-01T00:00:20.000Z","alarm":"pot-empty","event":"returned","priority":"high"}`,
		`{"kind":"alarm","t":"1970-01-01T00:00:20.000Z","alarm":"vent-slow","event":"raised","priority":"critical"}`,
		`{"kind":"alarm","t":"1970-01-01T00:03:40.000Z","alarm":"pot-empty","event":"raised","priority":"high"}`,
		`{"kind":"alarm","t":"1970-01-01T00:03:40.000Z","alarm":"pot-empty-soon","event":"raised","priority":"high"}`,
	} {
		for _, part := range []string{l[:10], l[10:] + "\n"} {
			if _, err := a.Write([]byte(part)); err != nil {
				t.Fatal(err)
			}
		}
	}
	if a.err != nil {
		t.Fatal(a.err)
	}
	var b board
	s.figures(&b, 4, 10_000)
	if r := b.rows[0]; r.ok || r.measured != "1 alarm (vent-slow 1)" || !strings.HasPrefix(r.of, "9 cycles, 4 of them short ones (0.09 % of the 10,000") || len(r.notes) != 2 {
		t.Errorf("%+v", r)
	}
	if r := b.facts[0]; r.measured != "1 alarm (pot-empty 1), true: 2" {
		t.Errorf("%+v", r)
	}

	s.byRule, s.wrong, s.raised = 0, map[string]int{}, map[string]int{}
	for _, evidence := range []string{`"alarm":"sensor-fault","evidence":{"point":"vessel","fault":"declared-error"}`, `"alarm":"vessel-unknown","evidence":{"blind":"declared-error"}`,
		`"alarm":"vessel-unknown","evidence":{"blind":"stuck"}`} {
		if err := a.alarm([]byte(`{"kind":"alarm","t":"1970-01-01T00:00:20.000Z","event":"raised","priority":"critical",` + evidence + `}`)); err != nil {
			t.Fatal(err)
		}
	}
	if s.byRule != 2 || s.wrong["critical vessel-unknown"] != 2 {
		t.Errorf("by the rule %d of %v", s.byRule, s.wrong)
	}
}
