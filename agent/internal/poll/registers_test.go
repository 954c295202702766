package poll_test

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"

	"pgregory.net/rapid"
)

// The four ways in which two registers hold a number. The bits: IEEE 754 single precision (100, -1.5, one third,
// -118.625, 0.15625 are worked examples of many texts) and two's complement. The orders of the bytes: made by another
// hand, the payload builder of Debian's python3-pymodbus 3.0 with its byteorder and wordorder.
var orderVectors = []struct {
	typ   config.Type
	value float64
	bytes [4]string // registers high-first, then low-first; each with bytes high-first, then low-first
}{
	{config.Float32, 100, [4]string{"42c80000", "c8420000", "000042c8", "0000c842"}},
	{config.Float32, -1.5, [4]string{"bfc00000", "c0bf0000", "0000bfc0", "0000c0bf"}},
	{config.Float32, 1.0 / 3, [4]string{"3eaaaaab", "aa3eabaa", "aaab3eaa", "abaaaa3e"}},
	{config.Float32, -118.625, [4]string{"c2ed4000", "edc20040", "4000c2ed", "0040edc2"}},
	{config.Float32, 0.15625, [4]string{"3e200000", "203e0000", "00003e20", "0000203e"}},
	{config.Int32, 305419896, [4]string{"12345678", "34127856", "56781234", "78563412"}},
	{config.Int32, -2, [4]string{"fffffffe", "fffffeff", "fffeffff", "feffffff"}},
	{config.Int32, -100000, [4]string{"fffe7960", "feff6079", "7960fffe", "6079feff"}},
	{config.Int32, 2147483647, [4]string{"7fffffff", "ff7fffff", "ffff7fff", "ffffff7f"}},
	{config.Int32, -2147483648, [4]string{"80000000", "00800000", "00008000", "00000080"}},
}

// pascals is a field whose value is in Pa, after another register.
func pascals(typ config.Type, low, bytesLow bool) poll.Field {
	return poll.Field{Point: points.Vessel, Type: typ, LowFirst: low, BytesLow: bytesLow, Offset: 1, Scale: config.Scale{PerUnit: 1}}
}

func TestOrders(t *testing.T) {
	for _, v := range orderVectors {
		for i, text := range v.bytes {
			f := pascals(v.typ, i >= 2, i%2 == 1)
			d, err := hex.DecodeString("dead" + text + "beef")
			if err != nil {
				t.Fatal(err)
			}
			if s := f.Decode(d, 42); math.Abs(float64(s.Value)-v.value) > 1e-8 || s.Quality != points.Good || s.At != 42 {
				t.Errorf("%v %s low %v bytes low %v: %v %v, want %v", v.typ, text, f.LowFirst, f.BytesLow, float64(s.Value), s.Quality, v.value)
			}
		}
	}
	// One register: 1234h is 4660, FF00h is -256 as a signed number (two's complement), 00FFh is 255.
	for _, c := range []struct {
		typ      config.Type
		bytesLow bool
		reg      uint16
		want     float64
	}{
		{config.Int16, false, 0x1234, 4660}, {config.Int16, true, 0x3412, 4660}, {config.Int16, false, 0xFF00, -256}, {config.Int16, true, 0x00FF, -256},
		{config.Uint16, false, 0xFF00, 65280}, {config.Uint16, true, 0x00FF, 65280}, {config.Uint16, true, 0xFF00, 255},
	} {
		if s := decode(pascals(c.typ, false, c.bytesLow), 0xDEAD, c.reg); float64(s.Value) != c.want {
			t.Errorf("%v %04X bytes low %v: %v, want %v", c.typ, c.reg, c.bytesLow, float64(s.Value), c.want)
		}
	}
}

// encode writes a number as the words say: most significant byte first, then turned about.
func encode(word uint64, size int, low, bytesLow bool) []byte {
	b := make([]byte, 2*size)
	for i := range b {
		b[i] = byte(word >> (8 * (len(b) - 1 - i)))
	}
	if low && size == 2 {
		b = []byte{b[2], b[3], b[0], b[1]}
	}
	if bytesLow {
		for i := 0; i < len(b); i += 2 {
			b[i], b[i+1] = b[i+1], b[i]
		}
	}
	return b
}

