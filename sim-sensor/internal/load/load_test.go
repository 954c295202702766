package load_test

import (
	"bytes"
	"context"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/sim-sensor/internal/load"
)

// A server that has the site file takes everything in: births in order with the digests of the same pots, data without a
// gap in the sequence, as many readings as the rate says, in batches; echoes and rebirths are answered, a cut connection
// comes back, and the end is a death.
func TestFleet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, err := load.NewFleet("harrow-quay", 5, 2, 10)
		if err != nil {
			t.Fatal(err)
		}
		text, err := f.Site("mqtt://127.0.0.1:1883")
		if err != nil {
			t.Fatal(err)
		}
		pots, agents, m := site(t, text)
		if len(pots) != 5 || m.String("site") != "harrow-quay" || m.Map("broker").String("embedded") != "127.0.0.1:1883" {
			t.Fatalf("site file:\n%s", text)
		}
		b := newBroker(t)
		ctx, cancel := context.WithCancel(t.Context())
		var out bytes.Buffer
		var totals load.Totals
		ended := make(chan error, 1)
		go func() {
			var err error
			totals, err = load.Run(ctx, f, load.Options{Broker: "mqtt://127.0.0.1:1883", Out: &out, Log: slog.New(slog.DiscardHandler), Dial: b.dial})
			ended <- err
		}()
		const length = 60
		time.Sleep(length*time.Second + 10*time.Millisecond)
		synctest.Wait()
		got := b.take()

		next := map[string]sparkplug.Counter{}
		readings := map[string]int{}
		batches, quick := map[string]int{}, 0
		last := map[string]time.Time{}
		moved := false
		births := map[string]int{}
		position, epoch, stands := map[string]uint64{}, map[string]uint64{}, map[string]int{}
		for i := range got {
			h := &got[i]
			node := h.topic.Node
			c := next[node]
			want := c.Next()
			if h.topic.Kind == sparkplug.NodeBirth {
				want = c.Birth()
			}
			if next[node] = c; h.message.Seq != want || !h.message.HasSeq {
				t.Fatalf("%s: number %d, want %d", h.topic, h.message.Seq, want)
			}
			births[string(h.topic.Kind)+" "+node]++
			switch p := pots[h.topic.Device]; h.topic.Kind {
			case sparkplug.NodeBirth:
				for _, name := range []string{points.MetricSession, points.MetricClockEpoch, points.MetricEcho, points.MetricClockEcho, points.MetricBdSeq, points.MetricRebirth,
					points.MetricJournalID, points.MetricJournalVoidFrom, points.MetricJournalVoidTo, points.MetricReplayID, points.MetricReplayFrom, points.MetricReplayTo} {
					if h.message.Find(name) == nil {
						t.Errorf("%s lacks %s", h.topic, name)
					}
				}
				position[node], epoch[node] = number(t, h, points.MetricJournalNext), number(t, h, points.MetricClockEpoch)
				if oldest := number(t, h, points.MetricJournalOldest); oldest != position[node] {
					t.Errorf("%s holds from %d to %d: it keeps nothing", h.topic, oldest, position[node])
				}
			case sparkplug.NodeData:
				if h.message.Find(points.MetricJournalNext) != nil {
					stands[node]++
					if oldest, next := number(t, h, points.MetricJournalOldest), number(t, h, points.MetricJournalNext); next != position[node] || oldest != next {
						t.Errorf("%s stands at %d and %d, and %d is next", h.topic, oldest, next, position[node])
					}
				}
			case sparkplug.DeviceBirth:
				if digest, _ := h.message.Find(points.MetricConfig).Value.Text(); digest != p.Vent().Digest() || agents[p.Name] != node {
					t.Errorf("%s: digest %s of %s", h.topic, digest, agents[p.Name])
				}
				if v, ok := h.message.Find(points.MetricSimulated).Value.Bool(); !v || !ok {
					t.Errorf("%s does not say that it is simulated", h.topic)
				}
				for _, pt := range points.All() {
					if (h.message.Find(pt.Metric()) != nil) != p.Points.Has(pt) {
						t.Errorf("%s: %s", h.topic, pt)
					}
				}
			case sparkplug.DeviceData:
				batches[h.topic.Device]++
				if h.at.Sub(last[h.topic.Device]) < 400*time.Millisecond {
					quick++
				}
				last[h.topic.Device] = h.at
				if word, _ := h.message.Find(points.MetricGuardState).Value.Text(); word != "not-proven" {
					t.Errorf("%s: the guard says %q", h.topic, word)
				}
				for k, name := range []string{points.MetricJournalPosition, points.MetricJournalCount, points.MetricJournalEpoch} {
					if h.message.Metrics[k].Name != name {
						t.Fatalf("%s: metric %d is %s, want %s", h.topic, k, h.message.Metrics[k].Name, name)
					}
				}
				if p, e := number(t, h, points.MetricJournalPosition), number(t, h, points.MetricJournalEpoch); p != position[node] || e != epoch[node] {
					t.Fatalf("%s: position %d of epoch %d, want %d of %d", h.topic, p, e, position[node], epoch[node])
				}
				before, count := si.Instant(0), uint64(0)
				for _, m := range h.message.Metrics {
					s, ok := m.Sample()
					if !ok {
						continue
					}
					count++
					readings[h.topic.Device]++
					age := si.InstantOf(h.at).Sub(s.At)
					if s.Quality != points.Good || m.Historical || age < 0 || age > 700*time.Millisecond || m.At < before {
						t.Fatalf("%s: %+v, %v old", h.topic, m, age)
					}
					before = m.At
					moved = moved || s.Point == points.Vessel && s.Value > 500*si.KPa
				}
				if n := number(t, h, points.MetricJournalCount); n != count {
					t.Fatalf("%s says %d readings and has %d", h.topic, n, count)
				}
				position[node] += count
			}
		}
		if stands["load-1"] != 1 { // the other's minute is not over
			t.Errorf("in a minute it is told %v times how the journal stands", stands)
		}
		for agent, n := range map[string]int{"load-1": 3, "load-2": 2} {
			if births["NBIRTH "+agent] != 1 || births["DBIRTH "+agent] != n {
				t.Errorf("births: %v", births)
			}
		}
		for name, p := range pots {
			gauges := 0
			for _, pt := range points.All() {
				if p.Points.Has(pt) {
					gauges++
				}
			}
			want := float64(length * 10 * gauges)
			if d := math.Abs(float64(readings[name]) - want); d > 10*float64(gauges) { // a second's, for batch and birth
				t.Errorf("%s: %d readings, want about %g", name, readings[name], want)
			}
			// Two batches a second, and more while pressures move.
			if batches[name] < 2*length-2 || batches[name] > 6*length {
				t.Errorf("%s: %d batches in %d s", name, batches[name], length)
			}
		}
		if quick == 0 || !moved {
			t.Errorf("%d quick batches, vessel moved %v", quick, moved)
		}

		// Records that are asked for are void, up to what was published; another journal's are refused; an acknowledgement is not answered.
		ask := func(id string, from, to uint64) []heard {
			at := si.InstantOf(time.Now())
			b.command(t, "load-1", sparkplug.Str(points.MetricReplayID, at, id), sparkplug.Uint(points.MetricReplayFrom, at, from), sparkplug.Uint(points.MetricReplayTo, at, to))
			synctest.Wait()
			var out []heard
			for _, h := range b.take() {
				if h.topic.Kind == sparkplug.NodeData {
					out = append(out, h)
				}
			}
			return out
		}
		id, _ := got[0].message.Find(points.MetricJournalID).Value.Text()
		for i := range got {
			if got[i].topic.Kind == sparkplug.NodeBirth && got[i].topic.Node == "load-1" {
				id, _ = got[i].message.Find(points.MetricJournalID).Value.Text()
			}
		}
		if h := ask(id, 7, 1<<40); len(h) != 1 || number(t, &h[0], points.MetricJournalVoidFrom) != 7 || number(t, &h[0], points.MetricJournalVoidTo) != position["load-1"] {
			t.Errorf("a request: %+v, and %d is next", h, position["load-1"])
		}
		if h := ask("another", 7, 9); len(h) != 1 || number(t, &h[0], points.MetricJournalNext) != position["load-1"] || h[0].message.Find(points.MetricJournalVoidFrom) != nil {
			t.Errorf("a request for another journal: %+v", h)
		}
		if h := ask(id, 9, 9); len(h) != 0 {
			t.Errorf("an acknowledgement: %+v", h)
		}

		b.command(t, "load-1", sparkplug.Uint(points.MetricEcho, si.InstantOf(time.Now()), 4711))
		b.command(t, "load-2", sparkplug.Bool(points.MetricRebirth, si.InstantOf(time.Now()), true))
		synctest.Wait()
		var echoed, reborn bool
		for _, h := range b.take() {
			if e := h.message.Find(points.MetricClockEcho); h.topic.Kind == sparkplug.NodeData && e != nil {
				v, _ := e.Value.Uint()
				at, _ := h.message.Find(points.MetricClockEchoAt).Value.Uint()
				echoed = v == 4711 && h.topic.Node == "load-1" && si.Instant(at) == si.InstantOf(time.Now())
			}
			if h.topic.Kind == sparkplug.NodeBirth {
				bd, _ := h.message.BdSeq()
				reborn = h.topic.Node == "load-2" && bd == 0
			}
			if h.topic.Kind == sparkplug.DeviceBirth && h.message.Find(points.Vessel.Metric()).Null {
				t.Errorf("%s is born again without its readings", h.topic)
			}
		}
		if !echoed || !reborn {
			t.Errorf("echoed %v, reborn %v", echoed, reborn)
		}

		b.mu.Lock()
		cut := b.ends[0]
		b.down = true // longer than a second, so that the report sees it
		b.mu.Unlock()
		cut.Close()
		time.Sleep(1500 * time.Millisecond)
		b.mu.Lock()
		b.down = false
		b.mu.Unlock()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
		deaths, again := 0, 0
		missing := uint64(0)
		for _, h := range b.take() {
			if p := h.message.Find(points.MetricJournalPosition); p != nil && h.topic.Kind == sparkplug.DeviceData {
				at := number(t, &h, points.MetricJournalPosition)
				missing += at - position[h.topic.Node]
				position[h.topic.Node] = at + number(t, &h, points.MetricJournalCount)
			}
			switch h.topic.Kind {
			case sparkplug.NodeDeath:
				deaths++
			case sparkplug.NodeBirth:
				again++
			}
		}
		if missing == 0 || int64(missing) != totals.Lost {
			t.Errorf("%d positions are missing, %d readings were lost", missing, totals.Lost)
		}
		if deaths != 3 || again != 1 { // one by the will, two at the end
			t.Errorf("%d deaths, %d births after the cut", deaths, again)
		}
		if totals.Sessions != 3 || totals.Messages < 600 || totals.Metrics < 15000 || totals.Bytes < 10*totals.Metrics || totals.Lost == 0 || totals.Lost > 1000 {
			t.Errorf("%+v", totals)
		}
		lines := strings.Split(strings.TrimSpace(out.String()), "\n")
		if len(lines) < length || lines[0] != "5 pots of 2 agents, 10 readings a second of each point, to harrow-quay of mqtt://127.0.0.1:1883" ||
			!strings.HasPrefix(lines[30], "2 of 2 agents online") || !strings.HasSuffix(lines[30], "lost 0") || !strings.Contains(out.String(), "1 of 2 agents online") {
			t.Errorf("said:\n%s", out.String())
		}
		if err := b.server.Close(); err != nil {
			t.Error(err)
		}
	})
}

