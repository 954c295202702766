package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/journal/frame"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

const epoch = 1_700_000_000_000_000

// A gauge makes up what a real line gives: six points in turn, every 100 ms, with the noise of a gauge of 200 psi.
type gauge struct {
	rng  *rand.Rand
	at   si.Instant
	room []points.Sample
}

func newGauge(seed uint64) *gauge { return &gauge{rng: rand.New(rand.NewPCG(seed, 9)), at: epoch} }

// half is half a second of a pot that blasts: 30 samples, each of a float32 transducer in psi.
func (g *gauge) half() []points.Sample {
	level := [points.Count]float64{110, 108, 100, 98, 92, 60}
	g.room = g.room[:0]
	for range 5 {
		for p := range points.Point(points.Count) {
			at := g.at + si.Instant(int64(p)*16_600+g.rng.Int64N(400))
			psi := float32(level[p] + 0.2*g.rng.NormFloat64()) // 0.1 % of the range
			g.room = append(g.room, points.Sample{Point: p, Quality: points.Good, At: at, Value: si.GaugePressure(float64(psi) * si.PSI)})
		}
		g.at += 100_000
	}
	return g.room
}

func collect(t *testing.T, j *Journal, from, to uint64) (out []points.Sample) {
	t.Helper()
	for b, err := range j.Read(from, to) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, b.Samples...)
	}
	return out
}

func open(t *testing.T, o Options) *Journal {
	t.Helper()
	j, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() })
	return j
}

// run starts Run; the func ends it.
func run(t *testing.T, j *Journal) (stop func()) {
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- j.Run(ctx) }()
	return sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func text(samples []points.Sample) string {
	var b strings.Builder
	for _, s := range samples {
		s.Value = si.GaugePressure(float32(s.Value))
		fmt.Fprintln(&b, s)
	}
	return b.String()
}

