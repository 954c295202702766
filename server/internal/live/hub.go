// Package live sends the pots' estimates to pages over WebSocket: a snapshot, then changes. One frame is in flight to a
// page; the next goes out after its acknowledgement and holds the newest estimates, so that a slow page skips, and
// never plays back what is past. A page that acknowledges nothing for 10 s is dropped.
//
// Over the same connection a page asks that something is done with an alarm, and is told alone what came of it. Such outcomes stand
// outside the frames: they have no number, wait for no acknowledgement, and no frame waits for one. What a page asks for is done in its
// order, one after the other, with a bound on how much waits and how fast it comes; what is beyond it is refused and not done. What was
// taken is done though the connection ends meanwhile. A message that cannot be read is answered so, changes nothing and ends nothing.
package live

import (
	"context"
	"log/slog"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/gorilla/websocket"

	msg "gritwatch/protocol/live"
)

// A Source gives the pots.
type Source interface {
	// Names are those of all pots, in a fixed order.
	Names() []string
	// News counts what has come for a pot. Where nothing has, only time can have changed its estimate.
	News(name string) uint64
	// Estimate is what can be said of a pot at now; false where there is none of the name.
	Estimate(name string, now time.Time) (msg.Pot, bool)
	// Vent is the vent of a pot since its last release, until the next press; nil: there is none.
	Vent(name string) *msg.RunningVent
}

// Alarms give the standing alarms.
type Alarms interface {
	// Alarms are those in the order in which people should look at them, and their version. Nobody changes the list.
	Alarms() ([]msg.StandingAlarm, uint64)
	// Version is that of Alarms; it counts up with each change.
	Version() uint64
}

// Options of a hub. The zero value of MaxClients is 200. Log and Refuse are needed.
type Options struct {
	MaxClients int
	Log        *slog.Logger
	// Refuse answers a request that does not become a WebSocket.
	Refuse func(w http.ResponseWriter, r *http.Request, status int, detail string)
	// Faults are what keeps the server from doing its whole work, a sentence each; nil: nothing is known to.
	Faults func() []string
	Alarms Alarms // nil: frames have none
	// Act does something with an alarm, and gives what the page is told; ctx bounds what it waits for. nil: nothing can be done.
	Act func(ctx context.Context, r msg.ActRequest) msg.Outcome
}

// Times and bounds of a connection.
const (
	lookEvery  = 50 * time.Millisecond  // at the pots; a change of word or state, or a move, goes out within this
	frameEvery = 250 * time.Millisecond // other changes of a pot, of up to manyPots; of more pots so much less often
	manyPots   = 1000                   // are looked at each time though nothing has come for them; more take turns
	beatEvery  = time.Second            // a frame without pots, where nothing changes: the page must hear something
	ackTimeout = 10 * time.Second
	writeTime  = 5 * time.Second
	pingEvery  = 15 * time.Second
	readTime   = 40 * time.Second // two pings and some
	maxRequest = 64 << 10         // bytes: a subscription to every pot of a large site
	maxNames   = 1000
	writeBuf   = 32 << 10
	ventsOf    = 4   // pots of a subscription, at most, whose running vents and doubts are sent; of more the vents of those that are held
	mostAlarms = 500 // of a frame: an outage of a large site makes thousands, and those in sight stand first

	actsWaiting    = 8                      // of a page: acts that wait for others before them
	actsAtOnce     = 20                     // acts, and messages that cannot be read; more only as fast as
	actEvery       = 500 * time.Millisecond // comes: people do not click so fast
	actGrace       = time.Second            // after the end of a connection, for what was asked for
	longestRequest = 64                     // characters, of an ActRequest's request

	defaultClients = 200
)

// move is how far vessel or control must have gone to be told like a change of word, Pa: what an agent tells at once.
const move = 3.5e3

// A Hub serves WebSocket connections. Run it.
type Hub struct {
	source Source
	o      Options
	up     websocket.Upgrader

	order map[string]int // of the pots, in the source's
	news  chan struct{}  // of alarms; has room for one

	mu      sync.Mutex
	table   map[string]*entry
	clients map[*client]struct{}
	turn    int
	closing bool
	all     sync.WaitGroup
}

// An entry is a pot as the hub saw it last.
type entry struct {
	pot     msg.Pot       // ages taken out
	news    uint64        // of the source, when it was looked at
	version uint64        // counts changes
	urgent  uint64        // counts changes of the answer's word or of the state, and moves
	from    msg.Pressures // moves are reckoned from these
}

// New is a hub without connections.
func New(s Source, o Options) *Hub {
	if o.MaxClients == 0 {
		o.MaxClients = defaultClients
	}
	if o.Faults == nil {
		o.Faults = func() []string { return nil }
	}
	order := map[string]int{}
	for i, name := range s.Names() {
		order[name] = i
	}
	return &Hub{source: s, o: o, order: order, news: make(chan struct{}, 1), table: map[string]*entry{}, clients: map[*client]struct{}{},
		up: websocket.Upgrader{ReadBufferSize: 1 << 10, WriteBufferSize: writeBuf, HandshakeTimeout: writeTime,
			// The origin is checked in ServeHTTP, which answers in words.
			CheckOrigin: func(*http.Request) bool { return true },
			Error: func(w http.ResponseWriter, r *http.Request, status int, reason error) {
				o.Refuse(w, r, status, reason.Error())
			}}}
}

// String names the hub in logs.
func (h *Hub) String() string { return "live hub" }