// number is a metric of a message that must have it.
func number(t *testing.T, h *heard, name string) uint64 {
	t.Helper()
	m := h.message.Find(name)
	if m == nil || m.Null {
		t.Fatalf("%s lacks %s", h.topic, name)
	}
	n, ok := m.Value.Uint()
	if !ok {
		t.Fatalf("%s: %s is no number", h.topic, name)
	}
	return n
}

// A length ends the run by itself.
func TestLength(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, err := load.NewFleet("harrow-quay", 1, 0, 1)
		if err != nil {
			t.Fatal(err)
		}
		b := newBroker(t)
		began := time.Now()
		if _, err := load.Run(t.Context(), f, load.Options{Broker: "mqtt://h", Out: io.Discard, Log: slog.New(slog.DiscardHandler), Dial: b.dial, Length: 7 * time.Second}); err != nil {
			t.Error(err)
		}
		if took := time.Since(began); took < 7*time.Second || took > 8*time.Second {
			t.Errorf("ended after %v", took)
		}
		if err := b.server.Close(); err != nil {
			t.Error(err)
		}
	})
}

func TestFleetRefused(t *testing.T) {
	for _, tt := range []struct {
		site         string
		pots, agents int
		rate         float64
		want         string
	}{
		{"Harrow Quay", 1, 1, 10, "is not a name"},
		{"harrow-quay", 0, 0, 10, "a fleet has 1 to 20000"},
		{"harrow-quay", 20001, 0, 10, "a fleet has 1 to 20000"},
		{"harrow-quay", 3, 4, 10, "a pot for each"},
		{"harrow-quay", 3, -1, 10, "at least one"},
		{"harrow-quay", 3, 1, 0.5, "write 1 to 50"},
		{"harrow-quay", 3, 1, 51, "write 1 to 50"},
		{"harrow-quay", 3, 1, math.NaN(), "write 1 to 50"},
	} {
		if _, err := load.NewFleet(tt.site, tt.pots, tt.agents, tt.rate); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%+v: %v", tt, err)
		}
	}
}

