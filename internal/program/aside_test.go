package program

import (
	"bytes"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// stalled is a log's end that stands still until it is let go.
type stalled struct {
	bytes.Buffer
	on chan struct{}
}

func (s *stalled) Write(p []byte) (int, error) {
	<-s.on
	return s.Buffer.Write(p)
}

// While what takes the log stands still nobody who logs waits; when it goes on every line is there or counted, in order.
func TestStalledLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		to := &stalled{on: make(chan struct{})}
		a := newAside(to)
		log := slog.New(slog.NewTextHandler(a, nil))
		const lines = 100_000
		began := time.Now()
		for i := range lines {
			log.Info("reading refused", "n", i)
		}
		if took := time.Since(began); took != 0 {
			t.Errorf("logging waited %v", took)
		}
		close(to.on)
		synctest.Wait()
		log.Info("again")
		a.end()
		log.Info("after the end")

		got := strings.Split(strings.TrimSuffix(to.String(), "\n"), "\n")
		there, dropped, told := 0, 0, false
		for _, line := range got {
			switch {
			case strings.Contains(line, "reading refused"):
				if told || !strings.HasSuffix(line, fmt.Sprint(" n=", there)) {
					t.Fatalf("line %d is %q", there, line)
				}
				there++
			case strings.Contains(line, "dropped"):
				told = true
				if _, err := fmt.Sscanf(line[strings.LastIndex(line, "lines="):], "lines=%d", &dropped); err != nil {
					t.Errorf("%q: %v", line, err)
				}
			}
		}
		if there+dropped != lines || there < 10_000 || !strings.HasSuffix(got[len(got)-1], "msg=again") {
			t.Errorf("%d lines are there, %d counted as dropped, of %d; the last is %q", there, dropped, lines, got[len(got)-1])
		}
	})
}

// A program ends though its log stands still for good.
func TestEndWithStalledLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, w := io.Pipe() // that nobody reads
		a := newAside(w)
		slog.New(slog.NewTextHandler(a, nil)).Info("stopped")
		began := time.Now()
		a.end()
		if took := time.Since(began); took != asideEnd {
			t.Errorf("the end took %v, not %v", took, asideEnd)
		}
		r.Close()
	})
}
