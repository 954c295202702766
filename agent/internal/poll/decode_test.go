package poll_test

import (
	"encoding/binary"
	"math"
	"testing"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/internal/vent"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"

	"pgregory.net/rapid"
)

// loop is 0..20000 counts for 0..20 mA, so that a count is a microampere, and 4..20 mA for 0..200 psi.
var loop = config.Scale{CountHi: 20000, CurrentHi: 20e-3, Hi: 200 * si.PSI}

func words(regs ...uint16) modbus.Data {
	var d []byte
	for _, r := range regs {
		d = binary.BigEndian.AppendUint16(d, r)
	}
	return d
}

func decode(f poll.Field, regs ...uint16) points.Sample { return f.Decode(words(regs...), 42) }

// NAMUR NE 43: 3.8 to 20.5 mA good, at or under 3.6 and at or over 21 failed, between them saturated.
func TestLoopLimits(t *testing.T) {
	f := poll.Field{Point: points.Vessel, Type: config.Int16, Scale: loop}
	for _, c := range []struct {
		count int
		psi   float64 // (i - 4 mA) / 16 mA * 200 psi, kept however far out
		want  points.Quality
	}{
		{0, -50, points.OutOfRange},
		{3599, -5.0125, points.OutOfRange},
		{3600, -5, points.OutOfRange},
		{3799, -2.5125, points.OutOfRange},
		{3800, -2.5, points.Good},
		{4000, 0, points.Good},
		{12000, 100, points.Good},
		{20000, 200, points.Good},
		{20500, 206.25, points.Good},
		{20501, 206.2625, points.OutOfRange},
		{21000, 212.5, points.OutOfRange},
		{32767, 359.5875, points.OutOfRange},
		{-32768, -459.6, points.OutOfRange},
	} {
		s := decode(f, uint16(int16(c.count)))
		if math.Abs(s.Value.PSI()-c.psi) > 1e-9 || s.Quality != c.want || s.Point != points.Vessel || s.At != 42 {
			t.Errorf("%d uA: %.4f psi %v, want %.4f %v", c.count, s.Value.PSI(), s.Quality, c.psi, c.want)
		}
	}
}

// A transducer with a digital output has the same limits as shares of its range: 1.25 % under, 3.125 % over.
func TestRangeLimits(t *testing.T) {
	f := poll.Field{Type: config.Int16, Scale: config.Scale{PerUnit: 0.01 * si.PSI, Hi: 200 * si.PSI}}
	for _, c := range []struct {
		raw  int16
		want points.Quality
	}{{-251, points.OutOfRange}, {-249, points.Good}, {0, points.Good}, {20000, points.Good}, {20624, points.Good}, {20626, points.OutOfRange}} {
		if s := decode(f, uint16(c.raw)); s.Quality != c.want || math.Abs(s.Value.PSI()-float64(c.raw)/100) > 1e-9 {
			t.Errorf("%d hundredths of a psi: %v psi %v, want %v", c.raw, s.Value.PSI(), s.Quality, c.want)
		}
	}
	f.Scale.Lo, f.Scale.Hi = 0, 0
	if s := decode(f, uint16(32767)); s.Quality != points.Good {
		t.Error("without a range nothing is out of it")
	}
	f.Type = config.Uint16
	if s := decode(f, 0xFFFF); math.Abs(s.Value.PSI()-655.35) > 1e-9 {
		t.Errorf("uint16 is read as %v psi", s.Value.PSI())
	}
}

// IEEE 754: 100.0 is 42C80000h, -1.5 is BFC00000h, one third is nearest 3EAAAAABh.
func TestFloatOrders(t *testing.T) {
	for _, c := range []struct {
		hi, lo uint16
		want   float64
	}{{0x42C8, 0, 100}, {0xBFC0, 0, -1.5}, {0x3EAA, 0xAAAB, 1.0 / 3}} {
		f := poll.Field{Type: config.Float32, Scale: config.Scale{PerUnit: si.PSI}}
		if s := decode(f, c.hi, c.lo); math.Abs(s.Value.PSI()-c.want) > 1e-7 || s.Quality != points.Good {
			t.Errorf("high first: %v %v, want %v", s.Value.PSI(), s.Quality, c.want)
		}
		f.LowFirst, f.Offset = true, 1
		if s := decode(f, 0xDEAD, c.lo, c.hi); math.Abs(s.Value.PSI()-c.want) > 1e-7 || s.Quality != points.Good {
			t.Errorf("low first: %v %v, want %v", s.Value.PSI(), s.Quality, c.want)
		}
	}
}

func TestNoNumber(t *testing.T) {
	for _, v := range []float32{float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1)), math.MaxFloat32, -math.MaxFloat32} {
		bits := math.Float32bits(v)
		f := poll.Field{Type: config.Float32, Scale: config.Scale{PerUnit: si.PSI}}
		if s := decode(f, uint16(bits>>16), uint16(bits)); s.Quality != points.OutOfRange || s.Value != 0 {
			t.Errorf("%v: %v %v, want 0 and out of range", v, float64(s.Value), s.Quality)
		}
	}
}

