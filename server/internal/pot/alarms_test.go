package pot_test

import (
	"bytes"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/pot"
	"gritwatch/server/internal/replay"
)

// A bell notes what an actor finds, as "kind on" and "kind off".
type bell struct {
	found []alarm.Found
	names []string
}

func (b *bell) events() pot.Events {
	return pot.Events{Alarm: func(found []alarm.Found) {
		for _, f := range found {
			name := f.Kind.String()
			switch {
			case f.Proven:
				name += " proven"
			case f.On:
				name += " on"
			default:
				name += " off"
			}
			b.found, b.names = append(b.found, f), append(b.names, name)
		}
	}}
}

func (b *bell) has(name string) bool { return slices.Contains(b.names, name) }

// attend looks at the actor each second, as the server does, while nothing comes.
func (f *field) attend(d time.Duration) vent.Word {
	f.t.Helper()
	var w vent.Word
	for range int(d / time.Second) {
		time.Sleep(time.Second)
		synctest.Wait()
		w = f.a.Look(time.Now())
	}
	return w
}

// TestAlarms: a healthy cycle finds nothing but that the answer is the good one; a vent that stands still after the release is found within
// seconds, in stored time, with what shows it; the running vent is told until the next press.
func TestAlarms(t *testing.T) {
	bubble(t, func(t *testing.T) {
		b := &bell{}
		moved := 3 * time.Minute
		events := b.events()
		var judged engine.Envelope
		events.Cycle = func(_, _ string, _ uint64, _ engine.Cycle, healthy engine.Envelope, _ si.Instant) { judged = healthy }
		f := start(t, pot.Options{Events: events, Shift: func(agent string, epoch uint64) time.Duration {
			if agent != "quay-1" || epoch != 1 {
				t.Errorf("shift of %s, %d", agent, epoch)
			}
			return moved
		}})
		f.birth()
		f.cycle()
		f.run(10 * time.Second)
		f.want("vented")
		if !slices.Equal(b.names, []string{"vessel-held proven"}) {
			t.Fatalf("healthy: %v", b.names)
		}
		if !f.a.Simulated() || !f.a.Look(time.Now()).IsVented() {
			t.Error("the last word, or that it is simulated, is not told")
		}
		v := f.a.Vent()
		if v == nil || !v.Over || v.Envelope == nil || v.Envelope.RatePerS < 0.1 || len(v.Trace.TS) < 30 || v.Trace.TS[0] != 0 || v.Trace.PPa[0] < 500e3 || v.Trace.PPa[len(v.Trace.PPa)-1] > 7e3 {
			t.Fatalf("the last vent: %+v", v)
		}
		// What its cycle is told to have been judged by is what was drawn. The trace begins with the reading that shows the release, the cycle
		// when the handle has turned.
		if e, late := v.Envelope, judged.Open.Seconds()-v.Envelope.FromS; late < 0 || late > 0.5 || e.P0Pa != math.Round(float64(judged.From)) ||
			math.Abs(e.RatePerS-judged.Rate) > 1e-4 || e.DownToPa != math.Round(float64(judged.DownTo)) || e.AmbientPa != math.Round(float64(judged.Ambient)) {
			t.Errorf("drawn over %+v, told with its cycle %+v", *e, judged)
		}
		// Ten minutes of rest do not thin it out.
		n := len(v.Trace.TS)
		f.run(time.Minute)
		if v = f.a.Vent(); len(v.Trace.TS) != n {
			t.Errorf("%d readings after a minute of rest, were %d", len(v.Trace.TS), n)
		}
		f.press()
		f.run(10 * time.Second)
		if v := f.a.Vent(); v != nil {
			t.Errorf("pressed, and the vent is %+v", v)
		}
		// The release, and the exhaust stays shut: the vessel stands.
		f.loosed = time.Since(f.began).Seconds()
		f.shut = true
		released := f.agentNow()
		f.run(5 * time.Second)
		if !b.has("vent-slow on") || !b.has("vessel-held on") {
			t.Fatalf("held: %v", b.names)
		}
		x := b.found[slices.Index(b.names, "vent-slow on")]
		if late := x.At.Sub(released.Add(moved)); x.Priority != alarm.Critical || late < 0 || late > 3*time.Second || x.Evidence.Trace == nil || x.Evidence.Envelope == nil {
			t.Errorf("vent-slow %v after the release: %+v", late, x)
		}
		// What was recorded is what the vent was held against, as the page draws it while it happens.
		if v := f.a.Vent(); v.Envelope == nil || *v.Envelope != live.VentEnvelope(*x.Evidence.Envelope) {
			t.Errorf("recorded %+v, drawn %+v", x.Evidence.Envelope, v.Envelope)
		}
		if v := f.a.Vent(); v == nil || v.Over && f.look().State == "venting" || v.Trace.PPa[len(v.Trace.PPa)-1] < 500e3 {
			t.Errorf("the vent that stands: %+v", v)
		}
	})
}

