package rtu_test

import (
	"errors"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
)

var mode = serialport.Mode{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}

const fn = modbus.ReadInputRegisters

func ask(unit uint8, addr uint16, count int) []byte {
	return modbus.AppendReadRequest(nil, unit, fn, addr, count)
}

func reply(unit uint8, regs ...uint16) []byte { return modbus.AppendReadReply(nil, unit, fn, regs) }

func now() si.Instant { return si.InstantOf(time.Now()) }

// record counts what a master reports.
type record struct {
	sent, good, echoes, stray int
	failed                    []error
	codes                     []modbus.Code
}

func (r *record) events() rtu.Events {
	return rtu.Events{
		Sent:      func(uint8) { r.sent++ },
		Reply:     func(uint8) { r.good++ },
		Exception: func(_ uint8, c modbus.Code) { r.codes = append(r.codes, c) },
		Failed:    func(_ uint8, err error) { r.failed = append(r.failed, err) },
		Echo:      func(uint8) { r.echoes++ },
		Stray:     func(n int) { r.stray += n },
	}
}

// met is a first request to each unit, whose probe and reply a master wants before it trusts a unit.
func met(units ...uint8) (steps []rtutest.Step) {
	for _, u := range units {
		steps = append(steps, step(ask(u, 0, 1), after(time.Millisecond, reply(u, 1))),
			step(ask(u, 0, 2), after(time.Millisecond, reply(u, 1, 2))))
	}
	return steps
}

// play runs body against a script in fake time and checks that the script was used up. Units 8 and 9 have been met.
func play(t *testing.T, body func(t *testing.T, m *rtu.Master, r *record), steps ...rtutest.Step) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		p := rtutest.NewPlayback(append(met(8, 9), steps...)...)
		r := &record{}
		m := rtu.NewMaster(p, rtu.Options{Mode: mode, LongestReply: 9, Now: now, Events: r.events()})
		wantGood(t, m, 8, 0, 1, 2)
		wantGood(t, m, 9, 0, 1, 2)
		time.Sleep(time.Second)
		*r, p.Purged = record{}, 0
		body(t, m, r)
		if err := p.Close(); err != nil {
			t.Error(err)
		}
	})
}

func after(d time.Duration, b []byte) rtutest.Chunk { return rtutest.Chunk{After: d, Bytes: b} }

func step(request []byte, chunks ...rtutest.Chunk) rtutest.Step {
	return rtutest.Step{Request: request, Chunks: chunks}
}

func wantGood(t *testing.T, m *rtu.Master, unit uint8, addr uint16, want ...uint16) rtu.Reply {
	t.Helper()
	r, err := m.Read(unit, fn, addr, len(want))
	if err != nil {
		t.Fatalf("want %v, got %v", want, err)
	}
	for i, w := range want {
		if r.Data.Register(i) != w {
			t.Fatalf("register %d = %d, want %d", i, r.Data.Register(i), w)
		}
	}
	return r
}

func wantErr(t *testing.T, m *rtu.Master, unit uint8, addr uint16, count int, want error) {
	t.Helper()
	if _, err := m.Read(unit, fn, addr, count); !errors.Is(err, want) {
		t.Fatalf("got %v, want %v", err, want)
	}
}

func TestGoodReplyTakesTimeAtLastByte(t *testing.T) {
	whole := reply(9, 555, 100)
	play(t, func(t *testing.T, m *rtu.Master, r *record) {
		start := time.Now()
		got := wantGood(t, m, 9, 304, 555, 100)
		// The line was silent before; 10 + 3 ms from the request to the last byte.
		if want := si.InstantOf(start.Add(13 * time.Millisecond)); got.At != want {
			t.Errorf("instant %v, want %v", got.At, want)
		}
		if r.sent != 1 || r.good != 1 || r.stray != 0 || len(r.failed) != 0 {
			t.Errorf("%+v", r)
		}
	}, step(ask(9, 304, 2), after(10*time.Millisecond, whole[:4]), after(3*time.Millisecond, whole[4:])))
}

