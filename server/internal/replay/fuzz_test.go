package replay_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"gritwatch/server/internal/replay"
)

// FuzzRun: whatever a log holds, a replay ends, writes whole lines in order of time, and writes the same when run again.
func FuzzRun(f *testing.F) {
	f.Add("time,supply,vessel,control\n10,101,99,100\n11,,,\n13.5,101,5,0\n99,101,0,0\n", uint16(1000), true)
	f.Add("time,vessel,control\n1790000000,0,0\n99999999999,1,100\n", uint16(1), false)
	f.Fuzz(func(t *testing.T, log string, every uint16, lenient bool) {
		o := replay.Options{Name: "log", Every: time.Duration(every) * time.Millisecond, Lenient: lenient}
		var first, again bytes.Buffer
		s, err := replay.Run(t.Context(), alder(t), strings.NewReader(log), &first, o)
		_, err2 := replay.Run(t.Context(), alder(t), strings.NewReader(log), &again, o)
		if (err == nil) != (err2 == nil) || !bytes.Equal(first.Bytes(), again.Bytes()) {
			t.Fatalf("not the same twice: %v, %v", err, err2)
		}
		lines := parse(t, first.Bytes())
		if n := len(estimates(slices.Clone(lines))); len(lines) != s.Lines || s.Rows > 0 && n == 0 || n > 2*s.Rows {
			t.Fatalf("%d lines, %d of them estimates; %+v", len(lines), n, s)
		}
		for i := 1; i < len(lines); i++ {
			if lines[i].at.Before(lines[i-1].at) {
				t.Fatalf("%s after %s", lines[i].T, lines[i-1].T)
			}
		}
	})
}
