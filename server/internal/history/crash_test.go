package history

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// childEnv makes the test binary write to a store until it is killed.
const childEnv = "GRITWATCH_HISTORY_TEST_CHILD"

func TestMain(m *testing.M) {
	if what := os.Getenv(childEnv); what != "" {
		child(what)
		return
	}
	os.Exit(m.Run())
}

// crashBatch is the i-th batch of the child. Each third is late, half of them of an epoch of their own.
func crashBatch(i int) Batch {
	at := start.Add(time.Duration(i) * 500 * time.Millisecond)
	epoch := uint64(1)
	if i%3 == 2 {
		at, epoch = at.Add(-26*time.Hour), uint64(1+i%2)
	}
	b := Batch{Pot: "alder", Epoch: epoch}
	for k := range 5 {
		for _, p := range points.All() {
			q := points.Good
			if (i+k)%17 == 0 {
				q = points.OutOfRange
			}
			b.Samples = append(b.Samples, points.Sample{Point: p, Quality: q, At: at.Add(time.Duration(k) * 100 * time.Millisecond), Value: si.GaugePressure(i*1000 + k*10 + int(p))})
		}
	}
	return b
}

func crashOptions() Options {
	c := &clock{start.Add(12 * time.Hour)}
	return Options{Site: "harrow-quay", Log: slog.New(slog.DiscardHandler), Block: time.Minute, MinFree: 1, Ahead: 1000 * time.Hour, Now: c.now}
}

// child appends batches from the one given on, and says each when Append has returned.
func child(what string) {
	dir, rest, _ := strings.Cut(what, "|")
	from, err := strconv.Atoi(rest)
	if err != nil {
		panic(err)
	}
	s, err := Open(dir, crashOptions())
	if err != nil {
		fmt.Println("open:", err)
		os.Exit(1)
	}
	go func() { // blocks and full chunks are written meanwhile
		for {
			s.upkeep(context.Background())
		}
	}()
	for i := from; ; i++ {
		r, err := s.Append(crashBatch(i))
		if err != nil || r.Stored+r.Repeated != len(crashBatch(i).Samples) {
			fmt.Println("append:", r, err)
			os.Exit(1)
		}
		if i%50 == 0 {
			if err := s.Sync(); err != nil {
				fmt.Println("sync:", err)
				os.Exit(1)
			}
		}
		fmt.Println(i)
	}
}

