package edgenode_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/internal/edgenode"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

const errRefused = syscall.ECONNREFUSED

func now() si.Instant { return si.InstantOf(time.Now()) }

// births are two pots.
func births() ([]sparkplug.Metric, []edgenode.DeviceBirth) {
	vessel := func() []sparkplug.Metric {
		return []sparkplug.Metric{sparkplug.OfSample(points.Sample{Point: points.Vessel}, false), sparkplug.Str(points.MetricGuardState, now(), "not-proven")}
	}
	return []sparkplug.Metric{sparkplug.Uint(points.MetricClockEpoch, now(), 7), sparkplug.Uint(points.MetricEcho, now(), 0), sparkplug.Uint(points.MetricClockEcho, now(), 0)},
		[]edgenode.DeviceBirth{{Device: "alder", Metrics: vessel()}, {Device: "birch", Metrics: vessel()}}
}

// A lines collects log lines.
type lines struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lines) count(s string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.b.String(), s)
}

// rig is a node that runs against a broker, and an observer, in a bubble.
type rig struct {
	*broker
	*observer
	node *edgenode.Node
	stop func()
	log  *lines
}

func start(t *testing.T, dir string, change func(*edgenode.Options)) *rig {
	t.Helper()
	r := &rig{broker: newBroker(t, &userHook{}), log: &lines{}}
	r.observer = observe(t, r.broker)
	o := edgenode.Options{Broker: "mqtt://127.0.0.1", ClientID: "gritwatch-agent-harrow-quay-quay-1", Group: "harrow-quay", Node: "quay-1",
		Dir: dir, Now: now, Births: births, Dial: r.dial, Log: slog.New(slog.NewTextHandler(r.log, nil))}
	if change != nil {
		change(&o)
	}
	node, err := edgenode.New(o)
	if err != nil {
		t.Fatal(err)
	}
	r.node = node
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- node.Run(ctx) }()
	r.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return r
}

// end stops everything, so that the bubble is empty.
func (r *rig) end() {
	r.stop()
	r.observer.close()
	r.server.Close()
}

func pressure(v float32) []sparkplug.Metric {
	return []sparkplug.Metric{sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: points.Good, At: now(), Value: si.GaugePressure(v)}, false)}
}

func TestLifeOfASession(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, t.TempDir(), nil)
		defer r.end()
		got := r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		for _, h := range got {
			if h.qos != 0 || h.retain || h.message.At == 0 {
				t.Errorf("%s: qos %d, retain %v, time %v", h, h.qos, h.retain, h.message.At)
			}
			for _, m := range h.message.Metrics {
				if m.Type == sparkplug.Unknown || m.At == 0 {
					t.Errorf("%s: birth metric %+v without type or time", h, m)
				}
			}
		}
		rebirth := got[0].message.Find(points.MetricRebirth)
		if v, ok := rebirth.Value.Bool(); !ok || v || rebirth.Type != sparkplug.Boolean {
			t.Errorf("rebirth metric %+v", rebirth)
		}
		if bd := got[0].message.Find(points.MetricBdSeq); bd.Type != sparkplug.Int64 {
			t.Errorf("bdSeq has type %d", bd.Type)
		}
		if m := got[1].message.Find("Pressure/Vessel"); !m.Null || m.Unit != "Pa" || m.Quality != points.NoReply {
			t.Errorf("silent point born as %+v", m)
		}
		for i := range 300 {
			device := []string{"alder", "birch"}[i%2]
			if err := r.node.PublishDevice(device, pressure(float32(i))); err != nil {
				t.Fatal(err)
			}
			h := r.expect(fmt.Sprintf("DDATA %s %d", device, (i+3)%256))[0]
			if s, ok := h.message.Metrics[0].Sample(); !ok || s.Value != si.GaugePressure(i) {
				t.Fatalf("%s: %+v", h, h.message.Metrics)
			}
		}
		if err := r.node.PublishDevice("cedar", pressure(1)); !errors.Is(err, edgenode.ErrNotBorn) {
			t.Errorf("data of a pot unknown: %v", err)
		}
		r.stop()
		h := r.expect("NDEATH bd0")[0]
		if h.qos != 1 || h.retain || h.message.HasSeq || len(h.message.Metrics) != 1 {
			t.Errorf("death: %+v", h)
		}
		synctest.Wait()
		time.Sleep(time.Minute)
		r.silent()
		if n := r.users.willsSent(); n != 0 {
			t.Errorf("%d wills after a graceful end", n)
		}
		for _, pk := range r.users.connects {
			c := pk.Connect
			will, err := sparkplug.Decode(c.WillPayload)
			if bd, ok := will.BdSeq(); err != nil || !ok || bd != 0 || will.HasSeq || len(will.Metrics) != 1 || will.Metrics[0].Type != sparkplug.Int64 {
				t.Errorf("will %+v, %v", will, err)
			}
			if !c.Clean || !c.WillFlag || c.WillQos != 1 || c.WillRetain || c.WillTopic != "spBv1.0/harrow-quay/NDEATH/quay-1" ||
				pk.ProtocolVersion != 4 || c.ClientIdentifier != "gritwatch-agent-harrow-quay-quay-1" {
				t.Errorf("connects with %+v, version %d", c, pk.ProtocolVersion)
			}
		}
		if n := len(r.users.connects); n != 1 {
			t.Errorf("%d connections", n)
		}
		if err := r.node.PublishNode(pressure(1)); !errors.Is(err, edgenode.ErrOffline) {
			t.Errorf("publishing after the end: %v", err)
		}
	})
}

