package line

import (
	"errors"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/sim-sensor/internal/fault"
)

// A talk is what the stations of a line have in common: how they are asked, and what they answer.
type talk interface {
	// take looks at what has been heard so far; over says that silence has followed. Done means that it is a whole
	// message, or never will be one. The message asks station; 0: nobody here.
	take(heard []byte, over bool) (station uint8, done bool)
	// reply appends what station answers to a message; a code other than 0 makes it refuse. It is not ok when the station
	// stays silent after all.
	reply(dst []byte, station uint8, message []byte, code modbus.Code) (reply []byte, ok bool)
	// timing is the silence by which stations know a message's end, and how long they wait for the rest of one.
	timing() (gap, patience time.Duration)
	// style is how a station's replies are spoilt.
	style(station uint8) fault.Style
}

// fragment is how long a slave waits for the rest of a request. A real one waits 1.5 characters, but the pieces of a
// write to a pseudo-terminal come with the scheduler's timing, not with the line's.
const fragment = 5 * time.Millisecond

// slaves are all Modbus units on one line.
type slaves struct {
	baud    int
	units   map[uint8]*Unit
	relays  map[uint8]*Relay
	clock   func() time.Duration
	damaged func(bytes int) // nil: nobody wants to know
	words   []uint16
	bits    []bool
}

// take finds a complete request by its check word, so that no silence need be waited for. Broadcasts go to unit 0,
// which never exists.
func (s *slaves) take(frame []byte, over bool) (unit uint8, done bool) {
	if over = over || len(frame) >= modbus.MaxFrame; !over && (len(frame) != modbus.RequestSize || modbus.CRC(frame) != 0) {
		return 0, false
	}
	req, err := modbus.ParseReadRequest(frame)
	var exception *modbus.ExceptionError
	if err != nil && !errors.As(err, &exception) {
		if s.damaged != nil {
			s.damaged(len(frame))
		}
		return 0, true
	}
	if u := s.units[req.Unit]; s.relays[req.Unit] == nil && (u == nil || u.silent()) {
		return 0, true
	}
	return req.Unit, true
}

func (s *slaves) reply(dst []byte, unit uint8, frame []byte, code modbus.Code) (reply []byte, ok bool) {
	if r := s.relays[unit]; r != nil {
		return s.relayed(dst, r, frame, code)
	}
	req, err := modbus.ParseReadRequest(frame)
	var exception *modbus.ExceptionError
	u := s.units[unit]
	if u.silent() {
		return dst, false
	}
	switch {
	case code != 0:
	case !req.Function.Known() || req.Function.Bits() != u.switches:
		code = modbus.IllegalFunction
	case errors.As(err, &exception):
		code = exception.Code
	default:
		if s.words, ok = u.read(s.words[:0], req.Address, req.Count); !ok {
			code = modbus.IllegalAddress
		}
	}
	switch {
	case code != 0:
		return modbus.AppendException(dst, unit, req.Function, code), true
	case u.switches:
		return modbus.AppendInputsReply(dst, unit, req.Function, s.asBits()), true
	}
	return modbus.AppendReadReply(dst, unit, req.Function, s.words), true
}

// asBits are the words just read as coils or inputs.
func (s *slaves) asBits() []bool {
	s.bits = s.bits[:0]
	for _, w := range s.words {
		s.bits = append(s.bits, w != 0)
	}
	return s.bits
}

func (s *slaves) timing() (gap, patience time.Duration) {
	return modbus.SilentInterval(s.baud), fragment
}

func (s *slaves) style(uint8) fault.Style { return fault.Frame }
