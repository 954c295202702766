package edgenode_test

import (
	"log/slog"
	"testing"
	"testing/synctest"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"gritwatch/internal/edgenode"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// state says something on a host's STATE topic, retained, as a host does.
func (o *observer) state(host string, online bool, at si.Instant) {
	o.t.Helper()
	o.wait(o.client.Publish("spBv1.0/STATE/"+host, 1, true, sparkplug.State{Online: online, At: at}.Encode()))
}

// With a primary host nothing is born until it is online; it is born at once then, and its end is the end of the session. The
// will of an older connection of the host changes nothing.
func TestPrimaryHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, t.TempDir(), func(o *edgenode.Options) { o.Primary = "gritwatch" })
		defer r.end()
		time.Sleep(time.Minute)
		r.silent()
		if err := r.node.PublishDevice("alder", pressure(1)); err == nil {
			t.Error("published without births")
		}
		r.node.Rebirth()
		r.command(sparkplug.Bool(points.MetricRebirth, now(), true))
		time.Sleep(time.Minute)
		r.silent()
		if n := r.users.connections(); n != 1 {
			t.Errorf("%d connections while waiting", n)
		}
		online := now()
		r.state("other", true, online)
		r.state("gritwatch", false, online-1000)
		time.Sleep(time.Second)
		r.silent()
		r.state("gritwatch", true, online)
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		if err := r.node.PublishDevice("alder", pressure(1)); err != nil {
			t.Error(err)
		}
		r.expect("DDATA alder 3")
		r.state("gritwatch", false, online-5000)
		r.state("gritwatch", true, online)
		time.Sleep(time.Minute)
		r.silent()

		r.state("gritwatch", false, online)
		h := r.expect("NDEATH bd0")[0]
		if h.qos != 1 || h.retain {
			t.Errorf("death %+v", h)
		}
		if err := r.node.PublishDevice("alder", pressure(1)); err == nil {
			t.Error("published after the host's end")
		}
		time.Sleep(time.Minute)
		r.silent()
		if n := r.users.connections(); n != 2 || r.users.willsSent() != 0 {
			t.Errorf("%d connections, %d wills: the node should leave with its own word, and wait on a new connection", n, r.users.willsSent())
		}
		r.state("gritwatch", true, now())
		r.expect("NBIRTH 0 bd1", "DBIRTH alder 1", "DBIRTH birch 2")
		r.cut() // the retained word begins the next session
		r.expect("NDEATH bd1", "NBIRTH 0 bd2", "DBIRTH alder 1", "DBIRTH birch 2")
	})
}

// Without one, what a host says of itself is nothing to a node: it is born and stays.
func TestNoPrimaryHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, "", func(o *edgenode.Options) { o.Asker = "gritwatch" })
		defer r.end()
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		r.state("gritwatch", true, now())
		time.Sleep(time.Second)
		r.state("gritwatch", false, now())
		time.Sleep(10 * time.Minute)
		r.silent()
		if err := r.node.PublishDevice("alder", pressure(1)); err != nil {
			t.Error(err)
		}
		r.expect("DDATA alder 3")
	})
}

// The broker loses the subscription, as one does that forgets: the node asks for it again, and is asked again.
func TestSubscriptionLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		heard := make(chan struct{}, 1000)
		r := start(t, "", func(o *edgenode.Options) {
			o.Asker = "gritwatch"
			o.Events.Command = func(error) { heard <- struct{}{} }
		})
		defer r.end()
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		r.state("gritwatch", true, now())
		ask := func(d time.Duration) (n int) {
			for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(5 * time.Second) {
				r.command(sparkplug.Uint(points.MetricEcho, now(), 1))
			}
			synctest.Wait()
			for len(heard) > 0 {
				<-heard
				n++
			}
			return n
		}
		if n := ask(10 * time.Minute); n != 120 || r.log.count("asks nothing") != 0 {
			t.Fatalf("%d of 120 heard; log:\n%s", n, r.log.b.String())
		}
		r.server.Topics.Unsubscribe("spBv1.0/harrow-quay/NCMD/quay-1", "gritwatch-agent-harrow-quay-quay-1")
		n := ask(time.Minute)
		if n < 4 || n > 7 { // none until 30 s after the last before it
			t.Errorf("%d of 12 heard after the loss", n)
		}
		if n := ask(10 * time.Minute); n != 120 || r.log.count("asks nothing") != 1 || r.users.connections() != 1 {
			t.Errorf("%d of 120 heard, %d connections; log:\n%s", n, r.users.connections(), r.log.b.String())
		}
		r.silent()
	})
}

