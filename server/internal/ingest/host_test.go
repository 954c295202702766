package ingest

import (
	"slices"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

func TestSession(t *testing.T) {
	b := newBench(t)
	b.h.linked(b.now)
	if b.rebirths("quay-1") != 1 || b.rebirths("quay-2") != 1 {
		t.Fatalf("sent %+v: every agent is asked for its births", b.sent)
	}
	e := b.edge("quay-1", "s1", 3)
	e.born("alder", "birch")
	e.data("alder")
	want := []feed.Kind{feed.Birth, feed.Birth, feed.Data}
	if len(b.events) != 3 {
		t.Fatalf("events %+v", b.events)
	}
	for i, ev := range b.events {
		if ev.Kind != want[i] || ev.Session != "s1" || ev.Epoch != 7 || ev.Digest != "vent/1:ab" || !ev.Simulated || ev.Agent != "quay-1" {
			t.Errorf("event %d: %+v", i, ev)
		}
	}
	if n := len(b.events[0].Samples); n != 0 {
		t.Errorf("%d samples from a birth", n)
	}
	if b.events[0].GuardAt != 0 {
		t.Error("the guard's word in a birth counts as fresh")
	}
	d := b.events[2]
	at := si.InstantOf(b.now) / 1000 * 1000
	if len(d.Samples) != 1 || d.Samples[0] != (points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: 2500}) ||
		d.Guard != "pressurised" || d.GuardAt != at {
		t.Errorf("data %+v", d)
	}
	b.clear()
	e.die()
	if b.count("alder", feed.Death) != 1 || b.count("birch", feed.Death) != 1 || b.count("cedar", feed.Death) != 0 {
		t.Errorf("events %+v", b.events)
	}
	e.die()
	if b.count("alder", feed.Death) != 1 {
		t.Error("a repeated death counts again")
	}
}

// TestOldDeath: a death with another bdSeq is of another connection.
func TestOldDeath(t *testing.T) {
	b := newBench(t)
	b.edge("quay-1", "s1", 3).born("alder")
	b.edge("quay-1", "s0", 2).die()
	if b.count("alder", feed.Death) != 0 {
		t.Errorf("events %+v", b.events)
	}
}

func TestGap(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	e.born("alder")
	b.clear()
	e.seq.Next() // one is lost
	e.data("alder")
	if b.gaps != 1 || b.rebirths("quay-1") != 1 || len(b.events) != 0 {
		t.Fatalf("gaps %d, sent %+v, events %+v", b.gaps, b.sent, b.events)
	}
	// Until the births nothing counts, and no storm of requests goes out.
	for range 100 {
		b.wait(100 * time.Millisecond)
		e.data("alder")
	}
	if n := b.rebirths("quay-1"); n != 3 || b.count("alder", feed.Data) != 0 {
		t.Errorf("%d requests in 10 s, want one each 5 s; %d data", n, b.count("alder", feed.Data))
	}
	e.born("alder")
	e.data("alder")
	if b.count("alder", feed.Data) != 1 || b.count("alder", feed.Death) != 0 {
		t.Errorf("events %+v", b.events)
	}
	b.clear()
	b.wait(20 * time.Second)
	if b.rebirths("quay-1") != 0 {
		t.Error("asks on after the births")
	}
}

func TestDataBeforeBirth(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	e.data("alder")
	if len(b.events) != 0 || b.rebirths("quay-1") != 1 {
		t.Errorf("events %+v, sent %+v", b.events, b.sent)
	}
	b.wait(rebirthEvery)
	b.clear()
	e.born("birch") // alder is not born
	e.data("alder")
	if b.count("alder", feed.Data) != 0 || b.rebirths("quay-1") != 1 {
		t.Errorf("events %+v, sent %+v", b.events, b.sent)
	}
}

func TestDeviceDeath(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	e.born("alder", "birch")
	b.put(e.topic(sparkplug.DeviceDeath, "alder"), sparkplug.EncodeDeviceDeath(si.InstantOf(b.now), e.seq.Next()))
	if b.count("alder", feed.Death) != 1 || b.count("birch", feed.Death) != 0 {
		t.Errorf("events %+v", b.events)
	}
	e.device("alder")
	e.data("alder")
	if b.count("alder", feed.Birth) != 2 || b.count("alder", feed.Data) != 1 {
		t.Errorf("events %+v", b.events)
	}
}

func TestLinkLost(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	e.born("alder")
	b.h.unlinked(b.now, "link")
	if b.count("alder", feed.Death) != 1 || b.count("cedar", feed.Death) != 1 {
		t.Errorf("events %+v", b.events)
	}
	e.data("alder")
	if b.count("alder", feed.Data) != 0 {
		t.Error("data counts without a birth after the link came back")
	}
	// Out of sight a session may end and another begin: no contest.
	b.edge("quay-1", "s2", 1).born("alder")
	b.wait(time.Minute)
	if b.count("alder", feed.Contest) != 0 {
		t.Errorf("events %+v", b.events)
	}
}

