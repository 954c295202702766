package replay_test

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/replay"
	"gritwatch/server/internal/samplecsv"
)

// crewLog is a log of six points, without its instants: cycles of 60 s.
func crewLog(n, hz int) []samplecsv.Row {
	rows := make([]samplecsv.Row, n)
	all := points.All()
	for i := range rows {
		s := math.Mod(float64(i)/float64(hz), 60)
		up := 0.0
		switch {
		case s >= 5 && s < 40:
			up = 1 - math.Exp(-(s-5)/1.5)
		case s >= 40:
			up = math.Exp(-(s - 40) / 2)
		}
		pressed := s >= 5 && s < 40
		hose, nozzle, control := 0.0, 0.0, 0.0
		if pressed {
			hose, nozzle, control = 660*up, 610*up, 690
		}
		r := samplecsv.Row{Has: points.SetOf(all[:]...)}
		noise := float64(i*7919%13)/13 - 0.5
		for pt, kpa := range [...]float64{700, 695, 680*up + noise, hose, nozzle, control} {
			r.Value[pt] = si.GaugePressure(kpa * si.KPa)
		}
		rows[i] = r
	}
	return rows
}

const benchStart = start

// BenchmarkEngine is what a replay costs without CSV: judge, watch, engine and an estimate a second, for rows of six points.
func BenchmarkEngine(b *testing.B) {
	for _, hz := range []int{1, 10, 50} {
		b.Run(fmt.Sprintf("%dHz", hz), func(b *testing.B) {
			rows := crewLog(60*hz, hz)
			p := replay.NewPlayer(alder(b), replay.Settings{}, io.Discard)
			b.ReportAllocs()
			n := 0
			for b.Loop() {
				row := &rows[n%len(rows)]
				row.At = benchStart.Add(time.Duration(n) * time.Second / time.Duration(hz))
				if err := p.Row(row); err != nil {
					b.Fatal(err)
				}
				n++
			}
			b.ReportMetric(float64(n*points.Count)/b.Elapsed().Seconds()/1e6, "Mvalues/s")
		})
	}
}

// BenchmarkParts are the judge alone, the engine alone, and the two with the vent watch, without lines.
func BenchmarkParts(b *testing.B) {
	rows := crewLog(1200, 10)
	each := func(n int, f func(points.Sample)) {
		row := &rows[n%len(rows)]
		at := benchStart.Add(time.Duration(n) * 100 * time.Millisecond)
		for pt, v := range row.Value {
			f(points.Sample{Point: points.Point(pt), Quality: points.Good, At: at, Value: v})
		}
	}
	b.Run("judge", func(b *testing.B) {
		j := vent.NewJudge(alder(b).Vent(), vent.Options{})
		n := 0
		for b.Loop() {
			each(n, j.Step)
			n++
		}
		b.ReportMetric(float64(n*points.Count)/b.Elapsed().Seconds()/1e6, "Mvalues/s")
	})
	b.Run("follower", func(b *testing.B) {
		pot := alder(b)
		f := engine.NewFollower(pot.Vent(), engine.Params{Nozzle: pot.Nozzle.Bore})
		n := 0
		b.ReportAllocs()
		for b.Loop() {
			each(n, f.Step)
			n++
		}
		b.ReportMetric(float64(n*points.Count)/b.Elapsed().Seconds()/1e6, "Mvalues/s")
	})
	b.Run("engine", func(b *testing.B) {
		pot := alder(b)
		e := engine.New(engine.Params{Points: pot.Points, Target: pot.Nozzle.Target})
		var in engine.Input
		var out engine.Now
		n := 0
		for b.Loop() {
			s := math.Mod(float64(n)/10, 60)
			in.Handle = vent.Handle{Known: true, Pressed: s >= 5 && s < 40, Since: benchStart}
			each(n, func(s points.Sample) {
				in.Sample = s
				e.Step(&in, &out)
			})
			n++
		}
		b.ReportMetric(float64(n*points.Count)/b.Elapsed().Seconds()/1e6, "Mvalues/s")
	})
}

// BenchmarkReplay is everything: CSV, judge, watch, engine, lines.
func BenchmarkReplay(b *testing.B) {
	rows := crewLog(36_000, 10)
	var text strings.Builder
	text.WriteString("time,supply,separator,vessel,hose,nozzle,control\n")
	for i, r := range rows {
		text.WriteString(benchStart.Add(time.Duration(i) * 100 * time.Millisecond).String())
		for _, v := range r.Value {
			fmt.Fprintf(&text, ",%.2f", float64(v)/si.PSI)
		}
		text.WriteByte('\n')
	}
	log := []byte(text.String())
	pot := alder(b)
	b.SetBytes(int64(len(log)))
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		s, err := replay.Run(b.Context(), pot, bytes.NewReader(log), io.Discard, replay.Options{Name: "bench"})
		if err != nil {
			b.Fatal(err)
		}
		n += s.Rows
	}
	b.ReportMetric(float64(n*points.Count)/b.Elapsed().Seconds()/1e6, "Mvalues/s")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Mrows/s")
}
