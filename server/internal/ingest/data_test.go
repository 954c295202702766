package ingest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

func TestData(t *testing.T) {
	b := newBench(t)
	at := si.InstantOf(b.now) / 1000 * 1000
	vessel := func(at si.Instant, v si.GaugePressure, q points.Quality) sparkplug.Metric {
		return sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: q, At: at, Value: v}, false)
	}
	late := vessel(at, 1, points.Good)
	late.Historical = true
	guard := sparkplug.Str(points.MetricGuardState, at, "pressurised")
	noTime := vessel(0, 1, points.Good)
	pressed := sparkplug.OfSample(points.Sample{Point: points.Control, Quality: points.Good, At: at, Pressed: true}, true)
	line := sparkplug.OfSample(points.Sample{Point: points.Control, Quality: points.Good, At: at, Value: 3e5}, false)
	hose := sparkplug.OfSample(points.Sample{Point: points.Hose, Quality: points.Good, At: at, Value: 3e5}, false)
	for name, c := range map[string]struct {
		device  string
		metrics []sparkplug.Metric
		kind    feed.Kind // 0: nothing may come
		samples int
		bad     bool
	}{
		"several":          {"alder", []sparkplug.Metric{vessel(at+3000, 3, points.Good), vessel(at+1000, 1, points.OutOfRange), guard, vessel(at+2000, 2, points.NoReply)}, feed.Data, 3, false},
		"late":             {"alder", []sparkplug.Metric{late, guard}, feed.LateData, 1, false},
		"half late":        {"alder", []sparkplug.Metric{vessel(at, 1, points.Good), late}, feed.LateData, 2, false},
		"guard alone":      {"alder", []sparkplug.Metric{guard}, feed.Data, 0, false},
		"no time":          {"alder", []sparkplug.Metric{noTime}, 0, 0, true},
		"a switch":         {"birch", []sparkplug.Metric{pressed}, feed.Data, 1, false},
		"not a line":       {"birch", []sparkplug.Metric{line}, feed.Data, 0, true},
		"not a switch":     {"alder", []sparkplug.Metric{pressed}, feed.Data, 0, true},
		"not configured":   {"alder", []sparkplug.Metric{hose}, feed.Data, 0, false},
		"not this project": {"alder", []sparkplug.Metric{sparkplug.Str("Properties/OS", at, "x")}, feed.Data, 0, false},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			e := b.edge("quay-1", "s1", 0)
			e.born("alder", "birch")
			b.clear()
			e.data(c.device, slices.Clone(c.metrics)...)
			if (len(b.bad) > 0) != c.bad {
				t.Errorf("bad %v", b.bad)
			}
			if c.kind == 0 {
				if len(b.events) != 0 {
					t.Errorf("events %+v", b.events)
				}
				return
			}
			if len(b.events) != 1 || b.events[0].Kind != c.kind || len(b.events[0].Samples) != c.samples || b.moved != c.samples {
				t.Fatalf("events %+v", b.events)
			}
			ev := b.events[0]
			if !slices.IsSortedFunc(ev.Samples, func(a, b points.Sample) int { return int(a.At - b.At) }) {
				t.Errorf("not in order of time: %+v", ev.Samples)
			}
			if c.kind == feed.LateData && ev.GuardAt != 0 {
				t.Error("the guard's word in a late message counts as fresh")
			}
		})
	}
}

func TestBadMessages(t *testing.T) {
	b := newBench(t)
	e := b.edge("quay-1", "s1", 0)
	e.born("alder")
	for i, m := range []message{
		{topic: "spBv1.0/harrow-quay/DDATA/quay-1/alder", payload: []byte{0xff, 0xff, 0xff}},
		{topic: "spBv1.0/harrow-quay/DDATA/quay-1/alder", payload: nil}, // no seq
		{topic: "spBv1.0/harrow-quay/DDATA/quay-1", payload: nil},
		{topic: "spBv1.0/harrow-quay/NBIRTH/quay-1", payload: must(sparkplug.EncodeBirth(1000, 0, nil))},
		{topic: "spBv1.0/harrow-quay/NBIRTH/quay-1", payload: must(sparkplug.EncodeBirth(1000, 0, nil)), retained: true},
		{topic: "spBv1.0/harrow-quay/NDEATH/quay-1", payload: must(sparkplug.EncodeCommand(1000, nil))},
		{topic: strings.Repeat("/", 2000)},
	} {
		b.clear()
		m.at = b.now
		b.h.handle(m)
		if len(b.bad) != 1 || len(b.events) != 0 {
			t.Errorf("message %d: bad %v, events %+v", i, b.bad, b.events)
		}
	}
	b.h.handle(message{topic: "spBv1.0/elsewhere/DDATA/quay-1/alder", at: b.now}) // another site: not ours to judge
	e.born("alder")
	e.data("alder")
	if b.count("alder", feed.Data) != 1 {
		t.Errorf("events %+v", b.events)
	}
}

// TestBounded: whatever strangers send, the host holds no more.
func TestBounded(t *testing.T) {
	b := newBench(t)
	for i := range 3000 {
		e := b.edge("quay-1", fmt.Sprint("s", i), uint8(i))
		e.born("alder")
		e.die()
		x := b.edge(fmt.Sprint("x", i), "s", 0)
		x.born(fmt.Sprint("y", i))
	}
	n := b.h.nodes["quay-1"]
	if len(n.retired) > maxRetired || len(n.asked) > maxEchoes || len(b.h.nodes) != 2 || len(b.h.quiet.last) > quietMax {
		t.Errorf("%d retired, %d asked, %d nodes, %d log keys", len(n.retired), len(n.asked), len(b.h.nodes), len(b.h.quiet.last))
	}
}

// FuzzHandle: no payload panics, and none of a stranger's samples reach a pot.
func FuzzHandle(f *testing.F) {
	at := si.Instant(1_790_000_000_000_000)
	f.Add("DDATA", "quay-1", "alder", must(sparkplug.EncodeData(at, 2, []sparkplug.Metric{
		sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: 1}, false)})))
	f.Add("NBIRTH", "quay-1", "", must(sparkplug.EncodeBirth(at, 0, []sparkplug.Metric{sparkplug.BdSeq(at, 1)})))
	f.Fuzz(func(t *testing.T, kind, node, device string, payload []byte) {
		b := newBench(t)
		b.edge("quay-1", "s1", 0).born("alder")
		b.clear()
		topic := "spBv1.0/harrow-quay/" + kind + "/" + node
		if device != "" {
			topic += "/" + device
		}
		b.put(topic, payload)
		b.wait(time.Second)
		for _, e := range b.events {
			if len(e.Samples) > 0 && (node != "quay-1" || device != "alder" || kind != "DDATA") {
				t.Errorf("samples from %s: %+v", topic, e)
			}
			for _, s := range e.Samples {
				if s.At <= 0 || s.Value != s.Value {
					t.Errorf("sample %+v", s)
				}
			}
		}
	})
}
