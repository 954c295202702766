package generate_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/generate"
	"gritwatch/sim-sensor/internal/scenario"
)

func builtin(t testing.TB, name string, seed uint64) *scenario.Scenario {
	t.Helper()
	s, err := scenario.Builtin(name)
	if err != nil {
		t.Fatal(err)
	}
	s.Seed = seed
	return s
}

func parse(t *testing.T, text string) *scenario.Scenario {
	t.Helper()
	s, err := scenario.Parse("sim.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func run(t *testing.T, s *scenario.Scenario, o generate.Options) []generate.Result {
	t.Helper()
	if o.Dir == "" {
		o.Dir = filepath.Join(t.TempDir(), "out")
	}
	got, err := generate.Run(t.Context(), s, o)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// table reads samples.csv: the header, the times, and the fields as text.
func table(t *testing.T, dir string) (header []string, rows [][]string) {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, "samples.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[0], all[1:]
}

func read(t *testing.T, path ...string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(path...))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// truths reads truth.jsonl.
func truths(t *testing.T, dir string) []scenario.Truth {
	t.Helper()
	var out []scenario.Truth
	for scan := bufio.NewScanner(bytes.NewReader(read(t, dir, "truth.jsonl"))); scan.Scan(); {
		var v scenario.Truth
		if err := json.Unmarshal(scan.Bytes(), &v); err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// One pot: its three files stand in the folder itself. The rows are what the gauges show, at their instants.
func TestOnePot(t *testing.T) {
	s := builtin(t, "healthy", 3)
	got := run(t, s, generate.Options{Length: 60 * time.Second, Comment: "Simulated."})
	dir := got[0].Dir
	if len(got) != 1 || got[0].Pot != "alder" || got[0].Rows != 600 || got[0].Missing != 0 {
		t.Errorf("%+v", got)
	}
	pot, err := potfile.ParsePot("pot.yaml", read(t, dir, "pot.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if want := s.Pots[0].Pot; !reflect.DeepEqual(pot, want) {
		t.Errorf("pot.yaml reads as\n%+v, want\n%+v", pot, want)
	}
	if !strings.HasPrefix(string(read(t, dir, "pot.yaml")), "# Simulated.\nname: alder\n") {
		t.Error("no comment at its head")
	}
	header, rows := table(t, dir)
	if strings.Join(header, ",") != "time,supply,vessel,hose,control" || len(rows) != 600 {
		t.Fatalf("%v, %d rows", header, len(rows))
	}
	w, err := scenario.NewWorld(builtin(t, "healthy", 3))
	if err != nil {
		t.Fatal(err)
	}
	pressed := false
	for i, row := range rows {
		for w.At() < time.Duration(i)*100*time.Millisecond {
			w.Step()
		}
		if want := time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC).Add(w.At()).Format("2006-01-02T15:04:05.000Z"); row[0] != want {
			t.Fatalf("row %d is of %s, want %s", i, row[0], want)
		}
		truth := w.Truth()[0]
		for j, name := range header[1:] {
			v, err := strconv.ParseFloat(row[j+1], 64)
			if want := *truth.ReadsPa[name] / si.KPa; err != nil || math.Abs(v-want) > 2e-4 { // a tenth of a Pa in the truth, half of one in the row
				t.Fatalf("row %d: %s is %s, want %g kPa", i, name, row[j+1], want)
			}
		}
		pressed = pressed || truth.Pressed
	}
	if !pressed {
		t.Error("nobody has pressed the handle")
	}
	lines := truths(t, dir)
	if len(lines) != 600 || lines[0].T != "2026-01-05T06:00:00.000Z" || lines[599].T != rows[599][0] || lines[599].AtS != 59.9 {
		t.Errorf("%d lines of truth, last %+v", len(lines), lines[len(lines)-1])
	}
}

// Several pots: a folder each, in the pot's own unit. Rates need not divide the second.
func TestSeveralPots(t *testing.T) {
	s := builtin(t, "demo", 1)
	s.Pots[0].Units.Pressure, s.Pots[1].Units.Pressure = "psi", "bar"
	start := time.Date(2026, 12, 31, 23, 59, 59, 0, time.FixedZone("", 3600))
	got := run(t, s, generate.Options{Length: 10 * time.Second, Rate: 30, Start: start, TruthEvery: time.Second})
	if len(got) != 6 {
		t.Fatalf("%d pots", len(got))
	}
	for i, r := range got {
		_, rows := table(t, r.Dir)
		if filepath.Base(r.Dir) != s.Pots[i].Name || len(rows) != 300 || len(truths(t, r.Dir)) != 10 {
			t.Errorf("%+v: %d rows", r, len(rows))
		}
		if rows[0][0] != "2026-12-31T22:59:59.000Z" || rows[1][0] != "2026-12-31T22:59:59.030Z" || rows[3][0] != "2026-12-31T22:59:59.100Z" {
			t.Errorf("times %v %v %v", rows[0][0], rows[1][0], rows[3][0])
		}
		if r.Bytes != folderSize(t, r.Dir) {
			t.Errorf("%s: %d bytes said, %d there", r.Pot, r.Bytes, folderSize(t, r.Dir))
		}
	}
	// The supply of both is about 110 psi at the start.
	for i, want := range []float64{110, 110 * si.PSI / si.Bar} {
		header, rows := table(t, got[i].Dir)
		if v, err := strconv.ParseFloat(rows[0][1], 64); err != nil || header[1] != "supply" || math.Abs(v/want-1) > 0.3 {
			t.Errorf("%s: supply %s, want about %g", got[i].Pot, rows[0][1], want)
		}
	}
}

// Played is given the world as it is at the end, once, before the folder is there.
func TestPlayed(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	var at []time.Duration
	run(t, builtin(t, "healthy", 1), generate.Options{Dir: dir, Length: 5 * time.Second, Played: func(w *scenario.World) {
		if _, err := os.Stat(dir); err == nil {
			t.Error("the folder is there already")
		}
		at = append(at, w.At())
	}})
	if len(at) != 1 || at[0] != 5*time.Second-scenario.Tick {
		t.Errorf("played to %v", at)
	}
}

func folderSize(t *testing.T, dir string) (size int64) {
	t.Helper()
	err := filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		if err == nil {
			size += info.Size()
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return size
}

// A gauge that gives nothing leaves its field empty, a handle that is a switch is 0 or 1, an absolute gauge reads gauge
// pressure, and a reading that a fault of the line meets is missing.
func TestFields(t *testing.T) {
	text, err := scenario.Text("electric")
	if err != nil {
		t.Fatal(err)
	}
	s := parse(t, string(text))
	got := run(t, s, generate.Options{Length: 3 * time.Minute, Rate: 1})
	header, rows := table(t, got[0].Dir)
	column := len(header) - 1
	counts := map[string]int{}
	for i, row := range rows {
		counts[row[column]]++
		// The switch is silent from 150 to 160 s.
		if silent := i >= 150 && i < 160; (row[column] == "") != silent {
			t.Errorf("at %d s the handle is %q", i, row[column])
		}
	}
	if header[column] != "control" || counts["0"] == 0 || counts["1"] == 0 || counts["0"]+counts["1"]+counts[""] != len(rows) || got[0].Missing != counts[""] {
		t.Errorf("%s: %v, %d missing", header[column], counts, got[0].Missing)
	}

	text, err = scenario.Text("healthy")
	if err != nil {
		t.Fatal(err)
	}
	file := strings.Replace(string(text), "- vessel: {range: 0..200 psi,", "- vessel: {range: 0..215 psi, kind: absolute,", 1) +
		"    faults: [{at: 10 s, for: 10 s, silence: 50 %, unit: 22}, {at: 30 s, for: 5 s, unplugged: true}]\n"
	file = strings.Replace(file, "pots:\n", "atmosphere: {altitude: 500 m}\npots:\n", 1)
	got = run(t, parse(t, file), generate.Options{Length: time.Minute, Rate: 50})
	header, rows = table(t, got[0].Dir)
	missing := [2]int{}
	for i, row := range rows {
		for j := 1; j < len(row); j++ {
			if row[j] != "" {
				continue
			}
			switch at := i / 50; {
			case at >= 30 && at < 35:
				missing[1]++
			case at >= 10 && at < 20 && header[j] == "vessel":
				missing[0]++
			default:
				t.Errorf("row %d: %s is missing", i, header[j])
			}
		}
	}
	if missing[1] != 5*50*4 || missing[0] < 200 || missing[0] > 300 || got[0].Missing != missing[0]+missing[1] {
		t.Errorf("missing %v of 500 and 1000, %d said", missing, got[0].Missing)
	}
	for j, name := range header { // before the first press
		if v, err := strconv.ParseFloat(rows[0][j], 64); name == "vessel" && (err != nil || math.Abs(v) > 3) {
			t.Errorf("an absolute gauge on a vented vessel reads %s kPa", rows[0][j])
		}
	}
}

// The same seed gives the same bytes, another one others.
func TestSameBytes(t *testing.T) {
	files := func(seed uint64) map[string]string {
		out := map[string]string{}
		got := run(t, builtin(t, "line-faults", seed), generate.Options{Length: 2 * time.Minute})
		for _, f := range []string{"samples.csv", "truth.jsonl", "pot.yaml"} {
			out[f] = string(read(t, got[0].Dir, f))
		}
		return out
	}
	a, b, other := files(5), files(5), files(6)
	for name := range a {
		if a[name] != b[name] {
			t.Errorf("%s differs between two runs", name)
		}
	}
	if a["samples.csv"] == other["samples.csv"] || a["pot.yaml"] != other["pot.yaml"] {
		t.Error("the seed does not change the samples, or changes the pot")
	}
}

// Whatever ends it early, nothing is left: neither the folder nor what was being written.
func TestNothingHalf(t *testing.T) {
	for name, tt := range map[string]struct {
		before func(t *testing.T, dir string) context.Context
		want   func(err error) bool
		left   int // entries of the parent
	}{
		"stopped": {func(t *testing.T, _ string) context.Context {
			ctx, cancel := context.WithCancel(t.Context())
			cancel()
			return ctx
		}, func(err error) bool { return errors.Is(err, generate.ErrStopped) }, 0},
		"disk full": {func(t *testing.T, _ string) context.Context {
			var was syscall.Rlimit
			if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
				t.Fatal(err)
			}
			small := was
			small.Cur = 100_000 // bytes of a file
			if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &small); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() {
				if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
					t.Error(err)
				}
			})
			return t.Context()
		}, func(err error) bool { return errors.Is(err, syscall.EFBIG) && strings.Contains(err.Error(), "alder") }, 0},
		"taken": {func(t *testing.T, dir string) context.Context {
			if err := errors.Join(os.Mkdir(dir, 0o755), os.WriteFile(filepath.Join(dir, "notes"), []byte("kept"), 0o600)); err != nil {
				t.Fatal(err)
			}
			return t.Context()
		}, func(err error) bool { return errors.Is(err, generate.ErrTaken) }, 1},
		"a file": {func(t *testing.T, dir string) context.Context {
			if err := os.WriteFile(dir, nil, 0o600); err != nil {
				t.Fatal(err)
			}
			return t.Context()
		}, func(err error) bool { return errors.Is(err, syscall.ENOTDIR) }, 1},
	} {
		t.Run(name, func(t *testing.T) {
			parent := t.TempDir()
			ctx := tt.before(t, filepath.Join(parent, "out"))
			got, err := generate.Run(ctx, builtin(t, "healthy", 1), generate.Options{Dir: filepath.Join(parent, "out"), Length: 10 * time.Minute})
			if !tt.want(err) || got != nil {
				t.Errorf("%v, %v", got, err)
			}
			left, err := os.ReadDir(parent)
			if err != nil || len(left) != tt.left {
				t.Errorf("left behind: %v, %v", left, err)
			}
		})
	}
	// An empty folder that is there already is taken.
	dir := t.TempDir()
	run(t, builtin(t, "healthy", 1), generate.Options{Dir: dir, Length: time.Second})
	if _, rows := table(t, dir); len(rows) != 10 {
		t.Errorf("%d rows", len(rows))
	}
}

// Every scenario built in can be generated, and its pots be read.
func TestBuiltins(t *testing.T) {
	for _, name := range scenario.Names() {
		s := builtin(t, name, 1)
		for _, r := range run(t, s, generate.Options{Length: 2 * time.Second, Rate: 20}) {
			p, err := potfile.ParsePot(name, read(t, r.Dir, "pot.yaml"))
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			header, rows := table(t, r.Dir)
			if len(rows) != 40 {
				t.Errorf("%s: %d rows", name, len(rows))
			}
			for _, h := range header[1:] {
				if pt, err := points.Parse(h); err != nil || !p.Points.Has(pt) {
					t.Errorf("%s: column %s, %v", name, h, err)
				}
			}
		}
	}
}

// How many times real time a pot goes on one core, with all its files; at least 500 is wanted.
func BenchmarkRun(b *testing.B) {
	for _, rate := range []float64{10, 50} {
		b.Run(fmt.Sprintf("%gHz", rate), func(b *testing.B) {
			const length = 5 * time.Minute
			s := builtin(b, "healthy", 1)
			for i := 0; b.Loop(); i++ {
				if _, err := generate.Run(b.Context(), s, generate.Options{Dir: filepath.Join(b.TempDir(), strconv.Itoa(i)), Length: length, Rate: rate}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N)*length.Seconds()/b.Elapsed().Seconds(), "x-real-time")
		})
	}
}