// A real folder, over two starts: what was appended is read again, cut to what was asked for, under the same id.
func TestFolder(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal")
	j := open(t, Options{Folder: Dir(path)})
	if err := os.WriteFile(filepath.Join(path, "bdseq"), []byte("7\n"), 0o600); err != nil { // not its own
		t.Fatal(err)
	}
	stop := run(t, j)
	g := newGauge(1)
	var want []points.Sample
	put := func(j *Journal) {
		for i := range 20 {
			s := g.half()
			first, ok := j.Append([]string{"alder", "birch"}[i%2], epoch, s)
			if !ok || first != uint64(len(want)) {
				t.Fatalf("position %d, %v; want %d", first, ok, len(want))
			}
			want = append(want, slices.Clone(s)...)
		}
	}
	put(j)
	if err := j.Sync(t.Context()); err != nil {
		t.Fatal(err)
	}
	put(j) // lies in memory still, or not: nobody can tell
	check := func(j *Journal, from, to uint64) {
		t.Helper()
		end := min(to, uint64(len(want)))
		if got := collect(t, j, from, to); text(got) != text(want[min(from, end):end]) {
			t.Errorf("%d to %d: %d samples, not those that were appended", from, to, len(got))
		}
	}
	ranges := [][2]uint64{{0, math.MaxUint64}, {0, 1}, {29, 31}, {45, 750}, {599, 601}, {1199, 9999}, {1200, 1300}, {7, 7}, {8, 3}}
	for _, r := range ranges {
		check(j, r[0], r[1])
	}
	if st := j.Status(); st.Synced < 600 || st.Next != 1200 || st.Lost != 0 || st.Oldest != 0 || st.Fault != nil || len(st.ID) != 32 {
		t.Errorf("%+v", st)
	}
	id := j.Status().ID
	stop()
	if _, ok := j.Append("alder", epoch, g.half()); ok {
		t.Error("appended after the end")
	}
	if err := j.Sync(t.Context()); !errors.Is(err, ErrClosed) {
		t.Errorf("sync after the end: %v", err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}

	j = open(t, Options{Folder: Dir(path)})
	if st := j.Status(); st.ID != id || st.Next != 1200 || st.Synced != 1200 || st.Lost != 0 || st.Recovered != (Recovery{}) {
		t.Errorf("after an end in order: %+v", st)
	}
	stop = run(t, j)
	put(j)
	for _, r := range ranges {
		check(j, r[0], r[1])
	}
	for b, err := range j.Read(45, 100) {
		if err != nil || b.First != 45 || b.Pot != "birch" || b.Epoch != epoch || len(b.Samples) != 15 {
			t.Errorf("first batch from 45 on: %+v, %v", b, err)
		}
		break
	}
	stop()
	other := open(t, Options{Folder: Dir(filepath.Join(t.TempDir(), "other"))})
	if other.Status().ID == id {
		t.Error("two folders have one id")
	}
}

func TestHeld(t *testing.T) {
	path := t.TempDir()
	j := open(t, Options{Folder: Dir(path)})
	if _, err := Open(Options{Folder: Dir(path)}); !errors.Is(err, ErrHeld) || !strings.Contains(err.Error(), "folder of its own") {
		t.Errorf("second journal: %v", err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, Options{Folder: Dir(path)})
	plain := filepath.Join(path, "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(Options{Folder: Dir(plain)}); err == nil || !strings.Contains(err.Error(), "name another folder") {
		t.Errorf("a file: %v", err)
	}
	if _, err := Open(Options{Folder: Dir(t.TempDir()), MaxBytes: 1 << 20}); err == nil || !strings.Contains(err.Error(), "too small") {
		t.Errorf("a small journal: %v", err)
	}
}

// Another process that is killed leaves the folder free, and in it everything that it had written, synced or not.
func TestKilled(t *testing.T) {
	if path := os.Getenv("JOURNAL_OF_A_TEST"); path != "" {
		// Small, so that it goes from segment to segment; syncs come in between.
		j, err := Open(Options{Folder: Dir(path), Buffer: 16 << 10, MaxBytes: 512 << 10, SyncEvery: 7 * time.Millisecond, WriteEvery: 3 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		go func() { _ = j.Run(context.Background()) }()
		for g := newGauge(1); ; {
			first, ok := j.Append("alder", epoch, g.half())
			for ; !ok; first, ok = j.Append("alder", epoch, g.room) { // until positions are reserved
				if err := j.Sync(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			if err := j.Write(t.Context()); err != nil {
				t.Fatal(err)
			}
			fmt.Println("written", first+30)
		}
	}
	path := t.TempDir()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	child := exec.CommandContext(ctx, self, "-test.run=^TestKilled$")
	child.Env = append(os.Environ(), "JOURNAL_OF_A_TEST="+path)
	said, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	written := uint64(0)
	for written < 15_000 {
		if _, err := fmt.Fscanf(said, "written %d\n", &written); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Open(Options{Folder: Dir(path)}); !errors.Is(err, ErrHeld) {
		t.Errorf("while the other runs: %v", err)
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	for { // what it said before it was killed counts
		if _, err := fmt.Fscanf(said, "written %d\n", &written); err != nil {
			break
		}
	}
	_ = child.Wait() // killed
	j := open(t, Options{Folder: Dir(path), Buffer: 16 << 10, MaxBytes: 512 << 10})
	got := collect(t, j, 0, math.MaxUint64)
	if st := j.Status(); uint64(len(got)) < written || st.Next < uint64(len(got))+1 || st.Lost != st.Next-uint64(len(got)) || st.Oldest != 0 || st.Synced == 0 {
		t.Errorf("%d of %d read; %+v", len(got), written, st)
	}
	if files, err := os.ReadDir(path); err != nil || len(files) < 3 {
		t.Errorf("%d segments: too few to try what happens between two", len(files))
	}
	g := newGauge(1)
	var want []points.Sample
	for len(want) < len(got) {
		want = append(want, g.half()...)
	}
	if text(got) != text(want[:len(got)]) {
		t.Error("other samples than were appended")
	}
}

// Whoever asks window by window has each part of a segment read a few times at most, not from its beginning each time.
func TestReadOn(t *testing.T) {
	d := newDisk(1)
	var read atomic.Int64
	j := open(t, Options{Folder: counting{d, &read}})
	g := newGauge(1)
	for range 200 {
		for range 20 {
			if _, ok := j.Append("alder", epoch, g.half()); !ok {
				t.Fatal("refused")
			}
		}
		if err := j.attempt(true); err != nil {
			t.Fatal(err)
		}
	}
	size, end := j.Status().Bytes, j.Status().Next
	const part = 5_003 // ends within batches
	var got []points.Sample
	for at := uint64(0); at < end; at += part {
		got = append(got, collect(t, j, at, at+part)...)
	}
	if uint64(len(got)) != end || !slices.EqualFunc(got, collect(t, j, 0, end), same) {
		t.Errorf("%d read of %d, or others", len(got), end)
	}
	if times := float64(read.Load()) / float64(size); times > 12 {
		t.Errorf("%d bytes were read %.1f times", size, times)
	}
	if !slices.EqualFunc(collect(t, j, 70, 90), got[70:90], same) { // and back again
		t.Error("other records before the last")
	}
}

type counting struct {
	*disk
	n *atomic.Int64
}

func (c counting) Open(name string) (File, error) {
	f, err := c.disk.Open(name)
	return countingFile{f, c.n}, err
}

type countingFile struct {
	File
	n *atomic.Int64
}

func (f countingFile) ReadAt(b []byte, off int64) (int, error) {
	f.n.Add(int64(len(b)))
	return f.File.ReadAt(b, off)
}

// The greatest size and age hold; what is dropped unacknowledged is lost, what was acknowledged is not.
func TestBounds(t *testing.T) {
	for name, acknowledge := range map[string]bool{"acknowledged": true, "not acknowledged": false} {
		t.Run(name, func(t *testing.T) {
			var log bytes.Buffer
			var mono time.Duration
			d := newDisk(1)
			o := Options{Folder: d, Buffer: 16 << 10, MaxBytes: 256 << 10, Mono: func() time.Duration { return mono }, Log: slog.New(slog.NewTextHandler(&log, nil))}
			j := open(t, o)
			g := newGauge(1)
			step := func(n int) {
				for i := range n {
					mono += 500 * time.Millisecond
					if _, ok := j.Append("alder", epoch, g.half()); !ok {
						t.Fatal("refused")
					}
					if acknowledge {
						j.Acknowledge(j.Status().Next)
					}
					if err := j.attempt(i%10 == 9); err != nil {
						t.Fatal(err)
					}
					if st := j.Status(); st.Bytes > o.MaxBytes || !acknowledge && st.Lost != st.Oldest || acknowledge && st.Lost != 0 {
						t.Fatalf("%+v", st)
					}
					onDisk := int64(0)
					for _, f := range d.names {
						onDisk += int64(len(f.now))
					}
					if onDisk > o.MaxBytes {
						t.Fatalf("%d bytes on the disk", onDisk)
					}
				}
			}
			step(4000) // 33 minutes
			st := j.Status()
			if st.Oldest == 0 || st.Bytes < o.MaxBytes*6/10 || strings.Contains(log.String(), "before they were acknowledged") == acknowledge {
				t.Errorf("by size: %+v", st)
			}
			for _, err := range j.Read(st.Oldest-1, math.MaxUint64) {
				var old *TooOldError
				if !errors.As(err, &old) || old.Oldest != st.Oldest || old.From != st.Oldest-1 || !strings.Contains(err.Error(), fmt.Sprint("position ", st.Oldest)) {
					t.Errorf("older than the oldest: %v", err)
				}
			}
			if got := collect(t, j, st.Oldest, math.MaxUint64); uint64(len(got)) != st.Next-st.Oldest {
				t.Errorf("%d of %d read", len(got), st.Next-st.Oldest)
			}
			mono += 25 * time.Hour
			step(20)
			if now := j.Status(); now.Oldest < st.Next-3000 || now.Oldest > st.Next {
				t.Errorf("by age: %+v, was %+v", now, st)
			}
		})
	}
}

// What a Read goes through may be dropped meanwhile: it ends with the oldest there is.
func TestDroppedWhileRead(t *testing.T) {
	var mono time.Duration
	j := open(t, Options{Folder: newDisk(1), Buffer: 16 << 10, MaxBytes: 256 << 10, Mono: func() time.Duration { return mono }})
	g := newGauge(1)
	fill := func() {
		for range 600 {
			mono += time.Second
			j.Append("alder", epoch, g.half())
			if err := j.attempt(true); err != nil {
				t.Fatal(err)
			}
		}
	}
	fill()
	n, last := uint64(0), error(nil)
	for b, err := range j.Read(0, math.MaxUint64) {
		n, last = n+uint64(len(b.Samples)), err
		if n == 30 {
			for range 4 {
				fill()
			}
		}
	}
	var old *TooOldError
	if !errors.As(last, &old) || old.From != n || old.Oldest != j.Status().Oldest || n > 5000 {
		t.Errorf("%d read, then %v", n, last)
	}
}

// A fault is told once, and its end once; what was appended within reach is on the disk after it, the rest has no
// position; retries become rare.
func TestFault(t *testing.T) {
	for _, kind := range []string{"write", "sync", "create", "sync folder"} {
		t.Run(kind, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := newDisk(1)
				var told []string
				tries := 0
				var reason error
				d.fault = func(op, _ string) error {
					if op == kind && reason != nil {
						tries++
						return reason
					}
					return nil
				}
				j := open(t, Options{Folder: d, Buffer: 16 << 10, MaxBytes: 256 << 10, Events: Events{
					Fault:  func(err error) { told = append(told, err.Error()) },
					Mended: func(refused uint64) { told = append(told, fmt.Sprint("mended, refused ", refused)) }}})
				stop := run(t, j)
				defer stop()
				g := newGauge(1)
				given, refused := uint64(0), uint64(0)
				half := func(d time.Duration) {
					for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(500 * time.Millisecond) {
						if _, ok := j.Append("alder", epoch, g.half()); ok {
							given += 30
						} else {
							refused += 30
						}
					}
				}
				half(time.Minute)
				d.mu.Lock()
				reason = syscall.ENOSPC
				d.mu.Unlock()
				half(10 * time.Minute)
				synctest.Wait()
				d.mu.Lock()
				if len(told) != 1 || j.Status().Fault == nil || tries > 80 || tries < 30 {
					t.Errorf("%d tries, told %q, %+v", tries, told, j.Status())
				}
				reason = nil
				d.mu.Unlock()
				if refused < 30_000 || refused != j.Status().Refused {
					t.Errorf("%d given, %d refused: %+v", given, refused, j.Status())
				}
				half(2 * time.Minute)
				synctest.Wait()
				if st := j.Status(); len(told) != 2 || told[1] != fmt.Sprint("mended, refused ", refused) || st.Fault != nil || st.Next != given || st.Lost != 0 {
					t.Errorf("told %q, %+v", told, st)
				}
				stop()
				if got := collect(t, j, 0, math.MaxUint64); uint64(len(got)) != given {
					t.Errorf("%d of %d read", len(got), given)
				}
				now := d.cut() // all of it outlasts that
				again := open(t, Options{Folder: now})
				if got := collect(t, again, 0, math.MaxUint64); uint64(len(got)) != given || again.Status().Next != given {
					t.Errorf("%d of %d read again: %+v", len(got), given, again.Status())
				}
			})
		})
	}
}

// A folder that cannot be written from the start: nothing gets a position until it can be.
func TestReadOnlyAtFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDisk(1)
		whole := true
		d.fault = func(op, _ string) error {
			if whole && op != "read" {
				return syscall.EROFS
			}
			return nil
		}
		j := open(t, Options{Folder: d})
		stop := run(t, j)
		defer stop()
		if _, ok := j.Append("alder", epoch, newGauge(1).half()); ok || j.Status().Fault == nil {
			t.Errorf("a position that the disk has no word of: %+v", j.Status())
		}
		if err := j.Sync(t.Context()); !errors.Is(err, syscall.EROFS) {
			t.Errorf("sync: %v", err)
		}
		time.Sleep(time.Hour)
		d.mu.Lock()
		whole = false
		d.mu.Unlock()
		time.Sleep(2 * time.Minute)
		if first, ok := j.Append("alder", epoch, newGauge(1).half()); !ok || first != 0 || j.Status().Fault != nil {
			t.Errorf("%d, %v, %+v", first, ok, j.Status())
		}
	})
}

// On a full disk the journal gives up what has been acknowledged, and goes on.
func TestFullOfAcknowledged(t *testing.T) {
	for name, acknowledged := range map[string]bool{"acknowledged": true, "not acknowledged": false} {
		t.Run(name, func(t *testing.T) {
			var mono time.Duration
			d := newDisk(1)
			d.fault = func(op, _ string) error {
				n := 0
				for _, f := range d.names {
					n += len(f.now)
				}
				if op == "write" && n > 100_000 {
					return syscall.ENOSPC
				}
				return nil
			}
			j := open(t, Options{Folder: d, Buffer: 16 << 10, MaxBytes: 256 << 10, Retry: time.Millisecond, Mono: func() time.Duration { return mono }})
			g := newGauge(1)
			for range 2000 {
				mono += 500 * time.Millisecond
				j.Append("alder", epoch, g.half())
				if acknowledged {
					j.Acknowledge(j.Status().Next)
				}
				_ = j.attempt(true) // fails now and then
			}
			if st := j.Status(); st.Lost != 0 || (st.Refused == 0) != acknowledged || (st.Oldest > 0) != acknowledged {
				t.Errorf("%+v", st)
			}
		})
	}
}

// A disk that hangs holds up nobody but the journal's own goroutine.
func TestHangingDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDisk(1)
		j := open(t, Options{Folder: hanging{d, make(chan struct{})}})
		hang := j.o.Folder.(hanging).hang
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- j.Run(ctx) }()
		g := newGauge(1)
		refused := 0
		for range 200 { // 100 s, none of which passes in Append
			before := time.Now()
			if _, ok := j.Append("alder", epoch, g.half()); !ok {
				refused++
			}
			_ = j.Status()
			if time.Now() != before {
				t.Fatal("Append has waited")
			}
			time.Sleep(500 * time.Millisecond)
		}
		if st := j.Status(); refused == 0 || st.Synced != 0 || st.Next != 1020 || st.Refused != 200*30-1020 {
			t.Errorf("%d refused: %+v", refused, st)
		}
		short, end := context.WithTimeout(t.Context(), time.Second)
		defer end()
		if err := j.Sync(short); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("sync: %v", err)
		}
		close(hang)
		time.Sleep(10 * time.Second)
		if st := j.Status(); st.Synced != 1020 {
			t.Errorf("%+v", st)
		}
		cancel()
		<-done
	})
}

