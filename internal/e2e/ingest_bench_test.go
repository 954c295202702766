package e2e_test

import (
	"bytes"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/gorilla/websocket"
	_ "modernc.org/sqlite" // reads the checkpoints of a server that has ended

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// What the benchmark plays, and what counts as holding.
const (
	ingestRate   = 10 // readings of a point a second
	ingestPoints = 6
	ingestRung   = 60 * time.Second // of each size but the last
	ingestWhole  = 5 * time.Minute
	ingestShare  = 0.98        // of the readings that are made: a scrape takes a while, and exact are the positions
	ingestSlow   = time.Second // p99 from publishing to the page: a page that is further behind shows the past
	ingestPage   = 3           // agents whose pots the page shows, eight each
	ingestHeard  = 25          // agents whose payloads are kept for the floor
	ingestStart  = 3 * time.Minute
	ingestSettle = 15 * time.Second
	floorSeconds = 10
)

// BenchmarkIngest is how many pots, of six points that are read ten times a second, one server takes in for good, with embedded
// broker, engine, history and records, beside the generator on the same machine: nothing lost on the way, no gap, every reading
// stored, and the page less than a second behind. It goes up the sizes of INGEST_POTS (4000,6000,8000,10000), a minute each, as far as
// they hold, and then down from the largest that held, for INGEST_TIME (5m), until one holds for that long. One size alone is
// played for INGEST_TIME, and fails if it does not hold.
//
// Processor times are of the kernel's scheduler, in seconds a second; other-cores is what else ran on the machine meanwhile.
// The floor is the same payloads, decoded and appended to the history by one process that does nothing else (BenchmarkFloor of
// server/internal/keep, right after).
func BenchmarkIngest(b *testing.B) {
	sizes, whole := ingestSizes(b)
	held := []int{}
	if len(sizes) == 1 {
		held = sizes
	} else {
		for _, n := range sizes {
			if !ingestRun(b, n, ingestRung) {
				break
			}
			held = append(held, n)
		}
	}
	for _, n := range slices.Backward(held) {
		if ingestRun(b, n, whole) {
			return
		}
	}
	b.Errorf("no size of %v pots holds for %v", sizes, whole)
}

func ingestSizes(b *testing.B) (sizes []int, whole time.Duration) {
	b.Helper()
	text := os.Getenv("INGEST_POTS")
	if text == "" {
		text = "4000,6000,8000,10000"
	}
	for f := range strings.SplitSeq(text, ",") {
		n, err := strconv.Atoi(f)
		if err != nil || n < 8*ingestPage || len(sizes) > 0 && n <= sizes[len(sizes)-1] {
			b.Fatalf("INGEST_POTS %q: write how many pots, at least %d, or some such in rising order, as 4000,6000", text, 8*ingestPage)
		}
		sizes = append(sizes, n)
	}
	whole = ingestWhole
	if t := os.Getenv("INGEST_TIME"); t != "" {
		var err error
		if whole, err = time.ParseDuration(t); err != nil || whole < 10*time.Second {
			b.Fatalf("INGEST_TIME %q: write how long, at least 10s, for example 5m", t)
		}
	}
	return sizes, whole
}

// ingestRun plays one size for a while, as a benchmark of its own, and tells whether it held.
func ingestRun(b *testing.B, pots int, during time.Duration) bool {
	why := []string{"it did not come to its end"}
	b.Run(fmt.Sprintf("pots=%d/%v", pots, during), func(b *testing.B) {
		for b.Loop() {
			why = ingest(b, pots, during)
		}
	})
	if len(why) > 0 { // after the benchmark's own line
		fmt.Printf("BenchmarkIngest: %d pots do not hold for %v: %s\n", pots, during, strings.Join(why, "; "))
	}
	return len(why) == 0
}

// A look is the counters at one moment.
type look struct {
	at, cpuAt                 time.Time
	server, generator, bench  time.Duration // on the processor
	busy, stolen              time.Duration // of the machine
	messages, samples, stored float64
	bad                       map[string]float64 // what must not grow
	failed                    int64              // readings that the generator could not send
}

// ingest plays one size, and tells why it does not hold; nothing: it does.
func ingest(b *testing.B, pots int, during time.Duration) (why []string) {
	s := newSite(b)
	url := "mqtt://" + s.mqtt
	args := []string{"load", "--pots", strconv.Itoa(pots), "--rate", strconv.Itoa(ingestRate), "--site", "yard", "--broker", url}
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
	wire := hearWire(b, s.mqtt, "yard")
	began := time.Now()
	os.Setenv("GOGC", "400") // what the generator spends on its memory is not what is measured
	generator := s.start("gritwatch-sim", args...)
	os.Unsetenv("GOGC")
	fresh := func() (n int) {
		all, err := s.scrape()
		if err != nil {
			return 0 // it does not keep up, and may yet
		}
		for name, v := range all {
			if strings.HasPrefix(name, "gritwatch_pot_answer_age_seconds") && v < 2 {
				n++
			}
		}
		return n
	}
	for !online(generator.out.String()) || fresh() < pots { // a look costs the server some time, too
		if time.Since(began) > ingestStart {
			why = append(why, fmt.Sprintf("%v after the start %d were fresh", ingestStart, fresh()))
			generator.stop()
			return why
		}
		wait(2 * time.Second)
	}
	started := time.Since(began)
	page := showPots(b, s.http, wire.pots)
	wait(ingestSettle) // so that what the start has left behind is worked off

	var before, after look
	err1 := before.counters(b, s, generator)
	before.processors(b, server, generator)
	page.measure(true)
	wait(during)
	page.measure(false)
	after.processors(b, server, generator)
	err2 := after.counters(b, s, generator)
	freshAtEnd := fresh()
	resident := server.resident(b)
	wire.end()
	if err := errors.Join(err1, err2, page.lost()); err != nil {
		generator.stop()
		return append(why, err.Error())
	}
	delays := page.delays(wire)
	generator.stop()
	server.stop()

	seconds := after.at.Sub(before.at).Seconds()
	made := seconds * float64(pots) * ingestRate * ingestPoints
	samples, stored := after.samples-before.samples, after.stored-before.stored
	if samples < ingestShare*made || stored < ingestShare*made {
		why = append(why, fmt.Sprintf("of %.0f readings %.0f came in and %.0f were stored", made, samples, stored))
	}
	gaps := 0.0
	for _, name := range slices.Sorted(maps.Keys(after.bad)) {
		if n := after.bad[name] - before.bad[name]; n != 0 {
			why = append(why, fmt.Sprintf("%s: %.0f", name, n))
			gaps += n
		}
	}
	if n := after.failed - before.failed; n != 0 {
		why = append(why, fmt.Sprintf("the generator could not send %d readings", n))
	}
	if freshAtEnd != pots {
		why = append(why, fmt.Sprintf("at the end %d pots are fresh", freshAtEnd))
	}
	if len(delays) < 100 {
		b.Fatalf("only %d batches were seen on the page: nothing is measured", len(delays))
	}
	at := func(share float64) time.Duration { return delays[int(math.Ceil(share*float64(len(delays))))-1] }
	if at(0.99) > ingestSlow {
		why = append(why, fmt.Sprintf("p99 from publishing to the page is %v", at(0.99)))
	}
	cpuSeconds := after.cpuAt.Sub(before.cpuAt).Seconds()
	rate := func(d time.Duration) float64 { return d.Seconds() / cpuSeconds }
	us := 1e6 * rate(after.server-before.server) / (samples / seconds) // of the server, a sample
	cpu, gen := after.server-before.server, after.generator-before.generator
	other := after.busy - before.busy - cpu - gen - (after.bench - before.bench)
	bytes, each := checkpointBytes(b, filepath.Join(s.dir, "data"))
	floor := measureFloor(b, wire, pots)
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(map[bool]float64{true: 1}[len(why) == 0], "holds")
	b.ReportMetric(gaps, "gaps")
	b.ReportMetric((after.messages-before.messages)/seconds, "messages/s")
	b.ReportMetric(samples/seconds, "samples/s")
	b.ReportMetric(rate(cpu), "server-cores")
	b.ReportMetric(rate(gen), "generator-cores")
	b.ReportMetric(max(0, rate(other)), "other-cores")
	b.ReportMetric(rate(after.stolen-before.stolen), "stolen-cores")
	b.ReportMetric(us, "server-us/sample")
	b.ReportMetric(floor, "floor-us/sample")
	b.ReportMetric(us/floor, "times-floor")
	b.ReportMetric(resident, "MB")
	b.ReportMetric(1000*resident/float64(pots), "kB/pot")
	b.ReportMetric(bytes, "checkpoint-bytes/pot")
	b.ReportMetric(float64(at(0.5).Milliseconds()), "p50-ms")
	b.ReportMetric(float64(at(0.99).Milliseconds()), "p99-ms")
	b.ReportMetric(float64(delays[len(delays)-1].Milliseconds()), "max-ms")
	b.Logf("%d processors; all pots fresh %v after the start; %d pots have checkpoints; %d batches on the page", runtime.NumCPU(), started.Round(time.Second), each, len(delays))
	return why
}

// wait is for time that a benchmark of the real programs takes.
func wait(d time.Duration) { time.Sleep(d) }

// scrape reads all metrics; those of ten thousand pots take seconds.
func (s *site) scrape() (map[string]float64, error) {
	client := http.Client{Timeout: 20 * time.Second}
	res, err := client.Get("http://" + s.http + "/metrics")
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("scrape: %s, %w", res.Status, err)
	}
	out := map[string]float64{}
	for line := range strings.Lines(string(text)) {
		if i := strings.LastIndexByte(line, ' '); i > 0 && line[0] != '#' {
			if out[line[:i]], err = strconv.ParseFloat(strings.TrimSpace(line[i+1:]), 64); err != nil {
				return nil, fmt.Errorf("scrape: %s: %w", line, err)
			}
		}
	}
	return out, nil
}

