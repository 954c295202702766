package alarm

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
	"gritwatch/server/internal/records"
)

// wantSame compares what people see.
func wantSame(t require, want, got []View) {
	if len(want) != len(got) {
		t.Fatalf("%d open, want %d: %v, %v", len(got), len(want), got, want)
	}
	for i := range want {
		if !reflect.DeepEqual(want[i], got[i]) {
			t.Fatalf("open %d:\n got %+v\nwant %+v", i, got[i], want[i])
		}
	}
}

// TestOneAlarmOfADeadAgent: people are told once; the vessels come into sight where they outlive it.
func TestOneAlarmOfADeadAgent(t *testing.T) {
	birch, cedar := Key{Pot: "birch", Kind: VesselUnknown}, Key{Pot: "cedar", Kind: VesselUnknown}
	r := newRig(t)
	r.found(lost, true) // one came before: it is hidden as soon as the agent's stands
	r.found(silent, true)
	r.found(birch, true)
	r.found(cedar, true) // of another agent
	if r.loud != 3 || r.state(lost) != Suppressed || r.state(birch) != Suppressed || r.state(cedar) != Unacknowledged {
		t.Fatalf("%d told; %s, %s, %s", r.loud, r.state(lost), r.state(birch), r.state(cedar))
	}
	if f := r.b.Figures(r.at); f.Suppressed != 2 || f.Standing[Critical] != 2 {
		t.Errorf("figures %+v", f)
	}
	r.found(silent, false)
	r.found(lost, false)
	r.after(10 * time.Second)
	if r.state(birch) != Suppressed || r.state(lost) != Normal {
		t.Errorf("at once: %s, %s", r.state(birch), r.state(lost))
	}
	if err := r.restart(); err != nil {
		t.Fatal(err)
	}
	r.after(time.Second)
	r.after(time.Minute)
	if r.state(birch) != Unacknowledged || r.loud != 4 {
		t.Errorf("outlives it: %s, %d told", r.state(birch), r.loud)
	}
	r.found(silent, true)
	if r.state(birch) != Suppressed {
		t.Errorf("again: %s", r.state(birch))
	}
}

// TestSilentOverTheWeekend: out of service, and back by itself when the agent is heard.
func TestSilentOverTheWeekend(t *testing.T) {
	r := newRig(t)
	r.found(silent, true)
	r.found(lost, true)
	if err := r.do("take out", silent); err != nil {
		t.Fatal(err)
	}
	r.after(60 * time.Hour)
	if r.state(silent) != OutOfService || r.state(lost) != Suppressed {
		t.Fatalf("%s, %s", r.state(silent), r.state(lost))
	}
	r.found(silent, false)
	if !slices.Equal(r.events, []string{"returned", "in-service"}) || r.state(silent) != Normal {
		t.Errorf("%v, %s", r.events, r.state(silent))
	}
	r.found(silent, true)
	if r.state(silent) != Unacknowledged {
		t.Errorf("silent again: %s", r.state(silent))
	}
}

// TestWorseTheSecondTime: an agent whose pots were at rest comes back and falls silent with one of them up.
func TestWorseTheSecondTime(t *testing.T) {
	r := newRig(t)
	f := Found{Key: silent, Priority: High, At: r.at, On: true}
	r.took(r.b.Note(f, nil))
	r.found(silent, false)
	r.found(silent, true)
	v := r.b.Open()
	if len(v) != 1 || v[0].Priority != Critical || v[0].State != Unacknowledged || len(r.s.order) != 2 {
		t.Errorf("%+v", v)
	}
}

