package history

import (
	"errors"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// stretchesOf are those of the samples that Range gives.
func stretchesOf(rs []Record) []Stretch {
	var out []Stretch
	for _, r := range rs {
		x := Stretch{Point: r.Point, Electric: r.Electric, Epoch: r.Epoch, Quality: r.Quality}
		i := slices.IndexFunc(out, func(y Stretch) bool { return x.compare(y) == 0 })
		if i < 0 {
			i = len(out)
			out = append(out, x)
		}
		out[i].add(1, r.At, r.At)
	}
	slices.SortFunc(out, Stretch.compare)
	return out
}

// Stretches are of the samples that Range gives of all time, wherever their range begins and ends: in memory, in full chunks,
// in blocks, of late samples and of several epochs. A query without points is of all.
func TestStretches(t *testing.T) {
	c := &clock{start}
	o := options(c)
	s := mustOpen(t, t.TempDir(), o)
	bs := fleet(2)
	const ticks = 4000 // 33 min in blocks of 10
	for n := range ticks {
		if n == 1000 {
			continue // comes late
		}
		tick(bs, n)
		if n == 2500 {
			bs[0].Epoch = 2
		}
		for i := range bs[0].Samples {
			if (n+i)%17 == 0 {
				bs[0].Samples[i].Quality = points.NoReply
			}
		}
		c.at = start.Add(time.Duration(n) * 500 * time.Millisecond)
		mustAppend(t, s, Result{Stored: 60}, bs...)
		if n%600 == 0 {
			s.upkeep(t.Context())
		}
	}
	tick(bs, 1000)
	bs[0].Epoch = 1
	mustAppend(t, s, Result{Stored: 60}, bs...)
	if len(s.current.db.Blocks()) < 2 {
		t.Fatal("no blocks to read")
	}
	whole := everything("pot-0")
	stored := all(t, s, whole)
	if got, err := s.Stretches(t.Context(), whole); err != nil || len(got) < 3*points.Count || !slices.Equal(got, stretchesOf(stored)) {
		t.Fatalf("%v, %v", got, err)
	}
	rapid.Check(t, func(rt *rapid.T) {
		// Uniform, which rapid's own ranges are not.
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		span := func() si.Instant { return start + si.Instant(r.Int64N((ticks+4)*500_000)-1e6) }
		q := Query{Pot: "pot-0", Points: points.Set(r.IntN(1 << points.Count)), From: span(), To: span()}
		if q.To < q.From {
			q.From, q.To = q.To, q.From
		}
		inside := func() (out []Record) {
			for i := range stored {
				if x := &stored[i]; (q.Points == 0 || q.Points.Has(x.Point)) && x.At >= q.From && x.At < q.To {
					out = append(out, *x)
				}
			}
			return out
		}
		rs := inside()
		if rapid.Bool().Draw(rt, "at a sample") && len(rs) > 0 {
			q.To = rs[len(rs)-1].At // left out
			rs = inside()
		}
		got, err := s.Stretches(t.Context(), q)
		if want := stretchesOf(rs); err != nil || !slices.Equal(got, want) {
			rt.Fatalf("%v: got %v, %v, want %v", q, got, err, want)
		}
	})
	if _, err := s.Stretches(t.Context(), Query{}); !errors.Is(err, ErrQuery) {
		t.Errorf("no pot: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Stretches(t.Context(), whole); !errors.Is(err, ErrClosed) {
		t.Errorf("closed: %v", err)
	}
}

// A chunk's end, and any other sample, is taken in or left out as Range does it.
func TestStretchesEdges(t *testing.T) {
	c := &clock{start}
	s := mustOpen(t, t.TempDir(), options(c))
	const n = 400 // more than a chunk
	b := Batch{Pot: "alder", Epoch: 1}
	for i := range n {
		b.Samples = append(b.Samples, good(points.Vessel, start+si.Instant(10*i), 7))
	}
	c.at = start.Add(time.Second)
	mustAppend(t, s, Result{Stored: n}, b)
	for i := range n {
		at := start + si.Instant(10*i)
		for _, x := range []struct {
			q    Query
			want Stretch
		}{
			{Query{Pot: "alder", From: start, To: at}, Stretch{Count: i, First: start, Last: at - 10}},
			{Query{Pot: "alder", From: at}, Stretch{Count: n - i, First: at, Last: start + 10*(n-1)}},
			{Query{Pot: "alder", From: at, To: at + 1}, Stretch{Count: 1, First: at, Last: at}},
			{Query{Pot: "alder", From: at + 1, To: at + 10}, Stretch{}},
		} {
			got, err := s.Stretches(t.Context(), x.q)
			x.want.Point, x.want.Epoch, x.want.Quality = points.Vessel, 1, points.Good
			if err != nil || x.want.Count == 0 && len(got) > 0 || x.want.Count > 0 && !slices.Equal(got, []Stretch{x.want}) {
				t.Fatalf("%+v: %v, %v, want %v", x.q, got, err, x.want)
			}
		}
	}
}
