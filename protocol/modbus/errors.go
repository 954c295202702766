package modbus

import (
	"errors"
	"fmt"
)

// What can be wrong with a frame. Errors of the parsers wrap one of these, or are an *ExceptionError.
var (
	ErrShort    = errors.New("frame is cut short")
	ErrLength   = errors.New("frame has the wrong length")
	ErrCRC      = errors.New("frame fails its check (CRC)")
	ErrUnit     = errors.New("frame is from another unit")
	ErrFunction = errors.New("frame is of another function")
	ErrEcho     = errors.New("reply to a write does not repeat it")
)

// A Code is an exception code of a slave.
type Code uint8

// The exception codes of section 7.
const (
	IllegalFunction Code = 1
	IllegalAddress  Code = 2
	IllegalValue    Code = 3
	DeviceFailure   Code = 4
	Acknowledge     Code = 5
	DeviceBusy      Code = 6
	MemoryParity    Code = 8
	GatewayPath     Code = 10
	GatewayNoReply  Code = 11

	exceptionFlag = 0x80
)

// String is the code in words, with what to look at.
func (c Code) String() string {
	switch c {
	case IllegalFunction:
		return "the unit does not know this function"
	case IllegalAddress:
		return "the unit has no such address, or not so many registers from there"
	case IllegalValue:
		return "the unit refuses the count, or the value written"
	case DeviceFailure:
		return "the unit has failed"
	case Acknowledge:
		return "the unit needs longer"
	case DeviceBusy:
		return "the unit is busy"
	case MemoryParity:
		return "the unit's memory fails its parity check"
	case GatewayPath:
		return "the gateway has no path to the unit"
	case GatewayNoReply:
		return "the unit behind the gateway does not answer"
	}
	return "a code outside the standard"
}

// An ExceptionError is a slave's refusal: a whole, well-formed reply that carries no values.
type ExceptionError struct {
	Function Function // as requested
	Code     Code
}

func (e *ExceptionError) Error() string {
	return fmt.Sprintf("exception %d to function %02d: %v", uint8(e.Code), uint8(e.Function), e.Code)
}