// TestCauseBeforeConsequence: a list shows what began it before what came of it, whatever the priorities, and names it.
func TestCauseBeforeConsequence(t *testing.T) {
	r := newRig(t)
	exhaust, slow := Key{Pot: "alder", Kind: ExhaustRestricted}, Key{Pot: "alder", Kind: VentSlow}
	other := Key{Pot: "birch", Kind: StopSlow}
	for i, k := range []Key{exhaust, other, slow, latch, {Pot: "birch", Kind: DrainDue}} {
		r.at = r.at.Add(time.Second)
		r.found(k, true)
		if i == 0 {
			if err := r.do("acknowledge", k); err != nil {
				t.Fatal(err)
			}
		}
	}
	var got []Key
	causes := map[Kind]string{}
	ids := map[Kind]string{}
	for _, v := range r.b.Open() {
		got = append(got, v.Key)
		causes[v.Key.Kind], ids[v.Key.Kind] = v.Cause, v.ID
		if v.First != (v.Key == exhaust || v.Key == other) {
			t.Errorf("%s first %v", v.Key.Kind, v.First)
		}
	}
	if want := []Key{exhaust, slow, latch, other, {Pot: "birch", Kind: DrainDue}}; !slices.Equal(got, want) {
		t.Errorf("order %v, want %v", got, want)
	}
	if causes[VentSlow] != ids[ExhaustRestricted] || causes[VesselHeld] != ids[ExhaustRestricted] || causes[ExhaustRestricted] != "" || causes[DrainDue] != "" {
		t.Errorf("causes %v of %v", causes, ids)
	}
}

// TestCausesEnd: no kind follows from itself, however far.
func TestCausesEnd(t *testing.T) {
	var visit func(k Kind, depth int)
	visit = func(k Kind, depth int) {
		if depth > Kinds {
			t.Fatalf("%s follows from itself", k)
		}
		for _, c := range slices.Concat(rules[k].Causes, rules[k].Under) {
			visit(c, depth+1)
		}
	}
	for k := range Kind(Kinds) {
		visit(k, 0)
	}
}

// TestOldRecords: what was recorded before there was a board is understood.
func TestOldRecords(t *testing.T) {
	r := newRig(t)
	ended, err := r.b.Restore([]Alarm{
		{ID: "1", Pot: "alder", Kind: "vessel-held", Priority: "critical", Raised: begin, Transitions: []Transition{
			{ID: "1a", Alarm: "1", At: begin, Event: "raised", Evidence: `{"p_pa":[690000,41000]}`}}},
		{ID: "2", Pot: "birch", Kind: "sensor-fault", Priority: "critical", Raised: begin, Transitions: []Transition{
			{ID: "2a", Alarm: "2", At: begin, Event: "raised", Evidence: `{"point":"vessel","fault":"swapped","other":"hose"}`}}},
		{ID: "3", Agent: "quay-1", Kind: "clock-skew", Priority: "medium", Raised: begin, Transitions: []Transition{
			{ID: "3a", Alarm: "3", At: begin, Event: "raised", Evidence: `{"ahead_s":12.5}`}}},
		{ID: "4", Pot: "gone", Kind: "stop-slow", Priority: "high", Raised: begin, Transitions: []Transition{
			{ID: "4a", Alarm: "4", At: begin, Event: "raised"}}},
		{ID: "5", Pot: "alder", Kind: "of-tomorrow", Priority: "high", Raised: begin},
		{ID: "6", Pot: "cedar", Kind: "stop-slow", Priority: "high", Raised: begin}, // its transition was not stored
		{ID: "7", Pot: "cedar", Kind: "press-overlong", Priority: "medium", Raised: begin, Transitions: []Transition{ // of a version in which it was to be acknowledged
			{ID: "7a", Alarm: "7", At: begin, Event: "raised"}, {ID: "7b", Alarm: "7", At: begin + 1, Event: "returned"}}},
	}, begin+2)
	if err == nil || !strings.Contains(err.Error(), "of-tomorrow") {
		t.Errorf("an unknown kind was not told: %v", err)
	}
	if len(ended) != 1 || ended[0].Alarm != "7" || !ended[0].Ends || ended[0].New {
		t.Errorf("ended %+v", ended)
	}
	open := r.b.Open()
	if len(open) != 5 {
		t.Fatalf("%+v", open)
	}
	for _, v := range open {
		if v.State != Unacknowledged || !v.Active {
			t.Errorf("%+v", v)
		}
	}
	fault := Key{Pot: "birch", Kind: SensorFault, Point: "vessel", Fault: "swapped"}
	if s := r.b.Standing("birch", ""); !slices.Equal(s, []Key{fault}) {
		t.Errorf("standing %v", s)
	}
	if s := r.b.Standing("", "quay-1"); !slices.Equal(s, []Key{{Agent: "quay-1", Kind: ClockSkew}}) {
		t.Errorf("standing %v", s)
	}
	for _, k := range []Key{latch, fault, {Agent: "quay-1", Kind: ClockSkew}} {
		if c := r.b.Note(Found{Key: k, At: r.at, On: true}, nil); len(c) != 0 {
			t.Errorf("%v was raised a second time", k)
		}
	}
	// Nothing ends that of a pot which is no longer configured, but a person may.
	if _, err := r.b.Reset("4", r.act(), nil); err != nil {
		t.Error(err)
	}
}

