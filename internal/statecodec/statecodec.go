// Package statecodec turns the fields of a fixed structure into bytes and back, in one list for both directions, so
// that what is saved cannot differ from what is restored.
//
// # Bytes
//
// A state begins with 8 bytes, little-endian: the version that its structure gives it, and in the highest byte the
// format of what follows. A state of another version or format is refused.
//
// Most fields of most states are nothing, or near the field before: instants, and numbers of intervals. So a whole
// number is one byte where it lies between -96 and 95, or within 16 of the last large one; else a byte that tells how many
// follow, little-endian, either of the number itself or of its difference from the last large one, both zigzag (0, -1, 1,
// -2 are 0, 1, 2, 3). A
// floating-point number is one byte for 0, for the usual NaN and for the same as the last long one; else a byte that
// tells how many follow, the most significant first, without zeros at the end.
package statecodec

import (
	"encoding/binary"
	"errors"
	"math"
	"math/bits"
)

// ErrState says that bytes are no state of this kind: another version, or damaged.
var ErrState = errors.New("not a state of this version")

// format is raised whenever the bytes of the same fields change.
const format = 2

// First bytes of whole numbers; less is the number itself.
const (
	intWhole = 0xc0 // and how many bytes follow
	intDelta = 0xd0 // the same, of the difference
	intNear  = 0xe0 // and the difference
	intLarge = 1 << 24
)

// First bytes of floating-point numbers.
const (
	floatZero = iota
	floatNaN
	floatSame
	floatBytes = 0x10 // and how many follow
)

// A Codec reads or writes fields in order.
type Codec struct {
	buf     []byte
	reading bool
	err     error
	near    int64  // the last large whole number
	same    uint64 // bits of the last long floating-point number
}

// Append writes what list names behind dst.
func Append(dst []byte, version uint64, list func(*Codec)) []byte {
	c := Writer(dst, version)
	list(&c)
	return c.buf
}

// Writer is a codec that writes behind dst; Bytes is the outcome. Unlike Append it allocates nothing while dst has room.
func Writer(dst []byte, version uint64) Codec {
	return Codec{buf: binary.LittleEndian.AppendUint64(dst, version|format<<56)}
}

// Bytes is what was written.
func (c *Codec) Bytes() []byte { return c.buf }

// Restore fills a structure from what Append made of the fields that list names. After an error it is as it was. What it
// points to must not be among the fields.
func Restore[T any](into *T, b []byte, version uint64, list func(*T, *Codec)) error {
	fresh := *into
	if err := Read(b, version, func(c *Codec) { list(&fresh, c) }); err != nil {
		return err
	}
	*into = fresh
	return nil
}

// Read fills what list names from b, which must hold it exactly. After an error the fields may be half filled: read
// into a copy, as Restore does.
func Read(b []byte, version uint64, list func(*Codec)) error {
	if len(b) < 8 || binary.LittleEndian.Uint64(b) != version|format<<56 {
		return ErrState
	}
	c := Codec{buf: b[8:], reading: true}
	list(&c)
	if c.err == nil && len(c.buf) != 0 {
		return ErrState
	}
	return c.err
}

// Reading tells whether the codec reads.
func (c *Codec) Reading() bool { return c.reading }

// Fail makes Read return an error, the first one if there are several: ErrState, or one that says more.
func (c *Codec) Fail(err error) {
	if c.err == nil {
		c.err = err
	}
}

// take is the next n bytes; nil where they are missing.
func (c *Codec) take(n int) []byte {
	if len(c.buf) < n {
		c.Fail(ErrState)
		c.buf = nil
		return nil
	}
	b := c.buf[:n]
	c.buf = c.buf[n:]
	return b
}

func (c *Codec) first() byte {
	if b := c.take(1); b != nil {
		return b[0]
	}
	return 0
}

// little reads n bytes, up to 8, the least significant first.
func (c *Codec) little(n int) uint64 {
	v := uint64(0)
	for i, b := range c.take(n) {
		v |= uint64(b) << (8 * i)
	}
	return v
}

