package uplink_test

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"slices"
	"sync"
	"syscall"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"golang.org/x/sys/unix"

	"gritwatch/agent/internal/journal"
	"gritwatch/agent/internal/timebase"
	"gritwatch/agent/internal/uplink"
	"gritwatch/internal/edgenode"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// A hearer is a broker's hook that lets everybody in and hears what is published.
type hearer struct {
	mochi.HookBase
	take func(topic sparkplug.Topic, m sparkplug.Message)
}

func (*hearer) ID() string { return "hearer" }
func (*hearer) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck || b == mochi.OnPublished
}
func (*hearer) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }
func (*hearer) OnACLCheck(*mochi.Client, string, bool) bool              { return true }
func (h *hearer) OnPublished(_ *mochi.Client, p packets.Packet) {
	topic, err := sparkplug.ParseTopic(p.TopicName)
	if err != nil {
		return
	}
	if m, err := sparkplug.Decode(p.Payload); err == nil {
		h.take(topic, m)
	}
}

// slowly hands on what comes from a TCP connection at so many bytes a second, and what comes back at once.
func slowly(t *testing.T, far string, rate int) (dial func(ctx context.Context) (net.Conn, error)) {
	t.Helper()
	// Little room at the near end, from the first byte: what the system there confirms has not gone anywhere yet.
	small := net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) error {
		var set error
		return errors.Join(c.Control(func(fd uintptr) { set = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF, 2048) }), set)
	}}
	l, err := small.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	t.Cleanup(func() { l.Close(); wg.Wait() })
	wg.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			to, err := net.Dial("tcp", far)
			if err != nil {
				near.Close()
				continue
			}
			wg.Go(func() { _, _ = io.Copy(near, to); near.Close() })
			wg.Go(func() {
				defer to.Close()
				const beat = 20 * time.Millisecond
				tick := time.NewTicker(beat)
				defer tick.Stop()
				b := make([]byte, rate*int(beat)/int(time.Second))
				for range tick.C {
					n, err := near.Read(b)
					if _, werr := to.Write(b[:n]); err != nil || werr != nil {
						return
					}
				}
			})
		}
	})
	return func(ctx context.Context) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "tcp", l.Addr().String())
	}
}

// On a real connection of 32 KB/s with a backlog of half an hour, live readings arrive nearly as fast as without.
func TestSlowLink(t *testing.T) {
	const rate = 32_000
	j, err := journal.Open(journal.Options{Folder: journal.Dir(t.TempDir())})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	defer func() { cancel(); wg.Wait(); _ = j.Close() }()
	wg.Go(func() { _ = j.Run(ctx) })
	clock := timebase.New(timebase.Options{})
	at := clock.Now() - 4e9
	for range 600 {
		var b []points.Sample
		for range 60 {
			b = append(b, points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: 100})
			at += 50_000
		}
		if _, ok := j.Append("alder", clock.Epoch(), b); !ok {
			if err := j.Sync(ctx); err != nil {
				t.Fatal(err)
			}
			if _, ok := j.Append("alder", clock.Epoch(), b); !ok {
				t.Fatal("refused")
			}
		}
	}

	var mu sync.Mutex
	var ages []time.Duration
	asked, history := false, 0
	var node *edgenode.Node
	var up *uplink.Uplink
	full := make(chan struct{})
	var names sparkplug.Aliases
	h := &hearer{take: func(topic sparkplug.Topic, m sparkplug.Message) {
		mu.Lock()
		defer mu.Unlock()
		if topic.Kind == sparkplug.DeviceBirth {
			_ = names.Born(m.Metrics)
		}
		if topic.Kind != sparkplug.DeviceData || names.Resolve(m.Metrics) != nil {
			return
		}
		for _, x := range m.Metrics {
			s, ok := x.Sample()
			if !ok {
				continue
			}
			if x.Historical {
				history++
			} else if asked && history > 0 {
				ages = append(ages, clock.Now().Sub(s.At))
			}
		}
		if len(ages) >= 100 {
			select {
			case <-full:
			default:
				close(full)
			}
		}
	}}
	broker := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	l := listeners.NewTCP(listeners.Config{ID: "tcp", Address: "127.0.0.1:0"})
	if err := errors.Join(broker.AddHook(h, nil), broker.AddListener(l), broker.Serve()); err != nil {
		t.Fatal(err)
	}
	defer broker.Close()

	up = uplink.New(uplink.Options{Pots: []uplink.Pot{{Name: "alder", Points: points.SetOf(points.Vessel)}}, Clock: clock,
		Word: func(string) vent.Word { return vent.NotProven }, Journal: j, Flush: 100 * time.Millisecond})
	online := make(chan struct{})
	node, err = edgenode.New(edgenode.Options{Broker: "mqtt://" + l.Address(), ClientID: "agent", Group: "harrow-quay", Node: "quay-1", Now: clock.Now,
		Births: up.Births, Dial: slowly(t, l.Address(), rate), Events: edgenode.Events{Online: sync.OnceFunc(func() { close(online) }), Offline: func(error) { up.Offline() }}})
	if err != nil {
		t.Fatal(err)
	}
	wg.Go(func() { _ = node.Run(ctx) })
	wg.Go(func() { _ = up.Run(ctx, node) })
	wg.Go(func() {
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				up.Sample("alder", points.Sample{Point: points.Vessel, Quality: points.Good, At: clock.Now(), Value: si.GaugePressure(100)})
			}
		}
	})
	wait := func(c <-chan struct{}, what string) {
		t.Helper()
		select {
		case <-c:
		case <-time.After(2 * time.Minute):
			t.Fatalf("no %s", what)
		}
	}
	wait(online, "session")
	mu.Lock()
	asked = true
	mu.Unlock()
	began := time.Now()
	up.Command(node, sparkplug.Message{Metrics: []sparkplug.Metric{sparkplug.Str(points.MetricReplayID, 1, j.Status().ID),
		sparkplug.Uint(points.MetricReplayFrom, 1, 0), sparkplug.Uint(points.MetricReplayTo, 1, 36_000)}})
	wait(full, "live readings")
	mu.Lock()
	defer mu.Unlock()
	slices.Sort(ages)
	perSecond := float64(history) / time.Since(began).Seconds()
	p50, p95, last := ages[len(ages)/2], ages[len(ages)*95/100], ages[len(ages)-1]
	t.Logf("%d B/s: live readings arrive after %v (median), %v (p95), %v (last); beside them %.0f of the journal a second", rate, p50, p95, last, perSecond)
	// All at once the backlog would hold them up for most of a minute; a busy machine may hand on far slower.
	if last > 10*time.Second || perSecond < 50 {
		t.Errorf("up to %v, %.0f a second", last, perSecond)
	}
}