// What is appended while a slow card syncs is written all the same, and is safe only with the next sync; one that fails
// has all of it written again.
func TestWriteWhileSyncing(t *testing.T) {
	for name, fails := range map[string]error{"the sync succeeds": nil, "the sync fails": syscall.EIO} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := newDisk(1)
				slow := &slowSync{disk: d, hold: make(chan struct{})}
				j := open(t, Options{Folder: slow})
				stop := run(t, j)
				defer stop()
				g := newGauge(1)
				put := func() {
					t.Helper()
					if _, ok := j.Append("alder", epoch, g.half()); !ok {
						t.Fatal("refused")
					}
					short, end := context.WithTimeout(t.Context(), time.Second)
					defer end()
					if err := j.Write(short); err != nil {
						t.Fatal(err)
					}
				}
				put()
				slow.on.Store(true)
				answer := make(chan error, 1)
				go func() { answer <- j.Sync(t.Context()) }()
				synctest.Wait()
				for range 3 {
					put() // in time, though the sync goes on
				}
				if again := open(t, Options{Folder: d.killed()}); len(collect(t, again, 0, math.MaxUint64)) != 120 {
					t.Errorf("after a kill in the sync: %+v", again.Status())
				}
				slow.err = fails
				slow.on.Store(false)
				close(slow.hold)
				if err := <-answer; !errors.Is(err, fails) {
					t.Errorf("sync: %v", err)
				}
				synctest.Wait()
				if st := j.Status(); fails == nil && st.Synced != 30 || fails != nil && st.Synced != 0 {
					t.Errorf("%+v", st)
				}
				time.Sleep(10 * time.Second) // the fault is over
				if st := j.Status(); st.Synced != 120 || st.Fault != nil || st.Lost != 0 {
					t.Errorf("%+v", st)
				}
				if again := open(t, Options{Folder: d.cut()}); len(collect(t, again, 0, math.MaxUint64)) != 120 || again.Status().Next < 120 {
					t.Errorf("after a cut: %+v", again.Status())
				}
			})
		})
	}
}

