package history

import (
	"bytes"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/prometheus/prometheus/tsdb/wlog"
	"github.com/prometheus/prometheus/util/compression"
	"pgregory.net/rapid"
)

// segment writes records with the library, and gives the bytes of their segment.
func segment(t *testing.T, dir string, records [][]byte) []byte {
	t.Helper()
	w, err := wlog.NewSize(slog.New(slog.DiscardHandler), nil, dir, 8<<20, compression.Snappy)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range records {
		if err := w.Log(r); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(dir, "00000000"))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// read reads a segment with the library's reader; records that say nothing are left out.
func read(b []byte) (out [][]byte, err error) {
	if n := len(b) % logPage; n != 0 {
		b = append(slices.Clone(b), make([]byte, logPage-n)...) // as the library pads it
	}
	r := wlog.NewReader(bytes.NewReader(b))
	for r.Next() {
		if rec := r.Record(); len(rec) > 0 && rec[0] != 0 {
			out = append(out, slices.Clone(rec))
		}
	}
	return out, r.Err()
}

// Whatever happened to a segment: once mended the library reads it to its end, it has nothing that was not written, and
// of one spoilt byte at most two records are missing, or those behind it in its page.
func TestMendSegment(t *testing.T) {
	const seed = 5
	rnd := rand.New(rand.NewPCG(seed, 0))
	var records [][]byte
	for i := range 400 {
		n := 1 + rnd.IntN(600)
		if i%40 == 7 {
			n = rnd.IntN(3 * logPage)
		}
		rec := make([]byte, n+5)
		for k := range rec {
			rec[k] = byte(rnd.Uint32()) // does not compress
		}
		if i%3 == 0 {
			clear(rec) // does
		}
		rec[0], rec[1], rec[2] = 2, byte(i>>8), byte(i) // each is another
		records = append(records, rec)
	}
	sound := segment(t, t.TempDir(), records)
	known := func([]byte) verdict { return keep }
	if changed, lost, why := mendSegment(slices.Clone(sound), known); changed || lost != 0 || why != "" {
		t.Fatalf("a sound segment loses %d bytes: %s", lost, why)
	}
	if got, err := read(sound); err != nil || len(got) != len(records) {
		t.Fatal(len(got), err)
	}
	written := map[string]bool{}
	for _, r := range records {
		written[string(r)] = true
	}
	known = func(r []byte) verdict {
		if len(r) == 0 || r[0] == 0 || written[string(r)] {
			return keep
		}
		return broken
	}
	rapid.Check(t, func(t *rapid.T) {
		b := slices.Clone(sound)
		flips := 0
		switch rapid.IntRange(0, 3).Draw(t, "what") {
		case 0:
			flips = 1
			b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] ^= byte(rapid.IntRange(1, 255).Draw(t, "bits"))
		case 1:
			b = b[:rapid.IntRange(0, len(b)).Draw(t, "cut")]
		case 2:
			at := rapid.IntRange(0, len(b)).Draw(t, "zeros from")
			clear(b[at:min(len(b), at+rapid.IntRange(0, 3*logPage).Draw(t, "zeros"))])
		case 3:
			for range rapid.IntRange(1, 40).Draw(t, "spoilt") {
				b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] = rapid.Byte().Draw(t, "byte")
			}
		}
		changed, lost, why := mendSegment(b, known)
		if (lost == 0) != (why == "") || changed != (lost > 0) {
			t.Fatalf("%d bytes lost, because %q, changed %v", lost, why, changed)
		}
		got, err := read(b)
		if err != nil {
			t.Fatalf("%d bytes lost, %s: %v", lost, why, err)
		}
		next := 0
		for _, r := range got {
			for next < len(records) && !bytes.Equal(records[next], r) {
				next++
			}
			if next == len(records) {
				t.Fatalf("a record of %d bytes was never written, or not in this order", len(r))
			}
			next++
		}
		if missing := len(records) - len(got); flips == 1 && missing > 2 && lost < 600 {
			t.Fatalf("%d records are missing for %d bytes", missing, lost)
		}
		if _, again, why := mendSegment(slices.Clone(b), known); again != 0 {
			t.Fatalf("mended again it loses %d bytes: %s", again, why)
		}
	})
}

// What is to be left out goes without a loss, and nothing else does.
func TestLeaveOut(t *testing.T) {
	var records, want [][]byte
	for i := range 300 {
		rec := make([]byte, 1+i*i%70_000)
		for k := range rec {
			rec[k] = byte(k*i + 1)
		}
		rec[0] = byte(1 + i%3)
		records = append(records, rec)
		if rec[0] != 2 {
			want = append(want, rec)
		}
	}
	b := segment(t, t.TempDir(), records)
	judge := func(r []byte) verdict {
		if len(r) > 0 && r[0] == 2 {
			return omit
		}
		return keep
	}
	if changed, lost, why := mendSegment(b, judge); !changed || lost != 0 || why != "" {
		t.Fatalf("changed %v, %d bytes lost, %s", changed, lost, why)
	}
	if got, err := read(b); err != nil || !slices.EqualFunc(got, want, bytes.Equal) {
		t.Fatalf("%d records, want %d; %v", len(got), len(want), err)
	}
	if changed, _, _ := mendSegment(b, judge); changed {
		t.Error("changed again")
	}
}

// Any bytes at all can be mended.
func FuzzMendSegment(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte{1, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{2, 0, 1, 0, 0, 0, 0, 9, 0, 0})
	f.Add(bytes.Repeat([]byte{4, 0, 200}, 30_000))
	f.Fuzz(func(t *testing.T, b []byte) {
		mendSegment(b, judgeRecords())
		if _, err := read(b); err != nil {
			t.Fatal(err)
		}
	})
}
