package live_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	msg "gritwatch/protocol/live"
	"gritwatch/server/internal/live"
)

// pots is a source whose pots the test sets.
type pots struct {
	mu    sync.Mutex
	names []string
	now   map[string]msg.Pot
	news  map[string]uint64
	asked map[string]int // for estimates
	vents map[string]int // how often they were asked for
}

func (p *pots) Names() []string { return p.names }

func (p *pots) News(name string) uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.news[name]
}

func (p *pots) Estimate(name string, _ time.Time) (msg.Pot, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked[name]++
	pot, ok := p.now[name]
	return pot, ok
}

func (p *pots) Vent(name string) *msg.RunningVent {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.vents[name]++
	return &msg.RunningVent{Released: "2026-05-04T06:07:08.009Z", Trace: msg.VentTrace{TS: []float64{0}, PPa: []float64{690e3}}}
}

// vessel sets a pot's vessel pressure, Pa, with nothing else about it changed.
func (p *pots) vessel(name string, pa *float64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	pot := p.now[name]
	pot.PressurePa.Vessel = pa
	p.now[name] = pot
	p.news[name]++
}

// enter sets a pot's state.
func (p *pots) enter(name, state string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	pot := p.now[name]
	pot.State = state
	p.now[name] = pot
	p.news[name]++
}

func (p *pots) set(name, word, t string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.now[name] = msg.Pot{Name: name, T: t, State: "at-rest", Answer: msg.Answer{Word: word, Because: []string{}}, Doubt: &msg.Doubt{}}
	p.news[name]++
}

// pipes is a listener over net.Pipe, whose deadlines follow the bubble's time.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
}

func (l *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.done:
		return nil, net.ErrClosed
	}
}
func (l *pipes) Close() error   { return nil }
func (l *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8080} }

type stand struct {
	t      *testing.T
	pots   *pots
	hub    *live.Hub
	listen *pipes
	stop   func()
}

// in runs a test in a bubble with a hub over pots alder and birch.
func in(t *testing.T, o live.Options, f func(s *stand)) {
	inSite(t, []string{"alder", "birch"}, o, f)
}

func inSite(t *testing.T, names []string, o live.Options, f func(s *stand)) {
	synctest.Test(t, func(t *testing.T) {
		p := &pots{names: names, now: map[string]msg.Pot{}, news: map[string]uint64{}, asked: map[string]int{}, vents: map[string]int{}}
		for _, name := range names {
			p.set(name, "not-proven", "1")
		}
		o.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
		o.Refuse = func(w http.ResponseWriter, _ *http.Request, status int, detail string) { http.Error(w, detail, status) }
		s := &stand{t: t, pots: p, hub: live.New(p, o), listen: &pipes{make(chan net.Conn), make(chan struct{})}}
		ctx, cancel := context.WithCancel(t.Context())
		var all sync.WaitGroup
		server := &http.Server{Handler: s.hub}
		all.Go(func() {
			if err := s.hub.Run(ctx); err != nil {
				t.Error(err)
			}
		})
		all.Go(func() {
			if err := server.Serve(s.listen); !errors.Is(err, net.ErrClosed) {
				t.Error(err)
			}
		})
		s.stop = sync.OnceFunc(func() {
			cancel()
			close(s.listen.done)
			all.Wait()
			server.Close()
		})
		defer s.stop()
		f(s)
	})
}

func (s *stand) dial(header http.Header) (*websocket.Conn, *http.Response, error) {
	d := websocket.Dialer{NetDialContext: func(context.Context, string, string) (net.Conn, error) {
		a, b := net.Pipe()
		s.listen.conns <- b
		return a, nil
	}}
	return d.Dial("ws://127.0.0.1:8080/api/v1/live", header)
}

// A page reads frames as they come and acknowledges when told.
type page struct {
	t      *testing.T
	conn   *websocket.Conn
	mu     sync.Mutex
	frames []msg.Frame
	at     []time.Time
	told   []msg.Outcome
	err    error
}

