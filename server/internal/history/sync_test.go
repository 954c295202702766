package history

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"gritwatch/protocol/si"
)

// A disk is what is left of the log after a power cut at the worst time: of each file what was there at its last fsync,
// of each directory the names at its last.
type disk struct {
	mu    sync.Mutex
	files map[string][]byte
	names map[string][]string
}

func (d *disk) fsync(path string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	st, err := os.Stat(path)
	if err != nil {
		return err
	}
	if !st.IsDir() {
		d.files[path], err = os.ReadFile(path)
		return err
	}
	entries, err := os.ReadDir(path)
	d.names[path] = nil
	for _, e := range entries {
		d.names[path] = append(d.names[path], e.Name())
	}
	return err
}

// cut writes what is left into another directory. Behind it lies what a file system may make of the rest: nothing,
// zeros, or anything.
func (d *disk) cut(t *testing.T, from, to string, r *rand.Rand) {
	t.Helper()
	for dir, names := range d.names {
		rel, err := filepath.Rel(from, dir)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.MkdirAll(filepath.Join(to, rel), 0o750); err != nil {
			t.Fatal(err)
		}
		for _, n := range names {
			b, ok := d.files[filepath.Join(dir, n)]
			if !ok {
				continue // never on the disk
			}
			b = slices.Clone(b)
			switch r.IntN(3) {
			case 0:
				b = append(b, make([]byte, r.IntN(100_000))...)
			case 1:
				for range r.IntN(100_000) {
					b = append(b, byte(r.Uint32()))
				}
			}
			if err := os.WriteFile(filepath.Join(to, rel, n), b, 0o640); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// After a power cut all that was on the disk is there, late samples too.
func TestPowerCut(t *testing.T) {
	const seed = 11
	r := rand.New(rand.NewPCG(seed, 0))
	o := crashOptions()
	o.Block = 100 * time.Hour // the library brings blocks to the disk by itself: here all lies in the log
	d := &disk{files: map[string][]byte{}, names: map[string][]string{}}
	dir := t.TempDir()
	s, err := open(dir, o, freeBytes, d.fsync)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	next := 0
	marks := map[int]Mark{}
	for round := range 6 {
		for range 1 + r.IntN(150) {
			res, err := s.Append(crashBatch(next))
			if err != nil {
				t.Fatal(err)
			}
			marks[next] = res.Mark
			next++
		}
		if f := s.Fate(marks[next-1]); f != Pending {
			t.Fatalf("before Sync: %v", f)
		}
		if round > 0 {
			if err := s.Sync(); err != nil {
				t.Fatal(err)
			}
		}
		synced := 0
		for s.Fate(marks[synced]) == OnDisk {
			synced++
		}
		if round > 0 && synced != next {
			t.Fatalf("after Sync %d of %d are on the disk", synced, next)
		}
		for range r.IntN(50) { // never synced
			res, err := s.Append(crashBatch(next))
			if err != nil {
				t.Fatal(err)
			}
			marks[next] = res.Mark
			next++
		}
		left := t.TempDir()
		d.cut(t, dir, left, r)
		after, err := Open(left, o)
		if err != nil {
			t.Fatal(err)
		}
		m := &model{there: map[trackKey]map[si.Instant]reading{}}
		for i := range synced {
			m.append(crashBatch(i), si.InstantOf(o.Now()), mustDefaults(t, o))
		}
		got := all(t, after, everything("alder"))
		want := m.read(everything("alder"))
		there := map[Record]bool{}
		for _, rec := range got {
			there[rec] = true
		}
		for _, rec := range want {
			if !there[rec] {
				t.Fatalf("seed %d, round %d: lost %+v; %d of %d records, damage %v", seed, round, rec, len(got), len(want), after.Damage())
			}
		}
		if err := after.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func mustDefaults(t *testing.T, o Options) Options {
	t.Helper()
	o, err := o.withDefaults()
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// After a failed fsync nothing is on the disk until the log was written anew, and what was pending is void.
func TestFsyncFails(t *testing.T) {
	var broken error
	fsync := func(string) error { return broken }
	dir := t.TempDir()
	s, err := open(dir, crashOptions(), freeBytes, fsync)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	one := mustAppend(t, s, Result{Stored: 30}, crashBatch(0))
	if err := s.Sync(); err != nil || s.Fate(one) != OnDisk {
		t.Fatal(err, s.Fate(one))
	}
	two := mustAppend(t, s, Result{Stored: 30}, crashBatch(2)) // late
	broken = errors.New("the disk is gone")
	if err := s.Sync(); !errors.Is(err, ErrFault) || !errors.Is(err, broken) {
		t.Fatal(err)
	}
	broken = nil
	for range 2 { // the next one would succeed, and say nothing of what was lost
		if err := s.Sync(); !errors.Is(err, ErrFault) || s.Fate(two) == OnDisk {
			t.Fatal(err, s.Fate(two))
		}
	}
	if _, err := s.Append(crashBatch(3)); !errors.Is(err, ErrFault) {
		t.Fatal(err)
	}
	if got := len(all(t, s, everything("alder"))); got != 60 {
		t.Fatalf("readers see %d", got)
	}
	broken = errors.New("still gone")
	s.mend()
	if s.Stats().Fault == "" {
		t.Fatal("mended by a disk that is gone")
	}
	broken = nil
	segments := [2]string{filepath.Join(dir, "samples", "wal", "00000000"), filepath.Join(dir, "samples", "wbl", "00000000")}
	var before [2]os.FileInfo
	for i, path := range segments {
		f, err := os.Open(path) // so that nothing new can have its inode
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if before[i], err = f.Stat(); err != nil {
			t.Fatal(err)
		}
	}
	s.mend()
	if st := s.Stats(); st.Fault != "" {
		t.Fatal(st.Fault)
	}
	for i, path := range segments {
		if after, err := os.Stat(path); err != nil || os.SameFile(before[i], after) {
			t.Errorf("%s was not written anew: %v", path, err)
		}
	}
	if s.Fate(one) != OnDisk || s.Fate(two) != Void || s.Fate(Mark{}) != Void {
		t.Fatal(s.Fate(one), s.Fate(two))
	}
	again := mustAppend(t, s, Result{Repeated: 30}, crashBatch(2))
	if s.Fate(again) != Pending {
		t.Fatal(s.Fate(again))
	}
	if err := s.Sync(); err != nil || s.Fate(again) != OnDisk || s.Fate(one) != OnDisk || s.Fate(two) != Void {
		t.Fatal(err)
	}
}

// A full disk is told before it is full, from the start on too, and storing goes on once there is room.
func TestFullDisk(t *testing.T) {
	free := uint64(1000)
	dir := t.TempDir()
	o := crashOptions()
	o.MinFree = 1001
	statfs := func(string) (uint64, error) { return free, nil }
	s, err := open(dir, o, statfs, fsyncFile)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	full := func(err error) {
		t.Helper()
		if err == nil || !strings.Contains(err.Error(), "full") {
			t.Fatal(err)
		}
	}
	_, err = s.Append(crashBatch(0))
	full(err)
	full(s.Range(t.Context(), everything("alder"), func(Record) error { return nil }))
	full(errors.New(s.Stats().Fault))
	s.mend()
	full(s.Sync())
	free = 1001
	s.mend()
	if st := s.Stats(); st.Fault != "" {
		t.Fatal(st.Fault)
	}
	mustAppend(t, s, Result{Stored: 30}, crashBatch(0))
	free = 1000
	_, err = s.Append(crashBatch(1))
	full(err)
	s.upkeep(t.Context())
	if got := len(all(t, s, everything("alder"))); got != 30 {
		t.Fatalf("readers see %d", got)
	}
	free = 1001 // nothing was harmed: it goes on at once
	mustAppend(t, s, Result{Stored: 30}, crashBatch(1))
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
}

// flip changes one byte.
func flip(t *testing.T, path string, at int64) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b[at] ^= 0x5a
	if err := os.WriteFile(path, b, 0o640); err != nil {
		t.Fatal(err)
	}
}

// glob is the files of a pattern that are not empty.
func glob(t *testing.T, pattern string) (out []string) {
	t.Helper()
	names, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range names {
		if st, err := os.Stat(n); err == nil && (st.IsDir() || st.Size() > 0) {
			out = append(out, n)
		}
	}
	if len(out) == 0 {
		t.Fatalf("no %s", pattern)
	}
	return out
}

// What is damaged is told and kept, all else is opened, and storing goes on.
func TestDamaged(t *testing.T) {
	const batches = 800
	type store struct {
		dir     string
		records []Record
	}
	top, stores := t.TempDir(), map[time.Duration]store{} // whole ones, by the length of a block
	fill := func(t *testing.T, o Options) store {
		dir := filepath.Join(top, o.Block.String())
		s, err := Open(dir, o)
		if err != nil {
			t.Fatal(err)
		}
		for i := range batches {
			mustAppend(t, s, Result{Stored: 30}, crashBatch(i))
			if i%160 != 159 {
				continue
			}
			s.upkeep(t.Context())
			if o.Block == 20*time.Minute { // a checkpoint needs several segments
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
				if s, err = Open(dir, o); err != nil {
					t.Fatal(err)
				}
			}
		}
		s.upkeep(t.Context())
		records := all(t, s, everything("alder"))
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		return store{dir, records}
	}
	for _, c := range []struct {
		name   string
		spoil  func(t *testing.T, dir string)
		atMost int // records lost
		kept   string
	}{
		{"log", func(t *testing.T, dir string) { flip(t, glob(t, dir+"/wal/0*")[0], 70_000) }, 60, "wal/0*"},
		{"log twice", func(t *testing.T, dir string) {
			f := glob(t, dir+"/wal/0*")[0]
			flip(t, f, 70_000)
			flip(t, f, 140_000)
		}, 120, "wal/0*"},
		{"log torn", func(t *testing.T, dir string) {
			if err := os.Truncate(glob(t, dir+"/wal/0*")[0], 70_001); err != nil {
				t.Fatal(err)
			}
		}, -1, "wal/0*"},
		{"late log", func(t *testing.T, dir string) { flip(t, glob(t, dir+"/wbl/0*")[0], 40_000) }, 600, "wbl/0*"},
		{"full chunks", func(t *testing.T, dir string) { flip(t, glob(t, dir+"/chunks_head/0*")[0], 1000) }, 0, ""},
		{"checkpoint", func(t *testing.T, dir string) { flip(t, glob(t, dir+"/wal/checkpoint*/0*")[0], 100) }, -1, "wal/checkpoint*/0*"},
		{"block without index", func(t *testing.T, dir string) {
			if err := os.Truncate(glob(t, dir+"/01*/index")[0], 100); err != nil {
				t.Fatal(err)
			}
		}, -1, "01*/meta.json"},
		{"block without meta", func(t *testing.T, dir string) {
			if err := os.WriteFile(glob(t, dir+"/01*/meta.json")[0], []byte("{"), 0o640); err != nil {
				t.Fatal(err)
			}
		}, -1, "01*/index"},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := crashOptions()
			blocks := strings.Contains(c.name, "block") || c.name == "checkpoint"
			o.Block = 100 * time.Hour
			switch {
			case c.name == "checkpoint":
				o.Block = 20 * time.Minute // of late samples many blocks are made
			case blocks:
				o.Block = 4 * time.Minute
			}
			whole := stores[o.Block]
			if whole.dir == "" {
				whole = fill(t, o)
				stores[o.Block] = whole
			}
			want, dir := whole.records, t.TempDir()
			if err := os.CopyFS(dir, os.DirFS(whole.dir)); err != nil {
				t.Fatal(err)
			}
			c.spoil(t, filepath.Join(dir, "samples"))
			s, err := Open(dir, o)
			if err != nil {
				t.Fatal(err)
			}
			damage := s.Damage()
			if c.kept == "" { // what is damaged is not needed
				if len(damage) != 0 {
					t.Fatalf("damage %v", damage)
				}
			} else if len(damage) == 0 || damage[0].Kept == "" {
				t.Fatalf("damage %v", damage)
			} else if kept := glob(t, filepath.Join(dir, "damaged", "*", c.kept)); len(kept) == 0 {
				t.Error("nothing is kept")
			}
			there := map[Record]bool{}
			for _, r := range want {
				there[r] = true
			}
			got := all(t, s, everything("alder"))
			for _, r := range got {
				if !there[r] {
					t.Fatalf("invented %+v", r)
				}
				delete(there, r)
			}
			t.Logf("%d of %d records; %v", len(got), len(want), damage)
			if len(got) == 0 || c.atMost >= 0 && len(there) > c.atMost {
				t.Fatalf("%d of %d records are lost", len(there), len(want))
			}
			// What is lost can be given again, and stays.
			if !blocks {
				for i := range batches {
					if _, err := s.Append(crashBatch(i)); err != nil {
						t.Fatal(err)
					}
				}
				if again := all(t, s, everything("alder")); !slices.Equal(again, want) {
					t.Errorf("given again: %d records, want %d", len(again), len(want))
				}
			}
			mustAppend(t, s, Result{Stored: 30}, crashBatch(batches))
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = mustOpen(t, dir, o)
			for _, d := range s.Damage() {
				if d.File != "" {
					t.Errorf("opened again: %v", d)
				}
			}
		})
	}
}

// A block that is damaged where it is only read later: the query says so, and does not invent.
func TestDamagedWhereRead(t *testing.T) {
	dir := t.TempDir()
	o := crashOptions()
	o.Block = 3 * time.Minute
	s, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 1500 {
		mustAppend(t, s, Result{Stored: 30}, crashBatch(i))
	}
	s.upkeep(t.Context())
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, f := range glob(t, filepath.Join(dir, "samples", "01*", "chunks", "0*")) {
		flip(t, f, 50)
	}
	s = mustOpen(t, dir, o)
	if err := s.Range(t.Context(), everything("alder"), func(Record) error { return nil }); err == nil || !strings.Contains(err.Error(), "checksum") {
		t.Errorf("range: %v", err)
	}
	if _, _, err := s.Downsampled(t.Context(), Query{"alder", allPoints, start, start.Add(time.Hour)}, time.Minute); err == nil || !strings.Contains(err.Error(), "checksum") {
		t.Errorf("down-sampled: %v", err)
	}
	// Samples are stored all the same where what is there cannot be read.
	for i := range 30 {
		r, err := s.Append(crashBatch(i))
		if err != nil || r.Stored+r.Repeated != 30 {
			t.Fatalf("%+v, %v", r, err)
		}
	}
	if n := s.Stats().Unchecked; n == 0 {
		t.Error("none were stored unchecked")
	}
}
