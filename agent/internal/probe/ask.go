package probe

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"time"

	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
)

// Limits of a scan.
const (
	maxBabble = time.Second            // how long silence is waited for
	slice     = 100 * time.Millisecond // the longest wait that an end of ctx does not cut short
	listen    = 1100 * time.Millisecond
	retryRest = 50 * time.Millisecond // silence before a unit is asked again whose reply was spoilt
	keep      = 512                   // bytes kept of what nobody asked for
)

// errBabble ends the scan of a mode in which the line is never silent.
var errBabble = errors.New("line is never silent")

// functions are those asked, all of them only read. 04 and 03 come first: they are what gauges speak.
func functions() []modbus.Function {
	all := []modbus.Function{modbus.ReadInputRegisters, modbus.ReadHoldingRegisters, modbus.ReadDiscreteInputs, modbus.ReadCoils}
	return slices.DeleteFunc(all, func(f modbus.Function) bool { return !f.Known() })
}

// A line asks in one mode. A reply carries unit and function but no number, so what arrives late is credited to the
// unit that it names, and only where that unit owes it.
type line struct {
	port    serialport.Port
	mode    serialport.Mode
	timeout time.Duration
	pending map[question]time.Time // asked and not answered: when
	found   map[uint8]*Found
	seen    *ModeResult
}

type question struct {
	unit uint8
	fn   modbus.Function
}

func (l *line) frameTime(n int) time.Duration { return modbus.FrameTime(n, l.mode.Baud, l.mode.Bits()) }

// ask sends one request for one register or input. A spoilt answer is asked for once more.
func (l *line) ask(ctx context.Context, q question, timeout time.Duration) error {
	for try := range 2 {
		before := l.seen.Damaged
		if try > 0 {
			if err := l.quiet(ctx, retryRest); err != nil {
				return err
			}
		}
		if err := l.askOnce(ctx, q, timeout); err != nil || l.answered(q) || l.seen.Damaged == before {
			return err
		}
	}
	return nil
}

func (l *line) answered(q question) bool {
	f := l.found[q.unit]
	return f != nil && f.has(q.fn)
}

func (l *line) askOnce(ctx context.Context, q question, timeout time.Duration) error {
	if err := l.quiet(ctx, modbus.SilentInterval(l.mode.Baud)); err != nil {
		return err
	}
	request := modbus.AppendReadRequest(nil, q.unit, q.fn, 0, 1)
	sent := time.Now()
	l.pending[q] = sent
	l.seen.Requests++
	if _, err := l.port.Write(request); err != nil {
		return err
	}
	deadline := sent.Add(l.frameTime(len(request)) + timeout + l.frameTime(modbus.ReplySize(q.fn, 1)))
	return l.collect(ctx, deadline, request, func(int) bool { _, open := l.pending[q]; return !open })
}

// quiet waits until nothing has come for so long, at most maxBabble.
func (l *line) quiet(ctx context.Context, silence time.Duration) error {
	start := time.Now()
	var buf []byte
	part := make([]byte, modbus.MaxFrame)
	for {
		n, err := l.port.Read(part, silence)
		if err != nil {
			return err
		}
		if n == 0 {
			l.stray(l.take(buf))
			return ctx.Err()
		}
		if buf = append(buf, part[:n]...); time.Since(start) > maxBabble {
			l.stray(l.take(buf))
			return errBabble
		}
	}
}

// collect reads until deadline, the end of ctx, or until enough, told how many bytes came, says so. Replies are
// credited as they come; a request that the adapter hears itself send is taken off.
func (l *line) collect(ctx context.Context, deadline time.Time, request []byte, enough func(n int) bool) error {
	var buf []byte
	defer func() { l.stray(buf) }()
	part := make([]byte, modbus.MaxFrame)
	for sum := 0; ; {
		wait := time.Until(deadline)
		if wait <= 0 || ctx.Err() != nil {
			return ctx.Err()
		}
		n, err := l.port.Read(part, min(wait, slice))
		if err != nil {
			return err
		}
		if n == 0 {
			continue
		}
		sum += n
		buf = append(buf, part[:n]...)
		if len(request) > 0 && bytes.HasPrefix(buf, request) {
			buf, request, l.seen.Echo = buf[len(request):], nil, true
		}
		if buf = l.take(buf); enough(sum) {
			return nil
		}
	}
}

// take credits every whole frame in buf to the unit that it names, and gives what lies behind the last one.
func (l *line) take(buf []byte) []byte {
	now := time.Now()
	for {
		frame, rest := nextFrame(buf)
		if frame == nil {
			return buf
		}
		l.stray(buf[:len(buf)-len(rest)-len(frame)])
		buf = rest
		q := question{frame[0], modbus.Function(frame[1] & 0x7F)}
		asked, owed := l.pending[q]
		a := Answer{Function: q.fn, Trip: now.Sub(asked)}
		_, err := modbus.ParseReadReply(frame, q.unit, q.fn, 1)
		var refused *modbus.ExceptionError
		switch {
		case !owed, err != nil && !errors.As(err, &refused):
			l.seen.Foreign++
			continue
		case refused != nil:
			a.Code = refused.Code
		}
		delete(l.pending, q)
		if l.found[q.unit] == nil {
			l.found[q.unit] = &Found{Unit: q.unit}
		}
		l.found[q.unit].Answers = append(l.found[q.unit].Answers, a)
	}
}

// stray keeps account of bytes that are no frame.
func (l *line) stray(b []byte) {
	l.seen.Damaged += len(b)
	l.seen.kept = append(l.seen.kept, b[:min(len(b), keep-len(l.seen.kept))]...)
}

// nextFrame finds the first whole reply or exception of any unit in buf; nil where there is none.
func nextFrame(buf []byte) (frame, rest []byte) {
	for i := range buf {
		n, ok := modbus.PredictReplySize(buf[i:])
		if ok && n <= len(buf)-i && buf[i] >= modbus.MinUnit && buf[i] <= modbus.MaxUnit && modbus.CRC(buf[i:i+n]) == 0 {
			return buf[i : i+n], buf[i+n:]
		}
	}
	return nil, nil
}
