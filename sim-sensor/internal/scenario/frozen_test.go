package scenario_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"math"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/sim-sensor/internal/scenario"
)

var update = flag.Bool("update", false, "write testdata/frozen.json anew, after the model was changed on purpose")

// frozen is a run as it was.
type frozen struct {
	Digest string      // SHA-256 of the truth of Crews with seed 5, ten times a second for a minute, on amd64
	Psi    [][]float64 // true pressures at the six points of alder in "healthy", every second for 130 s
}

const frozenFile = "testdata/frozen.json"

// The same seed gives the same bytes on amd64, today as ever; and on other processors, whose arithmetic may fuse a product
// with a sum, the same pressures to a billionth of a psi and of themselves.
func TestFrozen(t *testing.T) {
	now := frozen{Digest: digest(t)}
	w := play(t, "healthy")
	for w.At() < 130*time.Second {
		for range 100 {
			w.Step()
		}
		var row []float64
		for _, pt := range points.All() {
			row = append(row, w.Plant(0).Pressure(pt).PSI())
		}
		now.Psi = append(now.Psi, row)
	}
	if *update {
		text, err := json.Marshal(now)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(frozenFile, bytes.ReplaceAll(append(text, '\n'), []byte("],["), []byte("],\n[")), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(frozenFile)
	if err != nil {
		t.Fatal(err)
	}
	var was frozen
	if err := json.Unmarshal(text, &was); err != nil {
		t.Fatal(err)
	}
	if again := digest(t); again != now.Digest {
		t.Error("the same seed gives other bytes the second time")
	}
	if runtime.GOARCH == "amd64" && now.Digest != was.Digest {
		t.Errorf("the digest is %s, was %s: if the model was changed on purpose, run go test ./sim-sensor/internal/scenario -run Frozen -args -update", now.Digest, was.Digest)
	}
	if len(was.Psi) != len(now.Psi) {
		t.Fatalf("%d rows are frozen", len(was.Psi))
	}
	worst := 0.0
	for i := range was.Psi {
		for j, v := range was.Psi[i] {
			off := math.Abs(now.Psi[i][j]-v) / max(1, math.Abs(v))
			worst = max(worst, off)
			if off > 1e-9 {
				t.Fatalf("%v at %d s: %v psi, was %v", points.All()[j], i+1, now.Psi[i][j], v)
			}
		}
	}
	t.Logf("off by %.2g at most on %s", worst, runtime.GOARCH)
}

// digest is of a minute of drawn pots.
func digest(t *testing.T) string {
	t.Helper()
	s, err := scenario.Seeded(scenario.Crews, 5)
	if err != nil {
		t.Fatal(err)
	}
	w, err := scenario.NewWorld(s)
	if err != nil {
		t.Fatal(err)
	}
	h := sha256.New()
	for w.At() < time.Minute {
		for range 10 {
			w.Step()
		}
		for _, row := range w.Truth() {
			text, err := json.Marshal(row)
			if err != nil {
				t.Fatal(err)
			}
			h.Write(text)
		}
	}
	return strings.ToUpper(hex.EncodeToString(h.Sum(nil)))
}
