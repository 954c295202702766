package history

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// start is the time at which tests begin.
var start = si.InstantOf(time.Date(2026, 3, 1, 6, 0, 0, 123_456_000, time.UTC))

// clock is a time that tests set.
type clock struct{ at si.Instant }

func (c *clock) now() time.Time { return c.at.Time() }

func options(c *clock) Options {
	return Options{Site: "harrow-quay", Log: slog.New(slog.DiscardHandler), Block: 10 * time.Minute, MinFree: 1, Now: c.now}
}

func mustOpen(t testing.TB, dir string, o Options) *Store {
	t.Helper()
	s, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func mustAppend(t testing.TB, s *Store, want Result, batches ...Batch) Mark {
	t.Helper()
	got, err := s.Append(batches...)
	if err != nil {
		t.Fatal(err)
	}
	mark := got.Mark
	got.Mark = want.Mark
	if got != want {
		t.Fatalf("appended %+v, want %+v", got, want)
	}
	return mark
}

func all(t testing.TB, s *Store, q Query) []Record {
	t.Helper()
	var out []Record
	if err := s.Range(context.Background(), q, func(r Record) error { out = append(out, r); return nil }); err != nil {
		t.Fatal(err)
	}
	return out
}

func everything(pot string) Query {
	return Query{Pot: pot, Points: allPoints, From: start.Add(-365 * 24 * time.Hour), To: start.Add(365 * 24 * time.Hour)}
}

func good(p points.Point, at si.Instant, v si.GaugePressure) points.Sample {
	return points.Sample{Point: p, Quality: points.Good, At: at, Value: v}
}

// Every sample comes back as it was, to the microsecond and the bit, with its quality and its epoch.
func TestKept(t *testing.T) {
	c := &clock{start}
	dir := t.TempDir()
	s := mustOpen(t, dir, options(c))
	ms := func(n int) si.Instant { return start.Add(time.Duration(n) * time.Millisecond) }
	samples := []points.Sample{
		good(points.Vessel, ms(0), 689475.7293168361),
		good(points.Hose, ms(0), -12.000000000000002),
		{Point: points.Vessel, Quality: points.OutOfRange, At: ms(100), Value: 1e7},
		{Point: points.Vessel, Quality: points.NoReply, At: ms(200), Value: 77}, // means nothing
		good(points.Vessel, ms(300)+1, math.SmallestNonzeroFloat64),
		{Point: points.Control, Quality: points.Good, At: ms(300) + 2, Pressed: true},
		{Point: points.Control, Quality: points.Good, At: ms(400)},
		{Point: points.Control, Quality: points.NoReply, At: ms(500), Pressed: true},
	}
	mustAppend(t, s, Result{Stored: len(samples)}, Batch{Pot: "alder", Epoch: 7, Electric: true, Samples: samples})
	want := make([]Record, len(samples))
	for i, p := range samples {
		if p.Quality == points.NoReply {
			p.Value, p.Pressed = 0, false
		}
		want[i] = Record{p, 7, p.Point == points.Control}
	}
	if got := all(t, s, everything("alder")); !slices.Equal(got, want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
	if got := all(t, s, everything("birch")); len(got) != 0 {
		t.Errorf("another pot has %v", got)
	}
	if got := all(t, s, Query{"alder", points.SetOf(points.Hose), start, start + 1}); !slices.Equal(got, want[1:2]) {
		t.Errorf("hose: %v", got)
	}
	if got := all(t, s, Query{"alder", allPoints, ms(100), ms(300)}); !slices.Equal(got, want[2:4]) {
		t.Errorf("from is taken in and to is not: %v", got)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again := mustOpen(t, dir, options(c))
	if got := all(t, again, everything("alder")); !slices.Equal(got, want) {
		t.Errorf("opened again: %v", got)
	}
	if _, err := s.Append(Batch{Pot: "alder", Samples: samples}); !errors.Is(err, ErrClosed) {
		t.Errorf("closed store: %v", err)
	}
	if n := len(again.Damage()); n != 0 {
		t.Errorf("damage: %v", again.Damage())
	}
	other := options(c)
	other.Site = "other"
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
	if got := all(t, mustOpen(t, dir, other), everything("alder")); len(got) != 0 {
		t.Errorf("another site sees %v", got)
	}
}

// What is refused is counted, with the reason.
func TestRefused(t *testing.T) {
	c := &clock{start}
	o := options(c)
	o.Window = MinWindow
	s := mustOpen(t, t.TempDir(), o)
	at := func(d time.Duration) points.Sample { return good(points.Vessel, start.Add(d), 1) }
	batch := func(p ...points.Sample) Batch { return Batch{Pot: "alder", Epoch: 1, Samples: p} }
	mustAppend(t, s, Result{Stored: 2}, batch(at(-MinWindow), at(time.Hour)))
	mustAppend(t, s, Result{TooOld: 1, TooNew: 1}, batch(at(-MinWindow-time.Microsecond), at(time.Hour+time.Microsecond)))
	mustAppend(t, s, Result{Invalid: 7}, batch(at(math.MinInt64), good(points.Count, start, 1), good(points.Vessel, start, si.GaugePressure(math.NaN())),
		good(points.Vessel, start, si.GaugePressure(math.Inf(1))), points.Sample{Quality: points.Good + 1, At: start}, good(points.Vessel, 0, 1)),
		Batch{Samples: []points.Sample{at(0)}})
	// The very same is no second value; another value, or another quality, at that instant is counted and changes nothing.
	mustAppend(t, s, Result{Stored: 1, Repeated: 2, Conflicts: 3}, batch(at(-time.Minute), at(-time.Minute), at(-MinWindow), good(points.Vessel, start.Add(-MinWindow), 2),
		good(points.Vessel, start.Add(time.Hour), 3), points.Sample{Point: points.Vessel, Quality: points.OutOfRange, At: start.Add(-time.Minute), Value: 1}))
	// In another epoch it is another sample.
	mustAppend(t, s, Result{Stored: 1}, Batch{Pot: "alder", Epoch: 2, Samples: []points.Sample{good(points.Vessel, start.Add(-time.Minute), 9)}})
	v := func(d time.Duration, v si.GaugePressure, epoch uint64) Record {
		return Record{good(points.Vessel, start.Add(d), v), epoch, false}
	}
	want := []Record{v(-MinWindow, 1, 1), v(-time.Minute, 1, 1), v(-time.Minute, 9, 2), v(time.Hour, 1, 1)}
	if got := all(t, s, everything("alder")); !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
	st := s.Stats()
	if st.Stored != 4 || st.Repeated != 2 || st.Conflicts != 3 || st.TooOld != 1 || st.TooNew != 1 || st.Invalid != 7 || st.Fault != "" {
		t.Errorf("%+v", st)
	}
	// Beyond the retention, though within the window.
	o = options(c)
	o.Retention = time.Hour
	mustAppend(t, mustOpen(t, t.TempDir(), o), Result{Stored: 1, TooOld: 1}, batch(at(-time.Hour), at(-time.Hour-time.Microsecond)))
}

func TestQueryErrors(t *testing.T) {
	s := mustOpen(t, t.TempDir(), options(&clock{start}))
	ctx := context.Background()
	for _, c := range []struct {
		q    Query
		step time.Duration
		says string
	}{
		{Query{"", allPoints, start, start + 1}, time.Second, "no pot"},
		{Query{"alder", 1 << 6, start, start + 1}, time.Second, "unknown points"},
		{Query{"alder", allPoints, start + 1, start}, time.Second, "swap"},
		{Query{"alder", allPoints, math.MinInt64, math.MaxInt64}, time.Hour, "1970"},
		{Query{"alder", allPoints, start, start.Add(time.Hour)}, 0, "too small"},
		{Query{"alder", allPoints, start, start.Add(11_001 * time.Second)}, time.Second, "11000"},
	} {
		_, _, err := s.Downsampled(ctx, c.q, c.step)
		if !errors.Is(err, ErrQuery) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v, %v: %v", c.q, c.step, err)
		}
		if c.step != time.Second || c.says == "11000" {
			continue
		}
		if err := s.Range(ctx, c.q, func(Record) error { return nil }); !errors.Is(err, ErrQuery) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("range %+v: %v", c.q, err)
		}
	}
	if _, _, err := s.Downsampled(ctx, Query{"alder", allPoints, start, start.Add(11_000 * time.Second)}, time.Second); err != nil {
		t.Error(err)
	}
}

func TestOptions(t *testing.T) {
	ok := options(&clock{start})
	for _, c := range []struct {
		spoil func(*Options)
		says  string
	}{
		{func(o *Options) { o.Site = "" }, "needed"},
		{func(o *Options) { o.Log = nil }, "needed"},
		{func(o *Options) { o.Window = MinWindow - 1 }, "48h"},
		{func(o *Options) { o.Retention = time.Second }, "shorter"},
		{func(o *Options) { o.Block = time.Second }, "1 min"},
	} {
		o := ok
		c.spoil(&o)
		if _, err := Open(t.TempDir(), o); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v", c.says, err)
		}
	}
	dir := t.TempDir()
	mustOpen(t, dir, ok)
	if _, err := Open(dir, ok); err == nil || !strings.Contains(err.Error(), "another server") {
		t.Errorf("second store: %v", err)
	}
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(file, ok); err == nil {
		t.Error("a file is taken for a directory")
	}
}

