package frame

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash/crc32"
)

// Sizes of frames, in bytes.
const (
	Overhead = 9                  // of a frame besides its body
	Max      = Overhead + maxBody // of a whole frame
	maxBody  = 1<<13 - 1
)

const (
	marker0 = 0xb1
	marker1 = 'j'
)

// A Kind says what a frame's body is.
type Kind byte

// The kinds.
const (
	KindBatch Kind = 'b'
	KindHead  Kind = 'h' // a mark that also names the holes
	KindMark  Kind = 'm'
)

// ErrBody says that a body is not of its kind, or of another version.
var ErrBody = errors.New("not a frame of this version")

// An ID names a journal: 128 random bits.
type ID [16]byte

// String is the id as 32 hexadecimal digits.
func (id ID) String() string { return hex.EncodeToString(id[:]) }

// A Salt keeps the batches of one journal apart from those of all others.
type Salt uint32

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Salt is what the checks of the journal's batches begin with.
func (id ID) Salt() Salt { return Salt(crc32.Checksum(id[:], castagnoli)) }

// A Frame is one whole frame whose check is good. Body is part of the bytes it was read from.
type Frame struct {
	Kind Kind
	Body []byte
	Size int // with everything
}

// At is the frame that b begins with; false where there is none, or only a part of one.
func At(b []byte, s Salt) (Frame, bool) {
	if len(b) < Overhead || b[0] != marker0 || b[1] != marker1 {
		return Frame{}, false
	}
	size := Overhead + int(binary.LittleEndian.Uint16(b[3:]))
	if size > Max || len(b) < size {
		return Frame{}, false
	}
	f := Frame{Kind: Kind(b[2]), Body: b[Overhead:size], Size: size}
	switch f.Kind {
	case KindBatch:
	case KindHead, KindMark:
		s = 0 // it names its journal itself
	default:
		return Frame{}, false
	}
	return f, check(b[:size], s) == binary.LittleEndian.Uint32(b[5:])
}

// Marker is how far into b the next frame may begin: at a marker, or at a last byte that may be half of one; else at
// the end of b.
func Marker(b []byte) int {
	for at := 0; ; {
		i := bytes.IndexByte(b[at:], marker0)
		if i < 0 {
			return len(b)
		}
		at += i
		if at+1 == len(b) || b[at+1] == marker1 {
			return at
		}
		at++
	}
}

// check is the CRC of a whole frame.
func check(b []byte, s Salt) uint32 {
	return crc32.Update(crc32.Update(uint32(s), castagnoli, b[2:5]), castagnoli, b[Overhead:])
}

// begin appends what stands before a body; end fills it in.
func begin(dst []byte, k Kind) []byte {
	return append(dst, marker0, marker1, byte(k), 0, 0, 0, 0, 0, 0)
}

// end completes the frame that dst ends with.
func end(dst []byte, start int, s Salt) []byte {
	b := dst[start:]
	binary.LittleEndian.PutUint16(b[3:], uint16(len(b)-Overhead))
	binary.LittleEndian.PutUint32(b[5:], check(b, s))
	return dst
}

// A reader takes a body apart. Once something is short or too long, bad stays set.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) uint() uint64 {
	if len(r.b) > 0 && r.b[0] < 0x80 { // most are short
		v := r.b[0]
		r.b = r.b[1:]
		return uint64(v)
	}
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) int() int64 {
	u := r.uint()
	return int64(u>>1) ^ -int64(u&1)
}

func (r *reader) take(n int) []byte {
	if n < 0 || n > len(r.b) {
		r.bad, r.b = true, nil
		return nil
	}
	v := r.b[:n]
	r.b = r.b[n:]
	return v
}

func (r *reader) byte() byte {
	if b := r.take(1); b != nil {
		return b[0]
	}
	return 0
}
