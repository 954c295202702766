package records

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
)

// begin is an instant of the tests: 2026-09-21T14:13:20Z.
const begin = si.Instant(1790000000000000)

// opened opens the records in a folder, until the test ends.
func opened(t testing.TB, folder string) (*SQLite, *bytes.Buffer) {
	t.Helper()
	var log bytes.Buffer
	s, err := Open(folder, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s, &log
}

// must waits for writes.
func must(t testing.TB, writes ...*Write) {
	t.Helper()
	for _, w := range writes {
		if err := w.Wait(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
}

// got is what a method gave without an error.
func got[T any](t testing.TB) func(T, error) T {
	return func(x T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
}

// cycleOf is a cycle of a pot, pressed so long after the beginning.
func cycleOf(pot string, after time.Duration) Cycle {
	press := begin.Add(after)
	return Cycle{Pot: pot, Ended: press.Add(40 * time.Second), Cycle: engine.Cycle{Press: press, Release: press.Add(30 * time.Second), Inferred: true,
		Vent: engine.Vent{From: 689000.123456789, Tau: 1.9, Settled: 7400001 * time.Microsecond, Residual: -900.5}}}
}

// sample is one record of every kind, and others that go with them.
type sample struct {
	Cycles           []Cycle
	Alarms           []Alarm
	Acknowledgements []Acknowledgement
	Refills          []Refill
	Services         []Service
	Shifts           []Shift
	Baselines        []Baseline
	Positions        []Position
	Losses           []Loss
	Checkpoints      []Checkpoint
}

// samples are the rows of testdata/v1.sql, too.
func samples() sample {
	const first, second = "01M62Y9M0D2D5C8W2M9Q6V0XJC", "01M62Y9M0D2D5C8W2M9Q6V0XJD"
	c := cycleOf("alder", 0)
	d := cycleOf("birch", time.Second)
	d.Inferred, d.Late, d.Incomplete, d.Vent = false, true, true, engine.Vent{From: 5000}
	return sample{
		Cycles: []Cycle{c, d},
		Alarms: []Alarm{
			{ID: first, Pot: "alder", Kind: "vessel-held", Priority: "critical", Raised: begin, Ended: begin + 9, Transitions: []Transition{
				{ID: "01M62Y9M0D2D5C8W2M9Q6V0X01", Alarm: first, At: begin, Event: "raised", Evidence: `{"p_pa":[690000,655000]}`},
				{ID: "01M62Y9M0D2D5C8W2M9Q6V0X02", Alarm: first, At: begin + 7, Event: "returned"},
				{ID: "01M62Y9M0D2D5C8W2M9Q6V0X03", Alarm: first, At: begin + 9, Event: "acknowledged", By: "A. Person", Ends: true},
			}},
			{ID: second, Agent: "quay-1", Kind: "agent-silent", Priority: "high", Raised: begin + 1},
		},
		Acknowledgements: []Acknowledgement{{ID: "01M62Y9M0D2D5C8W2M9Q6V0X03", Alarm: first, At: begin + 9, By: "A. Person", Note: "gauge at zero; it's shut", Ends: true}},
		Refills:          []Refill{{ID: first, Pot: "alder", At: begin, Mass: 45.5, By: "A. Person", Note: "ümläut"}},
		Services:         []Service{{ID: first, Pot: "alder", At: begin, Part: "exhaust", Work: "cleaned", By: "A. Person", Note: "line 1\nline 2"}},
		Shifts:           []Shift{{ID: first, Name: "early", From: begin, To: begin + 5, By: "A. Person", Note: "x"}, {ID: second, Name: "late", From: begin + 5}},
		Baselines:        []Baseline{{ID: first, Pot: "alder", At: begin, What: "exhaust_m3_s", Value: 1.0 / 3, SD: 1e-300, By: "A. Person", Note: "x"}},
		Positions: []Position{{Agent: "quay-1", Journal: "0123456789abcdef0123456789abcdef", Stored: math.MaxInt64, Before: 7, At: begin},
			{Agent: "quay-2", Journal: "00000000000000000000000000000000", At: begin}},
		Losses: []Loss{{Agent: "quay-1", Journal: "0123456789abcdef0123456789abcdef", From: 5, To: 9, At: begin, Why: "dropped: the journal was full"}},
		Checkpoints: []Checkpoint{{Pot: "alder", At: begin, Version: 3, State: []byte("\x00\xffstate"),
			Next: []JournalPosition{{Journal: "0123456789abcdef0123456789abcdef", Position: math.MaxInt64}}},
			{Pot: "birch", At: begin + 1, Version: math.MaxUint32, State: []byte{1}}},
	}
}

// store hands a sample in.
func (x sample) store(r Records) []*Write {
	var w []*Write
	for _, c := range x.Cycles {
		w = append(w, r.AddCycle(c))
	}
	for _, a := range x.Alarms {
		open := a
		open.Ended = 0
		w = append(w, r.AddAlarm(open))
		for _, tr := range a.Transitions {
			if tr.Event != acknowledged {
				w = append(w, r.AddTransition(tr))
			}
		}
	}
	for _, a := range x.Acknowledgements {
		w = append(w, r.Acknowledge(a))
	}
	for _, v := range x.Refills {
		w = append(w, r.AddRefill(v))
	}
	for _, v := range x.Services {
		w = append(w, r.AddService(v))
	}
	for _, v := range x.Shifts {
		w = append(w, r.PutShift(v))
	}
	for _, v := range x.Baselines {
		w = append(w, r.AddBaseline(v))
	}
	return append(w, r.PutPositions(x.Positions), r.AddLosses(x.Losses), r.SaveCheckpoints(x.Checkpoints))
}

// stored reads all that is there.
func stored(t testing.TB, r Records) sample {
	t.Helper()
	ctx := context.Background()
	q := Query{OldestFirst: true, Limit: longestPage}
	x := sample{
		Cycles:      got[Page[Cycle]](t)(r.Cycles(ctx, q)).Items,
		Alarms:      got[Page[Alarm]](t)(r.Alarms(ctx, q)).Items,
		Refills:     got[Page[Refill]](t)(r.Refills(ctx, q)).Items,
		Services:    got[Page[Service]](t)(r.Services(ctx, q)).Items,
		Shifts:      got[Page[Shift]](t)(r.Shifts(ctx, q)).Items,
		Baselines:   got[Page[Baseline]](t)(r.Baselines(ctx, q)).Items,
		Positions:   got[[]Position](t)(r.Positions(ctx)),
		Losses:      got[Page[Loss]](t)(r.Losses(ctx, q)).Items,
		Checkpoints: got[[]Checkpoint](t)(r.NewestCheckpoints(ctx)),
	}
	for _, a := range x.Alarms {
		x.Acknowledgements = append(x.Acknowledgements, got[[]Acknowledgement](t)(r.Acknowledgements(ctx, a.ID))...)
	}
	return x
}

func same(t testing.TB, got, want any) {
	t.Helper()
	if !reflect.DeepEqual(got, want) {
		t.Errorf("\n got %+v\nwant %+v", got, want)
	}
}

// TestWhole: what was handed in is there, bit for bit, also after a second time and another start.
func TestWhole(t *testing.T) {
	dir := t.TempDir()
	s, log := opened(t, dir)
	must(t, samples().store(s)...)
	same(t, stored(t, s), samples())
	must(t, samples().store(s)...)
	same(t, stored(t, s), samples())
	open := got[[]Alarm](t)(s.OpenAlarms(t.Context()))
	if len(open) != 1 || open[0].ID != samples().Alarms[1].ID {
		t.Errorf("open alarms %+v", open)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s, _ = opened(t, dir)
	same(t, stored(t, s), samples())
	if s.Damage() != "" || !strings.Contains(log.String(), "new records are begun") {
		t.Errorf("damage %q, log\n%s", s.Damage(), log)
	}
	c := s.Counts()
	if c != (Counts{}) {
		t.Errorf("counts of a new start: %+v", c)
	}
}

// TestNotInOrder: a record that is not in order is refused at once, with where it is wrong.
func TestNotInOrder(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	x := samples()
	nan := math.NaN()
	cycle := func(change func(*Cycle)) *Write {
		c := x.Cycles[0]
		change(&c)
		return s.AddCycle(c)
	}
	for want, w := range map[string]*Write{
		"press 0 is no instant":           cycle(func(c *Cycle) { c.Press = 0 }),
		"are not in order":                cycle(func(c *Cycle) { c.Release = c.Press - 1 }),
		"tau is NaN":                      cycle(func(c *Cycle) { c.Vent.Tau = nan }),
		"pot is empty":                    cycle(func(c *Cycle) { c.Pot = "" }),
		`id "7" is not a ULID`:            s.AddRefill(Refill{ID: "7"}),
		"mass is +Inf":                    s.AddRefill(Refill{ID: NewID(begin), Pot: "alder", At: begin, Mass: si.Mass(math.Inf(1))}),
		"by is empty":                     s.Acknowledge(Acknowledgement{ID: NewID(begin), Alarm: NewID(begin), At: begin}),
		"its transition is of alarm":      s.AddAlarm(Alarm{ID: NewID(begin), Pot: "alder", Kind: "x", Priority: "low", Raised: begin, Transitions: x.Alarms[0].Transitions}),
		"it ends at":                      s.PutShift(Shift{ID: NewID(begin), From: begin, To: begin - 1}),
		"stored 9223372036854775808":      s.PutPositions([]Position{x.Positions[0], {Agent: "a", Journal: "j", Stored: 1 << 63}}),
		"from 5 to 5 holds nothing":       s.AddLosses([]Loss{{Agent: "a", Journal: "j", From: 5, To: 5, At: begin, Why: "x"}}),
		"its state has 65537 bytes":       s.SaveCheckpoints([]Checkpoint{{Pot: "alder", At: begin, State: make([]byte, MaxState+1)}}),
		"its state has 0 bytes":           s.SaveCheckpoints([]Checkpoint{{Pot: "alder", At: begin}}),
		"FOREIGN KEY constraint failed":   s.AddTransition(Transition{ID: NewID(begin), Alarm: NewID(begin), At: begin, Event: "returned"}),
		"alarm refused: constraint faile": s.AddTransition(Transition{ID: NewID(begin), Alarm: NewID(begin), At: begin, Event: "returned"}),
	} {
		if err := w.Wait(t.Context()); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), want) {
			t.Errorf("%v, want %q", err, want)
		}
	}
	if got := stored(t, s); !reflect.DeepEqual(got, sample{}) {
		t.Errorf("stored all the same: %+v", got)
	}
	if c := s.Counts(); c.Refused != 16 || c.Stored != 0 {
		t.Errorf("counts %+v", c)
	}
	for _, q := range []Query{{Limit: -1}, {Limit: 1001}, {After: "7"}, {After: "x~y"}} {
		if p, err := s.Cycles(t.Context(), q); err == nil {
			t.Errorf("%+v gave %+v", q, p)
		}
	}
}

// TestCopied: what a caller does with its slices afterwards changes nothing.
func TestCopied(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	x := samples()
	w := s.SaveCheckpoints(x.Checkpoints)
	x.Checkpoints[0].State[0], x.Checkpoints[0].Next[0].Position, x.Checkpoints[1].Pot = 'x', 1, "cedar"
	p := samples().Positions
	v := s.PutPositions(p)
	p[0].Stored = 1
	must(t, w, v)
	same(t, stored(t, s).Checkpoints, samples().Checkpoints)
	same(t, stored(t, s).Positions, samples().Positions)
}

// TestCycleRules holds the table of cycles to the rules that AddCycle states.
func TestCycleRules(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	plain := func(pot string, after time.Duration, late, incomplete bool, residual si.GaugePressure) Cycle {
		c := cycleOf(pot, after)
		c.Late, c.Incomplete, c.Vent.Residual = late, incomplete, residual
		return c
	}
	for name, c := range map[string]struct{ in, want []Cycle }{
		"a second is left out":           {[]Cycle{plain("a", 0, false, false, 1), plain("a", 0, false, false, 2)}, []Cycle{plain("a", 0, false, false, 1)}},
		"a late one, too":                {[]Cycle{plain("a", 0, false, false, 1), plain("a", 0, true, false, 2)}, []Cycle{plain("a", 0, false, false, 1)}},
		"late for incomplete":            {[]Cycle{plain("a", 0, false, true, 1), plain("a", 0, true, false, 2)}, []Cycle{plain("a", 0, true, false, 2)}},
		"whole for incomplete":           {[]Cycle{plain("a", 0, false, true, 1), plain("a", 0, false, false, 2)}, []Cycle{plain("a", 0, false, false, 2)}},
		"late, incomplete for the same":  {[]Cycle{plain("a", 0, false, true, 1), plain("a", 0, true, true, 2)}, []Cycle{plain("a", 0, true, true, 2)}},
		"incomplete for incomplete":      {[]Cycle{plain("a", 0, false, true, 1), plain("a", 0, false, true, 2)}, []Cycle{plain("a", 0, false, true, 1)}},
		"incomplete for whole":           {[]Cycle{plain("a", 0, true, false, 1), plain("a", 0, true, true, 2)}, []Cycle{plain("a", 0, true, false, 1)}},
		"another pot":                    {[]Cycle{plain("a", 0, false, true, 1), plain("b", 0, true, false, 2)}, []Cycle{plain("a", 0, false, true, 1), plain("b", 0, true, false, 2)}},
		"a press that moved":             {[]Cycle{plain("a", time.Second, false, true, 1), plain("a", 0, true, false, 2)}, []Cycle{plain("a", 0, true, false, 2)}},
		"a press that moved back":        {[]Cycle{plain("a", 0, false, true, 1), plain("a", time.Second, true, false, 2)}, []Cycle{plain("a", time.Second, true, false, 2)}},
		"a whole one within":             {[]Cycle{plain("a", time.Second, false, false, 1), plain("a", 0, true, false, 2)}, []Cycle{plain("a", 0, true, false, 2), plain("a", time.Second, false, false, 1)}},
		"one that was not late":          {[]Cycle{plain("a", time.Second, false, true, 1), plain("a", 0, false, false, 2)}, []Cycle{plain("a", 0, false, false, 2), plain("a", time.Second, false, true, 1)}},
		"the neighbours":                 {[]Cycle{plain("a", 0, false, true, 1), plain("a", 80*time.Second, false, true, 1), plain("a", 40*time.Second, true, false, 2)}, []Cycle{plain("a", 0, false, true, 1), plain("a", 40*time.Second, true, false, 2), plain("a", 80*time.Second, false, true, 1)}},
		"the same pot and press, merged": {[]Cycle{plain("a", 0, false, true, 1), plain("a", 0, true, false, 2), plain("a", 0, false, true, 3)}, []Cycle{plain("a", 0, true, false, 2)}},
	} {
		for _, apart := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, apart %v", name, apart), func(t *testing.T) {
				own := func(list []Cycle) (out []Cycle) {
					for _, x := range list {
						x.Pot += t.Name()
						out = append(out, x)
					}
					return out
				}
				var writes []*Write
				for _, x := range own(c.in) {
					w := s.AddCycle(x)
					if apart {
						must(t, w)
					}
					writes = append(writes, w)
				}
				must(t, writes...)
				same(t, slices.DeleteFunc(stored(t, s).Cycles, func(x Cycle) bool { return !strings.HasSuffix(x.Pot, t.Name()) }), own(c.want))
			})
		}
	}
}