// The largest fleet has a name of its own for every pot, and its site file is no larger than what a server reads.
func TestLargestFleet(t *testing.T) {
	f, err := load.NewFleet("harrow-quay", load.MaxPots, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	text, err := f.Site("mqtt://127.0.0.1:1883")
	names := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^  - name: (\S+)$`).FindAllSubmatch(text, -1) {
		names[string(m[1])] = true
	}
	if err != nil || len(names) != load.MaxPots || len(text) > yamlfile.MaxSize {
		t.Errorf("%d names in %d bytes, %v", len(names), len(text), err)
	}
}

// The site file of a large fleet reads; a broker elsewhere is named as such.
func TestSiteFile(t *testing.T) {
	const many = 1000
	f, err := load.NewFleet("harrow-quay", many, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "site.yaml")
	if err := f.WriteSite(path, "mqtt://broker.example"); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	pots, agents, m := site(t, text)
	count := map[string]int{}
	for _, a := range agents {
		count[a]++
	}
	if len(pots) != many || len(count) != 125 || count["load-125"] != 8 || m.Map("broker").String("url") != "mqtt://broker.example:1883" {
		t.Errorf("%d pots, %d agents", len(pots), len(count))
	}
	if err := f.WriteSite(filepath.Join(path, "no", "site.yaml"), "mqtt://h"); err == nil || !strings.Contains(err.Error(), "site file") {
		t.Errorf("a file that cannot be: %v", err)
	}
	if err := f.WriteSite(path, "nowhere"); err == nil || !strings.Contains(err.Error(), "mqtt://127.0.0.1:1883") {
		t.Errorf("a broker that is none: %v", err)
	}
	if left, err := os.ReadDir(filepath.Dir(path)); err != nil || len(left) != 1 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}
