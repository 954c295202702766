package eval_test

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/sim-sensor/internal/scenario"
)

const nozzlePoint = points.Nozzle

// plain is the scenario that is compared across processors: presses by the clock, and gauges that do not round, so that
// nothing jumps at a threshold by the last bit of a figure.
func plain() (*scenario.Scenario, error) {
	s, err := scenario.Seeded("healthy", FirstSeed)
	if err != nil {
		return nil, err
	}
	s.Pots[0].Gauges.Resolution = 0
	return s, nil
}

var columnNames = func() (names []string) {
	for _, pt := range points.All() {
		names = append(names, "true "+pt.String())
	}
	for _, pt := range points.All() {
		names = append(names, "reads "+pt.String())
	}
	return append(names, "level", "air flow", "abrasive flow")
}()

// columns plays plain for a while and gives a row of columnNames every 100 ms.
func columns() ([][]float64, error) {
	s, err := plain()
	if err != nil {
		return nil, err
	}
	w, err := scenario.NewWorld(s)
	if err != nil {
		return nil, err
	}
	var rows [][]float64
	for w.At() < 3*time.Minute {
		w.Step()
		if w.At()%(100*time.Millisecond) != 0 {
			continue
		}
		p := w.Plant(0)
		var row []float64
		for _, pt := range points.All() {
			row = append(row, float64(p.Pressure(pt)))
		}
		for _, pt := range points.All() {
			row = append(row, w.Reading(0, pt))
		}
		air, grit := p.NozzleFlow()
		rows = append(rows, append(row, float64(p.Level()), float64(air), float64(grit)))
	}
	return rows, nil
}

// TestColumns writes the columns to the file that COLUMNS_FILE names, for a run on another processor to be compared with;
// without it, it compares two runs on this one.
func TestColumns(t *testing.T) {
	rows, err := columns()
	if err != nil {
		t.Fatal(err)
	}
	if path := os.Getenv("COLUMNS_FILE"); path != "" {
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := binary.Write(f, binary.LittleEndian, flat(rows)); err != nil {
			t.Error(err)
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
		return
	}
	again, err := columns()
	if err != nil {
		t.Fatal(err)
	}
	first := flat(rows)
	for i, v := range flat(again) {
		if math.Float64bits(v) != math.Float64bits(first[i]) {
			t.Fatalf("column %s differs in row %d between two runs", columnNames[i%len(columnNames)], i/len(columnNames))
		}
	}
}

func flat(rows [][]float64) (out []float64) {
	for _, r := range rows {
		out = append(out, r...)
	}
	return out
}

// emulator runs a program of arm64.
const emulator = "qemu-aarch64-static"

// arm64 compares the columns of this processor with those of an arm64 one, where the compiler fuses a*b + c.
func arm64(t *testing.T) {
	qemu, err := exec.LookPath(emulator)
	if err != nil {
		t.Fatalf("%s is missing, so nothing was compared with arm64; install the Debian package qemu-user-static", emulator)
	}
	dir := t.TempDir()
	program, file := filepath.Join(dir, "eval.test"), filepath.Join(dir, "columns")
	build := exec.CommandContext(t.Context(), "go", "test", "-c", "-o", program, ".")
	build.Env = append(os.Environ(), "GOARCH=arm64", "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build for arm64: %v\n%s", err, out)
	}
	run := exec.CommandContext(t.Context(), qemu, program, "-test.run", "^TestColumns$", "-test.count=1")
	run.Env = append(os.Environ(), "COLUMNS_FILE="+file, "EVAL=")
	if out, err := run.CombinedOutput(); err != nil {
		t.Fatalf("run as arm64: %v\n%s", err, out)
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := columns()
	if err != nil {
		t.Fatal(err)
	}
	here := flat(rows)
	there := make([]float64, len(here))
	if err := binary.Read(f, binary.LittleEndian, there); err != nil {
		t.Fatal(err)
	}
	if n, err := f.Read(make([]byte, 1)); n != 0 || err != io.EOF {
		t.Error("the other run has more rows")
	}
	tb := newTable(t, fmt.Sprintf("The same seed here and on arm64 (emulated): %d rows of 3 min, largest difference as a share of the column's largest figure", len(rows)), "column", "difference", "aim", "")
	same := true
	for c, name := range columnNames {
		var scale, worst float64
		for i := c; i < len(here); i += len(columnNames) {
			a, b := here[i], there[i]
			if math.IsNaN(a) && math.IsNaN(b) {
				continue // a gauge that is not there
			}
			scale = max(scale, math.Abs(a))
			if d := math.Abs(a - b); !(d <= worst) {
				worst = d
			}
			same = same && a == b
		}
		if scale == 0 && worst == 0 {
			continue
		}
		ok := worst <= 1e-9*scale
		tb.row(name, fmt.Sprintf("%.1e", worst/scale), "1e-09", verdict(ok))
		if !ok {
			t.Errorf("%s: %g of %g", name, worst, scale)
		}
	}
	tb.end()
	if same {
		fmt.Fprintln(t.Output(), "not one bit differs")
	}
}
