package pot_test

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
	"time"

	"gritwatch/server/internal/pot"
)

// TestSensorFault: the vessel's gauge is off by half a psi with the vessel vented. Judge and guard take it, as it lies
// within R1's limit; the fault, and nothing else, takes the word. It is logged once a change, and the word comes back with
// the gauge's zero.
func TestSensorFault(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var log bytes.Buffer
		f := start(t, pot.Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
		f.birth()
		f.cycle()
		f.run(10 * time.Second)
		f.want("vented")
		f.vesselOff = 3450
		f.run(5 * time.Second)
		f.want("vented")
		f.run(30 * time.Second)
		if p := f.want("not-proven", "sensor-fault"); len(p.Answer.Because) != 1 {
			t.Errorf("because %v", p.Answer.Because)
		}
		f.vesselOff = 0
		f.run(30 * time.Second)
		f.want("vented")
		var lines []string
		for line := range strings.Lines(log.String()) {
			if strings.Contains(line, "sensor-fault") {
				lines = append(lines, line)
			}
		}
		if len(lines) != 2 || !strings.Contains(lines[0], "level=WARN") || !strings.Contains(lines[0], "kind=zero-drift") ||
			!strings.Contains(lines[0], "point=vessel") || !strings.Contains(lines[0], "size=") || !strings.Contains(lines[1], "has ended") {
			t.Errorf("log lines %q", lines)
		}
	})
}
