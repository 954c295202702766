package ingest

import (
	"strings"
	"testing"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// journalEdge is an agent with a journal, born with alder.
func journalEdge(b *bench) *edge {
	e := b.edge("quay-1", "s1", 0)
	at := si.InstantOf(b.now)
	from := sparkplug.Uint(points.MetricReplayFrom, at, 0)
	from.Alias, from.Aliased = 71, true
	e.lines = []sparkplug.Metric{sparkplug.Str(points.MetricJournalID, at, "j1"), sparkplug.Uint(points.MetricJournalOldest, at, 100),
		sparkplug.Uint(points.MetricJournalNext, at, 900), sparkplug.Uint(points.MetricJournalLost, at, 7), from}
	e.born("alder")
	return e
}

// readings is a message of n vessel readings that says what it is told of their positions.
func (e *edge) readings(n int, historical bool, from, count, epoch uint64) {
	at := si.InstantOf(e.b.now)
	ms := []sparkplug.Metric{sparkplug.Uint(points.MetricJournalPosition, at, from), sparkplug.Uint(points.MetricJournalCount, at, count),
		sparkplug.Uint(points.MetricJournalEpoch, at, epoch), sparkplug.Str(points.MetricGuardState, at, "pressurised")}
	for i := range n {
		ms = append(ms, sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: points.Good, At: at + si.Instant(i), Value: 2500}, false))
	}
	for i := range ms {
		ms[i].Historical = historical
	}
	e.data("alder", ms...)
}

func TestJournalTold(t *testing.T) {
	b := newBench(t)
	e := journalEdge(b)
	want := feed.Journal{Agent: "quay-1", Session: "s1", Received: b.now, ID: "j1", Oldest: 100, Next: 900, Lost: 7, Birth: true}
	if len(b.journals) != 1 || b.journals[0] != want {
		t.Fatalf("told %+v, want %+v", b.journals, want)
	}
	at := si.InstantOf(b.now)
	e.nodeData(sparkplug.Uint(points.MetricJournalVoidFrom, at, 3), sparkplug.Uint(points.MetricJournalVoidTo, at, 9))
	e.nodeData(sparkplug.Uint(points.MetricJournalOldest, at, 200), sparkplug.Uint(points.MetricJournalNext, at, 1000), sparkplug.Uint(points.MetricJournalLost, at, 8))
	e.nodeData(sparkplug.Uint(points.MetricJournalVoidFrom, at, 9), sparkplug.Uint(points.MetricJournalVoidTo, at, 9)) // nothing
	e.nodeData(sparkplug.Uint(points.MetricJournalVoidFrom, at, 9))
	if len(b.journals) != 3 {
		t.Fatalf("told %+v", b.journals)
	}
	if got := b.journals[1].NotHeld; got != (feed.Records{Journal: "j1", From: 3, To: 9}) || b.journals[1].Next != 0 {
		t.Errorf("not held: %+v", b.journals[1])
	}
	if j := b.journals[2]; j.Oldest != 200 || j.Next != 1000 || j.Lost != 8 || j.Birth {
		t.Errorf("stands: %+v", j)
	}
	e.nodeData(sparkplug.Str(points.MetricJournalID, at, "another"))
	if b.h.nodes["quay-1"].state == live {
		t.Error("a new journal without births is believed")
	}
}

func TestJournalRecords(t *testing.T) {
	b := newBench(t)
	e := journalEdge(b)
	last := func() feed.Event { return b.events[len(b.events)-1] }
	e.readings(3, false, 900, 3, 7)
	if got := last(); got.Kind != feed.Data || got.Records != (feed.Records{Journal: "j1", From: 900, To: 903, Epoch: 7}) || len(got.Samples) != 3 {
		t.Errorf("live: %+v", got)
	}
	e.readings(2, true, 100, 2, 6)
	if got := last(); got.Kind != feed.LateData || got.Records != (feed.Records{Journal: "j1", From: 100, To: 102, Epoch: 6}) || got.Guard != "" {
		t.Errorf("late, of an epoch before: %+v", got)
	}
	e.data("alder")
	if got := last(); got.Records != (feed.Records{}) || len(got.Samples) != 1 || b.loose != 1 {
		t.Errorf("in no journal: %+v, %d counted", got, b.loose)
	}
	for _, c := range []struct {
		why         string
		n           int
		from, count uint64
		epoch       uint64
	}{
		{"Count", 3, 903, 2, 7}, {"Count", 2, 903, 3, 7}, {"position", 1, 1 << 63, 1, 7}, {"Epoch", 1, 903, 1, 8},
	} {
		b.clear()
		e.readings(c.n, false, c.from, c.count, c.epoch)
		if len(b.bad) != 1 || !strings.Contains(b.bad[0], c.why) || b.count("alder", feed.Data) != 0 || b.h.nodes["quay-1"].state == live {
			t.Errorf("%d readings as %d from %d of epoch %d: %v, %+v", c.n, c.count, c.from, c.epoch, b.bad, b.events)
		}
		b.now = b.now.Add(rebirthEvery)
		e = journalEdge(b)
	}
	// A journal that no birth named.
	e = b.edge("quay-1", "s2", 1)
	e.born("alder")
	b.clear()
	e.readings(1, false, 0, 1, 7)
	if len(b.bad) != 1 || b.count("alder", feed.Data) != 0 {
		t.Errorf("positions without a journal: %v", b.bad)
	}
}

func TestReplayAsked(t *testing.T) {
	b := newBench(t)
	if b.h.replay("quay-1", "j1", 1, 2, b.now) || b.h.replay("nobody", "j1", 1, 2, b.now) {
		t.Error("an agent that was not heard is asked")
	}
	journalEdge(b)
	b.clear()
	if b.h.replay("quay-1", "j2", 1, 2, b.now) || len(b.sent) != 0 {
		t.Error("asked for another journal")
	}
	if !b.h.replay("quay-1", "j1", 5, 50, b.now) || len(b.sent) != 1 || len(b.sent[0].all) != 3 {
		t.Fatalf("sent %+v", b.sent)
	}
	ms := b.sent[0].all
	id, _ := ms[0].Value.Text()
	from, _ := ms[1].Value.Uint()
	to, _ := ms[2].Value.Uint()
	if id != "j1" || from != 5 || to != 50 || ms[0].Aliased || !ms[1].Aliased || ms[1].Alias != 71 || ms[2].Aliased {
		t.Errorf("sent %+v", ms)
	}
}