// A slowSync has its syncs held up.
type slowSync struct {
	*disk
	on   atomic.Bool
	hold chan struct{}
	err  error
}

func (s *slowSync) Create(name string) (File, error) {
	f, err := s.disk.Create(name)
	return &slowFile{File: f, s: s}, err
}

type slowFile struct {
	File
	s     *slowSync
	begun bool // its head is safe, for which it is not held up
}

func (f *slowFile) Sync() error {
	if f.begun && f.s.on.Load() {
		<-f.s.hold
		if f.s.err != nil {
			return f.s.err
		}
	}
	f.begun = true
	return f.File.Sync()
}

// When a fault is over, whoever tries first syncs, and nobody else does meanwhile: two at once would both take what they
// made safe out of the buffer.
func TestOneSyncAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDisk(1)
		slow := &slowSync{disk: d, hold: make(chan struct{})}
		j := open(t, Options{Folder: slow})
		stop := run(t, j)
		defer stop()
		g := newGauge(1)
		put := func() error {
			t.Helper()
			if _, ok := j.Append("alder", epoch, g.half()); !ok {
				t.Fatal("refused")
			}
			return j.Write(t.Context())
		}
		d.mu.Lock()
		d.fault = func(op, _ string) error {
			if op == "write" {
				return syscall.ENOSPC
			}
			return nil
		}
		d.mu.Unlock()
		if err := put(); !errors.Is(err, syscall.ENOSPC) {
			t.Fatalf("on a full disk: %v", err)
		}
		d.mu.Lock()
		d.fault = nil
		d.mu.Unlock()
		slow.on.Store(true)
		time.Sleep(2 * DefaultRetry) // the journal tries again, and its sync takes long
		answer := make(chan error, 1)
		go func() { answer <- put() }()
		synctest.Wait()
		slow.on.Store(false)
		close(slow.hold)
		if err := <-answer; err != nil && !errors.Is(err, syscall.ENOSPC) {
			t.Error(err)
		}
		time.Sleep(10 * time.Second)
		if st := j.Status(); st.Synced != 60 || st.Fault != nil || st.Lost != 0 {
			t.Errorf("%+v", st)
		}
		if again := open(t, Options{Folder: d.cut()}); len(collect(t, again, 0, math.MaxUint64)) != 60 {
			t.Errorf("after a cut: %+v", again.Status())
		}
	})
}