func TestReadErrors(t *testing.T) {
	bad := reply(9, 555, 100)
	bad[4] ^= 1
	other := modbus.AppendReadReply(nil, 9, modbus.ReadHoldingRegisters, []uint16{1, 2})
	ms := time.Millisecond
	for _, c := range []struct {
		name   string
		chunks []rtutest.Chunk
		want   error
		again  bool // the next request is a plain one: the unit owes nothing
	}{
		{"silence", nil, rtu.ErrTimeout, false},
		{"check fails", []rtutest.Chunk{after(5*ms, bad)}, rtu.ErrDamaged, true},
		{"cut short", []rtutest.Chunk{after(5*ms, reply(9, 555, 100)[:6])}, rtu.ErrCut, false},
		{"noise alone", []rtutest.Chunk{after(5*ms, []byte{0xFF, 0, 0xFF, 9, 4})}, rtu.ErrCut, false},
		{"another unit answers", []rtutest.Chunk{after(5*ms, reply(8, 555, 100))}, rtu.ErrCut, false},
		{"bytes follow", []rtutest.Chunk{after(5*ms, append(reply(9, 555, 100), 7))}, rtu.ErrExtra, true},
		{"just late", []rtutest.Chunk{after(113*ms, reply(9, 555, 100))}, rtu.ErrLate, true},
		{"last byte late", []rtutest.Chunk{after(5*ms, reply(9, 555, 100)[:8]), after(110*ms, reply(9, 555, 100)[8:])}, rtu.ErrLate, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			steps := []rtutest.Step{step(ask(9, 304, 2), c.chunks...)}
			if !c.again {
				steps = append(steps, step(ask(9, 304, 1), after(5*ms, reply(9, 1)))) // the probe
			}
			steps = append(steps, step(ask(9, 304, 2), after(5*ms, reply(9, 3, 4))))
			play(t, func(t *testing.T, m *rtu.Master, r *record) {
				wantErr(t, m, 9, 304, 2, c.want)
				if len(r.failed) != 1 || !errors.Is(r.failed[0], c.want) {
					t.Errorf("reported %v", r.failed)
				}
				wantGood(t, m, 9, 304, 3, 4)
			}, steps...)
		})
	}
	t.Run("another function or count", func(t *testing.T) {
		for _, b := range [][]byte{other, reply(9, 5), reply(9, 5, 6, 7)} {
			play(t, func(t *testing.T, m *rtu.Master, _ *record) {
				// A whole reply of this unit to something nobody asked: someone else drives the line, or it is very late.
				wantErr(t, m, 9, 304, 2, rtu.ErrLate)
				wantErr(t, m, 9, 304, 2, rtu.ErrResting)
			}, step(ask(9, 304, 2), after(5*ms, b)))
		}
	})
}

func TestException(t *testing.T) {
	play(t, func(t *testing.T, m *rtu.Master, r *record) {
		_, err := m.Read(9, fn, 304, 2)
		var ex *modbus.ExceptionError
		if !errors.As(err, &ex) || ex.Code != modbus.IllegalAddress {
			t.Fatalf("%v", err)
		}
		if !slices.Equal(r.codes, []modbus.Code{2}) || len(r.failed) != 0 {
			t.Errorf("%+v", r)
		}
		wantGood(t, m, 9, 304, 3, 4) // no doubt: it did answer
	}, step(ask(9, 304, 2), after(time.Millisecond, modbus.AppendException(nil, 9, fn, 2))),
		step(ask(9, 304, 2), after(time.Millisecond, reply(9, 3, 4))))
}

