package eval_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"gritwatch/server/internal/alarm"
)

// A tally is all that was scored of one run or several.
type tally struct {
	pots   int
	word   wordScore
	watch  watchScore
	gauges gaugeScore
	alarms alarmScore
}

func (s *tally) add(o tally) {
	s.pots += o.pots
	s.word.add(o.word)
	s.watch.add(o.watch)
	s.gauges.add(o.gauges)
	s.alarms.add(o.alarms)
}

// score plays one folder.
func score(root, dir string) (s tally, err error) {
	f, err := open(root, dir)
	if err != nil {
		return s, err
	}
	word, watch, gauges := newWordScorer(f), newWatchScorer(f), newGaugeScorer(f)
	if err := f.play(func(m *moment) {
		word.row(m)
		watch.row(m)
		gauges.row(m)
	}); err != nil {
		return s, err
	}
	s = tally{pots: 1, word: word.score(), watch: watch.s, gauges: gauges.score()}
	if f.healthy {
		s.alarms, err = scoreAlarms(f)
		s.alarms.cycles = s.watch.cycles
	}
	return s, err
}

// together does n jobs on all cores; what each gives comes in their order.
func together[T any](n int, job func(i int) (T, error)) (out []T, err error) {
	out = make([]T, n)
	var g errgroup.Group
	g.SetLimit(runtime.NumCPU())
	for i := range n {
		g.Go(func() (err error) {
			out[i], err = job(i)
			return err
		})
	}
	return out, g.Wait()
}

// A simulator writes sites, and forgets them when they are scored.
type simulator struct {
	program string
	dir     string // to write in
	kept    string // where sites of fills stay; "": they do not
}

// site scores a site that a family draws under a seed.
func (s simulator) site(ctx context.Context, family string, seed uint64, length time.Duration) (sum tally, err error) {
	dir := filepath.Join(s.dir, fmt.Sprintf("%s-%d", family, seed))
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	if err := s.write(ctx, family, seed, length, truthEvery(family), dir); err != nil {
		return sum, err
	}
	pots, err := folders(dir)
	if err != nil {
		return sum, err
	}
	for _, pot := range pots {
		one, err := score(s.dir, pot)
		if err != nil {
			return sum, err
		}
		sum.add(one)
	}
	return sum, nil
}

// write lets the simulator's program write a site.
func (s simulator) write(ctx context.Context, family string, seed uint64, length time.Duration, truthEvery, dir string) error {
	run := exec.CommandContext(ctx, s.program, "generate", "--scenario", family, "--seed", strconv.FormatUint(seed, 10),
		"--hours", strconv.FormatFloat(length.Hours(), 'f', -1, 64), "--truth-every", truthEvery, "--out", dir)
	if out, err := run.CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w\n%s", strings.Join(run.Args, " "), err, out)
	}
	return nil
}

// truthEvery is how fine the truth is: fine enough to interpolate pressures, and to tell when a gauge went wrong.
func truthEvery(family string) string {
	if family == gaugeFaults {
		return "100ms"
	}
	return "200ms"
}

// sites scores the sites of a family under one seed after another, in batches, until enough says that it is.
func (s simulator) sites(ctx context.Context, family string, length time.Duration, enough func(sum *tally, seeds int) bool) (sum tally, seeds int, err error) {
	const batch = 4
	for !enough(&sum, seeds) {
		each, err := together(batch, func(i int) (tally, error) {
			return s.site(ctx, family, firstSeed+uint64(seeds+i), length)
		})
		if err != nil {
			return sum, seeds, err
		}
		for _, one := range each {
			sum.add(one)
		}
		seeds += batch
	}
	return sum, seeds, nil
}

const (
	firstSeed    = 1000 // of those kept for scoring
	shortCycles  = "short-cycles"
	gaugeFaults  = "gauge-faults"
	shortLength  = 20 * time.Minute
	faultLength  = 30 * time.Minute
	cyclesFull   = 10_000 // healthy ones
	cyclesQuick  = 500
	faultedFull  = 80 // sites of three pots
	faultedQuick = 48
)