func (s *stand) page() *page {
	s.t.Helper()
	conn, _, err := s.dial(http.Header{"Origin": {"http://127.0.0.1:8080"}})
	if err != nil {
		s.t.Fatal(err)
	}
	p := &page{t: s.t, conn: conn}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			_, text, err := conn.ReadMessage()
			var f msg.Frame
			var o msg.Outcome
			if err == nil {
				err = errors.Join(json.Unmarshal(text, &f), json.Unmarshal(text, &o))
			}
			p.mu.Lock()
			switch {
			case err != nil:
				p.err = err
				p.mu.Unlock()
				return
			case slices.Contains(msg.OutcomeTypes(), o.Type):
				p.told = append(p.told, o)
			default:
				p.frames, p.at = append(p.frames, f), append(p.at, time.Now())
			}
			p.mu.Unlock()
		}
	}()
	s.t.Cleanup(func() { conn.Close(); <-done })
	synctest.Wait()
	return p
}

func (p *page) say(r msg.Request) {
	p.t.Helper()
	if err := p.conn.WriteJSON(r); err != nil {
		p.t.Fatal(err)
	}
	synctest.Wait()
}

// all are the frames so far.
func (p *page) all() []msg.Frame {
	synctest.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.frames
}

func (p *page) last() (msg.Frame, time.Time) {
	f := p.all()
	if len(f) == 0 {
		p.t.Fatal("no frame came")
	}
	return f[len(f)-1], p.at[len(f)-1]
}

func (p *page) ended() error {
	synctest.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

func TestSnapshotThenChanges(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p := s.page()
		f, _ := p.last()
		if f.Type != "snapshot" || f.Seq != 1 || len(f.Pots) != 2 || f.ServerT == "" {
			t.Fatalf("first frame %+v", f)
		}
		// One frame in flight: nothing more until the acknowledgement, however much happens; then the newest.
		for _, at := range []string{"2", "3", "4"} {
			s.pots.set("alder", "pressurised", at)
			time.Sleep(time.Second)
		}
		if n := len(p.all()); n != 1 {
			t.Fatalf("%d frames without an acknowledgement", n)
		}
		p.say(msg.Request{Ack: 1})
		f, _ = p.last()
		if f.Type != "change" || f.Seq != 2 || len(f.Pots) != 1 || f.Pots[0].Name != "alder" || f.Pots[0].T != "4" {
			t.Fatalf("second frame %+v", f)
		}
	})
}

// TestChangeAtOnce: a change right after the snapshot is told, though the hub has not looked since.
func TestChangeAtOnce(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p := s.page()
		s.pots.set("birch", "pressurised", "2")
		p.say(msg.Request{Ack: 1})
		time.Sleep(60 * time.Millisecond)
		if f, _ := p.last(); len(f.Pots) != 1 || f.Pots[0].Answer.Word != "pressurised" {
			t.Errorf("frame %+v", f)
		}
	})
}

func TestPace(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p := s.page()
		p.say(msg.Request{Ack: 1})
		time.Sleep(300 * time.Millisecond)
		ack := func() { f, _ := p.last(); p.say(msg.Request{Ack: f.Seq}) }
		ack()
		// New readings: at most a frame each 250 ms.
		n := len(p.all())
		start := time.Now()
		for i := range 40 {
			s.pots.set("alder", "not-proven", string(rune('a'+i)))
			time.Sleep(50 * time.Millisecond)
			ack()
		}
		if got := len(p.all()) - n; got < 6 || got > 8 {
			t.Errorf("%d frames in %v, want about 8", got, time.Since(start))
		}
		// A new word: within 50 ms, even right after a frame.
		for range 20 {
			_, before := p.last()
			for time.Since(before) < 20*time.Millisecond {
				time.Sleep(10 * time.Millisecond)
			}
			was := time.Now()
			word := "pressurised"
			if f, _ := s.pots.Estimate("alder", was); f.Answer.Word == word {
				word = "not-proven"
			}
			s.pots.set("alder", word, "x")
			time.Sleep(55 * time.Millisecond)
			f, at := p.last()
			if len(f.Pots) != 1 || f.Pots[0].Answer.Word != word || at.Sub(was) > 50*time.Millisecond {
				t.Fatalf("frame %+v, %v after the change", f, at.Sub(was))
			}
			ack()
		}
		// Nothing happens: a frame without pots each second.
		time.Sleep(500 * time.Millisecond)
		ack()
		n = len(p.all())
		for range 100 {
			time.Sleep(100 * time.Millisecond)
			ack()
		}
		if got := len(p.all()) - n; got < 8 || got > 11 {
			t.Errorf("%d frames in 10 s of nothing, want about 10", got)
		}
		if f, _ := p.last(); len(f.Pots) != 0 || f.Type != "change" {
			t.Errorf("frame %+v", f)
		}
	})
}

