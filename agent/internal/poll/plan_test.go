package poll_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/serialport"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"

	"pgregory.net/rapid"
)

var mode = serialport.Mode{Baud: 19200, DataBits: 8, Parity: 'E', StopBits: 1}

func read(point points.Point, fn modbus.Function, addr uint16, typ config.Type) config.Read {
	return config.Read{Pot: "alder", Point: point, Function: fn, Address: addr, Type: typ, Scale: loop}
}

func text(p poll.Plan) string {
	var out []string
	for _, q := range p.Requests {
		var fields []string
		for _, f := range q.Fields {
			fields = append(fields, fmt.Sprintf("%s@%d", f.Point, f.Offset))
		}
		out = append(out, fmt.Sprintf("%d/%d/%d+%d %s", q.Unit, q.Function, q.Address, q.Count, strings.Join(fields, " ")))
	}
	return strings.Join(out, "; ")
}

func TestPlan(t *testing.T) {
	i, d := modbus.ReadInputRegisters, modbus.ReadDiscreteInputs
	for _, c := range []struct {
		name  string
		units []config.Unit
		want  string
	}{
		{"neighbours in any order are one request", []config.Unit{{Unit: 9, Read: []config.Read{read(points.Hose, i, 306, config.Int16),
			read(points.Vessel, i, 304, config.Float32), read(points.Supply, i, 307, config.Int16)}}}, "9/4/304+4 vessel@0 hose@2 supply@3"},
		{"a gap is never read", []config.Unit{{Unit: 9, Read: []config.Read{read(points.Vessel, i, 304, config.Int16), read(points.Hose, i, 306, config.Int16)}}},
			"9/4/304+1 vessel@0; 9/4/306+1 hose@0"},
		{"functions and units are apart", []config.Unit{
			{Unit: 9, Read: []config.Read{read(points.Supply, i, 1, config.Int16), read(points.Hose, 3, 2, config.Int16), read(points.Control, d, 3, config.Discrete)}},
			{Unit: 7, Read: []config.Read{read(points.Vessel, i, 2, config.Int16)}}},
			"7/4/2+1 vessel@0; 9/2/3+1 control@0; 9/3/2+1 hose@0; 9/4/1+1 supply@0"},
	} {
		if got := text(poll.NewPlan(config.Bus{Units: c.units})); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
}

// However the points lie: each stands in one request exactly once, at its own address, and no request is too long.
func TestPlanCoversEverything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b config.Bus
		total := 0
		for unit := range rapid.IntRange(1, 4).Draw(t, "units") {
			u := config.Unit{Unit: uint8(unit + 1)}
			addr := rapid.IntRange(0, 60000).Draw(t, "first")
			for range rapid.IntRange(1, 150).Draw(t, "points") {
				typ := rapid.SampledFrom([]config.Type{config.Int16, config.Int32, config.Float32}).Draw(t, "type")
				u.Read = append(u.Read, read(points.Point(rapid.IntRange(0, 5).Draw(t, "point")), 4, uint16(addr), typ))
				addr += typ.Size() + rapid.SampledFrom([]int{0, 0, 0, 1, 5}).Draw(t, "gap")
			}
			total += len(u.Read)
			b.Units = append(b.Units, u)
		}
		p := poll.NewPlan(b)
		seen := make(map[string]bool)
		lastRank := 0
		for _, q := range p.Requests {
			size, rank := 0, 2
			for _, f := range q.Fields {
				if f.Offset != size {
					t.Fatalf("a gap or an overlap at %d in %+v", f.Offset, q)
				}
				size += f.Type.Size()
				seen[fmt.Sprint(q.Unit, int(q.Address)+f.Offset)] = true
				if f.Point == points.Vessel {
					rank = 0
				} else if f.Point == points.Control {
					rank = min(rank, 1)
				}
			}
			if size != q.Count || q.Count > modbus.MaxRegisters || rank < lastRank || modbus.ReplySize(q.Function, q.Count) > p.LongestReply {
				t.Fatalf("size %d, rank %d after %d: %+v", size, rank, lastRank, q)
			}
			lastRank = rank
		}
		if len(seen) != total {
			t.Fatalf("%d of %d points planned", len(seen), total)
		}
	})
}

// By hand, at 19200 bit/s and 11 bits: two silences of 2.005 ms, 8 + 9 characters of 0.573 ms, 5 ms to think: 18.75 ms.
func TestBusTime(t *testing.T) {
	b := config.Bus{Port: "/dev/ttyUSB0", Mode: mode, Period: 100 * time.Millisecond, Turnaround: 5 * time.Millisecond}
	for unit := uint8(1); unit <= 5; unit++ {
		b.Units = append(b.Units, config.Unit{Unit: unit, Read: []config.Read{read(points.Vessel, 4, 0, config.Float32)}})
	}
	if got := poll.NewPlan(b).BusTime(b); got < 93700*time.Microsecond || got > 93800*time.Microsecond {
		t.Errorf("bus time %v, want 93.75 ms", got)
	}
	if err := poll.Feasible(b); err != nil {
		t.Error(err)
	}
	b.Period = 90 * time.Millisecond
	if got := poll.Fastest(b); got < 93750*time.Microsecond || got > 93770*time.Microsecond {
		t.Errorf("fastest period %v, want 93.76 ms, rounded up", got)
	}
	err := poll.Feasible(b)
	want := "bus /dev/ttyUSB0: the line cannot keep the period: 5 requests take 93.75 ms, period is 90 ms; write period: 120 ms or more, use a faster line, or put units on another one"
	if !errors.Is(err, poll.ErrTooSlow) || err.Error() != want {
		t.Errorf("got %v\nwant %s", err, want)
	}
}

