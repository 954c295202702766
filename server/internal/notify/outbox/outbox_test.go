package outbox_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/outbox"
)

// day is the beginning of the tests: noon of a Wednesday.
var day = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)

// A rig is one outbox with a clock, and what its receiver was told.
type rig struct {
	t    *testing.T
	box  *outbox.Outbox
	now  time.Time
	told []string // of each message: its alarms with their states, and + where it says that something was dropped
	mark map[string]outbox.Mark
	last []message.Entry
}

func newRig(t *testing.T, p outbox.Policy) *rig {
	return &rig{t: t, box: outbox.New(p), now: day, mark: map[string]outbox.Mark{}}
}

func (r *rig) note(marks []outbox.Mark) {
	for _, m := range marks {
		if m.Gone {
			delete(r.mark, m.Alarm)
		} else {
			r.mark[m.Alarm] = m
		}
	}
}

// entry is an alarm of pot alder, unless its id begins with another pot's name and a slash.
func (r *rig) entry(id string, p alarm.Priority, s alarm.State) message.Entry {
	pot, _, other := strings.Cut(id, "/")
	if !other {
		pot = "alder"
	}
	return message.Entry{Alarm: id, Key: alarm.Key{Pot: pot, Kind: alarm.VentSlow}, Agent: "quay-1", Priority: p, Raised: si.InstantOf(day),
		At: si.InstantOf(r.now), State: s}
}

func (r *rig) put(id string, p alarm.Priority, s alarm.State, loud bool) {
	r.note(r.box.Put(r.entry(id, p, s), loud, r.now))
}

// step sends what is due with an outcome, and tells whether anything was.
func (r *rig) step(failed *message.Failure) bool {
	b, due, _ := r.box.Due(r.now)
	if !due {
		return false
	}
	if failed == nil {
		r.told = append(r.told, words(b))
		r.last = b.Entries
	}
	r.note(r.box.Done(b, failed, r.now))
	return true
}

func words(b outbox.Batch) string {
	var out []string
	for _, e := range b.Entries {
		s := e.Alarm + " " + e.State.String()
		if e.Repeats {
			s += " again"
		}
		out = append(out, s)
	}
	if b.Dropped > 0 {
		out = append(out, fmt.Sprintf("+%d", b.Dropped))
	}
	return strings.Join(out, ", ")
}

// run lets time pass in the steps that the outbox asks for, and everything be taken.
func (r *rig) run(d time.Duration) {
	for end := r.now.Add(d); ; {
		if r.step(nil) {
			continue
		}
		_, _, next := r.box.Due(r.now)
		if next.IsZero() || next.After(end) {
			r.now = end
			return
		}
		if !next.After(r.now) {
			r.t.Fatalf("%v: nothing is due, and next is %v", r.now, next)
		}
		r.now = next
	}
}

func (r *rig) want(what string, told ...string) {
	r.t.Helper()
	if !slices.Equal(r.told, told) {
		r.t.Errorf("%s: told %q, want %q", what, r.told, told)
	}
	r.told = nil
}

const (
	stands   = alarm.Unacknowledged
	known    = alarm.Acknowledged
	returned = alarm.ReturnedUnacknowledged
	latched  = alarm.LatchedUnacknowledged
	shelved  = alarm.Shelved
	over     = alarm.Normal
)