func TestRebirthAndCommands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var r *rig
		r = start(t, "", func(o *edgenode.Options) {
			o.Command = func(m sparkplug.Message) {
				if e := m.Find(points.MetricEcho); e != nil {
					nonce, _ := e.Value.Uint()
					if err := r.node.PublishNode([]sparkplug.Metric{sparkplug.Uint(points.MetricClockEcho, now(), nonce)}); err != nil {
						t.Error(err)
					}
				}
			}
		})
		defer r.end()
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		if err := r.node.PublishDevice("alder", pressure(1)); err != nil {
			t.Fatal(err)
		}
		r.expect("DDATA alder 3")
		r.command(sparkplug.Bool(points.MetricRebirth, now(), true))
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		r.command(sparkplug.Bool(points.MetricRebirth, now(), false), sparkplug.Uint("what is this", now(), 1))
		r.command(sparkplug.Uint(points.MetricEcho, now(), 4711))
		h := r.expect("NDATA 3")[0]
		if v, _ := h.message.Find(points.MetricClockEcho).Value.Uint(); v != 4711 {
			t.Errorf("echo %d", v)
		}
		// Requests that pile up behind a busy session are answered by the same births.
		r.node.Rebirth()
		r.node.Rebirth()
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		synctest.Wait()
		for len(r.observer.in) > 0 {
			r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		}
		// Garbage and old, retained commands do nothing.
		r.wait(r.client.Publish("spBv1.0/harrow-quay/NCMD/quay-1", 0, false, []byte{}))
		b, _ := sparkplug.EncodeCommand(now(), []sparkplug.Metric{sparkplug.Bool(points.MetricRebirth, now(), true)})
		r.broker.cut()
		r.expect("NDEATH bd0")
		r.wait(r.client.Publish("spBv1.0/harrow-quay/NCMD/quay-1", 0, true, b))
		r.expect("NBIRTH 0 bd1", "DBIRTH alder 1", "DBIRTH birch 2")
		synctest.Wait()
		r.silent()
	})
}

func TestDevicesDieAndReturn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, "", nil)
		defer r.end()
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		check := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		check(r.node.KillDevice("alder"))
		check(r.node.KillDevice("alder"))
		if err := r.node.PublishDevice("alder", pressure(1)); !errors.Is(err, edgenode.ErrNotBorn) {
			t.Errorf("data of a dead pot: %v", err)
		}
		_, again := births()
		check(r.node.BirthDevice("alder", again[0].Metrics))
		check(r.node.PublishDevice("alder", pressure(1)))
		r.expect("DDEATH alder 3", "DBIRTH alder 4", "DDATA alder 5")
		if err := r.node.BirthDevice("cedar", again[1].Metrics); !errors.Is(err, edgenode.ErrNotBorn) {
			t.Errorf("birth of a pot unknown: %v", err)
		}
		// What cannot be encoded takes no number.
		if err := r.node.PublishDevice("alder", []sparkplug.Metric{{Name: "x"}}); err == nil || errors.Is(err, edgenode.ErrOffline) {
			t.Errorf("data without a time: %v", err)
		}
		check(r.node.PublishDevice("birch", pressure(1)))
		r.expect("DDATA birch 6")
	})
}

// A cable pulled: the broker says the death by the will; the node comes back under the next number, all born anew.
func TestCutAndBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "bdseq"), []byte("254\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		r := start(t, dir, nil)
		defer r.end()
		r.expect("NBIRTH 0 bd255", "DBIRTH alder 1", "DBIRTH birch 2")
		r.cut()
		h := r.expect("NDEATH bd255")[0]
		synctest.Wait() // the broker counts a will after it has sent it
		if h.qos != 1 || h.retain || r.users.willsSent() != 1 {
			t.Errorf("will: %+v", h)
		}
		if err := r.node.PublishDevice("alder", pressure(1)); !errors.Is(err, edgenode.ErrOffline) {
			t.Errorf("publishing offline: %v", err)
		}
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		r.cut()
		r.expect("NDEATH bd0", "NBIRTH 0 bd1", "DBIRTH alder 1", "DBIRTH birch 2")
		text, err := os.ReadFile(filepath.Join(dir, "bdseq"))
		if err != nil || string(text) != "1\n" {
			t.Errorf("bdseq holds %q, %v", text, err)
		}
	})
}
