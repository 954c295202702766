package modbus

import (
	"encoding/binary"
	"fmt"
)

// A Function is a Modbus function code.
type Function uint8

// The functions that read inputs.
const (
	ReadCoils            Function = 1
	ReadDiscreteInputs   Function = 2
	ReadHoldingRegisters Function = 3
	ReadInputRegisters   Function = 4
)

// Limits of the protocol.
const (
	MaxFrame      = 256  // bytes of a frame
	MinFrame      = 4    // unit, function, check word
	RequestSize   = 8    // bytes of a read request
	ExceptionSize = 5    // bytes of an exception
	MaxRegisters  = 125  // of one request, functions 03 and 04
	MaxInputs     = 2000 // of one request, functions 01 and 02
	MinUnit       = 1    // 0 is the broadcast, which no slave answers
	MaxUnit       = 247
)

// Known tells whether f is one of the functions that read. Those that write are not among them: see Writes.
func (f Function) Known() bool { return f >= ReadCoils && f <= ReadInputRegisters }

// Bits tells whether f reads bits, eight to a byte of its reply (coils, discrete inputs), and not registers.
func (f Function) Bits() bool { return f == ReadCoils || f == ReadDiscreteInputs }

// MaxCount is the most that one request of f can ask for; 0 for an unknown function.
func (f Function) MaxCount() int {
	switch f {
	case ReadCoils, ReadDiscreteInputs:
		return MaxInputs
	case ReadHoldingRegisters, ReadInputRegisters:
		return MaxRegisters
	}
	return 0
}

// dataSize is how many bytes of data the reply to a request of count has.
func (f Function) dataSize(count int) int {
	if f.Bits() {
		return (count + 7) / 8
	}
	return 2 * count
}

// ReplySize is the length in bytes of the good reply to a read of count registers, coils or inputs.
func ReplySize(fn Function, count int) int { return ExceptionSize + fn.dataSize(count) }

// PredictReplySize tells from the first bytes of a reply how long the whole of it says it is. It is not ok while
// too few bytes are there (three tell; two where it is an exception), or where the function is unknown.
func PredictReplySize(head []byte) (n int, ok bool) {
	switch {
	case len(head) >= 2 && head[1]&exceptionFlag != 0 && Function(head[1]&^exceptionFlag).Known():
		return ExceptionSize, true
	case len(head) >= 3 && Function(head[1]).Known():
		return ExceptionSize + int(head[2]), true
	}
	return 0, false
}

// A Request asks for Count registers, coils or discrete inputs of a unit, from Address on.
type Request struct {
	Unit     uint8
	Function Function
	Address  uint16 // as on the wire, counted from 0
	Count    int
}

// AppendReadRequest appends the frame that asks unit for count registers, coils or inputs from addr on. A count that the
// function does not allow is a programmer error and panics.
func AppendReadRequest(dst []byte, unit uint8, fn Function, addr uint16, count int) []byte {
	if count < 1 || count > fn.MaxCount() {
		panic("modbus: count outside the function's limits")
	}
	start := len(dst)
	dst = append(dst, unit, byte(fn))
	dst = binary.BigEndian.AppendUint16(dst, addr)
	dst = binary.BigEndian.AppendUint16(dst, uint16(count))
	return appendCRC(dst, start)
}

// ParseReadRequest reads a request on the slave's side. A frame that is damaged gives an error that wraps ErrShort,
// ErrLength or ErrCRC: a slave stays silent. A whole frame that asks for what cannot be given an *ExceptionError with
// Unit and Function filled in: a slave answers with AppendException, but never to unit 0 (broadcast).
func ParseReadRequest(frame []byte) (Request, error) {
	if err := check(frame); err != nil {
		return Request{}, err
	}
	r := Request{Unit: frame[0], Function: Function(frame[1])}
	if !r.Function.Known() {
		return r, &ExceptionError{Function: r.Function, Code: IllegalFunction}
	}
	if len(frame) != RequestSize {
		return Request{}, fmt.Errorf("%w: a read request has %d bytes, this has %d", ErrLength, RequestSize, len(frame))
	}
	r.Address = binary.BigEndian.Uint16(frame[2:])
	r.Count = int(binary.BigEndian.Uint16(frame[4:]))
	if r.Count < 1 || r.Count > r.Function.MaxCount() {
		return r, &ExceptionError{Function: r.Function, Code: IllegalValue}
	}
	if int(r.Address)+r.Count > 1<<16 {
		return r, &ExceptionError{Function: r.Function, Code: IllegalAddress}
	}
	return r, nil
}

