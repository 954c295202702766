// Command fill makes a journal as an agent leaves it that was cut off for long: six points of one pot, ten times a second, in one
// epoch of the clock. It is for tests, which build it for themselves, and is not shipped.
//
// It writes through the journal's own Append and Sync, in batches as the agent flushes them, and lets the journal's running time pass
// as the records' time does. The pot works: it is pressed for five minutes and rests for three. What it tells on standard output
// is a JSON object (report).
package main

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync/atomic"
	"time"

	"gritwatch/agent/internal/journal"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// How an agent reads and flushes.
const (
	period = 100 * time.Millisecond
	flush  = 500 * time.Millisecond
	apart  = 7 * time.Millisecond // from one point to the next: a request and its reply on a line of 115,200 bit/s
)

// report is what was filled in.
type report struct {
	ID      string    `json:"id"`      // of the journal
	Epoch   uint64    `json:"epoch"`   // us, the instant of the first record
	Records uint64    `json:"records"` // at the positions from 0 on, without a hole
	First   time.Time `json:"first"`
	Last    time.Time `json:"last"`
	Presses int       `json:"presses"` // that began and whose vents have ended
	Sum     string    `json:"sum"`     // FNV-1a, 64 bits, of all records in order: time (us, 8 bytes), point (1), value (float32, Pa, 4), little-endian
}

func main() {
	folder := flag.String("folder", "", "the journal's, which must be empty")
	pot := flag.String("pot", "", "its name")
	length := flag.Duration("for", 24*time.Hour, "how long a time is filled in")
	until := flag.String("until", "", "where it ends, RFC 3339; now, if absent")
	flag.Parse()
	if err := run(*folder, *pot, *length, *until, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "fill:", err)
		os.Exit(1)
	}
}

func run(folder, pot string, length time.Duration, until string, out io.Writer) (err error) {
	end := time.Now()
	if until != "" {
		if end, err = time.Parse(time.RFC3339Nano, until); err != nil {
			return err
		}
	}
	if found, err := filepath.Glob(filepath.Join(folder, "*.segment")); err != nil || len(found) > 0 {
		return errors.Join(err, fmt.Errorf("%s has %d segments of a journal: name an empty folder", folder, len(found)))
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	var ran atomic.Int64
	j, err := journal.Open(journal.Options{Folder: journal.Dir(folder), MaxAge: length + journal.DefaultMaxAge,
		Mono: func() time.Duration { return time.Duration(ran.Load()) }})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- j.Run(ctx) }()
	start := si.InstantOf(end.Add(-length).Truncate(time.Millisecond))
	r, err := fill(ctx, j, pot, start, length, func(d time.Duration) { ran.Store(int64(d)) })
	cancel()
	if err = errors.Join(err, <-done, j.Close()); err != nil {
		return err
	}
	return json.NewEncoder(out).Encode(r)
}

// fill appends the records of so long a time from start on. passed is told how much of it has passed.
func fill(ctx context.Context, j *journal.Journal, pot string, start si.Instant, length time.Duration, passed func(time.Duration)) (report, error) {
	r := report{ID: j.Status().ID, Epoch: uint64(start), First: start.Time()}
	p := plant{noise: rand.New(rand.NewPCG(1, 2))}
	sum := fnv.New64a()
	var raw []byte
	batch := make([]points.Sample, 0, int(flush/period)*points.Count)
	for at := time.Duration(0); at < length; {
		batch, raw = batch[:0], raw[:0]
		for until := min(at+flush, length); at < until; at += period {
			for _, point := range points.All() {
				t := at + time.Duration(point)*apart
				s := points.Sample{Point: point, Quality: points.Good, At: start.Add(t), Value: p.read(point, t)}
				batch = append(batch, s)
				raw = binary.LittleEndian.AppendUint64(raw, uint64(s.At))
				raw = binary.LittleEndian.AppendUint32(append(raw, byte(point)), math.Float32bits(float32(s.Value)))
			}
		}
		passed(at)
		first, ok := j.Append(pot, r.Epoch, batch)
		if !ok { // so many positions are not reserved before what came before is on the disk
			if err := j.Sync(ctx); err != nil {
				return r, err
			}
			if first, ok = j.Append(pot, r.Epoch, batch); !ok {
				return r, fmt.Errorf("the journal refuses what is to come behind %d records", r.Records)
			}
		}
		if first != r.Records {
			return r, fmt.Errorf("position %d was given where %d follows", first, r.Records)
		}
		sum.Write(raw) // never an error, says hash.Hash
		r.Records += uint64(len(batch))
		r.Last = batch[len(batch)-1].At.Time()
	}
	r.Presses = int((length + rests - vented) / (presses + rests))
	r.Sum = fmt.Sprintf("%016x", sum.Sum64())
	return r, j.Sync(ctx)
}

// The pot's round: at rest at first, then pressed, then let go.
const (
	rests   = 3 * time.Minute
	presses = 5 * time.Minute
	vented  = rests + 30*time.Second // a vent that began before has long ended
)

// plant is a pot as simple as can be: pressures that rise and fall as those of a vessel do.
type plant struct{ noise *rand.Rand }

// read is what a gauge shows at a time from the beginning on.
func (p plant) read(point points.Point, t time.Duration) si.GaugePressure {
	const (
		supply = 770e3 // Pa, all of them
		vessel = 700e3
		charge = 4 * time.Second // time constants
		bleed  = 2 * time.Second
		full   = 200 * si.PSI
	)
	in := t % (rests + presses)
	pressed := in >= rests
	decay := func(since, tau time.Duration) float64 { return math.Exp(-since.Seconds() / tau.Seconds()) }
	var v, flows float64
	switch {
	case pressed:
		v = vessel * (1 - decay(in-rests, charge))
		flows = v / vessel
	case t >= rests: // not before the first press
		v = vessel * decay(in, bleed)
	}
	out := 0.0
	switch point {
	case points.Supply:
		out = supply - 20e3*flows
	case points.Separator:
		out = supply - 26e3*flows
	case points.Vessel:
		out = v
	case points.Hose:
		out = v * 0.98
	case points.Nozzle:
		out = v * 0.92
	case points.Control:
		if pressed {
			out = 550e3
		}
	}
	return si.GaugePressure(out + 0.0005*float64(full)*p.noise.NormFloat64())
}
