package backlog_test

import (
	"errors"
	"fmt"
	"iter"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/agent/internal/backlog"
	"gritwatch/agent/internal/journal"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A book is a journal as its readers see it: batches, holes between them, what was dropped, what the disk does not give now.
type book struct {
	oldest, next uint64
	batches      []journal.Batch
	failing      map[uint64]bool // positions
	dropsAt      uint64          // where reading comes here, everything before dropsTo is dropped; 0: never
	dropsTo      uint64
}

var errDisk = errors.New("input/output error")

func (k *book) read(from, to uint64) iter.Seq2[journal.Batch, error] {
	return func(yield func(journal.Batch, error) bool) {
		to, at := min(to, k.next), from
		for at < to {
			if k.dropsAt != 0 && at >= k.dropsAt {
				k.oldest, k.dropsAt = max(k.oldest, k.dropsTo), 0
			}
			if at < k.oldest {
				yield(journal.Batch{}, &journal.TooOldError{From: at, Oldest: k.oldest})
				return
			}
			if k.failing[at] {
				yield(journal.Batch{}, errDisk)
				return
			}
			limit := at + 1
			for limit < to && !k.failing[limit] {
				limit++
			}
			end := limit
			var out journal.Batch
			for _, b := range k.batches {
				last := b.First + uint64(len(b.Samples))
				if last <= at {
					continue
				}
				if b.First > at { // a hole
					end = min(end, b.First)
					break
				}
				end = min(limit, last)
				out = journal.Batch{First: at, Pot: b.Pot, Epoch: b.Epoch, Samples: slices.Clone(b.Samples[at-b.First : end-b.First])}
				break
			}
			if len(out.Samples) > 0 {
				if !yield(out, nil) {
					return
				}
				for i := range out.Samples { // a batch is good until the next one
					out.Samples[i] = points.Sample{Point: 99}
				}
			}
			at = end
		}
	}
}

// at is what stands at a position; nil: nothing.
func (k *book) at(p uint64) (b *journal.Batch, s points.Sample) {
	for i := range k.batches {
		b := &k.batches[i]
		if p >= b.First && p < b.First+uint64(len(b.Samples)) {
			return b, b.Samples[p-b.First]
		}
	}
	return nil, points.Sample{}
}

func carries(pot string, s points.Sample) bool { return pot != "gone" && s.Point != points.Nozzle }

func drawBook(t *rapid.T) *book {
	k := &book{failing: map[uint64]bool{}}
	at := si.Instant(1e15)
	for range rapid.IntRange(0, 30).Draw(t, "batches") {
		k.next += uint64(rapid.SampledFrom([]int{0, 0, 0, 1, 40}).Draw(t, "hole"))
		b := journal.Batch{First: k.next, Pot: rapid.SampledFrom([]string{"alder", "alder", "birch", "gone"}).Draw(t, "pot"),
			Epoch: rapid.SampledFrom([]uint64{7, 7, 7, 8}).Draw(t, "epoch")}
		for range rapid.IntRange(1, 40).Draw(t, "readings") {
			at += si.Instant(rapid.SampledFrom([]int{0, 300, 15_000, 15_000, 15_000, -200, -9000}).Draw(t, "step"))
			b.Samples = append(b.Samples, points.Sample{Point: points.Point(rapid.IntRange(0, points.Count-1).Draw(t, "point")), At: at})
		}
		k.next += uint64(len(b.Samples))
		k.batches = append(k.batches, b)
	}
	k.next += uint64(rapid.SampledFrom([]int{0, 3}).Draw(t, "hole at the end"))
	if k.next > 0 {
		k.oldest = rapid.OneOf(rapid.Just(uint64(0)), rapid.Uint64Max(k.next)).Draw(t, "oldest")
		if rapid.IntRange(0, 3).Draw(t, "drops") == 0 {
			k.dropsAt, k.dropsTo = rapid.Uint64Range(1, k.next).Draw(t, "drops at"), rapid.Uint64Max(k.next).Draw(t, "drops to")
		}
		if rapid.IntRange(0, 3).Draw(t, "fails") == 0 {
			k.failing[rapid.Uint64Max(k.next).Draw(t, "failing")] = true
		}
	}
	return k
}

// Whatever stands in the journal, every position that was asked for is answered once, in order, by its reading or by the word
// that there is none; and where the disk fails, everything before that.
func TestEveryPositionOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := drawBook(t)
		to := rapid.Uint64Max(k.next).Draw(t, "to")
		from := rapid.Uint64Max(to).Draw(t, "from")
		a := backlog.NewAnswer(backlog.Request{From: from, To: to}, k.read, carries)
		defer a.Close()
		at := from
		for {
			size := rapid.IntRange(1, 50).Draw(t, "size")
			oldest := k.oldest
			p, ok, err := a.Next(size)
			if err != nil {
				if !errors.Is(err, errDisk) || len(k.failing) == 0 || ok {
					t.Fatalf("at %d: %v", at, err)
				}
				for f := range k.failing {
					if f < at || f >= to {
						t.Fatalf("ends at %d for %d", at, f)
					}
				}
				return
			}
			if !ok {
				break
			}
			if p.From != at || p.To <= p.From || p.To > to {
				t.Fatalf("%d to %d, behind %d of %d", p.From, p.To, at, to)
			}
			at = p.To
			if p.Void() {
				for i := p.From; i < p.To; i++ {
					b, s := k.at(i)
					if b != nil && i >= k.oldest && carries(b.Pot, s) {
						t.Fatalf("position %d of %s is told to hold nothing", i, b.Pot)
					}
					if k.failing[i] && i >= k.oldest {
						t.Fatalf("position %d is told to hold nothing, and the disk may give it yet", i)
					}
				}
				if p.Dropped && p.From >= k.oldest {
					t.Fatalf("%+v: nothing is dropped but before %d", p, k.oldest)
				}
				continue
			}
			if len(p.Samples) > size || uint64(len(p.Samples)) != p.To-p.From || p.Dropped {
				t.Fatalf("%d readings in %d to %d, %d wanted", len(p.Samples), p.From, p.To, size)
			}
			for i, got := range p.Samples {
				b, s := k.at(p.From + uint64(i))
				if b == nil || b.Pot != p.Pot || b.Epoch != p.Epoch || s != got || p.From+uint64(i) < min(oldest, k.oldest) || !carries(b.Pot, s) {
					t.Fatalf("position %d: %+v of %s", p.From+uint64(i), got, p.Pot)
				}
				if i > 0 && got.At/1000 < p.Samples[i-1].At/1000 {
					t.Fatalf("position %d: back in time", p.From+uint64(i))
				}
			}
		}
		if at != to {
			t.Fatalf("answered up to %d of %d", at, to)
		}
	})
}