// processors reads what has been used of them.
func (l *look) processors(b *testing.B, server, generator *program) {
	b.Helper()
	l.cpuAt = time.Now()
	l.server, l.generator, l.bench = server.onCPU(b), generator.onCPU(b), ownCPU(b)
	l.busy, l.stolen = machineCPU(b)
}

// counters reads what the two programs count.
func (l *look) counters(b *testing.B, s *site, generator *program) error {
	b.Helper()
	l.at, l.bad = time.Now(), map[string]float64{}
	all, err := s.scrape()
	if err != nil {
		return err
	}
	for name, v := range all {
		base, _, _ := strings.Cut(name, "{")
		switch base {
		case "gritwatch_ingest_messages_total":
			l.messages += v
		case "gritwatch_ingest_samples_total":
			l.samples += v
		case "gritwatch_store_samples_total":
			if strings.Contains(name, `"stored"`) {
				l.stored += v
				continue
			}
			l.bad[name] += v
		case "gritwatch_ingest_gaps_total", "gritwatch_ingest_bad_messages_total", "gritwatch_journal_lost_total", "gritwatch_pot_dropped_total",
			"gritwatch_store_waiting_dropped_total", "gritwatch_store_faults", "gritwatch_ingest_refused_total":
			l.bad[base] += v
		}
	}
	l.failed = lastNumber(b, generator.out.String(), `lost (\d+)`)
	return nil
}