// TestAlarmLife: an alarm ends once, with the first transition that says so.
func TestAlarmLife(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	id := NewID(begin)
	step := func(after si.Instant, event string, ends bool) Transition {
		return Transition{ID: NewID(begin + after), Alarm: id, At: begin + after, Event: event, Ends: ends}
	}
	raised, returned, again := step(0, "raised", false), step(5, "returned", true), step(9, "reset", true)
	must(t, s.AddAlarm(Alarm{ID: id, Pot: "alder", Kind: "over-pressure", Priority: "critical", Raised: begin, Transitions: []Transition{raised}}))
	open := got[[]Alarm](t)(s.OpenAlarms(t.Context()))
	if len(open) != 1 || !slices.Equal(open[0].Transitions, []Transition{raised}) {
		t.Errorf("open %+v", open)
	}
	must(t, s.AddTransition(returned), s.AddTransition(again), s.AddTransition(raised))
	if open := got[[]Alarm](t)(s.OpenAlarms(t.Context())); len(open) != 0 {
		t.Errorf("open after the end: %+v", open)
	}
	a := stored(t, s).Alarms
	if len(a) != 1 || a[0].Ended != begin+5 || !slices.Equal(a[0].Transitions, []Transition{raised, returned, again}) {
		t.Errorf("alarms %+v", a)
	}
}

