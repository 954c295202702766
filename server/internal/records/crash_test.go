package records

import (
	"bufio"
	"context"
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
)

// A child is this test's own binary, which does one of these in place of its tests. What it prints is what it was told
// is stored.
const childKey = "RECORDS_CHILD"

var children = map[string]func(folder string) error{"writer": childWriter, "narrow": childNarrow}

func TestMain(m *testing.M) {
	do, folder, ok := strings.Cut(os.Getenv(childKey), ":")
	if !ok {
		os.Exit(m.Run())
	}
	if err := children[do](folder); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func child(t *testing.T, do, folder string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), childKey+"="+do+":"+folder)
	return cmd
}

// childWriter goes on from where the records end: for each number a cycle, a checkpoint, then the position that covers them.
func childWriter(folder string) error {
	s, err := Open(folder, slog.New(slog.NewTextHandler(os.Stderr, nil)))
	if err != nil {
		return err
	}
	ctx := context.Background()
	p, err := s.Positions(ctx)
	if err != nil {
		return err
	}
	n := uint64(0)
	if len(p) > 0 {
		n = p[0].Stored
	}
	for {
		n++
		at := time.Duration(n) * time.Minute
		s.AddCycle(cycleOf("alder", at))
		s.SaveCheckpoints([]Checkpoint{{Pot: "alder", At: begin.Add(at), State: make([]byte, 4000), Version: 1}})
		w := s.PutPositions([]Position{{Agent: "quay-1", Journal: "j", Stored: n, At: begin.Add(at)}})
		if n%3 == 0 { // the others go with it, or by themselves
			if err := w.Wait(ctx); err != nil {
				return err
			}
			fmt.Println(n)
		}
	}
}

// TestKilled: a server that is killed at any moment has stored what Wait gave nil for, and nothing without what was handed in
// before it.
func TestKilled(t *testing.T) {
	folder := t.TempDir()
	random := rand.New(rand.NewPCG(7, 7))
	told := 0
	for round := range 12 {
		cmd := child(t, "writer", folder)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		var errs strings.Builder
		cmd.Stderr = &errs
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// At a random instant: of every third round while the file is opened (or not yet), else amid transactions.
		after, first := random.IntN(15), time.Duration(random.IntN(20))*time.Millisecond
		killer := time.AfterFunc(time.Minute, func() { _ = cmd.Process.Signal(syscall.SIGKILL) })
		if round%3 == 0 {
			killer.Reset(5 * first)
		}
		lines := bufio.NewScanner(out)
		for n := 0; lines.Scan(); n++ {
			if told, err = strconv.Atoi(lines.Text()); err != nil {
				t.Fatal(err)
			}
			if n == after && round%3 != 0 {
				killer.Reset(first)
			}
		}
		_ = cmd.Wait() // killed
		killer.Stop()
		if !cmd.ProcessState.Sys().(syscall.WaitStatus).Signaled() {
			t.Fatalf("the child ended by itself: %s", errs.String())
		}
		if _, err := os.Stat(folder + "/" + damagedName); err == nil {
			t.Fatalf("round %d: damaged\n%s", round, errs.String())
		}
		if _, err := os.Stat(folder + "/" + fileName); err != nil {
			continue // killed before
		}
		s, err := Open(folder, slog.New(slog.DiscardHandler)) // with its check
		if err != nil {
			t.Fatal(err)
		}
		if s.Damage() != "" {
			t.Fatalf("round %d: %s", round, s.Damage())
		}
		var cycles, newest int
		row := s.read.QueryRowContext(t.Context(), "SELECT COUNT(*), COALESCE(MAX(press_us), 0) FROM cycles")
		if err := row.Scan(&cycles, &newest); err != nil {
			t.Fatal(err)
		}
		p := got[[]Position](t)(s.Positions(t.Context()))
		c := got[[]Checkpoint](t)(s.NewestCheckpoints(t.Context()))
		stored := 0
		if len(p) > 0 {
			stored = int(p[0].Stored)
		}
		switch {
		case stored < told:
			t.Errorf("round %d: position %d, though %d was told to be stored", round, stored, told)
		case cycles < stored || cycles > 0 && newest != int(begin.Add(time.Duration(cycles)*time.Minute)):
			t.Errorf("round %d: %d cycles to %d, though position %d covers more", round, cycles, newest, stored)
		case stored > 0 && (len(c) != 1 || c[0].At < begin.Add(time.Duration(stored)*time.Minute)):
			t.Errorf("round %d: no checkpoint for position %d", round, stored)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	if told < 100 {
		t.Errorf("only %d were stored in all rounds", told)
	}
}

// childNarrow writes under a limit on the size of files, in whose place a disk could be full: writes fail, reads go on.
func childNarrow(folder string) error {
	signal.Ignore(syscall.SIGXFSZ)
	var log strings.Builder
	s, err := Open(folder, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		return err
	}
	ctx := context.Background()
	store := func(n int) error { return s.AddCycle(cycleOf("alder", time.Duration(n)*time.Minute)).Wait(ctx) }
	for n := range 50 {
		if err := store(n); err != nil {
			return err
		}
	}
	before, err := s.Cycles(ctx, Query{Limit: longestPage})
	if err != nil {
		return err
	}
	old := syscall.Rlimit{}
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
		return err
	}
	limit := old
	limit.Cur = 64 << 10
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		return err
	}
	if err := store(50); err == nil {
		return fmt.Errorf("stored beyond the limit")
	} else if !strings.Contains(err.Error(), "not stored yet") {
		return err
	}
	if f, ok := s.Fault(); !ok || f.Waits != 1 || !strings.Contains(f.Words, "cannot be written: look at the disk") {
		return fmt.Errorf("fault %+v, %v", f, ok)
	}
	now, err := s.Cycles(ctx, Query{Limit: longestPage})
	if err != nil || len(now.Items) != len(before.Items) {
		return fmt.Errorf("%d cycles while nothing can be written, %w", len(now.Items), err)
	}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
		return err
	}
	if err := s.Close(); err != nil { // it stores what waits
		return err
	}
	if !strings.Contains(log.String(), "records are stored again") {
		return fmt.Errorf("log:\n%s", log.String())
	}
	fmt.Println("done")
	return nil
}

