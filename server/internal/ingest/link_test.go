package ingest_test

import (
	"bytes"
	"context"
	"log/slog"
	"net"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/internal/brokerlink"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/broker"
	"gritwatch/server/internal/feed"
	"gritwatch/server/internal/ingest"
)

// sink keeps what a host hands over.
type sink struct {
	mu     sync.Mutex
	events []feed.Event
	echoes []feed.Echo
	lines  []feed.Lines
}

func (s *sink) Event(e feed.Event)   { s.mu.Lock(); s.events = append(s.events, e); s.mu.Unlock() }
func (s *sink) Echo(e feed.Echo)     { s.mu.Lock(); s.echoes = append(s.echoes, e); s.mu.Unlock() }
func (s *sink) Journal(feed.Journal) {}
func (s *sink) Lines(l feed.Lines)   { s.mu.Lock(); s.lines = append(s.lines, l); s.mu.Unlock() }

func (s *sink) count(k feed.Kind) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for _, e := range s.events {
		if e.Kind == k {
			n++
		}
	}
	return n
}

func (s *sink) echoed() int { s.mu.Lock(); defer s.mu.Unlock(); return len(s.echoes) }

// eventually waits for something that crosses a real socket, where fake time does not reach.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(time.Minute)
	for !ok() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("not within a minute: %s", what)
		}
	}
}

func logger(t *testing.T) *slog.Logger { return slog.New(slog.NewTextHandler(t.Output(), nil)) }

func startBroker(t *testing.T, addr string) *broker.Broker {
	t.Helper()
	var b *broker.Broker
	eventually(t, "broker on "+addr, func() (ok bool) {
		var err error
		b, err = broker.Start(broker.Options{Addr: addr, Log: logger(t)})
		return err == nil
	})
	t.Cleanup(func() { closeBroker(b) })
	return b
}

var closed sync.Map

func closeBroker(b *broker.Broker) {
	if _, done := closed.LoadOrStore(b, true); !done {
		b.Close()
	}
}

// run starts a host; stop ends it and waits.
func run(t *testing.T, addr string, s *sink, log *slog.Logger) (h *ingest.Host, stop func()) {
	h = ingest.New(ingest.Options{Site: "harrow-quay", Link: brokerlink.New(brokerlink.Settings{URL: "mqtt://" + addr}, log), Sink: s, Log: log,
		Pots: []ingest.Pot{{Name: "alder", Agent: "quay-1", Points: points.SetOf(points.Vessel)}}})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- h.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		})
	}
	t.Cleanup(stop)
	return h, stop
}

// An edge is a raw MQTT client that plays an agent.
type edge struct {
	t   *testing.T
	c   mqtt.Client
	seq sparkplug.Counter
}

func connect(t *testing.T, addr, id string) *edge {
	t.Helper()
	at := si.InstantOf(time.Now())
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("mqtt://"+addr).SetClientID(id).SetProtocolVersion(4).SetAutoReconnect(false).
		SetBinaryWill("spBv1.0/harrow-quay/NDEATH/quay-1", sparkplug.EncodeNodeDeath(at, 5), 1, false))
	wait(t, c.Connect())
	t.Cleanup(func() { c.Disconnect(0) })
	return &edge{t: t, c: c}
}

func wait(t *testing.T, token mqtt.Token) {
	t.Helper()
	if !token.WaitTimeout(time.Minute) {
		t.Fatal("no answer from the broker")
	}
	if err := token.Error(); err != nil {
		t.Fatal(err)
	}
}

func (e *edge) put(kind, device string, payload []byte, err error) {
	e.t.Helper()
	if err != nil {
		e.t.Fatal(err)
	}
	topic := "spBv1.0/harrow-quay/" + kind + "/quay-1"
	if device != "" {
		topic += "/" + device
	}
	wait(e.t, e.c.Publish(topic, 0, false, payload))
}

func (e *edge) born() {
	e.t.Helper()
	at := si.InstantOf(time.Now())
	p, err := sparkplug.EncodeBirth(at, e.seq.Birth(), []sparkplug.Metric{sparkplug.BdSeq(at, 5), sparkplug.Bool(points.MetricRebirth, at, false),
		sparkplug.Uint(points.MetricClockEpoch, at, 1), sparkplug.Str(points.MetricSession, at, "s1")})
	e.put("NBIRTH", "", p, err)
	p, err = sparkplug.EncodeBirth(at, e.seq.Next(), []sparkplug.Metric{sparkplug.Str(points.MetricConfig, at, "vent/1:ab")})
	e.put("DBIRTH", "alder", p, err)
}

