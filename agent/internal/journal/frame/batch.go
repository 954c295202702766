package frame

import (
	"encoding/binary"
	"math"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Limits of a batch.
const (
	MaxSamples = 512 // of one frame
	MaxName    = 255 // bytes of a pot's name
	MinRecord  = 2   // bytes that a record takes at least
	maxRecord  = 15
)

// A Batch is records of one pot with consecutive positions, from First on.
type Batch struct {
	First   uint64
	Pot     string
	Epoch   uint64 // of the clock that stamped the samples
	Samples []points.Sample
}

// Room is how many bytes the frame of n samples takes at most.
func Room(name string, n int) int { return Overhead + 32 + 1 + len(name) + n*maxRecord }

// Fits tells whether a batch can be written: 1 to MaxSamples samples of known points and qualities, a pot's name of
// 1 to MaxName bytes, positions that do not run out.
func (b Batch) Fits() bool {
	n := len(b.Samples)
	if n == 0 || n > MaxSamples || b.Pot == "" || len(b.Pot) > MaxName || b.First > math.MaxUint64-uint64(n) {
		return false
	}
	for _, s := range b.Samples {
		if s.Point >= points.Count || s.Quality > points.Good {
			return false
		}
	}
	return true
}

// What of a record stands in its first byte.
const (
	qualityShift = 3
	pressedBit   = 1 << 5
	lengthShift  = 6
)

// lengths are the bytes of a value, by their code.
var lengths = [4]int{0, 2, 3, 4}

// order is a float32's bits as a whole number in the order of the values; it is its own inverse.
func order(bits int32) int32 {
	if bits < 0 {
		return bits ^ math.MaxInt32
	}
	return bits
}

// AppendBatch appends the frame of a batch that Fits. Values become float32, as on the wire; those without a reply
// are not kept.
func AppendBatch(dst []byte, s Salt, b Batch) []byte {
	start := len(dst)
	dst = begin(dst, KindBatch)
	dst = binary.AppendUvarint(dst, b.First)
	dst = binary.AppendUvarint(dst, uint64(len(b.Samples)))
	dst = append(append(dst, byte(len(b.Pot))), b.Pot...)
	dst = binary.AppendUvarint(dst, b.Epoch)
	at := int64(b.Samples[0].At)
	dst = binary.AppendVarint(dst, at-int64(b.Epoch))
	var steps [points.Count]int64
	var values [points.Count]int32
	for i := range b.Samples {
		r := &b.Samples[i]
		what := byte(r.Point) | byte(r.Quality)<<qualityShift
		if r.Pressed {
			what |= pressedBit
		}
		var by int32
		code := 0
		if r.Quality != points.NoReply {
			v := order(int32(math.Float32bits(float32(r.Value))))
			by = v - values[r.Point]
			values[r.Point] = v
			switch {
			case by == 0:
			case by == int32(int16(by)):
				code = 1
			case by == by<<8>>8:
				code = 2
			default:
				code = 3
			}
		}
		step := int64(r.At) - at
		at = int64(r.At)
		dst = append(dst, what|byte(code)<<lengthShift)
		dst = binary.AppendVarint(dst, step-steps[r.Point])
		steps[r.Point] = step
		for range lengths[code] {
			dst = append(dst, byte(by))
			by >>= 8
		}
	}
	return end(dst, start, s)
}

// Span is the positions of a batch, From and To (exclusive), without reading all of it.
func Span(body []byte) (Range, error) {
	r := reader{b: body}
	first, n := r.uint(), r.uint()
	if r.bad || n == 0 || n > uint64(len(r.b)/MinRecord) || n > MaxSamples || first > math.MaxUint64-n {
		return Range{}, ErrBody
	}
	return Range{first, first + n}, nil
}

// Decode reads a batch's body. It uses what Samples has room for, and the name of the last batch where it is the same. The
// error is ErrBody; b is then half filled.
func (b *Batch) Decode(body []byte) error {
	span, err := Span(body)
	if err != nil {
		return err
	}
	r := reader{b: body}
	b.First = r.uint()
	n := int(r.uint())
	name := r.take(int(r.byte()))
	if string(name) != b.Pot {
		b.Pot = string(name)
	}
	b.Epoch = r.uint()
	at := int64(b.Epoch) + r.int()
	b.Samples = b.Samples[:0]
	if r.bad || len(name) == 0 || n > len(r.b)/MinRecord || b.First+uint64(n) != span.To {
		return ErrBody
	}
	var steps [points.Count]int64
	var values [points.Count]int32
	for i := range n {
		what := r.byte()
		p, q := points.Point(what&7), points.Quality(what>>qualityShift&3)
		if p >= points.Count || q > points.Good {
			return ErrBody
		}
		step := steps[p] + r.int()
		steps[p] = step
		if i == 0 && step != 0 {
			return ErrBody
		}
		at += step
		size := lengths[what>>lengthShift]
		bytes := r.take(size)
		if r.bad {
			return ErrBody
		}
		var by uint32
		for i, c := range bytes {
			by |= uint32(c) << (8 * i)
		}
		up := 32 - 8*size
		values[p] += int32(by<<up) >> up
		s := points.Sample{Point: p, Quality: q, Pressed: what&pressedBit != 0, At: si.Instant(at)}
		if q == points.NoReply {
			if size != 0 {
				return ErrBody
			}
		} else {
			s.Value = si.GaugePressure(math.Float32frombits(uint32(order(values[p]))))
		}
		b.Samples = append(b.Samples, s)
	}
	if len(r.b) != 0 {
		return ErrBody
	}
	return nil
}
