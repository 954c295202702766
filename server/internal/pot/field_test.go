package pot_test

import (
	"fmt"
	"log/slog"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/pot"
)

const alder = `name: alder
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in, target: 100 psi}
points: [supply, vessel, hose, nozzle, control]
units: {pressure: psi}
`

// A field plays one pot with its agent, guard and link, in the bubble's time. The agent's clock is hours off.
type field struct {
	t       *testing.T
	a       *pot.Actor
	guard   *vent.Judge
	began   time.Time
	pressed float64 // seconds since began of the last press; released after it is over
	loosed  float64
	late    time.Duration // of the link, each way

	session   string
	epoch     uint64
	digest    string
	off       time.Duration    // of the agent's clock
	mute      bool             // no guard's word
	deaf      bool             // no echoes
	vesselOff float64          // of the vessel's gauge, Pa
	shut      bool             // the exhaust stays shut
	lost      bool             // no reading of the control point comes
	log       *strings.Builder // rows of a log in kPa, if somebody wants them
	words     map[string]int
	buffer    []points.Sample
	all       []points.Sample // that were sent, if somebody wants them
}

func start(t *testing.T, o pot.Options) *field {
	t.Helper()
	p, err := potfile.ParsePot("pot.yaml", []byte(alder))
	if err != nil {
		t.Fatal(err)
	}
	o.Start = time.Now()
	if o.Log == nil {
		o.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
	}
	f := &field{t: t, a: pot.New(pot.Config{Site: "harrow-quay", Agent: "quay-1", Pot: p}, o), guard: vent.NewJudge(p.Vent(), vent.Options{}),
		began: time.Now(), pressed: math.Inf(-1), loosed: math.Inf(-1), session: "s1", epoch: 1, digest: p.Vent().Digest(),
		off: -5 * time.Hour, words: map[string]int{}}
	done := make(chan error)
	go func() { done <- f.a.Run(t.Context()) }()
	t.Cleanup(func() {
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return f
}

func (f *field) agentNow() si.Instant { return si.InstantOf(time.Now().Add(f.off)) }

// deliver puts a thing after the link's delay.
func (f *field) deliver(put func()) {
	if f.late == 0 {
		put()
		return
	}
	time.AfterFunc(f.late, put)
}

func (f *field) event(k feed.Kind) feed.Event {
	return feed.Event{Kind: k, Pot: "alder", Agent: "quay-1", Session: f.session, Epoch: f.epoch, Digest: f.digest, Simulated: true}
}

func (f *field) birth() {
	e := f.event(feed.Birth)
	f.deliver(func() { e.Received = time.Now(); f.a.Put(e) })
}

// echo is one round trip, the link's delay each way.
func (f *field) echo() {
	e := feed.Echo{Agent: "quay-1", Session: f.session, Epoch: f.epoch, Sent: time.Now()}
	f.deliver(func() {
		e.AgentAt = f.agentNow()
		f.deliver(func() { e.Received = time.Now(); f.a.PutEcho(e) })
	})
}

// pressures of the pot at a time: it fills with a time constant of 1.5 s and vents with one of 2 s.
func (f *field) pressures(at time.Time) map[points.Point]float64 {
	const full = 650e3
	s := at.Sub(f.began).Seconds()
	p := map[points.Point]float64{points.Supply: 700e3}
	switch {
	case s < f.pressed || math.IsInf(f.pressed, -1):
	case f.loosed < f.pressed:
		p[points.Vessel] = full * (1 - math.Exp(-(s-f.pressed)/1.5))
		p[points.Hose], p[points.Nozzle], p[points.Control] = 0.98*p[points.Vessel], 0.9*p[points.Vessel], 600e3
	default:
		p[points.Vessel] = full * math.Exp(-(s-f.loosed)/2)
		if f.shut {
			p[points.Vessel] = full
		}
		p[points.Hose] = p[points.Vessel] * math.Exp(-(s-f.loosed)/0.3)
		p[points.Nozzle] = 0.9 * p[points.Hose]
	}
	return p
}

// run lives for a time: a poll each 100 ms, a message each 500 ms, an echo each 5 s; each answer is counted.
func (f *field) run(d time.Duration) {
	f.t.Helper()
	for i := range int(d / (100 * time.Millisecond)) {
		if i%50 == 0 && !f.deaf {
			f.echo()
		}
		time.Sleep(100 * time.Millisecond)
		p := f.pressures(time.Now())
		for _, pt := range []points.Point{points.Supply, points.Vessel, points.Hose, points.Nozzle, points.Control} {
			s := points.Sample{Point: pt, Quality: points.Good, At: f.agentNow(), Value: si.GaugePressure(p[pt])}
			if pt == points.Control && f.lost {
				continue
			}
			if pt == points.Vessel {
				s.Value += si.GaugePressure(f.vesselOff)
			}
			f.guard.Step(s)
			f.buffer = append(f.buffer, s)
		}
		if f.log != nil {
			fmt.Fprintf(f.log, "%s,%.4f,%.4f,%.4f,%.4f,%.4f\n", f.agentNow(), p[points.Supply]/1e3, p[points.Vessel]/1e3, p[points.Hose]/1e3, p[points.Nozzle]/1e3, p[points.Control]/1e3)
		}
		if i%5 == 4 {
			f.flush()
		}
		f.words[f.look().Answer.Word]++
	}
}

func (f *field) flush() {
	e := f.event(feed.Data)
	e.Samples, f.buffer = f.buffer, nil
	if f.all != nil {
		f.all = append(f.all, e.Samples...)
	}
	if !f.mute {
		g := f.guard.Answer()
		e.Guard, e.GuardAt = g.Word.String(), f.agentNow()
	}
	f.deliver(func() { e.Received = time.Now(); f.a.Put(e) })
}

func (f *field) look() live.Pot {
	synctest.Wait()
	return f.a.Estimate(time.Now())
}

func (f *field) press()   { f.pressed = time.Since(f.began).Seconds() }
func (f *field) release() { f.loosed = time.Since(f.began).Seconds() }

// cycle is a press of 10 s and a vent of 20 s: 650 kPa fall under 3 kPa in 2 ln(650/3) = 10.8 s, and 3 s more.
func (f *field) cycle() {
	f.t.Helper()
	f.run(3 * time.Second)
	f.press()
	f.run(10 * time.Second)
	f.release()
	f.run(20 * time.Second)
}

func (f *field) want(word string, because ...string) live.Pot {
	f.t.Helper()
	p := f.look()
	if p.Answer.Word != word {
		f.t.Fatalf("word %s because %v, want %s", p.Answer.Word, p.Answer.Because, word)
	}
	for _, b := range because {
		if !slices.Contains(p.Answer.Because, b) {
			f.t.Fatalf("because %v lacks %s", p.Answer.Because, b)
		}
	}
	return p
}

// vented brings a pot to where vented is due.
func vented(t *testing.T) *field {
	f := start(t, pot.Options{})
	f.birth()
	f.cycle()
	f.want("vented")
	return f
}

func bubble(t *testing.T, f func(t *testing.T)) { t.Helper(); synctest.Test(t, f) }