// TestTold: what is told of the life of an alarm, to one who wants to know what people did and to one who does not.
func TestTold(t *testing.T) {
	type put struct {
		state alarm.State
		loud  bool
	}
	for _, c := range []struct {
		what      string
		life      []put // told one after the other
		all, ends string
	}{
		{"acknowledged, then over", []put{{stands, true}, {known, false}, {over, false}}, "unacknowledged acknowledged normal", "unacknowledged normal"},
		{"over, then acknowledged", []put{{stands, true}, {returned, false}, {over, false}}, "unacknowledged returned-unacknowledged normal", "unacknowledged returned-unacknowledged"},
		{"rings again", []put{{stands, true}, {returned, false}, {stands, true}}, "unacknowledged returned-unacknowledged unacknowledged", "unacknowledged returned-unacknowledged unacknowledged"},
		{"rings again, known", []put{{stands, true}, {known, false}, {stands, true}}, "unacknowledged acknowledged unacknowledged", "unacknowledged unacknowledged"},
		{"latched, let go", []put{{stands, true}, {latched, false}, {alarm.LatchedAcknowledged, false}, {over, false}},
			"unacknowledged latched-unacknowledged latched-acknowledged normal", "unacknowledged latched-unacknowledged normal"},
		{"shelved, back, over", []put{{stands, true}, {shelved, false}, {stands, true}, {over, false}}, "unacknowledged shelved unacknowledged normal", "unacknowledged unacknowledged normal"},
		{"shelved, over there", []put{{stands, true}, {shelved, false}, {over, false}}, "unacknowledged shelved normal", "unacknowledged normal"},
		{"never in sight", []put{{alarm.Suppressed, false}, {over, false}}, "", ""},
		{"comes into sight late", []put{{alarm.Suppressed, false}, {stands, true}}, "unacknowledged", "unacknowledged"},
		{"the same again", []put{{stands, true}, {stands, false}}, "unacknowledged", "unacknowledged"},
	} {
		for _, acts := range []bool{true, false} {
			r := newRig(t, outbox.Policy{Acts: acts})
			for _, p := range c.life {
				r.now = r.now.Add(time.Second)
				r.put("a", alarm.Critical, p.state, p.loud)
				r.run(time.Second)
			}
			want := c.ends
			if acts {
				want = c.all
			}
			got := strings.ReplaceAll(strings.Join(r.told, " "), "a ", "")
			if got != want {
				t.Errorf("%s, acts %v: told %q, want %q", c.what, acts, got, want)
			}
			if _, kept := r.mark["a"]; kept != (c.life[len(c.life)-1].state != over && want != "") {
				t.Errorf("%s, acts %v: remembered %v", c.what, acts, r.mark)
			}
		}
	}
}

// TestNewestWins: who was away learns how things stand, and also of what began and ended meanwhile.
func TestNewestWins(t *testing.T) {
	r := newRig(t, outbox.Policy{Acts: true})
	away := &message.Failure{}
	first := r.entry("a", alarm.Critical, stands)
	first.Simulated = true
	r.note(r.box.Put(first, true, r.now))
	r.step(away)
	r.put("a", alarm.Critical, known, false)
	r.put("b", alarm.Critical, stands, true)
	r.put("b", alarm.Critical, over, false)
	r.run(10 * time.Second)
	r.want("back", "a acknowledged, b normal")
	if len(r.last) != 2 || !r.last[0].Simulated || r.last[0].Held != message.Failed || r.last[0].Late(si.InstantOf(r.now)) != 0 {
		t.Errorf("told %+v", r.last)
	}
	r.put("a", alarm.Critical, over, false)
	r.run(time.Second)
	r.want("end", "a normal")
	if len(r.mark) != 0 {
		t.Errorf("still remembered: %v", r.mark)
	}
}

// TestChangeWhileSending: what happens while a message is under way is told after it, and what that message said is not told again.
func TestChangeWhileSending(t *testing.T) {
	r := newRig(t, outbox.Policy{})
	r.put("a", alarm.Critical, stands, true)
	b, _, _ := r.box.Due(r.now)
	r.put("a", alarm.Critical, over, false)
	r.note(r.box.Done(b, nil, r.now))
	r.run(0)
	r.want("ended", "a normal")

	r.put("c", alarm.Critical, stands, true)
	b, _, _ = r.box.Due(r.now)
	r.now = r.now.Add(time.Second)
	r.put("c", alarm.Critical, returned, false)
	r.put("c", alarm.Critical, stands, true)
	r.note(r.box.Done(b, nil, r.now))
	r.run(0)
	r.want("rang again", "c unacknowledged")

	r.put("d", alarm.Critical, stands, true)
	b, _, _ = r.box.Due(r.now)
	r.put("d", alarm.Critical, over, false)
	r.note(r.box.Done(b, &message.Failure{}, r.now))
	r.run(5 * time.Second)
	r.want("not taken", "d normal")
}

