// Package app puts the server together: broker, ingest, pots, page. It is the only place that knows all parts, and it
// starts and ends them.
package app

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"syscall"
	"time"

	"golang.org/x/sync/errgroup"

	"gritwatch/internal/brokerlink"
	"gritwatch/internal/potfile"
	"gritwatch/server/internal/acts"
	"gritwatch/server/internal/broker"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/desk"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/httpapi"
	"gritwatch/server/internal/ingest"
	"gritwatch/server/internal/keep"
	"gritwatch/server/internal/live"
	"gritwatch/server/internal/metrics"
	"gritwatch/server/internal/notify"
	"gritwatch/server/internal/pot"
	"gritwatch/server/internal/records"
	"gritwatch/server/internal/rewind"
)

// Options of a run. All are needed.
type Options struct {
	Out  io.Writer // told the addresses once the server is up
	Log  *slog.Logger
	Page fs.FS // the built page
}

// stopTime is what requests under way have to end at a stop.
const stopTime = 3 * time.Second

// roomAPot is how many samples of a pot may wait to be stored: ten seconds of six points that are read ten times a second.
const roomAPot = 600

// A Task is a long-lived part; Run returns nil when ctx ends.
type Task interface {
	Run(ctx context.Context) error
	String() string
}

// Run serves a site until ctx ends, then stops all parts and returns nil.
func Run(ctx context.Context, c config.Config, o Options) error {
	link := ingest.Options{Site: c.Site, Reorder: c.Reorder, Log: o.Log}
	to := c.Broker.Outside
	if c.Broker.Embedded != "" {
		b, err := broker.Start(broker.Options{Addr: c.Broker.Embedded, Site: c.Site, Log: o.Log, Cert: c.Broker.Cert, Key: c.Broker.Key,
			ClientCA: c.Broker.ClientCA, Users: c.Broker.Users, Agents: c.Agents()})
		if err != nil {
			return err
		}
		defer func() {
			if err := b.Close(); err != nil {
				o.Log.Error("broker did not close", slog.String("reason", err.Error()))
			}
		}()
		to.URL = c.Broker.Scheme() + reachable(b.Addr())
		link.Dial, link.Hear = b.Dial, b.Hear
	}
	link.Link = brokerlink.New(to, o.Log)
	listener, err := net.Listen("tcp", c.Listen)
	if errors.Is(err, syscall.EADDRINUSE) {
		return fmt.Errorf("%s is in use by another program: stop it or set listen to another address", c.Listen)
	} else if err != nil {
		return fmt.Errorf("cannot listen on %s: %w; set listen to another address", c.Listen, err)
	}
	defer listener.Close()

	var all []potfile.Pot
	for _, p := range c.Pots {
		all = append(all, p.Pot)
	}
	remembered, err := openFaults(c.Data, all, o.Log)
	if err != nil {
		return err
	}
	kept, err := openStore(ctx, c, o.Log)
	if err != nil {
		return err
	}
	defer func() {
		if err := kept.close(); err != nil {
			o.Log.Error("what was stored last may be missing", slog.String("reason", err.Error()))
		}
	}()

	tasks := []Task{named{remembered, "memory of faults"}, kept.history}
	var m *metrics.Metrics
	var host *ingest.Host
	var past *rewind.Rewinder
	electric := map[string]bool{}
	var attended *attendance
	keeper := keep.New(keep.Options{Store: kept.history, Book: kept.records, Positions: kept.positions, Placements: kept.placements, LostTo: kept.lostTo,
		Electric: electric, Room: roomAPot * len(c.Pots), Log: o.Log,
		Ask: func(agent, journal string, from, to uint64) bool { return host.Replay(agent, journal, from, to) },
		Events: keep.Events{
			Late: func(l keep.Late) { past.Late(l) },
			Stored: func(r history.Result) {
				m.Stored([...]int{r.Stored, r.Repeated, r.Conflicts, r.TooOld, r.TooNew, r.Invalid})
			},
			Dropped: func(n int) { m.Unkept(n) },
			Lost:    func(l records.Loss) { m.Lost(l.Agent, l.To-l.From) },
			Clock: func(agent string, ahead, round time.Duration) {
				m.Clock(agent, ahead)
				attended.clock(agent, time.Now(), ahead, round)
			},
		}})
	start := time.Now()
	tellers := &tellers{}
	alarms := desk.New(ctx, desk.Options{Units: units(c.Pots), Records: kept.records, Open: kept.open, Log: o.Log, Tell: tellers.tell, Changed: tellers.changed,
		Assume: tellers.assume, Ease: tellers.ease}, start)
	outside, err := notify.New(ctx, notify.Options{Site: c.Site, Receivers: c.Notify, Units: units(c.Pots), Memory: kept.records, Open: alarms.Views(), Log: o.Log})
	if err != nil {
		return err
	}
	noted := &book{records: kept.records, keeper: keeper, desk: alarms}
	events := pot.Events{Latency: func(d time.Duration) { m.Latency(d) }, Dropped: func() { m.Dropped() }, Faulty: remembered.note,
		Cycle: noted.Cycle, Refill: noted.Refill, Alarm: alarms.Found}
	shift := func(agent string, epoch uint64) time.Duration {
		p, _ := keeper.Placement(agent, epoch)
		return p.Shift
	}
	wires := newWiring(all, o.Log)
	var actors []*pot.Actor
	for i, p := range c.Pots {
		events.Sample = wires.of(i)
		a := pot.New(pot.Config{Site: c.Site, Agent: p.Agent, Pot: p.Pot},
			pot.Options{Start: start, Log: o.Log, Events: events, Faulty: remembered.faulty(p.Name), Assume: alarms.Standing(p.Name, ""), Shift: shift,
				Crossed: wires.crossed(i)})
		if err := remind(ctx, kept.records, a); err != nil {
			return err
		}
		electric[p.Name] = p.Control.Electric
		actors = append(actors, a)
		tasks = append(tasks, a)
		link.Pots = append(link.Pots, ingest.Pot{Name: p.Name, Agent: p.Agent, Electric: p.Control.Electric, Points: p.Points})
	}
	pots := newFleet(actors)
	attended = newAttendance(alarms, actors, start)
	wrong := &troubles{history: kept.history, records: kept.records}
	if kept.scratch != "" {
		wrong.lasting = "cycles and alarms are kept in memory only, as the disk was full at the start: make room, then start the server again"
	}
	done := acts.New(alarms, kept.records, o.Log)
	hub := live.New(pots, live.Options{Log: o.Log, Refuse: httpapi.Problem, Alarms: alarms, Act: done.Ask,
		Faults: func() []string { return slices.Concat(wrong.words(), outside.Troubles()) }})
	tellers.begin(pots, hub, outside)
	if m, err = metrics.New(c.Site, pots, hub.Clients, func() int { return len(wrong.words()) }); err != nil {
		return err
	}
	if err := m.Alarms(alarms.Figures); err != nil {
		return err
	}
	if err := m.Receivers(func() []metrics.Receiver { return receivers(outside) }); err != nil {
		return err
	}
	link.Sink = sink{pots, keeper, attended, m}
	link.Events = ingest.Events{Message: m.Message, Samples: m.Samples, Loose: m.Loose, Gap: m.Gap, Bad: m.Bad, Refused: m.Refused, Link: m.Link}
	host = ingest.New(link)
	past = rewind.New(rewind.Options{Pots: actors, History: kept.history, Checkpoints: kept.records, Keeper: keeper, Finder: noted, Log: o.Log})
	tasks = append(tasks, hub, host, keeper, past, attended, outside)

	handler := httpapi.New(httpapi.Options{Pots: pots, Live: hub, Metrics: m.Handler(httpapi.Problem), Page: o.Page, Log: o.Log,
		History: kept.history, Records: kept.records, Recorder: &clerk{pots, kept.records}, Alarms: alarms, Acts: done, Vent: pots.Vent,
		Listen: listener.Addr().String(), Hosts: hosts(c), Ready: func() []string { return append(notReady(host, actors), wrong.words()...) }})
	tasks = append(tasks, &web{listener: listener, server: &http.Server{Handler: handler, ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout: 10 * time.Second, WriteTimeout: 20 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
		ErrorLog: slog.NewLogLogger(o.Log.Handler(), slog.LevelDebug)}})

	group, groupCtx := errgroup.WithContext(ctx)
	for _, t := range tasks {
		group.Go(func() error {
			if err := t.Run(groupCtx); err != nil {
				return fmt.Errorf("%s: %w", t, err)
			}
			return nil
		})
	}
	_, err = fmt.Fprintf(o.Out, "dashboard: http://%s\nbroker: %s\n", reachable(listener.Addr().String()), to.URL)
	if err != nil {
		o.Log.Warn("the addresses could not be printed", slog.String("reason", err.Error()))
	}
	return group.Wait()
}

