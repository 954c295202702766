package poll_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/beacon"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu/rtutest"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/serialport/serialporttest"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
)

// From the guard's word to the coil, both ways, within two polls of the line; and what is proven before.
func TestBeaconFollowsTheWord(t *testing.T) {
	l := light(t, lamps(), healthy(), func(l *lit) {
		l.word(true)
		time.Sleep(1900 * time.Millisecond)
		if l.Lit(0) || l.Lit(1) {
			t.Error("lit before it was proven to drop out")
		}
		l.word(false)
		time.Sleep(4 * time.Second)
		if l.Lit(0) || l.Lit(1) || l.event("proven alder").IsZero() || l.event("proven birch").IsZero() {
			t.Errorf("not proven: %v", l.events)
		}
		for range 5 {
			l.word(true)
			time.Sleep(2 * period)
			if !l.Lit(0) {
				t.Errorf("coil 0 is dark two polls after the word")
			}
			time.Sleep(10 * time.Second)
			if !l.Lit(0) || !l.Lit(1) {
				t.Errorf("lamps are %v, %v after 10 s", l.Lit(0), l.Lit(1))
			}
			l.word(false)
			time.Sleep(2 * period)
			if l.Lit(0) {
				t.Errorf("coil 0 is lit two polls after the word fell")
			}
			time.Sleep(2200*time.Millisecond + 37*time.Millisecond)
			if l.Lit(1) {
				t.Errorf("what is lit by change is lit 2.4 s after the word fell")
			}
		}
		l.word(true)
		time.Sleep(5 * time.Second)
		l.stop()
		if l.Lit(0) {
			t.Error("lit after a clean end")
		}
		time.Sleep(2 * time.Second)
		if l.Lit(1) {
			t.Error("what is lit by change is lit 2 s after a clean end")
		}
	})
	if n := strings.Count(strings.Join(l.events, "\n"), "faulty"); n > 0 {
		t.Errorf("%d findings of a healthy relay:\n%s", n, strings.Join(l.events, "\n"))
	}
	// The first light of what is lit by change is its trial: 5 + 1 times lit, and once more for it.
	if n := strings.Count(strings.Join(l.events, "\n"), "lit birch"); n != 7 {
		t.Errorf("birch lit %d times, want 7:\n%s", n, strings.Join(l.events, "\n"))
	}
}

// Whatever goes wrong on the line, no lamp is lit 3 s after the word fell; when the line is well again, it is lit again.
// SOAK (make lines) plays twelve times as many rounds, twice.
func TestNoFaultLeavesABeaconLit(t *testing.T) {
	ms := time.Millisecond
	rounds, readings := 2, []bool{true}
	if os.Getenv("SOAK") != "" {
		rounds, readings = 24, []bool{false, true}
	}
	for name, f := range map[string]rtutest.Faults{
		"silence 50 %":    {Silence: 0.5},
		"silence 90 %":    {Silence: 0.9},
		"silence":         {Silence: 1},
		"CRC 30 %":        {Bits: 0.3},
		"CRC":             {Bits: 1},
		"truncated 30 %":  {Truncated: 0.3},
		"truncated":       {Truncated: 1},
		"noise 30 %":      {Front: 0.3, Behind: 0.3, Inserted: 0.3},
		"late by 60 ms":   {Late: 0.2, LateBy: 60 * ms},
		"late by 150 ms":  {Late: 0.3, LateBy: 150 * ms},
		"late by 900 ms":  {Late: 0.1, LateBy: 900 * ms},
		"always late":     {Late: 1, LateBy: 150 * ms},
		"exceptions 30 %": {Exception: 0.3},
		"exceptions":      {Exception: 1},
		"twice 20 %":      {Again: 0.2},
		"echo":            {Echo: true},
		"never silent":    {Babble: true},
	} {
		for _, reads := range readings {
			t.Run(fmt.Sprintf("%s, readings feed %v", name, reads), func(t *testing.T) {
				t.Parallel()
				relay := healthy()
				relay.Reads = reads
				// A unit that handles requests late is fed late by what was sent before.
				limit := 3 * time.Second
				if f.LateBy > 500*ms {
					limit += f.LateBy
				}
				var alight int
				l := light(t, lamps(), relay, func(l *lit) {
					time.Sleep(4 * time.Second)
					for i := range rounds {
						// Some rounds begin with the fault; in the others it begins while the lamps are lit.
						begins := i%3 == 0
						if begins {
							l.line.Set(f)
						}
						l.word(true)
						time.Sleep(6*time.Second + time.Duration(i)*37*ms)
						if begins && l.Lit(0) {
							alight++
						}
						if !begins && (!l.Lit(0) || !l.Lit(1)) {
							t.Errorf("round %d: lamps are %v, %v on a line without a fault", i, l.Lit(0), l.Lit(1))
						}
						l.line.Set(f)
						time.Sleep(time.Duration(i) * 141 * ms)
						l.word(false)
						time.Sleep(limit + 10*ms)
						if l.Lit(0) || l.Lit(1) {
							t.Errorf("round %d: lit %v after the word fell", i, limit)
						}
						l.line.Set(rtutest.Faults{})
						time.Sleep(16 * time.Second) // a unit may be left in peace for 10 s
					}
				})
				if w := max(l.worst[0], l.worst[1]); w > limit {
					t.Errorf("a lamp was lit %v after the word fell", w)
				}
				for _, e := range l.events {
					if strings.HasPrefix(e, "fatal") {
						t.Error(e)
					}
				}
				t.Logf("lit in %d of %d rounds that began with the fault; at most %v and %v after the word fell", alight, (rounds+2)/3, l.worst[0], l.worst[1])
			})
		}
	}
}