func TestSecondAgent(t *testing.T) {
	b := newBench(t)
	b.edge("quay-1", "s1", 0).born("alder")
	other := b.edge("quay-2", "t1", 0)
	other.born("cedar", "alder")
	other.data("alder")
	if b.count("alder", feed.Contest) != 2 || b.count("alder", feed.Data) != 0 || b.count("birch", feed.Contest) != 0 {
		t.Errorf("events %+v", b.events)
	}
	for _, e := range b.events {
		if e.Kind == feed.Contest && (e.SecondSession || e.Agent != "quay-2") {
			t.Errorf("contest %+v", e)
		}
	}
	other.data("cedar") // its own pot goes on
	if b.count("cedar", feed.Data) != 1 {
		t.Errorf("events %+v", b.events)
	}
	stranger := b.edge("quay-9", "u1", 0)
	stranger.born("alder")
	stranger.data("alder")
	if b.count("alder", feed.Contest) != 4 || b.rebirths("quay-9") != 0 {
		t.Errorf("an agent that is not in the file: events %+v", b.events)
	}
}

// TestSameID: two agents with one client id throw each other out of the broker: births and deaths alternate.
func TestSameID(t *testing.T) {
	b := newBench(t)
	first, second := b.edge("quay-1", "s1", 4), b.edge("quay-1", "s2", 9)
	first.born("alder")
	first.data("alder")
	first.die()
	second.born("alder")
	second.data("alder")
	if b.count("alder", feed.Contest) != 0 || b.count("alder", feed.Data) != 2 {
		t.Fatalf("a restart is no contest: %+v", b.events)
	}
	b.wait(time.Second)
	second.die()
	b.clear()
	first.born("alder", "birch")
	if b.count("alder", feed.Contest) == 0 || b.count("birch", feed.Contest) == 0 || b.count("alder", feed.Birth) != 0 {
		t.Fatalf("the first session is back: %+v", b.events)
	}
	n := b.count("alder", feed.Contest)
	first.data("alder")
	if b.count("alder", feed.Contest) != n+1 || b.count("alder", feed.Data) != 0 || !b.events[len(b.events)-1].SecondSession {
		t.Errorf("refused data prolongs the contest: %+v", b.events)
	}
	// The second is believed at its next birth.
	first.die()
	second.born("alder")
	second.data("alder")
	if b.count("alder", feed.Data) != 1 {
		t.Errorf("events %+v", b.events)
	}
	// Once the second has been silent for 60 s, the first is taken back when it is born, for which it is asked.
	second.die()
	for range 61 {
		b.wait(time.Second)
		first.data("alder")
	}
	b.clear()
	first.born("alder")
	first.data("alder")
	if b.count("alder", feed.Birth) != 1 || b.count("alder", feed.Data) != 1 {
		t.Errorf("events %+v", b.events)
	}
}

// TestTwoPublishers: two sessions under different client ids, both alive on one topic.
func TestTwoPublishers(t *testing.T) {
	b := newBench(t)
	first, second := b.edge("quay-1", "s1", 0), b.edge("quay-1", "s2", 1)
	first.born("alder")
	b.wait(time.Second)
	second.born("alder")
	b.clear()
	for range 200 {
		b.wait(50 * time.Millisecond)
		for _, e := range []*edge{first, second} {
			if n := b.rebirths("quay-1"); n > 0 {
				b.sent = nil
				first.born("alder")
				second.born("alder")
				continue
			}
			e.data("alder")
		}
	}
	contests, last := 0, b.now
	for _, e := range b.events {
		if e.Kind == feed.Contest && e.Pot == "alder" {
			if gap := e.Received.Sub(last); contests > 0 && gap > 6*time.Second {
				t.Errorf("%v without a contest", gap)
			}
			contests, last = contests+1, e.Received
		}
	}
	if contests < 2 || b.now.Sub(last) > 6*time.Second {
		t.Errorf("%d contests, the last %v ago", contests, b.now.Sub(last))
	}
}