// TestGrouping: what happens to one pot comes in one message, what is critical at once and with what else waits of the pot.
func TestGrouping(t *testing.T) {
	r := newRig(t, outbox.Policy{Gather: 30 * time.Second})
	r.put("one", alarm.Medium, stands, true)
	r.put("birch/two", alarm.Medium, stands, true)
	r.run(20 * time.Second)
	r.want("too early")
	r.put("three", alarm.High, stands, true)
	r.put("four", alarm.Critical, stands, true)
	r.run(0)
	r.want("critical", "four unacknowledged, three unacknowledged, one unacknowledged")
	r.run(9 * time.Second)
	r.want("too early for the other pot")
	r.run(time.Second)
	r.want("the other pot", "birch/two unacknowledged")

	m := newRig(t, outbox.Policy{Mixed: true})
	m.put("one", alarm.Medium, stands, true)
	m.put("birch/two", alarm.Critical, stands, true)
	m.run(0)
	m.want("mixed", "birch/two unacknowledged, one unacknowledged")
}

// TestFlood: what happens to many pots at once comes in one message, so that the last of them waits for no slow receiver.
func TestFlood(t *testing.T) {
	r := newRig(t, outbox.Policy{Gather: time.Minute})
	for i := range 5 {
		r.put(fmt.Sprintf("p%d/a", i), alarm.Critical, stands, true)
	}
	r.run(0)
	r.want("five pots", "p0/a unacknowledged", "p1/a unacknowledged", "p2/a unacknowledged", "p3/a unacknowledged", "p4/a unacknowledged")
	for i := range 60 {
		r.put(fmt.Sprintf("q%d/b", i), alarm.Critical, stands, true)
	}
	r.put("birch/c", alarm.High, stands, true)
	r.run(0)
	if len(r.told) != 2 || strings.Count(r.told[0], ", ") != 49 || !strings.HasPrefix(r.told[0], "q0/b unacknowledged, q1/b ") || !strings.HasSuffix(r.told[1], "q59/b unacknowledged, birch/c unacknowledged") {
		t.Errorf("told %q", r.told)
	}
}

// TestUrgency: a critical alarm passes what waits of other pots.
func TestUrgency(t *testing.T) {
	r := newRig(t, outbox.Policy{})
	r.put("birch/a", alarm.Low, stands, true)
	r.put("cedar/b", alarm.High, stands, true)
	r.put("alder/c", alarm.Critical, stands, true)
	r.run(0)
	r.want("order", "alder/c unacknowledged", "cedar/b unacknowledged", "birch/a unacknowledged")
}

func TestWants(t *testing.T) {
	r := newRig(t, outbox.Policy{Least: alarm.High, Pots: map[string]bool{"alder": true}, Agents: map[string]bool{"quay-1": true}})
	r.put("low", alarm.Medium, stands, true)
	r.put("birch/a", alarm.Critical, stands, true)
	silent := r.entry("agent", alarm.Critical, stands)
	silent.Key = alarm.Key{Agent: "quay-1", Kind: alarm.AgentSilent}
	r.note(r.box.Put(silent, true, r.now))
	silent.Alarm, silent.Key.Agent = "other", "quay-2"
	r.note(r.box.Put(silent, true, r.now))
	r.put("high", alarm.High, stands, true)
	r.run(time.Minute)
	r.want("wanted", "agent unacknowledged", "high unacknowledged")
}

