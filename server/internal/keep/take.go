package keep

import (
	"errors"
	"fmt"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/ledger"
	"gritwatch/server/internal/records"
)

// takeAll takes what has arrived, and stores it in one go.
func (k *Keeper) takeAll(items []item) []item {
	for i := range items {
		switch it := &items[i]; {
		case it.do != nil:
			k.store()
			it.do()
		case it.journal != nil:
			k.store() // its samples came before
			k.journal(it.journal)
		case it.echo != nil:
			k.measure(it.echo)
		default:
			k.event(&it.event)
		}
	}
	k.store()
	return items
}

// of is what is known of an agent.
func (k *Keeper) of(name string) *agent {
	a := k.agents[name]
	if a == nil {
		a = &agent{name: name}
		k.agents[name] = a
		k.names = append(k.names, name)
	}
	return a
}

// measure notes how far an agent's clock is off, and lets go what has waited for that.
func (k *Keeper) measure(e *feed.Echo) {
	round := e.Received.Sub(e.Sent)
	ahead := e.AgentAt.Sub(si.InstantOf(e.Received.Add(-round / 2)))
	k.mu.Lock()
	k.clocks.Measured(e.Agent, e.Epoch, ahead)
	k.mu.Unlock()
	k.o.Events.Clock(e.Agent, ahead, round)
	a := k.of(e.Agent)
	k.release(a)
}

// release tries again what waits for its clock's placement.
func (k *Keeper) release(a *agent) {
	held := a.held
	a.held = nil
	for i := range held {
		k.samples(&held[i])
	}
}

// event takes what happened to a pot.
func (k *Keeper) event(e *feed.Event) {
	if e.Kind == feed.Birth || e.Kind == feed.Data {
		k.mu.Lock()
		k.clocks.Began(e.Agent, e.Epoch)
		k.mu.Unlock()
	}
	if e.Kind == feed.Data || e.Kind == feed.LateData {
		k.samples(e)
	}
}

// samples takes those of an event, or has them wait. What has waited may be of an epoch that is over.
func (k *Keeper) samples(e *feed.Event) {
	if len(e.Samples) == 0 {
		k.arrived(e, history.Mark{}) // of points that are not configured
		return
	}
	epoch := e.Epoch
	if e.Records.Journal != "" {
		epoch = e.Records.Epoch
	}
	p, ok := k.place(e, epoch)
	if !ok {
		if a := k.of(e.Agent); len(a.held) < maxHeld {
			a.held = append(a.held, *e)
		} else {
			k.o.Events.Dropped(len(e.Samples))
		}
		return
	}
	samples := e.Samples
	if p.Shift != 0 {
		samples = append([]points.Sample(nil), samples...)
		for i := range samples {
			samples[i].At = samples[i].At.Add(p.Shift)
		}
	}
	k.batch = append(k.batch, history.Batch{Pot: e.Pot, Epoch: epoch, Electric: k.o.Electric[e.Pot], Samples: samples})
	k.events = append(k.events, e)
	k.mu.Lock()
	k.clocks.Stored(e.Agent, samples[len(samples)-1].At)
	k.mu.Unlock()
}

// place is where an event's samples stand in time; false while that is not known, or its shift is not stored yet.
func (k *Keeper) place(e *feed.Event, epoch uint64) (clocks.Placement, bool) {
	k.mu.Lock()
	p, fresh, ok := k.clocks.Place(e.Agent, epoch, e.Samples[0].At, e.Samples[len(e.Samples)-1].At, si.InstantOf(e.Received))
	k.mu.Unlock()
	key := placed{e.Agent, epoch}
	if fresh {
		write := k.o.Book.PutPlacements([]clocks.Placement{p})
		if p.Shift != 0 {
			k.complain(e.Received, "clock "+e.Agent, "the clock of "+e.Agent+" is far off: its readings are stored by the server's clock until it is set right",
				fmt.Errorf("readings are moved by %v", p.Shift))
			k.unsafe[key] = true
			go func() {
				for write.Wait(k.ctx) != nil {
					select {
					case <-k.ctx.Done():
						return
					case <-time.After(tickEvery):
					}
				}
				k.box.put(item{do: func() {
					delete(k.unsafe, key)
					k.release(k.of(key.agent))
				}})
			}()
		}
	}
	return p, ok && !k.unsafe[key]
}