// TestMove: a vessel that moves by over 3.5 kPa is told within 50 ms, alone; one that creeps waits for the frame with all,
// and so does whatever else has changed meanwhile, which is not forgotten over it.
func TestMove(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p := s.page()
		ack := func() { f, _ := p.last(); p.say(msg.Request{Ack: f.Seq}) }
		pa := 100e3
		set := func(v float64) { pa = v; s.pots.vessel("alder", &v) }
		set(pa)
		ack()
		time.Sleep(300 * time.Millisecond)
		ack()
		if f, _ := p.last(); len(f.Pots) != 1 || f.Pots[0].PressurePa.Vessel == nil {
			t.Fatalf("frame %+v", f)
		}
		// The frame with all was just sent: the next is due in 250 ms.
		s.pots.set("birch", "not-proven", "2")
		time.Sleep(50 * time.Millisecond)
		ack()
		f, start := p.last()
		if len(f.Pots) != 1 || f.Pots[0].Name != "birch" {
			t.Fatalf("frame %+v", f)
		}
		s.pots.set("birch", "not-proven", "3")
		frames, other := 0, time.Duration(0)
		for range 20 {
			set(pa + 4e3)
			was := time.Now()
			time.Sleep(50 * time.Millisecond)
			f, at := p.last()
			if at.Before(was) || len(f.Pots) == 0 || f.Pots[0].Name != "alder" || *f.Pots[0].PressurePa.Vessel != pa {
				t.Fatalf("frame of %v: %+v, want alder's %v Pa", at.Sub(was), f, pa)
			}
			frames++
			if len(f.Pots) == 2 && other == 0 {
				other = at.Sub(start)
			}
			ack()
		}
		if other < 250*time.Millisecond || other > 300*time.Millisecond {
			t.Errorf("birch was told after %v of %d frames about alder", other, frames)
		}
		// Creep: 1 kPa each 50 ms is 20 kPa/s; a step of over 3.5 kPa comes each 200 ms.
		n := len(p.all())
		for range 40 {
			set(pa + 1e3)
			time.Sleep(50 * time.Millisecond)
			ack()
		}
		if got := len(p.all()) - n; got < 8 || got > 20 {
			t.Errorf("%d frames in 2 s of creep, want about 10 of moves and some with all", got)
		}
		// A pressure that goes is told at once too: nobody may look at one that is no longer known.
		time.Sleep(300 * time.Millisecond)
		ack()
		s.pots.set("birch", "not-proven", "3")
		time.Sleep(60 * time.Millisecond)
		ack()
		s.pots.vessel("alder", nil)
		was := time.Now()
		time.Sleep(50 * time.Millisecond)
		if f, at := p.last(); at.Before(was) || len(f.Pots) != 1 || f.Pots[0].Name != "alder" || f.Pots[0].PressurePa.Vessel != nil {
			t.Errorf("frame %+v, %v after the pressure went", f, at.Sub(was))
		}
	})
}

func TestSubscribe(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p := s.page()
		p.say(msg.Request{Ack: 1, Subscribe: []string{"birch", "nowhere"}})
		time.Sleep(60 * time.Millisecond)
		f, _ := p.last()
		if f.Type != "snapshot" || len(f.Pots) != 1 || f.Pots[0].Name != "birch" {
			t.Fatalf("frame %+v", f)
		}
		p.say(msg.Request{Ack: f.Seq})
		s.pots.set("alder", "pressurised", "2")
		time.Sleep(400 * time.Millisecond)
		if f, _ := p.last(); len(f.Pots) > 0 && f.Type == "change" {
			t.Errorf("a pot that is not subscribed: %+v", f)
		}
	})
}

func TestSlowPageIsDropped(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p := s.page()
		time.Sleep(9 * time.Second)
		if err := p.ended(); err != nil {
			t.Fatalf("dropped after 9 s: %v", err)
		}
		time.Sleep(2 * time.Second)
		if p.ended() == nil || s.hub.Clients() != 0 {
			t.Errorf("error %v, %d connections after 11 s without an acknowledgement", p.ended(), s.hub.Clients())
		}
	})
}

