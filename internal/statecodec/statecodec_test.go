package statecodec_test

import (
	"errors"
	"math"
	"testing"
	"time"

	"gritwatch/internal/statecodec"
)

type state struct {
	n  int
	d  time.Duration
	k  uint8
	f  [3]float64
	on bool
}

func (s *state) fields(c *statecodec.Codec) {
	statecodec.Int(c, &s.n)
	statecodec.Int(c, &s.d)
	statecodec.Int(c, &s.k)
	for i := range s.f {
		statecodec.Float(c, &s.f[i])
	}
	statecodec.Bool(c, &s.on)
}

func TestThereAndBack(t *testing.T) {
	in := state{-7, 3 * time.Second, 200, [3]float64{math.Copysign(0, -1), math.Inf(1), 1.0 / 3}, true}
	b := statecodec.Append([]byte("x"), 4, in.fields)[1:]
	var out state
	if err := statecodec.Read(b, 4, out.fields); err != nil || out != in || math.Signbit(out.f[0]) != math.Signbit(in.f[0]) {
		t.Errorf("%+v, %v", out, err)
	}
	for name, bad := range map[string][]byte{"short": b[:len(b)-1], "long": append(append([]byte{}, b...), 0), "empty": nil} {
		if err := statecodec.Read(bad, 4, out.fields); !errors.Is(err, statecodec.ErrState) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := statecodec.Read(b, 5, out.fields); !errors.Is(err, statecodec.ErrState) {
		t.Errorf("another version: %v", err)
	}
}