// deafHook makes the broker take subscriptions to commands and forget them.
type deafHook struct {
	mochi.HookBase
	server *mochi.Server
}

func (h *deafHook) ID() string           { return "deaf" }
func (h *deafHook) Provides(b byte) bool { return b == mochi.OnSubscribed }
func (h *deafHook) OnSubscribed(cl *mochi.Client, pk packets.Packet, _ []byte) {
	for _, f := range pk.Filters {
		if f.Filter == "spBv1.0/harrow-quay/NCMD/quay-1" {
			h.server.Topics.Unsubscribe(f.Filter, cl.ID)
		}
	}
}

// Where subscribing again does not help, the node says good-bye and connects anew; less and less often, and told once.
func TestSubscriptionLostForGood(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, t.TempDir(), func(o *edgenode.Options) { o.Asker = "gritwatch" })
		defer r.end()
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		if err := r.server.AddHook(&deafHook{server: r.server}, nil); err != nil {
			t.Fatal(err)
		}
		r.server.Topics.Unsubscribe("spBv1.0/harrow-quay/NCMD/quay-1", "gritwatch-agent-harrow-quay-quay-1")
		r.state("gritwatch", true, now())
		began := time.Now()
		time.Sleep(88 * time.Second)
		r.silent()
		time.Sleep(5 * time.Second)
		h := r.expect("NDEATH bd0", "NBIRTH 0 bd1", "DBIRTH alder 1", "DBIRTH birch 2")[0]
		if h.qos != 1 || r.users.willsSent() != 0 {
			t.Errorf("left by the will: %+v", h)
		}
		time.Sleep(time.Hour - time.Since(began))
		if n := r.users.connections(); n != 5 { // after 1.5, 5.5, 13.5 and 29.5 minutes; the next would be after an hour and more
			t.Errorf("%d connections in an hour", n)
		}
		if n := r.log.count("asks nothing"); n != 1 {
			t.Errorf("told %d times:\n%s", n, r.log.b.String())
		}
		if n := r.log.count("level=WARN"); n != 1 {
			t.Errorf("%d warnings:\n%s", n, r.log.b.String())
		}
	})
}

// A broker that lets the node not read the host's STATE takes the watch away, and nothing else.
func TestStateForbidden(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, "", func(o *edgenode.Options) { o.Asker = "gritwatch" })
		defer r.end()
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		r.users.mu.Lock()
		r.users.forbidden = "spBv1.0/STATE/gritwatch"
		r.users.mu.Unlock()
		r.cut()
		r.expect("NDEATH bd0", "NBIRTH 0 bd1", "DBIRTH alder 1", "DBIRTH birch 2")
		if n := r.log.count("will not be noticed"); n != 1 {
			t.Errorf("told %d times:\n%s", n, r.log.b.String())
		}
	})
	synctest.Test(t, func(t *testing.T) {
		failed := make(chan error, 10)
		r := start(t, "", func(o *edgenode.Options) {
			o.Primary = "gritwatch"
			o.Events.Offline = func(err error) { failed <- err }
			o.Log = slog.New(slog.DiscardHandler)
		})
		defer r.end()
		r.users.mu.Lock()
		r.users.forbidden = "spBv1.0/STATE/gritwatch"
		r.users.mu.Unlock()
		synctest.Wait()
		r.cut()
		<-failed
		if err := <-failed; err == nil {
			t.Error("waits for a host that it may not hear")
		}
	})
}

// A storm of requests for births is answered, and is not one of births.
func TestRebirthStorm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t, "", nil)
		defer r.end()
		r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
		for range 1000 {
			r.command(sparkplug.Bool(points.MetricRebirth, now(), true))
			time.Sleep(10 * time.Millisecond)
		}
		time.Sleep(time.Second)
		synctest.Wait()
		births := 0
		for len(r.observer.in) > 0 {
			r.expect("NBIRTH 0 bd0", "DBIRTH alder 1", "DBIRTH birch 2")
			births++
		}
		if births < 35 || births > 42 { // four a second
			t.Errorf("%d births in 10 s", births)
		}
	})
}
