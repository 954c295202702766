package records

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/si"
)

var (
	errDisk = errors.New("no room")
	errOdd  = errors.New("odd record")
)

// A shelf is what a queue stores into: names of entries, which stand in for what they do.
type shelf struct {
	mu     sync.Mutex
	names  map[*entry]string
	stored []string
	tries  []time.Time
	broken bool            // every commit fails
	room   int             // commits until it is broken; 0: no limit
	odd    map[string]bool // names that are refused
}

func (s *shelf) set(do func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	do()
}

func (s *shelf) commit(batch []*entry) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tries = append(s.tries, time.Now())
	if s.broken {
		return errDisk
	}
	var names []string
	for _, e := range batch {
		if s.odd[s.names[e]] {
			return errOdd
		}
		names = append(names, s.names[e])
	}
	if s.room > 0 {
		s.room--
		s.broken = s.room == 0
	}
	s.stored = append(s.stored, names...)
	return nil
}

// look gives the names of what is stored, and the instants of the tries.
func (s *shelf) look() (stored []string, tries []time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.stored), slices.Clone(s.tries)
}

// entry is one of a name; key "" is not replaced.
func (s *shelf) entry(k kind, key, name string) *entry {
	e := &entry{kind: k, key: key}
	s.set(func() { s.names[e] = name })
	return e
}

func newQueue(log *bytes.Buffer) (*queue, *shelf) {
	s := &shelf{names: map[*entry]string{}, odd: map[string]bool{}}
	return &queue{commit: s.commit, refuses: func(err error) bool { return err == errOdd },
		explain: func(err error) error { return fmt.Errorf("%w: %w", ErrFull, err) },
		words:   func(error) string { return "free room" }, log: slog.New(slog.NewTextHandler(log, nil)), inOne: mostInOne}, s
}

// TestGather: writes wait a second for others, and none where somebody waits.
func TestGather(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, s := newQueue(new(bytes.Buffer))
		q.start()
		begin := time.Now()
		q.add(s.entry(ofCycle, "", "a"))
		time.Sleep(600 * time.Millisecond)
		q.add(s.entry(ofCycle, "", "b"))
		time.Sleep(399 * time.Millisecond)
		synctest.Wait()
		if _, tries := s.look(); len(tries) != 0 {
			t.Errorf("stored after %v", time.Since(begin))
		}
		time.Sleep(time.Millisecond)
		synctest.Wait()
		if stored, tries := s.look(); len(tries) != 1 || !slices.Equal(stored, []string{"a", "b"}) {
			t.Errorf("after a second %d transactions stored %v", len(tries), stored)
		}
		begin = time.Now()
		if err := q.add(s.entry(ofPeople, "", "c")).Wait(t.Context()); err != nil || time.Since(begin) != 0 {
			t.Errorf("waited for: %v after %v", err, time.Since(begin))
		}
		q.add(s.entry(ofAlarm, "", "e")).Hurry()
		synctest.Wait()
		if stored, _ := s.look(); !slices.Equal(stored, []string{"a", "b", "c", "e"}) || time.Since(begin) != 0 {
			t.Errorf("hurried: %v stored after %v", stored, time.Since(begin))
		}
		if err := q.close(); err != nil {
			t.Error(err)
		}
		if err := q.add(s.entry(ofCycle, "", "d")).Wait(t.Context()); !errors.Is(err, ErrDropped) || !errors.Is(err, ErrClosed) {
			t.Errorf("after the end: %v", err)
		}
	})
}

