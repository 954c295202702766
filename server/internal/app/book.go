package app

import (
	"encoding/json"
	"fmt"
	"math"
	"sync"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/gauges"
	"gritwatch/server/internal/keep"
	"gritwatch/server/internal/records"
)

// A book writes down what the pots and a rewind find, in stored time. It never waits for the disk. Methods may be called from any
// goroutine.
type book struct {
	records records.Records
	keeper  *keep.Keeper

	mu   sync.Mutex
	open map[alarmKey]string // ids of alarms that have not ended
}

// An alarmKey is what there is at most one open alarm of.
type alarmKey struct{ pot, agent, kind, point string }

// evidence is what shows an alarm, JSON.
type evidence struct {
	PressurePa []float64 `json:"p_pa,omitempty"`    // where it began, and when it was found
	Point      string    `json:"point,omitempty"`   // of a gauge
	Fault      string    `json:"fault,omitempty"`   // its kind
	Other      string    `json:"other,omitempty"`   // the gauge that it seems to be exchanged with
	Late       bool      `json:"late,omitempty"`    // found in readings that came late
	AheadS     float64   `json:"ahead_s,omitempty"` // of an agent's clock over the server's
}

// newBook goes on with the alarms that were open.
func newBook(r records.Records, k *keep.Keeper, open []records.Alarm) *book {
	b := &book{records: r, keeper: k, open: map[alarmKey]string{}}
	for _, a := range open {
		var e evidence
		if len(a.Transitions) > 0 && a.Transitions[0].Evidence != "" {
			_ = json.Unmarshal([]byte(a.Transitions[0].Evidence), &e) // else it was of no gauge
		}
		b.open[keyOf(a.Pot, a.Agent, a.Kind, e)] = a.ID
	}
	return b
}

func keyOf(pot, agent, kind string, e evidence) alarmKey {
	return alarmKey{pot, agent, kind, e.Point + " " + e.Fault}
}

// stored is an instant of an agent's clock in stored time. Where none of the epoch's samples is stored yet, that is the agent's.
func (b *book) stored(agent string, epoch uint64, at si.Instant) si.Instant {
	p, _ := b.keeper.Placement(agent, epoch)
	return at.Add(p.Shift)
}

// Cycle writes down a cycle that was seen live.
func (b *book) Cycle(pot, agent string, epoch uint64, c engine.Cycle, ended si.Instant) {
	b.cycle(pot, agent, epoch, c, ended, false)
}

// LateCycle writes down a cycle that a rewind has found.
func (b *book) LateCycle(pot, agent string, epoch uint64, c engine.Cycle, ended si.Instant) {
	b.cycle(pot, agent, epoch, c, ended, true)
}

func (b *book) cycle(pot, agent string, epoch uint64, c engine.Cycle, ended si.Instant, late bool) {
	c.Press, c.Release = b.stored(agent, epoch, c.Press), b.stored(agent, epoch, c.Release)
	b.records.AddCycle(records.Cycle{Pot: pot, Cycle: c, Ended: b.stored(agent, epoch, ended), Late: late})
}

// Refill writes down a refill that was seen, live or by a rewind. Nobody has weighed it; it is told once of each first press after it.
func (b *book) Refill(pot, agent string, epoch uint64, r level.Refill) {
	at := b.stored(agent, epoch, r.At)
	b.records.AddRefill(records.Refill{ID: records.SameID(at, "refill "+pot), Pot: pot, At: at, Note: fmt.Sprintf("seen: from %.0f %% to %.0f %% of capacity", 100*float64(r.From), 100*float64(r.To))})
}

// Found writes down what the vent watch has found live, and its end.
func (b *book) Found(pot, agent string, epoch uint64, at si.Instant, c vent.Condition, f vent.Finding) {
	b.condition(pot, b.stored(agent, epoch, at), c, f, false)
}

// LateCondition writes down what a rewind has found.
func (b *book) LateCondition(pot, agent string, epoch uint64, at si.Instant, c vent.Condition, f vent.Finding) {
	b.condition(pot, b.stored(agent, epoch, at), c, f, true)
}

func (b *book) condition(pot string, at si.Instant, c vent.Condition, f vent.Finding, late bool) {
	b.note(pot, "", c.String(), priority(c), at, f.On, evidence{PressurePa: []float64{math.Round(float64(f.From)), math.Round(float64(f.Now))}, Late: late})
}

// priority is that of a condition's alarm.
func priority(c vent.Condition) string {
	switch c {
	case vent.VentSlow, vent.VesselHeld, vent.PressureCreep, vent.OverPressure:
		return "critical"
	case vent.StopSlow, vent.SupplyBelowVessel:
		return "high"
	}
	return "medium"
}

// Gauge writes down what was found of a gauge, and its end. It is critical where it makes the vessel's pressure unknown.
func (b *book) Gauge(pot, agent string, epoch uint64, at si.Instant, p points.Point, k gauges.Kind, f gauges.Finding) {
	e := evidence{Point: p.String(), Fault: k.String()}
	if k == gauges.Swapped {
		e.Other = f.Other.String()
	}
	how := "medium"
	if p == points.Vessel && k.Blinds() {
		how = "critical"
	}
	b.note(pot, "", "sensor-fault", how, b.stored(agent, epoch, at), f.On, e)
}

// Skewed writes down that an agent's clock is off, and its end.
func (b *book) Skewed(agent string, at si.Instant, ahead time.Duration, on bool) {
	b.note("", agent, "clock-skew", "medium", at, on, evidence{AheadS: math.Round(ahead.Seconds()*1000) / 1000})
}

// note writes down that an alarm was raised, or that what it says has ended.
func (b *book) note(pot, agent, kind, priority string, at si.Instant, on bool, e evidence) {
	b.mu.Lock()
	defer b.mu.Unlock()
	key := keyOf(pot, agent, kind, e)
	id, open := b.open[key]
	if on == open {
		return // one that stood before a start, or that the other of live and late has found already
	}
	event, alarm := "returned", id
	if on {
		event, alarm = "raised", records.NewID(at)
	}
	text, err := json.Marshal(e)
	if err != nil {
		panic("app: evidence does not encode: " + err.Error())
	}
	t := records.Transition{ID: records.NewID(at), Alarm: alarm, At: at, Event: event, Evidence: string(text), Ends: !on}
	if on {
		b.open[key] = alarm
		b.records.AddAlarm(records.Alarm{ID: alarm, Pot: pot, Agent: agent, Kind: kind, Priority: priority, Raised: at, Transitions: []records.Transition{t}})
		return
	}
	delete(b.open, key)
	b.records.AddTransition(t)
}