// store appends what was gathered to the history, and notes that it has arrived.
func (k *Keeper) store() {
	if len(k.batch) == 0 {
		return
	}
	now := k.events[0].Received
	res, err := k.o.Store.Append(k.batch...)
	k.news = res.Stored > 0
	switch {
	case errors.Is(err, history.ErrAway): // it says so itself
	case err != nil:
		k.complain(now, "store", "readings cannot be stored; they are asked for again", err)
	case res.TooOld+res.TooNew+res.Invalid == 0:
		for _, e := range k.events {
			k.arrived(e, res.Mark)
		}
	default:
		k.storeEach(now)
	}
	k.o.Events.Stored(res)
	clear(k.batch)
	clear(k.events)
	k.batch, k.events = k.batch[:0], k.events[:0]
}

// errRefused is why samples of a message are lost.
var errRefused = errors.New("the history does not take them: too old, or in the future")

// storeEach finds out which messages have samples that the history refuses for good. Those samples are lost; asking for them again
// would give the same.
func (k *Keeper) storeEach(now time.Time) {
	for i, e := range k.events {
		res, err := k.o.Store.Append(k.batch[i])
		if err != nil {
			k.complain(now, "store", "readings cannot be stored; they are asked for again", err)
			continue
		}
		if n := res.TooOld + res.TooNew + res.Invalid; n > 0 {
			k.complain(now, "refused "+e.Pot, fmt.Sprintf("%d readings of %s are not stored", n, e.Pot), errRefused)
			if r := e.Records; r.Journal != "" && n == len(e.Samples) {
				k.lost(k.of(e.Agent), r.Journal, []ledger.Range{{From: r.From, To: r.To}}, now, errRefused.Error())
			}
		}
		k.arrived(e, res.Mark)
	}
}

// arrived notes in the agent's ledger that an event's records have been stored.
func (k *Keeper) arrived(e *feed.Event, mark history.Mark) {
	a, r := k.of(e.Agent), ledger.Range{From: e.Records.From, To: e.Records.To}
	if l := a.ledger; l != nil && l.ID() == e.Records.Journal && l.Arrived(r, e.Received) {
		k.pending = append(k.pending, pending{l, r, mark})
	}
	again := a.ledger != nil && a.ledger.ID() == e.Records.Journal && r.To <= a.known // asked for once more after a start
	if e.Kind == feed.LateData && len(e.Samples) > 0 && k.news && !again {
		k.o.Events.Late(Late{Pot: e.Pot, Agent: e.Agent, Records: e.Records, First: e.Samples[0].At})
	}
}

// journal takes what an agent says of its journal.
func (k *Keeper) journal(j *feed.Journal) {
	a := k.of(j.Agent)
	if j.Birth {
		k.born(a, j)
	}
	l := a.ledger
	if l == nil || l.ID() != j.ID {
		return
	}
	const notHeld = "the agent's journal does not hold them"
	if j.NotHeld.Journal != "" {
		k.lost(a, l.ID(), l.NotHeld(ledger.Range{From: j.NotHeld.From, To: j.NotHeld.To}, j.Received), j.Received, notHeld)
	}
	if j.Next != 0 {
		l.Ends(j.Next)
		k.lost(a, l.ID(), l.NotHeld(ledger.Range{To: min(j.Oldest, j.Next)}, j.Received), j.Received, notHeld)
	}
}

// born goes on with a journal's ledger, or begins one.
func (k *Keeper) born(a *agent, j *feed.Journal) {
	switch {
	case j.ID == "":
		return // what is missing of the journal before may still come
	case a.ledger != nil && a.ledger.ID() == j.ID:
		a.ledger.Reborn()
		return
	case a.ledger != nil:
		k.lost(a, a.ledger.ID(), a.ledger.Missing(maxLosses), j.Received, "the agent began another journal")
	}
	key := JournalKey{j.Agent, j.ID}
	p, ok := k.stored[key]
	if !ok { // of what it held before this server heard of it nothing is known to be lost
		p.Stored, p.Before = j.Oldest, j.Oldest
	}
	a.known, a.lostTo = p.Stored, k.o.LostTo[key]
	safe := max(p.Before, min(p.Stored, j.Oldest))
	a.ledger = ledger.New(j.ID, safe)
	a.trail, a.trailAt, a.told = []uint64{safe}, j.Received, records.Position{}
}