type hanging struct {
	*disk
	hang chan struct{}
}

func (h hanging) Create(name string) (File, error) {
	f, err := h.disk.Create(name)
	return hangingFile{f, h.hang}, err
}

type hangingFile struct {
	File
	hang chan struct{}
}

func (h hangingFile) WriteAt(b []byte, off int64) (int, error) {
	if off > 0 {
		<-h.hang
	}
	return h.File.WriteAt(b, off)
}

// What is spoilt anywhere is lost and counted; everything else is read, nothing is wrong, and no position comes twice.
func TestSpoilt(t *testing.T) {
	for seed := range uint64(100) {
		rng := rand.New(rand.NewPCG(seed, 4))
		tr := &truth{given: map[uint64]*record{}}
		d := newDisk(seed)
		o := Options{Buffer: 4 << 10, MaxBytes: 1 << 20}
		r, err := begin(d, tr, rng, o)
		if err != nil {
			t.Fatal(err)
		}
		r.life(60)
		d = d.cut()
		for range 1 + rng.IntN(3) { // any bytes, the last ones rather than others
			names := slices.Sorted(maps.Keys(d.names))
			f := d.names[names[len(names)-1]]
			if rng.IntN(3) == 0 {
				f = d.names[names[rng.IntN(len(names))]]
			}
			if len(f.now) == 0 {
				continue
			}
			at := rng.IntN(len(f.now))
			if rng.IntN(2) == 0 {
				at = max(0, len(f.now)-1-rng.IntN(600))
			}
			for i := at; i < min(at+1+rng.IntN(1500), len(f.now)); i++ {
				f.now[i] = byte(rng.Uint32())
			}
		}
		for _, rec := range tr.given {
			rec.sure = false
		}
		r, err = begin(d, tr, rng, o)
		if err != nil {
			t.Fatal(err)
		}
		if err := r.check(); err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		r.life(10) // panics where a position comes twice
		if err := r.check(); err != nil {
			t.Fatalf("seed %d, later: %v", seed, err)
		}
		lost := r.Status().Lost
		r.finish()
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		if r, err = begin(d, tr, rng, o); err != nil {
			t.Fatal(err)
		}
		if err := r.check(); err != nil || r.Status().Lost != lost {
			t.Fatalf("seed %d, at the next start: %v, %d lost, were %d", seed, err, r.Status().Lost, lost)
		}
	}
}

