package live_test

import (
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	msg "gritwatch/protocol/live"
	"gritwatch/server/internal/live"
)

// A bell is alarms that the test sets.
type bell struct {
	mu      sync.Mutex
	list    []msg.StandingAlarm
	version uint64
}

func (b *bell) Alarms() ([]msg.StandingAlarm, uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.list, b.version
}

func (b *bell) Version() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.version
}

func (b *bell) set(ids ...string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.list = []msg.StandingAlarm{}
	for _, id := range ids {
		b.list = append(b.list, msg.StandingAlarm{ID: id})
	}
	b.version++
}

// TestAlarms: a snapshot has the alarms, a change only where they have changed, and then in the instant in which that is said; of those that come
// while a frame is in flight the newest.
func TestAlarms(t *testing.T) {
	b := &bell{}
	b.set()
	in(t, live.Options{Alarms: b}, func(s *stand) {
		p := s.page()
		f, _ := p.last()
		if f.Alarms == nil || len(f.Alarms) != 0 {
			t.Fatalf("the snapshot has the alarms %v", f.Alarms)
		}
		ack := func() { f, _ := p.last(); p.say(msg.Request{Ack: f.Seq}) }
		ack()
		for range 5 { // beats
			time.Sleep(time.Second)
			if f, _ := p.last(); f.Type != "change" || f.Alarms != nil {
				t.Fatalf("nothing has changed: %+v", f)
			}
			ack()
		}
		time.Sleep(313 * time.Millisecond) // no beat, and no look
		start := time.Now()
		b.set("a", "b")
		s.hub.Changed()
		s.hub.Changed()
		f, at := p.last()
		if at.Sub(start) != 0 || len(f.Alarms) != 2 || f.Alarms[0].ID != "a" || len(f.Pots) != 0 {
			t.Fatalf("%v after it was said: %+v", at.Sub(start), f)
		}
		n := len(p.all())
		for _, ids := range [][]string{{"a"}, {"c"}, {}} {
			b.set(ids...)
			s.hub.Changed()
			synctest.Wait()
		}
		if len(p.all()) != n {
			t.Fatal("more than one frame in flight")
		}
		ack()
		if f, _ := p.last(); f.Alarms == nil || len(f.Alarms) != 0 {
			t.Errorf("the newest is none: %+v", f)
		}
		ack()
		b.set("d") // where nobody says so, the next look finds it
		time.Sleep(60 * time.Millisecond)
		if f, _ := p.last(); len(f.Alarms) != 1 {
			t.Errorf("%+v", f)
		}
		ack()
		p.say(msg.Request{Subscribe: []string{"birch"}})
		if f, _ := p.last(); f.Type != "snapshot" || len(f.Alarms) != 1 {
			t.Errorf("another subscription: %+v", f)
		}
	})
}

// TestManyAlarms: a frame has five hundred at most, the first in the order, and says how many more there are.
func TestManyAlarms(t *testing.T) {
	b := &bell{}
	var ids []string
	for i := range 503 {
		ids = append(ids, fmt.Sprint(i))
	}
	b.set(ids...)
	in(t, live.Options{Alarms: b}, func(s *stand) {
		if f, _ := s.page().last(); len(f.Alarms) != 500 || f.AlarmsMore != 3 || f.Alarms[499].ID != "499" {
			t.Errorf("%d alarms, %d more", len(f.Alarms), f.AlarmsMore)
		}
	})
}

// TestNoAlarms: where nobody has alarms, frames have none.
func TestNoAlarms(t *testing.T) {
	in(t, live.Options{}, func(s *stand) {
		p := s.page()
		s.hub.Changed()
		if f, _ := p.last(); f.Alarms != nil {
			t.Errorf("%+v", f)
		}
	})
}

// TestVents: vents, and how far off numbers may be, are sent to a page that shows four pots at most.
func TestVents(t *testing.T) {
	inSite(t, []string{"alder", "birch", "cedar", "elder", "fir"}, live.Options{}, func(s *stand) {
		p := s.page()
		if f, _ := p.last(); len(f.Pots) != 5 || f.Pots[0].Vent != nil || f.Pots[0].Doubt != nil {
			t.Errorf("all pots: %+v", f.Pots[0].Vent)
		}
		p.say(msg.Request{Ack: 1, Subscribe: []string{"alder", "birch", "cedar", "elder"}})
		if f, _ := p.last(); len(f.Pots) != 4 || f.Pots[3].Vent == nil || f.Pots[3].Doubt == nil || len(f.Pots[3].Vent.Trace.PPa) != 1 {
			t.Errorf("four pots: %+v", f)
		}
	})
}

// TestHeldVents: of 200 pots those that are held have their vents sent, in the snapshot and in what follows, and nobody else's is so
// much as asked for; what a held pot's numbers may be off by is not sent.
func TestHeldVents(t *testing.T) {
	var names []string
	for i := range 200 {
		names = append(names, fmt.Sprint("pot-", i))
	}
	inSite(t, names, live.Options{}, func(s *stand) {
		held := map[string]bool{"pot-7": true, "pot-150": true}
		check := func(f msg.Frame, pots int) {
			t.Helper()
			if len(f.Pots) != pots {
				t.Fatalf("a %s of %d pots, want %d", f.Type, len(f.Pots), pots)
			}
			for _, p := range f.Pots {
				if (p.Vent != nil) != held[p.Name] || p.Doubt != nil {
					t.Errorf("%s of %s, %s: vent %+v, doubt %+v", f.Type, p.Name, p.State, p.Vent, p.Doubt)
				}
			}
		}
		for name := range held {
			s.pots.enter(name, "held")
		}
		s.pots.enter("pot-8", "venting")
		p := s.page()
		f, _ := p.last()
		check(f, 200)
		for name, n := range s.pots.vents {
			if !held[name] {
				t.Errorf("%s was asked for its vent %d times", name, n)
			}
		}
		p.say(msg.Request{Ack: f.Seq})
		// One comes to be held, another no longer is: a state is told at once.
		s.pots.enter("pot-8", "held")
		s.pots.enter("pot-7", "at-rest")
		held["pot-8"], held["pot-7"] = true, false
		time.Sleep(60 * time.Millisecond)
		f, _ = p.last()
		check(f, 2)
	})
}
