package live

import (
	"encoding/json"
	"errors"
	"fmt"
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

	mu      sync.Mutex
	reason  string   // why it ends; "" it does not
	acked   uint64   // newest acknowledgement
	seq     uint64   // newest frame sent
	names   []string // of the pots that it shows, in the source's order; see Hub.pick
	renewed bool     // the subscription changed: a snapshot is due
}

func newClient(h *Hub) *client {
	return &client{hub: h, notify: make(chan struct{}, 1), quit: make(chan struct{}), names: h.pick(nil), renewed: true}
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
	var reader sync.WaitGroup
	reader.Go(func() { c.end(c.read(conn)) })
	c.end(c.write(conn))
	c.mu.Lock()
	reason := c.reason
	c.mu.Unlock()
	// What a broken connection says to this is no news.
	_ = conn.WriteControl(websocket.CloseMessage, websocket.FormatCloseMessage(websocket.CloseGoingAway, cut(reason)), time.Now().Add(time.Second))
	_ = conn.Close()
	reader.Wait()
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

// take reads one request.
func (c *client) take(text []byte) error {
	var r msg.Request
	if err := json.Unmarshal(text, &r); err != nil {
		return errors.New(`request is not JSON of the form {"subscribe":[names],"ack":n}`)
	}
	if len(r.Subscribe) > maxNames {
		return fmt.Errorf("subscription to %d pots; the most is %d", len(r.Subscribe), maxNames)
	}
	names := c.hub.pick(r.Subscribe)
	c.mu.Lock()
	defer c.mu.Unlock()
	if r.Ack > c.seq {
		return fmt.Errorf("frame %d acknowledged, but %d was the last", r.Ack, c.seq)
	}
	c.acked = max(c.acked, r.Ack)
	if r.Subscribe != nil {
		c.names = names
		c.renewed = true
	}
	return nil
}

// write sends frames when they are due.
func (c *client) write(conn *websocket.Conn) string {
	var (
		told map[string]mark
		bell uint64       // version of the alarms that were sent last
		sent = time.Now() // the last frame
		last = time.Now() // the last with all that had changed
		ping = time.Now()
	)
	c.wake()
	for {
		select {
		case <-c.quit:
			return ""
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
		all := snapshot || now.Sub(last) >= whole(len(names))
		pots := names
		if !snapshot {
			pots = due(marks, told, names, all)
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
		if all {
			told, last = marks, sent
			continue
		}
		for _, name := range pots {
			told[name] = marks[name]
		}
	}
}

// due lists the subscribed pots that changed since they were told of: all, or only those that cannot wait for the next
// frame with all, so that one pot that moves does not make a large site be told ten times a second.
func due(marks, told map[string]mark, names []string, all bool) (pots []string) {
	for _, name := range names {
		if marks[name].urgent != told[name].urgent || all && marks[name].version != told[name].version {
			pots = append(pots, name)
		}
	}
	return pots
}

// send sends one frame with the estimates of this moment, with their vents or without, and with the alarms; nil: they are as they were.
func (c *client) send(conn *websocket.Conn, snapshot bool, pots []string, vents bool, alarms []msg.StandingAlarm) error {
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
			if vents {
				p.Vent = c.hub.source.Vent(name)
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
	if err := conn.SetWriteDeadline(now.Add(writeTime)); err != nil {
		return err
	}
	return conn.WriteJSON(f)
}