// Sealed against one standard atmosphere (ISO 2533, 101325 Pa), absolute against vacuum, under an ambient of 90 kPa.
func TestKinds(t *testing.T) {
	f := poll.Field{Type: config.Int16, Scale: config.Scale{PerUnit: si.KPa, Ambient: 90e3}}
	for kind, want := range map[vent.Kind]float64{vent.KindGauge: 200e3, vent.KindSealed: 211325, vent.KindAbsolute: 110e3} {
		f.Scale.Kind = kind
		if s := decode(f, 200); math.Abs(float64(s.Value)-want) > 1e-6 {
			t.Errorf("%s: 200 kPa read is %v Pa gauge, want %v", kind, float64(s.Value), want)
		}
	}
	// The range is in the transducer's own terms: 101 kPa absolute lies within 0..200 kPa absolute, -20 kPa does not.
	f.Scale.Kind, f.Scale.Hi = vent.KindAbsolute, 200e3
	if s := decode(f, 101); s.Quality != points.Good {
		t.Error("ambient pressure is out of an absolute transducer's range")
	}
	if s := decode(f, uint16(0xFFEC)); s.Quality != points.OutOfRange {
		t.Error("-20 kPa absolute is good")
	}
}

func TestDiscrete(t *testing.T) {
	f := poll.Field{Point: points.Control, Type: config.Discrete, Offset: 9}
	if s := f.Decode(modbus.Data{0, 2}, 42); !s.Pressed || s.Quality != points.Good {
		t.Errorf("%+v", s)
	}
	if s := f.Decode(modbus.Data{0xFF, 0xFD}, 42); s.Pressed || s.Quality != points.Good {
		t.Errorf("%+v", s)
	}
}

func TestSilent(t *testing.T) {
	f := poll.Field{Point: points.Hose}
	if s := f.Silent(7); s != (points.Sample{Point: points.Hose, Quality: points.NoReply, At: 7}) {
		t.Errorf("%+v", s)
	}
}

// What a transducer puts on the wire comes back within half a count, or half a step of a float32.
func TestDecodeRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(0, 200).Draw(t, "psi")
		lowCount := rapid.IntRange(-10000, 1000).Draw(t, "low count")
		highCount := rapid.IntRange(5000, 32767).Draw(t, "high count")
		lowCurrent := rapid.SampledFrom([]float64{0, 4}).Draw(t, "low current")
		s := config.Scale{CountLo: lowCount, CountHi: highCount, CurrentLo: si.Current(lowCurrent * 1e-3), CurrentHi: 20e-3, Hi: 200 * si.PSI}
		mA := 4 + 16*p/200
		count := math.Round(float64(lowCount) + (mA-lowCurrent)/(20-lowCurrent)*float64(highCount-lowCount))
		got := decode(poll.Field{Type: config.Int16, Scale: s}, uint16(int16(count)))
		step := (20 - lowCurrent) / float64(highCount-lowCount) / 16 * 200 // psi a count
		if math.Abs(got.Value.PSI()-p) > 0.500001*step || got.Quality != points.Good {
			t.Fatalf("%v psi became %v %v", p, got.Value.PSI(), got.Quality)
		}
		bits := math.Float32bits(float32(p))
		f := poll.Field{Type: config.Float32, LowFirst: rapid.Bool().Draw(t, "low first"), Scale: config.Scale{PerUnit: si.PSI, Hi: 200 * si.PSI}}
		first, second := uint16(bits>>16), uint16(bits)
		if f.LowFirst {
			first, second = second, first
		}
		if got := decode(f, first, second); math.Abs(got.Value.PSI()-p) > 1.2e-7*p+1e-12 || got.Quality != points.Good {
			t.Fatalf("%v psi became %v %v", p, got.Value.PSI(), got.Quality)
		}
	})
}

// Whatever registers hold, the value is a number that a float32 can carry.
func TestDecodeIsFinite(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := poll.Field{Type: rapid.SampledFrom([]config.Type{config.Int16, config.Uint16, config.Int32, config.Float32}).Draw(t, "type"),
			LowFirst: rapid.Bool().Draw(t, "low first"), BytesLow: rapid.Bool().Draw(t, "bytes low"), Scale: rapid.SampledFrom([]config.Scale{loop, {PerUnit: si.PSI}, {PerUnit: si.Bar, Hi: 10 * si.Bar}}).Draw(t, "scale")}
		if f.Type == config.Float32 && f.Scale.PerUnit == 0 {
			return
		}
		s := decode(f, rapid.Uint16().Draw(t, "first"), rapid.Uint16().Draw(t, "second"))
		if v := float64(float32(s.Value)); math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%v", v)
		}
		if s.Quality == points.NoReply {
			t.Fatal("an answer counted as none")
		}
	})
}

func TestDecodeAllocatesNothing(t *testing.T) {
	f := &poll.Field{Type: config.Float32, LowFirst: true, Scale: config.Scale{PerUnit: si.PSI, Hi: 200 * si.PSI}}
	g := &poll.Field{Type: config.Int16, BytesLow: true, Scale: loop}
	d := words(0, 0x42C8)
	var sum si.GaugePressure
	if n := testing.AllocsPerRun(100, func() { sum += f.Decode(d, 1).Value + g.Decode(d, 1).Value }); n != 0 {
		t.Errorf("%v allocations, want 0", n)
	}
}
