package journal

import (
	"errors"
	"io"

	"gritwatch/agent/internal/journal/frame"
)

const (
	window   = 256 << 10 // bytes read at once
	block    = 4096      // of what is read again where that fails
	badLimit = 64        // blocks of a file that cannot be read, until the rest is given up
)

// A scan goes through the frames of a file, past whatever is damaged. Without a file it goes through buf alone.
type scan struct {
	file    io.ReaderAt
	size    int64 // of what is to be read
	salt    frame.Salt
	buf     []byte // of what has been read, what is to come
	room    []byte // that buf lies in
	read    int64
	skipped int64 // bytes that are no frame
	whole   int64 // where the last frame ended
	bad     int   // blocks that could not be read
	why     error // the last of them
}

// next is the next whole frame; its body is good until the next call.
func (s *scan) next() (frame.Frame, bool) {
	for {
		s.fill()
		if len(s.buf) == 0 {
			return frame.Frame{}, false
		}
		f, ok := frame.At(s.buf, s.salt)
		if ok {
			s.buf = s.buf[f.Size:]
			s.whole = s.read - int64(len(s.buf))
			return f, true
		}
		n := 1 + frame.Marker(s.buf[1:])
		s.buf = s.buf[n:]
		s.skipped += int64(n)
	}
}

// fill has a whole frame in buf, or the rest of the file.
func (s *scan) fill() {
	left := s.size - s.read
	if s.file == nil || left <= 0 || len(s.buf) >= frame.Max {
		return
	}
	if s.room == nil {
		s.room = make([]byte, window)
	}
	have := copy(s.room, s.buf)
	part := s.room[have : have+int(min(left, int64(window-have)))]
	if n, err := s.file.ReadAt(part, s.read); n < len(part) {
		if errors.Is(err, io.EOF) { // shorter than it was
			s.size = s.read + int64(n)
			part = part[:n]
		} else {
			s.slowly(part)
		}
	}
	s.read += int64(len(part))
	s.buf = s.room[:have+len(part)]
}

// slowly reads block by block; what cannot be read becomes zeros, which are no frame.
func (s *scan) slowly(part []byte) {
	for at := 0; at < len(part); at += block {
		b := part[at:min(at+block, len(part))]
		n := 0
		if s.bad < badLimit {
			var err error
			if n, err = s.file.ReadAt(b, s.read+int64(at)); n < len(b) && err != nil {
				s.bad, s.why = s.bad+1, err
			}
		}
		clear(b[n:])
	}
}
