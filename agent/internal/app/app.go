// Package app puts the agent together: it starts every goroutine of the program and waits for all of them.
package app

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net"
	"time"

	"golang.org/x/sync/errgroup"

	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/guard"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/serialport"
	"gritwatch/agent/internal/tally"
	"gritwatch/agent/internal/timebase"
	"gritwatch/agent/internal/uplink"
	"gritwatch/internal/brokerlink"
	"gritwatch/internal/edgenode"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// Options are what tests replace; the zero value with a Log is the real thing.
type Options struct {
	Log  *slog.Logger                                   // needed
	Open func(config.Bus) (serialport.Port, error)      // nil: the configured ports
	Dial func(ctx context.Context) (net.Conn, error)    // nil: the configured broker
	Time timebase.Options                               // of the clock
	Tap  func(pot string, s points.Sample, w vent.Word) // sees every reading, with the guard's word after it; nil: nobody
}

// Run reads, judges and publishes until ctx ends; then it tells the server of its leaving and gives nil. Errors are of
// what keeps it from starting.
func Run(ctx context.Context, c config.Config, o Options) error {
	for _, b := range c.Buses {
		if err := poll.Feasible(b); err != nil {
			return err
		}
	}
	k, err := openKept(ctx, c.Journal, o.Log)
	if err != nil {
		return err
	}
	defer k.close()

	o.Time.Changed = func(by time.Duration) {
		o.Log.LogAttrs(ctx, slog.LevelWarn, "the clock was set; readings count anew from here", slog.Duration("by", by.Round(time.Millisecond)))
	}
	clock := timebase.New(o.Time)
	var up *uplink.Uplink
	judge, err := guard.New(guard.Options{Pots: watchedPots(c), Clock: clock, Dir: k.dir, Log: o.Log,
		Changed: func(pot string, w vent.Word) {
			o.Log.LogAttrs(ctx, slog.LevelDebug, "answer changed", slog.String("pot", pot), slog.String("word", w.String()))
			up.Wake()
		}})
	if err != nil {
		return err
	}
	tallies := make([]tally.Tally, len(c.Buses))
	up = uplink.New(uplink.Options{Pots: uplinkPots(c), Clock: clock, Word: judge.Word, Flush: c.Flush, SessionID: sessionID(),
		Simulated: c.Simulated, Lines: func() []points.Line { return lines(c.Buses, tallies) }, Journal: k.journal, Slate: k.slate, Log: o.Log})
	var node *edgenode.Node
	node, err = edgenode.New(edgenode.Options{
		Link:     brokerlink.New(c.Broker, o.Log),
		ClientID: points.AgentClientID(c.Site, c.Agent), Group: c.Site, Node: c.Agent, Dir: k.dir,
		Primary: c.Primary, Asker: points.HostID,
		Now: clock.Now, Births: up.Births, Command: func(m sparkplug.Message) { up.Command(node, m) }, Log: o.Log, Dial: o.Dial,
		Events: edgenode.Events{Offline: func(error) { up.Offline() }}})
	if err != nil {
		return err
	}

	start(ctx, c, o.Log)
	g, gctx := errgroup.WithContext(ctx)
	// One outlives the other: what the lines gave last goes into the journal and out, then the node says good-bye, and the
	// journal is made safe.
	nctx, leave := context.WithCancel(context.WithoutCancel(ctx))
	defer leave()
	uctx, endUplink := context.WithCancel(context.WithoutCancel(ctx))
	defer endUplink()
	g.Go(func() error { return k.run(nctx) })
	g.Go(func() error { return node.Run(nctx) })
	g.Go(func() error {
		defer leave()
		k.takeUp(nctx, o.Log) // readings wait meanwhile
		return up.Run(uctx, node)
	})
	g.Go(func() error { return clock.Run(gctx) })
	g.Go(func() error { return judge.Run(gctx) })
	polls, pctx := errgroup.WithContext(gctx)
	for i, b := range c.Buses {
		po := poll.Options{Now: clock.Now, Log: o.Log, Events: tallies[i].Events(),
			// The guard's own word, of this moment, whatever becomes of broker, server and network.
			Vented: func(pot string) bool { return judge.Word(pot).IsVented() },
			Sink: func(pot string, s points.Sample) {
				judge.Sample(pot, s) // first, so that what is published carries the word that this reading gives
				up.Sample(pot, s)
				if o.Tap != nil {
					o.Tap(pot, s, judge.Word(pot))
				}
			}}
		if o.Open != nil {
			po.Open = func() (serialport.Port, error) { return o.Open(b) }
		}
		polls.Go(func() error { return poll.New(b, po).Run(pctx) })
	}
	g.Go(func() error { defer endUplink(); <-pctx.Done(); return polls.Wait() })
	return g.Wait()
}

// start says what is about to happen.
func start(ctx context.Context, c config.Config, log *slog.Logger) {
	reads := 0
	for _, b := range c.Buses {
		for _, u := range b.Units {
			reads += len(u.Read)
		}
		for _, t := range b.Text {
			reads += len(t.Read)
		}
	}
	log.LogAttrs(ctx, slog.LevelInfo, fmt.Sprintf("agent %s of %s starts", c.Agent, c.Site), slog.Int("pots", len(c.Pots)),
		slog.Int("points", reads), slog.Int("lines", len(c.Buses)), slog.String("broker", c.Broker.URL))
	if c.Simulated {
		log.LogAttrs(ctx, slog.LevelWarn, "the sources are SIMULATED: nothing read here is a real vessel")
	}
	for _, p := range c.Pots {
		if v := p.Vent(); !v.Provable() {
			log.LogAttrs(ctx, slog.LevelWarn, "this pot will never be answered vented: its vessel gauge's declared error is too large",
				slog.String("pot", p.Name))
		}
	}
}

func watchedPots(c config.Config) []vent.WatchParams {
	out := make([]vent.WatchParams, 0, len(c.Pots))
	for _, p := range c.Pots {
		out = append(out, vent.WatchParams{Pot: p.Vent(), Nozzle: p.Nozzle.Bore, Ambient: p.Atmosphere.Pressure()})
	}
	return out
}

func uplinkPots(c config.Config) []uplink.Pot {
	out := make([]uplink.Pot, 0, len(c.Pots))
	for _, p := range c.Pots {
		v := p.Vent()
		out = append(out, uplink.Pot{Name: v.Name, Points: v.Points, Electric: v.Electric, Digest: v.Digest()})
	}
	return out
}

// sessionID is new with every start: 128 random bits.
func sessionID() string {
	var b [16]byte
	rand.Read(b[:]) // never fails: the program would end first
	return hex.EncodeToString(b[:])
}
