package history

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"sync"

	"github.com/oklog/ulid/v2"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
)

// A gate keeps appends out while the library takes stock of the late samples in memory. It goes through the series one by
// one, writes what each has to a chunk, and notes the place of the last chunk; what lies before that place is later dropped
// from memory and from the log, as it is then in a block. A chunk that an append fills in the midst lies before that place
// too, but the block has it only if the series had been met with a chunk already, and if it lies within the time that was
// noted so far. Its samples would be lost.
type gate struct {
	sync.Mutex      // held by each append, and while the gate is shut
	isShut     bool // only touched where the library compacts, one at a time
}

func (g *gate) shut() {
	g.Lock()
	g.isShut = true
}

// open is for a gate that is shut, or not.
func (g *gate) open() {
	if g.isShut {
		g.isShut = false
		g.Unlock()
	}
}

// A compactor is the library's, which says at the gate how far it has come. The library takes stock of late samples after
// it has written blocks of the others, and before it writes those of late samples or looks which blocks to merge. While
// anything is being written the gate is open.
type compactor struct {
	tsdb.Compactor
	gate  *gate
	order int64 // how far the blocks of samples as they came reach, us; as of the last plan
}

// compactors gives what makes one as the library would. It stops in the midst once ctx ends, also of a compaction that would
// take long.
func (g *gate) compactors(ctx context.Context) tsdb.NewCompactorFunc {
	return func(_ context.Context, r prometheus.Registerer, l *slog.Logger, ranges []int64, pool chunkenc.Pool, o *tsdb.Options) (tsdb.Compactor, error) {
		c := &compactor{gate: g}
		var err error
		c.Compactor, err = tsdb.NewLeveledCompactorWithOptions(ctx, r, l, ranges, pool, tsdb.LeveledCompactorOptions{
			BlockExcludeFilter:          c.waits,
			MaxBlockChunkSegmentSize:    o.MaxBlockChunkSegmentSize,
			EnableOverlappingCompaction: o.EnableOverlappingCompaction,
			FloatChunkEncoding:          func() chunkenc.Encoding { return o.FloatChunkEncoding },
		})
		return c, err
	}
}

// Write is of tsdb.Compactor.
func (c *compactor) Write(dest string, b tsdb.BlockReader, mint, maxt int64, base *tsdb.BlockMeta) ([]ulid.ULID, error) {
	c.gate.open()
	written, err := c.Compactor.Write(dest, b, mint, maxt, base)
	if _, late := b.(*tsdb.OOOCompactionHead); !late {
		c.gate.shut()
	}
	return written, err
}

// Plan is of tsdb.Compactor.
func (c *compactor) Plan(dir string) (_ []string, err error) {
	c.gate.open()
	if c.order, err = inOrder(dir); err != nil {
		return nil, err
	}
	return c.Compactor.Plan(dir)
}

// waits tells whether a block is not to be merged yet: one of late samples that reaches farther than those of samples as they came. Merged with one of those it would pass for
// such a one itself (v0.316: CompactBlockMetas, DB.inOrderBlocksMaxTime), and the next start would take all of the log that is not beyond it for written out, whichever series it is of.
func (c *compactor) waits(m *tsdb.BlockMeta) bool {
	return m.Compaction.FromOutOfOrder() && m.MaxTime > c.order
}

// inOrder is how far a folder's blocks of samples as they came reach, us.
func inOrder(dir string) (to int64, err error) {
	to = math.MinInt64
	entries, err := os.ReadDir(dir)
	if err != nil {
		return to, err
	}
	for _, e := range entries {
		if _, err := ulid.ParseStrict(e.Name()); err != nil || !e.IsDir() {
			continue
		}
		path := filepath.Join(dir, e.Name(), "meta.json")
		b, err := os.ReadFile(path)
		if err != nil {
			return to, err
		}
		var m tsdb.BlockMeta
		if err := json.Unmarshal(b, &m); err != nil {
			return to, fmt.Errorf("%s: %w", path, err)
		}
		if !m.Compaction.FromOutOfOrder() {
			to = max(to, m.MaxTime)
		}
	}
	return to, nil
}
