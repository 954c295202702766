package broker_test

import (
	"encoding/binary"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"gritwatch/server/internal/broker"
)

// TestHear: what is retained is told as such; of two clients that publish faster than is taken, every message comes, each one's in
// its order; a will comes too; and nothing after the end.
func TestHear(t *testing.T) {
	b, err := broker.Start(broker.Options{Addr: "127.0.0.1:0", Log: logger(t)})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	}()
	done := func(token mqtt.Token) {
		t.Helper()
		if !token.WaitTimeout(time.Minute) || token.Error() != nil {
			t.Fatalf("no answer, or %v", token.Error())
		}
	}
	dial := func(id, will string) mqtt.Client {
		o := mqtt.NewClientOptions().AddBroker("tcp://" + b.Addr()).SetClientID(id).SetAutoReconnect(false)
		if will != "" {
			o.SetBinaryWill(will, []byte{1}, 0, false)
		}
		c := mqtt.NewClient(o)
		done(c.Connect())
		t.Cleanup(func() { c.Disconnect(0) })
		return c
	}
	one := dial("one", "")
	done(one.Publish("a/old", 1, true, "x"))
	done(one.Publish("other", 1, false, "x")) // its answer says that the one before has been handed on, not only kept

	const most = 20_000 // more than the broker would keep for a connection
	var mu sync.Mutex
	next := map[string]uint32{}
	retained, wills, wrong := 0, 0, 0
	release := make(chan struct{})
	end := b.Hear([]string{"a/+", "b/+/+"}, func(topic string, payload []byte, old bool) {
		if !old {
			<-release
		}
		mu.Lock()
		defer mu.Unlock()
		switch {
		case old:
			retained++
		case topic == "b/c/will":
			wills++
		case len(payload) != 4 || binary.BigEndian.Uint32(payload) != next[topic]:
			wrong++
		default:
			next[topic]++
		}
	})
	two := dial("two", "b/c/will")
	var all sync.WaitGroup
	for topic, c := range map[string]mqtt.Client{"a/1": one, "b/c/2": two} {
		all.Go(func() {
			for i := range uint32(most) {
				c.Publish(topic, 0, false, binary.BigEndian.AppendUint32(nil, i))
			}
		})
	}
	heard := func(n1, n2 uint32, n3 int) func() bool {
		return func() bool {
			mu.Lock()
			defer mu.Unlock()
			return next["a/1"] == n1 && next["b/c/2"] == n2 && wills == n3
		}
	}
	close(release)
	all.Wait()
	eventually(t, "all messages", heard(most, most, 0))
	dial("two", "") // takes the connection over, which is the end of the other
	eventually(t, "the will", heard(most, most, 1))
	end()
	done(one.Publish("a/1", 1, false, []byte{0, 0, 0, 0}))
	if mu.Lock(); retained != 1 || wrong != 0 {
		t.Errorf("%d retained, %d out of order or after the end", retained, wrong)
	}
	mu.Unlock()
}