// Clients is the number of connections.
func (h *Hub) Clients() int {
	h.mu.Lock()
	defer h.mu.Unlock()
	return len(h.clients)
}

// Run looks at the pots until ctx ends, then closes all connections and waits for them; it returns nil.
func (h *Hub) Run(ctx context.Context) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			h.close()
			return nil
		case <-tick.C:
			h.look(time.Now())
		case <-h.news:
			h.wake()
		}
	}
}

// Changed says that the alarms are not what they were: pages are told at once. It waits for nothing.
func (h *Hub) Changed() {
	select {
	case h.news <- struct{}{}:
	default:
	}
}

// wake has all connections look whether something is due.
func (h *Hub) wake() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for c := range h.clients {
		c.wake()
	}
}

func (h *Hub) close() {
	h.mu.Lock()
	h.closing = true
	for c := range h.clients {
		c.end("the server stops")
	}
	h.mu.Unlock()
	h.all.Wait()
}

// look notes what changed of the pots that are shown anywhere, and wakes the connections.
func (h *Hub) look(now time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.clients) == 0 {
		return
	}
	names := h.shown()
	h.turn++
	turns := (len(names) + manyPots - 1) / manyPots
	for i, name := range names {
		news := h.source.News(name) // before the estimate: what comes between is looked at again
		e := h.table[name]
		if e != nil && e.news == news && (i+h.turn)%turns != 0 {
			continue
		}
		p, ok := h.source.Estimate(name, now)
		if !ok {
			continue
		}
		p.AgeS, p.StateForS, p.Answer.AgeS = nil, nil, nil
		if e == nil {
			h.table[name] = &entry{pot: p, news: news, from: p.PressurePa}
			continue
		}
		e.news = news
		if !same(&p, &e.pot) {
			e.version++
			if p.Answer.Word != e.pot.Answer.Word || p.State != e.pot.State ||
				moved(e.from.Vessel, p.PressurePa.Vessel) || moved(e.from.Control, p.PressurePa.Control) {
				e.urgent++
				e.from = p.PressurePa
			}
			e.pot = p
		}
	}
	for c := range h.clients {
		c.wake()
	}
}

// shown are the pots of all subscriptions, with mu held.
func (h *Hub) shown() []string {
	var one []string
	seen := map[string]bool{}
	for c := range h.clients {
		names := c.pots()
		if len(names) == len(h.order) || len(h.clients) == 1 {
			return names
		}
		for _, name := range names {
			if !seen[name] {
				seen[name] = true
				one = append(one, name)
			}
		}
	}
	return one
}

// pick are the pots of a subscription that there are, each once, in the source's order; nil asks for all.
func (h *Hub) pick(subscribe []string) []string {
	if subscribe == nil {
		return h.source.Names()
	}
	out := []string{}
	for _, name := range subscribe {
		if _, ok := h.order[name]; ok {
			out = append(out, name)
		}
	}
	slices.SortFunc(out, func(a, b string) int { return h.order[a] - h.order[b] })
	return slices.Compact(out)
}

// whole is how often all changes of so many pots are told.
func whole(pots int) time.Duration { return frameEvery * time.Duration(max(1, pots/manyPots)) }

// moved tells whether a pressure has gone far, come or gone.
func moved(from, to *float64) bool {
	if from == nil || to == nil {
		return from != to
	}
	return math.Abs(*to-*from) > move
}

// A mark is how far a connection has told of a pot.
type mark struct{ version, urgent uint64 }

// marks are the newest marks of pots.
func (h *Hub) marks(names []string) map[string]mark {
	h.mu.Lock()
	defer h.mu.Unlock()
	out := make(map[string]mark, len(names))
	for _, name := range names {
		if e := h.table[name]; e != nil {
			out[name] = mark{e.version, e.urgent}
		}
	}
	return out
}

// ServeHTTP turns the request into a connection and serves it until it ends.
func (h *Hub) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !SameOrigin(r) {
		h.o.Refuse(w, r, http.StatusForbidden, "a page of another origin may not listen here")
		return
	}
	c := newClient(h)
	h.mu.Lock()
	full := h.closing || len(h.clients) >= h.o.MaxClients
	if !full {
		h.clients[c] = struct{}{}
		h.all.Add(1)
	}
	h.mu.Unlock()
	if full {
		h.o.Refuse(w, r, http.StatusServiceUnavailable, "too many pages are connected; close some, or try again later")
		return
	}
	defer func() {
		h.mu.Lock()
		delete(h.clients, c)
		h.mu.Unlock()
		h.all.Done()
	}()
	conn, err := h.up.Upgrade(w, r, nil)
	if err != nil {
		return // answered by the upgrader's Error
	}
	h.look(time.Now()) // so that no change falls between the first frame and the hub's next look
	why := c.serve(conn)
	h.o.Log.LogAttrs(r.Context(), slog.LevelDebug, "page disconnected", slog.String("remote", r.RemoteAddr), slog.String("reason", why))
}

// SameOrigin tells whether a request comes from a page of this very server, or from no page at all: browsers name the
// page's origin in every WebSocket handshake and every POST, other programs do not.
func SameOrigin(r *http.Request) bool {
	origin := r.Header.Values("Origin")
	if len(origin) == 0 {
		return true
	}
	u, err := url.Parse(origin[0])
	return err == nil && len(origin) == 1 && (u.Scheme == "http" || u.Scheme == "https") && strings.EqualFold(u.Host, r.Host)
}