// TestRecords: what is made here is what records take; the conversions are compiled.
func TestRecords(t *testing.T) {
	r := newRig(t)
	c := r.b.Note(Found{Key: latch, Priority: Critical, At: r.at, On: true, Evidence: Evidence{PressurePa: pair(690e3, 41e3)}}, nil)
	a := c[0].Record()
	got := records.Alarm{ID: a.ID, Pot: a.Pot, Agent: a.Agent, Kind: a.Kind, Priority: a.Priority, Raised: a.Raised, Ended: a.Ended}
	for _, x := range a.Transitions {
		got.Transitions = append(got.Transitions, records.Transition(x))
	}
	want := records.Alarm{ID: a.ID, Pot: "alder", Kind: "vessel-held", Priority: "critical", Raised: begin, Transitions: []records.Transition{
		{ID: a.Transitions[0].ID, Alarm: a.ID, At: begin, Event: "raised", Evidence: `{"p_pa":[690000,41000],"first":true}`}}}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v\nwant %+v", got, want)
	}
}

// TestUnknownPot: what is of nothing that is configured changes nothing.
func TestUnknownPot(t *testing.T) {
	r := newRig(t)
	for _, k := range []Key{{Pot: "gone", Kind: VentSlow}, {Agent: "alder", Kind: AgentSilent}, {Kind: VentSlow}} {
		if c := r.b.Note(Found{Key: k, At: r.at, On: true}, nil); len(c) != 0 {
			t.Errorf("%v: %v", k, c)
		}
	}
}

// TestShelfSurvives: its end is recorded.
func TestShelfSurvives(t *testing.T) {
	r := newRig(t)
	r.at += 123_456
	r.found(plain, true)
	if err := r.do("shelve", plain); err != nil {
		t.Fatal(err)
	}
	until := r.b.Open()[0].Until
	if d := r.at.Add(90 * time.Minute).Sub(until); d < 0 || d >= time.Second {
		t.Errorf("shelf ends %s early", d)
	}
	if err := r.restart(); err != nil || r.b.Open()[0].Until != until {
		t.Errorf("%v, %v, want %v", err, r.b.Open(), until)
	}
	r.at = until - 1
	r.after(0)
	if r.state(plain) != Shelved {
		t.Error("ended early")
	}
	r.after(si.Instant(until).Sub(r.at))
	if r.state(plain) != Unacknowledged {
		t.Error("did not end")
	}
	// By a clock that was a year ahead it would last for a year.
	if err := r.do("shelve", plain); err != nil {
		t.Fatal(err)
	}
	if r.after(-10 * time.Hour); r.state(plain) != Shelved {
		t.Error("ended early")
	}
	if r.after(-365 * 24 * time.Hour); r.state(plain) != Unacknowledged {
		t.Error("did not end")
	}
}