func TestEchoAndNoiseInFront(t *testing.T) {
	request := ask(9, 304, 2)
	play(t, func(t *testing.T, m *rtu.Master, r *record) {
		wantGood(t, m, 9, 304, 3, 4)
		if r.echoes != 1 || r.stray != 0 {
			t.Errorf("echo: %+v", r)
		}
		wantGood(t, m, 9, 304, 5, 6)
		if r.echoes != 1 || r.stray != 3 {
			t.Errorf("noise: %+v", r)
		}
		wantErr(t, m, 9, 304, 2, rtu.ErrTimeout)
	}, step(request, after(time.Millisecond, request[:5]), after(time.Millisecond, request[5:]), after(time.Millisecond, reply(9, 3, 4))),
		step(request, after(time.Millisecond, append([]byte{0, 9, 4}, reply(9, 5, 6)...))),
		step(request, after(time.Millisecond, request))) // an echo alone is no reply
}

// A reply that comes after the line was given up must never be taken for the next one, however often it is late.
func TestLateReplyIsNeverTaken(t *testing.T) {
	ms := time.Millisecond
	t.Run("it comes before the probe is answered", func(t *testing.T) {
		play(t, func(t *testing.T, m *rtu.Master, r *record) {
			wantErr(t, m, 9, 304, 2, rtu.ErrTimeout)
			wantGood(t, m, 9, 304, 3, 4)
			if r.stray != 9 {
				t.Errorf("%d stray bytes, want the late reply's 9", r.stray)
			}
		}, step(ask(9, 304, 2), after(140*ms, reply(9, 666, 666))), // 140: in the probe's window
			step(ask(9, 304, 1), after(20*ms, reply(9, 1))),
			step(ask(9, 304, 2), after(5*ms, reply(9, 3, 4))))
	})
	t.Run("it comes between two requests", func(t *testing.T) {
		play(t, func(t *testing.T, m *rtu.Master, _ *record) {
			wantErr(t, m, 9, 304, 2, rtu.ErrTimeout)
			time.Sleep(time.Second)
			wantGood(t, m, 9, 304, 3, 4) // paid
		}, step(ask(9, 304, 2), after(500*ms, reply(9, 666, 666))),
			step(ask(9, 304, 2), after(5*ms, reply(9, 3, 4))))
	})
	t.Run("it comes while another unit is asked", func(t *testing.T) {
		play(t, func(t *testing.T, m *rtu.Master, _ *record) {
			wantErr(t, m, 9, 304, 2, rtu.ErrTimeout)
			wantGood(t, m, 8, 304, 1, 2)
			wantGood(t, m, 9, 304, 3, 4) // paid
		}, step(ask(9, 304, 2), after(140*ms, reply(9, 666, 666))),
			step(ask(8, 304, 2), after(25*ms, reply(8, 1, 2))),
			step(ask(9, 304, 2), after(5*ms, reply(9, 3, 4))))
	})
	t.Run("no debt, yet a reply: another master, or worse", func(t *testing.T) {
		play(t, func(t *testing.T, m *rtu.Master, _ *record) {
			wantGood(t, m, 9, 304, 1, 2)
			time.Sleep(100 * ms)
			wantErr(t, m, 9, 304, 2, rtu.ErrLate)
			wantErr(t, m, 9, 304, 2, rtu.ErrResting)
			time.Sleep(10 * time.Second)
			wantGood(t, m, 9, 304, 3, 4)
		}, step(ask(9, 304, 2), after(5*ms, reply(9, 1, 2)), after(50*ms, reply(9, 666, 666))),
			step(ask(9, 304, 2), after(5*ms, reply(9, 3, 4))))
	})
}

