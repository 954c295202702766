package rtutest

import (
	"io"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"gritwatch/protocol/modbus"
)

// Faults are shares of replies, 0 to 1, that go wrong in a way; each is drawn on its own. Echo and Babble hold for all.
type Faults struct {
	Bits      float64 // one to three bits flipped: the check word finds all of them
	Burst     float64 // up to 16 bits in a row scrambled: it finds those too
	Truncated float64 // cut somewhere
	Inserted  float64 // noise inside
	Front     float64 // noise in front
	Behind    float64 // noise behind
	Late      float64 // by LateBy; what is asked meanwhile waits, but for two requests at most
	Again     float64 // sent a second time, 5 ms behind
	Exception float64 // the unit is busy
	Silence   float64 // the request is not heard
	Echo      bool    // the adapter hears what it sends
	Babble    bool    // noise without end

	LateBy time.Duration
}

// A Faulty is a line with slaves that number their answers: each request gets, in its first two registers, how many
// requests its unit has had before, whether it was heard or not. So Latest tells whether a value is of the last
// request. It waits by time.Sleep, so it wants synctest's fake time.
//
// Where Unit is set, a unit for which it gives a Device is that one, and is not numbered.
type Faulty struct {
	Unit func(id uint8) Device

	far io.ReadWriter
	rng *rand.Rand

	mu      sync.Mutex
	faults  Faults
	heard   [modbus.MaxUnit + 1]uint32
	waiting int       // requests that are not answered yet
	played  int       // replies that went wrong
	last    time.Time // when the last of them, or what waited behind it, was on the line
}

// A Device answers to requests that were heard; nil is silence. It is called when its turn has come, from one goroutine.
type Device interface {
	Read(r modbus.Request) []byte
	Write(w modbus.Write) []byte
}

// waitingRoom is how many requests wait for a slave that is busy; those beyond are not heard.
const waitingRoom = 2

// an answer is what goes on the line for a request.
type answer struct {
	pause  time.Duration
	pieces [][]byte
	do     func() []byte // of a Device: gives its good reply
	spoilt func([]byte) [][]byte
}

// NewFaulty is a line without faults whose slaves stand on far. The same seed and requests give the same faults.
func NewFaulty(far io.ReadWriter, seed uint64) *Faulty {
	return &Faulty{far: far, rng: rand.New(rand.NewPCG(seed, 7))}
}

// Set changes what goes wrong from the next request on.
func (l *Faulty) Set(f Faults) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.faults = f
}

// Latest is the number in the answer to the last request to unit.
func (l *Faulty) Latest(unit uint8) uint32 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.heard[unit]
}

// Played is how many replies went wrong so far, and when the last of them was over.
func (l *Faulty) Played() (n int, last time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.played, l.last
}

// Run answers until far fails.
func (l *Faulty) Run() {
	var wg sync.WaitGroup
	out := make(chan answer, waitingRoom+1)
	stop := make(chan struct{})
	wg.Go(func() {
		for a := range out {
			time.Sleep(a.pause)
			if a.do != nil {
				if b := a.do(); b != nil {
					a.pieces = append(a.pieces, a.spoilt(b)...)
				}
			}
			for _, b := range a.pieces {
				time.Sleep(5 * time.Millisecond) // what a unit thinks
				l.write(b)
			}
			l.mu.Lock()
			if l.waiting--; a.pause > 0 || l.last.Add(time.Second).After(time.Now()) {
				l.last = time.Now()
			}
			l.mu.Unlock()
		}
	})
	wg.Go(func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(700 * time.Microsecond):
				if l.babbles() {
					l.write([]byte{0x55})
				}
			}
		}
	})
	Written(l.far, func(r modbus.Request) []byte {
		a, ok := answer{}, false
		if d := l.device(r.Unit); d != nil {
			a, ok = l.deviceAnswer(modbus.AppendReadRequest(nil, r.Unit, r.Function, r.Address, r.Count), func() []byte { return d.Read(r) })
		} else {
			a, ok = l.answer(r)
		}
		if ok {
			out <- a
		}
		return nil
	}, func(w modbus.Write) []byte {
		if d := l.device(w.Unit); d != nil {
			if a, ok := l.deviceAnswer(modbus.AppendWrite(nil, w), func() []byte { return d.Write(w) }); ok {
				out <- a
			}
		}
		return nil
	})
	close(out)
	close(stop)
	wg.Wait()
}