// A model keeps samples in the plainest way.
type model struct {
	there map[trackKey]map[si.Instant]reading
}

func (m *model) append(b Batch, now si.Instant, o Options) (r Result) {
	for i := range b.Samples {
		p := &b.Samples[i]
		if p.At < now.Add(-o.Window) {
			r.TooOld++
			continue
		}
		if p.At > now.Add(o.Ahead) {
			r.TooNew++
			continue
		}
		k := trackKey{b.Pot, b.Epoch, p.Point, b.Electric && p.Point == points.Control}
		if m.there[k] == nil {
			m.there[k] = map[si.Instant]reading{}
		}
		was, any := m.there[k][p.At]
		is := readingOf(p, b.Electric)
		switch {
		case !any:
			m.there[k][p.At] = is
			r.Stored++
		case was == is:
			r.Repeated++
		default:
			r.Conflicts++
		}
	}
	return r
}

func (m *model) read(q Query) (out []Record) {
	for k, track := range m.there {
		if k.pot != q.Pot || !q.Points.Has(k.point) {
			continue
		}
		for at, r := range track {
			if at >= q.From && at < q.To {
				out = append(out, Record{sampleOf(&k, at, r), k.epoch, k.electric})
			}
		}
	}
	slices.SortFunc(out, compareRecords)
	return out
}