// Bytes that cannot be read cost the records in them, and no others; but only when the disk has failed for a while, and
// until then nothing counts as lost.
func TestUnreadable(t *testing.T) {
	d := newDisk(1)
	var mono time.Duration
	o := Options{Folder: bad{d}, Mono: func() time.Duration { return mono }}
	j := open(t, o)
	g := newGauge(1)
	for range 300 {
		if _, ok := j.Append("alder", epoch, g.half()); !ok {
			t.Fatal("refused")
		}
		if err := j.attempt(true); err != nil {
			t.Fatal(err)
		}
	}
	refuses := func(j *Journal) {
		t.Helper()
		n, last := uint64(0), error(nil)
		for b, err := range j.Read(0, math.MaxUint64) {
			n, last = n+uint64(len(b.Samples)), err
		}
		var cannot *UnreadableError
		if !errors.As(last, &cannot) || cannot.From != n || n == 0 || !errors.Is(last, syscall.EIO) {
			t.Errorf("%d read, then %v", n, last)
		}
	}
	for range 3 {
		refuses(j)
		if j.Status().Lost != 0 {
			t.Errorf("lost, though the disk may give it another time: %+v", j.Status())
		}
		mono += patience / 3
	}
	got := collect(t, j, 0, math.MaxUint64)
	if st := j.Status(); st.Lost < 300 || st.Lost > 1500 || uint64(len(got))+st.Lost != st.Next {
		t.Errorf("%d read: %+v", len(got), st)
	}
	if again := collect(t, j, 0, math.MaxUint64); len(again) != len(got) || uint64(len(got))+j.Status().Lost != j.Status().Next {
		t.Errorf("read again: %d, %+v", len(again), j.Status())
	}
	// What is known to be lost is known after a cut of the power too.
	j.Append("alder", epoch, g.half())
	if err := j.attempt(true); err != nil {
		t.Fatal(err)
	}
	before := j.Status()
	o.Folder = bad{d.cut()}
	again := open(t, o)
	collect(t, again, 0, math.MaxUint64)
	if st := again.Status(); st.Lost-before.Lost != st.Next-before.Next {
		t.Errorf("after a cut: %+v, was %+v", st, before)
	}
}

