package rtu

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// A slave that answers in order, loses what it likes and delays what it likes: whenever owed is empty after a reply,
// that reply was to the last request. The slave here knows of every reply to which request it is.
func TestOwedIsNeverLessThanTheTruth(t *testing.T) {
	tags := []tag{{4, 9}, {4, 7}, {3, 9}, {2, 6}}
	rapid.Check(t, func(t *rapid.T) {
		var o owed
		var onTheWay []int // numbers of requests that will be answered
		var asked []tag
		for range rapid.IntRange(1, 80).Draw(t, "steps") {
			if rapid.Bool().Draw(t, "ask") {
				q := rapid.SampledFrom(tags).Draw(t, "tag")
				if !o.sent(q, time.Unix(0, 0)) {
					continue
				}
				asked = append(asked, q)
				if rapid.Bool().Draw(t, "heard") {
					onTheWay = append(onTheWay, len(asked)-1)
				}
				continue
			}
			if len(onTheWay) == 0 {
				continue
			}
			to := onTheWay[0]
			onTheWay = onTheWay[1:]
			f := frame{fn: asked[to].fn, size: asked[to].size, data: rapid.Bool().Draw(t, "data")}
			if !o.came(f) {
				t.Fatalf("a reply to request %d, and nobody asked", to)
			}
			if o.empty() && to != len(asked)-1 {
				t.Fatalf("empty after the reply to request %d of %d", to, len(asked))
			}
		}
	})
}

// However long a unit was silent, two answered exchanges settle it.
func TestOwedAfterLongSilence(t *testing.T) {
	value, probe := tag{4, 9}, tag{4, 7}
	var o owed
	at := time.Unix(100, 0)
	ask := func() tag {
		q := value
		if o.first(probe) > o.first(value) {
			q = probe
		}
		if !o.sent(q, at) {
			t.Fatal("no room")
		}
		at = at.Add(100 * time.Millisecond)
		return q
	}
	for range 1000 {
		ask()
	}
	for i := range 2 {
		q := ask()
		if !o.came(frame{fn: q.fn, size: q.size, data: true}) {
			t.Fatalf("exchange %d: nobody asked", i)
		}
	}
	if !o.empty() {
		t.Errorf("still owed: %+v", o.runs[:o.n])
	}
}

func TestOwedForgets(t *testing.T) {
	var o owed
	at := time.Unix(100, 0)
	for i := range maxRuns {
		if !o.sent(tag{4, 7 + 2*(i%2)}, at.Add(time.Duration(i)*time.Second)) {
			t.Fatalf("run %d does not fit", i)
		}
	}
	if o.sent(tag{3, 7}, at) || o.n != maxRuns {
		t.Error("one run too many")
	}
	if !o.sent(o.runs[maxRuns-1].tag, at.Add(maxRuns*time.Second)) {
		t.Error("a run does not grow")
	}
	o.forget(at.Add(3 * time.Second))
	if o.n != maxRuns-3 || o.runs[0].last != at.Add(3*time.Second) {
		t.Errorf("%d runs left, the first of %v", o.n, o.runs[0].last)
	}
	if o.came(frame{fn: 3, size: 7, data: true}) || o.came(frame{fn: 2}) {
		t.Error("took what nobody asked for")
	}
	o.forget(at.Add(time.Hour))
	if !o.empty() {
		t.Error("remembers for ever")
	}
}
