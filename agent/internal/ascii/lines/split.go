package lines

import "errors"

// MaxLine is the bytes of the longest line, its end not counted.
const MaxLine = 256

// Why a piece of what was received is not given as a line.
var (
	ErrPart    = errors.New("may be the tail of a line")
	ErrTooLong = errors.New("line is too long")
	ErrNoise   = errors.New("line holds what is no text: look at the line's mode, wiring and shield")
)

// A Splitter makes lines of bytes. CR, LF or both end a line; empty lines are passed over. The zero value expects the
// beginning of a line.
type Splitter struct {
	buf  [MaxLine]byte
	n    int
	bad  error
	part bool
}

// Reset forgets what was gathered. Part says that the next byte may stand in the midst of a line, whose rest then is
// thrown away.
func (s *Splitter) Reset(part bool) {
	s.n, s.bad, s.part = 0, nil, part
}

// Add takes one byte. At the end of a line it gives the line, good until the next call; or ErrPart, ErrTooLong or
// ErrNoise, where it was thrown away. Any other byte gives nil and nil.
//
// A line that holds anything but printable characters and tabs is thrown away as a whole. A receiver that finds a
// wrong parity puts NUL in the character's place (POSIX termios, INPCK without PARMRK), so that is among them.
func (s *Splitter) Add(c byte) (line []byte, err error) {
	switch {
	case c == '\r' || c == '\n':
		line, err = s.buf[:s.n], s.bad
		if s.part {
			err = ErrPart
		}
		empty := s.n == 0 && err == nil
		s.Reset(false)
		if err != nil || empty {
			return nil, err
		}
		return line, nil
	case s.bad != nil:
	case c != '\t' && (c < ' ' || c > '~'):
		s.bad = ErrNoise
	case s.n == len(s.buf):
		s.bad = ErrTooLong
	default:
		s.buf[s.n] = c
		s.n++
	}
	return nil, nil
}
