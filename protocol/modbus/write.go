package modbus

import (
	"encoding/binary"
	"fmt"
)

// The functions that write one coil or one register.
const (
	WriteSingleCoil     Function = 5
	WriteSingleRegister Function = 6
)

// WriteSize is how many bytes a write has, and its good reply.
const WriteSize = 8

// The values of a coil on the wire (section 6.5); a slave refuses every other one with IllegalValue.
const (
	CoilOff uint16 = 0x0000
	CoilOn  uint16 = 0xFF00
)

// Writes tells whether f is one of the functions that write.
func (f Function) Writes() bool { return f == WriteSingleCoil || f == WriteSingleRegister }

// A Write sets one coil or one holding register of a unit. Its good reply is the same frame again.
type Write struct {
	Unit     uint8
	Function Function // WriteSingleCoil or WriteSingleRegister
	Address  uint16   // as on the wire, counted from 0
	Value    uint16   // of a coil: CoilOn or CoilOff
}

// Coil is the write that switches a coil.
func Coil(unit uint8, addr uint16, on bool) Write {
	w := Write{Unit: unit, Function: WriteSingleCoil, Address: addr, Value: CoilOff}
	if on {
		w.Value = CoilOn
	}
	return w
}

// Register is the write that sets a holding register.
func Register(unit uint8, addr, value uint16) Write {
	return Write{Unit: unit, Function: WriteSingleRegister, Address: addr, Value: value}
}

// On is whether a written coil is to be on.
func (w Write) On() bool { return w.Value == CoilOn }

// AppendWrite appends the frame of a write, which is its good reply too. Another function than the two, or another
// value of a coil than CoilOn and CoilOff, is a programmer error and panics.
func AppendWrite(dst []byte, w Write) []byte {
	if !w.Function.Writes() {
		panic("modbus: function does not write")
	}
	if w.Function == WriteSingleCoil && w.Value != CoilOn && w.Value != CoilOff {
		panic("modbus: a coil is on or off")
	}
	start := len(dst)
	dst = append(dst, w.Unit, byte(w.Function))
	dst = binary.BigEndian.AppendUint16(dst, w.Address)
	dst = binary.BigEndian.AppendUint16(dst, w.Value)
	return appendCRC(dst, start)
}

// ParseWrite reads a write on the slave's side. Its errors are those of ParseReadRequest: a damaged frame gives one that
// wraps ErrShort, ErrLength or ErrCRC; a whole one that cannot be done an *ExceptionError with Unit and Function filled
// in: IllegalFunction for all but the two, IllegalValue for a coil that is neither on nor off. Unit 0 is a broadcast:
// every slave obeys it and none answers.
func ParseWrite(frame []byte) (Write, error) {
	if err := check(frame); err != nil {
		return Write{}, err
	}
	w := Write{Unit: frame[0], Function: Function(frame[1])}
	if !w.Function.Writes() {
		return w, &ExceptionError{Function: w.Function, Code: IllegalFunction}
	}
	if len(frame) != WriteSize {
		return Write{}, fmt.Errorf("%w: a write has %d bytes, this has %d", ErrLength, WriteSize, len(frame))
	}
	w.Address = binary.BigEndian.Uint16(frame[2:])
	w.Value = binary.BigEndian.Uint16(frame[4:])
	if w.Function == WriteSingleCoil && w.Value != CoilOn && w.Value != CoilOff {
		return w, &ExceptionError{Function: w.Function, Code: IllegalValue}
	}
	return w, nil
}

// ParseWriteReply takes a whole frame for the reply to a write: nil means that the unit has done it. An exception of
// that unit to that function is an *ExceptionError; every other error wraps ErrShort, ErrLength, ErrCRC, ErrUnit,
// ErrFunction, or ErrEcho where the reply names another address or value than was written. On a line that echoes
// requests, the echo and the good reply are the same bytes: nothing but reading the value back tells them apart.
func ParseWriteReply(frame []byte, sent Write) error {
	if err := check(frame); err != nil {
		return err
	}
	if frame[0] != sent.Unit {
		return fmt.Errorf("%w: %d asked, %d answered", ErrUnit, sent.Unit, frame[0])
	}
	if frame[1] == byte(sent.Function)|exceptionFlag {
		if len(frame) != ExceptionSize {
			return fmt.Errorf("%w: an exception has %d bytes, this has %d", ErrLength, ExceptionSize, len(frame))
		}
		return &ExceptionError{Function: sent.Function, Code: Code(frame[2])}
	}
	if frame[1] != byte(sent.Function) {
		return fmt.Errorf("%w: %02d asked, %02d answered", ErrFunction, uint8(sent.Function), frame[1])
	}
	if len(frame) != WriteSize {
		return fmt.Errorf("%w: the reply to a write has %d bytes, this has %d", ErrLength, WriteSize, len(frame))
	}
	if addr, value := binary.BigEndian.Uint16(frame[2:]), binary.BigEndian.Uint16(frame[4:]); addr != sent.Address || value != sent.Value {
		return fmt.Errorf("%w: %04Xh at %d written, %04Xh at %d answered", ErrEcho, sent.Value, sent.Address, value, addr)
	}
	return nil
}

// PredictWriteReplySize tells from the first two bytes of a reply to a write how long the whole of it must be; it is
// not ok while fewer are there, or where the function does not write.
func PredictWriteReplySize(head []byte) (n int, ok bool) {
	switch {
	case len(head) < 2:
		return 0, false
	case Function(head[1]).Writes():
		return WriteSize, true
	case head[1]&exceptionFlag != 0 && Function(head[1]&^exceptionFlag).Writes():
		return ExceptionSize, true
	}
	return 0, false
}
