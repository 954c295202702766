package pot_test

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/pot"
)

// TestShares: samples are handed on with the handle, on the server's clock, from the first echo on. The agent's clock is five
// hours off.
func TestShares(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var pressed, released si.Instant
		heard := 0
		f := start(t, pot.Options{Events: pot.Events{Sample: func(_ context.Context, s points.Sample, h vent.Handle) {
			heard++
			if age := si.InstantOf(time.Now()).Sub(s.At); age < 0 || age > time.Second {
				t.Errorf("a sample of %v handed on %v after it", s.At, age)
			}
			switch {
			case h.Known && h.Pressed:
				pressed = h.Since
			case h.Known && pressed != 0:
				released = h.Since
			}
		}}})
		f.deaf = true
		f.birth()
		f.run(2 * time.Second)
		if heard != 0 {
			t.Errorf("%d samples whose time is not known", heard)
		}
		f.deaf = false
		f.run(time.Second)
		from := si.InstantOf(time.Now())
		f.press()
		f.run(5 * time.Second)
		to := si.InstantOf(time.Now())
		f.release()
		f.run(5 * time.Second)
		synctest.Wait()
		if heard != 5*110 {
			t.Errorf("%d samples heard, want those of 11 s", heard)
		}
		for _, c := range [][2]si.Instant{{pressed, from}, {released, to}} {
			if d := c[0].Sub(c[1]); d < -100*time.Millisecond || d > 200*time.Millisecond {
				t.Errorf("the handle moved at %v, handed on as %v", c[1], c[0])
			}
		}
	})
}
