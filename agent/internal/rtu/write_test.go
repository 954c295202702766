package rtu_test

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/modbus"
)

func written(unit uint8, addr uint16, on bool) []byte {
	return modbus.AppendWrite(nil, modbus.Coil(unit, addr, on))
}

func wantWrite(t *testing.T, m *rtu.Master, on bool, want error) {
	t.Helper()
	err := m.Write(50*time.Millisecond, modbus.Coil(9, 3, on), time.Time{})
	if want == nil && err != nil || want != nil && !errors.Is(err, want) {
		t.Fatalf("write %v: got %v, want %v", on, err, want)
	}
}

const write = time.Millisecond

func TestWriteIsRepeated(t *testing.T) {
	play(t, func(t *testing.T, m *rtu.Master, r *record) {
		wantWrite(t, m, true, nil)
		wantWrite(t, m, false, nil)
		if r.sent != 2 || r.good != 2 || r.echoes != 0 || r.stray != 0 || len(r.failed) != 0 {
			t.Errorf("%+v", r)
		}
	}, step(written(9, 3, true), after(write, written(9, 3, true))), step(written(9, 3, false), after(write, written(9, 3, false))))
}

func TestWriteRefused(t *testing.T) {
	play(t, func(t *testing.T, m *rtu.Master, r *record) {
		err := m.Write(50*time.Millisecond, modbus.Coil(9, 3, true), time.Time{})
		var refused *modbus.ExceptionError
		if !errors.As(err, &refused) || refused.Code != modbus.IllegalAddress || len(r.codes) != 1 {
			t.Errorf("got %v, %+v", err, r)
		}
	}, step(written(9, 3, true), after(write, modbus.AppendException(nil, 9, modbus.WriteSingleCoil, modbus.IllegalAddress))))
}

// Nothing but the same bytes from the same unit counts, and a spoilt or missing reply does not.
func TestWriteNotConfirmed(t *testing.T) {
	spoilt := written(9, 3, true)
	spoilt[5] ^= 1
	for name, c := range map[string]struct {
		reply []byte
		want  error
	}{
		"none":                    {nil, rtu.ErrTimeout},
		"spoilt":                  {spoilt, rtu.ErrDamaged},
		"cut":                     {written(9, 3, true)[:5], rtu.ErrCut},
		"another value":           {written(9, 3, false), rtu.ErrLate},
		"another address":         {written(9, 4, true), rtu.ErrLate},
		"another unit":            {written(8, 3, true), rtu.ErrCut},
		"a reading":               {reply(9, 1), rtu.ErrLate},
		"something behind it":     {append(written(9, 3, true), 7), rtu.ErrExtra},
		"twice":                   {append(written(9, 3, true), written(9, 3, true)...), rtu.ErrExtra},
		"an exception to reading": {modbus.AppendException(nil, 9, fn, modbus.DeviceBusy), rtu.ErrLate},
	} {
		t.Run(name, func(t *testing.T) {
			play(t, func(t *testing.T, m *rtu.Master, _ *record) { wantWrite(t, m, true, c.want) },
				step(written(9, 3, true), after(write, c.reply)))
		})
	}
}

// A late reply to the last "off" is not taken for one to this one: only a reading between them tells that nothing older
// is on its way.
func TestLateReplyToAnOlderWrite(t *testing.T) {
	off := written(9, 3, false)
	play(t, func(t *testing.T, m *rtu.Master, _ *record) {
		wantWrite(t, m, false, rtu.ErrTimeout)
		time.Sleep(100 * time.Millisecond)
		wantWrite(t, m, false, rtu.ErrLate) // the reply may be to the first one
		wantWrite(t, m, false, rtu.ErrLate)
		wantGood(t, m, 9, 0, 5)
		wantWrite(t, m, false, nil)
	}, step(off), step(off, after(write, off)), step(off, after(write, off)), step(ask(9, 0, 1), after(write, reply(9, 5))), step(off, after(write, off)))
}

// A reply to a write in front of one to a reading spoils nothing: it is told by its function.
func TestLateReplyToAWriteBeforeAReading(t *testing.T) {
	on := written(9, 3, true)
	play(t, func(t *testing.T, m *rtu.Master, r *record) {
		wantWrite(t, m, true, rtu.ErrTimeout)
		wantGood(t, m, 9, 0, 5)
		wantWrite(t, m, true, nil)
	}, step(on), step(ask(9, 0, 1), after(write, on), after(5*time.Millisecond, reply(9, 5))), step(on, after(write, on)))
}

// A unit of which a reply to a write turns up that nobody made has another master: its readings are doubtful, but it is
// written to.
func TestWriteOfAnotherMaster(t *testing.T) {
	off := written(9, 3, false)
	play(t, func(t *testing.T, m *rtu.Master, _ *record) {
		wantErr(t, m, 8, 0, 1, rtu.ErrCut)
		wantErr(t, m, 9, 0, 1, rtu.ErrResting)
		wantWrite(t, m, false, nil)
	}, step(ask(8, 0, 1), after(write, written(9, 3, true))), step(off, after(write, off)))
}

// Where the line echoes, the first copy is the echo: it confirms nothing.
func TestWriteOnALineThatEchoes(t *testing.T) {
	on := written(9, 3, true)
	echoed := append(ask(9, 0, 1), reply(9, 5)...)
	play(t, func(t *testing.T, m *rtu.Master, r *record) {
		wantGood(t, m, 9, 0, 5)
		wantWrite(t, m, true, rtu.ErrTimeout)
		wantGood(t, m, 9, 0, 5)
		wantWrite(t, m, true, nil)
		if r.echoes != 4 {
			t.Errorf("%d echoes", r.echoes)
		}
	}, step(ask(9, 0, 1), after(write, echoed)), step(on, after(0, on)), step(ask(9, 0, 1), after(write, echoed)),
		step(on, after(0, on), after(5*time.Millisecond, on)))
}

// What was decided before a program was stopped is not written when it goes on.
func TestWriteIsNotSentTooLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := serialporttest.Pipe()
		p := &stopped{Port: near}
		seen := 0
		done := make(chan struct{})
		go func() {
			defer close(done)
			rtutest.Written(far, func(r modbus.Request) []byte { return reply(r.Unit, make([]uint16, r.Count)...) },
				func(w modbus.Write) []byte { seen++; return modbus.AppendWrite(nil, w) })
		}()
		m := rtu.NewMaster(p, rtu.Options{Mode: mode, Now: now})
		until := time.Now().Add(250 * time.Millisecond)
		if err := m.Write(50*time.Millisecond, modbus.Coil(9, 3, true), until); err != nil || seen != 1 {
			t.Errorf("in time: %v, %d seen", err, seen)
		}
		time.Sleep(time.Second)
		if err := m.Write(50*time.Millisecond, modbus.Coil(9, 3, true), until); !errors.Is(err, rtu.ErrHeld) || seen != 1 {
			t.Errorf("too late: %v, %d seen", err, seen)
		}
		near.Close()
		far.Close()
		<-done
	})
}

func TestWriteToALostPort(t *testing.T) {
	play(t, func(t *testing.T, m *rtu.Master, _ *record) {
		p := rtutest.NewPlayback()
		if err := p.Close(); err != nil {
			t.Fatal(err)
		}
		m.Reopened(p)
		wantWrite(t, m, false, rtu.ErrPort)
	})
}