// TestShiftGetsItsEnd: only shifts are replaced.
func TestShiftGetsItsEnd(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	x := samples()
	must(t, x.store(s)...)
	x.Shifts[1].To, x.Shifts[1].By = begin+50, "B. Person"
	r := x.Refills[0]
	r.Mass = 1
	must(t, s.PutShift(x.Shifts[1]), s.AddRefill(r))
	same(t, stored(t, s), x)
}

// TestPages: pages, put together, are the plain list, whatever their length, order and limits.
func TestPages(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	var plain []Cycle
	var refills []Refill
	var writes []*Write
	for i := range 120 {
		// Several at one instant, and pots in turn.
		c := cycleOf([]string{"a", "a-b", "b"}[i%3], time.Duration(i/5)*time.Second)
		if !slices.ContainsFunc(plain, func(x Cycle) bool { return x.Pot == c.Pot && x.Press == c.Press }) {
			plain = append(plain, c)
			writes = append(writes, s.AddCycle(c))
		}
		r := Refill{ID: NewID(begin), Pot: c.Pot, At: c.Press, Mass: si.Mass(i)}
		refills = append(refills, r)
		writes = append(writes, s.AddRefill(r))
	}
	must(t, writes...)
	rapid.Check(t, func(t *rapid.T) {
		q := Query{Pot: rapid.SampledFrom([]string{"", "a", "a-b", "b", "none"}).Draw(t, "pot"), OldestFirst: rapid.Bool().Draw(t, "oldest first"),
			Limit: rapid.SampledFrom([]int{0, 1, 2, 3, 7, 50, 119, 1000}).Draw(t, "limit")}
		edge := rapid.Custom(func(t *rapid.T) si.Instant {
			return begin + si.Instant(rapid.Int64Range(-2, 52).Draw(t, "half s")*500000)
		})
		if rapid.Bool().Draw(t, "from") {
			q.From = edge.Draw(t, "from at")
		}
		if rapid.Bool().Draw(t, "to") {
			q.To = edge.Draw(t, "to at")
		}
		paged(t, q, s.Cycles, plain, func(c Cycle) (string, si.Instant, string) { return c.Pot, c.Press, c.Pot })
		paged(t, q, s.Refills, refills, func(r Refill) (string, si.Instant, string) { return r.Pot, r.At, r.ID })
	})
}

