package pot_test

import (
	"context"
	"log/slog"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/pot"
)

func TestCycle(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := start(t, pot.Options{})
		p := f.look()
		if p.Answer.Word != "not-proven" || p.State != "unknown" || p.T != "" || p.AgeS != nil || p.Air != "unknown" || len(p.Points) != 5 {
			t.Fatalf("before anything was heard: %+v", p)
		}
		f.birth()
		f.run(3 * time.Second)
		p = f.want("not-proven", "no-vent-seen")
		if p.State != "at-rest" || !p.Simulated || p.Air != "on" || *p.PressurePa.Supply != 700e3 || *p.PressurePa.Vessel != 0 {
			t.Errorf("at rest: %+v", p)
		}
		f.press()
		f.run(9 * time.Second)
		p = f.want("pressurised", "over-limit")
		if p.State != "blasting" || p.DropPa.Mixing == nil || p.DropPa.Hose == nil || p.DropPa.Valve != nil || !p.NozzleMeasured || p.Production == nil {
			t.Errorf("blasting: %+v", p)
		}
		// 0.9 of 650 kPa (less what is still missing) under 689.5 kPa: 1 - 0.015 (689.5 - 584)/6.895 = 0.77
		if v := *p.Production; v < 0.76 || v > 0.78 {
			t.Errorf("production %v", v)
		}
		// 2 % of 650 kPa
		if v := *p.DropPa.Mixing; math.Abs(v-13e3) > 200 {
			t.Errorf("mixing drop %v Pa", v)
		}
		// 3.4 kPa and 0.25 % of the reading, as nothing is declared.
		if d := p.Doubt; d == nil || d.PressurePa.Vessel == nil || math.Abs(*d.PressurePa.Vessel-(3400+0.0025**p.PressurePa.Vessel)) > 1 {
			t.Errorf("how far off the vessel's reading may be: %+v", d)
		}
		f.release()
		f.run(3 * time.Second)
		if p = f.want("pressurised"); p.State != "venting" || p.Production != nil {
			t.Errorf("venting: %+v", p)
		}
		f.run(17 * time.Second)
		p = f.want("vented")
		if p.State != "at-rest" || len(p.Answer.Because) != 0 || *p.Answer.AgeS > 0.7 || *p.StateForS < 5 || p.Quality["vessel"] != "" {
			t.Errorf("vented: %+v", p)
		}
	})
}

func TestStale(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := vented(t)
		time.Sleep(1400 * time.Millisecond) // the newest reading is 0 to 0.5 s old, and the echo adds nothing
		f.want("vented")
		time.Sleep(700 * time.Millisecond)
		p := f.want("not-proven", "vessel-old", "guard-absent")
		if p.State != "unknown" || p.PressurePa != (live.Pressures{}) || p.DropPa != (live.Drops{}) || p.NozzleMeasured || p.Doubt != nil ||
			p.Quality["vessel"] != "old" || p.Quality["supply"] != "old" || p.Air != "unknown" || p.StateForS != nil {
			t.Errorf("stale: %+v", p)
		}
	})
}

// Who gathers many pots begins before the last of them has had its newest readings: these are not from the future.
func TestGathered(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := vented(t)
		began := time.Now()
		f.run(2 * time.Second)
		p := f.a.Estimate(began)
		if p.Answer.Word != "vented" || p.State != "at-rest" || p.PressurePa.Vessel == nil || p.AgeS == nil || *p.AgeS > 0.7 {
			t.Errorf("asked as of 2 s ago: %+v", p)
		}
	})
}

func TestNoEcho(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := start(t, pot.Options{})
		f.deaf = true
		f.birth()
		f.cycle()
		p := f.want("not-proven", "no-echo")
		if f.words["vented"] > 0 || p.State != "unknown" || p.AgeS != nil || p.PressurePa != (live.Pressures{}) {
			t.Errorf("words %v, %+v", f.words, p)
		}
	})
}

