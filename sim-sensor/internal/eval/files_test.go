package eval_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"gritwatch/sim-sensor/internal/generate"
	"gritwatch/sim-sensor/internal/scenario"
)

// files leaves every scenario of the suite where an engine finds it.
func files(t *testing.T, s scale) {
	began := time.Now()
	var bytes int64
	var rows, folders int
	for _, name := range s.names {
		for _, seed := range s.seedsOf(name) {
			sc, err := scenario.Seeded(name, seed)
			if err != nil {
				t.Fatal(err)
			}
			dir := filepath.Join(s.dir, fmt.Sprintf("%s-%d", name, seed))
			if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) {
				t.Fatalf("%s is there already; name an empty folder", dir)
			}
			results, err := generate.Run(t.Context(), sc, generate.Options{Dir: dir, Length: s.length, TruthEvery: 200 * time.Millisecond,
				Comment: fmt.Sprintf("SIMULATED: %s, seed %d", name, seed)})
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for _, r := range results {
				bytes, rows, folders = bytes+r.Bytes, rows+r.Rows, folders+1
			}
		}
	}
	fmt.Fprintf(t.Output(), "\n%d pots with %d rows at 10 Hz written to %s: %.0f MB, %.0f times as fast as real time\n",
		folders, rows, s.dir, float64(bytes)/1e6, float64(rows)/10/time.Since(began).Seconds())
}
