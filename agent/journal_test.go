package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gritwatch/agent/internal/journal"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// contents are the files under a folder.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		out[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The journal of a running agent and that of one that has ended are told alike, in words, JSON and CSV, and stay as they are.
func TestJournal(t *testing.T) {
	config := write(t, strings.NewReplacer("points: [vessel]}", "points: [vessel, control], control: electric}",
		"range: 0..200 psi}", "range: 0..200 psi}\n          - {pot: alder, point: control, discrete: 0}").Replace(good))
	dir := filepath.Join(filepath.Dir(config), "journal")
	j, err := journal.Open(journal.Options{Folder: journal.Dir(dir)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- j.Run(ctx) }()
	const at si.Instant = 1_760_000_000_123_456
	appended := []points.Sample{
		{Point: points.Vessel, Quality: points.Good, At: at, Value: 689_475.75},
		{Point: points.Control, Quality: points.Good, At: at + 1, Pressed: false},
		{Point: points.Control, Quality: points.Good, At: at + 2, Pressed: true},
		{Point: points.Vessel, Quality: points.NoReply, At: at + 3},
		{Point: points.Vessel, Quality: points.OutOfRange, At: at + 4, Value: -0.5},
	}
	if _, ok := j.Append("alder", 77, appended); !ok {
		t.Fatal("refused")
	}
	if err := j.Sync(t.Context()); err != nil {
		t.Fatal(err)
	}
	j.Acknowledge(2)
	if _, ok := j.Append("birch", 78, appended[:1]); !ok {
		t.Fatal("refused")
	}
	if err := j.Write(t.Context()); err != nil {
		t.Fatal(err)
	}

	want := []line{
		{0, "2025-10-09T08:53:20.123456Z", 77, "alder", "vessel", json.RawMessage("689475.75"), nil, "good"},
		{1, "2025-10-09T08:53:20.123457Z", 77, "alder", "control", nil, new(false), "good"},
		{2, "2025-10-09T08:53:20.123458Z", 77, "alder", "control", nil, new(true), "good"},
		{3, "2025-10-09T08:53:20.123459Z", 77, "alder", "vessel", nil, nil, "no-reply"},
		{4, "2025-10-09T08:53:20.123460Z", 77, "alder", "vessel", json.RawMessage("-0.5"), nil, "out-of-range"},
		{5, "2025-10-09T08:53:20.123456Z", 78, "birch", "vessel", json.RawMessage("689475.75"), nil, "good"},
	}
	var lines strings.Builder
	for _, x := range want {
		text, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		lines.Write(append(text, '\n'))
	}
	look := func(acknowledged string) {
		t.Helper()
		before := contents(t, filepath.Dir(config))
		code, about, stderr := call(t.Context(), "journal", "--config", config)
		for _, part := range []string{"id " + j.Status().ID, "positions 0 to 5: 6 records, made from 2025-10-09T08:53:20.123456Z to 2025-10-09T08:53:20.123460Z by",
			"\nalder: 5 records\nbirch: 1 records\n", acknowledged} {
			if !strings.Contains(about, part) {
				t.Errorf("lacks %q:\n%s", part, about)
			}
		}
		if code != 0 || stderr != "" || strings.Contains(about, "hold none") {
			t.Errorf("ends with %d: %s%s", code, about, stderr)
		}
		code, stdout, stderr := call(t.Context(), "journal", "--records", "--config", config)
		if code != 0 || stdout != lines.String() || stderr != about {
			t.Errorf("ends with %d\n%s\nwant\n%s\n%s", code, stdout, lines.String(), stderr)
		}
		code, stdout, _ = call(t.Context(), "journal", "--records", "--csv", "--folder", dir)
		rows, err := csv.NewReader(strings.NewReader(stdout)).ReadAll()
		if err != nil || code != 0 || len(rows) != 7 {
			t.Fatalf("ends with %d, %v:\n%s", code, err, stdout)
		}
		for i, row := range []string{"position time epoch pot point pa pressed quality", "0 2025-10-09T08:53:20.123456Z 77 alder vessel 689475.75  good",
			"1 2025-10-09T08:53:20.123457Z 77 alder control 0  good", // without the agent's file nobody knows that the handle is a switch
			"2 2025-10-09T08:53:20.123458Z 77 alder control  true good", "3 2025-10-09T08:53:20.123459Z 77 alder vessel   no-reply"} {
			if got := strings.Join(rows[i], " "); got != row {
				t.Errorf("row %d is %q, want %q", i, got, row)
			}
		}
		if after := contents(t, filepath.Dir(config)); !maps.Equal(before, after) {
			t.Errorf("the folder was changed: %d files before, %d after", len(before), len(after))
		}
	}
	look("all before position 0 that it keeps them for good; 6 positions from there on")
	cancel()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	look("all before position 2 that it keeps them for good; 4 positions from there on")
}

func TestJournalUsage(t *testing.T) {
	config := write(t, good)
	empty := t.TempDir()
	for _, c := range []struct {
		args   string
		code   int
		stderr string
	}{
		{"journal", 2, "--config"},
		{"journal --config " + config + " --folder " + empty, 2, "--folder"},
		{"journal --config " + config, 2, "the journal's folder cannot be used"},
		{"journal --folder " + empty, 1, "holds no journal"},
		{"journal --csv --folder " + empty, 2, "--csv cannot be used without --records"},
	} {
		code, stdout, stderr := call(t.Context(), strings.Fields(c.args)...)
		if code != c.code || stdout != "" || !strings.Contains(stderr, c.stderr) {
			t.Errorf("%s: ends with %d: %s%s", c.args, code, stdout, stderr)
		}
	}
}
