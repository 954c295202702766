package uplink_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/timebase"
	"gritwatch/agent/internal/uplink"
	"gritwatch/internal/edgenode"
	rules "gritwatch/internal/edgenode/session"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// A sent message, as a session would have put it on the wire.
type sent struct {
	after time.Duration // since the start
	kind  string
	pot   string
	ms    []sparkplug.Metric
}

func (s sent) readings() (out []points.Sample) {
	for _, m := range s.ms {
		if r, ok := m.Sample(); ok {
			out = append(out, r)
		}
	}
	return out
}

func (s sent) find(name string) *sparkplug.Metric { return sparkplug.Message{Metrics: s.ms}.Find(name) }

// A session keeps the rules of a real one, told by the real machine: nothing while offline, births before data, no metric
// that was not born.
type session struct {
	mu      sync.Mutex
	u       *uplink.Uplink
	start   time.Time
	online  bool
	machine *rules.Machine
	bdSeq   uint8
	out     []sent
	held    chan struct{} // publishing waits for it
	heldN   chan struct{} // publishing of the node's data does

	unconfirmed int // bytes, as the session says
}

// put keeps what the machine lets out; errors but those of a session that is not there are the uplink's mistakes.
func (s *session) put(kind, pot string, ms []sparkplug.Metric, err error) error {
	if err != nil {
		if !errors.Is(err, edgenode.ErrOffline) && !errors.Is(err, edgenode.ErrNotBorn) {
			panic(err)
		}
		return err
	}
	s.out = append(s.out, sent{time.Since(s.start), kind, pot, ms})
	return nil
}

func (s *session) wait() {
	s.mu.Lock()
	held := s.held
	s.mu.Unlock()
	if held != nil {
		<-held
	}
	s.mu.Lock()
}

func (s *session) PublishNode(ms []sparkplug.Metric) error {
	s.mu.Lock()
	held := s.heldN
	s.mu.Unlock()
	if held != nil {
		<-held
	}
	s.wait()
	defer s.mu.Unlock()
	_, err := s.machine.Data(1, "", ms)
	return s.put("NDATA", "", ms, err)
}

func (s *session) PublishDevice(pot string, ms []sparkplug.Metric) error {
	s.wait()
	defer s.mu.Unlock()
	_, err := s.machine.Data(1, pot, ms)
	return s.put("DDATA", pot, ms, err)
}

func (s *session) BirthDevice(pot string, ms []sparkplug.Metric) error {
	s.wait()
	defer s.mu.Unlock()
	_, err := s.machine.DeviceBirth(1, pot, ms)
	return s.put("DBIRTH", pot, ms, err)
}

func (s *session) KillDevice(pot string) error {
	s.wait()
	defer s.mu.Unlock()
	_, due, err := s.machine.DeviceDeath(1, pot)
	if err == nil && !due {
		return nil
	}
	return s.put("DDEATH", pot, nil, err)
}

func (s *session) Rebirth() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.online {
		return
	}
	node, devices := s.u.Births()
	if _, err := s.machine.Births(1, s.start, node, devices); err != nil {
		panic(err)
	}
	_ = s.put("NBIRTH", "", node, nil)
	for _, d := range devices {
		_ = s.put("DBIRTH", d.Device, d.Metrics, nil)
	}
}

func (s *session) connect() {
	s.mu.Lock()
	s.machine.Connect(1, s.bdSeq)
	s.online = true
	s.bdSeq++
	s.mu.Unlock()
	s.Rebirth()
}

func (s *session) Waiting() int { s.mu.Lock(); defer s.mu.Unlock(); return s.unconfirmed }

// disconnect takes the connection away.
func (s *session) disconnect() {
	s.mu.Lock()
	s.machine.Over()
	s.online = false
	s.mu.Unlock()
	s.u.Offline()
}

// take gives what was sent since the last time, and forgets it.
func (s *session) take() []sent {
	synctest.Wait()
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.out
	s.out = nil
	return out
}

func (s *session) quiet() bool { s.mu.Lock(); defer s.mu.Unlock(); return len(s.out) == 0 }

func kinds(out []sent) string {
	var k []string
	for _, s := range out {
		k = append(k, strings.TrimSpace(s.kind+" "+s.pot))
	}
	return strings.Join(k, ", ")
}

// A rig is an uplink with its surroundings, in a bubble.
type rig struct {
	*uplink.Uplink
	*session
	clock *timebase.Clock
	step  func(time.Duration) // the wall clock
	mu    sync.Mutex
	word  vent.Word
	lost  int
	lines []points.Line
	stop  func()
}

func start(t *testing.T) *rig { return startWith(t, func(*uplink.Options) {}) }

func startWith(t *testing.T, with func(*uplink.Options)) *rig {
	r := &rig{}
	var off time.Duration
	r.clock = timebase.New(timebase.Options{Wall: func() time.Time { return time.Now().Add(off).Round(0) }})
	r.step = func(d time.Duration) { off += d; r.clock.Step() }
	o := uplink.Options{
		Pots: []uplink.Pot{
			{Name: "alder", Points: points.SetOf(points.Vessel, points.Hose, points.Control), Digest: "vent/1:aa"},
			{Name: "birch", Points: points.SetOf(points.Supply, points.Vessel, points.Control), Electric: true, Digest: "vent/1:bb"},
		},
		Clock: r.clock, SessionID: "feed", Simulated: true,
		Word:   func(string) vent.Word { r.mu.Lock(); defer r.mu.Unlock(); return r.word },
		Lines:  func() []points.Line { r.mu.Lock(); defer r.mu.Unlock(); return slices.Clone(r.lines) },
		Events: uplink.Events{Lost: func(_ string, n int) { r.mu.Lock(); defer r.mu.Unlock(); r.lost += n }},
	}
	with(&o)
	r.Uplink = uplink.New(o)
	machine, err := rules.New(rules.Options{Group: "harrow-quay", Node: "quay-1"})
	if err != nil {
		t.Fatal(err)
	}
	r.session = &session{u: r.Uplink, start: time.Now(), machine: machine}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- r.Run(ctx, r.session) }()
	r.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return r
}

func (r *rig) say(w vent.Word) {
	r.mu.Lock()
	r.word = w
	r.mu.Unlock()
	r.Wake()
}

func (r *rig) lostCount() int { r.mu.Lock(); defer r.mu.Unlock(); return r.lost }

// read takes a good reading of now.
func (r *rig) read(pot string, p points.Point, kPa float64) points.Sample {
	s := points.Sample{Point: p, Quality: points.Good, At: r.clock.Now(), Value: si.GaugePressure(kPa * si.KPa)}
	r.Uplink.Sample(pot, s)
	return s
}

// quietly reads both pots every 100 ms, at rest.
func (r *rig) quietly(d time.Duration) (n int) {
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		for _, pot := range []string{"alder", "birch"} {
			r.read(pot, points.Vessel, 0)
			n++
		}
	}
	return n
}