// Killed at any time, again and again: all that Append returned for is there, once, as it was.
func TestKilled(t *testing.T) {
	dir := t.TempDir()
	next := 0 // the first batch that was not acknowledged
	for round := range 5 {
		cmd := exec.Command(os.Args[0], "-test.run=^$")
		cmd.Env = append(os.Environ(), childEnv+"="+dir+"|"+strconv.Itoa(next))
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		stopAfter := rand.IntN(400) + 1
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			i, err := strconv.Atoi(lines.Text())
			if err != nil {
				t.Fatal(lines.Text())
			}
			if i != next {
				t.Fatalf("batch %d, want %d", i, next)
			}
			next++
			if n == stopAfter {
				if err := cmd.Process.Kill(); err != nil {
					t.Fatal(err)
				}
			}
		}
		err = cmd.Wait()
		if ws, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || ws.Signal() != syscall.SIGKILL {
			t.Fatalf("child ended by itself: %v", err)
		}
		s, err := Open(dir, crashOptions())
		if err != nil {
			t.Fatal(err)
		}
		expectBatches(t, s, next)
		t.Logf("round %d: %d batches, %d things damaged: %v", round, next, len(s.Damage()), s.Damage())
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// expectBatches wants the batches before next, and at most the whole next one, which was not acknowledged.
func expectBatches(t *testing.T, s *Store, next int) {
	t.Helper()
	m := &model{there: map[trackKey]map[si.Instant]reading{}}
	o, err := crashOptions().withDefaults()
	if err != nil {
		t.Fatal(err)
	}
	for i := range next {
		m.append(crashBatch(i), o.Now0(), o)
	}
	there := map[Record]bool{}
	for _, r := range all(t, s, everything("alder")) {
		if there[r] {
			t.Fatalf("twice: %+v", r)
		}
		there[r] = true
	}
	want := m.read(everything("alder"))
	for _, r := range want {
		if !there[r] {
			t.Fatalf("lost: %+v of %d records, %d are there, damage %v, stats %+v", r, len(want), len(all(t, s, everything("alder"))), s.Damage(), s.Stats())
		}
		delete(there, r)
	}
	more := map[Record]bool{}
	m = &model{there: map[trackKey]map[si.Instant]reading{}}
	m.append(crashBatch(next), o.Now0(), o)
	for _, r := range m.read(everything("alder")) {
		more[r] = true
	}
	for r := range there {
		if !more[r] {
			t.Fatalf("never given: %+v", r)
		}
	}
}

// Now0 is the time of the test.
func (o Options) Now0() si.Instant { return si.InstantOf(o.Now()) }

// A write that fails in the midst, as with a full disk or a quota: it is told, what was stored is there, readers go on,
// and storing goes on as soon as the disk takes writes. The limit on the size of a file fails writes for real.
func TestWritesFail(t *testing.T) {
	// In a process of its own: the limit holds for the files of the test framework too.
	const own = "GRITWATCH_HISTORY_TEST_LIMITED"
	if os.Getenv(own) == "" {
		cmd := exec.Command(os.Args[0], "-test.run=^TestWritesFail$", "-test.v")
		cmd.Env = append(os.Environ(), own+"=1")
		out, err := cmd.CombinedOutput()
		if err != nil || !strings.Contains(string(out), "--- PASS: TestWritesFail") {
			t.Fatalf("%v\n%s", err, out)
		}
		return
	}
	signal.Ignore(syscall.SIGXFSZ)
	defer signal.Reset(syscall.SIGXFSZ)
	var old syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
		t.Fatal(err)
	}
	limit := func(n uint64) {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: n, Max: old.Max}); err != nil {
			t.Fatal(err)
		}
	}
	defer limit(old.Cur)
	dir := t.TempDir()
	o := crashOptions()
	s := mustOpen(t, dir, o)
	next := 0
	for round, most := range []uint64{100_000, 140_000, 147_777, 155_554} { // in the midst of a page
		limit(most)
		var failed error
		for i := next; i < next+5000 && failed == nil; i++ {
			if _, failed = s.Append(crashBatch(i)); failed == nil {
				next = i + 1
			}
		}
		if failed == nil {
			t.Fatal("no write failed")
		}
		if st := s.Stats(); st.Fault == "" || st.Faults != int64(round+1) {
			t.Fatalf("%+v", st)
		}
		if most > 131_072 {
			expectBatches(t, s, next) // readers go on
		} else if err := s.Range(context.Background(), everything("alder"), func(Record) error { return nil }); !errors.Is(err, ErrAway) {
			// A file of chunks begins with 128 KiB: a late sample breaks the library in the midst.
			t.Fatalf("chunk was not written: %v", err)
		}
		s.mend()
		if _, err := s.Append(crashBatch(next)); err == nil {
			t.Fatal("stored on a disk that takes no writes")
		}
		limit(old.Cur)
		s.mend()
		if st := s.Stats(); st.Fault != "" {
			t.Fatalf("%+v", st)
		}
		expectBatches(t, s, next)
		if r, err := s.Append(crashBatch(next)); err != nil || r.Stored+r.Repeated != len(crashBatch(next).Samples) {
			t.Fatal(r, err)
		}
		next++
		expectBatches(t, s, next)
		t.Logf("round %d: %v; %d batches, damage %v", round, failed, next, s.Damage())
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	expectBatches(t, mustOpen(t, dir, o), next)
}