func paged[T comparable](t *rapid.T, q Query, list func(context.Context, Query) (Page[T], error), plain []T, of func(T) (pot string, at si.Instant, key string)) {
	var want []T
	for _, x := range plain {
		pot, at, _ := of(x)
		if (q.Pot == "" || pot == q.Pot) && at >= q.From && (q.To == 0 || at < q.To) {
			want = append(want, x)
		}
	}
	slices.SortFunc(want, func(a, b T) int {
		_, atA, keyA := of(a)
		_, atB, keyB := of(b)
		n := cmp.Or(cmp.Compare(atA, atB), cmp.Compare(keyA, keyB))
		if !q.OldestFirst {
			n = -n
		}
		return n
	})
	limit := cmp.Or(q.Limit, usualPage)
	var out []T
	for pages := 0; ; pages++ {
		p, err := list(context.Background(), q)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, p.Items...)
		if p.Next == "" {
			break
		}
		if len(p.Items) != limit || pages > len(plain) {
			t.Fatalf("page %d has %d of %d, and another follows", pages, len(p.Items), limit)
		}
		q.After = p.Next
	}
	if !slices.Equal(out, want) {
		t.Fatalf("pages give %d records, not the %d of the plain list in order:\n%+v\n%+v", len(out), len(want), out, want)
	}
}