// put writes the n least significant bytes of v behind a first one.
func (c *Codec) put(first byte, n int, v uint64) {
	c.buf = append(c.buf, first+byte(n))
	for range n {
		c.buf = append(c.buf, byte(v))
		v >>= 8
	}
}

func zigzag(x int64) uint64   { return uint64(x)<<1 ^ uint64(x>>63) }
func unzigzag(z uint64) int64 { return int64(z>>1) ^ -int64(z&1) }
func width(z uint64) int      { return (bits.Len64(z) + 7) / 8 }

func (c *Codec) whole(x int64) int64 {
	if !c.reading {
		z := zigzag(x)
		switch d := zigzag(x - c.near); {
		case z < intWhole:
			c.buf = append(c.buf, byte(z))
		case d < 0x100-intNear:
			c.buf = append(c.buf, intNear+byte(d))
		case width(d) < width(z):
			c.put(intDelta, width(d), d)
		default:
			c.put(intWhole, width(z), z)
		}
	} else {
		switch b := c.first(); {
		case b < intWhole:
			x = unzigzag(uint64(b))
		case b > intWhole && b <= intWhole+8:
			x = unzigzag(c.little(int(b - intWhole)))
		case b >= intNear:
			x = c.near + unzigzag(uint64(b-intNear))
		case b > intDelta && b <= intDelta+8:
			x = c.near + unzigzag(c.little(int(b-intDelta)))
		default:
			c.Fail(ErrState)
			return 0
		}
	}
	if zigzag(x) >= intLarge {
		c.near = x
	}
	return x
}

func (c *Codec) float(v uint64) uint64 {
	nan := math.Float64bits(math.NaN())
	if !c.reading {
		switch v {
		case 0:
			c.buf = append(c.buf, floatZero)
		case nan:
			c.buf = append(c.buf, floatNaN)
		case c.same:
			c.buf = append(c.buf, floatSame)
		default:
			c.same = v
			c.put(floatBytes, 8-bits.TrailingZeros64(v)/8, bits.ReverseBytes64(v))
		}
		return v
	}
	switch b := c.first(); {
	case b == floatZero:
		return 0
	case b == floatNaN:
		return nan
	case b == floatSame:
		return c.same
	case b > floatBytes && b <= floatBytes+8:
		c.same = bits.ReverseBytes64(c.little(int(b - floatBytes)))
		return c.same
	}
	c.Fail(ErrState)
	return 0
}

// Int is a whole number of any kind.
func Int[T ~int | ~int32 | ~int64 | ~uint8 | ~uint64](c *Codec, v *T) {
	x := int64(*v)
	if y := c.whole(x); c.reading {
		if *v = T(y); int64(*v) != y {
			c.Fail(ErrState)
		}
	}
}

// Float is a floating-point number, bit for bit.
func Float[T ~float32 | ~float64](c *Codec, v *T) {
	*v = T(math.Float64frombits(c.float(math.Float64bits(float64(*v)))))
}

// Bool is a truth value.
func Bool(c *Codec, v *bool) {
	n := int64(0)
	if *v {
		n = 1
	}
	if n = c.whole(n); n != 0 && n != 1 {
		c.Fail(ErrState)
	}
	*v = n == 1
}

// Word is 64 bits of which none is likelier than another, as of a checksum.
func Word(c *Codec, v *uint64) {
	if c.reading {
		*v = c.little(8)
		return
	}
	c.buf = binary.LittleEndian.AppendUint64(c.buf, *v)
}

// A State saves and restores itself.
type State interface {
	AppendState([]byte) []byte
	SetState([]byte) error
}

// Nested is a structure that has a version of its own: its state, behind its length in 4 bytes.
func Nested(c *Codec, s State) {
	if c.reading {
		n := c.little(4)
		if n > uint64(len(c.buf)) {
			c.Fail(ErrState)
			return
		}
		if b := c.take(int(n)); c.err == nil {
			if err := s.SetState(b); err != nil {
				c.Fail(err)
			}
		}
		return
	}
	at := len(c.buf)
	c.buf = s.AppendState(append(c.buf, 0, 0, 0, 0))
	binary.LittleEndian.PutUint32(c.buf[at:], uint32(len(c.buf)-at-4))
}
