package rtu_test

import (
	"fmt"
	"testing"
	"time"

	"gritwatch/agent/internal/rtu"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"

	"github.com/creack/pty"
)

// BenchmarkLineShare reads a unit that needs no time to think, one request right after another, over a
// pseudo-terminal whose far end keeps the line's times. Share is the part of the exchanges that Modbus allows at this
// speed (both frames, and t3.5 of silence before each), which were made.
func BenchmarkLineShare(b *testing.B) {
	for _, baud := range []int{9600, 19200, 115200} {
		for _, count := range []int{2, 12} {
			b.Run(fmt.Sprintf("baud=%d/registers=%d", baud, count), func(b *testing.B) {
				mode := serialport.Mode{Baud: baud, DataBits: 8, Parity: 'E', StopBits: 1}
				master, tty, err := pty.Open()
				if err != nil {
					b.Fatal(err)
				}
				port, err := serialport.Open(tty.Name(), mode)
				if err != nil {
					b.Fatal(err)
				}
				tty.Close()
				silence := modbus.SilentInterval(baud)
				frames := modbus.FrameTime(modbus.RequestSize+modbus.ReplySize(fn, count), baud, mode.Bits())
				regs := make([]uint16, modbus.MaxRegisters)
				done := make(chan struct{})
				go func() {
					defer close(done)
					rtutest.Slave(master, func(r modbus.Request) []byte {
						last := time.Now().Add(modbus.FrameTime(modbus.RequestSize+modbus.ReplySize(fn, r.Count), baud, mode.Bits()) + silence)
						time.Sleep(time.Until(last) - 300*time.Microsecond)
						for time.Now().Before(last) { // sleeping would be late by up to 0.1 ms
						}
						return modbus.AppendReadReply(nil, r.Unit, r.Function, regs[:r.Count])
					})
				}()
				m := rtu.NewMaster(port, rtu.Options{Mode: mode, Now: now})
				if _, err := m.Read(9, fn, 0, count); err != nil {
					b.Fatal(err)
				}
				for b.Loop() {
					if _, err := m.Read(9, fn, 0, count); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(100*float64(frames+2*silence)*float64(b.N)/float64(b.Elapsed()), "%share")
				port.Close()
				master.Close()
				<-done
			})
		}
	}
}