// TestLosses: however ranges come, each lost position is recorded once.
func TestLosses(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	journal := 0
	rapid.Check(t, func(t *rapid.T) {
		journal++
		agent := fmt.Sprint("quay-", journal)
		want := map[uint64]bool{}
		var writes []*Write
		for range rapid.IntRange(1, 8).Draw(t, "ranges") {
			from := rapid.Uint64Range(0, 30).Draw(t, "from")
			l := Loss{Agent: agent, Journal: "j", From: from, To: from + rapid.Uint64Range(1, 12).Draw(t, "length"), At: begin, Why: "x"}
			writes = append(writes, s.AddLosses([]Loss{l, l}))
			for p := l.From; p < l.To; p++ {
				want[p] = true
			}
		}
		for _, w := range writes {
			if err := w.Wait(context.Background()); err != nil {
				t.Fatal(err)
			}
		}
		found := map[uint64]bool{}
		for after := ""; ; {
			p, err := s.Losses(context.Background(), Query{Pot: agent, Limit: 2, After: after})
			if err != nil {
				t.Fatal(err)
			}
			for _, l := range p.Items {
				for at := l.From; at < l.To; at++ {
					if found[at] {
						t.Fatalf("position %d is recorded twice", at)
					}
					found[at] = true
				}
			}
			if after = p.Next; after == "" {
				break
			}
		}
		if !reflect.DeepEqual(found, want) {
			t.Fatalf("recorded %v, want %v", found, want)
		}
	})
}