// A card that spoils what was safe, newer marks with it, up to the end: no position is given twice for all that.
func TestSpoiltEnd(t *testing.T) {
	d := newDisk(1)
	j := open(t, Options{Folder: d})
	g := newGauge(1)
	for range 40 {
		for range 20 {
			if _, ok := j.Append("alder", epoch, g.half()); !ok {
				t.Fatal("refused")
			}
		}
		if err := j.attempt(true); err != nil {
			t.Fatal(err)
		}
	}
	id, next, name := j.Status().ID, j.Status().Next, slices.Sorted(maps.Keys(d.names))[0]
	rng := rand.New(rand.NewPCG(1, 5))
	for at := 100; at < len(d.names[name].now); at += 1 + rng.IntN(2999) {
		spoilt := newDisk(1)
		f := &inode{now: slices.Clone(d.names[name].now)}
		for i := at; i < len(f.now); i++ {
			f.now[i] = byte(rng.Uint32())
		}
		spoilt.names[name] = f
		again := open(t, Options{Folder: spoilt})
		if st := again.Status(); st.ID != id || st.Next < next || st.Recovered.Bytes < int64(len(f.now)-at) {
			t.Fatalf("spoilt from %d on: %+v, was %d", at, st, next)
		}
	}
}

// A segment that cannot be read at a start may be read at another: it is neither cut nor removed.
func TestUnreadableAtStart(t *testing.T) {
	d := newDisk(1)
	j := open(t, Options{Folder: d})
	g := newGauge(1)
	for range 30 {
		j.Append("alder", epoch, g.half())
	}
	if err := j.attempt(true); err != nil {
		t.Fatal(err)
	}
	name := slices.Sorted(maps.Keys(d.names))[0]
	id := j.Status().ID
	for _, from := range []int64{0, block} {
		d := d.cut()
		d.names[name].now = append(d.names[name].now, 1, 2, 3) // a torn end, to be cut
		size := len(d.names[name].now)
		bad := open(t, Options{Folder: tail{d, from}})
		st := bad.Status()
		got := collect(t, bad, st.Oldest, math.MaxUint64)
		if d.names[name] == nil || len(d.names[name].now) != size || (len(got) > 0) != (from > 0) {
			t.Errorf("unreadable from %d on: %d read, %+v", from, len(got), st)
		}
		if from == 0 {
			if st.ID == id { // nothing told what was given away
				t.Error("an id goes on whose positions are not known")
			}
			continue
		}
		good := open(t, Options{Folder: d.cut()})
		if got := collect(t, good, 0, math.MaxUint64); st.ID != id || st.Next < 900 || len(got) != 900 {
			t.Errorf("readable again: %d read, %+v", len(got), good.Status())
		}
	}
}

// A tail cannot be read from somewhere on.
type tail struct {
	*disk
	from int64
}

func (b tail) Open(name string) (File, error) {
	f, err := b.disk.Open(name)
	return tailFile{f, b.from}, err
}

type tailFile struct {
	File
	from int64
}

func (f tailFile) ReadAt(b []byte, off int64) (int, error) {
	if off+int64(len(b)) > f.from {
		return 0, syscall.EIO
	}
	return f.File.ReadAt(b, off)
}

type bad struct{ *disk }

func (b bad) Open(name string) (File, error) {
	f, err := b.disk.Open(name)
	return badFile{f}, err
}

type badFile struct{ File }

func (f badFile) ReadAt(b []byte, off int64) (int, error) {
	if off < 20_000 && off+int64(len(b)) > 18_000 {
		return 0, syscall.EIO
	}
	return f.File.ReadAt(b, off)
}