// TestBadRequests: each ends the connection.
func TestBadRequests(t *testing.T) {
	for name, text := range map[string]string{"frame never sent": `{"ack":9}`, "too long": `{"subscribe":["` + string(make([]byte, 70_000)) + `"]}`} {
		t.Run(name, func(t *testing.T) {
			in(t, live.Options{}, func(s *stand) {
				p := s.page()
				// The other side may have closed before all is written.
				_ = p.conn.WriteMessage(websocket.TextMessage, []byte(text))
				time.Sleep(100 * time.Millisecond)
				if p.ended() == nil || s.hub.Clients() != 0 {
					t.Errorf("error %v, %d connections", p.ended(), s.hub.Clients())
				}
			})
		})
	}
}

func TestOrigin(t *testing.T) {
	for origin, want := range map[string]int{
		"http://127.0.0.1:8080":      101,
		"":                           101, // no browser
		"http://127.0.0.1:9090":      403,
		"http://evil.example":        403,
		"null":                       403,
		"file://127.0.0.1:8080":      403,
		"http://127.0.0.1:8080.evil": 403,
	} {
		in(t, live.Options{}, func(s *stand) {
			h := http.Header{}
			if origin != "" {
				h.Set("Origin", origin)
			}
			conn, res, err := s.dial(h)
			if err == nil {
				conn.Close()
			}
			if res == nil || res.StatusCode != want {
				t.Errorf("origin %q: %v, error %v, want %d", origin, res, err, want)
			}
		})
	}
}

func TestManyClients(t *testing.T) {
	in(t, live.Options{MaxClients: 2}, func(s *stand) {
		first := s.page()
		s.page()
		if _, res, err := s.dial(nil); err == nil || res == nil || res.StatusCode != http.StatusServiceUnavailable {
			t.Fatalf("third page: %v, error %v", res, err)
		}
		first.conn.Close()
		time.Sleep(100 * time.Millisecond)
		s.page()
	})
}

// TestStop: every connection ends with the hub; the bubble fails if a goroutine is left.
func TestStop(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p, q := s.page(), s.page()
		s.stop()
		if p.ended() == nil || q.ended() == nil || s.hub.Clients() != 0 {
			t.Errorf("errors %v, %v", p.ended(), q.ended())
		}
	})
}

// TestFaults: what keeps the server from its work stands whole in each frame while it lasts, and in none after.
func TestFaults(t *testing.T) {
	var faults atomic.Pointer[[]string]
	faults.Store(new([]string))
	in(t, live.Options{Faults: func() []string { return *faults.Load() }}, func(s *stand) {
		p := s.page()
		for i, want := range [][]string{nil, {"the disk is full"}, {"the disk is full", "two"}, nil} {
			faults.Store(&want)
			if i > 0 {
				f, _ := p.last()
				p.say(msg.Request{Ack: f.Seq})
				time.Sleep(1100 * time.Millisecond) // a frame goes out though no pot has changed
			}
			if f, _ := p.last(); !slices.Equal(f.Faults, want) || f.Seq != uint64(i+1) {
				t.Errorf("frame %d: faults %q, want %q", f.Seq, f.Faults, want)
			}
		}
	})
}

// estimates counts how often the hub looked at pots meanwhile.
func (p *pots) estimates(f func()) map[string]int {
	p.mu.Lock()
	clear(p.asked)
	p.mu.Unlock()
	f()
	synctest.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	return maps.Clone(p.asked)
}

// TestLooksAtWhatIsShown: pots that no page shows cost nothing.
func TestLooksAtWhatIsShown(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p, q := s.page(), s.page()
		p.say(msg.Request{Subscribe: []string{"birch", "birch", "nowhere"}, Ack: 1})
		q.say(msg.Request{Subscribe: []string{"birch"}, Ack: 1})
		got := s.pots.estimates(func() { time.Sleep(time.Second) })
		if got["alder"] != 0 || got["birch"] < 15 || got["birch"] > 25 {
			t.Errorf("in a second looked %v", got)
		}
		if f, _ := p.last(); f.Type != "snapshot" || len(f.Pots) != 1 || f.Pots[0].Name != "birch" {
			t.Errorf("frame %+v", f)
		}
	})
}