// TestThinning: of checkpoints every 30 s, with breaks, those that the rule promises are there: at most 41 of a pot, and for
// any instant one that is near enough.
func TestThinning(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var at []si.Instant
		now := begin + si.Instant(rapid.Int64Range(0, 3600e6).Draw(t, "offset"))
		first := now
		steady := now // since when one came every 30 s
		for range rapid.IntRange(1, 6).Draw(t, "stretches") {
			for range rapid.IntRange(1, 2000).Draw(t, "saved") {
				at = append(at, now)
				gone := surplus(at)
				at = slices.DeleteFunc(at, func(x si.Instant) bool { return slices.Contains(gone, x) })
				if len(at) > 41 {
					t.Fatalf("%d are kept", len(at))
				}
				now += 30e6
			}
			newest := at[len(at)-1]
			if newest != now-30e6 {
				t.Fatal("the newest is not kept")
			}
			before := func(x si.Instant) time.Duration {
				i, found := slices.BinarySearch(at, x)
				if !found {
					i--
				}
				if i < 0 {
					return math.MaxInt64
				}
				return x.Sub(at[i])
			}
			for back := time.Duration(0); back <= 24*time.Hour; back += 7 * time.Minute {
				x := newest.Add(-back)
				far := 61 * time.Minute
				if back <= time.Hour-fineSlot {
					far = fineSlot + 30*time.Second
				}
				if x.Add(-far) >= steady && before(x) > far {
					t.Fatalf("for %v back the nearest is %v further back", back, before(x))
				}
				if x >= first && before(x) == math.MaxInt64 {
					t.Fatalf("for %v back there is none", back)
				}
			}
			if pause := time.Duration(rapid.Int64Range(0, 60*3600).Draw(t, "break s")) * time.Second; pause > 0 {
				now = now.Add(pause)
				steady = now
			}
		}
	})
}

