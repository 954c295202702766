package records

import (
	"context"
	"fmt"
	"time"

	"gritwatch/protocol/si"
)

var cycles = table[Cycle]{
	name: "cycles",
	columns: "pot, press_us, release_us, ended_us, inferred, late, incomplete, vent_from_pa, vent_tau_s, vent_settled_us, " +
		"vent_residual_pa, abrasive_kg, healthy_from_pa, healthy_open_us, healthy_rate_per_s, healthy_tail_pa, healthy_tail_rate_per_s, healthy_down_to_pa, healthy_ambient_pa, " +
		"contents_before, contents_left, contents_low, contents_high",
	at: "press_us", key: "pot", owner: "pot",
	scan: func(r row) (c Cycle, err error) {
		var settled, open int64
		v, h, l := &c.Vent, &c.Healthy, &c.Contents
		err = r.Scan(&c.Pot, &c.Press, &c.Release, &c.Ended, &c.Inferred, &c.Late, &c.Incomplete, &v.From, &v.Tau, &settled, &v.Residual, &c.Abrasive,
			&h.From, &open, &h.Rate, &h.Tail, &h.TailRate, &h.DownTo, &h.Ambient, &l.Before, &l.Left, &l.Low, &l.High)
		v.Settled, h.Open = time.Duration(settled)*time.Microsecond, time.Duration(open)*time.Microsecond
		return c, err
	},
	place: func(c Cycle) (si.Instant, string) { return c.Press, c.Pot },
}

// addCycle follows the rules of Records.AddCycle.
func addCycle(ctx context.Context, s session, c Cycle) error {
	if c.Late && !c.Incomplete {
		err := run(ctx, s, "DELETE FROM cycles WHERE pot = $1 AND press_us < $2 AND ended_us > $3 AND press_us <> $3 AND incomplete",
			c.Pot, int64(c.Ended), int64(c.Press))
		if err != nil {
			return err
		}
	}
	v, h, l := c.Vent, c.Healthy, c.Contents
	return run(ctx, s, insert(cycles.name, cycles.columns)+
		` ON CONFLICT (pot, press_us) DO UPDATE SET release_us = excluded.release_us, ended_us = excluded.ended_us,
			inferred = excluded.inferred, late = excluded.late, incomplete = excluded.incomplete, vent_from_pa = excluded.vent_from_pa,
			vent_tau_s = excluded.vent_tau_s, vent_settled_us = excluded.vent_settled_us, vent_residual_pa = excluded.vent_residual_pa,
			abrasive_kg = excluded.abrasive_kg, healthy_from_pa = excluded.healthy_from_pa, healthy_open_us = excluded.healthy_open_us,
			healthy_rate_per_s = excluded.healthy_rate_per_s, healthy_tail_pa = excluded.healthy_tail_pa,
			healthy_tail_rate_per_s = excluded.healthy_tail_rate_per_s, healthy_down_to_pa = excluded.healthy_down_to_pa,
			healthy_ambient_pa = excluded.healthy_ambient_pa, contents_before = excluded.contents_before, contents_left = excluded.contents_left,
			contents_low = excluded.contents_low, contents_high = excluded.contents_high
		WHERE cycles.incomplete AND (excluded.late OR NOT excluded.incomplete)`,
		c.Pot, int64(c.Press), int64(c.Release), int64(c.Ended), c.Inferred, c.Late, c.Incomplete, float64(v.From), v.Tau, v.Settled.Microseconds(), float64(v.Residual), float64(c.Abrasive),
		float64(h.From), h.Open.Microseconds(), h.Rate, float64(h.Tail), h.TailRate, float64(h.DownTo), float64(h.Ambient),
		float64(l.Before), float64(l.Left), float64(l.Low), float64(l.High))
}

// abrasiveUsed follows Records.AbrasiveUsed.
func abrasiveUsed(ctx context.Context, s session, pot string, from, to si.Instant, step time.Duration) ([]AbrasiveUse, error) {
	if step < time.Microsecond || from >= to {
		return nil, fmt.Errorf("records: no steps of %v from %v to %v", step, from, to)
	}
	scan := func(r row) (x AbrasiveUse, err error) {
		var n, blast, metered int64
		err = r.Scan(&n, &x.Used, &x.Cycles, &x.Unknown, &blast, &metered)
		x.From = from.Add(time.Duration(n) * step)
		x.Blast, x.Metered = time.Duration(blast)*time.Microsecond, time.Duration(metered)*time.Microsecond
		return x, err
	}
	// A cycle whose use is not known has none.
	return all(ctx, s, scan, `SELECT (press_us - $1) / $2 AS step, SUM(abrasive_kg), COUNT(*), SUM(CASE WHEN abrasive_kg > 0 THEN 0 ELSE 1 END),
			SUM(release_us - press_us), SUM(CASE WHEN abrasive_kg > 0 THEN release_us - press_us ELSE 0 END)
		FROM cycles WHERE pot = $3 AND press_us >= $1 AND press_us < $4 GROUP BY step ORDER BY step`,
		int64(from), step.Microseconds(), pot, int64(to))
}
