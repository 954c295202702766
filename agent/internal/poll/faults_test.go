package poll_test

import (
	"cmp"
	"context"
	"log/slog"
	"os"
	"strconv"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// counted is a read of the number that rtutest.Faulty puts into its answers, as so many Pa.
func counted(p points.Point, address uint16) config.Read {
	return config.Read{Pot: "alder", Point: p, Function: modbus.ReadInputRegisters, Address: address, Type: config.Uint16,
		Scale: config.Scale{PerUnit: 1}}
}

// TestNoFaultOfTheLineGivesAWrongValue plays each fault of the line at a stated rate for half a minute, with one seed,
// and knows for every value that is accepted which request it has to answer. Two periods after the end of the fault
// every point must be read again. SOAK=200 (make lines) plays so many seeds, and a minute of each.
func TestNoFaultOfTheLineGivesAWrongValue(t *testing.T) {
	const before, after = 2 * time.Second, 14 * time.Second
	const peace = 10 * time.Second // of a unit whose replies nobody waits for
	ms := time.Millisecond
	during := time.Minute
	if os.Getenv("SOAK") == "" {
		during = 30 * time.Second
	}
	seeds, err := strconv.ParseUint(cmp.Or(os.Getenv("SOAK"), "1"), 10, 32)
	if err != nil {
		t.Fatalf("SOAK is a number of seeds: %v", err)
	}
	for _, c := range []struct {
		name   string
		faults rtutest.Faults
	}{
		{"CRC 30 %", rtutest.Faults{Bits: 0.3}},
		{"burst 30 %", rtutest.Faults{Burst: 0.3}},
		{"truncated 30 %", rtutest.Faults{Truncated: 0.3}},
		{"noise inside 30 %", rtutest.Faults{Inserted: 0.3}},
		{"noise in front 30 %", rtutest.Faults{Front: 0.3}},
		{"noise behind 30 %", rtutest.Faults{Behind: 0.3}},
		{"late by 60 ms, 20 %", rtutest.Faults{Late: 0.2, LateBy: 60 * ms}},
		{"late by 150 ms, 20 %", rtutest.Faults{Late: 0.2, LateBy: 150 * ms}},
		{"late by 900 ms, 5 %", rtutest.Faults{Late: 0.05, LateBy: 900 * ms}},
		{"always late by 150 ms", rtutest.Faults{Late: 1, LateBy: 150 * ms}},
		{"twice 20 %", rtutest.Faults{Again: 0.2}},
		{"exceptions 30 %", rtutest.Faults{Exception: 0.3}},
		{"silence 30 %", rtutest.Faults{Silence: 0.3}},
		{"silence 80 %", rtutest.Faults{Silence: 0.8}},
		{"silence", rtutest.Faults{Silence: 1}},
		{"echo", rtutest.Faults{Echo: true}},
		{"echo and noise 30 %", rtutest.Faults{Echo: true, Front: 0.3, Behind: 0.3, Inserted: 0.3}},
		{"never silent", rtutest.Faults{Babble: true}},
		{"all at once, 10 % each", rtutest.Faults{Bits: 0.1, Burst: 0.1, Truncated: 0.1, Inserted: 0.1, Front: 0.1, Behind: 0.1, Late: 0.1,
			LateBy: 70 * ms, Exception: 0.1, Silence: 0.1, Echo: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			good, bad, played := 0, 0, 0
			var slowest time.Duration
			for seed := range seeds {
				synctest.Test(t, func(t *testing.T) {
					port, far := serialporttest.Pipe()
					line := rtutest.NewFaulty(far, seed)
					ended := make(chan struct{})
					go func() { defer close(ended); line.Run() }()

					start := time.Now()
					set := func(at time.Duration, f rtutest.Faults) *time.Timer {
						return time.AfterFunc(at, func() { line.Set(f) })
					}
					defer set(before, c.faults).Stop()
					defer set(before+during, rtutest.Faults{}).Stop()
					last := make(map[points.Point]si.Instant)
					var lastBad si.Instant

					cfg := config.Bus{Port: "/dev/test", Mode: mode, Period: period, Timeout: 50 * ms, Turnaround: 5 * ms, Units: []config.Unit{
						{Unit: 1, Read: []config.Read{counted(points.Vessel, 10)}},
						{Unit: 2, Read: []config.Read{counted(points.Control, 10)}},
					}}
					units := map[points.Point]uint8{points.Vessel: 1, points.Control: 2}
					if c.faults.Again == 0 { // of two like requests in a row nobody could tell a doubled reply
						cfg.Units[0].Read = append(cfg.Units[0].Read, counted(points.Hose, 20))
						units[points.Hose] = 1
					}
					bus := poll.NewBus(cfg, poll.Options{
						Open: func() (serialport.Port, error) { return port, nil },
						Now:  func() si.Instant { return si.InstantOf(time.Now()) },
						Log:  slog.New(slog.DiscardHandler),
						Sink: func(_ string, s points.Sample) {
							if was, ok := last[s.Point]; ok && s.At.Sub(was) > 4*period {
								t.Errorf("%s: not a word for %v", s.Point, s.At.Sub(was))
							}
							last[s.Point] = s.At
							if s.Quality != points.Good {
								bad++
								lastBad = s.At
								return
							}
							good++
							if want := line.Latest(units[s.Point]); s.Value != si.GaugePressure(want) {
								t.Errorf("seed %d, %s, after %v: took %v, the last request is %d", seed, s.Point, time.Since(start), float64(s.Value), want)
							}
						},
					})
					ctx, cancel := context.WithTimeout(t.Context(), before+during+after)
					defer cancel()
					if err := bus.Run(ctx); err != nil {
						t.Error(err)
					}
					far.Close()
					<-ended
					n, end := line.Played() // a late reply may come after the fault has ended
					if off := start.Add(before + during); end.Before(off) {
						end = off
					}
					played += n
					slowest = max(slowest, lastBad.Sub(si.InstantOf(end)))
				})
			}
			t.Logf("%d values accepted, 0 of them may be wrong; %d readings without a value; %d replies spoilt; last trouble %v after the end",
				good, bad, played, slowest)
			within := 2 * period
			if c.faults.Again > 0 {
				within += peace
			}
			if slowest > within {
				t.Errorf("a point was not read %v after the fault's end, want %v at most", slowest, within)
			}
			if played == 0 && !c.faults.Echo && !c.faults.Babble {
				t.Error("nothing was spoilt")
			}
		})
	}
}
