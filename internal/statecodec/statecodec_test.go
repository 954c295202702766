package statecodec_test

import (
	"bytes"
	"errors"
	"math"
	"testing"
	"time"

	"gritwatch/internal/statecodec"

	"pgregory.net/rapid"
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
	// 1 version of 8 bytes; -7 in 1; 3 s in ns in 1+5; 200 in 1+2; -0 in 1+1; +Inf in 1+2; a third in 1+8; true in 1.
	if want := 8 + 1 + 6 + 3 + 2 + 3 + 9 + 1; len(b) != want {
		t.Errorf("%d bytes, want %d", len(b), want)
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

// field is one field of any kind.
type field struct {
	kind int
	n    int64
	b    uint8
	u    uint64
	f    uint64 // bits
	on   bool
	in   *nested
}

type nested struct{ list []field }

func (s *nested) fields(c *statecodec.Codec) {
	for i := range s.list {
		switch v := &s.list[i]; v.kind {
		case 0:
			statecodec.Int(c, &v.n)
		case 1:
			statecodec.Int(c, &v.b)
		case 2:
			statecodec.Int(c, &v.u)
		case 3:
			f := math.Float64frombits(v.f)
			statecodec.Float(c, &f)
			v.f = math.Float64bits(f)
		case 4:
			statecodec.Bool(c, &v.on)
		case 5:
			statecodec.Word(c, &v.u)
		case 6:
			statecodec.Nested(c, v.in)
		}
	}
}

func (s *nested) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, 7)
	s.fields(&c)
	return c.Bytes()
}

func (s *nested) SetState(b []byte) error { return statecodec.Read(b, 7, s.fields) }

// blank is a structure of the same form that holds nothing.
func (s *nested) blank() *nested {
	out := &nested{}
	for _, v := range s.list {
		w := field{kind: v.kind}
		if v.in != nil {
			w.in = v.in.blank()
		}
		out.list = append(out.list, w)
	}
	return out
}

func anyFields(t *rapid.T, deep int) *nested {
	s := &nested{}
	for range rapid.IntRange(0, 12).Draw(t, "fields") {
		v := field{kind: rapid.IntRange(0, 6).Draw(t, "kind")}
		switch v.kind {
		case 0:
			base := rapid.SampledFrom([]int64{0, 1_800_000_000_000_000, math.MinInt64, math.MaxInt64}).Draw(t, "near")
			v.n = base + rapid.OneOf(rapid.Int64Range(-300, 300), rapid.Int64()).Draw(t, "whole") // wraps
		case 1:
			v.b = rapid.Uint8().Draw(t, "byte")
		case 2, 5:
			v.u = rapid.Uint64().Draw(t, "word")
		case 3:
			v.f = rapid.OneOf(rapid.Uint64(), rapid.SampledFrom([]uint64{0, 1, math.Float64bits(math.NaN()), 0x7ff0000000000001, math.Float64bits(100e3), 1 << 63})).Draw(t, "bits")
		case 4:
			v.on = rapid.Bool().Draw(t, "on")
		case 6:
			if v.kind = 4; deep > 0 {
				v.kind, v.in = 6, anyFields(t, deep-1)
			}
		}
		s.list = append(s.list, v)
	}
	return s
}

// Any fields come back bit for bit, and nothing that is cut or longer is taken for them.
func TestAnyFields(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := anyFields(t, 2)
		b := in.AppendState(nil)
		out := in.blank()
		if err := out.SetState(b); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(out.AppendState(nil), b) || !same(in, out) {
			t.Fatalf("%+v, want %+v", out.list, in.list)
		}
		if err := in.blank().SetState(b[:rapid.IntRange(0, len(b)-1).Draw(t, "cut")]); !errors.Is(err, statecodec.ErrState) {
			t.Fatalf("cut: %v", err)
		}
		if err := in.blank().SetState(append(bytes.Clone(b), 0)); !errors.Is(err, statecodec.ErrState) {
			t.Fatalf("longer: %v", err)
		}
	})
}

func same(a, b *nested) bool {
	for i, v := range a.list {
		w := b.list[i]
		if v.in != nil {
			if !same(v.in, w.in) {
				return false
			}
			v.in, w.in = nil, nil
		}
		if v != w {
			return false
		}
	}
	return len(a.list) == len(b.list)
}

// A number that does not fit its field is damage, as is a truth that is neither, and a first byte that means nothing.
func TestDamaged(t *testing.T) {
	large := int64(1 << 40)
	b := statecodec.Append(nil, 1, func(c *statecodec.Codec) { statecodec.Int(c, &large) })
	var small uint8
	if err := statecodec.Read(b, 1, func(c *statecodec.Codec) { statecodec.Int(c, &small) }); !errors.Is(err, statecodec.ErrState) {
		t.Errorf("%d: %v", small, err)
	}
	two := 2
	b = statecodec.Append(nil, 1, func(c *statecodec.Codec) { statecodec.Int(c, &two) })
	var on bool
	if err := statecodec.Read(b, 1, func(c *statecodec.Codec) { statecodec.Bool(c, &on) }); !errors.Is(err, statecodec.ErrState) {
		t.Errorf("%v: %v", on, err)
	}
	for first := range 256 {
		b := append(statecodec.Append(nil, 1, func(*statecodec.Codec) {}), byte(first))
		f := 0.0
		if err := statecodec.Read(b, 1, func(c *statecodec.Codec) { statecodec.Float(c, &f) }); (err == nil) != (first < 3) {
			t.Errorf("a number that begins with %d: %v, %v", first, f, err)
		}
		n := 0
		if err := statecodec.Read(b, 1, func(c *statecodec.Codec) { statecodec.Int(c, &n) }); (err == nil) != (first < 0xc0 || first >= 0xe0) {
			t.Errorf("a whole number that begins with %#x: %v, %v", first, n, err)
		}
	}
	want := errors.New("too old")
	if err := statecodec.Read(statecodec.Append(nil, 1, func(*statecodec.Codec) {}), 1, func(c *statecodec.Codec) { c.Fail(want); c.Fail(statecodec.ErrState) }); !errors.Is(err, want) {
		t.Error(err)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte{7, 0, 0, 0, 0, 0, 0, 2, 0xc3, 1, 2, 3, 0x13, 1, 2, 3, 1, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, b []byte) {
		s := &nested{list: []field{{kind: 0}, {kind: 3}, {kind: 4}, {kind: 6, in: &nested{list: []field{{kind: 2}}}}, {kind: 1}, {kind: 5}}}
		if s.SetState(b) == nil && s.blank().SetState(s.AppendState(nil)) != nil {
			t.Fatal("what was read cannot be read again")
		}
	})
}
