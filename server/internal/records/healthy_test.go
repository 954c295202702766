package records

import (
	"testing"
	"time"

	"gritwatch/server/internal/engine"
)

// What a vent was judged by and what the vessel held are kept as they were, and a late cycle that takes an incomplete one's place brings its own; what has none has none.
func TestCycleKeepsWhatItWasJudgedBy(t *testing.T) {
	s, _ := opened(t, t.TempDir())
	first, second, none := cycleOf("alder", time.Hour), cycleOf("alder", time.Hour), cycleOf("birch", time.Hour)
	first.Incomplete, second.Late = true, true
	first.Healthy = engine.Envelope{From: 690000.123456789, Open: -1500 * time.Microsecond, Rate: 1.0 / 3, Tail: 215000.25, TailRate: 4.0 / 15, DownTo: 121590, Ambient: 101325}
	second.Contents = engine.Contents{Before: 1.02, Left: 1.0 / 3, Low: 0.25, High: 0.4}
	second.Healthy = engine.Envelope{From: 700e3, Open: 850_001 * time.Microsecond, Rate: 0.21, DownTo: 95400, Ambient: 79500}
	for _, c := range []Cycle{first, second, none} {
		must(t, s.AddCycle(c))
		if p := got[Page[Cycle]](t)(s.Cycles(t.Context(), Query{Pot: c.Pot})); len(p.Items) != 1 || p.Items[0] != c {
			t.Errorf("%+v, want %+v", p.Items, c)
		}
	}
}