// TestFault: while the disk is full writers are told at once, tries come further and further apart, and all is stored in
// order once there is room.
func TestFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		q, s := newQueue(&log)
		q.start()
		s.set(func() { s.broken = true })
		begin := time.Now()
		first := q.add(s.entry(ofCycle, "", "a"))
		if err := first.Wait(t.Context()); !errors.Is(err, ErrWaiting) || !errors.Is(err, ErrFull) || !errors.Is(err, errDisk) {
			t.Errorf("first try: %v", err)
		}
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		var after []time.Duration
		_, tries := s.look()
		for _, at := range tries {
			after = append(after, at.Sub(begin).Round(time.Second))
		}
		want := []time.Duration{0, 1, 3, 7, 15, 31, 63, 123, 183, 243, 303, 363, 423, 483, 543}
		for i := range want {
			want[i] *= time.Second
		}
		if !slices.Equal(after, want) {
			t.Errorf("tries after %v, want %v", after, want)
		}
		// Whoever comes now is told at once, and brings the next try forward, but no nearer than a second to the last.
		now := time.Now()
		second := q.add(s.entry(ofPeople, "", "b"))
		if err := second.Wait(t.Context()); !errors.Is(err, ErrWaiting) || time.Since(now) != 0 {
			t.Errorf("in a fault: %v after %v", err, time.Since(now))
		}
		synctest.Wait()
		time.Sleep(time.Millisecond)
		if _, tries := s.look(); len(tries) != len(want)+1 {
			t.Errorf("%d more tries, want 1", len(tries)-len(want))
		}
		now = time.Now()
		third := q.add(s.entry(ofPeople, "", "c"))
		if err := third.Wait(t.Context()); !errors.Is(err, ErrWaiting) || time.Since(now) != 0 {
			t.Errorf("behind a try: %v after %v", err, time.Since(now))
		}
		f, ok := q.Fault()
		if !ok || !f.Since.Equal(begin) || !errors.Is(f.Err, ErrFull) || f.Waits != 3 || f.Losing || f.Words != "free room; writes that wait: 3" {
			t.Errorf("fault %+v, %v", f, ok)
		}
		s.set(func() { s.broken = false })
		time.Sleep(time.Minute)
		synctest.Wait()
		if err := errors.Join(first.Wait(t.Context()), second.Wait(t.Context()), third.Wait(t.Context())); err != nil {
			t.Error(err)
		}
		if stored, _ := s.look(); !slices.Equal(stored, []string{"a", "b", "c"}) {
			t.Errorf("stored %v", stored)
		}
		if f, ok := q.Fault(); ok {
			t.Errorf("fault %+v with nothing wrong", f)
		}
		if c := q.Counts(); c.Stored != 3 || c.Waiting != 0 || c.Failed < uint64(len(want)+1) {
			t.Errorf("counts %+v", c)
		}
		if n := strings.Count(log.String(), "\n"); n != 2 || !strings.Contains(log.String(), "free room") || !strings.Contains(log.String(), "stored again\" after=10m1s") {
			t.Errorf("log:\n%s", log.String())
		}
		if err := q.close(); err != nil {
			t.Error(err)
		}
	})
}

// TestFull: a kind that has no place left is dropped, counted and told; others are not in its way, and what waits stays.
func TestFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		q, s := newQueue(&log)
		q.start()
		s.set(func() { s.broken = true })
		var want []string
		for i := range mostOfKind {
			want = append(want, fmt.Sprint(i))
			q.add(s.entry(ofCycle, "", fmt.Sprint(i)))
		}
		for range 3 {
			if err := q.add(s.entry(ofCycle, "", "lost")).Wait(t.Context()); !errors.Is(err, ErrDropped) {
				t.Fatalf("one too many: %v", err)
			}
		}
		// As many alarms as cycles, and one more: an outage of a large site makes thousands at once.
		for i := range mostOfKind {
			want = append(want, fmt.Sprint("alarm ", i))
			q.add(s.entry(ofAlarm, "", fmt.Sprint("alarm ", i)))
		}
		q.add(s.entry(ofAlarm, "", "alarm"))
		time.Sleep(3 * time.Second)
		synctest.Wait()
		// A fault that is told after a first loss tells of the losses since.
		q.add(s.entry(ofCycle, "", "lost"))
		f, ok := q.Fault()
		if !ok || !f.Losing || f.Waits != 2*mostOfKind+1 || !strings.HasSuffix(f.Words, "lost: 1") {
			t.Errorf("fault %+v, %v", f, ok)
		}
		if c := q.Counts(); c.Dropped != 4 || c.Waiting != 2*mostOfKind+1 {
			t.Errorf("counts %+v", c)
		}
		if n := strings.Count(log.String(), "records are lost"); n != 1 {
			t.Errorf("told %d times", n)
		}
		s.set(func() { s.broken = false })
		if err := q.close(); err != nil {
			t.Error(err)
		}
		if stored, _ := s.look(); !slices.Equal(stored, append(want, "alarm")) {
			t.Errorf("%d stored, not what waited in order", len(stored))
		}
		if c := q.Counts(); c.Dropped != 4 || c.Waiting != 0 || c.Stored != 2*mostOfKind+1 {
			t.Errorf("counts %+v", c)
		}
	})
}