// hosts are the names by which the server may be called: those of the file, and the name it was told to listen on.
func hosts(c config.Config) []string {
	out := append([]string{}, c.Hosts...)
	if host, _, err := net.SplitHostPort(c.Listen); err == nil && host != "" && net.ParseIP(host) == nil {
		out = append(out, host)
	}
	return out
}

// notReady says what keeps the server from doing its work.
func notReady(host *ingest.Host, actors []*pot.Actor) []string {
	var out []string
	if !host.Ready() {
		out = append(out, "no link to the MQTT broker")
	}
	for _, a := range actors {
		if !a.Ready() {
			out = append(out, a.String()+" does not keep up with its readings")
		}
	}
	return out
}

// reachable is an address at which this machine reaches a listener, which may be on all addresses.
func reachable(addr string) string {
	host, port, err := net.SplitHostPort(addr)
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		return net.JoinHostPort("127.0.0.1", port)
	}
	return addr
}

// named gives a part a name.
type named struct {
	part interface{ Run(context.Context) error }
	name string
}

func (n named) Run(ctx context.Context) error { return n.part.Run(ctx) }
func (n named) String() string                { return n.name }

// web is the HTTP server as a task.
type web struct {
	listener net.Listener
	server   *http.Server
}

func (w *web) String() string { return "http server" }

// Run serves until ctx ends. WebSockets are the hub's to close.
func (w *web) Run(ctx context.Context) error {
	failed := make(chan error, 1)
	go func() { failed <- w.server.Serve(w.listener) }()
	select {
	case err := <-failed:
		return err
	case <-ctx.Done():
	}
	// ctx has ended; what is under way gets a little time of its own.
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTime)
	defer cancel()
	err := w.server.Shutdown(grace)
	if errors.Is(err, context.DeadlineExceeded) {
		err = w.server.Close()
	}
	if served := <-failed; !errors.Is(served, http.ErrServerClosed) {
		err = errors.Join(err, served)
	}
	return err
}
