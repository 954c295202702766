package rtu

import (
	"testing"

	"gritwatch/protocol/modbus"
)

// Whatever arrives, scan and nextFrame stay inside the buffer and take nothing whose check fails.
func FuzzScan(f *testing.F) {
	request := modbus.AppendReadRequest(nil, 9, 4, 304, 2)
	good := modbus.AppendReadReply(nil, 9, 4, []uint16{1, 2})
	f.Add(good, uint8(2))
	f.Add(append(append([]byte{0, 9, 4}, request...), good...), uint8(2))
	f.Add(modbus.AppendException(nil, 9, 4, 2), uint8(2))
	f.Add(modbus.AppendWrite(modbus.AppendWrite(nil, modbus.Coil(9, 304, true)), modbus.Coil(9, 304, true)), uint8(2))
	f.Add(modbus.AppendException(nil, 9, 5, 2), uint8(2))
	f.Fuzz(func(t *testing.T, buf []byte, count uint8) {
		if len(buf) > bufferSize || count < 1 || count > modbus.MaxRegisters {
			return
		}
		request := modbus.AppendReadRequest(nil, 9, 4, 304, int(count))
		got := scan(buf, request, modbus.ReplySize(4, int(count)))
		if got.verdict == whole || got.verdict == followed {
			frame := buf[got.from:got.to]
			if d, err := modbus.ParseReadReply(frame, 9, 4, int(count)); err == nil && d.Registers() != int(count) || err != nil && frame[1] != 4|0x80 {
				t.Fatalf("took % X: %v", frame, err)
			}
			if (got.verdict == whole) != (got.to == len(buf)) {
				t.Fatalf("%v with the frame at %d..%d of %d", got.verdict, got.from, got.to, len(buf))
			}
		}
		for _, echoes := range []bool{false, true} {
			w := modbus.Coil(9, 304, true)
			got := scanWrite(buf, modbus.AppendWrite(nil, w), echoes)
			if got.verdict != whole && got.verdict != followed {
				continue
			}
			if frame := buf[got.from:got.to]; modbus.CRC(frame) != 0 || frame[0] != 9 || frame[1]&^0x80 != 5 || echoes && got.from < got.echo {
				t.Fatalf("took % X for the reply to a write", frame)
			}
		}
		for rest := buf; ; {
			frame, next := nextFrame(rest)
			if frame == nil {
				break
			}
			if modbus.CRC(frame) != 0 || len(next) >= len(rest) {
				t.Fatalf("frame % X, %d of %d left", frame, len(next), len(rest))
			}
			rest = next
		}
	})
}
