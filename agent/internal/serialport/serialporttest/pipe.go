// Package serialporttest makes serial ports out of connections, so that tests need no terminal and can run under
// synctest's fake time.
package serialporttest

import (
	"errors"
	"net"
	"os"
	"time"

	"gritwatch/agent/internal/serialport"
)

// Pipe is a port and the far end of its line. What either side writes waits until the other reads it.
func Pipe() (serialport.Port, net.Conn) {
	near, far := net.Pipe()
	return Port(near), far
}

// Port makes a port of c, whose deadlines must work.
func Port(c net.Conn) serialport.Port { return &port{c} }

type port struct{ c net.Conn }

// writeLimit stands for the buffers of a real port: what nobody reads is lost, and Write goes on.
const writeLimit = time.Millisecond

func (p *port) Read(b []byte, timeout time.Duration) (int, error) {
	// A connection's deadline in the past would hide what is there already.
	if err := p.c.SetReadDeadline(time.Now().Add(max(timeout, time.Microsecond))); err != nil {
		return 0, err
	}
	n, err := p.c.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}

func (p *port) Write(b []byte) (int, error) {
	if err := p.c.SetWriteDeadline(time.Now().Add(writeLimit)); err != nil {
		return 0, err
	}
	n, err := p.c.Write(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		n, err = len(b), nil
	}
	return n, err
}

func (p *port) Purge() error { return nil }

func (p *port) Close() error { return p.c.Close() }