// TestThinningRule holds what is kept of checkpoints every 30 s to the words of the rule.
func TestThinningRule(t *testing.T) {
	var saved, at []si.Instant
	for now := begin; now < begin.Add(60*time.Hour); now = now.Add(30 * time.Second) {
		saved, at = append(saved, now), append(at, now)
		gone := surplus(at)
		at = slices.DeleteFunc(at, func(x si.Instant) bool { return slices.Contains(gone, x) })
		if len(saved)%97 != 0 {
			continue
		}
		var want []si.Instant
		older := 0 // of want, those before the 26 hours
		for i, x := range saved {
			of := func(slot time.Duration) bool { // the oldest of the slot
				return i == 0 || x.Time().Truncate(slot) != saved[i-1].Time().Truncate(slot)
			}
			switch age := now.Sub(x); {
			case age == 0 || age <= time.Hour && of(5*time.Minute):
			case age > time.Hour && of(time.Hour):
				if age > 26*time.Hour {
					older++
				}
			default:
				continue
			}
			want = append(want, x)
		}
		want = want[max(0, older-1):]
		if !slices.Equal(at, want) {
			t.Fatalf("after %v are kept\n%v\nwant\n%v", now.Sub(begin), at, want)
		}
	}
}

// TestCheckpoints: the newest, one before an instant, those after a rewind; and a damaged one is passed over.
func TestCheckpoints(t *testing.T) {
	s, log := opened(t, t.TempDir())
	ctx := t.Context()
	of := func(after time.Duration) Checkpoint {
		return Checkpoint{Pot: "alder", At: begin.Add(after), Version: 3, State: binary.BigEndian.AppendUint64(nil, uint64(after)), Next: []JournalPosition{{"j", uint64(after)}}}
	}
	for after := time.Duration(0); after <= 30*time.Hour; after += 10 * time.Minute {
		must(t, s.SaveCheckpoints([]Checkpoint{of(after)}))
	}
	before := func(back time.Duration) (Checkpoint, bool) {
		t.Helper()
		c, ok, err := s.CheckpointBefore(ctx, "alder", begin.Add(30*time.Hour-back))
		if err != nil {
			t.Fatal(err)
		}
		return c, ok
	}
	for back, want := range map[time.Duration]time.Duration{0: 30 * time.Hour, 1: 29*time.Hour + 50*time.Minute, 24 * time.Hour: 6*time.Hour - 13*time.Minute - 20*time.Second} {
		c, ok := before(back)
		// Hours of the clock begin 13 min 20 s before those of the test, which begins at 14:13:20.
		if far := begin.Add(30 * time.Hour).Add(-back).Sub(c.At); !ok || far < 0 || far > 70*time.Minute || back <= 1 && c.At != begin.Add(want) {
			t.Errorf("%v back: %v, %s, %v before it", back, ok, c.At, far)
		}
	}
	if c, ok, err := s.CheckpointBefore(ctx, "alder", begin-1); ok || err != nil {
		t.Errorf("before all: %+v, %v", c, err)
	}
	if _, ok, err := s.CheckpointBefore(ctx, "birch", Always); ok || err != nil {
		t.Errorf("of another pot: %v", err)
	}
	same(t, got[[]Checkpoint](t)(s.NewestCheckpoints(ctx)), []Checkpoint{of(30 * time.Hour)})

	// Two that wait become one, and what comes behind them stays.
	a, b := s.DropCheckpoints("alder", begin.Add(29*time.Hour)), s.DropCheckpoints("alder", begin.Add(29*time.Hour+30*time.Minute))
	w := s.SaveCheckpoints([]Checkpoint{of(29*time.Hour + 5*time.Minute)})
	must(t, a, b, w)
	same(t, got[[]Checkpoint](t)(s.NewestCheckpoints(ctx)), []Checkpoint{of(29*time.Hour + 5*time.Minute)})

	if _, err := s.write.ExecContext(ctx, "UPDATE checkpoints SET state = $1 WHERE at_us = $2", []byte("8 bytes!"), int64(begin.Add(29*time.Hour+5*time.Minute))); err != nil {
		t.Fatal(err)
	}
	newest := got[[]Checkpoint](t)(s.NewestCheckpoints(ctx))
	if len(newest) != 1 || newest[0].At != begin.Add(29*time.Hour) || !strings.Contains(log.String(), "a checkpoint is passed over") {
		t.Errorf("with a damaged one: %+v\n%s", newest, log)
	}
	if _, err := s.write.ExecContext(ctx, "UPDATE checkpoints SET version = 4"); err != nil {
		t.Fatal(err)
	}
	if newest := got[[]Checkpoint](t)(s.NewestCheckpoints(ctx)); len(newest) != 0 {
		t.Errorf("with damaged ones alone: %+v", newest)
	}
}

