package modbus_test

import (
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/modbus"

	"pgregory.net/rapid"
)

func bytesOf(t *testing.T, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The vectors: Modbus over Serial Line V1.02, 6.2.2 (02 07); CRC catalogue check value of "123456789"; the rest are
// frames of public Modbus examples, recomputed independently.
var crcVectors = []struct{ frame, wire string }{
	{"02 07", "41 12"},
	{"31 32 33 34 35 36 37 38 39", "37 4B"},
	{"01 03 00 6B 00 03", "74 17"},
	{"01 03 06 02 2B 00 00 00 64", "05 7A"},
	{"11 03 00 6B 00 03", "76 87"},
	{"11 03 06 02 2B 00 00 00 64", "C8 BA"},
	{"01 04 00 08 00 01", "B0 08"},
	{"01 04 02 00 0A", "39 37"},
	{"01 05 00 AC FF 00", "4C 1B"},
	{"01 06 00 01 00 03", "98 0B"},
	{"11 06 00 6B 00 03", "BA 87"},
	{"11 10 00 01 00 02 04 00 0A 01 02", "C6 F0"},
	{"01 10 00 01 00 02 04 00 0A 01 02", "92 30"},
	{"01 10 00 01 00 02", "10 08"},
	{"01 83 02", "C0 F1"},
	{"01 03 00 00 00 0A", "C5 CD"},
	{"01 03 00 00 00 02", "C4 0B"},
}

func TestCRC(t *testing.T) {
	for _, v := range crcVectors {
		b, wire := bytesOf(t, v.frame), bytesOf(t, v.wire)
		c := modbus.CRC(b)
		if byte(c) != wire[0] || byte(c>>8) != wire[1] {
			t.Errorf("CRC(%s) = %02X %02X on the wire, want %s", v.frame, byte(c), byte(c>>8), v.wire)
		}
		if got := modbus.CRC(append(b, wire...)); got != 0 {
			t.Errorf("CRC of %s with its own check word = %04X, want 0", v.frame, got)
		}
	}
}

// Every change of one bit and every swap of neighbouring unequal bytes must fail the check.
func TestCRCNoticesDamage(t *testing.T) {
	frame := modbus.AppendReadReply(nil, 17, modbus.ReadHoldingRegisters, []uint16{555, 0, 100})
	for i := range 8 * len(frame) {
		bad := slices.Clone(frame)
		bad[i/8] ^= 1 << (i % 8)
		if _, err := modbus.ParseReadReply(bad, 17, modbus.ReadHoldingRegisters, 3); !errors.Is(err, modbus.ErrCRC) {
			t.Errorf("bit %d turned: %v, want ErrCRC", i, err)
		}
	}
}

// Modbus Application Protocol V1.1b3, sections 6.2 to 6.4: the examples' PDUs, with unit 11h or 01h before them.
func TestPublishedFrames(t *testing.T) {
	if got, want := modbus.AppendReadRequest(nil, 0x11, 3, 0x6B, 3), bytesOf(t, "11 03 00 6B 00 03 76 87"); !slices.Equal(got, want) {
		t.Errorf("request 03: % X, want % X", got, want)
	}
	if got, want := modbus.AppendReadRequest(nil, 1, 4, 8, 1), bytesOf(t, "01 04 00 08 00 01 B0 08"); !slices.Equal(got, want) {
		t.Errorf("request 04: % X, want % X", got, want)
	}
	reply := bytesOf(t, "11 03 06 02 2B 00 00 00 64 C8 BA")
	if got := modbus.AppendReadReply(nil, 0x11, 3, []uint16{555, 0, 100}); !slices.Equal(got, reply) {
		t.Errorf("reply 03: % X, want % X", got, reply)
	}
	d, err := modbus.ParseReadReply(reply, 0x11, 3, 3)
	if err != nil {
		t.Fatal(err)
	}
	if got := []uint16{d.Register(0), d.Register(1), d.Register(2)}; !slices.Equal(got, []uint16{555, 0, 100}) || d.Registers() != 3 {
		t.Errorf("registers 108 to 110 = %v, want 555 0 100", got)
	}
	d, err = modbus.ParseReadReply(bytesOf(t, "01 04 02 00 0A 39 37"), 1, 4, 1)
	if err != nil || d.Register(0) != 10 {
		t.Errorf("input register 9 = %v, %v, want 10", d, err)
	}
	_, err = modbus.ParseReadReply(bytesOf(t, "01 83 02 C0 F1"), 1, 3, 1)
	var ex *modbus.ExceptionError
	if !errors.As(err, &ex) || ex.Code != modbus.IllegalAddress || ex.Function != 3 {
		t.Fatalf("exception 02: %v", err)
	}
	if !strings.Contains(err.Error(), "no such address") {
		t.Errorf("exception without words: %v", err)
	}
	if got := modbus.AppendException(nil, 1, 3, modbus.IllegalAddress); !slices.Equal(got, bytesOf(t, "01 83 02 C0 F1")) {
		t.Errorf("exception: % X", got)
	}
}

// Coils and discrete inputs. V1.1b3: the examples of 6.1 (coils 20 to 38) and 6.2 (discrete inputs 197 to 218), PDUs
// with unit 01h before them. RTU: the same reads in the older protocol guide's frames for unit 11h, with their CRCs, as
// many public examples carry them.
func TestPublishedBits(t *testing.T) {
	for _, c := range []struct {
		name        string
		request     string // a PDU is sealed here
		reply       string
		unit        uint8
		fn          modbus.Function
		addr        uint16
		states      string // as the specification writes them: byte by byte, the highest number first
		whole       bool   // the frames carry their CRCs
		first, last int    // numbers of the coils or inputs, counted from 1
	}{
		{"6.1", "01 01 00 13 00 13", "01 01 03 CD 6B 05", 1, modbus.ReadCoils, 19, "11001101 01101011 101", false, 20, 38},
		{"6.2", "01 02 00 C4 00 16", "01 02 03 AC DB 35", 1, modbus.ReadDiscreteInputs, 196, "10101100 11011011 110101", false, 197, 218},
		{"guide 01", "11 01 00 13 00 25 0E 84", "11 01 05 CD 6B B2 0E 1B 45 E6", 17, modbus.ReadCoils, 19, "11001101 01101011 10110010 00001110 11011", true, 20, 56},
		{"guide 02", "11 02 00 C4 00 16 BA A9", "11 02 03 AC DB 35 20 18", 17, modbus.ReadDiscreteInputs, 196, "10101100 11011011 110101", true, 197, 218},
	} {
		var states []bool
		for _, octet := range strings.Fields(c.states) {
			for i := range octet {
				states = append(states, octet[len(octet)-1-i] == '1')
			}
		}
		if len(states) != c.last-c.first+1 || int(c.addr) != c.first-1 {
			t.Fatalf("%s: %d states for %d to %d", c.name, len(states), c.first, c.last)
		}
		request, reply := bytesOf(t, c.request), bytesOf(t, c.reply)
		if !c.whole {
			for _, f := range []*[]byte{&request, &reply} {
				crc := modbus.CRC(*f)
				*f = append(*f, byte(crc), byte(crc>>8))
			}
		}
		if got := modbus.AppendReadRequest(nil, c.unit, c.fn, c.addr, len(states)); !slices.Equal(got, request) {
			t.Errorf("%s: request % X, want % X", c.name, got, request)
		}
		want := modbus.Request{Unit: c.unit, Function: c.fn, Address: c.addr, Count: len(states)}
		if got, err := modbus.ParseReadRequest(request); err != nil || got != want {
			t.Errorf("%s: request is %+v, %v", c.name, got, err)
		}
		if got := modbus.AppendInputsReply(nil, c.unit, c.fn, states); !slices.Equal(got, reply) {
			t.Errorf("%s: reply % X, want % X", c.name, got, reply)
		}
		if n := modbus.ReplySize(c.fn, len(states)); n != len(reply) {
			t.Errorf("%s: reply of %d bytes, ReplySize says %d", c.name, len(reply), n)
		}
		d, err := modbus.ParseReadReply(reply, c.unit, c.fn, len(states))
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		for i, on := range states {
			if d.Input(i) != on {
				t.Errorf("%s: number %d is %v, want %v", c.name, c.first+i, d.Input(i), on)
			}
		}
		// A coil is no discrete input: the functions do not stand for each other, nor does another number of bytes.
		if _, err := modbus.ParseReadReply(reply, c.unit, c.fn^3, len(states)); !errors.Is(err, modbus.ErrFunction) {
			t.Errorf("%s: taken for function %d: %v", c.name, c.fn^3, err)
		}
		if _, err := modbus.ParseReadReply(reply, c.unit, c.fn, len(states)+8); !errors.Is(err, modbus.ErrLength) {
			t.Errorf("%s: taken for eight more: %v", c.name, err)
		}
	}
}

// Sections 6.1 to 6.4: functions 01 and 02 read 1 to 2000 bits, 03 and 04 1 to 125 registers. Nothing else is spoken.
func TestFunctions(t *testing.T) {
	for fn := range modbus.Function(255) {
		most := map[modbus.Function]int{1: 2000, 2: 2000, 3: 125, 4: 125}[fn]
		if fn.MaxCount() != most || fn.Known() != (most > 0) || fn.Bits() != (most == 2000) {
			t.Errorf("function %d: most %d, known %v, bits %v", fn, fn.MaxCount(), fn.Known(), fn.Bits())
		}
	}
	// 2000 bits are 250 bytes, 125 registers too: 255 bytes of frame, under the 256 of a frame.
	for fn := modbus.ReadCoils; fn <= modbus.ReadInputRegisters; fn++ {
		if n := modbus.ReplySize(fn, fn.MaxCount()); n != 255 {
			t.Errorf("function %d: longest reply %d bytes, want 255", fn, n)
		}
	}
}

func TestParseReadReplyRefuses(t *testing.T) {
	seal := func(text string) []byte {
		b := bytesOf(t, text)
		c := modbus.CRC(b)
		return append(b, byte(c), byte(c>>8))
	}
	for _, c := range []struct {
		name  string
		frame []byte
		want  error
	}{
		{"nothing", nil, modbus.ErrShort},
		{"three bytes", []byte{1, 4, 2}, modbus.ErrShort},
		{"cut", bytesOf(t, "01 04 02 00 0A 39"), modbus.ErrCRC},
		{"other unit", seal("02 04 02 00 0A"), modbus.ErrUnit},
		{"other function", seal("01 03 02 00 0A"), modbus.ErrFunction},
		{"exception to another function", seal("01 83 02"), modbus.ErrFunction},
		{"more registers than asked", seal("01 04 04 00 0A 00 0B"), modbus.ErrLength},
		{"byte count lies", seal("01 04 04 00 0A"), modbus.ErrLength},
		{"one byte too many", seal("01 04 02 00 0A 00"), modbus.ErrLength},
		{"exception with a byte too many", seal("01 84 02 00"), modbus.ErrLength},
		{"exception without code", seal("01 84"), modbus.ErrLength},
		{"too long for a frame", seal(strings.Repeat("01 ", 255)), modbus.ErrLength},
	} {
		if d, err := modbus.ParseReadReply(c.frame, 1, 4, 1); !errors.Is(err, c.want) || d != nil {
			t.Errorf("%s: %v, %v; want no data and %v", c.name, d, err, c.want)
		}
	}
}

func TestParseReadRequestRefuses(t *testing.T) {
	seal := func(text string) []byte {
		b := bytesOf(t, text)
		c := modbus.CRC(b)
		return append(b, byte(c), byte(c>>8))
	}
	for _, c := range []struct {
		name  string
		frame []byte
		want  error       // silent
		code  modbus.Code // or an exception
	}{
		{"nothing", nil, modbus.ErrShort, 0},
		{"damaged", []byte{1, 4, 0, 8, 0, 1, 0xB0, 9}, modbus.ErrCRC, 0},
		{"too long", seal("01 04 00 08 00 01 00"), modbus.ErrLength, 0},
		{"a write", seal("01 06 00 01 00 03"), nil, modbus.IllegalFunction},
		{"no registers", seal("01 04 00 08 00 00"), nil, modbus.IllegalValue},
		{"126 registers", seal("01 04 00 08 00 7E"), nil, modbus.IllegalValue},
		{"2001 coils", seal("01 01 00 00 07 D1"), nil, modbus.IllegalValue},
		{"2001 inputs", seal("01 02 00 00 07 D1"), nil, modbus.IllegalValue},
		{"no coils", seal("01 01 00 00 00 00"), nil, modbus.IllegalValue},
		{"coils past the last address", seal("01 01 FF F8 00 09"), nil, modbus.IllegalAddress},
		{"function 00", seal("01 00 00 00 00 01"), nil, modbus.IllegalFunction},
		{"past the last address", seal("01 04 FF FF 00 02"), nil, modbus.IllegalAddress},
	} {
		r, err := modbus.ParseReadRequest(c.frame)
		if c.want != nil {
			if !errors.Is(err, c.want) {
				t.Errorf("%s: %v, want %v", c.name, err, c.want)
			}
			continue
		}
		var ex *modbus.ExceptionError
		if !errors.As(err, &ex) || ex.Code != c.code || r.Unit != 1 {
			t.Errorf("%s: %+v, %v, want exception %d", c.name, r, err, c.code)
		}
	}
}

// Modbus over Serial Line V1.02, 2.5.1.1: 1.5 and 3.5 characters of 11 bits up to 19200 bit/s, fixed above.
func TestTiming(t *testing.T) {
	for _, c := range []struct {
		baud       int
		t15, t35Ms float64
	}{
		{1200, 13.7500, 32.0833}, {2400, 6.8750, 16.0417}, {4800, 3.4375, 8.0208}, {9600, 1.7188, 4.0104},
		{19200, 0.8594, 2.0052}, {38400, 0.750, 1.750}, {115200, 0.750, 1.750},
	} {
		if got := ms(modbus.CharacterGap(c.baud)); abs(got-c.t15) > 0.00006 {
			t.Errorf("%d bit/s: t1.5 = %.4f ms, want %.4f", c.baud, got, c.t15)
		}
		if got := ms(modbus.SilentInterval(c.baud)); abs(got-c.t35Ms) > 0.00006 {
			t.Errorf("%d bit/s: t3.5 = %.4f ms, want %.4f", c.baud, got, c.t35Ms)
		}
	}
	// 8 characters of 11 bits at 19200 bit/s are 88/19200 s; one of 10 bits at 9600 is 10/9600 s.
	if got := ms(modbus.FrameTime(8, 19200, 11)); abs(got-4.5833) > 0.0001 {
		t.Errorf("request takes %v ms", got)
	}
	if got := ms(modbus.CharacterTime(9600, 10)); abs(got-1.0417) > 0.0001 {
		t.Errorf("character takes %v ms", got)
	}
}

func ms(d time.Duration) float64 { return float64(d) / 1e6 }

func abs(v float64) float64 {
	if v < 0 {
		return -v
	}
	return v
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := uint8(rapid.IntRange(modbus.MinUnit, modbus.MaxUnit).Draw(t, "unit"))
		fn := rapid.SampledFrom([]modbus.Function{3, 4}).Draw(t, "fn")
		regs := rapid.SliceOfN(rapid.Uint16(), 1, modbus.MaxRegisters).Draw(t, "registers")
		addr := uint16(rapid.IntRange(0, 1<<16-len(regs)).Draw(t, "addr"))

		req := modbus.AppendReadRequest([]byte("kept"), unit, fn, addr, len(regs))[4:]
		got, err := modbus.ParseReadRequest(req)
		if want := (modbus.Request{Unit: unit, Function: fn, Address: addr, Count: len(regs)}); err != nil || got != want || len(req) != modbus.RequestSize {
			t.Fatalf("request: %+v, %v, want %+v", got, err, want)
		}
		reply := modbus.AppendReadReply([]byte("kept"), unit, fn, regs)[4:]
		if len(reply) != modbus.ReplySize(fn, len(regs)) || len(reply) > modbus.MaxFrame {
			t.Fatalf("reply has %d bytes, ReplySize says %d", len(reply), modbus.ReplySize(fn, len(regs)))
		}
		for n := range len(reply) {
			if size, ok := modbus.PredictReplySize(reply[:n]); ok != (n >= 3) || ok && size != len(reply) {
				t.Fatalf("after %d bytes: predicted %d %v of %d", n, size, ok, len(reply))
			}
		}
		d, err := modbus.ParseReadReply(reply, unit, fn, len(regs))
		if err != nil || d.Registers() != len(regs) {
			t.Fatal(d, err)
		}
		for i, r := range regs {
			if d.Register(i) != r {
				t.Fatalf("register %d = %d, want %d", i, d.Register(i), r)
			}
		}
		if n, ok := modbus.PredictReplySize(modbus.AppendException(nil, unit, fn, 2)[:2]); !ok || n != modbus.ExceptionSize {
			t.Fatal("exception not predicted from two bytes")
		}
	})
}

func TestBitsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fn := rapid.SampledFrom([]modbus.Function{1, 2}).Draw(t, "fn")
		bits := rapid.SliceOfN(rapid.Bool(), 1, modbus.MaxInputs).Draw(t, "bits")
		reply := modbus.AppendInputsReply([]byte("kept"), 9, fn, bits)[4:]
		if size, ok := modbus.PredictReplySize(reply[:3]); !ok || size != len(reply) || size != modbus.ReplySize(fn, len(bits)) || size > modbus.MaxFrame {
			t.Fatalf("%d bytes, predicted %d", len(reply), size)
		}
		d, err := modbus.ParseReadReply(reply, 9, fn, len(bits))
		if err != nil {
			t.Fatal(err)
		}
		for i, on := range bits {
			if d.Input(i) != on {
				t.Fatalf("bit %d of %d turned", i, len(bits))
			}
		}
	})
}

func TestNoAllocations(t *testing.T) {
	buf := make([]byte, 0, modbus.MaxFrame)
	regs := make([]uint16, modbus.MaxRegisters)
	reply := modbus.AppendReadReply(nil, 9, 4, regs)
	var sink uint16
	if n := testing.AllocsPerRun(100, func() {
		if _, err := modbus.ParseReadRequest(modbus.AppendReadRequest(buf, 9, 4, 304, 125)); err != nil {
			t.Fatal(err)
		}
		modbus.AppendReadReply(buf, 9, 4, regs)
		d, err := modbus.ParseReadReply(reply, 9, 4, len(regs))
		if err != nil {
			t.Fatal(err)
		}
		sink += d.Register(3)
	}); n != 0 {
		t.Errorf("%v allocations, want 0", n)
	}
}

func TestCountIsProgrammersBusiness(t *testing.T) {
	for name, f := range map[string]func(){
		"0 registers":   func() { modbus.AppendReadRequest(nil, 1, 4, 0, 0) },
		"126 registers": func() { modbus.AppendReadRequest(nil, 1, 4, 0, 126) },
		"function 06":   func() { modbus.AppendReadRequest(nil, 1, 6, 0, 1) },
		"empty reply":   func() { modbus.AppendReadReply(nil, 1, 4, nil) },
		"bits as words": func() { modbus.AppendReadReply(nil, 1, 2, []uint16{1}) },
		"words as bits": func() { modbus.AppendInputsReply(nil, 1, 3, []bool{true}) },
		"no coils":      func() { modbus.AppendInputsReply(nil, 1, 1, nil) },
		"2001 coils":    func() { modbus.AppendInputsReply(nil, 1, 1, make([]bool, 2001)) },
		"no inputs":     func() { modbus.AppendInputsReply(nil, 1, 2, nil) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			f()
		}()
	}
}