func compareRecords(a, b Record) int {
	e := func(r Record) int {
		if r.Electric {
			return 1
		}
		return 0
	}
	return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Epoch, b.Epoch), cmp.Compare(a.Point, b.Point), cmp.Compare(e(a), e(b)))
}

// drawBatch makes a batch of few numbers, so that a failure can be read.
func drawBatch(t *rapid.T, now si.Instant, pots []string) Batch {
	b := Batch{Pot: rapid.SampledFrom(pots).Draw(t, "pot"), Epoch: rapid.Uint64Range(1, 3).Draw(t, "epoch"), Electric: rapid.Bool().Draw(t, "electric")}
	from := now
	switch rapid.IntRange(0, 4).Draw(t, "when") {
	case 0:
		from = now.Add(-time.Duration(rapid.Int64Range(0, int64(200*time.Hour)).Draw(t, "late")))
	case 1:
		from = now.Add(-time.Duration(rapid.Int64Range(0, int64(5*time.Minute)).Draw(t, "just late")))
	case 2:
		from = now.Add(time.Duration(rapid.Int64Range(0, int64(2*time.Hour)).Draw(t, "ahead")))
	}
	from = from / 1_000_000 * 1_000_000 // a grid makes the same instants likely
	step := rapid.SampledFrom([]si.Instant{1, 1000, 100_000, 10_000_000}).Draw(t, "step")
	seed := rapid.Uint64().Draw(t, "values")
	set := rapid.IntRange(1, points.Count).Draw(t, "points")
	for i := range rapid.IntRange(1, 300).Draw(t, "samples") {
		seed = seed*6364136223846793005 + 1442695040888963407
		p := points.Sample{Point: points.Point((i + int(seed>>60)) % set), Quality: points.Good, At: from + step*si.Instant(i/set), Value: si.GaugePressure(seed >> 62)}
		switch seed >> 56 & 15 {
		case 0:
			p.Quality = points.NoReply
		case 1:
			p.Quality = points.OutOfRange
		}
		p.Pressed = seed>>40&1 == 1
		b.Samples = append(b.Samples, p)
	}
	if rapid.IntRange(0, 3).Draw(t, "shuffled") == 0 {
		rand.New(rand.NewPCG(seed, 0)).Shuffle(len(b.Samples), func(i, j int) { b.Samples[i], b.Samples[j] = b.Samples[j], b.Samples[i] })
	}
	return b
}

