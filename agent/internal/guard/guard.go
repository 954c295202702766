// Package guard is the judge at the pot: it says for each pot of the agent whether its vessel may be opened, from the
// agent's own readings and by its own clock, with no network between. The server's word counts only where this one
// is no worse. The vent watch stands beside the judge: what it finds is told at once, network or not.
package guard

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Every is how often Run looks whether a word has grown old.
const Every = 100 * time.Millisecond

// ahead is how far in the future a reading may lie and still count as read now.
const ahead = time.Second

// A Clock is the agent's time, now and the epoch it belongs to.
type Clock interface {
	Read() (si.Instant, uint64)
}

// Options of a guard. Pots and Clock are needed.
type Options struct {
	Pots  []vent.WatchParams
	Clock Clock

	// Dir keeps the finding of a faulty vessel gauge over a restart, in sensor-fault.json. Empty: not kept.
	Dir string

	Changed func(pot string, w vent.Word)                      // the word changed; must not block. nil: not told
	Found   func(pot string, c vent.Condition, f vent.Finding) // the watch found something, or it ended; the same
	Log     *slog.Logger                                       // nil: silent
}

// A Guard holds one judge a pot. It is safe for concurrent use.
type Guard struct {
	o     Options
	latch *latch

	mu   sync.Mutex
	pots map[string]*pot
}

type pot struct {
	judge *vent.Judge
	watch *vent.Watch
	seen  vent.Seen
	epoch uint64
	said  vent.Word
	key   string // of the vessel's recorded zero
	fault bool   // kept in the latch
}

// New takes up what the latch holds. An unreadable latch is an error: it may have held a finding.
func New(o Options) (*Guard, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	l, err := openLatch(o.Dir)
	if err != nil {
		return nil, err
	}
	_, epoch := o.Clock.Read()
	g := &Guard{o: o, latch: l, pots: make(map[string]*pot, len(o.Pots))}
	for _, params := range o.Pots {
		p := params.Pot
		if g.pots[p.Name] != nil {
			return nil, fmt.Errorf("pot %s stands twice", p.Name)
		}
		n := &pot{judge: vent.NewJudge(p, vent.Options{}), watch: vent.NewWatch(params), epoch: epoch, key: zeroKey(p.Gauges[points.Vessel].Zero)}
		if l.holds(p.Name, n.key) {
			n.judge.MarkFaulty()
			n.fault = true
			o.Log.LogAttrs(context.Background(), slog.LevelWarn,
				"vessel gauge was found outside its declared error; record a zero with the vessel open", slog.String("pot", p.Name))
		}
		g.pots[p.Name] = n
	}
	return g, nil
}

// Sample takes one reading of a pot; unknown pots are ignored.
func (g *Guard) Sample(name string, s points.Sample) {
	g.mu.Lock()
	p := g.pots[name]
	if p == nil {
		g.mu.Unlock()
		return
	}
	now, epoch := g.o.Clock.Read()
	p.turn(epoch)
	if s.At.Sub(now) <= ahead { // else its time is of an epoch that is over
		p.judge.Step(s)
		p.watch.Step(s, p.judge.Handle())
		g.tell(name, p)
	}
	g.settle(name, p, now)
}

// Word is the answer for a pot now; not proven for an unknown one.
func (g *Guard) Word(name string) vent.Word {
	g.mu.Lock()
	defer g.mu.Unlock()
	p := g.pots[name]
	if p == nil {
		return vent.NotProven
	}
	now, epoch := g.o.Clock.Read()
	p.turn(epoch)
	return p.word(now)
}

// Check lets every word grow old.
func (g *Guard) Check() {
	for _, p := range g.o.Pots {
		g.mu.Lock()
		now, epoch := g.o.Clock.Read()
		n := g.pots[p.Pot.Name]
		n.turn(epoch)
		g.settle(p.Pot.Name, n, now)
	}
}

// Run looks often enough until ctx ends.
func (g *Guard) Run(ctx context.Context) error {
	t := time.NewTicker(Every)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
			g.Check()
		}
	}
}

// turn ends the judge's run where the clock stepped: times before and after do not compare.
func (p *pot) turn(epoch uint64) {
	if p.epoch != epoch {
		p.epoch = epoch
		p.judge.Break(vent.ClockStep)
		p.watch.Break(vent.ClockStep)
	}
}

// word is the judge's, unless what stands behind it is too old to prove anything (R6).
func (p *pot) word(now si.Instant) vent.Word {
	a := p.judge.Answer()
	age := now.Sub(a.At)
	if a.At == 0 || age > vent.MaxAge || age < -ahead {
		return vent.NotProven
	}
	return a.Word
}

// tell hands on what the watch has found, and what has ended.
func (g *Guard) tell(name string, p *pot) {
	p.watch.Tell(&p.seen, func(c vent.Condition, f vent.Finding) {
		if f.On {
			g.o.Log.LogAttrs(context.Background(), slog.LevelWarn, c.String()+": "+c.Says(), slog.String("pot", name),
				slog.String("from", f.From.String()), slog.String("now", f.Now.String()))
		} else {
			g.o.Log.LogAttrs(context.Background(), slog.LevelInfo, c.String()+" has ended", slog.String("pot", name))
		}
		if g.o.Found != nil {
			g.o.Found(name, c, f)
		}
	})
}

// settle keeps a new finding and tells a changed word; it unlocks.
func (g *Guard) settle(name string, p *pot, now si.Instant) {
	if p.judge.Faulty() && !p.fault {
		p.fault = true
		g.latch.add(name, p.key)
		g.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "vessel gauge reads outside its declared error; record a zero with the vessel open",
			slog.String("pot", name))
	}
	if again, err := g.latch.write(now); err != nil && !again {
		g.o.Log.LogAttrs(context.Background(), slog.LevelError, "a faulty vessel gauge would be forgotten by a restart: make room in the journal directory",
			slog.String("pot", name), slog.Any("reason", err))
	}
	w := p.word(now)
	changed := w != p.said
	p.said = w
	g.mu.Unlock()
	if changed && g.o.Changed != nil {
		g.o.Changed(name, w)
	}
}
