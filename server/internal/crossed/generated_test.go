package crossed_test

import (
	"compress/gzip"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/crossed"
)

// TestGenerated plays what `gritwatch-sim generate --scenario swapped --seed 7 --hours 0.0667 --rate 5` wrote: two pots with
// crossed vessel gauges, each pressed at the moment at which the other is let go. The model behind it is not the one of this test's yard.
func TestGenerated(t *testing.T) {
	crossedGauges := []crossed.Finding{is(0, 1, crossed.VesselGauges), is(1, 0, crossed.VesselGauges)}
	for _, c := range []struct {
		name string
		to   [2]int // the pots to which the vessel gauges' readings are given
		want []crossed.Finding
	}{
		{"as it was wired", [2]int{0, 1}, crossedGauges},
		{"exchanged again", [2]int{1, 0}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			var in []crossed.Input
			for i, name := range []string{"alder", "birch"} {
				in = append(in, readPot(t, filepath.Join("testdata", "swapped-7", name+".csv.gz"), i)...)
			}
			for i := range in {
				if in[i].Sample.Point == points.Vessel {
					in[i].Pot = c.to[in[i].Pot]
				}
			}
			got, changes := play(in, 2)
			for i := range got {
				got[i].Since = 0
			}
			if !slices.Equal(got, c.want) || changes != len(c.want) {
				t.Errorf("found %+v in %d changes, want %+v", got, changes, c.want)
			}
		})
	}
}

// play feeds samples in order of time and counts the changes.
func play(in []crossed.Input, pots int) (found []crossed.Finding, changes int) {
	slices.SortStableFunc(in, func(a, b crossed.Input) int { return int(a.Sample.At - b.Sample.At) })
	var has points.Set
	for _, x := range in {
		has |= points.SetOf(x.Sample.Point)
	}
	judges := make([]*vent.Judge, pots)
	for i := range judges {
		judges[i] = newJudge(&plot{points: has})
	}
	s := crossed.New(make([]crossed.Params, pots))
	for _, x := range in {
		judges[x.Pot].Step(x.Sample)
		x.Handle = judges[x.Pot].Handle()
		if s.Step(&x) {
			changes++
		}
	}
	return s.Append(nil), changes
}

// readPot reads a generated log, in kPa.
func readPot(t *testing.T, path string, pot int) (out []crossed.Input) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z, err := gzip.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(z).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		at, err := time.Parse(time.RFC3339, row[0])
		if err != nil {
			t.Fatal(err)
		}
		for k, text := range row[1:] {
			pt, err := points.Parse(rows[0][k+1])
			if err != nil {
				t.Fatal(err)
			}
			kpa, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(fmt.Errorf("%s: %w", path, err))
			}
			s := points.Sample{Point: pt, Quality: points.Good, At: si.InstantOf(at), Value: si.GaugePressure(kpa * si.KPa)}
			out = append(out, crossed.Input{Pot: pot, Sample: s})
		}
	}
	return out
}