// TestComment: a comment is kept as it was written, before and after an alarm's end, and changes nothing, over a restart neither; what is
// told late keeps its instant beside it.
func TestComment(t *testing.T) {
	r := newRig(t)
	r.found(plain, true)
	r.after(20 * time.Second)
	if err := r.do("comment", plain); err != nil || !slices.Equal(r.events, []string{EventCommented}) || r.loud != 1 {
		t.Fatalf("%v, %v, told %d times", err, r.events, r.loud)
	}
	id, at := r.b.Open()[0].ID, r.at
	if c := r.s.alarms[id].Transitions[1]; c.At != at || c.By != "A. Person" || c.Evidence != `{"note":"seen"}` || c.Ends {
		t.Errorf("%+v", c)
	}
	for _, x := range []struct {
		id  string
		act Act
		why error
	}{{id, Act{At: at, Note: "seen"}, ErrNobody}, {id, Act{At: at, By: "A. Person", Note: " "}, ErrNoComment}, {"x", r.act(), ErrUnknown}} {
		if c, err := r.b.Comment(x.id, x.act, nil); !errors.Is(err, x.why) || len(c) != 0 {
			t.Errorf("%+v: %v", x, err)
		}
	}
	before := r.b.Open()
	if err := r.restart(); err != nil || r.loud != 1 {
		t.Fatalf("%v, told %d times", err, r.loud)
	}
	wantSame(t, before, r.b.Open())
	if r.do("acknowledge", plain) != nil || r.state(plain) != Acknowledged {
		t.Fatal(r.state(plain))
	}
	r.found(alone, true)
	r.after(10 * time.Second)
	if err := r.do("comment", alone); err != nil {
		t.Fatal(err)
	}
	r.late = 5 * time.Second // the comment is newer
	r.found(alone, false)
	if c := r.s.alarms[r.s.order[1]]; c.Ended != r.at.Add(-r.late) {
		t.Errorf("%+v", c)
	}
	r.late = 0
	r.found(plain, false)
	if err := r.restart(); err != nil || len(r.b.Open()) != 0 {
		t.Fatalf("%v, %v", err, r.b.Open())
	}
	a := r.s.alarms[id]
	for _, act := range []Act{{At: r.at, Note: "x"}, {At: r.at, By: "A. Person"}} {
		if _, err := r.b.CommentAfter(a, act); err == nil || !strings.HasPrefix(err.Error(), "cannot comment on stop-slow of pot alder (normal): ") {
			t.Errorf("%+v: %v", act, err)
		}
	}
	// With a clock that was set back too, it stands behind all else.
	c, err := r.b.CommentAfter(a, Act{At: begin, By: " A. Person ", Note: " spring changed "})
	if want := (Transition{ID: c.ID, Alarm: id, At: a.Ended + 1, Event: EventCommented, By: "A. Person", Evidence: `{"note":"spring changed"}`}); err != nil || c != want || c.ID == "" {
		t.Errorf("%v, %+v, want %+v", err, c, want)
	}
	a.Transitions = append(a.Transitions, c)
	r.b = NewBoard(units, r.id)
	if r.b.Recall(a); r.b.Figures(r.at).Day.Alarms != 1 {
		t.Errorf("%+v", r.b.Figures(r.at).Day)
	}
}

// TestToldLate: what is found late does not move before what it came after, so that a restart does not take it for known.
func TestToldLate(t *testing.T) {
	r := newRig(t)
	r.found(latch, true)
	r.after(20 * time.Second)
	if err := r.do("acknowledge", latch); err != nil {
		t.Fatal(err)
	}
	r.late = 5 * time.Second
	r.found(latch, false)
	r.found(latch, true)
	if r.state(latch) != Unacknowledged {
		t.Fatalf("%s", r.state(latch))
	}
	before := r.b.Open()
	if err := r.restart(); err != nil {
		t.Fatal(err)
	}
	wantSame(t, before, r.b.Open())
}

// TestAgainUnderASuppressor: what had ended and nobody knew of begins again out of sight.
func TestAgainUnderASuppressor(t *testing.T) {
	r := newRig(t)
	r.found(lost, true)
	r.found(lost, false)
	r.found(silent, true)
	if r.state(lost) != ReturnedUnacknowledged {
		t.Fatalf("%s", r.state(lost))
	}
	r.found(lost, true)
	if r.state(lost) != Suppressed || len(r.b.Standing("alder", "")) != 1 || r.loud != 2 {
		t.Errorf("%s, %d told", r.state(lost), r.loud)
	}
	if err := r.restart(); err != nil || r.state(lost) != Suppressed || len(r.b.Standing("alder", "")) != 1 {
		t.Errorf("after a restart %s, %v", r.state(lost), err)
	}
}

