package fault

import (
	"math/rand/v2"
	"slices"
	"time"

	"gritwatch/protocol/modbus"
)

// A Verdict is what happens to one request. The zero Verdict is that nothing does.
type Verdict struct {
	Silence bool          // it is not heard
	Code    modbus.Code   // it is refused with this code; 0: it is not
	Late    time.Duration // the reply comes this much later
	Early   []Early       // what comes between request and reply
	After   []After       // what comes after the reply
	Played  []Kind        // the faults that met it

	front, behind [][]byte   // what stands at the reply without a gap
	spoil, cut    *rand.Rand // nil: no such fault
}

// Early is a piece that begins somewhere in the silence between a request and its reply.
type Early struct {
	Share float64 // of that silence gone by, 0 to 1
	Bytes []byte
}

// After is a piece that begins after the end of a reply.
type After struct {
	Wait  time.Duration
	Bytes []byte
}

// A Style is the kind of reply to spoil.
type Style uint8

// The styles.
const (
	Frame   Style = iota // Modbus RTU
	Checked              // a line of text with check characters
	Plain                // a line of text without
)

const maxNoise = 8 // bytes

// noise puts 1 to 8 random bytes into the silence before the reply, in front of it, behind it, or 2 to 20 ms after it.
func (v *Verdict) noise(rng *rand.Rand) {
	b := random(rng, nil, 1+rng.IntN(maxNoise))
	switch rng.IntN(4) {
	case 0:
		v.Early = append(v.Early, Early{rng.Float64(), b})
	case 1:
		v.front = append(v.front, b)
	case 2:
		v.behind = append(v.behind, b)
	case 3:
		v.After = append(v.After, After{2*time.Millisecond + time.Duration(rng.Int64N(int64(18*time.Millisecond))), b})
	}
}

// stray lets one of the replies given before come again. It never stands alone where the reply should be: there no
// master could tell it from the reply. It stands without a gap in front of the reply or behind it; another unit's may
// also come by itself, between request and reply.
func (v *Verdict) stray(rng *rand.Rand, unit uint8, given []given) bool {
	if len(given) == 0 {
		return false
	}
	g := given[rng.IntN(len(given))]
	places := 2
	if g.unit != unit {
		places = 3
	}
	switch rng.IntN(places) {
	case 0:
		v.front = append(v.front, g.frame)
	case 1:
		v.behind = append(v.behind, g.frame)
	case 2:
		v.Early = append(v.Early, Early{0.5, g.frame})
	}
	return true
}

// Whole tells whether the reply itself is untouched.
func (v *Verdict) Whole() bool { return v.Code == 0 && v.spoil == nil && v.cut == nil }

// Dress appends a reply, not empty, as it goes on the line, with what stands in front of it and behind it.
// Seams are the places in dst where one piece meets the next; no gap may come there.
func (v *Verdict) Dress(dst, reply []byte, style Style) (out []byte, seams []int) {
	reply = slices.Clone(reply)
	if v.spoil != nil {
		spoil(v.spoil, reply, style)
	}
	if v.cut != nil && len(reply) > 1 {
		reply = reply[:1+v.cut.IntN(len(reply)-1)]
	}
	for _, b := range v.front {
		dst = append(dst, b...)
		seams = append(seams, len(dst))
	}
	dst = append(dst, reply...)
	for _, b := range v.behind {
		seams = append(seams, len(dst))
		dst = append(dst, b...)
	}
	return dst, seams
}

// spoil changes a reply so that its reader can tell. In a frame one to three bits are turned: CRC-16 notices any three,
// since its polynomial is (x+1)(x^15+x+1): every odd number of them, and every two less than 32767 apart. In a text one character is: to another printable one where there are
// check characters; else to one that no text holds, since nobody could tell a wrong digit.
func spoil(rng *rand.Rand, reply []byte, style Style) {
	if style == Frame {
		for _, bit := range rng.Perm(8 * len(reply))[:1+rng.IntN(3)] {
			reply[bit/8] ^= 1 << (bit % 8)
		}
		return
	}
	n := len(reply)
	for n > 1 && (reply[n-1] == '\r' || reply[n-1] == '\n') {
		n--
	}
	c := &reply[rng.IntN(n)]
	if style == Plain {
		*c |= 0x80
		return
	}
	const first, printable = ' ', '~' - ' ' + 1
	other := byte(first + rng.IntN(printable-1))
	if other >= *c {
		other++
	}
	*c = other
}
