package rtu_test

import (
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/modbus"

	"github.com/creack/pty"
)

// testUnits asks three units of a slave on far: a plain one, one that refuses, one that is silent.
func testUnits(t *testing.T, port serialport.Port, far io.ReadWriteCloser) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		rtutest.Slave(far, func(r modbus.Request) []byte {
			switch r.Unit {
			case 1:
				regs := make([]uint16, r.Count)
				for i := range regs {
					regs[i] = r.Address + uint16(i)
				}
				return modbus.AppendReadReply(nil, r.Unit, r.Function, regs)
			case 2:
				return modbus.AppendException(nil, r.Unit, r.Function, modbus.DeviceBusy)
			}
			return nil
		})
	}()
	m := rtu.NewMaster(port, rtu.Options{Mode: mode, Now: now, Timeout: 250 * time.Millisecond})
	wantGood(t, m, 1, 40, 40, 41, 42)
	r, err := m.Read(1, fn, 1000, modbus.MaxRegisters)
	if err != nil || r.Data.Register(124) != 1124 {
		t.Errorf("125 registers: %v", err)
	}
	var ex *modbus.ExceptionError
	if _, err := m.Read(2, fn, 0, 1); !errors.As(err, &ex) {
		t.Errorf("unit 2: %v", err)
	}
	wantErr(t, m, 3, 0, 1, rtu.ErrTimeout)
	wantGood(t, m, 1, 7, 7)
	if err := errors.Join(port.Close(), far.Close()); err != nil {
		t.Error(err)
	}
	<-done
}

func TestUnitsOverPipe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, far := serialporttest.Pipe()
		testUnits(t, port, far)
	})
}

func TestUnitsOverPseudoTerminal(t *testing.T) {
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	name := slave.Name()
	port, err := serialport.Open(name, mode)
	slave.Close()
	if err != nil {
		master.Close()
		t.Fatal(err)
	}
	testUnits(t, port, master)
}
