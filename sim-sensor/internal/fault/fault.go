// Package fault decides what goes wrong on a serial line, and spoils replies accordingly. It is pure: time is an
// argument. What happens to the n-th request depends on the seed, on n, on the unit asked, on the faults that hold and,
// for strays, on the replies given before; on nothing else. So the same seed and the same requests give the same faults.
package fault

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
)

// A Kind is one way in which a line goes wrong.
type Kind uint8

// The kinds. Echo, Babble and Unplugged are of the line as a whole and have no share; the others meet single requests.
const (
	CRC       Kind = iota // the reply is spoilt so that its check fails
	Truncated             // the reply breaks off
	Late                  // the reply comes later
	Exception             // the unit refuses: busy (6) or failed (4)
	Silence               // the request is not heard
	Noise                 // random bytes before, at, or after the reply
	Stray                 // a good reply given before comes again
	Echo                  // the adapter echoes every request
	Babble                // the line is never silent
	Unplugged             // the port vanishes

	Kinds = 10 // how many there are
)

var names = [Kinds]string{"crc", "truncated", "late", "exception", "silence", "noise", "stray", "echo", "babble", "unplugged"}

// String is the kind's key in files.
func (k Kind) String() string { return names[k] }

// Whole tells whether the kind is of the line as a whole.
func (k Kind) Whole() bool { return k >= Echo }

// A Window is the time in which something holds: from At for For (0: for ever), again every Every (0: once).
type Window struct{ At, For, Every time.Duration }

// Since tells whether the window is open at the time given, and how long it has been.
func (w Window) Since(at time.Duration) (since time.Duration, ok bool) {
	if since = at - w.At; since < 0 {
		return 0, false
	}
	if w.Every > 0 {
		since %= w.Every
	}
	return since, w.For == 0 || since < w.For
}

// Change is the first moment after at when the window opens or shuts; not ok when it never does again.
func (w Window) Change(at time.Duration) (next time.Duration, ok bool) {
	if at < w.At {
		return w.At, true
	}
	begun := w.At
	if w.Every > 0 {
		begun = at - (at-w.At)%w.Every
	}
	switch {
	case w.For > 0 && at < begun+w.For:
		return begun + w.For, true
	case w.Every > 0:
		return begun + w.Every, true
	}
	return 0, false
}

// A Fault is one kind that holds in a window.
type Fault struct {
	Window
	Kind  Kind
	Share si.Ratio      // of the requests it meets; Whole kinds have none
	By    time.Duration // Late: how much
	Unit  uint8         // whose requests it meets; 0: those of all
}

// older is how many replies are remembered for strays.
const older = 8

// A Player plays the faults of one line. It is not safe for concurrent use.
type Player struct {
	faults []Fault
	seed   uint64
	n      uint64 // requests so far
	babble *rand.Rand
	given  []given // the last good replies, oldest first
}

type given struct {
	unit  uint8
	frame []byte
}

// NewPlayer plays faults, in the order in which they apply.
func NewPlayer(faults []Fault, seed uint64) *Player {
	return &Player{faults: faults, seed: seed, babble: rand.New(rand.NewPCG(seed, 0x626162626c65))}
}

// Holds tells whether a Whole kind holds at the time given.
func (p *Player) Holds(k Kind, at time.Duration) bool {
	return slices.ContainsFunc(p.faults, func(f Fault) bool {
		_, ok := f.Since(at)
		return ok && f.Kind == k
	})
}

// Change is the first moment after at when a Whole kind begins or ends; not ok when none does again.
func (p *Player) Change(at time.Duration) (next time.Duration, ok bool) {
	for _, f := range p.faults {
		if c, changes := f.Change(at); changes && f.Kind.Whole() && (!ok || c < next) {
			next, ok = c, true
		}
	}
	return next, ok
}

// Babble appends n random bytes.
func (p *Player) Babble(dst []byte, n int) []byte { return random(p.babble, dst, n) }

// Gave remembers a good reply, so that it can come again.
func (p *Player) Gave(unit uint8, frame []byte) {
	if len(p.given) == older {
		p.given = append(p.given[:0], p.given[1:]...)
	}
	p.given = append(p.given, given{unit, slices.Clone(frame)})
}

// Request decides about the next request, which unit hears at the time given.
func (p *Player) Request(at time.Duration, unit uint8) Verdict {
	p.n++
	var v Verdict
	for i, f := range p.faults {
		if _, ok := f.Since(at); !ok || f.Kind.Whole() || f.Unit != 0 && f.Unit != unit {
			continue
		}
		// Each fault has its own numbers at each request, so that none shifts another's.
		rng := rand.New(rand.NewPCG(p.seed, scatter(p.n<<8|uint64(i&0xFF))))
		if rng.Float64() >= float64(f.Share) {
			continue
		}
		if f.Kind == Stray && !v.stray(rng, unit, p.given) {
			continue
		}
		v.Played = append(v.Played, f.Kind)
		switch f.Kind {
		case CRC:
			v.spoil = rng
		case Truncated:
			v.cut = rng
		case Late:
			v.Late += f.By
		case Exception:
			if v.Code = modbus.DeviceBusy; rng.IntN(2) == 0 {
				v.Code = modbus.DeviceFailure
			}
		case Silence:
			v.Silence = true
		case Noise:
			v.noise(rng)
		}
	}
	return v
}

// scatter is the finaliser of splitmix64: neighbouring numbers become unlike.
func scatter(x uint64) uint64 {
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

func random(rng *rand.Rand, dst []byte, n int) []byte {
	for ; n >= 8; n -= 8 {
		dst = binary.LittleEndian.AppendUint64(dst, rng.Uint64())
	}
	for range n {
		dst = append(dst, byte(rng.Uint32()))
	}
	return dst
}
