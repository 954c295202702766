package e2e_test

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// What the page must bear.
const (
	pagePots   = 200
	pageRate   = 5 // readings of a point a second
	pageTime   = time.Minute
	pageGrowth = 0.05 // of the heap after collection, at most
)

// BenchmarkPage is how the Site view bears 200 pots whose readings come five times a second, from the real server with the
// generator beside it on the same machine: no task of the main thread over 50 ms by the wall clock, and a heap that does not grow. It
// watches for PAGE_TIME (1m; 10m is what the page is held to), once the server has learned what it can of its pots: how long
// that took, and how much more it told of them at the end, stand beside the heap. Of a longer task it says what the scheduler knows: for how
// long it ran, and for how long it waited because others had the processors, which a tablet does not share with a server.
func BenchmarkPage(b *testing.B) {
	if _, err := os.Stat("../../dashboard/dist/index.html"); err != nil {
		b.Fatal("the page is not built: make page")
	}
	during := pageTime
	if t := os.Getenv("PAGE_TIME"); t != "" {
		var err error
		if during, err = time.ParseDuration(t); err != nil || during < 10*time.Second {
			b.Fatalf("PAGE_TIME %q: write how long, at least 10s, for example 10m", t)
		}
	}
	s := newSite(b)
	args := []string{"load", "--pots", strconv.Itoa(pagePots), "--rate", strconv.Itoa(pageRate), "--site", "yard", "--broker", "mqtt://" + s.mqtt}
	// For a moment, to write the site's file; it finds no broker.
	first := s.start("gritwatch-sim", append(args, "--site-file", "fleet.yaml")...)
	first.says("start the server with", ingestStart)
	first.kill()
	text, err := os.ReadFile(filepath.Join(s.dir, "fleet.yaml"))
	if err != nil {
		b.Fatal(err)
	}
	s.write("site.yaml", strings.NewReplacer("listen: 127.0.0.1:8080", "listen: $HTTP", "data: ./run/load/data", "data: ./data").Replace(string(text)))
	server := s.start("gritwatch-server", "run", "--config", "site.yaml")
	server.says("dashboard: ", ingestStart)
	eventually(b, ingestStart, "the server answers", func() bool {
		res, err := http.Get("http://" + s.http + "/healthz")
		if err == nil {
			res.Body.Close()
		}
		return err == nil
	})
	generator := s.start("gritwatch-sim", args...)
	eventually(b, ingestStart, "all agents are online", func() bool { return online(generator.out.String()) })
	for b.Loop() {
		got := s.strain(b, during, server, generator)
		growth := float64(got.After)/float64(got.Before) - 1
		b.ReportMetric(float64(got.Frames)/got.Seconds, "frames/s")
		b.ReportMetric(float64(got.Pots)/got.Seconds, "pots/s")
		longest := 0
		for _, t := range got.Long {
			longest = max(longest, t.TookMs)
			b.Logf("after %.1f s a task took %d ms; within %d ms around it the page's main thread ran %d ms and waited %d ms for a processor", t.AtS, t.TookMs, t.WithinMs, t.RanMs, t.WaitedMs)
		}
		b.ReportMetric(float64(len(got.Long)), "tasks>50ms")
		b.ReportMetric(float64(longest), "longest-of-them-ms")
		b.ReportMetric(100*got.Load.Main, "main-thread-%")
		b.ReportMetric(100*got.Load.Browser, "browser-%")
		b.ReportMetric(100*got.Load.Named[0], "server-%")
		b.ReportMetric(100*got.Load.Named[1], "generator-%")
		b.ReportMetric(float64(got.After)/1e6, "heap-MB")
		b.ReportMetric(100*growth, "heap-growth-%")
		b.ReportMetric(got.Warm, "warm-s")
		b.ReportMetric(100*(got.Told.After/got.Told.Before-1), "told-growth-%")
		if got.Shown != pagePots || float64(got.Pots) < 0.5*pagePots*got.Seconds {
			b.Errorf("the page shows %d pots and was told of %d in %v: nothing was measured", got.Shown, got.Pots, during)
		}
		if len(got.Long) > 0 || growth >= pageGrowth {
			b.Errorf("%d tasks of the page's main thread took over 50 ms, the longest %d ms; its heap grew by %.1f %%", len(got.Long), longest, 100*growth)
		}
	}
}

// A strain is what dashboard/tests/strain.mjs tells.
type strain struct {
	Seconds float64 `json:"seconds"`
	Shown   int     `json:"shown"`
	Frames  int     `json:"frames"`
	Pots    int     `json:"pots"`
	Long    []task  `json:"long"`
	Load    struct {
		Main    float64   `json:"main"`
		Browser float64   `json:"browser"`
		Named   []float64 `json:"named"`
	} `json:"load"` // shares of a processor
	Before int     `json:"before"`
	After  int     `json:"after"`
	Warm   float64 `json:"warm"`
	Told   struct {
		Before float64 `json:"before"`
		After  float64 `json:"after"`
	} `json:"told"`
}

// A task of the page's main thread of over 50 ms by the wall clock.
type task struct {
	AtS      float64 `json:"at_s"`
	TookMs   int     `json:"took_ms"`
	RanMs    int     `json:"ran_ms"` // the thread, within the samples around the task
	WaitedMs int     `json:"waited_ms"`
	WithinMs int     `json:"within_ms"`
}

func (s *site) strain(b *testing.B, during time.Duration, beside ...*program) (out strain) {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.Context(), during+7*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "node", "tests/strain.mjs", "http://"+s.http+"/", strconv.Itoa(int(during.Seconds())))
	for _, p := range beside {
		cmd.Args = append(cmd.Args, strconv.Itoa(p.cmd.Process.Pid))
	}
	cmd.Dir = "../../dashboard"
	var errs bytes.Buffer
	cmd.Stderr = &errs
	text, err := cmd.Output()
	if err != nil {
		b.Fatalf("%v: %s", err, errs.String())
	}
	if err := json.Unmarshal(text, &out); err != nil {
		b.Fatalf("%v in %s", err, text)
	}
	return out
}
