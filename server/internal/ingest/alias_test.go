package ingest

import (
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// numbered gives metrics aliases in turn from first.
func numbered(first uint64, ms ...sparkplug.Metric) []sparkplug.Metric {
	for i := range ms {
		ms[i].Alias, ms[i].Aliased = first+uint64(i), true
	}
	return ms
}

// said is a metric of data or a command as it travels: by alias alone.
func said(alias uint64, m sparkplug.Metric) sparkplug.Metric {
	m.Name, m.Alias, m.Aliased, m.Type = "", alias, true, sparkplug.Unknown
	return m
}

func pressure(p points.Point, at si.Instant, v si.GaugePressure) sparkplug.Metric {
	return sparkplug.OfSample(points.Sample{Point: p, Quality: points.Good, At: at, Value: v}, false)
}

// bornWith gives a pot births with metrics of one's own.
func (e *edge) bornWith(device string, ms ...sparkplug.Metric) {
	e.b.put(e.topic(sparkplug.DeviceBirth, device), must(sparkplug.EncodeBirth(si.InstantOf(e.b.now), e.seq.Next(), ms)))
}

// Data by alias mean what the births said; births again may say otherwise.
func TestAliases(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	at := si.InstantOf(b.now) / 1000 * 1000
	e.born()
	e.bornWith("alder", numbered(5, pressure(points.Vessel, at, 1), pressure(points.Control, at, 2), sparkplug.Str(points.MetricGuardState, at, "not-proven"),
		sparkplug.Str(points.MetricConfig, at, "vent/1:ab"))...)
	b.clear()
	e.data("alder", said(6, pressure(points.Vessel, at, 300)), said(5, pressure(points.Vessel, at, 200)), said(7, sparkplug.Str("", at, "pressurised")))
	if len(b.events) != 1 || len(b.events[0].Samples) != 2 || b.events[0].Guard != "pressurised" {
		t.Fatalf("events %+v, bad %v", b.events, b.bad)
	}
	for _, s := range b.events[0].Samples {
		if want := map[points.Point]si.GaugePressure{points.Vessel: 200, points.Control: 300}[s.Point]; s.Value != want {
			t.Errorf("%s is %v, want %v", s.Point, s.Value, want)
		}
	}
	e.born()
	e.bornWith("alder", numbered(5, pressure(points.Control, at, 1), pressure(points.Vessel, at, 2))...)
	b.clear()
	e.data("alder", said(6, pressure(points.Vessel, at, 400)))
	if len(b.events) != 1 || b.events[0].Samples[0] != (points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: 400}) {
		t.Errorf("after other births: %+v", b.events)
	}
}

// Numbers that were never born, or were born for something else, mean nothing: births are asked for, and until then nothing is
// believed.
func TestUnknownAlias(t *testing.T) {
	for name, c := range map[string]func(at si.Instant) sparkplug.Metric{
		"never born":     func(at si.Instant) sparkplug.Metric { return said(77, pressure(points.Vessel, at, 1)) },
		"of another pot": func(at si.Instant) sparkplug.Metric { return said(9, pressure(points.Vessel, at, 1)) },
		"of the node":    func(at si.Instant) sparkplug.Metric { return said(3, pressure(points.Vessel, at, 1)) },
		"contradicts its name": func(at si.Instant) sparkplug.Metric {
			m := pressure(points.Vessel, at, 1)
			m.Alias, m.Aliased = 6, true
			return m
		},
	} {
		b := newBench(t)
		e := b.edge("quay-1", "s1", 0)
		at := si.InstantOf(b.now)
		e.lines = numbered(3, sparkplug.Str("Line/1/Port", at, "/dev/x"))
		birth := func() {
			e.born()
			e.bornWith("alder", numbered(5, pressure(points.Vessel, at, 1), pressure(points.Control, at, 1))...)
			e.bornWith("birch", numbered(9, pressure(points.Vessel, at, 1))...)
		}
		birth()
		b.clear()
		m := c(at)
		if m.Name != "" { // data with both: a birth in the place of data
			b.put(e.topic(sparkplug.DeviceData, "alder"), must(sparkplug.EncodeBirth(at, e.seq.Next(), []sparkplug.Metric{m})))
		} else {
			e.data("alder", m)
		}
		e.data("alder", said(5, pressure(points.Vessel, at, 1)))
		if b.count("alder", feed.Data) != 0 || len(b.bad) == 0 || b.rebirths("quay-1") != 1 || b.gaps != 0 {
			t.Errorf("%s: events %+v, bad %v, %d rebirths, %d gaps", name, b.events, b.bad, b.rebirths("quay-1"), b.gaps)
		}
		birth()
		e.data("alder", said(5, pressure(points.Vessel, at, 1)))
		if b.count("alder", feed.Data) != 1 {
			t.Errorf("%s: not believed after births: %+v, bad %v", name, b.events, b.bad)
		}
	}
}

