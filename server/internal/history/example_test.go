package history_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"log/slog"
	"os"
	"strconv"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/history"
)

var began = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

// opened is a store with three readings of the vessel in one epoch, and one in another.
func opened() (s *history.Store, done func(), err error) {
	dir, err := os.MkdirTemp("", "history")
	if err != nil {
		return nil, nil, err
	}
	s, err = history.Open(dir, history.Options{Site: "harrow-quay", Log: slog.New(slog.DiscardHandler), MinFree: 1, Now: func() time.Time { return began.Add(time.Hour) }})
	if err != nil {
		return nil, nil, err
	}
	done = func() {
		_ = s.Close()
		_ = os.RemoveAll(dir)
	}
	_, err = s.Append(batch(1, 0, 689e3, 690e3, 688e3), batch(2, 1500, 688.5e3))
	return s, done, err
}

// batch is readings of the vessel, a second apart, from so many milliseconds on.
func batch(epoch uint64, from int, values ...si.GaugePressure) history.Batch {
	b := history.Batch{Pot: "alder", Epoch: epoch}
	for i, v := range values {
		at := si.InstantOf(began.Add(time.Duration(from+1000*i) * time.Millisecond))
		b.Samples = append(b.Samples, points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: v})
	}
	return b
}

// What comes from an agent's journal is acknowledged once it is on the disk, in the order of its positions. One Sync every few
// seconds, in a goroutine of its own, does for all. Nothing is lost where the same comes again.
func ExampleStore_Append() {
	s, done, err := opened()
	if err != nil {
		panic(err)
	}
	defer done()
	type waiting struct {
		until uint64 // position behind the last of the samples
		mark  history.Mark
	}
	var queue []waiting
	for i, b := range []history.Batch{batch(1, 3000, 687e3, 686e3), batch(1, 5000, 685e3)} {
		r, err := s.Append(b)
		if err != nil {
			return // of it nothing may be relied on: ask the agent for these positions again, later
		}
		// What is not Stored or Repeated is counted in r, and stays refused however often it comes; only TooNew may not.
		queue = append(queue, waiting{uint64(12 + 2*i), r.Mark})
	}
	look := func() {
		for len(queue) > 0 {
			switch fate := s.Fate(queue[0].mark); fate {
			case history.Pending:
				fmt.Println(len(queue), "pending")
				return
			case history.OnDisk:
				fmt.Println("acknowledge", queue[0].until)
			case history.Void:
				fmt.Println("ask again for what lies before", queue[0].until)
			}
			queue = queue[1:]
		}
	}
	look()
	if err := s.Sync(); err != nil {
		return // Run mends it; what was pending becomes void
	}
	look()
	// Output:
	// 2 pending
	// acknowledge 12
	// acknowledge 14
}

// A rewind reads all points of a pot from an instant on, in the order of time. Two epochs may overlap: it takes that of each
// record.
func ExampleStore_Range() {
	s, done, err := opened()
	if err != nil {
		panic(err)
	}
	defer done()
	q := history.Query{Pot: "alder", From: si.InstantOf(began.Add(time.Second))} // all points, up to the newest
	err = s.Range(context.Background(), q, func(r history.Record) error {
		fmt.Println(r.At, r.Point, r.Quality, float64(r.Value), "epoch", r.Epoch)
		return nil // an error, such as of a client that left, ends it
	})
	fmt.Println(err)
	// Output:
	// 2026-03-01T06:00:01.000Z vessel good 690000 epoch 1
	// 2026-03-01T06:00:01.500Z vessel good 688500 epoch 2
	// 2026-03-01T06:00:02.000Z vessel good 688000 epoch 1
	// <nil>
}

// A file is written as it is read, however long it is. A record is a row, since points are read one after another.
func ExampleStore_Range_csv() {
	s, done, err := opened()
	if err != nil {
		panic(err)
	}
	defer done()
	w := csv.NewWriter(os.Stdout)
	row := []string{"time", "point", "quality", "gauge_pa", "epoch"}
	err = w.Write(row)
	if err == nil {
		err = s.Range(context.Background(), history.Query{Pot: "alder", Points: points.SetOf(points.Vessel)}, func(r history.Record) error {
			row[0], row[1], row[2] = r.At.String(), r.Point.String(), r.Quality.String()
			row[3], row[4] = "", strconv.FormatUint(r.Epoch, 10)
			if r.Quality != points.NoReply {
				row[3] = strconv.FormatFloat(float64(r.Value), 'g', -1, 64)
			}
			return w.Write(row)
		})
	}
	w.Flush()
	fmt.Println(err, w.Error())
	// Output:
	// time,point,quality,gauge_pa,epoch
	// 2026-03-01T06:00:00.000Z,vessel,good,689000,1
	// 2026-03-01T06:00:01.000Z,vessel,good,690000,1
	// 2026-03-01T06:00:01.500Z,vessel,good,688500,2
	// 2026-03-01T06:00:02.000Z,vessel,good,688000,1
	// <nil> <nil>
}

// A picture of a range takes as many steps as it has room for. A step with no samples is a gap.
func ExampleStore_Downsampled() {
	s, done, err := opened()
	if err != nil {
		panic(err)
	}
	defer done()
	q := history.Query{Pot: "alder", From: si.InstantOf(began), To: si.InstantOf(began.Add(6 * time.Second))}
	traces, epochs, err := s.Downsampled(context.Background(), q, 2*time.Second)
	if err != nil {
		fmt.Println(err) // history.ErrQuery: what was asked for cannot be; the text says what to write
		return
	}
	fmt.Println("epochs", epochs)
	for _, t := range traces {
		for i, b := range t.Bins {
			fmt.Println(t.Point, i, b.Good.Count, float64(b.Good.Min), float64(b.Good.Mean), float64(b.Good.Max), b.NoReply)
		}
	}
	// Output:
	// epochs [1 2]
	// vessel 0 3 688500 689166.6666666666 690000 0
	// vessel 1 1 688000 688000 688000 0
	// vessel 2 0 0 0 0 0
}
