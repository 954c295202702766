package app_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/app"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/journal"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// What check says of a day is what a journal takes of it: an hour of the file's pots, read with noise as gauges have it, is
// written, and counted on the disk.
func TestRoom(t *testing.T) {
	for _, period := range []time.Duration{50 * time.Millisecond, 100 * time.Millisecond, time.Second} {
		text := strings.NewReplacer("period: 200ms", "period: "+period.String(), "period: 100ms", "period: "+period.String()).Replace(file)
		c, err := config.Parse("agent.yaml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		var perDay, hold float64
		said := app.Room(c)
		if _, err := fmt.Sscanf(said[strings.Index(said, "about"):], "about %f MB; 512 MB hold %f days", &perDay, &hold); err != nil {
			t.Fatalf("%q: %v", said, err)
		}
		took := anHour(t, period) * 24 / 1e6
		t.Logf("every %v: said %.3g MB a day, took %.3g", period, perDay, took)
		if ratio := perDay / took; ratio < 0.9 || ratio > 1.12 || hold < 512/perDay*0.98 || hold > 512/perDay*1.02 {
			t.Errorf("every %v: %q, and %.3g MB were taken", period, said, took)
		}
	}
}

// anHour is the bytes that an hour of two pots with two points each takes.
func anHour(t *testing.T, period time.Duration) (bytes float64) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		j, err := journal.Open(journal.Options{Folder: journal.Dir(dir)})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- j.Run(ctx) }()
		rng := rand.New(rand.NewPCG(1, 1))
		at := si.Instant(1.7e15)
		const minutes = 6
		for step := time.Duration(0); step < minutes*time.Minute; step += max(period, config.DefaultFlush) {
			for _, pot := range []string{"alder", "birch"} {
				var b []points.Sample
				for k := range max(1, int(config.DefaultFlush/period)) {
					for i, p := range []points.Point{points.Vessel, points.Control} {
						b = append(b, points.Sample{Point: p, Quality: points.Good, At: at + si.Instant((step+time.Duration(k)*period+time.Duration(i)*20*time.Millisecond).Microseconds()+rng.Int64N(400)),
							Value: si.GaugePressure((100 + 0.2*rng.NormFloat64()) * si.PSI)})
					}
				}
				if _, ok := j.Append(pot, 1.7e15, b); !ok {
					t.Fatal("refused")
				}
			}
			time.Sleep(max(period, config.DefaultFlush))
		}
		cancel()
		<-done
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
		files, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			i, err := f.Info()
			if err != nil {
				t.Fatal(err)
			}
			bytes += float64(i.Size()) * 60 / minutes
		}
	})
	return bytes
}

func TestRoomSays(t *testing.T) {
	for text, want := range map[string]string{
		"JOURNAL": "journal JOURNAL: a day takes about ",
		"{path: ./j, size: 10 MB, age: 72 h, sync: 2 s}": "journal ./j: a day takes about ",
		"{path: ./j, age: 24 h}":                         ", of which 24 h are kept (age), in ",
		"{path: ./j, sync: 2 s}":                         "; a cut of the power loses 2 s at most\n",
	} {
		c, err := config.Parse("agent.yaml", []byte(strings.Replace(file, "JOURNAL", text, 1)))
		if err != nil {
			t.Fatal(err)
		}
		if got := app.Room(c); !strings.Contains(got, want) {
			t.Errorf("%s: %q lacks %q", text, got, want)
		}
	}
}
