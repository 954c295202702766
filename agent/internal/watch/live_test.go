package watch_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/watch"
	"gritwatch/protocol/modbus"
)

// live checks the lines of file in fake time and gives the report as one line of words.
func live(t *testing.T, answer func(modbus.Request) []byte, missing string) (report string, err error) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		var out bytes.Buffer
		l := &lines{answer: answer}
		start := time.Now()
		err = watch.Live(t.Context(), parse(t, file), watch.Options{Out: &out, For: 3*time.Second - 50*time.Millisecond,
			Open: func(b config.Bus) (serialport.Port, error) {
				if b.Port == missing {
					return nil, fmt.Errorf("%w %s: is the adapter plugged in?", serialport.ErrMissing, b.Port)
				}
				return l.open(b)
			}})
		l.wg.Wait()
		if d := time.Since(start); d > 3200*time.Millisecond {
			t.Errorf("took %v", d)
		}
		report = strings.Join(strings.Fields(out.String()), " ")
	})
	return report, err
}

func wants(t *testing.T, report string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(report, p) {
			t.Errorf("no %q in\n%s", p, report)
		}
	}
}

func TestLiveAllGood(t *testing.T) {
	report, err := live(t, healthy, "")
	if err != nil {
		t.Error(err)
	}
	// By hand, line a at 19200 8E1: three requests, of 1, 1 and 2 registers; two silences of 2.005 ms, 15, 15 and 17
	// characters of 0.573 ms and 5 ms each: 53.96 ms. A pipe takes no time for its bytes: silence and 6 ms.
	wants(t, report, "reading every point for 2.95 s", "alder vessel 100.00 psi 30 of 30", "birch control pressed 15 of 15",
		"line /dev/a, 19200 8E1: 30 periods of 100 ms, 0 left out; 9", "reckoned 54 ms, of 100 ms", "errors: none", "nothing here proves that a vessel may be opened")
	if strings.Contains(report, "look at") {
		t.Errorf("advice where nothing is wrong:\n%s", report)
	}
}

func TestLiveSaysWhatIsWrong(t *testing.T) {
	report, err := live(t, func(r modbus.Request) []byte {
		switch {
		case r.Unit == 9 && r.Address == 400:
			return modbus.AppendException(nil, r.Unit, r.Function, modbus.IllegalAddress)
		case r.Unit == 9:
			return modbus.AppendReadReply(nil, r.Unit, r.Function, []uint16{2764, 0}[:r.Count]) // 2 mA
		case r.Unit == 21:
			return nil
		case r.Function == modbus.ReadHoldingRegisters:
			return modbus.AppendReadReply(nil, r.Unit, r.Function, []uint16{1700, 0}[:r.Count]) // 17 bar
		}
		return healthy(r)
	}, "")
	if !errors.Is(err, watch.ErrNotGood) {
		t.Fatal(err)
	}
	for _, want := range []string{"alder supply (0 of 30 good)", "alder vessel (0 of 30 good)", "alder hose (0 of 30 good)", "birch vessel (0 of 15 good)"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("no %q in %v", want, err)
		}
	}
	if strings.Contains(err.Error(), "birch control") {
		t.Error(err)
	}
	wants(t, report,
		"alder supply: unit 21 does not answer: look at its power, its wiring (A and B), its address and the line's mode (19200 8E1)",
		"alder vessel: out of range in 30 of 30", "readings, last at 2.00 mA, at or under 3.6: the loop has failed: a broken wire",
		"alder hose: no value in 30 of 30", "readings: unit 9, function 04, address 400: exception 2, the unit has no such address",
		"on the wire it counts from 0",
		"birch vessel: out of range in 15 of 15 readings, last at 17.000 bar is over the range of 0.000 bar to 16.000 bar",
		"birch control pressed 15 of 15")
	if strings.Contains(report, "alder vessel: no value") {
		t.Errorf("the hose's refusals are blamed on the vessel:\n%s", report)
	}
}

// One reply in ten is spoilt: the point is not all good, and the report says how often and why.
func TestLiveDamaged(t *testing.T) {
	n := 0
	report, err := live(t, func(r modbus.Request) []byte {
		reply := healthy(r)
		if r.Unit == 21 {
			if n++; n%10 == 0 {
				reply[4] ^= 0x40
			}
		}
		return reply
	}, "")
	if !errors.Is(err, watch.ErrNotGood) || !strings.Contains(err.Error(), "alder supply (2") || strings.Contains(err.Error(), "birch") {
		t.Error(err)
	}
	wants(t, report, "damaged: ", "the line spoils bytes: look at termination")
}

func TestLiveWithoutAPort(t *testing.T) {
	report, err := live(t, healthy, "/dev/b")
	if !errors.Is(err, watch.ErrNotGood) || strings.Contains(err.Error(), "alder") {
		t.Error(err)
	}
	wants(t, report, "birch vessel: its line /dev/b could not be opened", "line /dev/b, 9600 8N1: could not be opened", "is the adapter plugged in?")
}

func TestLiveStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		var out bytes.Buffer
		l := &lines{answer: healthy}
		start := time.Now()
		err := watch.Live(ctx, parse(t, file), watch.Options{Out: &out, For: time.Minute, Open: l.open})
		l.wg.Wait()
		if err != nil || time.Since(start) > 1200*time.Millisecond {
			t.Errorf("%v after %v", err, time.Since(start))
		}
		wants(t, out.String(), "stopped before the end", "10 of 10")
	})
}
