package rtutest

import (
	"sync"
	"time"

	"gritwatch/protocol/modbus"
)

// A Relay is a unit with eight coils (01, 05), whose contacts are the discrete inputs of the same addresses (02). It goes
// by time.Now, so it wants synctest's fake time.
type Relay struct {
	Watchdog time.Duration // what is not written to for longer drops out; 0: none
	Reads    bool          // readings feed the watchdog, too
	Hold     time.Duration // of coil 1, which is lit by its changes; 0: its contact follows it like the others
	Welded   uint8         // mask of contacts that stay on once they were
	Refuses  uint8         // mask of coils that refuse to be switched off
	Deaf     uint8         // mask of coils that say that they do what they are told, and do not

	mu      sync.Mutex
	coils   uint8
	stuck   uint8
	changed time.Time
	fed     time.Time
}

// Set changes the relay while it works.
func (r *Relay) Set(f func(*Relay)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f(r)
}

// Lit tells whether what hangs on a coil has current now.
func (r *Relay) Lit(coil int) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.settle()
	return r.lit(coil)
}

func (r *Relay) lit(coil int) bool {
	switch bit := uint8(1) << coil; {
	case r.stuck&bit != 0:
		return true
	case coil == 1 && r.Hold > 0:
		return !r.changed.IsZero() && time.Since(r.changed) <= r.Hold
	default:
		return r.coils&bit != 0
	}
}

func (r *Relay) settle() {
	if r.Watchdog > 0 && time.Since(r.fed) > r.Watchdog {
		r.coils = 0
	}
}

// Read answers functions 01 and 02.
func (r *Relay) Read(q modbus.Request) []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.settle()
	if r.Reads {
		r.fed = time.Now()
	}
	if !q.Function.Bits() {
		return modbus.AppendException(nil, q.Unit, q.Function, modbus.IllegalFunction)
	}
	if int(q.Address)+q.Count > 8 {
		return modbus.AppendException(nil, q.Unit, q.Function, modbus.IllegalAddress)
	}
	bits := make([]bool, q.Count)
	for i := range bits {
		coil := int(q.Address) + i
		if bits[i] = r.coils&(1<<coil) != 0; q.Function == modbus.ReadDiscreteInputs {
			bits[i] = r.lit(coil)
		}
	}
	return modbus.AppendInputsReply(nil, q.Unit, q.Function, bits)
}

// Write answers function 05.
func (r *Relay) Write(w modbus.Write) []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.settle()
	r.fed = time.Now()
	if w.Function != modbus.WriteSingleCoil {
		return modbus.AppendException(nil, w.Unit, w.Function, modbus.IllegalFunction)
	}
	if w.Address > 7 {
		return modbus.AppendException(nil, w.Unit, w.Function, modbus.IllegalAddress)
	}
	bit := uint8(1) << w.Address
	if !w.On() && r.Refuses&bit != 0 {
		return modbus.AppendException(nil, w.Unit, w.Function, modbus.DeviceFailure)
	}
	if !w.On() && r.Deaf&bit != 0 {
		return modbus.AppendWrite(nil, w)
	}
	before := r.coils
	if r.coils &^= bit; w.On() {
		r.coils |= bit
		r.stuck |= bit & r.Welded
	}
	if w.Address == 1 && before != r.coils {
		r.changed = time.Now()
	}
	return modbus.AppendWrite(nil, w)
}