// TestCalmAfterASuppressor: what begins shortly after its suppressor's end stays out of sight for as long as what began
// before, and a suppressor that comes again starts that time anew.
func TestCalmAfterASuppressor(t *testing.T) {
	calm := calmFor(NozzleLow)
	r := newRig(t)
	r.found(over, true)
	r.found(over, false)
	r.after(calm - 2*time.Second)
	r.found(under, true)
	r.after(time.Second)
	if r.state(under) != Suppressed {
		t.Fatalf("%s", r.state(under))
	}
	r.found(over, true)
	r.after(time.Second)
	r.found(over, false)
	r.after(calm - time.Second)
	if r.state(under) != Suppressed {
		t.Errorf("the second time %s", r.state(under))
	}
	r.after(time.Second)
	if r.state(under) != Unacknowledged {
		t.Errorf("at last %s", r.state(under))
	}
}

// TestClockSet: what is suppressed for a while after an alarm's end comes into sight after that while, however the clock is set meanwhile, and by whatever clock its own
// instants are. A vessel that nobody knows must not stay out of sight for an hour because a clock was set back by one.
func TestClockSet(t *testing.T) {
	for _, set := range []time.Duration{0, -time.Hour, -30 * 24 * time.Hour, time.Hour} {
		for _, pot := range []time.Duration{0, 25 * time.Minute, -25 * time.Minute} { // the agent's clock, ahead
			for _, found := range []string{"before the end", "after it"} {
				r := newRig(t)
				for range 10 {
					r.after(time.Second)
				}
				r.found(silent, true)
				lose := func() {
					r.late = -pot
					r.found(lost, true)
					r.late = 0
				}
				if found == "before the end" {
					lose()
				}
				r.after(time.Second)
				r.found(silent, false)
				r.at = r.at.Add(set)
				if found == "after it" {
					lose()
				}
				if got := r.state(lost); got != Suppressed {
					t.Fatalf("set by %v, agent's ahead by %v, found %s: %s at the end", set, pot, found, got)
				}
				n := 0
				for ; r.state(lost) == Suppressed && n < 7200; n++ {
					r.after(time.Second)
				}
				// Five seconds of its own and fifteen of calm; a clock that is set ahead may cut that short.
				if least := 19; n > 22 || n < least && set <= 0 {
					t.Errorf("set by %v, agent's ahead by %v, found %s: in sight after %d s, want 20", set, pot, found, n)
				}
			}
		}
	}
}

// TestClockBack: each of an alarm's transitions has a greater id than those before, whatever their instants are: who has seen the newest one when it is acknowledged has seen
// all. Ids of one millisecond come in any order where clocks differ.
func TestClockBack(t *testing.T) {
	r := newRig(t)
	n := 0
	id := func(at si.Instant) string {
		n++
		return fmt.Sprintf("%013d%013d", at/1000, 1_000_000-n) // the later one of a millisecond is the smaller
	}
	r.b = NewBoard(units, id)
	r.b.Tick(r.at, nil)
	var newest string
	check := func(what string) {
		t.Helper()
		for _, a := range r.s.open() {
			last := ""
			for _, x := range a.Transitions {
				last = max(last, x.ID)
			}
			if last <= newest {
				t.Errorf("%s: newest id %s, was %s", what, last, newest)
			}
			newest = last
		}
	}
	seen := func() (open Alarm, last string) {
		open = r.s.open()[0]
		for _, x := range open.Transitions {
			last = max(last, x.ID)
		}
		return open, last
	}
	r.found(latch, true)
	check("raised")
	if err := r.do("comment", latch); err != nil {
		t.Fatal(err)
	}
	check("commented")
	for _, set := range []time.Duration{0, -time.Hour, -30 * time.Second, time.Minute} {
		r.at = r.at.Add(set)
		_, last := seen()
		r.found(latch, false)
		check("returned")
		r.found(latch, true)
		check("raised anew")
		a, now := seen()
		if _, err := r.b.Acknowledge(a.ID, Act{At: r.at, By: "A. Person", Seen: last}, nil); !errors.Is(err, ErrAnew) {
			t.Fatalf("set by %v: acknowledged by somebody who has not seen that it began anew: %v", set, err)
		}
		if set == -30*time.Second { // a start in between
			r.b = NewBoard(units, id)
			if c, err := r.b.Restore(r.s.open(), r.at); err != nil || len(c) > 0 {
				t.Fatal(c, err)
			}
			if _, err := r.b.Acknowledge(a.ID, Act{At: r.at, By: "A. Person", Seen: last}, nil); !errors.Is(err, ErrAnew) {
				t.Fatalf("set by %v, after a start: %v", set, err)
			}
		}
		c, err := r.b.Acknowledge(a.ID, Act{At: r.at, By: "A. Person", Seen: now}, nil)
		if err != nil {
			t.Fatalf("set by %v: who has seen it cannot acknowledge it: %v", set, err)
		}
		r.took(c)
		check("acknowledged")
	}
}