// TestEndInFault: what cannot be stored at the end is told, and the end comes.
func TestEndInFault(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		q, s := newQueue(new(bytes.Buffer))
		q.start()
		s.set(func() { s.broken = true })
		w := q.add(s.entry(ofCycle, "", "a"), s.entry(ofPosition, "k", "b"))
		begin := time.Now()
		err := q.close()
		if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "2 writes were lost at the end") || time.Since(begin) > closeWithin+firstRetry {
			t.Errorf("end after %v: %v", time.Since(begin), err)
		}
		if err := w.Wait(t.Context()); !errors.Is(err, ErrDropped) {
			t.Errorf("write after the end: %v", err)
		}
		if c := q.Counts(); c.Dropped != 2 || c.Waiting != 0 {
			t.Errorf("counts %+v", c)
		}
	})
}

// TestRefused: a record that can never be stored does not hold up those around it.
func TestRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		q, s := newQueue(&log)
		q.start()
		s.set(func() { s.odd["b"] = true })
		a, b, c := q.add(s.entry(ofCycle, "", "a")), q.add(s.entry(ofAlarm, "", "b")), q.add(s.entry(ofCycle, "", "c"))
		if err := c.Wait(t.Context()); err != nil {
			t.Error(err)
		}
		if err := errors.Join(a.Wait(t.Context())); err != nil {
			t.Error(err)
		}
		if err := b.Wait(t.Context()); !errors.Is(err, ErrRefused) || !errors.Is(err, errOdd) {
			t.Errorf("refused: %v", err)
		}
		if stored, _ := s.look(); !slices.Equal(stored, []string{"a", "c"}) || q.Counts() != (Counts{Stored: 2, Refused: 1}) {
			t.Errorf("stored %v, counts %+v", stored, q.Counts())
		}
		if !strings.Contains(log.String(), "a record was refused") {
			t.Errorf("log:\n%s", log.String())
		}
		if err := q.close(); err != nil {
			t.Error(err)
		}
	})
}

// TestQueueModel holds the queue, without its goroutine, to a plain list: what is not replaced is stored once and in order, of
// a key the newest is stored last, and every write is counted once.
func TestQueueModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q, s := newQueue(new(bytes.Buffer))
		q.init()
		q.inOne = 3
		type handed struct {
			name, key string
			w         *Write
		}
		var all []handed
		// While a commit is under way others hand in.
		during := 0
		hand := func(t *rapid.T) {
			key := rapid.SampledFrom([]string{"", "", "k", "l", "m"}).Draw(t, "key")
			k := kind(rapid.IntRange(0, int(kinds)-1).Draw(t, "kind"))
			if key != "" {
				k = ofPosition
			}
			name := fmt.Sprint(len(all), key)
			all = append(all, handed{name, key, q.add(s.entry(k, key, name))})
			if rapid.IntRange(0, 9).Draw(t, "odd") == 0 {
				s.odd[name] = true
			}
		}
		q.commit = func(batch []*entry) error {
			for ; during > 0; during-- {
				hand(t)
			}
			return s.commit(batch)
		}
		t.Repeat(map[string]func(*rapid.T){
			"hand in": hand,
			"work":    func(*rapid.T) { q.work() },
			"work while others hand in": func(t *rapid.T) {
				during = rapid.IntRange(1, 3).Draw(t, "others")
				q.work()
				during = 0
			},
			"disk": func(t *rapid.T) {
				s.broken, s.room = rapid.Bool().Draw(t, "broken"), rapid.IntRange(0, 4).Draw(t, "room")
			},
			"": func(t *rapid.T) {
				c := q.Counts()
				if sum := c.Stored + c.Replaced + c.Refused + c.Dropped + uint64(c.Waiting); sum != uint64(len(all)) || c.Dropped > 0 {
					t.Fatalf("%d handed in, counts %+v", len(all), c)
				}
				waits := map[string]int{}
				for _, e := range q.waiting {
					if e != nil && e.key != "" {
						if waits[e.key]++; waits[e.key] > 1 {
							t.Fatalf("more than one of %s waits", e.key)
						}
					}
				}
			},
		})
		s.broken, s.room = false, 0
		q.work()
		newest := map[string]string{}
		var want, plain []string
		for _, h := range all {
			if h.key != "" {
				newest[h.key] = h.name
			} else if !s.odd[h.name] {
				want = append(want, h.name)
			}
		}
		last := map[string]string{}
		for _, name := range s.stored {
			if key := strings.TrimLeft(name, "0123456789"); key != "" {
				last[key] = name
			} else {
				plain = append(plain, name)
			}
		}
		if !slices.Equal(plain, want) {
			t.Fatalf("stored %v, want %v", plain, want)
		}
		for key, name := range newest {
			if !s.odd[name] && last[key] != name {
				t.Fatalf("of %s stored last %s, want %s", key, last[key], name)
			}
		}
		// Nothing is stored before what was handed in earlier, but for what a newer one has replaced.
		at := map[string]int{}
		for i, h := range all {
			at[h.name] = i
		}
		if !slices.IsSortedFunc(s.stored, func(a, b string) int { return at[a] - at[b] }) {
			t.Fatalf("stored out of order: %v", s.stored)
		}
		ctx, cancel := context.WithCancel(context.Background())
		cancel()
		for _, h := range all {
			if err := h.w.Wait(ctx); err != nil && !errors.Is(err, ErrRefused) || h.key == "" && s.odd[h.name] != (err != nil) {
				t.Fatalf("%s: %v", h.name, err)
			}
		}
	})
}