// A slave that answers everything, in order, but later than asked for: no value may ever be older than it claims.
func TestSlowSlaveNeverGivesOldValues(t *testing.T) {
	for delay := 5 * time.Millisecond; delay < 4*time.Second; delay = delay*3/2 + 7*time.Millisecond {
		synctest.Test(t, func(t *testing.T) {
			port, far := serialporttest.Pipe()
			type due struct {
				at    time.Time
				bytes []byte
			}
			out := make(chan due, 1000)
			done := make(chan struct{})
			go func() {
				defer close(done)
				for d := range out {
					time.Sleep(time.Until(d.at))
					if _, err := far.Write(d.bytes); err != nil {
						return
					}
				}
			}()
			read := make(chan struct{})
			go func() {
				defer close(read)
				rtutest.Slave(far, func(r modbus.Request) []byte {
					// The value is the time of the request, in ms, so that its age can be told.
					regs := make([]uint16, r.Count)
					regs[0] = uint16(time.Now().UnixMilli())
					out <- due{time.Now().Add(delay), modbus.AppendReadReply(nil, r.Unit, r.Function, regs)}
					return nil
				})
			}()
			m := rtu.NewMaster(port, rtu.Options{Mode: mode, LongestReply: 9, Now: now})
			good := 0
			for range 300 {
				for _, count := range []int{2, 1} {
					r, err := m.Read(9, fn, uint16(count), count)
					if err == nil {
						good++
						age := uint16(r.At.Time().UnixMilli()) - r.Data.Register(0)
						if int(age) > 120 {
							t.Fatalf("delay %v: a value %d ms old", delay, age)
						}
					}
				}
				time.Sleep(90 * time.Millisecond)
			}
			if delay < 100*time.Millisecond && good != 600 {
				t.Errorf("delay %v: %d good replies of 600", delay, good)
			}
			port.Close()
			far.Close()
			<-read
			close(out)
			<-done
		})
	}
}

// A slave that does not answer counts it does not like comes back after the peace.
func TestSlaveDeafToProbes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, far := serialporttest.Pipe()
		var plugged atomic.Bool
		done := make(chan struct{})
		go func() {
			defer close(done)
			rtutest.Slave(far, func(r modbus.Request) []byte {
				if !plugged.Load() || r.Count != 2 {
					return nil
				}
				return reply(r.Unit, 3, 4)
			})
		}()
		m := rtu.NewMaster(port, rtu.Options{Mode: mode, LongestReply: 9, Now: now})
		plugged.Store(true)
		wantErr(t, m, 9, 304, 2, rtu.ErrTimeout) // the first probe
		wantGood(t, m, 9, 304, 3, 4)
		plugged.Store(false)
		wantErr(t, m, 9, 304, 2, rtu.ErrTimeout)
		plugged.Store(true)
		start := time.Now()
		for {
			if _, err := m.Read(9, fn, 304, 2); err == nil {
				break
			}
			time.Sleep(time.Second)
		}
		if d := time.Since(start); d < 10*time.Second || d > 60*time.Second {
			t.Errorf("back after %v", d)
		}
		port.Close()
		far.Close()
		<-done
	})
}

func TestLineNeverSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, far := serialporttest.Pipe()
		done := make(chan struct{})
		go func() {
			defer close(done)
			for {
				if _, err := far.Write([]byte{0x55}); err != nil {
					return
				}
				time.Sleep(500 * time.Microsecond)
			}
		}()
		r := &record{}
		m := rtu.NewMaster(port, rtu.Options{Mode: mode, Now: now, Events: r.events()})
		start := time.Now()
		wantErr(t, m, 9, 304, 2, rtu.ErrBabble)
		if d := time.Since(start); d > 2*time.Second || r.sent != 0 {
			t.Errorf("gave up after %v, %d sent", d, r.sent)
		}
		port.Close()
		far.Close()
		<-done
	})
}

func TestLostPort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, far := serialporttest.Pipe()
		m := rtu.NewMaster(port, rtu.Options{Mode: mode, Now: now})
		far.Close()
		wantErr(t, m, 9, 304, 2, rtu.ErrPort)
		p := rtutest.NewPlayback(step(ask(9, 304, 1), after(time.Millisecond, reply(9, 3))), step(ask(9, 304, 2), after(time.Millisecond, reply(9, 3, 4))))
		m.Reopened(p)
		wantGood(t, m, 9, 304, 3, 4)
		port.Close()
	})
}