// TestDamaged: evidence that cannot be read hides nothing: a shelf without its end is over.
func TestDamaged(t *testing.T) {
	r := newRig(t)
	ended, err := r.b.Restore([]Alarm{{ID: "1", Pot: "alder", Kind: "stop-slow", Priority: "high", Raised: begin, Transitions: []Transition{
		{ID: "1a", Alarm: "1", At: begin, Event: "raised", Evidence: "{"}, {ID: "1b", Alarm: "1", At: begin + 1, Event: "shelved", By: "A. Person", Evidence: "}"}}}}, begin+2)
	if err != nil || len(ended) != 0 || r.state(plain) != Shelved {
		t.Fatalf("%v, %v, %s", ended, err, r.state(plain))
	}
	c := r.b.Tick(begin+3, nil)
	if len(c) != 1 || !c[0].Loud || r.state(plain) != Unacknowledged {
		t.Errorf("%+v", c)
	}
	for _, a := range []Alarm{
		{ID: "2", Pot: "alder", Kind: "stop-slow", Priority: "urgent", Raised: begin},
		{ID: "3", Pot: "alder", Kind: "stop-slow", Priority: "high", Raised: begin, Transitions: []Transition{{ID: "3a", Alarm: "3", At: begin, Event: "forgotten"}}},
	} {
		if _, err := r.b.Restore([]Alarm{a}, begin); err == nil || !strings.Contains(err.Error(), "alarm "+a.ID) {
			t.Errorf("%s: %v", a.ID, err)
		}
		r.b.Recall(&a)
	}
	if f := r.b.Figures(begin); f.Day.Alarms != 1 {
		t.Errorf("%+v", f.Day)
	}
}

// TestRefusalSays what was refused, of which alarm, and what can be done.
func TestRefusalSays(t *testing.T) {
	r := newRig(t)
	r.found(latch, true)
	r.found(silent, true)
	for _, x := range []struct {
		do   string
		key  Key
		want string
	}{
		{"shelve", latch, "cannot shelve vessel-held of pot alder (unacknowledged): alarms of a vessel that may hold pressure stay in sight; acknowledge it"},
		{"shelve", silent, "cannot shelve agent-silent of agent quay-1 (unacknowledged): critical alarms of vessels are suppressed under it; acknowledge it, or take it out of service"},
		{"reset", plain, `cannot reset alarm "": there is no such open alarm; it may have ended meanwhile`},
	} {
		if err := r.do(x.do, x.key); err == nil || err.Error() != x.want {
			t.Errorf("%v\nwant %s", err, x.want)
		}
	}
}