// One number for two metrics of a birth: nobody can tell which of them is meant.
func TestAliasTwice(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	at := si.InstantOf(b.now)
	e.born()
	ms := numbered(5, pressure(points.Vessel, at, 1), pressure(points.Control, at, 1))
	ms[1].Alias = 5
	e.bornWith("alder", ms...)
	e.data("alder", said(5, pressure(points.Vessel, at, 1)))
	if len(b.events) != 0 || len(b.bad) == 0 || b.rebirths("quay-1") != 1 {
		t.Errorf("events %+v, bad %v", b.events, b.bad)
	}
	b.wait(2 * rebirthEvery)
	b.clear()
	e.lines = numbered(1, sparkplug.Str("Line/1/Port", at, "/dev/x"), sparkplug.Str("Line/2/Port", at, "/dev/y"))
	e.lines[1].Alias = 1
	e.born("alder")
	if len(b.events) != 0 || len(b.bad) == 0 || b.rebirths("quay-1") != 1 {
		t.Errorf("NBIRTH: events %+v, bad %v", b.events, b.bad)
	}
}

// The data type is the birth's, where data leave it out: negative whole numbers travel without a sign.
func TestTypeOfTheBirth(t *testing.T) {
	for _, alias := range []bool{false, true} {
		b := newBench(t)
		e := b.edge("quay-1", "s1", 0)
		at := si.InstantOf(b.now) / 1000 * 1000
		e.born()
		m := sparkplug.Metric{Name: points.Vessel.Metric(), Type: sparkplug.Int64, At: at, Value: sparkplug.UintValue(0), Quality: points.Good}
		if alias {
			m = numbered(5, m)[0]
		}
		e.bornWith("alder", m)
		b.clear()
		m.Value = sparkplug.UintValue(1<<64 - 3500)
		payload := must(sparkplug.EncodeData(at, e.seq.Next(), []sparkplug.Metric{m}))
		b.put(e.topic(sparkplug.DeviceData, "alder"), payload)
		if len(b.events) != 1 || b.events[0].Samples[0].Value != -3500 {
			t.Errorf("alias %v: %+v", alias, b.events)
		}
	}
}

// A question goes by the alias that the agent's birth gave it.
func TestEchoByAlias(t *testing.T) {
	b := newBench(t)
	at := si.InstantOf(b.now)
	for _, alias := range []bool{true, false} {
		b.clear()
		echo := sparkplug.Uint(points.MetricEcho, at, 0)
		if alias {
			echo = numbered(44, echo)[0]
		}
		e := b.edge("quay-1", "s1", 0)
		b.put(e.topic(sparkplug.NodeBirth, ""), must(sparkplug.EncodeBirth(at, e.seq.Birth(), []sparkplug.Metric{echo,
			sparkplug.BdSeq(at, 0), sparkplug.Uint(points.MetricClockEpoch, at, 7), sparkplug.Str(points.MetricSession, at, "s1")})))
		if len(b.sent) != 1 || b.sent[0].metric.Aliased != alias || alias && b.sent[0].metric.Alias != 44 {
			t.Errorf("born with an alias %v, asked %+v", alias, b.sent)
		}
	}
}

// reordering is a bench whose host waits for messages out of order.
func reordering(t *testing.T, d time.Duration) (*bench, *edge) {
	b := newBench(t)
	b.h.o.Reorder = d
	e := b.edge("quay-1", "s1", 0)
	e.born("alder", "birch")
	b.clear()
	return b, e
}

// ordered puts a vessel's readings in the order of their numbers given, from the next on.
func (e *edge) ordered(device string, seqs ...int) {
	at := si.InstantOf(e.b.now)
	first := int(e.seq.Next())
	last := 0
	for _, k := range seqs {
		last = max(last, k)
		e.b.put(e.topic(sparkplug.DeviceData, device), must(sparkplug.EncodeData(at, uint8(first+k), []sparkplug.Metric{pressure(points.Vessel, at, si.GaugePressure(k))})))
	}
	for range last {
		e.seq.Next()
	}
}

func (b *bench) values(pot string) (out []si.GaugePressure) {
	for _, e := range b.events {
		if e.Pot == pot {
			for _, s := range e.Samples {
				out = append(out, s.Value)
			}
		}
	}
	return out
}

// Messages that come out of order within the time are taken in order, and no births are asked for, wherever the numbers turn.
func TestReorder(t *testing.T) {
	for turn := range 256 {
		b, e := reordering(t, 500*time.Millisecond)
		for range turn {
			e.data("birch")
		}
		b.clear()
		e.ordered("alder", 1, 3, 2, 0, 4)
		b.wait(time.Second)
		if got := b.values("alder"); len(got) != 5 || got[0] != 0 || got[1] != 1 || got[2] != 2 || got[3] != 3 || got[4] != 4 || b.gaps != 0 || b.rebirths("quay-1") != 0 {
			t.Fatalf("after %d messages: %v, %d gaps, sent %+v", turn, got, b.gaps, b.sent)
		}
	}
}

