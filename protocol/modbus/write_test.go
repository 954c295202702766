package modbus_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"gritwatch/protocol/modbus"

	"pgregory.net/rapid"
)

// seal adds the check word to a frame's text.
func seal(t *testing.T, text string) []byte {
	t.Helper()
	b := bytesOf(t, text)
	c := modbus.CRC(b)
	return append(b, byte(c), byte(c>>8))
}

// V1.1b3, 6.5 and 6.6: coil 173 on, register 2 = 3, as PDUs with unit 01h before them; the same two in the older
// protocol guide's frames for unit 11h, with their CRCs, as public examples carry them. The reply repeats the request.
func TestPublishedWrites(t *testing.T) {
	for _, tt := range []struct {
		name  string
		frame []byte
		want  modbus.Write
	}{
		{"6.5", seal(t, "01 05 00 AC FF 00"), modbus.Coil(1, 172, true)},
		{"6.5, off", seal(t, "01 05 00 AC 00 00"), modbus.Coil(1, 172, false)},
		{"6.6", seal(t, "01 06 00 01 00 03"), modbus.Register(1, 1, 3)},
		{"guide 05", bytesOf(t, "11 05 00 AC FF 00 4E 8B"), modbus.Coil(17, 172, true)},
		{"guide 06", bytesOf(t, "11 06 00 01 00 03 9A 9B"), modbus.Register(17, 1, 3)},
	} {
		if got := modbus.AppendWrite([]byte("kept"), tt.want)[4:]; !bytes.Equal(got, tt.frame) {
			t.Errorf("%s: % X, want % X", tt.name, got, tt.frame)
		}
		if got, err := modbus.ParseWrite(tt.frame); err != nil || got != tt.want {
			t.Errorf("%s: %+v, %v", tt.name, got, err)
		}
		if err := modbus.ParseWriteReply(tt.frame, tt.want); err != nil {
			t.Errorf("%s: its own reply is refused: %v", tt.name, err)
		}
		if n, ok := modbus.PredictWriteReplySize(tt.frame[:2]); n != modbus.WriteSize || !ok || len(tt.frame) != n {
			t.Errorf("%s: predicted %d, %v", tt.name, n, ok)
		}
		if _, err := modbus.ParseReadRequest(tt.frame); err == nil {
			t.Errorf("%s: taken for a read", tt.name)
		}
	}
	if on, off := modbus.Coil(1, 2, true), modbus.Coil(1, 2, false); !on.On() || off.On() {
		t.Error("on and off")
	}
}

// Section 6.5: 0000 is off, FF00 on, "all other values are illegal".
func TestParseWriteRefuses(t *testing.T) {
	for _, tt := range []struct {
		name  string
		frame []byte
		want  error       // silent
		code  modbus.Code // or an exception
	}{
		{"nothing", nil, modbus.ErrShort, 0},
		{"damaged", []byte{17, 5, 0, 0xAC, 0xFF, 0, 0x4E, 0x8C}, modbus.ErrCRC, 0},
		{"too long", seal(t, "01 05 00 AC FF 00 00"), modbus.ErrLength, 0},
		{"too short", seal(t, "01 06 00 AC FF"), modbus.ErrLength, 0},
		{"coil 0001", seal(t, "01 05 00 AC 00 01"), nil, modbus.IllegalValue},
		{"coil 00FF", seal(t, "01 05 00 AC 00 FF"), nil, modbus.IllegalValue},
		{"coil FF01", seal(t, "01 05 00 AC FF 01"), nil, modbus.IllegalValue},
		{"coil FFFF", seal(t, "01 05 00 AC FF FF"), nil, modbus.IllegalValue},
		{"a read", seal(t, "01 03 00 6B 00 03"), nil, modbus.IllegalFunction},
		{"several coils", seal(t, "01 0F 00 13 00 0A 02 CD 01"), nil, modbus.IllegalFunction},
		{"several registers", seal(t, "01 10 00 01 00 02 04 00 0A 01 02"), nil, modbus.IllegalFunction},
	} {
		w, err := modbus.ParseWrite(tt.frame)
		if tt.want != nil {
			if !errors.Is(err, tt.want) {
				t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
			}
			continue
		}
		var ex *modbus.ExceptionError
		if !errors.As(err, &ex) || ex.Code != tt.code || w.Unit != 1 || ex.Function != w.Function {
			t.Errorf("%s: %+v, %v, want exception %d", tt.name, w, err, tt.code)
		}
	}
}