func TestEval(t *testing.T) {
	root := os.Getenv("EVAL")
	if root == "" {
		ordinary(t)
		return
	}
	full := os.Getenv("FULL") == "1"
	sim := simulator{program: os.Getenv("EVAL_SIM"), dir: t.TempDir()}
	if sim.program == "" || os.Getenv("EVAL_SCORES") == "" {
		t.Fatal("EVAL_SIM must name the simulator's program, EVAL_SCORES the file to write; make eval does both")
	}
	dirs, err := folders(root)
	if err != nil {
		t.Fatal(err)
	}
	each, err := together(len(dirs), func(i int) (tally, error) { return score(root, dirs[i]) })
	if err != nil {
		t.Fatal(err)
	}
	var all, files tally
	for _, one := range each {
		files.add(one)
	}
	cycles, sites, head := cyclesQuick, faultedQuick, quickHead
	if full {
		cycles, sites, head = cyclesFull, faultedFull, fullHead
	}
	short, shortSeeds, err := sim.sites(t.Context(), shortCycles, shortLength, func(sum *tally, _ int) bool { return sum.watch.cycles >= cycles })
	if err != nil {
		t.Fatal(err)
	}
	faulted, faultedSeeds, err := sim.sites(t.Context(), gaugeFaults, faultLength, func(_ *tally, seeds int) bool { return seeds >= sites })
	if err != nil {
		t.Fatal(err)
	}
	all.add(files)
	all.add(short)
	all.add(faulted)

	var b board
	all.word.figures(&b)
	all.watch.figures(&b)
	falsely := min(all.watch.falsely, all.watch.cycles)
	b.row(figure{what: "false critical findings (vent-slow, vessel-held, pressure-creep), healthy cycles", measured: describe(all.watch.falsely, "findings"),
		of:    fmt.Sprintf("%d cycles, %d of them short ones (%.3g %% of the 10,000 of the full run)", all.watch.cycles, short.watch.cycles, 100*min(1, float64(short.watch.cycles)/cyclesFull)),
		bound: bound(falsely, all.watch.cycles), aim: "none in 10,000", ok: falsely == 0 && short.watch.cycles >= cycles, notes: all.watch.where})
	all.alarms.figures(&b, short.watch.cycles, cyclesFull)
	all.gauges.figures(&b)
	all.watch.facts(&b)
	all.gauges.facts(&b)
	b.print(t, fmt.Sprintf("What is said of the pots of %s, and of drawn ones: %d samples", root, all.word.samples))
	many := func(k stock) int {
		if full {
			return k.full
		}
		return k.quick
	}
	inside, err := sim.contents(t.Context(), stocks, firstSeed, many)
	if err != nil {
		t.Fatal(err)
	}
	second := inside.board()
	second.print(t, fmt.Sprintf("What is said of what is inside and of what wears: %d pots, %.0f hours", inside[whole].pots, inside[whole].hours))
	tables, err := os.ReadFile(filepath.Join(root, "simulator.md"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
	section := fmt.Sprintf("Scored were %s; %s under %s, %s each, and %s under %s, %s each: %d samples of %d pots in all.\n\n%s",
		played(root, dirs), shortCycles, seedsFrom(shortSeeds), minutes(shortLength), gaugeFaults, seedsFrom(faultedSeeds), minutes(faultLength), all.word.samples, all.pots, b.markdown())
	section += "\n### What is inside, and what wears\n\n" + inside.played(stocks, many) + "\n\n" + second.markdown()
	if len(tables) > 0 {
		section += "\n### The simulator that they rest on\n\n" + string(tables)
	}
	if err := keep(os.Getenv("EVAL_SCORES"), head, section); err != nil {
		t.Error(err)
	}
}

// ordinary scores the runs in testdata: one healthy, one of an isolated gauge.
func ordinary(t *testing.T) {
	dirs, err := folders("testdata")
	if err != nil {
		t.Fatal(err)
	}
	var all tally
	for _, dir := range dirs {
		one, err := score("testdata", dir)
		if err != nil {
			t.Fatal(err)
		}
		all.add(one)
	}
	var b board
	all.word.figures(&b)
	b.print(t, "What is said of the pots in testdata")
	if n, _ := all.alarms.falsely(alarm.Critical); n > 0 || all.alarms.cycles < 2 {
		t.Errorf("%d healthy cycles with %v", all.alarms.cycles, all.alarms.where)
	}
	if n := len(all.word.delays); n < 2 || all.watch.cycles < 2 || all.watch.falsely > 0 || all.word.risen < 4 {
		t.Errorf("%d vents timed, %d healthy cycles with %d false findings, %d times over the limit", n, all.watch.cycles, all.watch.falsely, all.word.risen)
	}
}

func minutes(d time.Duration) string { return fmt.Sprintf("%.0f min", d.Minutes()) }

func seedsFrom(n int) string { return fmt.Sprintf("seeds %d to %d", firstSeed, firstSeed+n-1) }

// played tells which scenarios were in the folders, and under which seeds.
func played(root string, dirs []string) string {
	seeds := map[string][]string{} // by scenario
	for _, dir := range dirs {
		rel, err := filepath.Rel(root, dir)
		if err != nil {
			continue
		}
		site, _, _ := strings.Cut(filepath.ToSlash(rel), "/")
		if i := strings.LastIndex(site, "-"); i > 0 && !slices.Contains(seeds[site[:i]], site[i+1:]) {
			seeds[site[:i]] = append(seeds[site[:i]], site[i+1:])
		}
	}
	names := map[string][]string{} // by seeds
	for name, s := range seeds {
		slices.Sort(s)
		under := "seed " + s[0]
		if len(s) > 1 {
			under = "seeds " + s[0] + " to " + s[len(s)-1]
		}
		names[under] = append(names[under], name)
	}
	var out []string
	for under, n := range names {
		slices.Sort(n)
		what := strings.Join(n, ", ")
		if len(n) > 5 {
			what = fmt.Sprintf("the other %d scenarios built in", len(n))
		}
		out = append(out, what+" under "+under)
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}