// Batches that fit together go together.
func TestMerges(t *testing.T) {
	k := &book{}
	for i := range 40 {
		b := journal.Batch{First: k.next, Pot: "alder", Epoch: 7}
		if i >= 30 {
			b.Pot = "birch"
		}
		for range 30 {
			b.Samples = append(b.Samples, points.Sample{At: si.Instant(k.next) * 16_000})
			k.next++
		}
		k.batches = append(k.batches, b)
	}
	a := backlog.NewAnswer(backlog.Request{From: 10, To: 1000}, k.read, carries)
	defer a.Close()
	var got []string
	for p, ok, err := a.Next(backlog.MaxSize); ok || err != nil; p, ok, err = a.Next(backlog.MaxSize) {
		got = append(got, fmt.Sprintf("%s %d-%d %v", p.Pot, p.From, p.To, err))
	}
	if want := []string{"alder 10-522 <nil>", "alder 522-900 <nil>", "birch 900-1000 <nil>"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestQueue(t *testing.T) {
	var q backlog.Queue
	for i := range uint64(backlog.MaxWaiting) {
		if !q.Add(backlog.Request{From: i, To: 100}) {
			t.Fatalf("request %d refused", i)
		}
	}
	if q.Add(backlog.Request{From: 50, To: 100}) {
		t.Error("one more than may wait")
	}
	if r, ok := q.Next(); !ok || r.From != 0 || !q.Add(backlog.Request{From: 8, To: 100}) {
		t.Errorf("%+v, %v", r, ok)
	}
	if r, _ := q.Next(); r.From != 1 {
		t.Errorf("%+v is the second", r)
	}
	q.Forget()
	if r, ok := q.Next(); ok {
		t.Errorf("%+v is not forgotten", r)
	}
}

// A link is a model of one: bytes leave it at a rate, and the other end says so at once.
type link struct {
	rate    float64 // bytes a second
	waiting float64
	at      time.Time
}

func (l *link) to(now time.Time) {
	l.waiting = max(0, l.waiting-l.rate*now.Sub(l.at).Seconds())
	l.at = now
}

// On a slow link little is under way when a live reading comes; on a fast one the pace is the greatest.
func TestPace(t *testing.T) {
	const perReading = 34 // bytes of a historical reading with its name, as the wire has it
	for _, c := range []struct {
		rate        float64
		behind      time.Duration // what a live message waits at most
		least, most float64       // readings a second
	}{
		{2_000, 800 * time.Millisecond, 50, 60},
		{8_000, 400 * time.Millisecond, 180, 240},
		{100_000, 400 * time.Millisecond, 2600, 3000},
		{20e6, 400 * time.Millisecond, 45_000, backlog.PerSecond + backlog.MaxSize},
	} {
		var p backlog.Pace
		start := time.Unix(0, 0)
		now := start
		l := link{rate: c.rate, at: now}
		sent, worst := 0, time.Duration(0)
		const run = 60 * time.Second
		for now.Sub(start) < run {
			l.to(now)
			if wait := p.Wait(now, int(l.waiting)); wait > 0 {
				now = now.Add(wait)
				continue
			}
			n := p.Size()
			sent += n
			l.waiting += float64(n * perReading)
			p.Sent(now, n)
			if now.Sub(start) > 5*time.Second {
				worst = max(worst, time.Duration(l.waiting/c.rate*float64(time.Second)))
			}
			now = now.Add(100 * time.Microsecond)
		}
		rate := float64(sent) / run.Seconds()
		t.Logf("%.0f B/s: %.0f readings a second, up to %v under way", c.rate, rate, worst)
		if worst > c.behind || rate < c.least || rate > c.most {
			t.Errorf("%.0f B/s: %.0f readings a second, want %.0f to %.0f; up to %v under way, want %v", c.rate, rate, c.least, c.most, worst, c.behind)
		}
	}
}