// online tells whether the generator's newest line says that all agents are.
func online(out string) bool {
	all := regexp.MustCompile(`(\d+) of (\d+) agents online`).FindAllStringSubmatch(out, -1)
	return len(all) > 0 && all[len(all)-1][1] == all[len(all)-1][2]
}

func lastNumber(b *testing.B, text, pattern string) int64 {
	b.Helper()
	all := regexp.MustCompile(pattern).FindAllStringSubmatch(text, -1)
	if len(all) == 0 {
		b.Fatalf("the generator says nothing of the kind %s", pattern)
	}
	n, err := strconv.ParseInt(all[len(all)-1][1], 10, 64)
	if err != nil {
		b.Fatal(err)
	}
	return n
}

// ownCPU is what this process has used of the processor.
func ownCPU(b *testing.B) time.Duration {
	b.Helper()
	p := &program{cmd: &exec.Cmd{Process: &os.Process{Pid: os.Getpid()}}}
	return p.onCPU(b)
}

// machineCPU is how long all processors were busy, and how long others on the host had them (proc_stat(5)).
func machineCPU(b *testing.B) (busy, stolen time.Duration) {
	b.Helper()
	text, err := os.ReadFile("/proc/stat")
	if err != nil {
		b.Fatal(err)
	}
	f := strings.Fields(strings.SplitN(string(text), "\n", 2)[0])[1:]
	const tick = 10 * time.Millisecond // USER_HZ
	for i, name := range []string{"user", "nice", "system", "idle", "iowait", "irq", "softirq", "steal"} {
		n, err := strconv.ParseInt(f[i], 10, 64)
		if err != nil {
			b.Fatal(err)
		}
		switch name {
		case "idle", "iowait":
		case "steal":
			stolen = time.Duration(n) * tick
		default:
			busy += time.Duration(n) * tick
		}
	}
	return busy, stolen
}