// TestUnknownVesselNamesItsCause: a vessel that is not known because its gauge is blind, or because two pots' gauges are exchanged, stands
// behind what made it so, whichever was found first.
func TestUnknownVesselNamesItsCause(t *testing.T) {
	blind := Key{Pot: "alder", Kind: SensorFault, Point: "vessel", Fault: gauges.OutOfRange.String()}
	vessel := Key{Pot: "alder", Kind: VesselUnknown}
	for _, causeFirst := range []bool{true, false} {
		r := newRig(t)
		keys := []Key{blind, vessel}
		if !causeFirst {
			slices.Reverse(keys)
		}
		for _, k := range keys {
			r.found(k, true)
			r.at = r.at.Add(time.Second)
		}
		open := r.b.Open()
		if len(open) != 2 || open[0].Key != blind || open[1].Key != vessel || open[1].Cause != open[0].ID || open[0].Cause != "" {
			t.Errorf("cause first %t: %+v", causeFirst, open)
		}
	}
	// A fault by which the gauge still shows the pressure is no cause, nor is a doubt about the configuration alone.
	r := newRig(t)
	r.found(Key{Pot: "alder", Kind: SensorFault, Point: "vessel", Fault: gauges.Noisy.String()}, true)
	r.found(Key{Pot: "alder", Kind: ConfigDoubt}, true)
	r.found(vessel, true)
	for _, v := range r.b.Open() {
		if v.Cause != "" {
			t.Errorf("%s follows from %s", v.Key.Kind, v.Cause)
		}
	}

	p := newPot(t)
	p.run(time.Second, nil)
	p.s.Crossed = "birch"
	p.run(time.Second, nil)
	if len(p.found) != 2 || p.found[0].Kind != ConfigDoubt || p.found[1].Kind != VesselUnknown || p.found[1].Priority != Critical {
		t.Fatalf("two pots exchanged: %+v", p.found)
	}
	r = newRig(t)
	for _, f := range p.found {
		r.took(r.b.Note(f, nil))
	}
	if open := r.b.Open(); len(open) != 2 || open[0].Key.Kind != ConfigDoubt || open[1].Cause != open[0].ID {
		t.Errorf("two pots exchanged: %+v", open)
	}
	p.s.Crossed = ""
	p.run(15*time.Second, nil)
	if len(p.found) != 4 || p.found[2].On || p.found[3].On {
		t.Errorf("put right: %+v", p.found)
	}
}

// TestEase: only what was assumed, and not shown since, is let go from outside.
func TestEase(t *testing.T) {
	p := newPot(t)
	p.d.Assume(Key{Pot: "alder", Kind: VentSlow})
	if !p.d.Ease(Key{Pot: "alder", Kind: VentSlow}) || p.d.Ease(Key{Pot: "alder", Kind: VentSlow}) {
		t.Error("an assumed condition is not let go once")
	}
	p.d.Assume(Key{Pot: "alder", Kind: VentSlow})
	p.w.vent[vent.VentSlow] = vent.Finding{On: true, Since: begin}
	p.run(time.Second, nil)
	if p.d.Ease(Key{Pot: "alder", Kind: VentSlow}) {
		t.Error("a condition that stands was let go")
	}
}

// BenchmarkOutage is a site of six thousand pots whose agents all fall silent at once: each pot's vessel-unknown under its agent's alarm, and
// then the list for the pages.
func BenchmarkOutage(b *testing.B) {
	const pots, agents = 6000, 60
	var many []Unit
	for i := range pots {
		many = append(many, Unit{fmt.Sprintf("pot-%04d", i), fmt.Sprintf("quay-%d", i%agents)})
	}
	for b.Loop() {
		n := 0
		board := NewBoard(many, func(si.Instant) string { n++; return fmt.Sprintf("%026d", n) })
		var c []Change
		for i := range agents {
			c = board.Note(Found{Key: Key{Agent: fmt.Sprintf("quay-%d", i), Kind: AgentSilent}, Priority: Critical, At: begin, On: true}, c[:0])
		}
		for i, u := range many {
			c = board.Note(Found{Key: Key{Pot: u.Pot, Kind: VesselUnknown}, Priority: Critical, At: begin.Add(time.Duration(i) * time.Millisecond), On: true}, c[:0])
		}
		if open := board.Open(); len(open) != pots+agents || open[0].Key.Kind != AgentSilent || open[agents].State != Suppressed {
			b.Fatal(len(open))
		}
	}
}
