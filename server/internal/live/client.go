package live

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	msg "gritwatch/protocol/live"
)

// A client is one connection.
type client struct {
	hub    *Hub
	notify chan struct{} // has room for one
	quit   chan struct{}

	acts     chan msg.ActRequest // to be done, in their order
	outcomes chan msg.Outcome    // to be told
	pace     pace                // of acts, and of what cannot be read; of the reader alone

	mu      sync.Mutex
	reason  string   // why it ends; "" it does not
	acked   uint64   // newest acknowledgement
	seq     uint64   // newest frame sent
	names   []string // of the pots that it shows, in the source's order; see Hub.pick
	renewed bool     // the subscription changed: a snapshot is due
}

func newClient(h *Hub) *client {
	return &client{hub: h, notify: make(chan struct{}, 1), quit: make(chan struct{}), acts: make(chan msg.ActRequest, actsWaiting), outcomes: make(chan msg.Outcome, actsWaiting),
		pace: pace{left: actsAtOnce}, names: h.pick(nil), renewed: true}
}

// pots are those that it shows. Nobody changes the slice.
func (c *client) pots() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.names
}

func (c *client) wake() {
	select {
	case c.notify <- struct{}{}:
	default:
	}
}

// end makes the connection end; the first reason counts.
func (c *client) end(reason string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.reason == "" {
		c.reason = reason
		close(c.quit)
	}
}

// serve reads and writes until the connection ends, and says why it did.
func (c *client) serve(conn *websocket.Conn) string {
	var reader, worker sync.WaitGroup
	reader.Go(func() { c.end(c.read(conn)) })
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	worker.Go(func() { c.work(ctx) })
	c.end(c.write(conn))
	c.mu.Lock()
	reason := c.reason
	c.mu.Unlock()
	// What a broken connection says to this is no news.
	_ = conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseGoingAway, cut(reason)), time.Now().Add(time.Second))
	_ = conn.Close()
	reader.Wait()
	close(c.acts)
	// What was asked for is done, though nobody is left to be told.
	defer time.AfterFunc(actGrace, cancel).Stop()
	worker.Wait()
	return reason
}

// cut shortens a reason to what a close frame can hold (123 bytes, RFC 6455, 5.5).
func cut(s string) string {
	if len(s) > 120 {
		return s[:120]
	}
	return s
}

// read takes the page's requests.
func (c *client) read(conn *websocket.Conn) string {
	conn.SetReadLimit(maxRequest)
	alive := func(string) error { return conn.SetReadDeadline(time.Now().Add(readTime)) }
	conn.SetPongHandler(alive)
	for {
		if err := alive(""); err != nil {
			return err.Error()
		}
		kind, text, err := conn.ReadMessage()
		if err != nil {
			return err.Error()
		}
		if kind != websocket.TextMessage {
			return "request is not text"
		}
		if err := c.take(text); err != nil {
			return err.Error()
		}
		c.wake()
	}
}

// take takes one message of the page. An error is why the connection ends: of what breaks the rules of the frames, and of too much
// that cannot be read. Anything else that is wrong is told, and nothing that is under way is lost over it.
func (c *client) take(text []byte) error {
	r, wrong := parse(text)
	if r.names != nil || r.ack != 0 {
		names := c.hub.pick(r.names)
		c.mu.Lock()
		if r.ack > c.seq {
			defer c.mu.Unlock()
			return fmt.Errorf("frame %d acknowledged, but %d was the last", r.ack, c.seq)
		}
		c.acked = max(c.acked, r.ack)
		if r.names != nil {
			c.names = names
			c.renewed = true
		}
		c.mu.Unlock()
	}
	if wrong != nil {
		if !c.pace.take(time.Now()) {
			return errors.New("too many messages that cannot be read")
		}
		c.tell(*wrong)
	}
	if r.act != nil {
		c.ask(*r.act)
	}
	return nil
}

// ask has an act done in its turn, or refuses it.
func (c *client) ask(act msg.ActRequest) {
	if c.hub.o.Act == nil {
		c.tell(msg.Refused(act.Request, http.StatusNotFound, "nothing can be done with alarms here"))
		return
	}
	if c.pace.take(time.Now()) {
		select {
		case c.acts <- act:
			return
		default:
		}
	}
	c.tell(msg.Refused(act.Request, http.StatusTooManyRequests, "too much is asked for at once, and this was not done; wait for the others, then ask again"))
}

