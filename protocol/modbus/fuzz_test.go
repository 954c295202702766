package modbus_test

import (
	"bytes"
	"testing"

	"gritwatch/protocol/modbus"
)

// A request that is taken is one that AppendReadRequest writes byte for byte.
func FuzzParseRequest(f *testing.F) {
	f.Add(modbus.AppendReadRequest(nil, 21, 4, 2578, 2))
	f.Add(modbus.AppendReadRequest(nil, 1, 2, 0, 2000))
	f.Add(modbus.AppendReadRequest(nil, 17, 1, 19, 37))
	f.Add([]byte{1, 6, 0, 1, 0, 3, 0x98, 0x0B})
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, frame []byte) {
		r, err := modbus.ParseReadRequest(frame)
		if err != nil {
			if r.Count != 0 && r.Function.Known() && r.Count <= r.Function.MaxCount() && int(r.Address)+r.Count <= 1<<16 {
				t.Fatalf("refused with %v what could be served: %+v", err, r)
			}
			return
		}
		if again := modbus.AppendReadRequest(nil, r.Unit, r.Function, r.Address, r.Count); !bytes.Equal(again, frame) {
			t.Fatalf("% X parses as %+v, which is % X", frame, r, again)
		}
	})
}

// A reply that is taken is one that AppendReadReply or AppendInputsReply writes, up to the unused bits of the last
// byte; nothing outside the frame is reached.
func FuzzParseReply(f *testing.F) {
	f.Add(modbus.AppendReadReply(nil, 21, 4, []uint16{1, 2}), uint8(21), uint8(4), uint16(2))
	f.Add(modbus.AppendReadReply(nil, 1, 3, make([]uint16, 125)), uint8(1), uint8(3), uint16(125))
	f.Add(modbus.AppendInputsReply(nil, 9, 2, []bool{true, false, true}), uint8(9), uint8(2), uint16(3))
	f.Add(modbus.AppendInputsReply(nil, 9, 1, make([]bool, 9)), uint8(9), uint8(1), uint16(9))
	f.Add(modbus.AppendException(nil, 9, 3, 2), uint8(9), uint8(3), uint16(3))
	f.Add([]byte{}, uint8(0), uint8(0), uint16(0))
	f.Fuzz(func(t *testing.T, frame []byte, unit, function uint8, count uint16) {
		fn := modbus.Function(function)
		if n, ok := modbus.PredictReplySize(frame); ok && (n < modbus.ExceptionSize || n > modbus.MaxFrame+4) {
			t.Fatalf("predicted %d bytes", n)
		}
		d, err := modbus.ParseReadReply(frame, unit, fn, int(count))
		if err != nil {
			if d != nil {
				t.Fatal("data beside an error")
			}
			return
		}
		if cap(d) != len(d) {
			t.Fatal("data reaches past its end")
		}
		if !fn.Known() || count < 1 || int(count) > fn.MaxCount() {
			return
		}
		if fn.Bits() {
			bits := make([]bool, count)
			for i := range bits {
				bits[i] = d.Input(i)
			}
			// The bits of the last byte that nobody asked for are not kept, and with them the check word.
			again := modbus.AppendInputsReply(nil, unit, fn, bits)
			last := 2 + len(d)
			used := byte(1<<((count-1)%8+1) - 1)
			if len(again) != len(frame) || !bytes.Equal(again[:last], frame[:last]) || again[last] != frame[last]&used {
				t.Fatalf("% X parses to % X", frame, again)
			}
			return
		}
		regs := make([]uint16, count)
		for i := range regs {
			regs[i] = d.Register(i)
		}
		if again := modbus.AppendReadReply(nil, unit, fn, regs); !bytes.Equal(again, frame) {
			t.Fatalf("% X parses to % X", frame, again)
		}
	})
}
