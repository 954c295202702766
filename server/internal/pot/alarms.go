package pot

import (
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/signals"
)

// alarms find the conditions of the pot's alarms in what is known of it.
type alarms struct {
	detector *alarm.Detector
	signals  alarm.Signals
	moment   signals.Moment
	found    []alarm.Found
	mono     time.Duration // of the last step
	at       si.Instant    // of it, in stored time; 0: nothing was heard in this session
	sample   si.Instant    // newest sample of it, by the agent's clock
	shift    time.Duration // stored time less the agent's, in this batch
	word     vent.Word     // as it was served then
}

// stepApart is how far apart samples are at least between which the alarms are looked at: those of one reading of all points are
// taken together, as the rows of a log are.
const stepApart = 50 * time.Millisecond

// lookApart is how long after a step another one makes nothing better, where nothing has come.
const lookApart = 700 * time.Millisecond

func newAlarms(c Config, assume []alarm.Key) alarms {
	a := alarms{detector: signals.Alarms(c.Pot)}
	a.moment.Target, a.moment.Ambient = c.Pot.Nozzle.Target, c.Pot.Atmosphere.Pressure()
	a.moment.Answered = true
	for _, k := range assume {
		a.detector.Assume(k)
	}
	return a
}

// Look looks at the pot's alarms where nothing has come for it, and gives the word of the answer as it was served last. It is to be called
// at least once a second.
func (a *Actor) Look(now time.Time) vent.Word {
	a.mu.Lock()
	defer a.mu.Unlock()
	if now.Sub(a.opts.Start)-a.alarms.mono >= lookApart {
		a.watch(now, 0)
	}
	return a.alarms.word
}

// watch looks at the pot's alarms at an instant of the server's clock, with the newest sample at the agent's instant given; 0: time
// alone has passed. The lock is held.
func (a *Actor) watch(now time.Time, sample si.Instant) {
	w := &a.alarms
	mono := max(now.Sub(a.opts.Start), w.mono)
	at := si.InstantOf(now)
	if w.at != 0 {
		at = w.at.Add(mono - w.mono)
	}
	if sample != 0 {
		at, w.sample = sample.Add(w.shift), sample
		if w.at != 0 {
			at = max(at, w.at)
		}
	}
	if sample != 0 || w.at != 0 {
		w.at = at
	}
	w.mono = mono
	v := a.viewAt(now)
	m := &w.moment
	m.At, m.Shift, m.Answer, m.Fresh = at, w.shift, v.served(now), 0
	for p := range points.Point(points.Count) {
		if _, ok := v.reading(p); ok {
			m.Fresh |= points.SetOf(p)
		}
	}
	m.Crossed = ""
	if a.opts.Crossed != nil {
		m.Crossed = a.opts.Crossed()
	}
	w.word = m.Answer.Word
	signals.Fill(&w.signals, a.follow, m)
	w.found = w.detector.Step(&w.signals, w.found[:0])
	if len(w.found) > 0 && a.opts.Events.Alarm != nil {
		a.opts.Events.Alarm(w.found)
	}
}

// Assume tells of a condition that stands though the live readings have not shown it, as late ones have.
func (a *Actor) Assume(k alarm.Key) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.alarms.detector.Assume(k)
}

// Recalled tells that what follows the pot goes on from a checkpoint, over all that came since, so that it knows what stood before the start.
func (a *Actor) Recalled() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.alarms.detector.Recalled()
}

// Ease tells that a condition which was only assumed has ended, as late readings have shown; false: live ones have shown it.
func (a *Actor) Ease(k alarm.Key) bool {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.alarms.detector.Ease(k)
}

// Simulated tells whether the pot's readings come from a simulator, as its agent said last. It waits for nothing.
func (a *Actor) Simulated() bool { return a.simulation.Load() }

// Vent is the vent since the last release, until the next press; nil: there is none.
func (a *Actor) Vent() *live.RunningVent {
	a.mu.Lock()
	defer a.mu.Unlock()
	t, released := a.alarms.detector.Vent()
	if t == nil {
		return nil
	}
	out := &live.RunningVent{Released: released.String(), Trace: live.VentTrace{TS: t.TimeS, PPa: t.PressurePa}, Over: a.follow.Out.State != engine.Venting}
	if h, ok := a.follow.Watch.Healthy(); ok {
		e := live.VentEnvelope(*alarm.EnvelopeOf(h, a.cfg.Pot.Atmosphere.Pressure()))
		out.Envelope = &e
	}
	return out
}