func (e *edge) data() {
	e.t.Helper()
	at := si.InstantOf(time.Now())
	p, err := sparkplug.EncodeData(at, e.seq.Next(), []sparkplug.Metric{
		sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: 1000}, false)})
	e.put("DDATA", "alder", p, err)
}

// obey answers echoes and asks for births.
func (e *edge) obey() {
	type order struct {
		nonce uint64
		born  bool
	}
	orders := make(chan order, 16)
	done := make(chan struct{})
	wait(e.t, e.c.Subscribe("spBv1.0/harrow-quay/NCMD/quay-1", 1, func(_ mqtt.Client, m mqtt.Message) {
		msg, err := sparkplug.Decode(m.Payload())
		if err != nil || msg.HasSeq {
			e.t.Errorf("command %+v, error %v", msg, err)
			return
		}
		o := order{born: msg.Find(points.MetricRebirth) != nil}
		if q := msg.Find(points.MetricEcho); q != nil {
			o.nonce, _ = q.Value.Uint()
		}
		orders <- o
	}))
	go func() {
		for {
			select {
			case <-done:
				return
			case o := <-orders:
				if o.born {
					e.born()
					continue
				}
				at := si.InstantOf(time.Now())
				p, err := sparkplug.EncodeData(at, e.seq.Next(), []sparkplug.Metric{sparkplug.Uint(points.MetricClockEcho, at, o.nonce),
					sparkplug.Uint(points.MetricClockEchoAt, at, uint64(at))})
				e.put("NDATA", "", p, err)
			}
		}
	}()
	e.t.Cleanup(func() { close(done) })
}

// TestOverABroker: births are asked for, data and echoes come, and the agent's death and the broker's are told.
func TestOverABroker(t *testing.T) {
	b := startBroker(t, "127.0.0.1:0")
	addr := b.Addr()
	e := connect(t, addr, "agent")
	e.obey()
	s := &sink{}
	h, _ := run(t, addr, s, logger(t))
	eventually(t, "birth on request and echo", func() bool { return s.count(feed.Birth) == 1 && s.echoed() == 1 })
	e.data()
	eventually(t, "data", func() bool { return s.count(feed.Data) == 1 })
	s.mu.Lock()
	if q := s.echoes[0]; q.Received.Before(q.Sent) || time.Since(q.Sent) > time.Minute {
		t.Errorf("echo %+v", q)
	}
	s.mu.Unlock()
	if !h.Ready() {
		t.Error("not ready")
	}

	// The broker goes and comes back.
	closeBroker(b)
	eventually(t, "death with the link", func() bool { return s.count(feed.Death) > 0 })
	eventually(t, "not ready", func() bool { return !h.Ready() })
	startBroker(t, addr)
	eventually(t, "linked again", h.Ready)
	again := connect(t, addr, "agent")
	n := s.count(feed.Birth)
	again.born()
	eventually(t, "birth after the link came back", func() bool { return s.count(feed.Birth) > n })
}

// TestUnplugged: the will of an agent whose connection breaks is its death.
func TestUnplugged(t *testing.T) {
	b := startBroker(t, "127.0.0.1:0")
	s := &sink{}
	h, _ := run(t, b.Addr(), s, logger(t))
	eventually(t, "linked", h.Ready)
	e := connect(t, b.Addr(), "agent")
	e.born()
	eventually(t, "birth", func() bool { return s.count(feed.Birth) == 1 })
	n := s.count(feed.Death)
	// Another connection with the same client id: the broker ends the first, as if its wire were cut.
	connect(t, b.Addr(), "agent")
	eventually(t, "death", func() bool { return s.count(feed.Death) > n })
}

// states follows the host's STATE topic.
func states(t *testing.T, addr, id string) func() (sparkplug.State, int) {
	t.Helper()
	var mu sync.Mutex
	var last sparkplug.State
	n := 0
	e := connect(t, addr, id)
	wait(t, e.c.Subscribe("spBv1.0/STATE/gritwatch", 1, func(_ mqtt.Client, m mqtt.Message) {
		st, err := sparkplug.DecodeState(m.Payload())
		if err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		last, n = st, n+1
	}))
	return func() (sparkplug.State, int) { mu.Lock(); defer mu.Unlock(); return last, n }
}