// work does what is asked for, one act after the other, until there will be none.
func (c *client) work(ctx context.Context) {
	for act := range c.acts {
		c.tell(c.hub.o.Act(ctx, act))
	}
}

// tell hands an outcome to the writer.
func (c *client) tell(o msg.Outcome) {
	select {
	case c.outcomes <- o:
	case <-c.quit:
	}
}

// write sends frames when they are due.
func (c *client) write(conn *websocket.Conn) string {
	var (
		told map[string]mark
		rota rota
		bell uint64       // version of the alarms that were sent last
		sent = time.Now() // the last frame
		ping = time.Now()
	)
	c.wake()
	for {
		select {
		case <-c.quit:
			return c.rest(conn)
		case o := <-c.outcomes:
			if err := c.say(conn, o); err != nil {
				return err.Error()
			}
			continue
		case <-c.notify:
		}
		now := time.Now()
		c.mu.Lock()
		inFlight, snapshot, names := c.acked < c.seq, c.renewed, c.names
		c.mu.Unlock()
		if now.Sub(ping) >= pingEvery {
			ping = now
			if err := conn.WriteControl(websocket.PingMessage, nil, now.Add(writeTime)); err != nil {
				return err.Error()
			}
		}
		if inFlight {
			if now.Sub(sent) > ackTimeout {
				return "the page acknowledges nothing"
			}
			continue
		}
		marks := c.hub.marks(names) // before the estimates: what changes between is told again
		pots := names
		if !snapshot {
			pots = rota.due(marks, told, names, now)
		}
		ring := c.hub.o.Alarms != nil && (snapshot || c.hub.o.Alarms.Version() != bell)
		if !snapshot && !ring && len(pots) == 0 && now.Sub(sent) < beatEvery {
			continue
		}
		var alarms []msg.StandingAlarm
		if ring {
			alarms, bell = c.hub.o.Alarms.Alarms()
		}
		if err := c.send(conn, snapshot, pots, len(names) <= ventsOf, alarms); err != nil {
			return err.Error()
		}
		sent = time.Now()
		if snapshot {
			told, rota = marks, newRota(len(names), sent)
			continue
		}
		for _, name := range pots {
			told[name] = marks[name]
		}
	}
}

// rest tells the outcomes that are ready as the connection ends.
func (c *client) rest(conn *websocket.Conn) string {
	for {
		select {
		case o := <-c.outcomes:
			if err := c.say(conn, o); err != nil {
				return err.Error()
			}
		default:
			return ""
		}
	}
}

// send sends one frame with the estimates of this moment, with their vents and doubts or without (whoever is held has its vent all the same),
// and with the alarms; nil: they are as they were.
func (c *client) send(conn *websocket.Conn, snapshot bool, pots []string, whole bool, alarms []msg.StandingAlarm) error {
	now := time.Now()
	f := msg.Frame{Type: "change", ServerT: now.UTC().Format("2006-01-02T15:04:05.000Z"), Pots: make([]msg.Pot, 0, len(pots)), Alarms: alarms, Faults: c.hub.o.Faults()}
	if snapshot {
		f.Type = "snapshot"
	}
	if more := len(f.Alarms) - mostAlarms; more > 0 {
		f.Alarms, f.AlarmsMore = f.Alarms[:mostAlarms], more
	}
	for _, name := range pots {
		if p, ok := c.hub.source.Estimate(name, now); ok {
			if whole || p.State == msg.Held {
				p.Vent = c.hub.source.Vent(name)
			}
			if !whole {
				p.Doubt = nil
			}
			f.Pots = append(f.Pots, p)
		}
	}
	c.mu.Lock()
	c.seq++
	f.Seq = c.seq
	if snapshot {
		// A subscription that came while this one was being gathered asks for another.
		c.renewed = !slices.Equal(c.names, pots)
	}
	c.mu.Unlock()
	return c.say(conn, f)
}

// say sends one message; of the writer alone.
func (c *client) say(conn *websocket.Conn, message any) error {
	if err := conn.SetWriteDeadline(time.Now().Add(writeTime)); err != nil {
		return err
	}
	return conn.WriteJSON(message)
}
