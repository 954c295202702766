package pot

import (
	"log/slog"
	"testing"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/feed"
)

const benchPot = `name: alder
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in, target: 100 psi}
points: [supply, vessel, hose, nozzle, control]
units: {pressure: psi}
`

// A blast is an actor that takes messages of five polls of five points, and the next of them.
func blast(tb testing.TB) (a *Actor, next func()) {
	p, err := potfile.ParsePot("pot.yaml", []byte(benchPot))
	if err != nil {
		tb.Fatal(err)
	}
	start := time.Now()
	found := 0
	a = New(Config{Site: "harrow-quay", Agent: "quay-1", Pot: p}, Options{Start: start, Log: slog.New(slog.DiscardHandler),
		Events: Events{Alarm: func(f []alarm.Found) { found += len(f) }}, Crossed: func() string { return "" },
		Shift: func(string, uint64) time.Duration { return 0 }})
	e := feed.Event{Kind: feed.Data, Pot: "alder", Agent: "quay-1", Session: "s1", Epoch: 1, Digest: p.Vent().Digest(), Received: start}
	values := [points.Count]si.GaugePressure{points.Supply: 700e3, points.Vessel: 650e3, points.Hose: 640e3, points.Nozzle: 600e3, points.Control: 600e3}
	e.Samples = make([]points.Sample, 0, 25)
	n := 0
	next = func() {
		e.Samples = e.Samples[:0]
		for range 5 {
			at := si.InstantOf(start).Add(time.Duration(n) * 100 * time.Millisecond)
			n++
			for _, pt := range []points.Point{points.Supply, points.Vessel, points.Hose, points.Nozzle, points.Control} {
				e.Samples = append(e.Samples, points.Sample{Point: pt, Quality: points.Good, At: at, Value: values[pt]})
			}
		}
		e.Received = start.Add(time.Duration(n) * 100 * time.Millisecond)
		if n%50 == 5 {
			a.take(tb.Context(), &letter{echo: &feed.Echo{Agent: "quay-1", Session: "s1", Epoch: 1, Sent: e.Received, Received: e.Received, AgentAt: si.InstantOf(e.Received)}})
		}
		a.take(tb.Context(), &letter{event: e})
	}
	for range 300 { // two and a half minutes: what is found at the start has been
		next()
	}
	return a, next
}

// TestWatchAllocatesNothing: looking at the alarms of a pot where nothing changes costs no memory.
func TestWatchAllocatesNothing(t *testing.T) {
	a, _ := blast(t)
	now, sample := a.received, a.alarms.sample
	if n := testing.AllocsPerRun(200, func() {
		now, sample = now.Add(100*time.Millisecond), sample.Add(100*time.Millisecond)
		a.watch(now, sample)
	}); n > 0 {
		t.Errorf("%v allocations a look", n)
	}
}

// BenchmarkWatch is one look at a pot's alarms: there is one for each reading of all its points.
func BenchmarkWatch(b *testing.B) {
	a, _ := blast(b)
	now, sample := a.received, a.alarms.sample
	b.ReportAllocs()
	for b.Loop() {
		now, sample = now.Add(100*time.Millisecond), sample.Add(100*time.Millisecond)
		a.watch(now, sample)
	}
}

// BenchmarkTake is a message of five readings of five points, with all that follows from it.
func BenchmarkTake(b *testing.B) {
	_, next := blast(b)
	b.ReportAllocs()
	for b.Loop() {
		next()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/25, "ns/sample")
}