func TestCheck(t *testing.T) {
	c, err := config.Parse("agent.yaml", []byte(config.Reference))
	if err != nil {
		t.Fatal(err)
	}
	got, err := poll.Check(c)
	if err != nil {
		t.Error(err)
	}
	head, notes, _ := strings.Cut(got, "\n\nalder: ")
	if want := strings.TrimSpace(checkText); head != want {
		t.Errorf("got\n%s\nwant\n%s", head, want)
	}
	if !strings.Contains(notes, "\nbirch: ") {
		t.Errorf("no notes on birch:\n%s", notes)
	}
	c.Buses[0].Period = 30 * time.Millisecond
	got, err = poll.Check(c)
	if !errors.Is(err, poll.ErrTooSlow) || !strings.Contains(got, "\n  REFUSED: bus /dev/ttyUSB0: the line cannot keep the period: 5 requests and 2 beacons take 145.99 ms, period is 30 ms; write period: 190 ms or more") {
		t.Errorf("%v\n%s", err, got)
	}
	if !strings.Contains(got, "birch: ") {
		t.Error("a refused check says less")
	}
}

const checkText = `
agent quay-1 of site harrow-quay publishes to broker.example:8883 every 500 ms
its sources are SIMULATED

bus /dev/ttyUSB0, 19200 8E1, every 200 ms
  pot    point    unit  function  address  type                                        scaling
  alder  vessel   21    04        2578     float32, low register first                 1 = 6.89476 kPa, range 0..1378.95 kPa
  alder  hose     9     04        304      int16                                       0..27648 = 0..20 mA, 4..20 mA = 0..1378.95 kPa
  alder  control  9     04        305      int16                                       0..27648 = 0..20 mA, 4..20 mA = 0..1378.95 kPa
  birch  vessel   9     04        306      int16                                       0..27648 = 4..20 mA, 4..20 mA = 0..200 psi, sealed, ambient 101.18 kPa
  birch  supply   9     03        7        uint16                                      1 = 0.145038 psi
  birch  control  9     02        0        discrete input                              1 = pressed
  birch  hose     30    03        0        int32, high register first, low byte first  1 = 0.01 psi
  beacon of alder: unit 31, coil 0
    lit while 1, written every 500 ms at most; the relay's own watchdog must be set to 2 s
    each start: coil 7 is energised, the unit left alone for 2.3 s, and must have dropped out; nothing may hang on it. Not proven: that the watchdog acts on the beacon's own output
    no contact input: a welded contact that the relay does not know of is not seen
  beacon of birch: unit 31, coil 1
    lit while the value changes, every 500 ms at most; what it feeds must hold for 1 s and drop out within 2 s
    each start: discrete input 1 must read off with no change made; when it may first be lit, it must read on, and off within 2 s after the last change, before it is lit to stay
  A dark beacon says nothing. A lit one replaces no gauge, lockout or procedure, and is no instruction to open.
  requests a period: 5
    unit 21, function 04, address 2578, count 2: 18.75 ms
    unit 9, function 04, address 304, count 3: 19.9 ms
    unit 9, function 02, address 0, count 1: 17.03 ms
    unit 9, function 03, address 7, count 1: 17.6 ms
    unit 30, function 03, address 0, count 2: 18.75 ms
    beacons: a write each and a reading: 53.96 ms
  bus time: 145.99 ms of 200 ms (73 %), with 5 ms for a unit to think and 2.01 ms of silence before each frame
  line: a character of 11 bits takes 0.573 ms, a silent interval 2.01 ms, a turnaround 5 ms for each request; the fastest period it could keep is 145.99 ms

bus /dev/ttyUSB1, 9600 7E1, every 200 ms
  pot    point   query    pattern                                                                 check  scaling
  cedar  vessel  "#01\r"  (?P<body>>(?P<value>[-+][0-9]{3}\.[0-9]{2}))(?P<check>[0-9A-F]{2})      xor    1 = 6.89476 kPa, range 0..1378.95 kPa
  cedar  hose    "#02\r"  02 (?P<value>[-+ ]{1,4}[0-9]{1,4}\.[0-9]{1,3}) (?P<unit>[a-zA-Z]{2,4})  none   unit in the line
  queries a period: 2
    "#01\r": 25.83 ms, with a line of 12 characters
    "#02\r": 36.25 ms, with a line of 22 characters
  bus time: 62.08 ms of 200 ms (31 %), with 5 ms for a gauge to think and 4.17 ms of silence before each query
  line: a character of 10 bits takes 1.04 ms; the fastest period it could keep is 62.09 ms
  note: vessel of cedar is read in the unit given here, whatever the gauge shows: lock its keypad, or let it send its unit and put the group unit around it
  note: hose of cedar has no check characters: a character lost or spoilt on the line may pass for another pressure

bus /dev/ttyUSB2, 9600 8N1, every 200 ms
  pot    point    query  pattern                                 check  scaling
  cedar  control  none   P=(?P<value>-?[0-9]{1,2},[0-9]{2}) bar  none   1 = 100 kPa
  the gauge sends by itself: its longest line takes 14.58 ms; every 400 ms or more often a good one must come, or the point has no value
  note: control of cedar has no check characters: a character lost or spoilt on the line may pass for another pressure
`