func TestParseWriteReplyRefuses(t *testing.T) {
	sent := modbus.Coil(1, 172, true)
	for _, tt := range []struct {
		name  string
		frame []byte
		want  error
	}{
		{"nothing", nil, modbus.ErrShort},
		{"cut", bytesOf(t, "01 05 00 AC FF 00 4C"), modbus.ErrCRC},
		{"other unit", seal(t, "02 05 00 AC FF 00"), modbus.ErrUnit},
		{"other function", seal(t, "01 06 00 AC FF 00"), modbus.ErrFunction},
		{"exception to another function", seal(t, "01 86 02"), modbus.ErrFunction},
		{"exception with a byte too many", seal(t, "01 85 02 00"), modbus.ErrLength},
		{"one byte too many", seal(t, "01 05 00 AC FF 00 00"), modbus.ErrLength},
		{"other coil", seal(t, "01 05 00 AD FF 00"), modbus.ErrEcho},
		{"off", seal(t, "01 05 00 AC 00 00"), modbus.ErrEcho},
	} {
		if err := modbus.ParseWriteReply(tt.frame, sent); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}
	// Exception 3, as the slave's side gives it.
	refusal := modbus.AppendException(nil, 1, modbus.WriteSingleCoil, modbus.IllegalValue)
	var ex *modbus.ExceptionError
	err := modbus.ParseWriteReply(refusal, sent)
	if !errors.As(err, &ex) || ex.Code != 3 || ex.Function != 5 || !strings.Contains(err.Error(), "value") {
		t.Errorf("refusal: %v", err)
	}
	if n, ok := modbus.PredictWriteReplySize(refusal[:2]); n != modbus.ExceptionSize || !ok {
		t.Errorf("refusal predicted as %d, %v", n, ok)
	}
	for _, head := range [][]byte{nil, {1}, {1, 3, 2}, {1, 0x83, 2}, {1, 16, 0}} {
		if n, ok := modbus.PredictWriteReplySize(head); ok {
			t.Errorf("% X predicted as %d", head, n)
		}
	}
	// A read's prediction knows no write: what a master that reads takes for a frame stays as it was.
	for _, head := range [][]byte{{1, 5, 0}, {1, 6, 0}, {1, 0x85, 2}} {
		if n, ok := modbus.PredictReplySize(head); ok {
			t.Errorf("% X predicted as a read's reply of %d bytes", head, n)
		}
	}
}

func TestWriteRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit, addr := uint8(rapid.IntRange(0, modbus.MaxUnit).Draw(t, "unit")), rapid.Uint16().Draw(t, "address")
		w := modbus.Register(unit, addr, rapid.Uint16().Draw(t, "value"))
		if rapid.Bool().Draw(t, "coil") {
			w = modbus.Coil(unit, addr, rapid.Bool().Draw(t, "on"))
		}
		frame := modbus.AppendWrite(nil, w)
		if got, err := modbus.ParseWrite(frame); err != nil || got != w || len(frame) != modbus.WriteSize {
			t.Fatalf("%+v, %v, want %+v", got, err, w)
		}
		if err := modbus.ParseWriteReply(frame, w); err != nil {
			t.Fatal(err)
		}
		bit := rapid.IntRange(0, 8*len(frame)-1).Draw(t, "bit")
		spoilt := slices.Clone(frame)
		spoilt[bit/8] ^= 1 << (bit % 8)
		if err := modbus.ParseWriteReply(spoilt, w); err == nil {
			t.Fatalf("bit %d turned, and taken", bit)
		}
	})
}

func TestWriteIsProgrammersBusiness(t *testing.T) {
	for name, w := range map[string]modbus.Write{
		"a read":       {Unit: 1, Function: modbus.ReadCoils},
		"half a coil":  {Unit: 1, Function: modbus.WriteSingleCoil, Value: 1},
		"no function":  {Unit: 1},
		"several":      {Unit: 1, Function: 16},
		"an exception": {Unit: 1, Function: 0x85},
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s: no panic", name)
				}
			}()
			modbus.AppendWrite(nil, w)
		}()
	}
	buf := make([]byte, 0, modbus.WriteSize)
	if n := testing.AllocsPerRun(100, func() {
		w := modbus.Coil(9, 1, true)
		frame := modbus.AppendWrite(buf, w)
		if _, err := modbus.ParseWrite(frame); err != nil {
			t.Fatal(err)
		}
		if err := modbus.ParseWriteReply(frame, w); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations, want 0", n)
	}
}

// A write that is taken is one that AppendWrite writes byte for byte, and its own good reply; nothing else is.
func FuzzParseWrite(f *testing.F) {
	f.Add(modbus.AppendWrite(nil, modbus.Coil(17, 172, true)), uint8(17), uint16(172), uint16(0xFF00))
	f.Add(modbus.AppendWrite(nil, modbus.Coil(1, 0, false)), uint8(1), uint16(1), uint16(0))
	f.Add(modbus.AppendWrite(nil, modbus.Register(17, 1, 3)), uint8(17), uint16(1), uint16(3))
	f.Add(modbus.AppendException(nil, 17, modbus.WriteSingleCoil, modbus.IllegalValue), uint8(17), uint16(1), uint16(3))
	f.Add([]byte{}, uint8(0), uint16(0), uint16(0))
	f.Fuzz(func(t *testing.T, frame []byte, unit uint8, addr, value uint16) {
		w, err := modbus.ParseWrite(frame)
		if err == nil {
			if again := modbus.AppendWrite(nil, w); !bytes.Equal(again, frame) {
				t.Fatalf("% X parses as %+v, which is % X", frame, w, again)
			}
			if err := modbus.ParseWriteReply(frame, w); err != nil {
				t.Fatalf("% X is no reply to itself: %v", frame, err)
			}
		}
		for _, sent := range []modbus.Write{modbus.Register(unit, addr, value), modbus.Coil(unit, addr, value&1 == 1)} {
			if err := modbus.ParseWriteReply(frame, sent); err == nil && !bytes.Equal(frame, modbus.AppendWrite(nil, sent)) {
				t.Fatalf("% X taken for the reply to %+v", frame, sent)
			}
		}
	})
}