// AppendReadReply appends the reply that carries registers, 1 to 125 of them, for function 03 or 04. Anything else is
// a programmer error and panics.
func AppendReadReply(dst []byte, unit uint8, fn Function, registers []uint16) []byte {
	if fn != ReadHoldingRegisters && fn != ReadInputRegisters {
		panic("modbus: function does not read registers")
	}
	if len(registers) < 1 || len(registers) > MaxRegisters {
		panic("modbus: count outside the function's limits")
	}
	start := len(dst)
	dst = append(dst, unit, byte(fn), byte(2*len(registers)))
	for _, r := range registers {
		dst = binary.BigEndian.AppendUint16(dst, r)
	}
	return appendCRC(dst, start)
}

// AppendInputsReply appends the reply that carries coils (function 01) or discrete inputs (function 02), 1 to 2000 of
// them. Anything else is a programmer error and panics.
func AppendInputsReply(dst []byte, unit uint8, fn Function, inputs []bool) []byte {
	if !fn.Bits() {
		panic("modbus: function does not read coils or inputs")
	}
	if len(inputs) < 1 || len(inputs) > MaxInputs {
		panic("modbus: count outside the function's limits")
	}
	start := len(dst)
	dst = append(dst, unit, byte(fn), byte(fn.dataSize(len(inputs))))
	var b byte
	for i, on := range inputs {
		if on {
			b |= 1 << (i % 8)
		}
		if i%8 == 7 || i == len(inputs)-1 {
			dst, b = append(dst, b), 0
		}
	}
	return appendCRC(dst, start)
}

// AppendException appends a refusal of function fn.
func AppendException(dst []byte, unit uint8, fn Function, code Code) []byte {
	start := len(dst)
	return appendCRC(append(dst, unit, byte(fn)|exceptionFlag, byte(code)), start)
}

// Data is the data of a reply, as on the wire. It points into the frame it was parsed from.
type Data []byte

// Register is the i-th register, counted from the first one asked for.
func (d Data) Register(i int) uint16 { return binary.BigEndian.Uint16(d[2*i:]) }

// Registers is how many registers d holds.
func (d Data) Registers() int { return len(d) / 2 }

// Input is the i-th coil or discrete input, counted from the first one asked for.
func (d Data) Input(i int) bool { return d[i/8]&(1<<(i%8)) != 0 }

// ParseReadReply takes a whole frame for the reply of unit to a read of count registers, coils or inputs by fn, and
// gives its data. Everything must agree: check word, unit, function, number of bytes, length. An exception of that
// unit to that function is an *ExceptionError; every other error wraps ErrShort, ErrLength, ErrCRC, ErrUnit or
// ErrFunction.
func ParseReadReply(frame []byte, unit uint8, fn Function, count int) (Data, error) {
	if err := check(frame); err != nil {
		return nil, err
	}
	if frame[0] != unit {
		return nil, fmt.Errorf("%w: %d asked, %d answered", ErrUnit, unit, frame[0])
	}
	if frame[1] == byte(fn)|exceptionFlag {
		if len(frame) != ExceptionSize {
			return nil, fmt.Errorf("%w: an exception has %d bytes, this has %d", ErrLength, ExceptionSize, len(frame))
		}
		return nil, &ExceptionError{Function: fn, Code: Code(frame[2])}
	}
	if frame[1] != byte(fn) {
		return nil, fmt.Errorf("%w: %02d asked, %02d answered", ErrFunction, uint8(fn), frame[1])
	}
	want := fn.dataSize(count)
	if len(frame) != ExceptionSize+want || int(frame[2]) != want {
		return nil, fmt.Errorf("%w: %d bytes of data asked for, %d announced, %d bytes in all", ErrLength, want, frame[2], len(frame))
	}
	return Data(frame[3 : 3+want : 3+want]), nil
}

// check looks at length and check word, which every frame has.
func check(frame []byte) error {
	if len(frame) < MinFrame {
		return fmt.Errorf("%w: %d bytes, at least %d are needed", ErrShort, len(frame), MinFrame)
	}
	if len(frame) > MaxFrame {
		return fmt.Errorf("%w: %d bytes, at most %d are allowed", ErrLength, len(frame), MaxFrame)
	}
	if CRC(frame) != 0 {
		return ErrCRC
	}
	return nil
}