// Segments of another journal stay where they are, and nothing of them is read.
func TestForeign(t *testing.T) {
	d, other := newDisk(1), newDisk(2)
	g := newGauge(1)
	for _, at := range []*disk{other, d} {
		for range 3 { // so that the second has the higher numbers
			j := open(t, Options{Folder: at})
			j.Append("alder", epoch, g.half())
			j.finish()
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			if at == other {
				break
			}
		}
	}
	for name, f := range other.names {
		d.names[name] = f
		break
	}
	strange := slices.Sorted(maps.Keys(other.names))[0]
	j := open(t, Options{Folder: d})
	st := j.Status()
	if got := collect(t, j, st.Oldest, math.MaxUint64); len(got) != 60 || d.names[strange] == nil || st.Next != 90 {
		t.Errorf("%d read of %d: %+v", len(got), len(d.names), st)
	}
}

// Starts without a record leave no heap of files.
func TestManyStarts(t *testing.T) {
	d := newDisk(1)
	for i := range 50 {
		j := open(t, Options{Folder: d})
		if i%2 == 0 {
			j.finish()
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		if len(d.names) > 3 {
			t.Fatalf("%d files after %d starts", len(d.names), i+1)
		}
	}
}

// Appends, syncs, acknowledgements and reads at the same time.
func TestAtOnce(t *testing.T) {
	j := open(t, Options{Folder: Dir(t.TempDir()), Buffer: 64 << 10, MaxBytes: 1 << 20, WriteEvery: time.Millisecond, SyncEvery: 5 * time.Millisecond})
	stop := run(t, j)
	var wg sync.WaitGroup
	for i := range 2 {
		wg.Go(func() {
			for g, n := newGauge(uint64(i)), 0; n < 3000; {
				if _, ok := j.Append("alder", epoch, g.half()); ok {
					n++
				} else {
					time.Sleep(time.Millisecond)
				}
			}
		})
		wg.Go(func() {
			for range 20 {
				pos := j.Status().Oldest
				for b, err := range j.Read(pos, math.MaxUint64) {
					var old *TooOldError
					if errors.As(err, &old) {
						break
					}
					if err != nil || b.First < pos || b.Pot != "alder" || len(b.Samples) > 30 {
						t.Errorf("%d samples from %d, at %d: %v", len(b.Samples), b.First, pos, err)
						return
					}
					pos = b.First + uint64(len(b.Samples))
				}
				j.Acknowledge(pos)
				if err := j.Sync(t.Context()); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	stop()
	st := j.Status()
	if got := collect(t, j, st.Oldest, math.MaxUint64); st.Next != 180_000 || st.Synced != st.Next || uint64(len(got)) != st.Next-st.Oldest {
		t.Errorf("%d read: %+v", len(got), st)
	}
}

// A pot's day stays small: the bytes of a record, and what is written to the disk besides them.
func TestBytesOfARecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDisk(1)
		j := open(t, Options{Folder: d})
		stop := run(t, j)
		g := newGauge(1)
		records := 0
		for range 2 * 60 * 60 { // an hour
			if _, ok := j.Append("alder", epoch, g.half()); !ok {
				t.Fatal("refused")
			}
			records += 30
			time.Sleep(500 * time.Millisecond)
		}
		stop()
		batch := len(frame.AppendBatch(nil, j.salt, Batch{First: 1e6, Pot: "alder", Epoch: epoch, Samples: g.half()}))
		perRecord := float64(d.bytes) / float64(records)
		t.Logf("%.2f bytes a record, %.3f of what a bare frame takes; %d writes and %d syncs an hour; %.1f MB a day",
			perRecord, float64(d.bytes)*30/float64(records)/float64(batch), d.writes, d.syncs, perRecord*60*86_400/1e6)
		if perRecord > 7.5 || d.syncs > 3600/5+50 || d.writes > 3600+3600/5+50 {
			t.Errorf("%.2f bytes a record, %d writes, %d syncs", perRecord, d.writes, d.syncs)
		}
	})
}

func TestAppendAllocatesNothing(t *testing.T) {
	j := open(t, Options{Folder: newDisk(1)})
	b := newGauge(1).half()
	if n := testing.AllocsPerRun(30, func() {
		if _, ok := j.Append("alder", epoch, b); !ok {
			t.Fatal("refused")
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
	if _, ok := j.Append("alder", epoch, make([]points.Sample, MaxBatch+1)); ok || j.Status().Refused != MaxBatch+1 {
		t.Error("more than can be kept is kept")
	}
}
