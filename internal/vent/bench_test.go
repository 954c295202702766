package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
)

// BenchmarkJudge is one sample and the answer after it, in the middle of presses, vents and rests of a pot with all six
// points at 10 Hz.
func BenchmarkJudge(b *testing.B) {
	s := newStory(alder(points.Supply, points.Separator, points.Vessel, points.Hose, points.Nozzle, points.Control))
	s.noise = 2
	for range 4 {
		s.rest(5)
		s.press(20)
		s.release(30)
	}
	in := s.stream()
	j := vent.NewJudge(s.pot, vent.Options{})
	length := in[len(in)-1].sample.At.Sub(in[0].sample.At) + time.Second
	var shift time.Duration
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		sample := in[i].sample
		sample.At = sample.At.Add(shift)
		j.Step(sample)
		j.Answer()
		if i++; i == len(in) {
			i, shift = 0, shift+length
		}
	}
}