// Whatever the number and the orders, what was encoded is decoded, and by no other orders unless the bytes are the same.
func TestEncodeDecodeIsIdentity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want float64
		var word uint64
		typ := rapid.SampledFrom([]config.Type{config.Int16, config.Uint16, config.Int32, config.Float32}).Draw(t, "type")
		switch typ {
		case config.Int16:
			v := rapid.Int16().Draw(t, "int16")
			want, word = float64(v), uint64(uint16(v))
		case config.Uint16:
			v := rapid.Uint16().Draw(t, "uint16")
			want, word = float64(v), uint64(v)
		case config.Int32:
			v := rapid.Int32().Draw(t, "int32")
			want, word = float64(v), uint64(uint32(v))
		case config.Float32:
			v := rapid.Float32().Draw(t, "float32")
			want, word = float64(v), uint64(math.Float32bits(v))
		}
		low, bytesLow := rapid.Bool().Draw(t, "low first"), rapid.Bool().Draw(t, "bytes low")
		b := encode(word, typ.Size(), low, bytesLow)
		f := pascals(typ, low, bytesLow)
		f.Offset = 0
		if s := f.Decode(modbus.Data(b), 1); float64(s.Value) != want || s.Quality != points.Good {
			t.Fatalf("% X is %v %v, want %v", b, float64(s.Value), s.Quality, want)
		}
		f.BytesLow = !bytesLow
		if other := encode(word, typ.Size(), low, !bytesLow); string(other) == string(b) {
			return
		}
		if s := f.Decode(modbus.Data(b), 1); float64(s.Value) == want && want != 0 { // -0 and 0 are equal
			t.Fatalf("% X is %v in either order of bytes", b, want)
		}
	})
}

// NAMUR NE 43 at the counts of a 31-bit input: 2 000 000 000 counts for 20 mA, so that 100 000 are a microampere.
func TestLoopLimitsInt32(t *testing.T) {
	s := loop
	s.CountHi = 2_000_000_000
	for _, c := range []struct {
		uA   int32
		want points.Quality
	}{
		{-21000, points.OutOfRange}, {0, points.OutOfRange}, {3600, points.OutOfRange}, {3799, points.OutOfRange}, {3800, points.Good},
		{4000, points.Good}, {20000, points.Good}, {20500, points.Good}, {20501, points.OutOfRange}, {21000, points.OutOfRange},
	} {
		f := poll.Field{Type: config.Int32, LowFirst: true, Scale: s}
		word := uint32(c.uA * 100_000)
		psi := (float64(c.uA) - 4000) / 16000 * 200
		if got := decode(f, uint16(word), uint16(word>>16)); math.Abs(got.Value.PSI()-psi) > 1e-9 || got.Quality != c.want {
			t.Errorf("%d uA: %v psi %v, want %v %v", c.uA, got.Value.PSI(), got.Quality, psi, c.want)
		}
	}
}

// A switch that is closed at rest shows 0 when it is pressed, and a dead input too.
func TestInverseSwitch(t *testing.T) {
	for _, c := range []struct {
		bit     byte
		inverse bool
		pressed bool
	}{{0, false, false}, {1, false, true}, {0, true, true}, {1, true, false}} {
		f := poll.Field{Point: points.Control, Type: config.Discrete, Offset: 2, Inverse: c.inverse}
		if s := f.Decode(modbus.Data{c.bit << 2}, 42); s.Pressed != c.pressed || s.Quality != points.Good {
			t.Errorf("bit %d, inverse %v: %+v", c.bit, c.inverse, s)
		}
	}
}

// Bits are counted as bits: neighbours are one request of at most 2000, coils and discrete inputs apart.
func TestPlanBits(t *testing.T) {
	bit := func(fn modbus.Function, addr uint16) config.Read {
		return read(points.Control, fn, addr, config.Discrete)
	}
	p := poll.NewPlan(config.Bus{Units: []config.Unit{{Unit: 9, Read: []config.Read{bit(1, 8), bit(2, 9), bit(1, 7), bit(1, 10), bit(1, 9)}}}})
	if got, want := text(p), "9/1/7+4 control@0 control@1 control@2 control@3; 9/2/9+1 control@0"; got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
	if p.LongestReply != 6 { // unit, function, length, 1 byte for up to 8 bits, 2 of check word
		t.Errorf("longest reply %d bytes, want 6", p.LongestReply)
	}
	for fn := modbus.ReadCoils; fn <= modbus.ReadDiscreteInputs; fn++ {
		u := config.Unit{Unit: 9}
		for i := range 2001 {
			u.Read = append(u.Read, bit(fn, uint16(100+i)))
		}
		p := poll.NewPlan(config.Bus{Units: []config.Unit{u}})
		if len(p.Requests) != 2 || p.Requests[0].Count != 2000 || p.Requests[1].Count != 1 || p.Requests[1].Address != 2100 || p.LongestReply != 255 {
			t.Errorf("2001 bits by function %d: %d requests, longest reply %d", fn, len(p.Requests), p.LongestReply)
		}
		f := p.Requests[0].Fields[1999]
		d := make(modbus.Data, 250)
		d[249] = 0x80
		if s := f.Decode(d, 1); f.Offset != 1999 || !s.Pressed {
			t.Errorf("the last of 2000 bits: offset %d, %+v", f.Offset, s)
		}
	}
}

