package notify

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/notify/alertmanager"
	"gritwatch/server/internal/notify/mail"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/outbox"
	"gritwatch/server/internal/notify/webhook"
	"gritwatch/server/internal/records"
)

// A Notice is one change of an alarm. The dispatcher wants all of them, in the order of the board.
type Notice struct {
	Change    alarm.Change
	Agent     string // that reads the pot, or the agent itself
	Simulated bool   // the pot's readings come from a simulator, as far as is known
}

// Memory keeps what receivers know over a restart; *records.SQLite does. Writing never waits.
type Memory interface {
	PutTelling(records.Telling) *records.Write
	DropTelling(receiver, alarm string) *records.Write
	Tellings(ctx context.Context) ([]records.Telling, error)
	// Alarm gives an alarm with its transitions; false: there is none.
	Alarm(ctx context.Context, id string) (records.Alarm, bool, error)
}

// Options of a Dispatcher. All but Receivers and Open are needed.
type Options struct {
	Site      string
	Receivers []config.Receiver
	Units     []alarm.Unit
	Memory    Memory
	Open      []alarm.View // the board's, once it was restored
	Log       *slog.Logger
}

// A sender tells one receiver. An error is a *message.Failure.
type sender interface {
	Send(ctx context.Context, m message.Message) error
	Close()
}

// A Dispatcher tells all receivers. Methods may be called from any goroutine.
type Dispatcher struct{ workers []*worker }

// New is a dispatcher that goes on where the one of the last run ended. It sends once Run is called.
func New(ctx context.Context, o Options) (*Dispatcher, error) { return newWith(ctx, o, senderOf) }

func newWith(ctx context.Context, o Options, senderOf func(*config.Receiver) sender) (*Dispatcher, error) {
	d := &Dispatcher{}
	for _, r := range o.Receivers {
		d.workers = append(d.workers, &worker{name: r.Name, kind: r.Kind(), where: r.Where(), site: o.Site, sender: senderOf(&r), memory: o.Memory, log: o.Log,
			box: outbox.New(r.Policy), wake: make(chan struct{}, 1)})
	}
	return d, d.resume(ctx, o)
}

func senderOf(r *config.Receiver) sender {
	switch {
	case r.Webhook != nil:
		return webhook.New(r.Webhook, time.Now)
	case r.Mail != nil:
		return mail.New(r.Mail, r.Zone)
	}
	return alertmanager.New(r.Alertmanager)
}

// Try sends a test to one receiver and waits for what becomes of it.
func Try(ctx context.Context, site string, r config.Receiver) error {
	s := senderOf(&r)
	defer s.Close()
	return s.Send(ctx, message.Message{Site: site, At: si.InstantOf(time.Now())})
}

// Notice takes a change. It never waits. A comment changes nothing, and is not told.
func (d *Dispatcher) Notice(n Notice) {
	if len(d.workers) == 0 || n.Change.Event == alarm.EventCommented {
		return
	}
	e := entryOf(n)
	now := time.Now()
	for _, w := range d.workers {
		w.put(e, n.Change.Loud, now)
	}
}

// Run tells until ctx ends. What waits then stands in the records.
func (d *Dispatcher) Run(ctx context.Context) error {
	var all sync.WaitGroup
	for _, w := range d.workers {
		all.Go(func() { w.run(ctx) })
	}
	all.Wait()
	return nil
}

func (d *Dispatcher) String() string { return "notifications" }

// A Stat is how it goes with one receiver.
type Stat struct {
	Receiver, Kind string // its name; webhook, mail or alertmanager
	outbox.Counts
	Trouble string // why it could not be told at the last try; empty: it could
}

// Stats are those of all receivers, in the order of the file.
func (d *Dispatcher) Stats() []Stat {
	var out []Stat
	for _, w := range d.workers {
		w.mu.Lock()
		out = append(out, Stat{Receiver: w.name, Kind: w.kind, Counts: w.box.Counts(), Trouble: w.trouble})
		w.mu.Unlock()
	}
	return out
}