func (l *Faulty) babbles() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.faults.Babble
}

func (l *Faulty) write(b []byte) {
	_, _ = l.far.Write(b) // a line that is gone ends Slave
}

// answer is what goes on the line for a request, if it is heard.
func (l *Faulty) answer(r modbus.Request) (a answer, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f := &l.faults
	l.heard[r.Unit]++
	if f.Echo {
		a.pieces = append(a.pieces, modbus.AppendReadRequest(nil, r.Unit, r.Function, r.Address, r.Count))
	}
	if l.waiting > waitingRoom {
		return a, false
	}
	l.waiting++
	if l.happens(f.Silence) {
		l.played++
		return a, true
	}
	regs := make([]uint16, r.Count)
	regs[0] = uint16(l.heard[r.Unit])
	if r.Count > 1 {
		regs[1] = uint16(l.heard[r.Unit] >> 16)
	}
	b := modbus.AppendReadReply(nil, r.Unit, r.Function, regs)
	if l.happens(f.Exception) {
		b = modbus.AppendException(nil, r.Unit, r.Function, modbus.DeviceBusy)
		l.played++
	}
	if l.happens(f.Late) {
		a.pause = f.LateBy
		l.played++
	}
	good := slices.Clone(b)
	if b = l.spoil(b, f); !slices.Equal(b, good) {
		l.played++
	}
	a.pieces = append(a.pieces, b)
	if l.happens(f.Again) {
		a.pieces = append(a.pieces, good)
		l.played++
	}
	return a, true
}

func (l *Faulty) device(id uint8) Device {
	if l.Unit == nil {
		return nil
	}
	return l.Unit(id)
}

// deviceAnswer is what goes on the line for a request to a Device, if it is heard.
func (l *Faulty) deviceAnswer(request []byte, do func() []byte) (a answer, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f := l.faults
	if f.Echo {
		a.pieces = append(a.pieces, request)
	}
	if l.waiting > waitingRoom {
		return a, false
	}
	l.waiting++
	if l.happens(f.Silence) {
		l.played++
		return a, true
	}
	if l.happens(f.Exception) {
		a.pieces = append(a.pieces, modbus.AppendException(nil, request[0], modbus.Function(request[1]), modbus.DeviceBusy))
		l.played++
		return a, true
	}
	if l.happens(f.Late) {
		a.pause = f.LateBy
		l.played++
	}
	a.do = do
	a.spoilt = func(good []byte) [][]byte {
		l.mu.Lock()
		defer l.mu.Unlock()
		pieces := [][]byte{l.spoil(slices.Clone(good), &f)}
		if l.happens(f.Again) {
			pieces = append(pieces, good)
		}
		if len(pieces) > 1 || !slices.Equal(pieces[0], good) {
			l.played++
		}
		return pieces
	}
	return a, true
}

func (l *Faulty) happens(share float64) bool { return share > 0 && l.rng.Float64() < share }

// spoil does to a reply what the line does.
func (l *Faulty) spoil(b []byte, f *Faults) []byte {
	if l.happens(f.Bits) {
		for _, bit := range l.rng.Perm(8 * len(b))[:1+l.rng.IntN(3)] {
			b[bit/8] ^= 1 << (bit % 8)
		}
	}
	if l.happens(f.Burst) {
		first := l.rng.IntN(8*len(b) - 16)
		for bit := first; bit < first+16; bit++ {
			if bit == first || l.rng.IntN(2) == 0 {
				b[bit/8] ^= 1 << (bit % 8)
			}
		}
	}
	if l.happens(f.Truncated) {
		b = b[:1+l.rng.IntN(len(b)-1)]
	}
	if l.happens(f.Inserted) {
		b = slices.Insert(b, 1+l.rng.IntN(len(b)), l.noise()...)
	}
	if l.happens(f.Front) {
		b = append(l.noise(), b...)
	}
	if l.happens(f.Behind) {
		b = append(b, l.noise()...)
	}
	return b
}

func (l *Faulty) noise() []byte {
	b := make([]byte, 1+l.rng.IntN(12))
	for i := range b {
		b[i] = byte(l.rng.Uint32())
	}
	return b
}
