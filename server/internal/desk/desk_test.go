package desk_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/records"
)

var units = []alarm.Unit{{Pot: "alder", Agent: "quay-1"}, {Pot: "birch", Agent: "quay-1"}}

// begin is when all tests begin.
var begin = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

// A rig is a desk over records on a disk.
type rig struct {
	*desk.Desk
	t       *testing.T
	records *records.SQLite
	log     bytes.Buffer
	now     time.Time
	told    []alarm.Change
	agents  []string
	changed int
	assumed map[alarm.Key]bool // that detectors were told of
}

func open(t *testing.T, folder string) *rig {
	t.Helper()
	r := &rig{t: t, now: begin, assumed: map[alarm.Key]bool{}}
	var err error
	if r.records, err = records.Open(folder, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	r.start(r.records)
	t.Cleanup(func() { r.records.Close() })
	return r
}

// start makes the desk anew, with what is recorded.
func (r *rig) start(to desk.Records) {
	r.t.Helper()
	open, err := r.records.OpenAlarms(r.t.Context())
	if err != nil {
		r.t.Fatal(err)
	}
	r.Desk = desk.New(r.t.Context(), desk.Options{Units: units, Records: to, Open: open, Log: slog.New(slog.NewTextHandler(&r.log, nil)),
		Tell:    func(c alarm.Change, agent string) { r.told, r.agents = append(r.told, c), append(r.agents, agent) },
		Changed: func() { r.changed++ },
		Assume:  func(k alarm.Key) { r.assumed[k] = true },
		Ease: func(k alarm.Key) bool {
			was := r.assumed[k]
			delete(r.assumed, k)
			return was
		}}, r.now)
}

// stored waits until all that was handed in is on the disk.
func (r *rig) stored() {
	r.t.Helper()
	at := si.InstantOf(begin)
	if err := r.records.AddRefill(records.Refill{ID: records.NewID(at), Pot: "alder", At: at}).Wait(r.t.Context()); err != nil {
		r.t.Fatal(err)
	}
}

func key(k alarm.Kind) alarm.Key { return alarm.Key{Pot: "alder", Kind: k} }

// found is that a condition of alder has begun or ended, so many seconds after begin.
func found(k alarm.Kind, on bool, s int) alarm.Found {
	return alarm.Found{Key: key(k), Priority: alarm.RuleOf(k).Priority, On: on, At: si.InstantOf(begin).Add(time.Duration(s) * time.Second)}
}

// journal are all recorded alarms, the oldest first, as kind and events.
func (r *rig) journal() (out []string) {
	r.t.Helper()
	r.stored()
	p, err := r.records.Alarms(r.t.Context(), records.Query{OldestFirst: true})
	if err != nil {
		r.t.Fatal(err)
	}
	for _, a := range p.Items {
		text := a.Kind
		for _, t := range a.Transitions {
			text += " " + t.Event
		}
		out = append(out, text)
	}
	return out
}

func (r *rig) wantJournal(want ...string) {
	r.t.Helper()
	if got := r.journal(); !slices.Equal(got, want) {
		r.t.Errorf("recorded\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// TestLife: what happens to an alarm is recorded, told and logged in its order; what a person does is stored when it says so.
func TestLife(t *testing.T) {
	r := open(t, filepath.Join(t.TempDir(), "records"))
	r.Found([]alarm.Found{found(alarm.PotEmpty, true, 1), found(alarm.SupplyLow, true, 1)})
	list, version := r.Alarms()
	if len(list) != 2 || list[0].Alarm != "pot-empty" || list[1].Alarm != "supply-low" || r.Version() != version || r.changed != 1 {
		t.Fatalf("%+v, version %d, changed %d times", list, version, r.changed)
	}
	r.Found(nil)
	r.Found([]alarm.Found{found(alarm.PotEmpty, true, 2)}) // stands already
	if r.Version() != version || r.changed != 1 {
		t.Error("nothing has changed, and it is told")
	}
	r.now = begin.Add(time.Minute)
	for _, c := range []struct {
		deed  desk.Act
		alarm string
		fails error
	}{
		{desk.Act{Deed: alarm.DoAcknowledge, By: "R. Malone", Note: "bags are here"}, list[0].ID, nil},
		{desk.Act{Deed: alarm.DoAcknowledge, By: "A. Person"}, list[0].ID, alarm.ErrAlready},
		{desk.Act{Deed: alarm.DoAcknowledge}, list[1].ID, alarm.ErrNobody},
		{desk.Act{Deed: alarm.DoShelve, By: "R. Malone", For: time.Hour}, list[1].ID, nil},
		{desk.Act{Deed: alarm.DoUnshelve, By: "R. Malone"}, list[1].ID, nil},
		{desk.Act{Deed: alarm.DoTakeOut, By: "R. Malone"}, list[1].ID, alarm.ErrNoReason},
		{desk.Act{Deed: alarm.DoTakeOut, By: "R. Malone", Note: "compressor away"}, list[1].ID, nil},
		{desk.Act{Deed: alarm.DoBringBack, By: "R. Malone"}, list[1].ID, nil},
		{desk.Act{Deed: alarm.DoReset, By: "R. Malone", Note: "no"}, list[1].ID, alarm.ErrStands},
		{desk.Act{Deed: alarm.DoAcknowledge, By: "R. Malone"}, "01HQZX3T7N0000000000000000", alarm.ErrUnknown},
	} {
		stored, err := r.Do(c.alarm, c.deed, r.now)
		if !errors.Is(err, c.fails) || (err == nil) != (c.fails == nil) {
			t.Errorf("%+v: %v", c.deed, err)
			continue
		}
		if err == nil {
			if err := stored(t.Context()); err != nil {
				t.Errorf("%+v: not stored: %v", c.deed, err)
			}
		}
		r.now = r.now.Add(time.Second)
	}
	if _, err := r.Do(list[1].ID, desk.Act{Deed: "open", By: "R. Malone"}, r.now); err == nil {
		t.Error("something unknown was done")
	}
	r.Found([]alarm.Found{found(alarm.PotEmpty, false, 200)})
	r.Found([]alarm.Found{found(alarm.SupplyLow, false, 200)})
	r.wantJournal("pot-empty raised acknowledged returned", "supply-low raised shelved unshelved out-of-service in-service returned")
	if a, ok := r.Alarm(list[0].ID); !ok || a.Ended == 0 || len(a.Transitions) != 3 || a.Transitions[1].By != "R. Malone" || !strings.Contains(a.Transitions[1].Evidence, "bags are here") {
		t.Errorf("in memory, after its end: %+v", a)
	}
	a, ok, err := r.records.Alarm(t.Context(), list[0].ID)
	if err != nil || !ok || a.Transitions[1].By != "R. Malone" || !strings.Contains(a.Transitions[1].Evidence, "bags are here") || a.Ended == 0 {
		t.Errorf("recorded: %+v, %v", a, err)
	}
	if acks, err := r.records.Acknowledgements(t.Context(), list[0].ID); err != nil || len(acks) != 1 || acks[0].Note != "bags are here" {
		t.Errorf("acknowledgements %+v, %v", acks, err)
	}
	if len(r.told) != 9 || slices.ContainsFunc(r.agents, func(a string) bool { return a != "quay-1" }) {
		t.Errorf("told of %d changes, agents %v", len(r.told), r.agents)
	}
	if text := r.log.String(); strings.Count(text, "level=WARN") != 4 || !strings.Contains(text, "pot-empty has ended") { // raised twice, and back into sight twice
		t.Errorf("log:\n%s", text)
	}
}

// TestRestart: what is latched, acknowledged or shelved stands as it did; figures and episodes are remembered; what cannot be understood stops
// nothing.
func TestRestart(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "records")
	r := open(t, folder)
	r.Found([]alarm.Found{found(alarm.VesselHeld, true, 1), found(alarm.StopSlow, true, 1), found(alarm.DrainDue, true, 1)})
	r.Found([]alarm.Found{found(alarm.VesselHeld, false, 60)})
	list, _ := r.Alarms()
	for i, want := range []string{"latched-unacknowledged", "unacknowledged", "unacknowledged"} {
		if list[i].State != want {
			t.Fatalf("%+v", list[i])
		}
	}
	if _, err := r.Do(list[2].ID, desk.Act{Deed: alarm.DoShelve, By: "R. Malone", For: 2 * time.Hour}, begin.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	before, _ := r.Alarms()
	r.stored()
	// A version of this program that is still to come has left one that this one does not know.
	at := si.InstantOf(begin)
	strange := records.Alarm{ID: records.NewID(at), Pot: "alder", Kind: "lid-loose", Priority: "critical", Raised: at,
		Transitions: []records.Transition{{ID: records.NewID(at), At: at, Event: "raised"}}}
	strange.Transitions[0].Alarm = strange.ID
	if err := r.records.AddAlarm(strange).Wait(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.log.Reset()
	r.now = begin.Add(10 * time.Minute)
	r.start(r.records)
	after, _ := r.Alarms()
	if fmt.Sprint(after) != fmt.Sprint(before) {
		t.Errorf("after a start\n%+v\nwas\n%+v", after, before)
	}
	if text := r.log.String(); strings.Count(text, "level=ERROR") != 1 || !strings.Contains(text, "lid-loose") {
		t.Errorf("log:\n%s", text)
	}
	if f := r.Figures(r.now); f.Day.Alarms != 3 || f.Shelved != 1 {
		t.Errorf("figures %+v", f)
	}
	if k := r.Standing("alder", ""); len(k) != 2 {
		t.Errorf("standing %v", k)
	}
	r.Found([]alarm.Found{found(alarm.StopSlow, true, 700)}) // stands, and is found anew
	r.Tick(begin.Add(3 * time.Hour))
	r.wantJournal("lid-loose raised", "vessel-held raised returned", "stop-slow raised", "drain-due raised shelved unshelved")
}

// A full disk is records that store nothing for now.
type full struct {
	desk.Records
	wrote int
}

func (f *full) write() *records.Write {
	f.wrote++
	return records.Stored(fmt.Errorf("%w: %w", records.ErrWaiting, records.ErrFull))
}
func (f *full) AddAlarm(records.Alarm) *records.Write              { return f.write() }
func (f *full) AddTransition(records.Transition) *records.Write    { return f.write() }
func (f *full) Acknowledge(records.Acknowledgement) *records.Write { return f.write() }
func (f *full) Alarms(context.Context, records.Query) (records.Page[records.Alarm], error) {
	return records.Page[records.Alarm]{}, records.ErrFull
}

// TestFullDisk: nothing is stored, and all is told and done all the same; what a person does has its effect, and says that it is not stored.
func TestFullDisk(t *testing.T) {
	r := open(t, filepath.Join(t.TempDir(), "records"))
	disk := &full{}
	r.start(disk)
	r.Found([]alarm.Found{found(alarm.VentSlow, true, 1)})
	list, _ := r.Alarms()
	if len(list) != 1 || len(r.told) != 1 || disk.wrote != 1 {
		t.Fatalf("%+v", list)
	}
	stored, err := r.Do(list[0].ID, desk.Act{Deed: alarm.DoAcknowledge, By: "R. Malone"}, begin)
	if err != nil {
		t.Fatal(err)
	}
	if err := stored(t.Context()); !errors.Is(err, records.ErrFull) {
		t.Errorf("stored: %v", err)
	}
	if list, _ := r.Alarms(); list[0].State != "acknowledged" {
		t.Errorf("%+v", list)
	}
	if a, ok := r.Alarm(list[0].ID); !ok || len(a.Transitions) != 2 {
		t.Errorf("its life: %+v", a)
	}
}

// TestStoredAtOnce: an alarm that is told is on the disk without the second for which other records wait, so that hardly a kill finds one
// that is told and not recorded.
func TestStoredAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // in which no time goes by until all is done that can be done at once
		r := open(t, filepath.Join(t.TempDir(), "records"))
		synctest.Wait()
		r.Found([]alarm.Found{found(alarm.VesselHeld, true, 1)})
		synctest.Wait()
		p, err := r.records.Alarms(t.Context(), records.Query{})
		if err != nil || len(p.Items) != 1 {
			t.Errorf("%d are stored, %v", len(p.Items), err)
		}
	})
}

// TestLate: what a rewind finds is told once, and does not disturb what live readings have shown.
func TestLate(t *testing.T) {
	const slow = alarm.VentSlow
	late := func(r *rig, f ...alarm.Found) { r.Late(f) }
	for _, c := range []struct {
		name string
		do   func(r *rig)
		want []string
		open []string // kind and state
	}{
		{"an episode that nobody saw", func(r *rig) { late(r, found(slow, true, 10), found(slow, false, 20)) },
			[]string{"vent-slow raised returned"}, []string{"vent-slow returned-unacknowledged"}},
		{"found twice, and not quite alike", func(r *rig) {
			late(r, found(slow, true, 10), found(slow, false, 20))
			late(r, found(slow, true, 11), found(slow, false, 19))
		}, []string{"vent-slow raised returned"}, []string{"vent-slow returned-unacknowledged"}},
		{"two episodes", func(r *rig) {
			late(r, found(slow, true, 10), found(slow, false, 20), found(slow, true, 100), found(slow, false, 110))
		}, []string{"vent-slow raised returned raised returned"}, []string{"vent-slow returned-unacknowledged"}},
		{"seen live, acknowledged and over; found again", func(r *rig) {
			r.Found([]alarm.Found{found(slow, true, 10)})
			list, _ := r.Alarms()
			r.Do(list[0].ID, desk.Act{Deed: alarm.DoAcknowledge, By: "R. Malone"}, begin.Add(12*time.Second))
			r.Found([]alarm.Found{found(slow, false, 50)})
			late(r, found(slow, true, 10), found(slow, false, 20))
		}, []string{"vent-slow raised acknowledged returned"}, nil},
		{"the same, over a start", func(r *rig) {
			r.Found([]alarm.Found{found(slow, true, 10)})
			list, _ := r.Alarms()
			r.Do(list[0].ID, desk.Act{Deed: alarm.DoAcknowledge, By: "R. Malone"}, begin.Add(12*time.Second))
			r.Found([]alarm.Found{found(slow, false, 50)})
			r.stored()
			r.now = begin.Add(time.Hour)
			r.start(r.records)
			late(r, found(slow, true, 10), found(slow, false, 20))
		}, []string{"vent-slow raised acknowledged returned"}, nil},
		{"an episode after one that was acknowledged by a clock that was ahead", func(r *rig) {
			r.Found([]alarm.Found{found(slow, true, 10)})
			list, _ := r.Alarms()
			r.Do(list[0].ID, desk.Act{Deed: alarm.DoAcknowledge, By: "R. Malone"}, begin.Add(time.Hour))
			r.Found([]alarm.Found{found(slow, false, 50)})
			late(r, found(slow, true, 100), found(slow, false, 110))
		}, []string{"vent-slow raised acknowledged returned", "vent-slow raised returned"}, []string{"vent-slow returned-unacknowledged"}},
		{"stands live; an end of the past does not end it", func(r *rig) {
			r.Found([]alarm.Found{found(slow, true, 100)})
			late(r, found(slow, true, 10), found(slow, false, 20))
		}, []string{"vent-slow raised"}, []string{"vent-slow unacknowledged"}},
		{"stands since late readings, which later ones end", func(r *rig) {
			late(r, found(slow, true, 10))
			if !r.assumed[key(slow)] {
				r.t.Error("the pot's detector was not told")
			}
			late(r, found(slow, true, 10)) // a second rewind, as far as the first
			late(r, found(slow, true, 10), found(slow, false, 40))
		}, []string{"vent-slow raised returned"}, []string{"vent-slow returned-unacknowledged"}},
		{"stood before the start, ended while the server was down", func(r *rig) {
			r.Found([]alarm.Found{found(slow, true, 10)})
			r.stored()
			r.now = begin.Add(time.Hour)
			r.start(r.records)
			r.assumed[key(slow)] = true // by the detector's Assume
			late(r, found(slow, false, 40))
		}, []string{"vent-slow raised returned"}, []string{"vent-slow returned-unacknowledged"}},
		{"stood before the start; the end of an earlier one is not its own", func(r *rig) {
			r.Found([]alarm.Found{found(slow, true, 10)})
			r.Found([]alarm.Found{found(slow, false, 20)})
			r.Found([]alarm.Found{found(slow, true, 100)})
			r.stored()
			r.now = begin.Add(time.Hour)
			r.start(r.records)
			r.assumed[key(slow)] = true
			late(r, found(slow, false, 20))
			if !r.assumed[key(slow)] {
				r.t.Error("the pot's detector was told of it")
			}
		}, []string{"vent-slow raised returned raised"}, []string{"vent-slow unacknowledged"}},
		{"an end that live readings contradict", func(r *rig) {
			r.Found([]alarm.Found{found(slow, true, 10)})
			late(r, found(slow, false, 40))
		}, []string{"vent-slow raised"}, []string{"vent-slow unacknowledged"}},
		{"the past says nothing of the present's pressure, and lets nothing go", func(r *rig) {
			r.Found([]alarm.Found{found(alarm.VesselHeld, true, 10), found(alarm.VesselHeld, false, 20)})
			proven := found(alarm.VesselHeld, false, 30)
			proven.Proven, proven.Evidence.Word = true, "vented"
			late(r, found(alarm.VesselUnknown, true, 10), found(alarm.ConfigDoubt, true, 10), proven)
		}, []string{"vessel-held raised returned"}, []string{"vessel-held latched-unacknowledged"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := open(t, filepath.Join(t.TempDir(), "records"))
			c.do(r)
			r.wantJournal(c.want...)
			var open []string
			list, _ := r.Alarms()
			for _, a := range list {
				open = append(open, a.Alarm+" "+a.State)
			}
			if !slices.Equal(open, c.open) {
				t.Errorf("open: %v, want %v", open, c.open)
			}
		})
	}
	r := open(t, filepath.Join(t.TempDir(), "records"))
	late(r, found(slow, true, 10), found(slow, false, 20))
	if list, _ := r.Alarms(); len(list) == 1 {
		if a, _ := r.Alarm(list[0].ID); a.Raised != si.InstantOf(begin).Add(10*time.Second) || !strings.Contains(a.Transitions[0].Evidence, `"late":true`) ||
			!strings.Contains(a.Transitions[1].Evidence, `"late":true`) {
			t.Errorf("a late one: %+v", a)
		}
	}
}

// TestComment: people write to an alarm that stands, that has ended, and that ended before a start; all of it is recorded, and nothing else changes.
func TestComment(t *testing.T) {
	r := open(t, filepath.Join(t.TempDir(), "records"))
	r.Found([]alarm.Found{found(alarm.PotEmpty, true, 1)})
	list, _ := r.Alarms()
	id := list[0].ID
	comment := desk.Act{Deed: alarm.DoComment, By: "R. Malone", Note: "bags are coming"}
	stored, err := r.Do(id, comment, begin.Add(30*time.Second))
	if err != nil || stored(t.Context()) != nil {
		t.Fatal(err)
	}
	// Those who look at it learn that there is more to read, and nothing else.
	after, _ := r.Alarms()
	if a, _ := r.Alarm(id); list[0].Last != a.Transitions[0].ID || after[0].Last != a.Transitions[1].ID {
		t.Errorf("newest %q, then %q, of %+v", list[0].Last, after[0].Last, a.Transitions)
	}
	list[0].Last = after[0].Last
	if fmt.Sprint(after) != fmt.Sprint(list) {
		t.Errorf("%+v, was %+v", after, list)
	}
	r.start(r.records)
	if after, _ := r.Alarms(); fmt.Sprint(after) != fmt.Sprint(list) {
		t.Errorf("after a start %+v, was %+v", after, list)
	}
	if stored, err = r.Do(id, desk.Act{Deed: alarm.DoAcknowledge, By: "A. Person"}, begin.Add(31*time.Second)); err != nil || stored(t.Context()) != nil {
		t.Fatal(err)
	}
	r.Found([]alarm.Found{found(alarm.PotEmpty, false, 20)}) // told after it was acknowledged
	told := len(r.told)
	for _, where := range []string{"in memory", "in the records alone"} {
		if _, err := r.Do(id, comment, begin.Add(time.Minute)); !errors.Is(err, alarm.ErrUnknown) {
			t.Fatalf("%s: %v", where, err)
		}
		r.stored()
		a, _, err := r.records.Alarm(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		n := len(a.Transitions)
		with, stored, err := r.CommentAfter(a, comment, begin.Add(time.Minute))
		if err != nil || stored(t.Context()) != nil || len(with.Transitions) != n+1 || with.Transitions[n].By != "R. Malone" || with.Ended != a.Ended {
			t.Fatalf("%s: %v %+v", where, err, with)
		}
		if _, _, err := r.CommentAfter(a, desk.Act{By: "R. Malone"}, begin); !errors.Is(err, alarm.ErrNoComment) {
			t.Errorf("%s: %v", where, err)
		}
		if kept, ok := r.Alarm(id); ok != (where == "in memory") || ok && len(kept.Transitions) != n+1 {
			t.Errorf("%s: %+v", where, kept)
		}
		r.start(r.records)
	}
	r.wantJournal("pot-empty raised commented acknowledged returned commented commented")
	if f := r.Figures(begin.Add(time.Hour)); len(r.told) != told || f.Day.Alarms != 1 {
		t.Errorf("told %d more, figures %+v", len(r.told)-told, f.Day)
	}
	// What ended before it was commented on, and is found after, stands before the comment, in memory as in the records.
	r.Found([]alarm.Found{found(alarm.SupplyLow, true, 100)})
	list, _ = r.Alarms()
	if _, err := r.Do(list[0].ID, comment, begin.Add(130*time.Second)); err != nil {
		t.Fatal(err)
	}
	r.Found([]alarm.Found{found(alarm.SupplyLow, false, 120)})
	if a, _ := r.Alarm(list[0].ID); len(a.Transitions) != 3 || a.Transitions[1].Event != "returned" || a.Transitions[2].Event != "commented" || a.Ended != found(alarm.SupplyLow, false, 120).At {
		t.Errorf("%+v", a)
	}
}

// TestNewBeginningIsSeen: who looked at an alarm before it began anew does not acknowledge that unseen, before or after a start; what was seen
// then, or is not told, counts as ever, and a comment in between is no beginning.
func TestNewBeginningIsSeen(t *testing.T) {
	r := open(t, filepath.Join(t.TempDir(), "records"))
	r.Found([]alarm.Found{found(alarm.VesselHeld, true, 1)})
	list, _ := r.Alarms()
	id, first := list[0].ID, list[0].Last
	do := func(deed, seen string) error {
		t.Helper()
		stored, err := r.Do(id, desk.Act{Deed: deed, By: "R. Malone", Note: "so", Seen: seen}, begin.Add(time.Minute))
		if err == nil && stored(t.Context()) != nil {
			t.Fatal("not stored")
		}
		return err
	}
	if err := do(alarm.DoComment, "0"); err != nil {
		t.Fatalf("a comment does not matter: %v", err)
	}
	if err := do(alarm.DoAcknowledge, first); err != nil {
		t.Fatalf("a comment is no beginning: %v", err)
	}
	r.Found([]alarm.Found{found(alarm.VesselHeld, false, 70), found(alarm.VesselHeld, true, 80)})
	for range 2 {
		for _, deed := range []string{alarm.DoAcknowledge, alarm.DoReset} {
			if err := do(deed, first); !errors.Is(err, alarm.ErrAnew) || !strings.Contains(err.Error(), "has begun again since it was looked at") {
				t.Errorf("%s by who has not seen it: %v", deed, err)
			}
		}
		if list, _ := r.Alarms(); !list[0].Loud {
			t.Fatalf("it sounds no more: %+v", list[0])
		}
		r.stored()
		r.start(r.records)
	}
	list, _ = r.Alarms()
	if err := do(alarm.DoAcknowledge, list[0].Last); err != nil {
		t.Errorf("by who has seen it: %v", err)
	}
	r.Found([]alarm.Found{found(alarm.VesselHeld, false, 90), found(alarm.VesselHeld, true, 95)})
	if err := do(alarm.DoAcknowledge, ""); err != nil {
		t.Errorf("by who does not tell: %v", err)
	}
}

// TestManyTransitions: an alarm that comes and goes for days keeps its first and its newest transitions in memory, and no more, after a start
// too.
func TestManyTransitions(t *testing.T) {
	r := open(t, filepath.Join(t.TempDir(), "records"))
	for i := range 300 {
		r.Found([]alarm.Found{found(alarm.PotEmpty, i%2 == 0, i+1)})
	}
	for range 2 {
		list, _ := r.Alarms()
		a, _ := r.Alarm(list[0].ID)
		n := len(a.Transitions)
		if n != 200 || a.Transitions[0].At != a.Raised || a.Transitions[n-1].At != found(alarm.PotEmpty, false, 300).At {
			t.Errorf("%d transitions, from %v to %v", n, a.Transitions[0].At, a.Transitions[n-1].At)
		}
		r.stored()
		r.start(r.records)
	}
}

// TestFlood: two hundred pots at once. Each is told, in order, recorded once, and the list is whole; and all of it in little time, as
// nothing waits.
func TestFlood(t *testing.T) {
	var many []alarm.Unit
	for i := range 200 {
		many = append(many, alarm.Unit{Pot: fmt.Sprintf("pot-%03d", i), Agent: fmt.Sprintf("quay-%d", i%10)})
	}
	was := units
	units = many
	defer func() { units = was }()
	r := open(t, filepath.Join(t.TempDir(), "records"))
	start := time.Now()
	for i, u := range many {
		f := found(alarm.OverPressure, true, 1)
		f.Pot, f.At = u.Pot, f.At.Add(time.Duration(i)*time.Millisecond)
		r.Found([]alarm.Found{f})
		r.Alarms()
	}
	took := time.Since(start)
	list, _ := r.Alarms()
	if len(list) != 200 || len(r.told) != 200 || list[0].Pot != "pot-000" || list[199].Pot != "pot-199" || r.told[199].Key.Pot != "pot-199" {
		t.Errorf("%d standing, %d told", len(list), len(r.told))
	}
	if took > time.Minute {
		t.Errorf("it took %v", took)
	}
	if f := r.Figures(begin.Add(time.Second)); !f.Flood || f.Standing[alarm.Critical] != 200 {
		t.Errorf("figures: flood %t, %d critical", f.Flood, f.Standing[alarm.Critical])
	}
	r.stored()
	if p, err := r.records.Alarms(t.Context(), records.Query{Limit: 1000}); err != nil || len(p.Items) != 200 {
		t.Errorf("%d recorded, %v", len(p.Items), err)
	}
}

// BenchmarkFlood is one more alarm beside two hundred that stand, with the list for the pages.
func BenchmarkFlood(b *testing.B) {
	var many []alarm.Unit
	for i := range 201 {
		many = append(many, alarm.Unit{Pot: fmt.Sprintf("pot-%03d", i), Agent: "quay-1"})
	}
	d := desk.New(b.Context(), desk.Options{Units: many, Records: &full{}, Log: slog.New(slog.DiscardHandler)}, begin)
	for _, u := range many[:200] {
		f := found(alarm.SupplyLow, true, 1)
		f.Pot = u.Pot
		d.Found([]alarm.Found{f})
	}
	s := 1
	b.ReportAllocs()
	for b.Loop() {
		s++
		f := found(alarm.SupplyLow, s%2 == 0, s)
		f.Pot = many[200].Pot
		d.Found([]alarm.Found{f})
		d.Alarms()
	}
}

// TestLogIsShort: what shows an alarm stands in the records; the log says what, of which pot, how urgent, by which id and one figure.
func TestLogIsShort(t *testing.T) {
	r := open(t, filepath.Join(t.TempDir(), "records"))
	on := found(alarm.VentSlow, true, 0)
	on.Evidence = alarm.Evidence{PressurePa: []float64{690e3, 655e3}, RatePerS: []float64{0.12, 0.21}, Trace: &alarm.Trace{},
		Envelope: &alarm.Envelope{FromS: 0.85, P0Pa: 690e3, RatePerS: 0.21, DownToPa: 121590, AmbientPa: 101325}}
	for i := range 600 {
		on.Evidence.Trace.TimeS = append(on.Evidence.Trace.TimeS, float64(i)/10)
		on.Evidence.Trace.PressurePa = append(on.Evidence.Trace.PressurePa, 655e3)
	}
	r.Found([]alarm.Found{on})
	id := r.told[0].Alarm
	if _, err := r.Do(id, desk.Act{Deed: alarm.DoComment, By: "Ada", Note: strings.Repeat("long ", 90)}, r.now); err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(r.log.String()), "\n")
	for i, want := range [][]string{{"level=WARN", "vent-slow: ", "alarm=" + id, "pot=alder", "priority=critical", `figure="655 kPa"`}, {"level=INFO", "vent-slow commented", "alarm=" + id, "pot=alder", "by=Ada"}} {
		if len(lines) != 2 || len(lines[i]) > 300 {
			t.Fatalf("logged %d lines: %.2000s", len(lines), r.log.String())
		}
		for _, part := range want {
			if !strings.Contains(lines[i], part) {
				t.Errorf("%q is not in %q", part, lines[i])
			}
		}
	}
	r.stored()
	p, err := r.records.Alarms(t.Context(), records.Query{})
	if err != nil || len(p.Items) != 1 || len(p.Items[0].Transitions[0].Evidence) < 5000 {
		t.Errorf("recorded %.300v, %v", p.Items, err)
	}
}
