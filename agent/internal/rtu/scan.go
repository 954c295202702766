package rtu

import (
	"bytes"

	"gritwatch/protocol/modbus"
)

// A verdict says what a buffer of received bytes holds.
type verdict uint8

const (
	pending  verdict = iota // nothing yet, but more may come
	whole                   // the reply, and nothing behind it
	followed                // the reply, and bytes behind it that nobody asked for
	damaged                 // as long as the reply, from the unit and function asked, but its check fails
)

// found is what scan saw. The frame lies at buf[from:to] where the verdict is whole or followed.
type found struct {
	verdict  verdict
	from, to int
	echo     int // bytes of the request itself that came back in front
}

// scan looks in buf for the reply to request, want bytes long, or a refusal. Bytes in front of it are passed over:
// noise, an exact echo of the request, frames of other units or other lengths.
func scan(buf, request []byte, want int) found {
	var f found
	for i := 0; i < len(buf); i++ {
		rest := buf[i:]
		if f.echo == 0 && bytes.HasPrefix(rest, request) {
			f.echo = len(request)
			i += len(request) - 1
			continue
		}
		size, ok := answers(rest, request, want)
		if !ok || len(rest) < size {
			continue
		}
		if modbus.CRC(rest[:size]) != 0 {
			if len(rest) == size {
				f.verdict = damaged
			}
			continue
		}
		f.verdict, f.from, f.to = whole, i, i+size
		if len(rest) > size {
			f.verdict = followed
		}
		return f
	}
	return f
}

// scanWrite looks in buf for the reply to a write, which is the write again, or a refusal. Where the line echoes, the
// first copy is the echo.
func scanWrite(buf, request []byte, echoes bool) found {
	var f found
	for i := 0; i < len(buf); i++ {
		rest := buf[i:]
		if echoes && f.echo == 0 && bytes.HasPrefix(rest, request) {
			f.echo = len(request)
			i += len(request) - 1
			continue
		}
		size, ok := modbus.PredictWriteReplySize(rest)
		if !ok || rest[0] != request[0] || rest[1]&^0x80 != request[1] || len(rest) < size {
			continue
		}
		if modbus.CRC(rest[:size]) != 0 {
			if len(rest) == size {
				f.verdict = damaged
			}
			continue
		}
		f.verdict, f.from, f.to = whole, i, i+size
		if len(rest) > size {
			f.verdict = followed
		}
		return f
	}
	return f
}

// answers tells whether head begins like an answer to request, and how long that answer is.
func answers(head, request []byte, want int) (size int, ok bool) {
	if len(head) < 3 || head[0] != request[0] {
		return 0, false
	}
	if head[1] == request[1]|0x80 {
		return modbus.ExceptionSize, true
	}
	return want, head[1] == request[1] && int(head[2]) == want-modbus.ExceptionSize
}

// nextFrame finds the first whole reply or exception of any unit in buf. It gives nil where there is none.
func nextFrame(buf []byte) (frame, rest []byte) {
	for i := range buf {
		n, ok := modbus.PredictReplySize(buf[i:])
		if !ok {
			n, ok = modbus.PredictWriteReplySize(buf[i:])
		}
		if !ok || n > len(buf)-i || buf[i] < modbus.MinUnit || buf[i] > modbus.MaxUnit {
			continue
		}
		if modbus.CRC(buf[i:i+n]) == 0 {
			return buf[i : i+n], buf[i+n:]
		}
	}
	return nil, nil
}
