package eval_test

import (
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/plant"
	"gritwatch/sim-sensor/internal/scenario"
)

// A scale is how much is played.
type scale struct {
	dir    string // for what is generated; "": the ordinary tests
	seeds  []uint64
	length time.Duration // of every scenario
	names  []string
}

// FirstSeed is the first of those kept for scoring.
const FirstSeed = 1000

func asked() scale {
	s := scale{dir: os.Getenv("EVAL"), seeds: []uint64{1}, length: 2 * time.Minute, names: []string{"healthy", "demo"}}
	if s.dir == "" {
		return s
	}
	n := uint64(1)
	if s.length = 20 * time.Minute; os.Getenv("FULL") == "1" {
		n, s.length = 5, 30*time.Minute
	}
	s.names, s.seeds = scenario.Names(), nil
	for i := range n {
		s.seeds = append(s.seeds, FirstSeed+i)
	}
	return s
}

// drawn is how many times as many seeds the families get: each of them is another site.
const drawn = 8

// seedsOf are the seeds under which a scenario is left for an engine.
func (s scale) seedsOf(name string) []uint64 {
	if s.dir == "" || name != scenario.Crews && name != scenario.Troubled && name != scenario.Shut {
		return s.seeds
	}
	out := slices.Clone(s.seeds)
	for i := range uint64((drawn - 1) * len(s.seeds)) {
		out = append(out, s.seeds[len(s.seeds)-1]+1+i)
	}
	return out
}

// A table is what is printed.
type table struct {
	t *testing.T
	w *tabwriter.Writer
}

func newTable(t *testing.T, title string, columns ...string) *table {
	fmt.Fprintf(t.Output(), "\n%s\n", title)
	tb := &table{t, tabwriter.NewWriter(t.Output(), 0, 0, 2, ' ', 0)}
	tb.row(columns...)
	return tb
}

func (tb *table) row(cells ...string) { fmt.Fprintln(tb.w, strings.Join(cells, "\t")) }

func (tb *table) end() {
	if err := tb.w.Flush(); err != nil {
		tb.t.Error(err)
	}
}

func verdict(ok bool) string {
	if ok {
		return "held"
	}
	return "MISSED"
}

func TestEval(t *testing.T) {
	s := asked()
	t.Run("consumption", func(t *testing.T) { nozzles(t, s) })
	t.Run("balance", func(t *testing.T) { balance(t, s) })
	if s.dir == "" {
		return
	}
	t.Run("arm64", arm64)
	t.Run("files", func(t *testing.T) { files(t, s) })
}

// cfm is a flow of free air at 14.7 psia and 68 F, the trade's own reference.
func cfm(kgS float64) float64 {
	const freeAir = 14.7 * si.PSI / (287.05 * 293.15) // kg/m3
	return kgS / freeAir / 4.719474432e-4
}

// nozzles lets each nozzle blast at the pressures of the handbook's table, and compares air and abrasive.
func nozzles(t *testing.T, s scale) {
	// Pots as the trade pairs them with their nozzles; common practice, no source.
	hoses := map[int]si.Length{3: 0.75 * si.Inch, 4: 0.75 * si.Inch, 5: si.Inch, 6: si.Inch, 7: 1.25 * si.Inch, 8: 1.25 * si.Inch}
	volumes := map[int]si.Volume{3: 1.5 * si.CubicFoot, 4: 1.5 * si.CubicFoot, 5: 3.5 * si.CubicFoot, 6: 3.5 * si.CubicFoot, 7: 6.5 * si.CubicFoot, 8: 6.5 * si.CubicFoot}
	tb := newTable(t, "Air and abrasive of a blast, simulated over the handbook's (mean and worst of its pressures)",
		"nozzle", "cells", "air mean", "air worst", "abrasive mean", "abrasive worst", "")
	for n := 3; n <= 8; n++ {
		var air, grit []float64
		rows := consumption[n]
		if s.dir == "" {
			rows = rows[len(rows)-2:]
		}
		for _, r := range rows {
			p, err := plant.New(plant.Spec{Volume: volumes[n], HoseBore: hoses[n], HoseLength: 50 * si.Foot, NozzleBore: si.Length(n) * si.Inch / 16,
				Target: si.GaugePressure(r.psi * si.PSI)}, FirstSeed)
			if err != nil {
				t.Fatal(err)
			}
			const settle, watch = 30_000, 20_000 // ticks of a millisecond
			var at, a, g float64
			for tick := range settle + watch {
				p.Step(plant.Input{Pressed: true})
				if tick >= settle {
					fa, fg := p.NozzleFlow()
					at, a, g = at+p.Pressure(nozzlePoint).PSI()/watch, a+float64(fa)/watch, g+float64(fg)/watch
				}
			}
			wantAir, wantGrit := tabled(n, at)
			air, grit = append(air, cfm(a)/wantAir), append(grit, g/(wantGrit*si.Pound/3600))
		}
		am, aw := spread(air)
		gm, gw := spread(grit)
		// The choked-flow law with the table's own mean loading misses the table's air by up to 6.4 % (nozzle 3): its rows for
		// small and for large nozzles are two series.
		ok := math.Abs(am-1) < 0.07 && aw < 0.09 && math.Abs(gm-1) < 0.07 && gw < 0.09
		tb.row(fmt.Sprint(n), fmt.Sprint(len(rows)), fmt.Sprintf("%.3f", am), fmt.Sprintf("%.1f %%", 100*aw), fmt.Sprintf("%.3f", gm), fmt.Sprintf("%.1f %%", 100*gw), verdict(ok))
		if !ok {
			t.Errorf("nozzle %d: air %.3f, grit %.3f of the table", n, air, grit)
		}
	}
	tb.end()
}

