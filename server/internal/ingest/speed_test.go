package ingest

import (
	"log/slog"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// nowhere takes everything and keeps nothing.
type nowhere struct{}

func (nowhere) Event(feed.Event)     {}
func (nowhere) Echo(feed.Echo)       {}
func (nowhere) Lines(feed.Lines)     {}
func (nowhere) Journal(feed.Journal) {}

// BenchmarkHandle takes in half a second of a pot with five points read ten times a second: 25 readings and the guard's
// word, with all of one session's numbers in turn.
func BenchmarkHandle(b *testing.B) {
	all := []points.Point{points.Supply, points.Separator, points.Vessel, points.Hose, points.Control}
	at := si.InstantOf(time.Now())
	payloads := func(alias bool) (birth []byte, data [256][]byte) {
		h := func(m sparkplug.Metric, n uint64) sparkplug.Metric {
			if alias {
				m.Alias, m.Aliased = 200<<10+n, true
			}
			return m
		}
		var ms []sparkplug.Metric
		for i, p := range all {
			ms = append(ms, h(sparkplug.OfSample(points.Sample{Point: p, Quality: points.Good, At: at, Value: 1000}, false), uint64(i)))
		}
		ms = append(ms, h(sparkplug.Str(points.MetricGuardState, at, "pressurised"), 5))
		birth = must(sparkplug.EncodeBirth(at, 1, ms))
		for seq := range data {
			ms = ms[:0]
			for k := range 5 {
				for i, p := range all {
					ms = append(ms, h(sparkplug.OfSample(points.Sample{Point: p, Quality: points.Good, At: at.Add(time.Duration(k) * 100 * time.Millisecond), Value: 1000}, false), uint64(i)))
				}
			}
			ms = append(ms, h(sparkplug.Str(points.MetricGuardState, at.Add(time.Second), "pressurised"), 5))
			data[seq] = must(sparkplug.EncodeData(at, uint8(seq), ms))
		}
		return birth, data
	}
	for _, c := range []struct {
		name  string
		alias bool
	}{{"names", false}, {"aliases", true}} {
		b.Run(c.name, func(b *testing.B) {
			h := newHost(Options{Site: "harrow-quay", Sink: nowhere{}, Log: slog.New(slog.DiscardHandler), Pots: []Pot{
				{Name: "alder", Agent: "quay-1", Points: points.SetOf(all...)}}}.withDefaults(), func(string, time.Time, []sparkplug.Metric) {})
			now := time.Now()
			h.handle(message{topic: "spBv1.0/harrow-quay/NBIRTH/quay-1", at: now, payload: must(sparkplug.EncodeBirth(at, 0, []sparkplug.Metric{
				sparkplug.BdSeq(at, 1), sparkplug.Uint(points.MetricClockEpoch, at, 7), sparkplug.Str(points.MetricSession, at, "s")}))})
			birth, data := payloads(c.alias)
			h.handle(message{topic: "spBv1.0/harrow-quay/DBIRTH/quay-1/alder", at: now, payload: birth})
			b.ReportAllocs()
			i := 2
			for b.Loop() {
				h.handle(message{topic: "spBv1.0/harrow-quay/DDATA/quay-1/alder", at: now, payload: data[i&255]})
				i++
			}
			if h.nodes["quay-1"].state != live {
				b.Fatal("data was not believed")
			}
		})
	}
}
