package records

import (
	"context"
	"time"

	"gritwatch/server/internal/clocks"
)

const placementColumns = "agent, epoch, shift_us, estimated"

// putPlacement stores where an epoch stands. That is decided once: a second decision is left out.
func putPlacement(ctx context.Context, s session, p placement) error {
	return run(ctx, s, insert("placements", placementColumns)+" ON CONFLICT (agent, epoch) DO NOTHING",
		p.Agent, int64(p.Epoch), p.Shift.Microseconds(), p.Estimated)
}

func placements(ctx context.Context, s session) ([]clocks.Placement, error) {
	return all(ctx, s, func(r row) (p clocks.Placement, err error) {
		var epoch, shift int64
		err = r.Scan(&p.Agent, &epoch, &shift, &p.Estimated)
		p.Epoch, p.Shift = uint64(epoch), time.Duration(shift)*time.Microsecond
		return p, err
	}, "SELECT "+placementColumns+" FROM placements ORDER BY agent, epoch")
}

// A placement is one that is checked before it is queued.
type placement struct{ clocks.Placement }

func (p placement) check() error {
	c := checker{what: "placement of a clock of " + p.Agent}
	c.words("agent", p.Agent)
	return c.err
}

// PutPlacements stores where epochs of agents' clocks stand.
func (s *SQLite) PutPlacements(list []clocks.Placement) *Write {
	checked := make([]placement, len(list))
	for i, p := range list {
		checked[i] = placement{p}
	}
	return putEach(s, ofPosition, checked, putPlacement, nil)
}

// Placements gives those of all epochs.
func (s *SQLite) Placements(ctx context.Context) ([]clocks.Placement, error) {
	return placements(ctx, s.read)
}
