package keep

import (
	"context"
	"log/slog"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/ledger"
	"gritwatch/server/internal/records"
)

// Run keeps what arrives until ctx ends; what had arrived is then stored, and brought to the disk. It returns nil.
func (k *Keeper) Run(ctx context.Context) error {
	k.ctx = ctx
	tick := time.NewTicker(tickEvery)
	defer tick.Stop()
	gather := time.NewTimer(gatherFor)
	gather.Stop()
	defer gather.Stop()
	gathering := false
	synced := make(chan error, 1)
	var spare []item
	for {
		select {
		case <-ctx.Done():
			if k.syncing {
				<-synced
			}
			k.takeAll(k.box.take(spare))
			k.onDisk(k.o.Store.Sync(), time.Now())
			k.putPositions(time.Now())
			return nil
		case <-k.box.notify:
			if !gathering {
				gathering = true
				gather.Reset(gatherFor)
			}
		case <-gather.C:
			gathering = false
			spare = k.takeAll(k.box.take(spare))
			k.goOn(time.Now(), synced)
		case <-k.box.hurry:
			spare = k.takeAll(k.box.take(spare))
		case err := <-synced:
			k.syncing = false
			now := time.Now()
			k.onDisk(err, now)
			k.goOn(now, synced)
		case <-tick.C:
			k.goOn(time.Now(), synced)
		}
	}
}

// goOn asks for what is missing, and begins a sync where one is due. A backlog comes by as many rounds of both as it has
// windows, so none of them waits for a tick.
func (k *Keeper) goOn(now time.Time, synced chan<- error) {
	k.ask(now)
	if due := k.hurry || now.Sub(k.synced) >= syncEvery; due && !k.syncing && len(k.pending) > 0 {
		k.syncing, k.hurry, k.synced = true, false, now
		go func() { synced <- k.o.Store.Sync() }()
	}
}

// ask does for each agent what its ledger wants.
func (k *Keeper) ask(now time.Time) {
	for _, name := range k.names {
		a := k.agents[name]
		if a.ledger == nil {
			continue
		}
		switch want, r := a.ledger.Ask(now); want {
		case ledger.Sync:
			k.hurry = true
		case ledger.Records, ledger.Forget:
			k.o.Ask(name, a.ledger.ID(), r.From, r.To) // what does not go out is asked again when no answer comes
		}
	}
}

// onDisk notes what a sync has brought to the disk.
func (k *Keeper) onDisk(err error, now time.Time) {
	if err != nil {
		k.complain(now, "sync", "samples could not be brought to the disk; what the disk does not have is asked for again", err)
	}
	left := k.pending[:0]
	for _, p := range k.pending {
		switch k.o.Store.Fate(p.mark) {
		case history.OnDisk:
			p.ledger.OnDisk(p.r)
		case history.Void:
			p.ledger.Gone(p.r)
		default:
			left = append(left, p)
		}
	}
	clear(k.pending[len(left):])
	k.pending = left
	if now.Sub(k.put) >= syncEvery {
		k.putPositions(now)
	}
}

// putPositions stores how far the journals are on the disk.
func (k *Keeper) putPositions(now time.Time) {
	k.put = now
	var out []records.Position
	for _, name := range k.names {
		a := k.agents[name]
		if a.ledger == nil {
			continue
		}
		safe := a.ledger.Safe()
		if now.Sub(a.trailAt) >= beforeStep {
			a.trailAt = now
			a.trail = append(a.trail, safe)
			if n := len(a.trail) - int(beforeBy/beforeStep) - 1; n > 0 {
				a.trail = a.trail[n:]
			}
		}
		p := records.Position{Agent: name, Journal: a.ledger.ID(), Stored: max(safe, a.known), Before: a.trail[0]}
		if p == a.told {
			continue
		}
		a.told = p
		p.At = si.InstantOf(now)
		out = append(out, p)
	}
	if len(out) > 0 {
		k.o.Book.PutPositions(out) // one that is not stored is made good by the next
	}
}

// lost records ranges of a journal that will never be stored.
func (k *Keeper) lost(a *agent, journal string, lost []ledger.Range, now time.Time, why string) {
	var out []records.Loss
	readings := uint64(0)
	for _, r := range lost {
		r.From = max(r.From, a.known) // what was stored before is not lost
		if r.Empty() {
			continue
		}
		l := records.Loss{Agent: a.name, Journal: journal, From: r.From, To: r.To, At: si.InstantOf(now), Why: why}
		a.lostTo = max(a.lostTo, r.To)
		out, readings = append(out, l), readings+r.Len()
		k.o.Events.Lost(l)
	}
	if len(out) > 0 {
		k.o.Log.LogAttrs(k.ctx, slog.LevelWarn, "readings are lost for good", slog.String("agent", a.name), slog.String("reason", why),
			slog.Uint64("readings", readings), slog.Uint64("from", out[0].From), slog.Uint64("to", out[len(out)-1].To))
		k.o.Book.AddLosses(out)
	}
}

// complain says each kind of trouble at most every quietFor.
func (k *Keeper) complain(now time.Time, kind, text string, err error) {
	if at, ok := k.said[kind]; ok && now.Sub(at) < quietFor {
		return
	}
	k.said[kind] = now
	k.o.Log.LogAttrs(context.WithoutCancel(k.ctx), slog.LevelError, text, slog.String("reason", err.Error()))
}
