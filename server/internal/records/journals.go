package records

import (
	"context"

	"gritwatch/protocol/si"
)

const positionColumns = "agent, journal, stored, stored_before, at_us"

func putPosition(ctx context.Context, s session, p Position) error {
	return run(ctx, s, insert("positions", positionColumns)+` ON CONFLICT (agent, journal) DO UPDATE SET stored = excluded.stored,
		stored_before = excluded.stored_before, at_us = excluded.at_us`, p.Agent, p.Journal, int64(p.Stored), int64(p.Before), int64(p.At))
}

func positions(ctx context.Context, s session) ([]Position, error) {
	return all(ctx, s, func(r row) (p Position, err error) {
		err = r.Scan(&p.Agent, &p.Journal, &p.Stored, &p.Before, &p.At)
		return p, err
	}, "SELECT "+positionColumns+" FROM positions ORDER BY agent, journal")
}

// A loss has an id of its own, for what is new of a range may be several pieces.
type loss struct {
	id string
	Loss
}

var losses = table[loss]{
	name: "losses", columns: "id, agent, journal, from_position, to_position, at_us, why",
	at: "at_us", key: "id", owner: "agent",
	scan: func(r row) (l loss, err error) {
		err = r.Scan(&l.id, &l.Agent, &l.Journal, &l.From, &l.To, &l.At, &l.Why)
		return l, err
	},
	place: func(l loss) (si.Instant, string) { return l.At, l.id },
}

// addLoss stores what of a loss is not recorded yet.
func addLoss(ctx context.Context, s session, l Loss) error {
	known, err := all(ctx, s, losses.scan, "SELECT "+losses.columns+` FROM losses WHERE agent = $1 AND journal = $2
		AND from_position < $3 AND to_position > $4 ORDER BY from_position`, l.Agent, l.Journal, int64(l.To), int64(l.From))
	if err != nil {
		return err
	}
	for from := l.From; from < l.To; {
		to := l.To
		next := l.To
		if len(known) > 0 {
			to, next = max(from, known[0].From), known[0].To
			known = known[1:]
		}
		if from < to {
			if err := run(ctx, s, insert(losses.name, losses.columns), NewID(l.At), l.Agent, l.Journal, int64(from), int64(to), int64(l.At), l.Why); err != nil {
				return err
			}
		}
		from = next
	}
	return nil
}
