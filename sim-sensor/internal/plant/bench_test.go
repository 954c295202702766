package plant_test

import (
	"testing"

	"gritwatch/sim-sensor/internal/plant"
)

func BenchmarkStep(b *testing.B) {
	p, err := plant.New(large, 1)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		p.Step(plant.Input{Pressed: true})
	}
	b.ReportMetric(float64(b.N)*plant.Tick.Seconds()/b.Elapsed().Seconds(), "x-real-time") // at least 500 are wanted
}

func TestStepAllocs(t *testing.T) {
	p := build(t, large)
	if n := testing.AllocsPerRun(100, func() { p.Step(plant.Input{Pressed: true}); p.Advance(plant.Input{}, 5) }); n != 0 {
		t.Errorf("a step allocates %v times", n)
	}
}
