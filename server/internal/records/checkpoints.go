package records

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"time"

	"gritwatch/protocol/si"
)

// How many checkpoints of a pot are kept; see Checkpoint.
const (
	fineSlot   = 5 * time.Minute
	fineFor    = time.Hour
	coarseSlot = time.Hour
	coarseFor  = 26 * time.Hour
)

// surplus are those of a pot's checkpoints, which are in order, that are not kept.
func surplus(at []si.Instant) []si.Instant {
	var out []si.Instant
	for i, t := range at {
		if i == len(at)-1 {
			break // the newest
		}
		slot := coarseSlot
		switch age := at[len(at)-1].Sub(t); {
		case age <= fineFor:
			slot = fineSlot
		case age > coarseFor:
			// Kept is the one behind which none is as old.
			if next := at[len(at)-1].Sub(at[i+1]); next > coarseFor {
				out = append(out, t)
			}
			continue
		}
		if i > 0 && slotOf(at[i-1], slot) == slotOf(t, slot) {
			out = append(out, t)
		}
	}
	return out
}

// slotOf is the number of the slot in which an instant lies.
func slotOf(t si.Instant, slot time.Duration) int64 { return int64(t) / slot.Microseconds() }

const checkpointColumns = "pot, at_us, positions, version, state, checksum"

func saveCheckpoint(ctx context.Context, s session, c Checkpoint) error {
	next, err := json.Marshal(c.Next)
	if err != nil {
		return err
	}
	err = run(ctx, s, insert("checkpoints", checkpointColumns)+` ON CONFLICT (pot, at_us) DO UPDATE SET positions = excluded.positions,
		version = excluded.version, state = excluded.state, checksum = excluded.checksum`,
		c.Pot, int64(c.At), string(next), int64(c.Version), c.State, int64(checksum(c, string(next))))
	if err != nil {
		return err
	}
	at, err := all(ctx, s, scanInstant, "SELECT at_us FROM checkpoints WHERE pot = $1 ORDER BY at_us", c.Pot)
	if err != nil {
		return err
	}
	for _, t := range surplus(at) {
		if err := run(ctx, s, "DELETE FROM checkpoints WHERE pot = $1 AND at_us = $2", c.Pot, int64(t)); err != nil {
			return err
		}
	}
	return nil
}

func scanInstant(r row) (t si.Instant, err error) {
	err = r.Scan(&t)
	return t, err
}

func dropCheckpoints(ctx context.Context, s session, pot string, after si.Instant) error {
	return run(ctx, s, "DELETE FROM checkpoints WHERE pot = $1 AND at_us > $2", pot, int64(after))
}

// checksum is the CRC-32C of all of a checkpoint: a file system may give back other bytes than it was given, and a state
// that is not what the engine had would go on unnoticed.
func checksum(c Checkpoint, next string) uint32 {
	b := append([]byte(c.Pot), 0)
	b = binary.LittleEndian.AppendUint64(b, uint64(c.At))
	b = append(append(b, next...), 0)
	b = binary.LittleEndian.AppendUint32(b, c.Version)
	return crc32.Update(crc32.Checksum(b, castagnoli), castagnoli, c.State)
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// A kept checkpoint is one as it was read, with what is wrong with it.
type kept struct {
	Checkpoint
	damage error
}

func scanCheckpoint(r row) (k kept, err error) {
	var next string
	var version, sum int64
	if err := r.Scan(&k.Pot, &k.At, &next, &version, &k.State, &sum); err != nil {
		return k, err
	}
	k.Version = uint32(version)
	if got := int64(checksum(k.Checkpoint, next)); got != sum || version != int64(k.Version) {
		k.damage = fmt.Errorf("checkpoint of %s at %s is %w: its checksum is %08x, not %08x", k.Pot, k.At, ErrDamaged, got, sum)
		return k, nil
	}
	return k, json.Unmarshal([]byte(next), &k.Next)
}

func newestCheckpoints(ctx context.Context, s session) ([]kept, error) {
	return all(ctx, s, scanCheckpoint, "SELECT "+prefixed("c", checkpointColumns)+` FROM checkpoints AS c
		JOIN (SELECT pot, MAX(at_us) AS at_us FROM checkpoints GROUP BY pot) AS n ON c.pot = n.pot AND c.at_us = n.at_us ORDER BY c.pot`)
}

// prefixed are columns of a table that has another name in a query.
func prefixed(table, columns string) string {
	return table + "." + strings.ReplaceAll(columns, ", ", ", "+table+".")
}

// checkpointBefore gives the newest that is not newer than at and in order, and those that were passed over.
func checkpointBefore(ctx context.Context, s session, pot string, at si.Instant) (found *kept, damaged []kept, err error) {
	for {
		k, err := scanCheckpoint(s.QueryRowContext(ctx, "SELECT "+checkpointColumns+` FROM checkpoints
			WHERE pot = $1 AND at_us <= $2 ORDER BY at_us DESC LIMIT 1`, pot, int64(at)))
		switch {
		case none(err):
			return nil, damaged, nil
		case err != nil:
			return nil, damaged, fmt.Errorf("records cannot be read: %w", err)
		case k.damage == nil:
			return &k, damaged, nil
		}
		damaged = append(damaged, k)
		at = k.At - 1
	}
}

// clone is a copy that shares nothing.
func (c Checkpoint) clone() Checkpoint {
	c.Next, c.State = slices.Clone(c.Next), slices.Clone(c.State)
	return c
}
