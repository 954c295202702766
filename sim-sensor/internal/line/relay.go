package line

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"gritwatch/protocol/modbus"
)

// An Output is one output of a relay unit: a coil, or a holding register of which every value but 0 is on.
type Output struct {
	Register bool   // a register; else a coil
	Address  uint16 // as on the wire, from 0; coils and registers are counted apart
	Feeds    bool   // its writing feeds the unit's watchdog; where no output says so, every one's does
	// Toggled, where it is not 0, is a pulse-fed output: on only while its value changes at least this often.
	Toggled time.Duration
	Welded  bool // once on it stays on, whatever is written, and reads back so
}

// A State is an output at one moment.
type State struct {
	Value uint16 // as it reads back; of a coil: 0 or 1
	On    bool   // what hangs on it is energised
}

// A Relay is a unit that is written to: functions 05 and 06 write its coils and registers, 01 and 03 read them back, and
// 02 reads for each coil whether what hangs on it is energised.
// At the start all is off. Safe for concurrent use: a line serves it, and the simulation looks at it.
type Relay struct {
	id       uint8
	watchdog time.Duration // 0: none
	any      bool          // whatever is written feeds the watchdog

	mu      sync.Mutex
	outputs []output // in the order given
	fed     time.Duration
}

type output struct {
	Output
	value   uint16
	changed time.Duration
	ever    bool // it has changed since the last drop-out
}

// NewRelay is the relay unit of an address 1 to 247. When nothing feeds its watchdog for longer than the time given (0: it
// has none), all outputs drop out: their values become 0 until they are written again.
func NewRelay(id uint8, outputs []Output, watchdog time.Duration) (*Relay, error) {
	if id < modbus.MinUnit || id > modbus.MaxUnit {
		return nil, fmt.Errorf("unit %d: an address lies between %d and %d", id, modbus.MinUnit, modbus.MaxUnit)
	}
	r := &Relay{id: id, watchdog: watchdog, any: true}
	for _, o := range outputs {
		if r.find(o.Register, o.Address) != nil {
			return nil, fmt.Errorf("unit %d: two outputs want %s %d", id, o.kind(), o.Address)
		}
		r.outputs = append(r.outputs, output{Output: o})
		r.any = r.any && !o.Feeds
	}
	return r, nil
}

func (o Output) kind() string {
	if o.Register {
		return "register"
	}
	return "coil"
}

// State is the state of the i-th of the outputs given, at a time of the scenario.
func (r *Relay) State(i int, at time.Duration) State {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.settle(at)
	o := &r.outputs[i]
	return State{Value: o.value, On: o.on(at)}
}

func (o *output) on(at time.Duration) bool {
	if o.Toggled == 0 {
		return o.value != 0
	}
	return o.ever && at-o.changed <= o.Toggled
}

// settle lets the watchdog have its way; with mu held.
func (r *Relay) settle(at time.Duration) {
	if r.watchdog == 0 || at-r.fed <= r.watchdog {
		return
	}
	for i := range r.outputs {
		if o := &r.outputs[i]; !o.Welded {
			o.value, o.ever = 0, false
		}
	}
}

func (r *Relay) find(register bool, addr uint16) *output {
	for i := range r.outputs {
		if o := &r.outputs[i]; o.Register == register && o.Address == addr {
			return o
		}
	}
	return nil
}

// write does what a master writes; 0 means that it is done.
func (r *Relay) write(w modbus.Write, at time.Duration) modbus.Code {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.settle(at)
	o := r.find(w.Function == modbus.WriteSingleRegister, w.Address)
	if o == nil {
		return modbus.IllegalAddress
	}
	value := w.Value
	if !o.Register {
		value = 0
		if w.On() {
			value = 1
		}
	}
	if r.any || o.Feeds {
		r.fed = at
	}
	if o.Welded && o.value != 0 {
		return 0
	}
	if value != o.value {
		o.value, o.changed, o.ever = value, at, true
	}
	return 0
}

// read appends count coils, registers or contacts of coils from addr on; ok is false when one of them does not exist.
func (r *Relay) read(dst []uint16, fn modbus.Function, addr uint16, count int, at time.Duration) (words []uint16, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.settle(at)
	for i := range count {
		o := r.find(fn == modbus.ReadHoldingRegisters, addr+uint16(i))
		if o == nil {
			return dst, false
		}
		word := o.value
		if fn == modbus.ReadDiscreteInputs {
			word = 0
			if o.on(at) {
				word = 1
			}
		}
		dst = append(dst, word)
	}
	return dst, true
}

// relayed is what a relay unit answers to a whole frame; not ok when it stays silent.
func (s *slaves) relayed(dst []byte, r *Relay, frame []byte, code modbus.Code) (reply []byte, ok bool) {
	at := s.clock()
	fn := modbus.Function(frame[1])
	var refused *modbus.ExceptionError
	if fn.Writes() {
		w, err := modbus.ParseWrite(frame)
		switch {
		case errors.As(err, &refused) && code == 0:
			code = refused.Code
		case err != nil && refused == nil:
			return dst, false
		case code == 0:
			code = r.write(w, at)
		}
		if code != 0 {
			return modbus.AppendException(dst, r.id, fn, code), true
		}
		return modbus.AppendWrite(dst, w), true
	}
	req, err := modbus.ParseReadRequest(frame)
	switch {
	case code != 0:
	case !fn.Bits() && fn != modbus.ReadHoldingRegisters:
		code = modbus.IllegalFunction
	case errors.As(err, &refused):
		code = refused.Code
	default:
		if s.words, ok = r.read(s.words[:0], fn, req.Address, req.Count, at); !ok {
			code = modbus.IllegalAddress
		}
	}
	switch {
	case code != 0:
		return modbus.AppendException(dst, r.id, fn, code), true
	case fn.Bits():
		return modbus.AppendInputsReply(dst, r.id, fn, s.asBits()), true
	}
	return modbus.AppendReadReply(dst, r.id, fn, s.words), true
}