// A unit that is silent, with the longest timeout that is allowed, keeps no beacon from being kept alight, and a relay
// that is silent costs no gauge a reading.
func TestBeaconBesideSilentUnits(t *testing.T) {
	cfg := lamps()
	for unit := uint8(20); unit < 23; unit++ {
		cfg.Units = append(cfg.Units, config.Unit{Unit: unit, Read: []config.Read{read(points.Nozzle, 4, 1, config.Int16)}})
	}
	cfg.Timeout, cfg.Period = 150*time.Millisecond, 200*time.Millisecond
	if err := poll.Feasible(cfg); err != nil {
		t.Fatal(err)
	}
	light(t, cfg, healthy(), func(l *lit) {
		l.silence(20)
		time.Sleep(5 * time.Second)
		l.word(true)
		time.Sleep(time.Second)
		l.mu.Lock()
		from := len(l.wrote)
		l.mu.Unlock()
		time.Sleep(30 * time.Second)
		l.mu.Lock()
		defer l.mu.Unlock()
		for i := from; i < len(l.wrote); i++ {
			if d := l.wrote[i].Sub(l.wrote[i-1]); d > beacon.Refresh {
				t.Errorf("kept alight after %v, want every %v", d, beacon.Refresh)
			}
		}
		if n := len(l.wrote) - from; n < 60 {
			t.Errorf("%d writes in 30 s", n)
		}
	})
	var before int
	l := light(t, lamps(), healthy(), func(l *lit) {
		time.Sleep(5 * time.Second)
		l.word(true)
		time.Sleep(time.Second)
		l.silence(5)
		l.mu.Lock()
		before = l.good[points.Vessel]
		l.mu.Unlock()
		time.Sleep(20 * time.Second)
	})
	if n := l.good[points.Vessel] - before; n < 199 {
		t.Errorf("%d readings of the vessel in 200 periods beside a relay that is silent", n)
	}
	if l.event("dark alder").IsZero() {
		t.Error("a relay that does not answer counts as lit")
	}
}

type mute struct{}

func (mute) Read(modbus.Request) []byte { return nil }
func (mute) Write(modbus.Write) []byte  { return nil }

// What is broken is found, and never lit where that can be known.
func TestBrokenRelays(t *testing.T) {
	for _, c := range []struct {
		name  string
		relay *rtutest.Relay
		later func(*rtutest.Relay) // once lit
		want  string               // an event
		never bool                 // it is never lit
		worst time.Duration        // lit after the word fell
		lamp  int
	}{
		{name: "no watchdog", relay: &rtutest.Relay{Hold: 1500 * time.Millisecond}, want: "unproven alder", never: true},
		{name: "watchdog too long", relay: &rtutest.Relay{Watchdog: 5 * time.Second}, want: "unproven alder", never: true},
		{name: "test output cannot be switched off", relay: &rtutest.Relay{Refuses: 1 << 7}, want: "unproven alder", never: true},
		{name: "off is refused", relay: healthy(), later: func(r *rtutest.Relay) { r.Refuses = 1 }, want: "dark alder", worst: 3 * time.Second},
		{name: "off is not done", relay: healthy(), later: func(r *rtutest.Relay) { r.Deaf = 1 }, want: "faulty alder", worst: 3 * time.Second},
		{name: "off is not done and the watchdog has failed", relay: healthy(),
			later: func(r *rtutest.Relay) { r.Deaf, r.Watchdog = 1, 0 }, want: "fatal alder", worst: time.Hour},
		{name: "contact at rest is on", relay: &rtutest.Relay{Watchdog: 2 * time.Second, Hold: 100 * time.Hour}, want: "fatal birch", worst: time.Hour, lamp: 1},
		{name: "contact welds", relay: healthy(), later: func(r *rtutest.Relay) { r.Welded = 2 }, want: "fatal birch", worst: time.Hour, lamp: 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			was := false
			l := light(t, lamps(), c.relay, func(l *lit) {
				if c.lamp == 1 && c.relay.Hold > time.Hour {
					c.relay.Write(modbus.Coil(5, 1, true)) // it was lit before the agent started
				}
				time.Sleep(7 * time.Second)
				l.word(true)
				time.Sleep(5 * time.Second)
				was = l.Lit(c.lamp)
				if c.later != nil {
					c.relay.Set(c.later)
				}
				time.Sleep(2 * time.Second)
				l.word(false)
				time.Sleep(7 * time.Second)
				fatal := strings.HasPrefix(c.want, "fatal")
				if l.Lit(c.lamp) != fatal {
					t.Errorf("lit: %v", !fatal)
				}
				l.word(true)
				time.Sleep(5 * time.Second)
				if fatal && l.event("lit alder").After(l.event("fatal alder")) && c.lamp == 0 {
					t.Error("lit again after it could not be put out")
				}
			})
			if l.event(c.want).IsZero() {
				t.Errorf("not told: %s", c.want)
			}
			if c.never == was && c.lamp == 0 {
				t.Errorf("lit: %v", was)
			}
			if w := l.worst[c.lamp]; w > c.worst {
				t.Errorf("lit %v after the word fell", w)
			}
		})
	}
}