// TestLargeSite: of thousands of pots those are looked at for which something has come, and of the others a part at a time; what
// time alone changes is told all the same, and all changes less often than on a small site, a move at once.
func TestLargeSite(t *testing.T) {
	const n = 4000
	var names []string
	for i := range n {
		names = append(names, fmt.Sprint("pot-", i))
	}
	inSite(t, names, live.Options{}, func(s *stand) {
		p := s.page()
		p.say(msg.Request{Ack: 1})
		time.Sleep(2 * time.Second)
		p.say(msg.Request{Ack: 2}) // a beat without pots
		all := 0
		for _, k := range s.pots.estimates(func() { time.Sleep(time.Second) }) {
			all += k
		}
		if all < 15_000 || all > 25_000 { // 20 times a quarter of them; 80,000 if all were looked at
			t.Errorf("%d looks in a second at %d pots", all, n)
		}
		acknowledge := func() { // until no frame is in flight
			for acked := uint64(0); ; {
				f, _ := p.last()
				if f.Seq == acked {
					return
				}
				acked = f.Seq
				p.say(msg.Request{Ack: acked})
				time.Sleep(time.Millisecond)
			}
		}
		acknowledge()
		// Time alone: nothing came for the pot.
		s.pots.set("pot-7", "pressurised", "1")
		s.pots.mu.Lock()
		s.pots.news["pot-7"]--
		s.pots.mu.Unlock()
		was := time.Now()
		time.Sleep(250 * time.Millisecond)
		if f, at := p.last(); len(f.Pots) != 1 || f.Pots[0].Answer.Word != "pressurised" || at.Sub(was) > 200*time.Millisecond {
			t.Errorf("after %v: %+v", at.Sub(was), f.Pots)
		}
		acknowledge()
		high := 5e4
		s.pots.vessel("pot-9", &high)
		was = time.Now()
		time.Sleep(60 * time.Millisecond)
		if f, at := p.last(); len(f.Pots) != 1 || f.Pots[0].Name != "pot-9" || at.Sub(was) > 50*time.Millisecond {
			t.Errorf("move after %v: %+v", at.Sub(was), f.Pots)
		}
	})
}

// TestTurns: a site of 200 pots that all change five times a second is told in parts, each pot four times a second; a page that was
// late gets all in one frame, and parts again after it. A word goes out at once, out of its turn.
func TestTurns(t *testing.T) {
	const n = 200
	var names []string
	for i := range n {
		names = append(names, fmt.Sprint("pot-", i))
	}
	inSite(t, names, live.Options{}, func(s *stand) {
		p := s.page()
		p.say(msg.Request{Ack: 1})
		step := 0
		// run lets the site change for so many steps of 50 ms; it returns the frames that came, acknowledged where the page does so.
		run := func(steps int, acknowledges bool) []msg.Frame {
			was := len(p.all())
			for range steps {
				if step++; step%4 == 0 {
					for _, name := range names {
						s.pots.set(name, "not-proven", fmt.Sprint(step))
					}
				}
				time.Sleep(50 * time.Millisecond)
				if f, _ := p.last(); acknowledges {
					p.say(msg.Request{Ack: f.Seq})
				}
			}
			return p.all()[was:]
		}
		parts := func(frames []msg.Frame, seconds int) {
			t.Helper()
			told, most := map[string]int{}, 0
			for _, f := range frames {
				most = max(most, len(f.Pots))
				for _, pot := range f.Pots {
					told[pot.Name]++
				}
			}
			if most > n/5 {
				t.Errorf("a frame of %d pots", most)
			}
			for _, name := range names {
				if told[name] < 4*seconds-1 || told[name] > 4*seconds+1 {
					t.Errorf("%s was told %d times in %d s", name, told[name], seconds)
				}
			}
		}
		run(10, true)
		parts(run(200, true), 10)
		late := run(20, false) // one frame is in flight
		if len(late) > 1 {
			t.Errorf("%d frames without an acknowledgement", len(late))
		}
		f, _ := p.last()
		p.say(msg.Request{Ack: f.Seq})
		time.Sleep(50 * time.Millisecond)
		if f, _ = p.last(); len(f.Pots) < n*4/5 {
			t.Errorf("a page that was late is told of %d pots", len(f.Pots))
		}
		p.say(msg.Request{Ack: f.Seq})
		run(10, true)
		parts(run(200, true), 10)
		for i := range 20 {
			word := []string{"pressurised", "not-proven"}[i%2]
			s.pots.set("pot-77", word, fmt.Sprint("x", i))
			was := time.Now()
			time.Sleep(50 * time.Millisecond)
			f, at := p.last()
			if !slices.ContainsFunc(f.Pots, func(pot msg.Pot) bool { return pot.Name == "pot-77" && pot.Answer.Word == word }) || at.Before(was) {
				t.Errorf("a word is not told in 50 ms: frame of %v, %d pots", at.Sub(was), len(f.Pots))
			}
			p.say(msg.Request{Ack: f.Seq})
		}
	})
}