// TestEchoOfAnotherSession: its clock may be another.
func TestEchoOfAnotherSession(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := start(t, pot.Options{})
		f.birth()
		f.deaf = true
		synctest.Wait()
		for _, e := range []feed.Echo{{Agent: "quay-1", Session: "s0", Epoch: 1}, {Agent: "quay-1", Session: "s1", Epoch: 2}, {Agent: "quay-2", Session: "s1", Epoch: 1}} {
			e.Sent, e.Received, e.AgentAt = time.Now(), time.Now(), f.agentNow()
			f.a.PutEcho(e)
		}
		f.cycle()
		f.want("not-proven", "no-echo")
	})
}

// TestAlwaysLate: a link that is 20 s late each way, from the first message on, must not be its own yardstick.
func TestAlwaysLate(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := start(t, pot.Options{})
		f.late = 20 * time.Second
		f.birth()
		f.cycle()
		f.run(time.Minute)
		if f.words["vented"] > 0 {
			t.Errorf("words %v", f.words)
		}
		f.want("not-proven", "vessel-old")
		time.Sleep(time.Minute) // let what is under way arrive before the bubble ends
	})
}

// TestStall: a radio that holds everything back for 30 s and then delivers it all: the echoes from before tell its age.
func TestStall(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := vented(t)
		f.late = 30 * time.Second
		f.run(2 * time.Second)
		clear(f.words)
		f.run(time.Minute)
		if f.words["vented"] > 0 {
			t.Errorf("words %v", f.words)
		}
		f.want("not-proven", "vessel-old")
		time.Sleep(2 * time.Minute) // let what is under way arrive before the bubble ends
	})
}

func TestGuard(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := vented(t)
		f.mute = true
		f.run(3 * time.Second)
		f.want("not-proven", "guard-absent")
		f.mute = false
		f.run(time.Second)
		f.want("vented")
		for _, word := range []string{"not-proven", "VENTED", "", "pressurised"} {
			e := f.event(feed.Data)
			e.Received, e.Guard, e.GuardAt = time.Now(), word, f.agentNow()
			f.a.Put(e)
			p := f.look()
			if p.Answer.Word == "vented" || !slices.Contains(p.Answer.Because, "guard-differs") {
				t.Errorf("guard says %q: %+v", word, p.Answer)
			}
			time.Sleep(time.Millisecond)
		}
		f.run(time.Second)
		f.want("vented")
	})
}

func TestClaims(t *testing.T) {
	for name, c := range map[string]struct {
		digest string
		code   string
	}{
		"another configuration": {"vent/1:00", "config-differs"},
		"other rules":           {"vent/2:00", "rules-differ"},
		"none":                  {"", "rules-differ"},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T) {
				f := start(t, pot.Options{})
				f.digest = c.digest
				f.birth()
				f.cycle()
				f.want("not-proven", c.code)
				if f.words["vented"] > 0 {
					t.Errorf("words %v", f.words)
				}
			})
		})
	}
}

// TestContest: not proven until 60 s after the last refused message.
func TestContest(t *testing.T) {
	for name, session := range map[string]bool{"second-agent": false, "second-session": true} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T) {
				f := vented(t)
				for range 2 {
					f.a.Put(feed.Event{Kind: feed.Contest, Pot: "alder", Agent: "quay-2", Received: time.Now(), SecondSession: session})
					f.want("not-proven", name)
					f.run(50 * time.Second)
					f.want("not-proven", name)
				}
				f.run(9 * time.Second)
				f.want("not-proven", name)
				f.run(2 * time.Second)
				f.want("vented")
			})
		})
	}
}

// TestTakenBack: not proven until 60 s after the other session's last message, where the one that was refused is believed again.
func TestTakenBack(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := vented(t)
		put := func(e feed.Event) {
			e.Kind, e.Pot, e.Agent, e.Received, e.SecondSession = feed.Contest, "alder", "quay-1", time.Now(), true
			f.a.Put(e)
		}
		last := time.Now()
		put(feed.Event{})
		f.run(50 * time.Second)
		put(feed.Event{})
		f.want("not-proven", "second-session")
		put(feed.Event{Heard: last})
		f.want("not-proven", "second-session")
		f.run(9 * time.Second)
		f.want("not-proven", "second-session")
		f.run(2 * time.Second)
		f.want("vented")
	})
}