// A publication is a batch of readings that an agent published.
type publication struct {
	newest, at si.Instant // of its readings; of publishing
}

// A wireTap is what is heard of some agents beside the server.
type wireTap struct {
	client mqtt.Client
	pots   []string // whose publications are noted

	mu     sync.Mutex
	shown  map[string]bool
	file   bytes.Buffer // payloads for the floor, a topic and base64 a line
	since  map[string]time.Time
	told   map[string][]publication
	errors []error
	alias  map[string]*sparkplug.Aliases
}

// hearWire listens to some agents of a site that load plays.
func hearWire(b *testing.B, broker, site string) *wireTap {
	b.Helper()
	w := &wireTap{shown: map[string]bool{}, told: map[string][]publication{}, since: map[string]time.Time{}, alias: map[string]*sparkplug.Aliases{}}
	trees := strings.Fields("alder birch cedar hazel maple rowan aspen beech larch olive")
	for i := range 8 * ingestPage { // as load names them
		w.pots = append(w.pots, fmt.Sprintf("%s-%d", trees[i%len(trees)], i/len(trees)+1))
		w.shown[w.pots[i]] = true
	}
	w.client = mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + broker).SetClientID("bench").SetAutoReconnect(false))
	done := func(what string, t mqtt.Token) {
		if !t.WaitTimeout(soon) || t.Error() != nil {
			b.Fatalf("%s: %v", what, t.Error())
		}
	}
	done("connect", w.client.Connect())
	b.Cleanup(func() { w.client.Disconnect(100) })
	for i := range ingestHeard {
		for _, kind := range []string{"DBIRTH", "DDATA"} {
			done("subscribe", w.client.Subscribe(fmt.Sprintf("spBv1.0/%s/%s/load-%d/+", site, kind, i+1), 0, func(_ mqtt.Client, m mqtt.Message) { w.take(m.Topic(), m.Payload()) }))
		}
	}
	return w
}

func (w *wireTap) end() { w.client.Disconnect(100) }

func (w *wireTap) take(topic string, payload []byte) {
	w.mu.Lock()
	defer w.mu.Unlock()
	pot := topic[strings.LastIndexByte(topic, '/')+1:]
	birth := strings.Contains(topic, "/DBIRTH/")
	if birth && w.since[pot].IsZero() {
		w.since[pot] = time.Now()
	}
	// Births first: the floor reads the file from its beginning, and those of all pots come before the data of one are over.
	if time.Since(w.since[pot]) < floorSeconds*time.Second {
		fmt.Fprintf(&w.file, "%s %s\n", topic, base64.StdEncoding.EncodeToString(payload))
	}
	if !w.shown[pot] {
		return
	}
	msg, err := sparkplug.Decode(payload)
	if err == nil && birth {
		w.alias[pot] = &sparkplug.Aliases{}
		err = w.alias[pot].Born(msg.Metrics)
	} else if err == nil && w.alias[pot] != nil {
		err = w.alias[pot].Resolve(msg.Metrics)
		p := publication{at: msg.At}
		for i := range msg.Metrics {
			if r, ok := msg.Metrics[i].Sample(); ok {
				p.newest = max(p.newest, r.At)
			}
		}
		if p.newest > 0 {
			w.told[pot] = append(w.told[pot], p)
		}
	}
	if err != nil {
		w.errors = append(w.errors, fmt.Errorf("%s: %w", topic, err))
	}
}

// A screen is a WebSocket that shows some pots, and when each instant of them came.
type screen struct {
	t *testing.B

	mu       sync.Mutex
	came     map[string][]arrival
	from, to si.Instant
	err      error
}

type arrival struct{ newest, at si.Instant }