// TestTakenBack: a session that was replaced is believed again once the other has been silent for a minute. What was refused of it then
// delays nothing; what any other has said still does.
func TestTakenBack(t *testing.T) {
	for name, c := range map[string]struct {
		ends, third bool
	}{
		"ends":             {ends: true},
		"freezes":          {},
		"beside a third":   {ends: true, third: true},
		"freezes, a third": {third: true},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			first, second, third := b.edge("quay-1", "s1", 3), b.edge("quay-1", "s2", 3), b.edge("quay-1", "s3", 4)
			first.born("alder")
			var last time.Time // of the others
			says := func(e *edge, asked bool) {
				if asked {
					e.born("alder")
				} else {
					e.data("alder")
				}
				if e != first {
					last = b.now
				}
			}
			// Messages do not come in turns, or each of them would go on from the birth of its session by chance.
			play := func(d time.Duration, edges ...*edge) {
				for end := b.now.Add(d); b.now.Before(end); {
					b.wait(100 * time.Millisecond)
					asked := b.rebirths("quay-1") > 0
					b.sent = nil
					for _, e := range edges {
						says(e, asked)
						says(e, false)
					}
				}
			}
			play(time.Second, first)
			second.born("alder")
			play(17*time.Second, first, second)
			if c.third {
				third.born("alder")
				play(9*time.Second, first, second, third)
			}
			if c.ends {
				second.die()
				last = b.now
			}
			if c.third {
				play(30*time.Second, first, third)
			}
			b.clear()
			play(80*time.Second, first)

			// The contest as a pot knows it, and until when it lasts.
			var until, back time.Time
			for _, e := range b.events {
				switch {
				case e.Pot != "alder":
				case e.Kind == feed.Contest && e.Heard.IsZero():
					until = e.Received
				case e.Kind == feed.Contest:
					until, back = e.Heard, e.Received
				case e.Kind == feed.Data && back.IsZero():
					t.Fatalf("data are believed %v after the other's last message, before the session is taken back", e.Received.Sub(last))
				}
			}
			if back.IsZero() || b.count("alder", feed.Data) < 50 {
				t.Fatalf("not taken back, or nothing came of it: %d data", b.count("alder", feed.Data))
			}
			if d := until.Sub(last); d < 0 || d > rebirthEvery+time.Second {
				t.Errorf("the contest counts from %v after the other's last message, want 0 to %v", d, rebirthEvery+time.Second)
			}
		})
	}
}

// TestTakeover: the broker tells the death of the old connection only after the birth of the new one.
func TestTakeover(t *testing.T) {
	for _, follows := range []bool{true, false} {
		b := newBench(t)
		old := b.edge("quay-1", "s1", 3)
		old.born("alder")
		b.edge("quay-1", "s2", 4).born("alder")
		b.wait(300 * time.Millisecond)
		if follows {
			old.die()
		}
		b.wait(10 * time.Second)
		if got := b.count("alder", feed.Contest) > 0; got == follows {
			t.Errorf("death follows: %v, contest: %v", follows, got)
		}
		if b.count("alder", feed.Death) != 0 {
			t.Errorf("the old session's death ended the new one: %+v", b.events)
		}
	}
}

func TestEcho(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	e.born("alder")
	answer := func(nonce uint64, at si.Instant) {
		b.put(e.topic(sparkplug.NodeData, ""), must(sparkplug.EncodeData(si.InstantOf(b.now), e.seq.Next(), []sparkplug.Metric{
			sparkplug.Uint(points.MetricClockEcho, si.InstantOf(b.now), nonce), sparkplug.Uint(points.MetricClockEchoAt, si.InstantOf(b.now), uint64(at))})))
	}
	asked := func() command {
		i := slices.IndexFunc(b.sent, func(c command) bool { return c.metric.Name == points.MetricEcho })
		if i < 0 {
			t.Fatalf("no echo asked; sent %+v", b.sent)
		}
		return b.sent[i]
	}
	q := asked()
	nonce, _ := q.metric.Value.Uint()
	b.wait(300 * time.Millisecond)
	answer(nonce+1, 5) // never asked
	answer(nonce, 1234567)
	answer(nonce, 1234568) // a second answer
	if len(b.echoes) != 1 {
		t.Fatalf("echoes %+v", b.echoes)
	}
	if got := b.echoes[0]; got.Agent != "quay-1" || got.Session != "s1" || got.Epoch != 7 || got.AgentAt != 1234567 ||
		!got.Sent.Equal(q.at) || !got.Received.Equal(b.now) {
		t.Errorf("echo %+v, asked at %v", got, q.at)
	}
	b.sent = nil
	b.wait(20 * time.Second)
	n := 0
	for _, c := range b.sent {
		if c.metric.Name == points.MetricEcho {
			n++
		}
	}
	if n != 4 {
		t.Errorf("%d echoes in 20 s, want 4", n)
	}
	// A new time base: answers to old questions are of the old clock.
	q = asked()
	nonce, _ = q.metric.Value.Uint()
	e.epoch = 8
	e.born("alder")
	b.echoes = nil
	answer(nonce, 99)
	if len(b.echoes) != 0 {
		t.Errorf("echoes %+v", b.echoes)
	}
}