// TestQuiet: in quiet hours critical alarms and their ends come at once; the rest waits for their end, or goes along.
func TestQuiet(t *testing.T) {
	r := newRig(t, outbox.Policy{Quiet: outbox.Hours{From: 22 * time.Hour, To: 6 * time.Hour, Zone: time.UTC}})
	r.now = day.Add(11 * time.Hour) // 23:00
	r.put("a", alarm.High, stands, true)
	r.put("birch/b", alarm.Critical, stands, true)
	r.run(time.Hour)
	r.want("critical", "birch/b unacknowledged")
	r.put("birch/b", alarm.Critical, over, false)
	r.put("birch/c", alarm.Low, stands, true)
	r.run(time.Hour)
	r.want("its end", "birch/b normal, birch/c unacknowledged")
	r.put("a", alarm.High, over, false)
	r.run(5*time.Hour - time.Second)
	r.want("still quiet")
	r.run(time.Second)
	r.want("morning", "a normal")
	if e := r.last[0]; e.Held != message.Quiet || e.LateSays(si.InstantOf(r.now)) != "Told 5 h 0 min late: it was held back by quiet hours." {
		t.Errorf("told %q of %+v", e.LateSays(si.InstantOf(r.now)), e)
	}
}

func TestHours(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	at := func(zone *time.Location, d, h, m int) time.Time { return time.Date(2026, 3, d, h, m, 0, 0, zone) }
	night := outbox.Hours{From: 22 * time.Hour, To: 6*time.Hour + 30*time.Minute, Zone: berlin}
	noon := outbox.Hours{From: 12 * time.Hour, To: 13 * time.Hour, Zone: berlin}
	for _, c := range []struct {
		h    outbox.Hours
		now  time.Time
		want time.Time // zero: not in them
	}{
		{night, at(berlin, 4, 21, 59), time.Time{}},
		{night, at(berlin, 4, 22, 0), at(berlin, 5, 6, 30)},
		{night, at(berlin, 5, 6, 29), at(berlin, 5, 6, 30)},
		{night, at(berlin, 5, 6, 30), time.Time{}},
		{night, at(time.UTC, 4, 21, 30), at(berlin, 5, 6, 30)},  // 22:30 there
		{night, at(berlin, 28, 23, 0), at(time.UTC, 29, 4, 30)}, // the clock is put forward on the 29th at 2:00
		{noon, at(berlin, 4, 11, 59), time.Time{}},
		{noon, at(berlin, 4, 12, 30), at(berlin, 4, 13, 0)},
		{noon, at(berlin, 4, 13, 0), time.Time{}},
		{outbox.Hours{}, at(berlin, 4, 0, 0), time.Time{}},
	} {
		end, in := c.h.Until(c.now)
		if in != !c.want.IsZero() || in && !end.Equal(c.want) {
			t.Errorf("%v at %v: %v %v, want %v", c.h, c.now, end, in, c.want)
		}
	}
	// The hour from 2:00 is there twice on 2026-10-25; in it the end must lie ahead, or nothing would be sent and nothing slept.
	fold := outbox.Hours{From: time.Hour, To: 2*time.Hour + 30*time.Minute, Zone: berlin}
	for u := time.Date(2026, 10, 24, 23, 0, 0, 0, time.UTC); u.Hour() != 3; u = u.Add(time.Minute) {
		if end, in := fold.Until(u); in && !end.After(u) {
			t.Errorf("%v: quiet until %v", u.In(berlin), end.In(berlin))
		}
	}
}

// TestBackoff: a receiver that cannot be reached is tried after 1, 2, 4 s and so on up to 5 min, and as it asks; a new critical alarm
// is tried at once, but not where it asks to be left alone.
func TestBackoff(t *testing.T) {
	r := newRig(t, outbox.Policy{})
	away := &message.Failure{}
	var waits []time.Duration
	r.put("a", alarm.Critical, stands, true)
	for range 12 {
		if !r.step(away) {
			t.Fatal("nothing due")
		}
		_, _, next := r.box.Due(r.now)
		waits = append(waits, next.Sub(r.now))
		r.now = next
	}
	s := time.Second
	if want := []time.Duration{1 * s, 2 * s, 4 * s, 8 * s, 16 * s, 32 * s, 64 * s, 128 * s, 256 * s, 300 * s, 300 * s, 300 * s}; !slices.Equal(waits, want) {
		t.Errorf("waits %v, want %v", waits, want)
	}
	r.step(away)
	r.now = r.now.Add(10 * s)
	r.put("birch/b", alarm.Medium, stands, true)
	if r.step(away) {
		t.Error("tried for what is not critical")
	}
	r.put("birch/c", alarm.Critical, stands, true)
	if !r.step(&message.Failure{After: 10 * time.Minute}) {
		t.Error("a new critical alarm waits")
	}
	r.put("birch/d", alarm.Critical, stands, true)
	r.now = r.now.Add(5*time.Minute - s)
	if r.step(away) {
		t.Error("not left alone as it asked")
	}
	r.run(5 * s)
	r.want("back", "a unacknowledged", "birch/c unacknowledged, birch/d unacknowledged, birch/b unacknowledged")
	if c := r.box.Counts(); c.Sent != 2 || c.Failed != 14 || c.Waiting != 0 || c.Dropped != 0 {
		t.Errorf("counts %+v", c)
	}
}