// TestPeopleTakeNoPlaceOfAlarms: while the disk is away people may write as much as they like: what becomes of alarms by themselves is lost over
// none of it.
func TestPeopleTakeNoPlaceOfAlarms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &SQLite{}
		var log bytes.Buffer
		s.queue = queue{commit: func([]*entry) error { return errDisk }, refuses: func(error) bool { return false }, explain: func(err error) error { return err },
			words: func(error) string { return "free room" }, log: slog.New(slog.NewTextHandler(&log, nil)), inOne: mostInOne}
		s.start()
		at := si.Instant(1)
		step := func(by, event string) *Write {
			at++
			return s.AddTransition(Transition{ID: NewID(at), Alarm: NewID(1), At: at, Event: event, By: by})
		}
		step("", "raised")
		for range mostOfKind + 10 {
			step("Ada", "commented")
		}
		before := s.Counts().Dropped
		for _, event := range []string{"returned", "raised", "suppressed"} {
			if err := step("", event).Wait(t.Context()); errors.Is(err, ErrDropped) {
				t.Errorf("%s: %v", event, err)
			}
		}
		if c := s.Counts(); before != 10 || c.Dropped != before || c.Waiting != mostOfKind+4 {
			t.Errorf("counts %+v, %d dropped before", c, before)
		}
		_ = s.queue.close() // it says that all of it is lost
	})
}

// TestKeysOfALargeSite: while the disk is away, a position of each of ten thousand journals waits, and the newest counts; the bound
// holds.
func TestKeysOfALargeSite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		q, s := newQueue(&log)
		q.start()
		s.set(func() { s.broken = true })
		for _, round := range []string{"old", "new"} {
			for i := range 10_000 {
				q.add(s.entry(ofPosition, fmt.Sprint(i), round+fmt.Sprint(i)))
			}
		}
		if c := q.Counts(); c.Dropped != 0 || c.Waiting != 10_000 {
			t.Errorf("counts %+v", c)
		}
		for i := 10_000; i < mostOfKeys; i++ {
			q.add(s.entry(ofPosition, fmt.Sprint(i), "new"+fmt.Sprint(i)))
		}
		if err := q.add(s.entry(ofPosition, "more", "more")).Wait(t.Context()); !errors.Is(err, ErrDropped) {
			t.Errorf("one too many: %v", err)
		}
		s.set(func() { s.broken = false })
		if err := q.close(); err != nil {
			t.Error(err)
		}
		stored, _ := s.look()
		if c := q.Counts(); c.Dropped != 1 || len(stored) != mostOfKeys || slices.ContainsFunc(stored, func(x string) bool { return !strings.HasPrefix(x, "new") }) {
			t.Errorf("%d stored, counts %+v", len(stored), c)
		}
	})
}