// TestNarrow: a write that the system cuts short harms nothing, and is stored once there is room.
func TestNarrow(t *testing.T) {
	folder := t.TempDir()
	cmd := child(t, "narrow", folder)
	var errs strings.Builder
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil || string(out) != "done\n" {
		t.Fatalf("%v\n%s%s", err, out, errs.String())
	}
	s, _ := opened(t, folder)
	if n := len(stored(t, s).Cycles); n != 51 || s.Damage() != "" {
		t.Errorf("%d cycles, %s", n, s.Damage())
	}
}

// TestDiskFull: SQLite's own report of a full disk, brought about by a limit on its pages.
func TestDiskFull(t *testing.T) {
	folder := t.TempDir()
	s, log := opened(t, folder)
	ctx := t.Context()
	must(t, samples().store(s)...)
	limit := func(pages int) {
		t.Helper()
		var n int
		if err := s.write.QueryRowContext(ctx, fmt.Sprintf("PRAGMA max_page_count = %d", pages)).Scan(&n); err != nil {
			t.Fatal(err)
		}
	}
	limit(1) // no more than there are
	big := func(n int) []Checkpoint {
		return []Checkpoint{{Pot: fmt.Sprint("pot-", n), At: begin, State: make([]byte, MaxState), Version: 1}}
	}
	errFull := s.SaveCheckpoints(big(0)).Wait(ctx)
	if e := fmt.Sprint(errFull); !strings.HasPrefix(e, "not stored yet: the disk is full: ") {
		t.Errorf("full: %v", errFull)
	}
	f, ok := s.Fault()
	if !ok || !strings.HasPrefix(f.Words, "the disk is full: free room where "+folder) {
		t.Errorf("fault %+v, %v", f, ok)
	}
	same(t, stored(t, s), samples())
	var check string
	if err := s.read.QueryRowContext(ctx, "PRAGMA quick_check").Scan(&check); err != nil || check != "ok" {
		t.Errorf("check %q, %v", check, err)
	}
	waits := s.SaveCheckpoints(big(1))
	limit(1 << 30)
	select { // a try is due within a second
	case <-waits.done:
	case <-time.After(2 * time.Minute):
		t.Fatal("not tried again")
	}
	must(t, waits)
	if _, ok := s.Fault(); ok {
		t.Error("a fault with nothing wrong")
	}
	want := samples()
	want.Checkpoints = append(want.Checkpoints, big(0)[0], big(1)[0])
	same(t, len(stored(t, s).Checkpoints), 4)
	same(t, stored(t, s).Cycles, want.Cycles)
	if n := strings.Count(log.String(), "records cannot be stored"); n != 1 {
		t.Errorf("told %d times:\n%s", n, log)
	}
}