// TestMemory: what ends a run leaves nothing behind, and the next vent that is seen proves again.
func TestMemory(t *testing.T) {
	for name, end := range map[string]func(f *field){
		"death": func(f *field) {
			f.a.Put(feed.Event{Kind: feed.Death, Pot: "alder", Received: time.Now(), Reason: "link to the broker lost"})
			f.want("not-proven", "agent-silent")
			f.birth()
		},
		"new session":       func(f *field) { f.session = "s2"; f.birth() },
		"session in data":   func(f *field) { f.session = "s2" },
		"clock step":        func(f *field) { f.epoch, f.off = 2, f.off-time.Hour; f.birth() },
		"new configuration": func(f *field) { f.digest = "vent/1:00"; f.birth() },
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T) {
				f := vented(t)
				own := f.digest
				end(f)
				f.run(500 * time.Millisecond) // the next message
				clear(f.words)
				f.run(30 * time.Second)
				f.want("not-proven", "no-vent-seen")
				f.digest = own
				f.birth()
				f.run(5 * time.Second)
				if f.words["vented"] > 0 {
					t.Errorf("words %v after the run had ended", f.words)
				}
				f.cycle()
				f.want("vented")
			})
		})
	}
}

// TestServerRestart: a new server knows of no vent, whatever rest it sees.
func TestServerRestart(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := start(t, pot.Options{})
		f.pressed, f.loosed = -100, -50
		f.birth()
		f.run(time.Minute)
		if f.words["vented"] > 0 {
			t.Errorf("words %v", f.words)
		}
		f.want("not-proven", "no-vent-seen")
	})
}

func TestFaultyIsRemembered(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := start(t, pot.Options{Faulty: true, Events: pot.Events{Faulty: func(string) { t.Error("told again") }}})
		f.birth()
		f.cycle()
		f.want("not-proven", "sensor-fault")
	})
}

// TestLateData: historical samples move nothing.
func TestLateData(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := vented(t)
		before := f.look()
		e := f.event(feed.LateData)
		e.Received = time.Now()
		e.Samples = []points.Sample{{Point: points.Vessel, Quality: points.Good, At: f.agentNow(), Value: 5e5}}
		f.a.Put(e)
		if got := f.look(); got.T != before.T || *got.PressurePa.Vessel != *before.PressurePa.Vessel {
			t.Errorf("late data moved %+v to %+v", before, got)
		}
	})
}

// TestOverflow: readings are dropped first; when births, deaths or contests would be, the pot is taken for lost.
func TestOverflow(t *testing.T) {
	bubble(t, func(t *testing.T) {
		p, err := potfile.ParsePot("pot.yaml", []byte(alder))
		if err != nil {
			t.Fatal(err)
		}
		dropped := 0
		a := pot.New(pot.Config{Site: "harrow-quay", Agent: "quay-1", Pot: p}, pot.Options{Start: time.Now(),
			Log: slog.New(slog.DiscardHandler), Events: pot.Events{Dropped: func() { dropped++ }}})
		for range 300 {
			a.Put(feed.Event{Kind: feed.Data, Received: time.Now(), Session: "s1", Digest: p.Vent().Digest()})
		}
		if dropped != 44 || a.Ready() {
			t.Errorf("%d of 300 dropped, want 44; ready %v", dropped, a.Ready())
		}
		for range 257 {
			a.Put(feed.Event{Kind: feed.Birth, Received: time.Now(), Session: "s1", Digest: p.Vent().Digest()})
		}
		if dropped != 45 {
			t.Errorf("%d dropped, want 45", dropped)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- a.Run(ctx) }()
		defer func() { cancel(); <-done }()
		synctest.Wait()
		got := a.Estimate(time.Now())
		for _, code := range []string{"agent-silent", "second-agent", "second-session"} {
			if !slices.Contains(got.Answer.Because, code) {
				t.Errorf("because %v lacks %s", got.Answer.Because, code)
			}
		}
		if !a.Ready() {
			t.Error("not ready with an empty mailbox")
		}
	})
}