// Whatever comes in whatever order, with restarts and blocks written in between: all of it is there once, as it was, and
// what was not taken is counted.
func TestAgainstModel(t *testing.T) {
	// Each run opens stores and writes blocks, which takes a second or two.
	if n := flag.Lookup("rapid.checks"); n.Value.String() == n.DefValue {
		if err := n.Value.Set("10"); err != nil {
			t.Fatal(err)
		}
		defer func() { _ = n.Value.Set(n.DefValue) }()
	}
	root := t.TempDir()
	n := 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		dir := filepath.Join(root, fmt.Sprint(n))
		defer os.RemoveAll(dir)
		c := &clock{start}
		o, err := options(c).withDefaults()
		if err != nil {
			t.Fatal(err)
		}
		s, err := Open(dir, o)
		if err != nil {
			t.Fatal(err)
		}
		defer func() { s.Close() }()
		m := &model{there: map[trackKey]map[si.Instant]reading{}}
		pots := []string{"alder", "birch"}
		check := func(q Query) {
			want := m.read(q)
			var got []Record
			if err := s.Range(context.Background(), q, func(r Record) error { got = append(got, r); return nil }); err != nil {
				t.Fatal(err)
			}
			slices.SortStableFunc(got, compareRecords) // of electric and pressure at one instant the order is not said
			if !slices.Equal(got, want) {
				t.Fatalf("%+v: %d records, want %d", q, len(got), len(want))
			}
		}
		var sent []Batch
		t.Repeat(map[string]func(*rapid.T){
			"append": func(t *rapid.T) {
				var bs []Batch
				for range rapid.IntRange(1, 3).Draw(t, "batches") {
					bs = append(bs, drawBatch(t, c.at, pots))
				}
				if len(sent) > 0 && rapid.Bool().Draw(t, "again") {
					bs = append(bs, sent[rapid.IntRange(0, len(sent)-1).Draw(t, "which")])
				}
				sent = append(sent, bs...)
				var want Result
				for _, b := range bs {
					r := m.append(b, c.at, o)
					want.Stored += r.Stored
					want.Repeated += r.Repeated
					want.Conflicts += r.Conflicts
					want.TooOld += r.TooOld
					want.TooNew += r.TooNew
				}
				got, err := s.Append(bs...)
				if err != nil {
					t.Fatal(err)
				}
				want.Mark = got.Mark
				// Which of two values for one new instant in one call comes first is not said where they are late: the sum is.
				if got != want {
					t.Fatalf("appended %+v, want %+v", got, want)
				}
			},
			"time passes": func(t *rapid.T) {
				c.at = c.at.Add(time.Duration(rapid.Int64Range(0, int64(2*time.Hour)).Draw(t, "for")))
			},
			"upkeep": func(*rapid.T) { s.upkeep(context.Background()) },
			"opened anew": func(t *rapid.T) {
				s.mu.Lock()
				s.suspect = rapid.Bool().Draw(t, "suspect")
				s.mu.Unlock()
				if err := s.reopen(); err != nil {
					t.Fatal(err)
				}
			},
			"sync": func(t *rapid.T) {
				if err := s.Sync(); err != nil {
					t.Fatal(err)
				}
			},
			"restart": func(t *rapid.T) {
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				var err error
				if s, err = Open(dir, o); err != nil {
					t.Fatal(err)
				}
				if d := s.Damage(); len(d) > 0 {
					t.Fatal(d)
				}
			},
			"part": func(t *rapid.T) {
				from := start.Add(time.Duration(rapid.Int64Range(-int64(200*time.Hour), int64(4*time.Hour)).Draw(t, "from")))
				check(Query{"alder", points.Set(rapid.Uint8Range(1, 63).Draw(t, "points")), from, from.Add(time.Duration(rapid.Int64Range(0, int64(100*time.Hour)).Draw(t, "span")))})
			},
		})
		for _, p := range pots {
			check(everything(p))
		}
		if st := s.Stats(); st.Fault != "" || st.UpkeepFailed != 0 || st.Unchecked != 0 {
			t.Fatalf("%+v", st)
		}
	})
}
