// Package statecodec turns the fields of a fixed structure into bytes and back, in one list for both directions, so
// that what is saved cannot differ from what is restored. Numbers are little-endian, 8 bytes each.
package statecodec

import (
	"encoding/binary"
	"errors"
	"math"
)

// ErrState says that bytes are no state of this kind: another version, or damaged.
var ErrState = errors.New("not a state of this version")

// A Codec reads or writes fields in order.
type Codec struct {
	buf     []byte
	reading bool
	short   bool
}

// Append writes what list names behind dst.
func Append(dst []byte, version uint64, list func(*Codec)) []byte {
	c := Codec{buf: binary.LittleEndian.AppendUint64(dst, version)}
	list(&c)
	return c.buf
}

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
	if len(b) < 8 || binary.LittleEndian.Uint64(b) != version {
		return ErrState
	}
	c := Codec{buf: b[8:], reading: true}
	list(&c)
	if c.short || len(c.buf) != 0 {
		return ErrState
	}
	return nil
}

func (c *Codec) word(v uint64) uint64 {
	if !c.reading {
		c.buf = binary.LittleEndian.AppendUint64(c.buf, v)
		return v
	}
	if len(c.buf) < 8 {
		c.short = true
		return 0
	}
	v = binary.LittleEndian.Uint64(c.buf)
	c.buf = c.buf[8:]
	return v
}

// Int is a whole number of any kind.
func Int[T ~int | ~int32 | ~int64 | ~uint8 | ~uint64](c *Codec, v *T) { *v = T(c.word(uint64(*v))) }

// Float is a floating-point number, bit for bit.
func Float[T ~float64](c *Codec, v *T) {
	*v = T(math.Float64frombits(c.word(math.Float64bits(float64(*v)))))
}

// Bool is a truth value.
func Bool(c *Codec, v *bool) {
	n := uint64(0)
	if *v {
		n = 1
	}
	*v = c.word(n) == 1
}