// tabled are the table's air and abrasive of a nozzle at a pressure, between its rows or a little beyond them.
func tabled(n int, psi float64) (cfm, lbh float64) {
	rows := consumption[n]
	i := 1
	for i < len(rows)-1 && rows[i].psi < psi {
		i++
	}
	a, b := rows[i-1], rows[i]
	share := (psi - a.psi) / (b.psi - a.psi)
	return a.cfm + share*(b.cfm-a.cfm), a.lbh + share*(b.lbh-a.lbh)
}

// spread is the mean of ratios and the largest distance of one from 1.
func spread(ratios []float64) (mean, worst float64) {
	for _, r := range ratios {
		mean += r / float64(len(ratios))
		worst = max(worst, math.Abs(r-1))
	}
	return mean, worst
}

// balance plays the scenarios and looks whether any air or abrasive came from nowhere.
func balance(t *testing.T, s scale) {
	type pot struct {
		p         *plant.Pot
		air, grit float64
	}
	var worstAir, worstGrit float64
	var whoAir, whoGrit string
	var blown, poured, hours float64
	pots := 0
	began := time.Now()
	for _, name := range s.names {
		for _, seed := range s.seeds {
			sc, err := scenario.Seeded(name, seed)
			if err != nil {
				t.Fatal(err)
			}
			w, err := scenario.NewWorld(sc)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			var all []pot
			for i := range sc.Pots {
				v, h := w.Plant(i).Grit()
				all = append(all, pot{w.Plant(i), float64(w.Plant(i).Air()), float64(v + h)})
			}
			for w.At() < s.length {
				w.Step()
			}
			for i, p := range all {
				l := p.p.Ledger()
				v, h := p.p.Grit()
				who := fmt.Sprintf("%s seed %d %s", name, seed, sc.Pots[i].Name)
				through := max(float64(l.AirIn), float64(l.AirOut), p.air)
				if e := math.Abs(float64(l.AirIn-l.AirOut)-(float64(p.p.Air())-p.air)) / through; !(e <= worstAir) {
					worstAir, whoAir = e, who
				}
				moved := max(float64(l.GritIn), float64(l.GritOut), p.grit, 1)
				if e := math.Abs(float64(l.GritIn-l.GritOut)-(float64(v+h)-p.grit)) / moved; !(e <= worstGrit) {
					worstGrit, whoGrit = e, who
				}
				blown, poured, hours, pots = blown+float64(l.AirOut), poured+float64(l.GritOut), hours+w.At().Hours(), pots+1
			}
		}
	}
	took := time.Since(began)
	tb := newTable(t, fmt.Sprintf("Mass balance of %d scenarios, seeds %d to %d: %d pots, %.1f h each and together %.0f h, %.0f kg of air and %.0f kg of abrasive blown",
		len(s.names), s.seeds[0], s.seeds[len(s.seeds)-1], pots, s.length.Hours(), hours, blown, poured), "of", "not closed, share", "aim", "worst at", "")
	for _, r := range []struct {
		of    string
		worst float64
		who   string
	}{{"air", worstAir, whoAir}, {"abrasive", worstGrit, whoGrit}} {
		ok := r.worst <= 1e-6
		tb.row(r.of, fmt.Sprintf("%.1e", r.worst), "1e-06", r.who, verdict(ok))
		if !ok {
			t.Errorf("%s: %.2e not closed at %s", r.of, r.worst, r.who)
		}
	}
	tb.end()
	fmt.Fprintf(t.Output(), "played %.0f times as fast as real time, a pot on one core of %d (%s)\n", hours*3600/took.Seconds(), runtime.NumCPU(), runtime.GOARCH)
	if blown == 0 || poured == 0 || slices.Contains([]float64{worstAir, worstGrit}, math.Inf(1)) {
		t.Error("nothing was blasted")
	}
}
