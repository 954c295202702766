package rtu_test

import (
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
)

// stopped is a port whose program is stopped for a while in the middle of a call, as by SIGSTOP: the bytes wait in the
// system's buffer, and the call ends when the program goes on.
type stopped struct {
	serialport.Port
	read, write time.Duration // how long the next call takes longer
}

func (s *stopped) Read(b []byte, timeout time.Duration) (int, error) {
	n, err := s.Port.Read(b, timeout)
	if n > 0 {
		time.Sleep(s.read)
		s.read = 0
	}
	return n, err
}

func (s *stopped) Write(b []byte) (int, error) {
	n, err := s.Port.Write(b)
	time.Sleep(s.write)
	s.write = 0
	return n, err
}

// A reply that waited while the agent was stopped is old, however fast it is read afterwards.
func TestStoppedProgramTakesNoOldReply(t *testing.T) {
	for name, then := range map[string]stopped{"in Read": {read: 30 * time.Second}, "in Write": {write: 30 * time.Second}} {
		synctest.Test(t, func(t *testing.T) {
			near, far := serialporttest.Pipe()
			p := &stopped{Port: near}
			done := make(chan struct{})
			go func() {
				defer close(done)
				buf := make([]byte, 64)
				for _, b := range [][]byte{reply(9, 1, 1), reply(9, 1), reply(9, 666), reply(9, 3)} {
					if _, err := far.Read(buf); err != nil {
						return
					}
					if _, err := far.Write(b); err != nil {
						return
					}
				}
			}()
			m := rtu.NewMaster(p, rtu.Options{Mode: mode, Now: now})
			wantGood(t, m, 9, 304, 1)
			p.read, p.write = then.read, then.write
			if r, err := m.Read(9, fn, 304, 1); err == nil {
				t.Errorf("%s: took a reply of %v ago", name, now().Sub(r.At))
			}
			if r, err := m.Read(9, fn, 304, 1); err != nil || r.Data.Register(0) != 3 {
				t.Errorf("%s: afterwards %v, %v", name, r.Data, err)
			}
			near.Close()
			far.Close()
			<-done
		})
	}
}
