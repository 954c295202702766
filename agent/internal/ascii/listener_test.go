package ascii_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/protocol/si"
)

// ear is a listener on a wire and what it heard.
type ear struct {
	w      *wire
	l      *ascii.Listener
	heard  []string
	at     []si.Instant
	failed []error
	stray  int
	pause  time.Duration // what handing a line on takes
}

func newEar(t *testing.T, patterns ...*lines.Pattern) *ear {
	e := &ear{w: newWire()}
	e.l = ascii.NewListener(e.w, patterns, ascii.Options{Mode: mode, Now: func() si.Instant { return si.InstantOf(time.Now()) },
		Events: ascii.Events{Failed: func(_ int, err error) { e.failed = append(e.failed, err) }, Stray: func(n int) { e.stray += n }}})
	return e
}

func (e *ear) listen(t *testing.T, d time.Duration) {
	t.Helper()
	for end := time.Now().Add(d); time.Until(end) > 0; {
		err := e.l.Listen(time.Until(end), func(a ascii.Answer) {
			e.heard, e.at = append(e.heard, string(a.Text)), append(e.at, a.At)
			time.Sleep(e.pause)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestListener(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := newEar(t, pattern(t, fixed, lines.NoCheck))
		start := time.Now()
		e.w.put([]byte("2.34\r\n>+001.00\r\n>+00"))
		e.listen(t, 10*ms)
		e.w.put([]byte("2.00\r"))
		e.listen(t, 10*ms)
		e.w.put([]byte("\n>+0x3.00\r\n>+00\x004.00\r\n>+005.00\r\n"))
		e.listen(t, 10*ms)
		if got := strings.Join(e.heard, " "); got != ">+001.00 >+002.00 >+005.00" {
			t.Errorf("heard %s", got)
		}
		if len(e.failed) != 2 || !errors.Is(e.failed[0], lines.ErrLine) || !errors.Is(e.failed[1], lines.ErrNoise) {
			t.Errorf("failed %v", e.failed)
		}
		// The second line ended when it was read. Behind the first one's CR came 5 characters with it, but the reading
		// began only then; behind the third's one.
		char := 10 * time.Second / 9600
		for i, want := range []time.Time{start, start.Add(10 * ms), start.Add(20 * ms)} {
			if i < len(e.at) && (e.at[i] > si.InstantOf(want) || e.at[i] < si.InstantOf(want.Add(-5*char))) {
				t.Errorf("line %d at %v, want %v", i, e.at[i], want)
			}
		}
	})
}

// Lines that were read together keep their order, a line's time apart.
func TestListenerStampsWhatCameTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := newEar(t, pattern(t, fixed, lines.NoCheck))
		e.w.put([]byte("\n"))
		e.listen(t, 10*ms)
		timer := time.AfterFunc(40*ms, func() { e.w.put([]byte(">+001.00\r\n>+002.00\r\n>+003.00\r\n")) })
		defer timer.Stop()
		e.listen(t, 60*ms)
		if len(e.at) != 3 {
			t.Fatal(e.heard)
		}
		line := 10 * 10 * time.Second / 9600 // 10 characters of 10 bits
		for i := 1; i < 3; i++ {
			if d := e.at[i].Sub(e.at[i-1]); math.Abs(float64(d-line)) > float64(2*time.Microsecond) {
				t.Errorf("lines %d and %d are %v apart, want %v", i-1, i, d, line)
			}
		}
	})
}

// A program that was held up finds lines from then. They are thrown away, however many there are; what comes after
// them is heard again.
func TestListenerAfterBeingHeldUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := newEar(t, pattern(t, fixed, lines.NoCheck))
		e.w.put([]byte("\n>+001.00\r\n"))
		e.pause = time.Hour
		e.listen(t, ms)
		e.pause = 0
		for range 7000 { // 70 kB
			e.w.put([]byte(">+099.00\r\n"))
		}
		e.listen(t, 50*ms)
		e.w.put([]byte(">+098.00\r\n")) // the system may still have been handing on
		e.listen(t, 150*ms)
		e.w.put([]byte("7.00\r\n>+002.00\r\n"))
		e.listen(t, 10*ms)
		if got := strings.Join(e.heard, " "); got != ">+001.00 >+002.00" {
			t.Errorf("heard %.100s", got)
		}
		if e.stray != 70_010 {
			t.Errorf("%d bytes thrown away", e.stray)
		}
	})
}

// Noise without a line end fills nothing up, and the next whole line is heard.
func TestListenerNoise(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := newEar(t, pattern(t, fixed, lines.NoCheck))
		e.w.put([]byte("\n"))
		for range 100 {
			e.w.put([]byte(strings.Repeat("U", 50)))
			e.listen(t, 50*ms)
		}
		e.w.put([]byte("\r\n>+001.00\r\n"))
		e.listen(t, 10*ms)
		if fmt.Sprint(e.heard) != "[>+001.00]" || len(e.failed) != 1 || !errors.Is(e.failed[0], lines.ErrTooLong) {
			t.Errorf("%v %v", e.heard, e.failed)
		}
		e.w.Close()
		if err := e.l.Listen(ms, nil); !errors.Is(err, ascii.ErrPort) {
			t.Error(err)
		}
		again := newWire()
		e.l.Reopened(again)
		again.put([]byte(">+002.00\r\n>+003.00\r\n"))
		e.w = again
		e.listen(t, 10*ms)
		if fmt.Sprint(e.heard) != "[>+001.00 >+003.00]" { // the first may have been a tail
			t.Errorf("%v", e.heard)
		}
	})
}
