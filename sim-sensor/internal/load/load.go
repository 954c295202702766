package load

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"gritwatch/internal/edgenode"
	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// Options of Run. Broker, Out and Log are needed.
type Options struct {
	Broker string // mqtt://host:port
	Out    io.Writer
	Log    *slog.Logger
	Length time.Duration // 0: until ctx ends

	// Dial opens a connection to the broker; nil: as Broker says.
	Dial func(ctx context.Context) (net.Conn, error)
}

// Totals are what a run has sent and lost.
type Totals struct {
	Messages int64 // Sparkplug, births and answers included
	Metrics  int64 // in them
	Bytes    int64 // payloads
	Lost     int64 // readings that could not be sent in time
	Sessions int64 // births of a node after a connection
}

type counters struct {
	messages, metrics, bytes, lost, sessions, online atomic.Int64
}

func (c *counters) totals() Totals {
	return Totals{c.messages.Load(), c.metrics.Load(), c.bytes.Load(), c.lost.Load(), c.sessions.Load()}
}

// Run plays the fleet until the length is over or ctx ends, and says every second what it sends. First, for a second or so,
// it records the pots.
func Run(ctx context.Context, f *Fleet, o Options) (Totals, error) {
	var c counters
	var nodes []*edgenode.Node
	var agents []*agent
	for i, name := range f.agents {
		log := o.Log.With(slog.String("agent", name))
		a := newAgent(f, i, func(n int) { c.lost.Add(int64(n)) }, log)
		var node *edgenode.Node
		var online atomic.Bool
		off := func() {
			if online.Swap(false) {
				c.online.Add(-1)
			}
		}
		node, err := edgenode.New(edgenode.Options{Broker: o.Broker, ClientID: points.AgentClientID(f.site, name), Group: f.site, Node: name,
			Now: a.now, Births: a.births, Command: func(m sparkplug.Message) { a.command(node, m) }, Log: log, Dial: o.Dial,
			Events: edgenode.Events{
				Online:  func() { c.sessions.Add(1); c.online.Add(1); online.Store(true) },
				Offline: func(error) { off() },
				Sent: func(metrics, bytes int) {
					c.messages.Add(1)
					c.metrics.Add(int64(metrics))
					c.bytes.Add(int64(bytes))
				},
			}})
		if err != nil {
			return Totals{}, err
		}
		nodes, agents = append(nodes, node), append(agents, a)
	}

	tapes, err := record(f.sizes, f.rate)
	if err != nil {
		return Totals{}, err
	}
	began := time.Now()
	for _, a := range agents {
		a.start(tapes, began)
	}
	if o.Length > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, o.Length)
		defer cancel()
	}
	if _, err := fmt.Fprintf(o.Out, "%d pots of %d agents, %g readings a second of each point, to %s of %s\n",
		len(f.pots), len(f.agents), f.rate, f.site, o.Broker); err != nil {
		return Totals{}, fmt.Errorf("say what is played: %w", err)
	}
	g, ctx := errgroup.WithContext(ctx)
	for i, node := range nodes {
		g.Go(func() error { return node.Run(ctx) })
		g.Go(func() error { return agents[i].run(ctx, node, flush*time.Duration(i)/time.Duration(len(nodes))) })
	}
	g.Go(func() error { return report(ctx, &c, len(nodes), o.Out) })
	err = g.Wait()
	return c.totals(), err
}

// report says every second what went out in it.
func report(ctx context.Context, c *counters, agents int, out io.Writer) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	before, at := c.totals(), time.Now()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		now, t := c.totals(), time.Now()
		s := t.Sub(at).Seconds()
		rate := func(a, b int64) float64 { return float64(a-b) / s }
		if _, err := fmt.Fprintf(out, "%d of %d agents online  %6.0f messages/s  %7.0f values/s  %6.2f MB/s  lost %d\n", c.online.Load(), agents,
			rate(now.Messages, before.Messages), rate(now.Metrics, before.Metrics), rate(now.Bytes, before.Bytes)/1e6, now.Lost); err != nil {
			return fmt.Errorf("say what is sent: %w", err)
		}
		before, at = now, t
	}
}
