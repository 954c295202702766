package app

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/crossed"
)

// TestWiring: three pots are heard by three goroutines at once, 10 s late to each other at most; the first two are crossed until 400 s.
func TestWiring(t *testing.T) {
	var pots []potfile.Pot
	for _, name := range []string{"alder", "birch", "cedar"} {
		p, err := potfile.ParsePot("pot.yaml", fmt.Appendf(nil, "name: %s\nvessel: {volume: 6.5 ft3, rated: 150 psi}\nhose: {bore: 1.25 in, length: 50 ft}\n"+
			"nozzle: {bore: 7/16 in, target: 100 psi}\npoints: [vessel, hose, control]\n", name))
		if err != nil {
			t.Fatal(err)
		}
		pots = append(pots, p)
	}
	var log bytes.Buffer
	w := newWiring(pots, slog.New(slog.NewTextHandler(&log, nil)))
	start := si.InstantOf(time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC))

	// Pot i is pressed for 12 s from 20 + 30 i on, each 90 s.
	pressed := func(pot int, s float64) bool {
		s = math.Mod(s-20-30*float64(pot), 90)
		return s >= 0 && s < 12
	}
	truth := func(pot int, s float64) float64 {
		s = math.Mod(s-20.3-30*float64(pot), 90)
		switch {
		case s < 0:
			return 0
		case s < 12:
			return 650e3 * (1 - math.Exp(-s))
		}
		return 650e3 * math.Exp(-(s-12)/2)
	}
	var judges []*vent.Judge
	for _, p := range pots {
		judges = append(judges, vent.NewJudge(p.Vent(), vent.Options{}))
	}
	play := func(pot int, from, to float64) {
		hear := w.of(pot)
		judge := judges[pot]
		for k := range int((to - from) * 10) {
			s := from + float64(k)/10
			gauge := pot
			if s < 400 && pot < 2 {
				gauge = 1 - pot
			}
			v := [points.Count]float64{points.Vessel: truth(gauge, s), points.Hose: 20e3}
			if pressed(pot, s) {
				v[points.Control], v[points.Hose] = 600e3, 0.9*truth(pot, s)
			}
			for _, pt := range []points.Point{points.Vessel, points.Hose, points.Control} {
				sample := points.Sample{Point: pt, Quality: points.Good, At: start.Add(time.Duration(s * 1e9)), Value: si.GaugePressure(v[pt])}
				judge.Step(sample)
				hear(context.Background(), sample, judge.Handle())
			}
		}
	}
	together := func(from, to float64) {
		for ; from < to; from += 10 {
			var wg sync.WaitGroup
			for pot := range pots {
				wg.Go(func() { play(pot, from, min(from+10, to)) })
			}
			wg.Wait()
		}
	}

	together(0, 300)
	got := w.Crossings()
	if len(got) != 2 || got[0].Pressed != "alder" || got[0].Moved != "birch" || got[1].Pressed != "birch" || got[1].Moved != "alder" ||
		got[0].Kind != crossed.VesselGauges || got[0].Since.Sub(start).Round(time.Second) != 122*time.Second {
		t.Errorf("found %+v", got)
	}
	together(300, 700)
	if got := w.Crossings(); len(got) != 0 {
		t.Errorf("after it was mended: %+v", got)
	}
	for text, n := range map[string]int{
		`level=WARN msg="pots alder and birch are crossed: vessel; a press of alder moves the vessel gauge of birch: treat both as pressurised and check their wiring" crossed="the vessel gauges"`: 1,
		`level=WARN msg="pots birch and alder are crossed: vessel; `:   1,
		`level=INFO msg="pots alder and birch no longer look crossed"`: 1,
		`level=INFO msg="pots birch and alder no longer look crossed"`: 1,
		"\n": 4,
	} {
		if c := strings.Count(log.String(), text); c != n {
			t.Errorf("%d times in the log, want %d: %s", c, n, text)
		}
	}
	if t.Failed() {
		t.Log(log.String())
	}
}
