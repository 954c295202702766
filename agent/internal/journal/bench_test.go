package journal

import (
	"math"
	"testing"

	"gritwatch/agent/internal/journal/frame"
	"gritwatch/protocol/points"
)

// BenchmarkAppend is one pot's half second: 30 records.
func BenchmarkAppend(b *testing.B) {
	j, err := Open(Options{Folder: newDisk(1)})
	if err != nil {
		b.Fatal(err)
	}
	half := newGauge(1).half()
	b.ReportAllocs()
	for b.Loop() {
		if _, ok := j.Append("alder", epoch, half); !ok { // as if all of it had been synced
			j.buf, j.limit = j.buf[:0], j.next+1_000_000
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/30, "ns/record")
}

// BenchmarkDecode is the same half second read back.
func BenchmarkDecode(b *testing.B) {
	var id frame.ID
	raw := frame.AppendBatch(nil, id.Salt(), Batch{First: 1e6, Pot: "alder", Epoch: epoch, Samples: newGauge(1).half()})
	var back Batch
	b.ReportAllocs()
	for b.Loop() {
		f, ok := frame.At(raw, id.Salt())
		if !ok || back.Decode(f.Body) != nil {
			b.Fatal("not read")
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/30, "ns/record")
}

// BenchmarkReadDay reads a pot's day, 5.2 million records, from files.
func BenchmarkReadDay(b *testing.B) {
	j, err := Open(Options{Folder: Dir(b.TempDir())})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	const day = 86_400 * 60
	g := newGauge(1)
	for n := 0; n < day; {
		if _, ok := j.Append("alder", epoch, g.half()); ok {
			n += 30
			continue
		}
		if err := j.attempt(true); err != nil {
			b.Fatal(err)
		}
	}
	if err := j.attempt(true); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		var last points.Sample
		for batch, err := range j.Read(0, math.MaxUint64) {
			if err != nil {
				b.Fatal(err)
			}
			n += len(batch.Samples)
			last = batch.Samples[len(batch.Samples)-1]
		}
		if n != day || last.Quality != points.Good {
			b.Fatalf("%d read", n)
		}
	}
	b.ReportMetric(float64(j.Status().Bytes)/1e6, "MB")
}
