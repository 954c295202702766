package ledger

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestRanges holds the ranges against a plain set of numbers.
func TestRanges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s ranges
		var want [64]bool
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			from := rapid.Uint64Range(0, 63).Draw(t, "from")
			r := Range{from, from + rapid.Uint64Range(0, 64-from).Draw(t, "n")}
			on := rapid.Bool().Draw(t, "add")
			if on {
				s.add(r)
			} else {
				s.remove(r)
			}
			for p := r.From; p < r.To; p++ {
				want[p] = on
			}
			checkRanges(t, s, want[:])
		}
	})
}

func checkRanges(t *rapid.T, s ranges, want []bool) {
	t.Helper()
	got := make([]bool, len(want))
	for i, r := range s {
		if r.Empty() || i > 0 && s[i-1].To >= r.From {
			t.Fatalf("ranges %v overlap, touch or are empty", s)
		}
		for p := r.From; p < r.To; p++ {
			got[p] = true
		}
	}
	if !slices.Equal(got, want) {
		t.Fatalf("ranges %v, want %v", s, want)
	}
	a := rapid.Uint64Range(0, 63).Draw(t, "look")
	reach := a
	for int(reach) < len(want) && want[reach] {
		reach++
	}
	if r := s.reach(a); r != reach {
		t.Fatalf("%v reaches %d from %d, want %d", s, r, a, reach)
	}
	seen := slices.Clone(want)
	for p := uint64(0); p < a; p++ {
		seen[p] = true
	}
	s.missing(Range{a, 64}, func(r Range) bool {
		for p := r.From; p < r.To; p++ {
			if seen[p] {
				t.Fatalf("%d is missing in %v twice or though it is there", p, s)
			}
			seen[p] = true
		}
		return true
	})
	if slices.Contains(seen, false) {
		t.Fatalf("%v does not miss all that is missing", s)
	}
}

// An agent answers requests from a journal with holes; the link drops messages, repeats them, and brings them out of order.
// Whatever it does: safe never passes a record that neither is on the disk nor is a hole of the journal; no record is asked for that
// is there; and once the link holds, everything is there.
func TestEverythingComes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const end = 1_500
		start := rapid.Uint64Range(0, 100).Draw(t, "safe")
		l := New("j", start)
		l.Ends(end)
		held := func(p uint64) bool { return p%500 >= 40 && (p < 500 || p >= 900) }
		kept, disk, lost := make([]bool, end), make([]bool, end), make([]bool, end)
		now := time.Unix(1000, 0)
		var waiting, flight []Range
		asks := 0
		for step := 0; step < 2000 && l.Safe() < end; step++ {
			now = now.Add(time.Duration(rapid.IntRange(1, 400).Draw(t, "ms")) * time.Millisecond)
			bad := step < 120
			ask, r := l.Ask(now)
			switch ask {
			case Sync:
				for _, r := range waiting {
					if bad && rapid.IntRange(0, 9).Draw(t, "disk fault") == 0 {
						l.Gone(r)
						for p := r.From; p < r.To; p++ {
							kept[p] = false
						}
						continue
					}
					for p := r.From; p < r.To; p++ {
						disk[p] = true
					}
					l.OnDisk(r)
				}
				waiting = nil
			case Records:
				asks++
				if r.From != l.Safe() || r.Len() > mostWindow || kept[r.From] {
					t.Fatalf("asked for %v with all before %d safe", r, l.Safe())
				}
				for p := r.From; p < r.To; {
					q := p
					for q < r.To && q < p+512 && held(q) == held(p) {
						q++
					}
					flight = append(flight, Range{p, q})
					p = q
				}
			}
			for n := rapid.IntRange(0, 60).Draw(t, "messages"); n > 0 && len(flight) > 0; n-- {
				i := 0
				if bad {
					i = rapid.IntRange(0, min(3, len(flight)-1)).Draw(t, "which")
				}
				m := flight[i]
				flight = slices.Delete(flight, i, i+1)
				switch rapid.IntRange(0, 9).Draw(t, "fate") {
				case 0:
					if bad {
						continue
					}
				case 1:
					flight = append(flight, m)
				}
				if !held(m.From) {
					for _, x := range l.NotHeld(m, now) {
						for p := x.From; p < x.To; p++ {
							if kept[p] || lost[p] {
								t.Fatalf("%d is lost twice or though it is there", p)
							}
							lost[p] = true
						}
					}
					continue
				}
				if l.Arrived(m, now) {
					waiting = append(waiting, m)
					for p := m.From; p < m.To; p++ {
						kept[p] = true
					}
				}
			}
			for p := start; p < l.Safe(); p++ {
				if !(disk[p] || lost[p] && !held(p)) {
					t.Fatalf("safe is %d, and %d is neither on the disk nor lost", l.Safe(), p)
				}
			}
		}
		// What arrived last is brought to the disk by the clock, not by a hole.
		for _, r := range waiting {
			l.OnDisk(r)
		}
		if l.Safe() != end || len(l.Missing(1)) != 0 {
			t.Fatalf("safe up to %d of %d after %d requests; missing %v", l.Safe(), end, asks, l.Missing(5))
		}
	})
}

// TestLive: of a journal that is heard without a hole nothing is asked for; a hole is asked for after a second, and the agent
// is told every half minute what it may forget.
func TestLive(t *testing.T) {
	l := New("j", 0)
	now := time.Unix(1000, 0)
	told, asked := 0, 0
	for i := range uint64(1200) { // 10 min of a message every 500 ms
		now = now.Add(500 * time.Millisecond)
		r := Range{i * 30, i*30 + 30}
		if i == 600 {
			continue
		}
		l.Arrived(r, now)
		if i != 601 {
			l.OnDisk(r)
		}
		switch ask, r := l.Ask(now); ask {
		case Forget:
			told++
		case Records:
			asked++
			if want := (Range{18000, 18030}); r != want {
				t.Fatalf("asked for %v, want %v", r, want)
			}
			if since := i - 600; since < 1 || since > 3 {
				t.Errorf("asked %d messages after the hole", since)
			}
			l.Arrived(r, now)
			l.OnDisk(Range{18000, 18060})
		case Sync:
			t.Error("all is on the disk")
		}
	}
	if told < 19 || told > 21 || asked != 1 {
		t.Errorf("told %d times in 10 min, asked %d times", told, asked)
	}
}

// TestPatience: an agent that does not answer is not asked more than once a minute in the end.
func TestPatience(t *testing.T) {
	l := New("j", 0)
	l.Ends(100)
	asked := 0
	for i := range 4 * 60 * 60 {
		if ask, _ := l.Ask(time.Unix(1000, 0).Add(time.Duration(i) * 250 * time.Millisecond)); ask == Records {
			asked++
		}
	}
	if asked < 55 || asked > 70 {
		t.Errorf("asked %d times in an hour", asked)
	}
}

// TestBounded: whatever arrives, the memory stays within bounds, and what was not noted is asked for.
func TestBounded(t *testing.T) {
	l := New("j", 0)
	now := time.Unix(1000, 0)
	for i := range uint64(3 * maxRanges) {
		l.Arrived(Range{2*i + 1, 2*i + 2}, now)
	}
	if len(l.kept) > maxRanges {
		t.Errorf("%d ranges", len(l.kept))
	}
	if !l.Arrived(Range{2, 3}, now) || l.Whole(Range{1, 2 * 3 * maxRanges}) || !l.Whole(Range{1, 4}) {
		t.Error("what fits to a known range is not noted, or all seems to be there")
	}
}