// TestReaders: while others write, each reader sees whole transactions, and what it waited for.
func TestReaders(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	ctx := t.Context()
	const rounds, writers = 40, 3
	var group sync.WaitGroup
	for w := range writers {
		group.Go(func() {
			agent := fmt.Sprint("quay-", w)
			for n := uint64(1); n <= rounds; n++ {
				// Two journals of one batch always stand alike.
				if err := s.PutPositions([]Position{{agent, "a", n, 0, begin}, {agent, "b", n, 0, begin}}).Wait(ctx); err != nil {
					t.Error(err)
					return
				}
				p, err := s.Positions(ctx)
				i := slices.IndexFunc(p, func(p Position) bool { return p.Agent == agent })
				if err != nil || i < 0 || p[i].Stored != n {
					t.Errorf("own write %d is not seen: %+v, %v", n, p, err)
				}
			}
		})
	}
	done := make(chan struct{})
	var readers sync.WaitGroup
	for range 6 {
		readers.Go(func() {
			for {
				p, err := s.Positions(ctx)
				if err != nil {
					t.Error(err)
					return
				}
				for i := 0; i+1 < len(p); i += 2 {
					if p[i].Stored != p[i+1].Stored {
						t.Errorf("half a batch: %+v", p[i:i+2])
					}
				}
				select {
				case <-done:
					return
				default:
				}
			}
		})
	}
	group.Wait()
	close(done)
	readers.Wait()
}

// TestAllOrNothing: of a transaction that fails half way nothing is stored.
func TestAllOrNothing(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	c := cycleOf("alder", 0)
	err := s.commit([]*entry{
		{do: func(ctx context.Context, in session) error { return addCycle(ctx, in, c) }},
		{do: func(ctx context.Context, in session) error { return run(ctx, in, "INSERT INTO nowhere VALUES (1)") }},
	})
	if err == nil || !refuses(err) {
		t.Errorf("stored nowhere: %v", err)
	}
	same(t, stored(t, s), sample{})
}

// TestIDs: those of one millisecond are in the order in which they were made, and say when.
func TestIDs(t *testing.T) {
	last := ""
	for range 1000 {
		id := NewID(begin)
		if id <= last || !isID(id) || id[:10] != crockford(1790000000000) {
			t.Fatalf("%s after %s", id, last)
		}
		last = id
	}
}

// crockford is a ULID's first ten characters (github.com/ulid/spec): 48 bits of milliseconds, five bits each.
func crockford(ms uint64) string {
	const digits = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
	var b [10]byte
	for i := 9; i >= 0; i-- {
		b[i], ms = digits[ms%32], ms/32
	}
	return string(b[:])
}
