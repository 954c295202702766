package app

import (
	"fmt"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/level"
	"gritwatch/server/internal/keep"
	"gritwatch/server/internal/records"
)

// A book writes down the cycles and refills that the pots and a rewind see, in stored time. It never waits for the disk. Methods may be
// called from any goroutine.
type book struct {
	records records.Records
	keeper  *keep.Keeper
	desk    *desk.Desk
}

// stored is an instant of an agent's clock in stored time. Where none of the epoch's samples is stored yet, that is the agent's.
func (b *book) stored(agent string, epoch uint64, at si.Instant) si.Instant {
	p, _ := b.keeper.Placement(agent, epoch)
	return at.Add(p.Shift)
}

// Cycle writes down a cycle that was seen live.
func (b *book) Cycle(pot, agent string, epoch uint64, c engine.Cycle, healthy engine.Envelope, ended si.Instant) {
	b.cycle(pot, agent, epoch, c, healthy, ended, false)
}

// LateCycle writes down a cycle that a rewind has found.
func (b *book) LateCycle(pot, agent string, epoch uint64, c engine.Cycle, healthy engine.Envelope, ended si.Instant) {
	b.cycle(pot, agent, epoch, c, healthy, ended, true)
}

func (b *book) cycle(pot, agent string, epoch uint64, c engine.Cycle, healthy engine.Envelope, ended si.Instant, late bool) {
	c.Press, c.Release = b.stored(agent, epoch, c.Press), b.stored(agent, epoch, c.Release)
	b.records.AddCycle(records.Cycle{Pot: pot, Cycle: c, Healthy: healthy, Ended: b.stored(agent, epoch, ended), Late: late})
}

// Refill writes down a refill that was seen, live or by a rewind. Nobody has weighed it; it is told once of each first press after it.
func (b *book) Refill(pot, agent string, epoch uint64, r level.Refill) {
	at := b.stored(agent, epoch, r.At)
	b.records.AddRefill(records.Refill{ID: records.SameID(at, "refill "+pot), Pot: pot, At: at, Note: fmt.Sprintf("seen: from %.0f %% to %.0f %% of capacity", 100*float64(r.From), 100*float64(r.To))})
}

// LateAlarms takes what a rewind has found wrong.
func (b *book) LateAlarms(found []alarm.Found) { b.desk.Late(found) }