// The fastest period as it is printed can be kept, and one a hundredth of a millisecond shorter cannot.
func TestFastest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := config.Bus{Mode: mode, Turnaround: time.Duration(rapid.IntRange(1, 50000).Draw(t, "turnaround us")) * time.Microsecond}
		b.Mode.Baud = rapid.SampledFrom([]int{1200, 9600, 19200, 38400, 115200}).Draw(t, "baud")
		for i := range rapid.IntRange(1, 20).Draw(t, "units") {
			b.Units = append(b.Units, config.Unit{Unit: uint8(i + 1), Read: []config.Read{read(points.Vessel, 4, 0, config.Int32)}})
		}
		b.Period = poll.Fastest(b)
		if err := poll.Feasible(b); err != nil || b.Period < config.MinPeriod {
			t.Fatalf("%v: %v", b.Period, err)
		}
		if b.Period -= 10 * time.Microsecond; b.Period >= config.MinPeriod && poll.Feasible(b) == nil {
			t.Fatalf("%v can be kept too", b.Period)
		}
	})
}

// By hand, at 1200 bit/s and 11 bits: 2 x 32.08 ms of silence, 17 x 9.167 ms, 5 ms: 225 ms a request; ten are 2.25 s,
// and no period up to 2 s keeps them.
func TestNoPeriodWouldDo(t *testing.T) {
	b := config.Bus{Port: "/dev/ttyUSB0", Mode: mode, Period: config.MaxPeriod, Turnaround: 5 * time.Millisecond}
	b.Mode.Baud = 1200
	for i := range uint8(10) {
		b.Units = append(b.Units, config.Unit{Unit: i + 1, Read: []config.Read{read(points.Vessel, 4, 0, config.Float32)}})
	}
	err := poll.Feasible(b)
	want := "bus /dev/ttyUSB0: the line cannot keep the period: 10 requests take 2250 ms, period is 2000 ms; no period up to 2000 ms would do: use a faster line, or put units on another one"
	if !errors.Is(err, poll.ErrTooSlow) || err.Error() != want {
		t.Errorf("got %v\nwant %s", err, want)
	}
}

// Every type, order and kind of switch in words.
func TestCheckWords(t *testing.T) {
	for _, c := range []struct{ read, want string }{
		{"input: 7, type: int16, unit: mbar", " 04        7        int16  1 = 0.1 kPa, range unknown: a reading out of it cannot be told\n"},
		{"holding: 7, type: uint16, bytes: low-first, counts: 6554..32767, current: 4..20 mA, range: 0..20 bar", " 03        7        uint16, low byte first  6554..32767 = 4..20 mA, 4..20 mA = 0..2000 kPa\n"},
		{"input: 7, type: int32, order: low-first, unit: bar, scale: 0.001, range: -1..20 bar", "int32, low register first  1 = 0.1 kPa, range -100..2000 kPa\n"},
		{"input: 7, type: int32, order: high-first, bytes: high-first, unit: kPa", "int32, high register first  1 = 1 kPa"},
		{"input: 7, type: float32, order: low-first, bytes: low-first, unit: kPa", "float32, low register first, low byte first  1 = 1 kPa"},
	} {
		checkHas(t, fmt.Sprintf(wordsFile, c.read, "", "vessel"), c.want)
	}
	for at, want := range map[string]string{
		"discrete: 3": " 02        3        discrete input  1 = pressed\n", "discrete: 3, inverse: true": " 02        3        discrete input  0 = pressed\n",
		"coil: 3": " 01        3        coil   1 = pressed\n", "coil: 3, inverse: true": " 01        3        coil   0 = pressed\n",
	} {
		checkHas(t, fmt.Sprintf(wordsFile, "input: 7, type: int16, unit: mbar}, {pot: alder, point: control, "+at, "control: electric, ", "vessel, control"), want)
	}
}

const wordsFile = `agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1"}
buses:
  - port: /dev/ttyUSB0
    mode: 19200 8E1
    period: 100ms
    units:
      - unit: 21
        read: [{pot: alder, point: vessel, %s}]
pots:
  - {name: alder, vessel: {volume: 6.5 ft3, rated: 10 bar}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, units: {pressure: kPa}, %spoints: [%s]}
`

func checkHas(t *testing.T, file, want string) {
	t.Helper()
	c, err := config.Parse("agent.yaml", []byte(file))
	if err != nil {
		t.Fatal(err)
	}
	got, err := poll.Check(c)
	if err != nil {
		t.Error(err)
	}
	if !strings.Contains(got, want) {
		t.Errorf("got\n%s\nlacks %q", got, want)
	}
}