// A coil that an agent left on when it was killed is not changed at the next start: the change would light it.
func TestStartChangesNothingThatIsLitByChange(t *testing.T) {
	relay := healthy()
	relay.Watchdog = 0
	light(t, lamps(), relay, func(l *lit) {
		relay.Write(modbus.Coil(5, 1, true))
		time.Sleep(20 * time.Second)
		if relay.Lit(1) {
			t.Error("lit by the start")
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		if l.worst[1] > relay.Hold {
			t.Errorf("lit for %v", l.worst[1])
		}
	})
}

func TestCheckOfBeacons(t *testing.T) {
	bare := lamps()
	bare.Units[2].Beacons[0].Prove, bare.Units[2].Beacons[1].Contact = nil, nil
	for _, c := range []struct {
		bus  config.Bus
		want []string
		err  string
	}{
		{lamps(), []string{"beacon of alder: unit 5, coil 0", "written every 500 ms at most; the relay's own watchdog must be set to 2 s",
			"each start: coil 7 is energised, the unit left alone for 2.3 s, and must have dropped out", "discrete input 1 must read off",
			"A dark beacon says nothing. A lit one replaces no gauge"}, ""},
		{bare, []string{"STAYS DARK: nothing shows whether it drops out before it is lit: write prove: {coil: N}", "STAYS DARK: nothing shows whether it drops out: wire a contact"}, ""},
		{func() config.Bus { b := lamps(); b.Timeout = 300 * time.Millisecond; return b }(), []string{"REFUSED"}, "must be kept alight every 500 ms, but a unit that does not answer keeps the line for"},
		{func() config.Bus { b := lamps(); b.Units[2].Beacons[0].Watchdog = 300 * time.Millisecond; return b }(), []string{"REFUSED"}, "must be kept alight every 100 ms"},
		{func() config.Bus { b := lamps(); b.Period = 50 * time.Millisecond; return b }(), []string{"REFUSED"}, "3 requests and 2 beacons take"},
	} {
		text, err := poll.Check(config.Config{Agent: "quay-1", Buses: []config.Bus{c.bus}})
		for _, want := range c.want {
			if !strings.Contains(text, want) {
				t.Errorf("%s\nlacks %q", text, want)
			}
		}
		if c.err == "" && err != nil || c.err != "" && (err == nil || !strings.Contains(err.Error(), c.err)) {
			t.Errorf("got %v, want %q", err, c.err)
		}
	}
	// What a refusal tells to write is taken.
	b := lamps()
	b.Timeout = 300 * time.Millisecond
	_, after, _ := strings.Cut(poll.Feasible(b).Error(), "write timeout: ")
	number, _, _ := strings.Cut(after, " or less")
	d, err := time.ParseDuration(strings.ReplaceAll(number, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	if b.Timeout = d; poll.Feasible(b) != nil {
		t.Errorf("refuses its own %v: %v", d, poll.Feasible(b))
	}
}

// Who only looks, as watch and check --live do, writes nothing.
func TestWithoutAGuardNothingIsWritten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		port, far := serialporttest.Pipe()
		done := make(chan struct{})
		go func() {
			defer close(done)
			rtutest.Written(far, half, func(w modbus.Write) []byte { t.Errorf("wrote %+v", w); return nil })
		}()
		run(t, lamps(), 3*time.Second, func() (serialport.Port, error) { return port, nil })
		far.Close()
		<-done
	})
}
