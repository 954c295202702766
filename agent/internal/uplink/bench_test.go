package uplink

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"gritwatch/agent/internal/journal"
	"gritwatch/agent/internal/journal/slate"
	"gritwatch/agent/internal/timebase"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
)

// BenchmarkSlate is what one request's readings cost where eight pots of six points have half of a flush waiting: the slate
// of all of them is written anew.
func BenchmarkSlate(b *testing.B) {
	folder := journal.Dir(b.TempDir())
	j, err := journal.Open(journal.Options{Folder: folder})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	s, _, err := slate.Open(folder, "boot", j.Status().ID, slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	clock := timebase.New(timebase.Options{})
	o := Options{Clock: clock, Word: func(string) vent.Word { return vent.NotProven }, Journal: j, Slate: s}
	all := points.All()
	for i := range 8 {
		o.Pots = append(o.Pots, Pot{Name: "pot-" + string(rune('a'+i)), Points: points.SetOf(all[:]...)})
	}
	u := New(o)
	for _, p := range o.Pots {
		for i := range 15 {
			u.Sample(p.Name, points.Sample{Point: points.Point(i % points.Count), Quality: points.Good, At: clock.Now(), Value: 100e3})
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		u.writeSlate()
	}
}

// BenchmarkKeep is a flush of one pot's half second: into the journal and into the system's hands.
func BenchmarkKeep(b *testing.B) {
	j, err := journal.Open(journal.Options{Folder: journal.Dir(b.TempDir())})
	if err != nil {
		b.Fatal(err)
	}
	defer j.Close()
	ctx, cancel := context.WithCancel(b.Context())
	done := make(chan error)
	go func() { done <- j.Run(ctx) }()
	defer func() { cancel(); <-done }()
	clock := timebase.New(timebase.Options{})
	all := points.All()
	u := New(Options{Clock: clock, Word: func(string) vent.Word { return vent.NotProven }, Journal: j,
		Pots: []Pot{{Name: "alder", Points: points.SetOf(all[:]...)}}})
	b.ReportAllocs()
	for b.Loop() {
		for i := range 30 {
			u.Sample("alder", points.Sample{Point: points.Point(i % points.Count), Quality: points.Good, At: clock.Now(), Value: 100e3})
		}
		if kept := u.keep(u.pots); len(kept[0]) == 0 || !kept[0][0].placed {
			time.Sleep(time.Millisecond) // positions are being reserved
		}
	}
}