// TestOutOfTurn: what is tried at once for a critical alarm that is new makes nobody wait longer afterwards.
func TestOutOfTurn(t *testing.T) {
	r := newRig(t, outbox.Policy{})
	away := &message.Failure{}
	r.put("a", alarm.Critical, stands, true)
	var tried []time.Duration
	for r.now.Before(day.Add(2 * time.Minute)) {
		for _, at := range []int{20, 21, 22} { // three more are raised in the outage
			if r.now.Equal(day.Add(time.Duration(at) * time.Second)) {
				r.put(fmt.Sprintf("b%d/x", at), alarm.Critical, stands, true)
			}
		}
		if r.step(away) {
			tried = append(tried, r.now.Sub(day)/time.Second)
		}
		r.now = r.now.Add(time.Second)
	}
	if want := []time.Duration{0, 1, 3, 7, 15, 20, 21, 22, 31, 63}; !slices.Equal(tried, want) {
		t.Errorf("tried after %d s, want %d", tried, want)
	}
}

// TestRefused: what a receiver does not want lets the rest pass, is tried by itself, and is given up when it has ended; what
// stands is never given up.
func TestRefused(t *testing.T) {
	r := newRig(t, outbox.Policy{})
	no := &message.Failure{Refused: true}
	r.put("a", alarm.Critical, stands, true)
	r.put("b", alarm.High, stands, true)
	if !r.step(no) {
		t.Fatal("nothing due")
	}
	r.put("birch/c", alarm.Low, stands, true)
	r.run(time.Second)
	r.want("the rest", "birch/c unacknowledged")
	r.now = day.Add(30 * time.Second)
	b, due, _ := r.box.Due(r.now)
	if !due || words(b) != "a unacknowledged" {
		t.Fatalf("tried %q", words(b))
	}
	r.note(r.box.Done(b, no, r.now))
	r.run(5 * time.Second)
	r.want("by itself", "b unacknowledged")
	for r.now.Sub(day) < 3*time.Hour {
		if b, due, next := r.box.Due(r.now); due {
			r.note(r.box.Done(b, no, r.now))
		} else {
			r.now = next
		}
	}
	if c := r.box.Counts(); c.Dropped != 0 || c.Waiting != 1 {
		t.Errorf("what stands was given up: %+v", c)
	}
	r.put("a", alarm.Critical, over, false)
	for range 100 {
		if b, due, next := r.box.Due(r.now); due {
			r.note(r.box.Done(b, no, r.now))
		} else if next.IsZero() {
			break
		} else {
			r.now = next
		}
	}
	if c := r.box.Counts(); c.Dropped != 1 || c.Waiting != 0 {
		t.Errorf("what has ended was not given up: %+v", c)
	}
	if _, kept := r.mark["a"]; kept {
		t.Error("it is still remembered")
	}
	r.put("birch/d", alarm.Critical, stands, true)
	r.run(time.Minute)
	r.want("said", "birch/d unacknowledged, +1")
}