func TestState(t *testing.T) {
	b := startBroker(t, "127.0.0.1:0")
	addr := b.Addr()
	h, stop := run(t, addr, &sink{}, logger(t))
	eventually(t, "linked", h.Ready)
	look := states(t, addr, "watcher") // only now: the message must be retained
	eventually(t, "online", func() bool { s, _ := look(); return s.Online })
	first, _ := look()
	if d := time.Since(first.At.Time()); d < -time.Second || d > time.Minute {
		t.Errorf("timestamp %v off the time", d)
	}
	e := connect(t, addr, "meddler")
	say := func(s sparkplug.State) { wait(t, e.c.Publish("spBv1.0/STATE/gritwatch", 1, true, s.Encode())) }
	// A late will of an older connection: online is said again, with this connection's timestamp.
	_, n := look()
	say(sparkplug.State{At: first.At - 5000})
	eventually(t, "said again", func() bool { _, k := look(); return k >= n+2 })
	// The broker may bring the two to one watcher in either order; what it retains counts.
	retained := states(t, addr, "retained")
	eventually(t, "online again", func() bool { s, _ := retained(); return s == first })
	// A later offline: only a new connection can say something later.
	later := first.At.Add(time.Second)
	say(sparkplug.State{At: later})
	eventually(t, "online later", func() bool { s, _ := look(); return s.Online && s.At > later })
	eventually(t, "linked again", h.Ready)
	second, _ := look()
	stop()
	eventually(t, "offline at the stop", func() bool { s, _ := look(); return !s.Online && s.At > second.At })
}

func TestNoBroker(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	var out syncBuffer
	_, stop := run(t, addr, &sink{}, slog.New(slog.NewTextHandler(&out, nil)))
	want := "broker mqtt://" + addr + " refuses the connection: is it running?"
	eventually(t, want, func() bool { return strings.Contains(out.String(), want) })
	startBroker(t, addr)
	eventually(t, "linked once the broker is there", func() bool { return strings.Contains(out.String(), "linked to the broker") })
	stop()
	if n := strings.Count(out.String(), "no link to the broker"); n != 1 {
		t.Errorf("said %d times:\n%s", n, out.String())
	}
}

type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *syncBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}
func (b *syncBuffer) String() string { b.mu.Lock(); defer b.mu.Unlock(); return b.b.String() }

func TestNothingLeftRunning(t *testing.T) {
	b := startBroker(t, "127.0.0.1:0")
	before := runtime.NumGoroutine()
	s := &sink{}
	h, stop := run(t, b.Addr(), s, logger(t))
	eventually(t, "linked", h.Ready)
	stop()
	eventually(t, "all goroutines ended", func() bool { return runtime.NumGoroutine() <= before })
}

// A slow sink takes nothing until it may.
type slowSink struct {
	sink
	may chan struct{}
}

func (s *slowSink) Event(e feed.Event) { <-s.may; s.sink.Event(e) }

// TestHeardInside: with the broker in the program, what comes while the host cannot take it waits, more than the queue holds, and
// none of it is lost; deaths come, and the host says online and offline as over a connection.
func TestHeardInside(t *testing.T) {
	b := startBroker(t, "127.0.0.1:0")
	look := states(t, b.Addr(), "watcher")
	s := &slowSink{may: make(chan struct{})}
	var bad, gaps atomic.Int64
	h := ingest.New(ingest.Options{Site: "harrow-quay", Link: brokerlink.New(brokerlink.Settings{URL: "mqtt://" + b.Addr()}, logger(t)), Sink: s, Log: logger(t),
		Dial: b.Dial, Hear: b.Hear, Pots: []ingest.Pot{{Name: "alder", Agent: "quay-1", Points: points.SetOf(points.Vessel)}},
		Events: ingest.Events{Bad: func(string, string) { bad.Add(1) }, Gap: func(string) { gaps.Add(1) }}})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- h.Run(ctx) }()
	eventually(t, "linked", h.Ready)
	eventually(t, "online", func() bool { st, _ := look(); return st.Online })
	e := connect(t, b.Addr(), "agent")
	e.born()
	const most = 6000
	for range most {
		e.data()
	}
	close(s.may)
	eventually(t, "all data", func() bool { return s.count(feed.Data) == most })
	if bad.Load() != 0 || gaps.Load() != 0 {
		t.Errorf("%d messages refused, %d gaps", bad.Load(), gaps.Load())
	}
	n := s.count(feed.Death)
	connect(t, b.Addr(), "agent") // ends the other
	eventually(t, "death", func() bool { return s.count(feed.Death) > n })
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
	eventually(t, "offline", func() bool { st, _ := look(); return !st.Online })
}
