// Package rtutest stands in for a line with slaves: Playback plays a script of requests and replies, Slave answers
// requests on any connection.
package rtutest

import (
	"bytes"
	"fmt"
	"io"
	"time"

	"gritwatch/protocol/modbus"
)

// A Step expects one request and then puts chunks of bytes on the line.
type Step struct {
	Request []byte
	Chunks  []Chunk
}

// A Chunk arrives After the one before it, the first one after the request.
type Chunk struct {
	After time.Duration
	Bytes []byte
}

// A Playback is a serial port that plays steps. It waits by time.Sleep, so it wants synctest's fake time.
type Playback struct {
	steps  []Step
	queue  []due
	closed bool
	Purged int // how often it was told to forget
}

type due struct {
	at    time.Time
	bytes []byte
}

// NewPlayback makes a port that plays steps in order.
func NewPlayback(steps ...Step) *Playback { return &Playback{steps: steps} }

// Read gives the next bytes that are due within timeout.
func (p *Playback) Read(b []byte, timeout time.Duration) (int, error) {
	if p.closed {
		return 0, io.ErrClosedPipe
	}
	if len(p.queue) == 0 || time.Until(p.queue[0].at) > timeout {
		time.Sleep(timeout)
		return 0, nil
	}
	time.Sleep(time.Until(p.queue[0].at))
	n := copy(b, p.queue[0].bytes)
	if p.queue[0].bytes = p.queue[0].bytes[n:]; len(p.queue[0].bytes) == 0 {
		p.queue = p.queue[1:]
	}
	return n, nil
}

// Write takes a request, which must be the one of the next step.
func (p *Playback) Write(b []byte) (int, error) {
	if p.closed {
		return 0, io.ErrClosedPipe
	}
	if len(p.steps) == 0 || !bytes.Equal(b, p.steps[0].Request) {
		return 0, fmt.Errorf("rtutest: unexpected request % X; %d steps left", b, len(p.steps))
	}
	at := time.Now()
	for _, c := range p.steps[0].Chunks {
		at = at.Add(c.After)
		p.queue = append(p.queue, due{at, c.Bytes})
	}
	p.steps = p.steps[1:]
	return len(b), nil
}

// Purge counts.
func (p *Playback) Purge() error {
	p.Purged++
	return nil
}

// Close fails when steps are left that nobody asked for.
func (p *Playback) Close() error {
	p.closed = true
	if len(p.steps) > 0 {
		return fmt.Errorf("rtutest: %d steps were never asked for, next % X", len(p.steps), p.steps[0].Request)
	}
	return nil
}

// Slave reads requests from rw and writes what answer gives, until rw fails. A nil answer is silence. Frames that
// are no requests are passed over.
func Slave(rw io.ReadWriter, answer func(modbus.Request) []byte) { Written(rw, answer, nil) }

// Written is Slave for units that are written to; a nil write is for units that are not.
func Written(rw io.ReadWriter, answer func(modbus.Request) []byte, write func(modbus.Write) []byte) {
	var buf []byte
	part := make([]byte, modbus.MaxFrame)
	for {
		n, err := rw.Read(part)
		if err != nil {
			return
		}
		buf = append(buf, part[:n]...)
		for len(buf) >= modbus.RequestSize {
			reply, ok := answered(buf[:modbus.RequestSize], answer, write)
			if !ok {
				buf = buf[1:]
				continue
			}
			buf = buf[modbus.RequestSize:]
			if reply != nil {
				if _, err := rw.Write(reply); err != nil {
					return
				}
			}
		}
	}
}

// answered is what a frame of eight bytes is answered with; not ok where it is no request.
func answered(frame []byte, answer func(modbus.Request) []byte, write func(modbus.Write) []byte) (reply []byte, ok bool) {
	if r, err := modbus.ParseReadRequest(frame); err == nil {
		return answer(r), true
	}
	if write == nil {
		return nil, false
	}
	w, err := modbus.ParseWrite(frame)
	if err != nil {
		return nil, false
	}
	return write(w), true
}