// TestLateControl: some polls of the control point are lost just at a press, so that vessel and hose rise before it is seen. No alarm comes of it.
func TestLateControl(t *testing.T) {
	bubble(t, func(t *testing.T) {
		b := &bell{}
		f := start(t, pot.Options{Events: b.events()})
		f.birth()
		f.cycle()
		f.run(10 * time.Second)
		f.lost = true
		f.press()
		f.run(1500 * time.Millisecond)
		f.lost = false
		f.run(10 * time.Second)
		f.release()
		f.run(20 * time.Second)
		for _, name := range b.names {
			if name != "vessel-held proven" {
				t.Errorf("%s: %v", name, b.names)
			}
		}
	})
}

// TestSilence: a pot whose agent dies becomes unknown after 15 s of silence, by time alone; what comes again ends it.
func TestSilence(t *testing.T) {
	bubble(t, func(t *testing.T) {
		b := &bell{}
		f := start(t, pot.Options{Events: b.events()})
		f.birth()
		f.cycle()
		f.run(10 * time.Second)
		f.want("vented")
		last := f.agentNow()
		f.a.Put(feed.Event{Kind: feed.Death, Pot: "alder", Agent: "quay-1", Session: "s1", Received: time.Now()})
		if w := f.attend(14 * time.Second); w.IsVented() || b.has("vessel-unknown on") {
			t.Fatalf("after 14 s: %s, %v", w, b.names)
		}
		f.attend(4 * time.Second)
		if !b.has("vessel-unknown on") {
			t.Fatalf("after 18 s: %v", b.names)
		}
		// Time goes on in stored time, which is the agent's here: five hours off.
		x := b.found[slices.Index(b.names, "vessel-unknown on")]
		if since := x.At.Sub(last); since < 14*time.Second || since > 19*time.Second {
			t.Errorf("found %v after the last reading", since)
		}
		f.birth()
		f.run(10 * time.Second)
		if !b.has("vessel-unknown off") || b.has("vent-slow on") {
			t.Errorf("heard again: %v", b.names)
		}
	})
}

// TestNeverHeard: a pot that nobody hears is unknown 15 s after the start, by the server's clock.
func TestNeverHeard(t *testing.T) {
	bubble(t, func(t *testing.T) {
		b := &bell{}
		f := start(t, pot.Options{Events: b.events()})
		f.attend(20 * time.Second)
		if !slices.Equal(b.names, []string{"vessel-unknown on"}) || b.found[0].At > si.InstantOf(time.Now()) || b.found[0].At < si.InstantOf(f.began) {
			t.Errorf("%v: %+v", b.names, b.found)
		}
	})
}