// What does not come in time is a gap: births are asked for, and what waited is not believed. Without a time it is one at once.
func TestReorderTimeout(t *testing.T) {
	for _, d := range []time.Duration{0, 500 * time.Millisecond, 3 * time.Second} {
		b, e := reordering(t, d)
		e.ordered("alder", 0, 2, 3)
		began := b.now
		for b.gaps == 0 && b.now.Sub(began) < 10*time.Second {
			b.wait(tickEvery)
		}
		if took := b.now.Sub(began); took < d || took > d+tickEvery || b.rebirths("quay-1") != 1 {
			t.Errorf("timeout %v: gap after %v, sent %+v", d, took, b.sent)
		}
		e.data("alder")
		if got := b.values("alder"); len(got) != 1 || got[0] != 0 {
			t.Errorf("timeout %v: believed %v", d, got)
		}
		e.born("alder", "birch")
		b.clear()
		e.ordered("alder", 0)
		if len(b.values("alder")) != 1 {
			t.Errorf("timeout %v: after births %+v", d, b.events)
		}
	}
}

// What comes after the time is too late, though nobody has looked at a clock since.
func TestReorderTooLate(t *testing.T) {
	b, e := reordering(t, 500*time.Millisecond)
	due := e.seq.Next()
	e.data("alder")
	b.now = b.now.Add(600 * time.Millisecond)
	at := si.InstantOf(b.now)
	b.put(e.topic(sparkplug.DeviceData, "alder"), must(sparkplug.EncodeData(at, due, []sparkplug.Metric{pressure(points.Vessel, at, 1)})))
	if len(b.values("alder")) != 0 || b.gaps != 1 || b.rebirths("quay-1") != 1 {
		t.Errorf("%+v, %d gaps, sent %+v", b.events, b.gaps, b.sent)
	}
}

// Births, the agent's death and the loss of the link end the wait, and nothing that waited is taken then.
func TestReorderEnds(t *testing.T) {
	for name, end := range map[string]func(b *bench, e *edge){
		"births": func(b *bench, e *edge) { e.born("alder", "birch") },
		"death":  func(b *bench, e *edge) { e.die() },
		"link":   func(b *bench, e *edge) { b.h.unlinked(b.now, "link") },
	} {
		b, e := reordering(t, time.Second)
		e.ordered("alder", 1, 2)
		end(b, e)
		b.wait(5 * time.Second)
		if len(b.values("alder")) != 0 || b.gaps != 0 || b.rebirths("quay-1") != 0 || len(b.h.nodes["quay-1"].held.later) != 0 {
			t.Errorf("%s: %+v, %d gaps, sent %+v", name, b.events, b.gaps, b.sent)
		}
	}
}

// The death of a pot is told at once, though a message before it is missing.
func TestReorderDeath(t *testing.T) {
	b, e := reordering(t, time.Second)
	data := e.seq.Next()
	b.put(e.topic(sparkplug.DeviceDeath, "alder"), sparkplug.EncodeDeviceDeath(si.InstantOf(b.now), e.seq.Next()))
	if b.count("alder", feed.Death) != 1 {
		t.Fatalf("events %+v", b.events)
	}
	at := si.InstantOf(b.now)
	b.put(e.topic(sparkplug.DeviceData, "alder"), must(sparkplug.EncodeData(at, data, []sparkplug.Metric{pressure(points.Vessel, at, 1)})))
	last := b.events[len(b.events)-1]
	if last.Kind != feed.Death || b.count("alder", feed.Data) != 1 || b.h.nodes["quay-1"].devices["alder"].born {
		t.Errorf("events %+v", b.events)
	}
}

// Whatever numbers come, what waits is bounded.
func TestReorderBounded(t *testing.T) {
	b, e := reordering(t, time.Hour)
	e.ordered("alder", 1, 1, 1)
	for k := 2; k <= maxHeld; k++ {
		at := si.InstantOf(b.now)
		b.put(e.topic(sparkplug.DeviceData, "alder"), must(sparkplug.EncodeData(at, uint8(3+k), []sparkplug.Metric{pressure(points.Vessel, at, 1)})))
	}
	if n := len(b.h.nodes["quay-1"].held.later); n != maxHeld || b.gaps != 0 {
		t.Errorf("%d held, %d gaps", n, b.gaps)
	}
	e.seq = sparkplug.Counter{}
	for range 200 {
		e.seq.Next()
	}
	e.data("alder") // far ahead: those before it will not all come
	if n := len(b.h.nodes["quay-1"].held.later); n != 0 || b.gaps != 1 {
		t.Errorf("%d held, %d gaps", n, b.gaps)
	}
	b, e = reordering(t, time.Hour)
	e.seq.Next()
	at := si.InstantOf(b.now)
	big := make([]sparkplug.Metric, 5000)
	for i := range big {
		big[i] = pressure(points.Vessel, at, 1)
	}
	e.b.put(e.topic(sparkplug.DeviceData, "alder"), must(sparkplug.EncodeData(at, e.seq.Next(), big)))
	if n := len(b.h.nodes["quay-1"].held.later); n != 0 || b.gaps != 1 {
		t.Errorf("large: %d held, %d gaps", n, b.gaps)
	}
}
