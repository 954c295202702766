package frame

import (
	"encoding/binary"
	"math"
	"time"
)

const markVersion = 1

// MaxHoles is how many holes a head names at most.
const MaxHoles = 256

// A Range is the positions From up to To (exclusive).
type Range struct {
	From, To uint64
}

// A Mark says how a journal stands where it is written.
type Mark struct {
	ID           ID
	Segment      uint64        // number of the file it is written to: a mark found in another is a left-over
	Next         uint64        // position of the record to come
	Limit        uint64        // no position from here on was given to anybody
	Oldest       uint64        // position; what lay before has been dropped
	Lost         uint64        // positions, see journal.Status
	Acknowledged uint64        // what lies before this position has been acknowledged
	Running      time.Duration // that the journal has been open in all its life; kept in ms
	Holes        []Range       // of a head: positions known to hold nothing, apart and in order; already in Lost
}

// numbers are the mark's numbers in the order in which they are written.
func (m *Mark) numbers() [6]*uint64 {
	return [...]*uint64{&m.Segment, &m.Next, &m.Limit, &m.Oldest, &m.Lost, &m.Acknowledged}
}

// AppendMark appends a mark's frame; of KindHead with its holes, at most MaxHoles.
func AppendMark(dst []byte, k Kind, m *Mark) []byte {
	start := len(dst)
	dst = append(begin(dst, k), markVersion)
	dst = append(dst, m.ID[:]...)
	for _, v := range m.numbers() {
		dst = binary.AppendUvarint(dst, *v)
	}
	dst = binary.AppendUvarint(dst, uint64(m.Running/time.Millisecond))
	if k == KindHead {
		dst = binary.AppendUvarint(dst, uint64(len(m.Holes)))
		at := uint64(0)
		for _, h := range m.Holes {
			dst = binary.AppendUvarint(binary.AppendUvarint(dst, h.From-at), h.To-h.From)
			at = h.To
		}
	}
	return end(dst, start, 0)
}

// DecodeMark reads the body of a mark or a head. The error is ErrBody.
func DecodeMark(k Kind, body []byte) (Mark, error) {
	var m Mark
	r := reader{b: body}
	if r.byte() != markVersion {
		return Mark{}, ErrBody
	}
	copy(m.ID[:], r.take(len(m.ID)))
	for _, v := range m.numbers() {
		*v = r.uint()
	}
	running := r.uint()
	m.Running = time.Duration(running) * time.Millisecond
	if r.bad || m.Limit < m.Next || m.Oldest > m.Next || running > uint64(math.MaxInt64/time.Millisecond) {
		return Mark{}, ErrBody
	}
	if k == KindHead {
		n := r.uint()
		if n > MaxHoles {
			return Mark{}, ErrBody
		}
		at := uint64(0)
		for range n {
			from := at + r.uint()
			to := from + r.uint()
			if r.bad || from < at || to <= from {
				return Mark{}, ErrBody
			}
			m.Holes = append(m.Holes, Range{from, to})
			at = to
		}
	}
	if r.bad || len(r.b) != 0 {
		return Mark{}, ErrBody
	}
	return m, nil
}