// TestAssumed: a vent that was held before the server started is not found anew, and ends with the next press.
func TestAssumed(t *testing.T) {
	bubble(t, func(t *testing.T) {
		b := &bell{}
		held := alarm.Key{Pot: "alder", Kind: alarm.VesselHeld}
		f := start(t, pot.Options{Events: b.events(), Assume: []alarm.Key{held}})
		f.birth()
		f.run(5 * time.Second)
		if b.has("vessel-held on") || b.has("vessel-held off") {
			t.Fatalf("at the start: %v", b.names)
		}
		f.cycle()
		if !b.has("vessel-held off") || b.has("vessel-held on") {
			t.Errorf("after a press: %v", b.names)
		}
		// What late readings have shown stands until they, or live ones, show its end.
		f.a.Assume(alarm.Key{Pot: "alder", Kind: alarm.StopSlow})
		if !f.a.Ease(alarm.Key{Pot: "alder", Kind: alarm.StopSlow}) || f.a.Ease(alarm.Key{Pot: "alder", Kind: alarm.StopSlow}) {
			t.Error("an assumed condition cannot be let go once")
		}
	})
}

// TestCrossed: a pot that looks exchanged with another is in doubt, and its pressure not known.
func TestCrossed(t *testing.T) {
	bubble(t, func(t *testing.T) {
		b := &bell{}
		with := ""
		f := start(t, pot.Options{Events: b.events(), Crossed: func() string { return with }})
		f.birth()
		f.cycle()
		with = "birch"
		f.run(2 * time.Second)
		if i := slices.Index(b.names, "config-doubt on"); i < 0 || i+1 >= len(b.names) || b.names[i+1] != "vessel-unknown on" || b.found[i].Evidence.Other != "birch" {
			t.Errorf("%v", b.names)
		}
	})
}

// TestReplayAgrees: a log of the same readings gives the same alarms at the same times, by the same detector. What rests on the answer alone is
// left out: a log has no guard and no age at serving.
func TestReplayAgrees(t *testing.T) {
	bubble(t, func(t *testing.T) {
		b := &bell{}
		f := start(t, pot.Options{Events: b.events()})
		f.log = &strings.Builder{}
		f.log.WriteString("time,supply,vessel,hose,nozzle,control\n")
		f.birth()
		f.cycle()
		f.run(5 * time.Second)
		f.press()
		f.run(10 * time.Second)
		f.release()
		f.shut = true
		f.run(40 * time.Second)
		f.shut, f.loosed = false, time.Since(f.began).Seconds()
		f.run(40 * time.Second)
		f.cycle()
		f.run(10 * time.Second)

		p, err := potfile.ParsePot("pot.yaml", []byte(strings.Replace(alder, "pressure: psi", "pressure: kPa", 1)))
		if err != nil {
			t.Fatal(err)
		}
		var lines bytes.Buffer
		if _, err := replay.Run(t.Context(), p, strings.NewReader(f.log.String()), &lines, replay.Options{}); err != nil {
			t.Fatal(err)
		}
		type change struct {
			name string
			at   time.Time
		}
		var live, played []change
		about := func(name string) bool {
			return strings.HasPrefix(name, "vent-slow") || strings.HasPrefix(name, "vessel-held") || strings.HasPrefix(name, "sensor-fault") || strings.HasPrefix(name, "stop-slow")
		}
		for i, x := range b.found {
			if about(b.names[i]) && !x.Proven {
				live = append(live, change{b.names[i], x.At.Time()})
			}
		}
		for line := range bytes.Lines(lines.Bytes()) {
			var l struct {
				Kind, Alarm, Event string
				T                  time.Time
			}
			if err := json.Unmarshal(line, &l); err != nil {
				t.Fatal(err)
			}
			name := l.Alarm + map[string]string{"raised": " on", "returned": " off"}[l.Event]
			if l.Kind == "alarm" && about(name) {
				played = append(played, change{name, l.T})
			}
		}
		if len(live) < 4 || len(live) != len(played) {
			t.Fatalf("live %v, played %v", live, played)
		}
		for i := range live {
			most := time.Millisecond
			if strings.HasSuffix(live[i].name, " off") {
				most = 500 * time.Millisecond // the answer ends it, which waits for the guard's word in the next message
			}
			if live[i].name != played[i].name || live[i].at.Sub(played[i].at).Abs() > most {
				t.Errorf("live %v, played %v", live[i], played[i])
			}
		}
	})
}