// TestBound: of too much the least urgent is dropped, of these the oldest, and the next message says how much.
func TestBound(t *testing.T) {
	r := newRig(t, outbox.Policy{Gather: time.Hour})
	for i := range outbox.Most {
		r.put(fmt.Sprintf("p%d/medium", i), alarm.Medium, stands, true)
	}
	r.put("birch/low", alarm.Low, stands, true)
	if c := r.box.Counts(); c.Waiting != outbox.Most || c.Dropped != 1 {
		t.Fatalf("counts %+v", c)
	}
	for i := range 3 {
		r.put(fmt.Sprintf("q%d/critical", i), alarm.Critical, stands, true)
	}
	if c := r.box.Counts(); c.Waiting != outbox.Most || c.Dropped != 4 {
		t.Fatalf("counts %+v", c)
	}
	r.run(0)
	r.want("critical", "q0/critical unacknowledged, +4", "q1/critical unacknowledged", "q2/critical unacknowledged")
	if m := r.mark["p0/medium"]; m.Waiting || m.Told != stands {
		t.Errorf("the oldest is remembered as %+v", m)
	}
	if m := r.mark["p3/medium"]; !m.Waiting {
		t.Errorf("the fourth is remembered as %+v", m)
	}
	r.run(time.Hour)
	if n := strings.Count(strings.Join(r.told, ", "), "medium"); n != outbox.Most-3 {
		t.Errorf("%d alarms were told", n)
	}
}

// TestRestore: after a restart is told what was not, and nothing twice.
func TestRestore(t *testing.T) {
	for _, c := range []struct {
		what    string
		now     alarm.State
		told    alarm.State
		waiting bool
		known   bool
		want    string
	}{
		{"it waited", stands, over, true, true, "a unacknowledged"},
		{"it waited and has ended", over, over, true, true, "a normal"},
		{"it was told", stands, stands, false, true, ""},
		{"it was told and has ended", over, stands, false, true, "a normal"},
		{"its end waited", over, stands, true, true, "a normal"},
		{"nothing is remembered and it stands", stands, over, false, false, "a unacknowledged"},
		{"nothing is remembered and it is shelved", shelved, over, false, false, ""},
		{"it was told and somebody acknowledged", known, stands, false, true, ""},
	} {
		r := newRig(t, outbox.Policy{})
		r.note(r.box.Restore(r.entry("a", alarm.High, c.now), outbox.Mark{Told: c.told, Waiting: c.waiting, Simulated: true}, c.known, r.now))
		r.now = r.now.Add(2 * time.Hour)
		r.run(time.Minute)
		got := strings.Join(r.told, "; ")
		if got != c.want {
			t.Errorf("%s: told %q, want %q", c.what, got, c.want)
		}
		if got != "" {
			if e := r.last[0]; !e.Simulated || !strings.HasSuffix(e.LateSays(si.InstantOf(r.now)), "late: the server was started again meanwhile.") {
				t.Errorf("%s: %+v", c.what, e)
			}
		}
		if _, kept := r.mark["a"]; kept != (c.now != over && (c.known || c.want != "")) {
			t.Errorf("%s: remembered %v", c.what, r.mark)
		}
	}
	r := newRig(t, outbox.Policy{Least: alarm.High})
	if m := r.box.Restore(r.entry("a", alarm.Low, stands), outbox.Mark{Told: stands}, true, r.now); len(m) != 1 || !m[0].Gone {
		t.Errorf("what it does not want any more: %v", m)
	}
}

// TestRefresh: what stands is told again, what has ended is not.
func TestRefresh(t *testing.T) {
	r := newRig(t, outbox.Policy{Acts: true, Mixed: true, Refresh: time.Minute})
	r.put("a", alarm.Critical, stands, true)
	r.put("birch/b", alarm.Medium, stands, true)
	r.run(59 * time.Second)
	r.want("new", "a unacknowledged, birch/b unacknowledged")
	r.run(time.Second)
	r.want("again", "a unacknowledged again, birch/b unacknowledged again")
	r.put("a", alarm.Critical, returned, false)
	r.put("birch/b", alarm.Medium, shelved, false)
	r.run(10 * time.Minute)
	r.want("ended", "a returned-unacknowledged, birch/b shelved")
	r.note(r.box.Restore(r.entry("c", alarm.Critical, stands), outbox.Mark{Told: stands}, true, r.now))
	r.run(0)
	r.want("after a restart", "c unacknowledged again")
}
