package e2e_test

import (
	"context"
	"log/slog"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// TestLateLink puts a gateway between agent and server that hands on what the agent says 20 s later, always: readings
// arrive, are shown as old, and the pot is never VENTED.
func TestLateLink(t *testing.T) {
	t.Parallel()
	seat(t)
	pots := []pot{{name: "alder"}}
	s := newSite(t)
	s.write("sim.yaml", simConfig(pots, "line"))
	s.write("site.yaml", siteConfig(pots))
	s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", s.dir+"/truth.jsonl").says("lines ready", soon)
	s.start("gritwatch-server", "run", "--config", "site.yaml").says("dashboard: ", soon)
	near := gateway(t, s.mqtt, 20*time.Second)
	s.write("agent.yaml", agentConfig("quay-1", near, "line", pots))
	s.start("gritwatch-agent", "run", "--config", "agent.yaml")

	began := time.Now()
	old, fallsShort := 0, 0
	eventually(t, 110*time.Second, "two cycles over a late link", func() bool {
		pots, err := s.pots()
		if err != nil {
			return false // a busy machine may take long
		}
		p := pots["alder"]
		if p.Answer.Word == "vented" {
			t.Fatalf("VENTED over a link that is 20 s late: %+v", p)
		}
		switch {
		case p.AgeS == nil:
		case *p.AgeS >= 19.5:
			old++
		default:
			fallsShort++
		}
		return time.Since(began) > 65*time.Second
	})
	if old == 0 || fallsShort > 0 {
		t.Errorf("%d answers gave an age of 20 s and more, %d a lesser one", old, fallsShort)
	}
}

// gateway is a broker of its own for the agent; what is published there reaches the far broker late by d, commands of
// the far one come back at once. It returns the near broker's address.
func gateway(t *testing.T, far string, d time.Duration) string {
	t.Helper()
	addr := freeAddr(t)
	b := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := b.AddHook(new(everyone), nil); err != nil {
		t.Fatal(err)
	}
	if err := b.AddListener(listeners.NewTCP(listeners.Config{ID: "near", Address: addr})); err != nil {
		t.Fatal(err)
	}
	if err := b.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { b.Close() })

	dial := func(addr, id string) mqtt.Client {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetProtocolVersion(4).SetAutoReconnect(false))
		if tok := c.Connect(); tok.Wait() && tok.Error() != nil {
			t.Fatal(tok.Error())
		}
		t.Cleanup(func() { c.Disconnect(100) })
		return c
	}
	nearSide, farSide := dial(addr, "gateway-near"), dial(far, "gateway-far")

	type letter struct {
		due     time.Time
		topic   string
		payload []byte
	}
	held := make(chan letter, 1<<16)
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			select {
			case <-ctx.Done():
				return
			case l := <-held:
				timer := time.NewTimer(time.Until(l.due))
				select {
				case <-ctx.Done():
					timer.Stop()
					return
				case <-timer.C:
					farSide.Publish(l.topic, 0, false, l.payload)
				}
			}
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })

	for _, kind := range []string{"NBIRTH", "DBIRTH", "NDATA", "DDATA", "DDEATH", "NDEATH"} {
		nearSide.Subscribe("spBv1.0/harrow-quay/"+kind+"/#", 1, func(_ mqtt.Client, m mqtt.Message) {
			held <- letter{time.Now().Add(d), m.Topic(), m.Payload()}
		}).Wait()
	}
	farSide.Subscribe("spBv1.0/harrow-quay/NCMD/#", 1, func(_ mqtt.Client, m mqtt.Message) {
		nearSide.Publish(m.Topic(), 0, false, m.Payload())
	}).Wait()
	return addr
}

// everyone may connect and read and write everything.
type everyone struct{ mochi.HookBase }

func (*everyone) ID() string { return "everyone" }

func (*everyone) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

func (*everyone) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

func (*everyone) OnACLCheck(*mochi.Client, string, bool) bool { return true }
