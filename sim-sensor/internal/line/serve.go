package line

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"gritwatch/protocol/modbus"
)

const (
	// turnaround is how long a slave thinks between the end of a request and its reply; common practice, no source.
	turnaround = 4 * time.Millisecond
	// fragment is how long a slave waits for the rest of a request. A real one waits 1.5 characters, but the pieces
	// of a write to a pseudo-terminal come with the scheduler's timing, not with the line's.
	fragment = 5 * time.Millisecond
	// burst is the shortest time between two writes: several characters go together, so that a fast line does not
	// cost a wake-up each.
	burst = time.Millisecond
	// stall is how long a write may wait for a master that does not read.
	stall = time.Second
)

// A port is the slaves' end of a line.
type port interface {
	io.ReadWriter
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
}

// slaves are all units on one line.
type slaves struct {
	mode   Mode
	units  map[uint8]*Unit
	events Events
	words  []uint16
}

// answer appends the reply to a frame; ok is false when the line stays silent.
func (s *slaves) answer(dst, frame []byte) (reply []byte, ok bool) {
	req, err := modbus.ParseReadRequest(frame)
	var exception *modbus.ExceptionError
	if err != nil && !errors.As(err, &exception) {
		s.damaged(len(frame))
		return dst, false
	}
	u := s.units[req.Unit]
	if u == nil || u.silent() { // broadcasts go to unit 0, which never exists
		return dst, false
	}
	code := modbus.Code(0)
	switch {
	case req.Function != modbus.ReadHoldingRegisters && req.Function != modbus.ReadInputRegisters:
		code = modbus.IllegalFunction
	case exception != nil:
		code = exception.Code
	default:
		if s.words, ok = u.read(s.words[:0], req.Address, req.Count); !ok {
			code = modbus.IllegalAddress
		}
	}
	if code != 0 {
		return modbus.AppendException(dst, req.Unit, req.Function, code), true
	}
	return modbus.AppendReadReply(dst, req.Unit, req.Function, s.words), true
}

func (s *slaves) damaged(n int) {
	if s.events.Damaged != nil {
		s.events.Damaged(n)
	}
}

// serve answers requests until ctx ends or the port fails.
func (s *slaves) serve(ctx context.Context, p port) error {
	// A read that waits for a master is woken by a deadline in the past; the deadline is set again after every
	// change so that the wake-up cannot be lost.
	stop := context.AfterFunc(ctx, func() { _ = p.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()

	var frame, reply []byte
	buf := make([]byte, modbus.MaxFrame)
	for {
		if err := s.deadline(ctx, p, time.Time{}); err != nil {
			return err
		}
		n, err := p.Read(buf)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return fmt.Errorf("read request: %w", err)
		}
		began := time.Now()
		frame = append(frame[:0], buf[:n]...)
		for !whole(frame) && len(frame) < modbus.MaxFrame {
			if err := s.deadline(ctx, p, time.Now().Add(fragment)); err != nil {
				return err
			}
			n, err := p.Read(buf)
			frame = append(frame, buf[:n]...)
			if ctx.Err() != nil {
				return nil
			}
			if errors.Is(err, os.ErrDeadlineExceeded) {
				break
			}
			if err != nil {
				return fmt.Errorf("read request: %w", err)
			}
		}
		var ok bool
		if reply, ok = s.answer(reply[:0], frame); !ok {
			continue
		}
		start := began.Add(s.mode.frame(len(frame)) + modbus.SilentInterval(s.mode.Baud) + turnaround)
		if err := s.send(ctx, p, reply, start); err != nil {
			return err
		}
		if ctx.Err() != nil {
			return nil
		}
	}
}

// whole tells whether a frame is a complete request of known length with a right check word, so that no silence
// need be waited for.
func whole(frame []byte) bool { return len(frame) == modbus.RequestSize && modbus.CRC(frame) == 0 }

// deadline sets the read deadline, but never over the one that a cancelled ctx has set.
func (s *slaves) deadline(ctx context.Context, p port, t time.Time) error {
	if err := p.SetReadDeadline(t); err != nil {
		return fmt.Errorf("set deadline: %w", err)
	}
	if ctx.Err() != nil {
		_ = p.SetReadDeadline(time.Unix(1, 0)) // the read that follows sees it
	}
	return nil
}

// send writes a reply so that each character arrives no sooner than the line's speed allows.
func (s *slaves) send(ctx context.Context, p port, reply []byte, start time.Time) error {
	per := max(1, int(burst/s.mode.frame(1)))
	timer := time.NewTimer(time.Until(start))
	defer timer.Stop()
	for sent := 0; sent < len(reply); {
		next := min(sent+per, len(reply))
		timer.Reset(time.Until(start.Add(s.mode.frame(next))))
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		if err := p.SetWriteDeadline(time.Now().Add(stall)); err != nil {
			return fmt.Errorf("set deadline: %w", err)
		}
		if _, err := p.Write(reply[sent:next]); err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) { // nobody reads: the rest is lost, as on a real line
				return nil
			}
			return fmt.Errorf("write reply: %w", err)
		}
		sent = next
	}
	return nil
}