// Troubles says of each receiver that could not be told why, and how much waits; one sentence each, nothing secret.
func (d *Dispatcher) Troubles() []string {
	var out []string
	for _, s := range d.Stats() {
		if s.Trouble != "" && s.Waiting > 0 {
			out = append(out, fmt.Sprintf("alarms are not told to %s (%s): %s; alarms that wait: %d", s.Receiver, s.Kind, s.Trouble, s.Waiting))
		}
	}
	return out
}

// A worker tells one receiver.
type worker struct {
	name, kind, where, site string
	sender                  sender
	memory                  Memory
	log                     *slog.Logger
	wake                    chan struct{} // something may be due

	mu      sync.Mutex
	box     *outbox.Outbox
	trouble string
	dropped uint64 // that the log knows of
}

// look is how often is looked at least, so that a clock that was set counts soon.
const look = 30 * time.Second

func (w *worker) put(e message.Entry, loud bool, now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.remember(w.box.Put(e, loud, now))
	select {
	case w.wake <- struct{}{}:
	default:
	}
}

// remember hands marks to the records in the order in which they arose: with mu held.
func (w *worker) remember(marks []outbox.Mark) {
	for _, m := range marks {
		if m.Gone {
			w.memory.DropTelling(w.name, m.Alarm)
			continue
		}
		told := ""
		if m.Told != alarm.Normal {
			told = m.Told.String()
		}
		w.memory.PutTelling(records.Telling{Receiver: w.name, Alarm: m.Alarm, Told: told, Waiting: m.Waiting, Simulated: m.Simulated})
	}
}

func (w *worker) run(ctx context.Context) {
	defer w.sender.Close()
	timer := time.NewTimer(look)
	defer timer.Stop()
	for {
		now := time.Now()
		w.mu.Lock()
		b, due, next := w.box.Due(now)
		w.mu.Unlock()
		if due {
			if !w.send(ctx, b) {
				return
			}
			continue
		}
		wait := look
		if !next.IsZero() {
			wait = min(wait, next.Sub(now))
		}
		timer.Reset(wait)
		select {
		case <-ctx.Done():
			return
		case <-w.wake:
		case <-timer.C:
		}
	}
}

// send tells a batch; false: the end has come meanwhile, and it is told after the next start, perhaps once more.
func (w *worker) send(ctx context.Context, b outbox.Batch) bool {
	err := w.sender.Send(ctx, message.Message{Site: w.site, At: si.InstantOf(time.Now()), Entries: b.Entries, Dropped: b.Dropped})
	if err != nil && ctx.Err() != nil {
		return false
	}
	var failed *message.Failure
	if err != nil {
		f := message.FailureOf(err)
		failed = &f
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.remember(w.box.Done(b, failed, time.Now()))
	w.say(failed)
	return true
}

// say logs what has changed, with mu held.
func (w *worker) say(failed *message.Failure) {
	attrs := []slog.Attr{slog.String("receiver", w.name), slog.String("kind", w.kind), slog.String("where", w.where)}
	say := func(level slog.Level, text string, more ...slog.Attr) {
		w.log.LogAttrs(context.Background(), level, text, append(attrs, more...)...)
	}
	switch {
	case failed == nil && w.trouble != "":
		say(slog.LevelInfo, "alarms are told again")
		w.trouble = ""
	case failed != nil:
		if why := failed.Error(); why != w.trouble {
			say(slog.LevelWarn, "alarms could not be told; it is tried again", slog.String("reason", why))
			w.trouble = why
		}
	}
	if n := w.box.Counts().Dropped; n != w.dropped {
		say(slog.LevelError, "alarms were not told", slog.String("alarms", fmt.Sprint(n-w.dropped)))
		w.dropped = n
	}
}
