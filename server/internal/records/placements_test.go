package records

import (
	"cmp"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"gritwatch/server/internal/clocks"
)

// TestPlacements: what was decided first stands, over a start too.
func TestPlacements(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "records")
	want := []clocks.Placement{{Agent: "quay-1", Epoch: math.MaxUint64, Shift: -3 * time.Hour}, {Agent: "quay-1", Epoch: 5_000_000, Shift: 56 * 365 * 24 * time.Hour, Estimated: true},
		{Agent: "quay-2", Epoch: 7}}
	for range 2 {
		s, _ := opened(t, dir)
		must(t, s.PutPlacements(want), s.PutPlacements([]clocks.Placement{{Agent: "quay-2", Epoch: 7, Shift: time.Second}}))
		have := got[[]clocks.Placement](t)(s.Placements(t.Context()))
		slices.SortFunc(have, func(a, b clocks.Placement) int {
			return cmp.Or(cmp.Compare(a.Agent, b.Agent), cmp.Compare(b.Epoch, a.Epoch))
		})
		same(t, have, want)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