// showPots subscribes to pots as a page does, and acknowledges every frame at once.
func showPots(b *testing.B, http string, pots []string) *screen {
	b.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws://"+http+"/api/v1/live", nil)
	if err != nil {
		b.Fatal(err)
	}
	s := &screen{t: b, came: map[string][]arrival{}}
	if err := conn.WriteJSON(live.Request{Subscribe: pots}); err != nil {
		b.Fatal(err)
	}
	done := make(chan struct{})
	b.Cleanup(func() { conn.Close(); <-done })
	go func() {
		defer close(done)
		for {
			_, text, err := conn.ReadMessage()
			at := si.InstantOf(time.Now())
			var f live.Frame
			if err == nil {
				err = json.Unmarshal(text, &f)
			}
			if err == nil {
				err = conn.WriteJSON(live.Request{Ack: f.Seq})
			}
			if err != nil {
				s.mu.Lock()
				s.err = err
				s.mu.Unlock()
				return
			}
			s.take(f, at)
		}
	}()
	return s
}

func (s *screen) take(f live.Frame, at si.Instant) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range f.Pots {
		if t, err := time.Parse(time.RFC3339, p.T); err == nil {
			s.came[p.Name] = append(s.came[p.Name], arrival{si.InstantOf(t), at})
		}
	}
}

// measure begins and ends the time that counts.
func (s *screen) measure(on bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if now := si.InstantOf(time.Now()); on {
		s.from = now
	} else {
		s.to = now
	}
}

// lost is why the page has lost its connection; nil: it has not.
func (s *screen) lost() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		return nil
	}
	return fmt.Errorf("the page lost its connection: %w", s.err)
}

// delays are how long the batches that were published in the time that counts took until the page had them, or something newer, in
// order. What has not come by its end took at least until then.
func (s *screen) delays(w *wireTap) (out []time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.errors) > 0 {
		s.t.Fatalf("%d payloads could not be read; the first: %v", len(w.errors), w.errors[0])
	}
	for pot, told := range w.told {
		came, i := s.came[pot], 0
		for _, p := range told {
			if p.at < s.from || p.at > s.to.Add(-ingestSlow) {
				continue
			}
			for i < len(came) && came[i].newest < p.newest/1000*1000 {
				i++
			}
			end := s.to
			if i < len(came) {
				end = came[i].at
			}
			out = append(out, end.Sub(p.at))
		}
	}
	slices.Sort(out)
	return out
}

// checkpointBytes is how large the states of the newest checkpoints are on average, and of how many pots there are some.
func checkpointBytes(b *testing.B, data string) (mean float64, pots int) {
	b.Helper()
	var file string
	_ = filepath.WalkDir(data, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Name() == "records.db" {
			file = path
		}
		return err
	})
	db, err := sql.Open("sqlite", "file:"+file+"?mode=ro")
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	err = db.QueryRow(`SELECT COALESCE(AVG(LENGTH(state)), 0), COUNT(*) FROM checkpoints AS c
		JOIN (SELECT pot, MAX(at_us) AS at_us FROM checkpoints GROUP BY pot) AS n ON c.pot = n.pot AND c.at_us = n.at_us`).Scan(&mean, &pots)
	if err != nil {
		b.Fatal(err)
	}
	return mean, pots
}

// measureFloor is the processor time, us, that a sample of the payloads that were heard takes to be decoded and stored, among
// as many pots.
func measureFloor(b *testing.B, w *wireTap, pots int) float64 {
	b.Helper()
	path := filepath.Join(b.TempDir(), "payloads")
	w.mu.Lock()
	err := os.WriteFile(path, w.file.Bytes(), 0o600)
	w.mu.Unlock()
	if err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command("go", "test", "-count=1", "-run", "^$", "-bench", "^BenchmarkFloor$", "-benchtime", "1x", "./server/internal/keep")
	cmd.Dir = "../.."
	cmd.Env = append(os.Environ(), "FLOOR="+path, "FLOOR_POTS="+strconv.Itoa(pots))
	out, err := cmd.CombinedOutput()
	m := regexp.MustCompile(`([\d.]+) cpu-us/sample`).FindSubmatch(out)
	if err != nil || m == nil {
		b.Fatalf("floor: %v\n%s", err, out)
	}
	v, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		b.Fatal(err)
	}
	return v
}
