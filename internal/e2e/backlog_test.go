package e2e_test

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"gritwatch/protocol/live"
)

// What a day's backlog of one agent with six points at 10 Hz may take, and what live readings may be late by meanwhile.
const (
	backlogAim = 5 * time.Minute
	lateAim    = 500 * time.Millisecond // of 99 in 100
)

// BenchmarkBacklog delivers a day, 5.18 million records.
func BenchmarkBacklog(b *testing.B) {
	for b.Loop() {
		s := newBacklog(b, 24*time.Hour)
		s.deliver(2 * backlogAim)
		at := s.live.latenesses()
		b.ReportMetric(s.delivered.Seconds(), "s")
		b.ReportMetric(float64(s.filled.Records)/s.delivered.Seconds(), "records/s")
		b.ReportMetric(ms(share(at, 0.50)), "live-p50-ms")
		b.ReportMetric(ms(share(at, 0.99)), "live-p99-ms")
		b.ReportMetric(ms(at[len(at)-1]), "live-max-ms")
		b.ReportMetric(ms(s.live.silence), "live-gap-ms")
		b.ReportMetric(s.judged.Seconds(), "rewind-s")
		b.ReportMetric(s.agent.most(b), "agent-MB")
		b.ReportMetric(s.server.most(b), "server-MB")
		b.ReportMetric(0, "ns/op") // says nothing here
		if s.delivered > backlogAim || share(at, 0.99) > lateAim {
			b.Errorf("delivered after %v, aim %v; live readings late by %v (of 99 in 100), aim %v", s.delivered, backlogAim, share(at, 0.99), lateAim)
		}
	}
}

// TestBacklog delivers an hour, on a machine that is busy with other tests: what stands still here would not come in time
// for a day either.
func TestBacklog(t *testing.T) {
	t.Parallel()
	s := newBacklog(t, time.Hour)
	s.deliver(recovers)
	at := s.live.latenesses()
	s.watch.judge(t, filepath.Join(s.dir, "truth.jsonl"))
	// By as much as they are late without a backlog it is the machine.
	after := s.follow()
	began := time.Now()
	eventually(t, soon, "a page is looked at for 4 s", func() bool { return time.Since(began) > 4*time.Second })
	after.end()
	machine := after.latenesses()
	if len(machine) == 0 {
		t.Fatal("no reading came after the backlog")
	}
	if most := 4*lateAim + 4*share(machine, 0.99); share(at, 0.99) > most {
		t.Errorf("live readings are late by %v (of 99 in 100), want %v at most", share(at, 0.99), most)
	}
}

// A backlog is a site of one pot whose agent has a journal of long, and whose server begins.
type backlog struct {
	*site
	filled        filled
	server, agent *program
	live          *follower
	watch         watcher

	delivered time.Duration // from the server's start on, until all is stored
	judged    time.Duration // after that, until the past has been judged
}

// filled is what the program fill tells.
type filled struct {
	ID      string    `json:"id"`
	Epoch   uint64    `json:"epoch"`
	Records uint64    `json:"records"`
	First   time.Time `json:"first"`
	Last    time.Time `json:"last"`
	Presses int       `json:"presses"`
	Sum     string    `json:"sum"`
}

// newBacklog fills an agent's journal and starts all but the server. The journal's epoch is of a former start of the agent.
func newBacklog(tb testing.TB, length time.Duration) *backlog {
	tb.Helper()
	s := &backlog{site: newSite(tb)}
	fill := filepath.Join(s.dir, "fill")
	build := exec.Command("go", slices.Concat([]string{"build"}, buildFlags, []string{"-o", fill, "./agent/internal/journal/fill"})...)
	build.Dir = "../.."
	build.Env = append(os.Environ(), buildEnv...)
	if out, err := build.CombinedOutput(); err != nil {
		tb.Fatalf("build of the program that fills a journal: %v\n%s", err, out)
	}
	const points = "[{supply: {range: 0..200 psi}}, {separator: {range: 0..200 psi}}, {vessel: {range: 0..200 psi}}, {hose: {range: 0..200 psi}}, {nozzle: {range: 0..200 psi}}, {control: {range: 0..200 psi}}]"
	mapping := fmt.Sprintf("name: alder, %s, points: %s", potKeys, points)
	var channels, reads strings.Builder
	for i, name := range strings.Fields("supply separator vessel hose nozzle control") {
		fmt.Fprintf(&channels, "{pot: alder, point: %s, address: %d, order: high-first, unit: psi}, ", name, 2*i)
		fmt.Fprintf(&reads, "{pot: alder, point: %s, input: %d, type: float32, order: high-first, unit: psi}, ", name, 2*i)
	}
	s.write("sim.yaml", "about: a pot\npots:\n  - {"+mapping+", script: {cycle: {press: 14 s, rest: 16 s, start: 3 s, refill_below: 0.1 %}}}\n"+
		"lines:\n  - link: $DIR/line\n    mode: 115200 8E1\n    units:\n      - {unit: 1, kind: transmitter, channels: ["+channels.String()+"]}\n")
	s.write("site.yaml", "site: harrow-quay\nlisten: $HTTP\nbroker: {embedded: \"$MQTT\"}\ndata: $DIR/data\npots:\n  - {agent: quay-1, "+mapping+"}\n")
	s.write("agent.yaml", "agent: quay-1\nsite: harrow-quay\nbroker: {url: \"mqtt://$MQTT\"}\njournal: $DIR/journal\nsimulated: true\nbuses:\n"+
		"  - port: $DIR/line\n    mode: 115200 8E1\n    period: 100ms\n    units:\n      - {unit: 1, read: ["+reads.String()+"]}\npots:\n  - {"+mapping+"}\n")
	told, err := exec.Command(fill, "--folder", filepath.Join(s.dir, "journal"), "--pot", "alder", "--for", length.String()).Output()
	if err != nil {
		tb.Fatalf("fill: %v", err)
	}
	if err := json.Unmarshal(told, &s.filled); err != nil {
		tb.Fatal(err)
	}
	if want := uint64(length/(100*time.Millisecond)) * 6; s.filled.Records != want {
		tb.Fatalf("%d records were filled in, want %d", s.filled.Records, want)
	}
	s.start("gritwatch-sim", "run", "--config", "sim.yaml", "--truth", filepath.Join(s.dir, "truth.jsonl")).says("lines ready", soon)
	s.agent = s.start("gritwatch-agent", "run", "--config", "agent.yaml")
	s.agent.says("port opened", soon)
	return s
}

// deliver starts the server and waits until it has all, and has judged it; then it holds what is stored to what was filled in.
func (s *backlog) deliver(within time.Duration) {
	tb := s.t
	tb.Helper()
	began := time.Now()
	s.server = s.start("gritwatch-server", "run", "--config", "site.yaml")
	s.server.says("dashboard: ", soon)
	s.live = s.follow()
	tb.Cleanup(s.live.end)
	eventually(tb, within, fmt.Sprintf("%d records are stored", s.filled.Records), func() bool {
		s.watch.look(s.site)
		return s.series("gritwatch_store_samples_total")[`gritwatch_store_samples_total{fate="stored",site="harrow-quay"}`] >= float64(s.filled.Records) && s.counted() == s.filled.Records
	})
	s.delivered = time.Since(began)
	tb.Logf("stored after %v", s.delivered)
	judged := regexp.MustCompile(`late readings of a pot have been judged" pot=alder cycles=(\d+) whole=(\w+) "taken over"=(\w+)`)
	var said []string
	eventually(tb, within, "the past has been judged", func() bool {
		s.watch.look(s.site)
		said = judged.FindStringSubmatch(s.server.out.String())
		return said != nil
	})
	s.judged = time.Since(began) - s.delivered
	tb.Logf("judged after %v more: %s", s.judged, said[0])
	s.live.end()
	at := s.live.latenesses()
	tb.Logf("live readings at the page: late by %v (50 in 100), %v (99), %v at most, none for %v at most", share(at, 0.50), share(at, 0.99), at[len(at)-1], s.live.silence)
	arrived := s.series("gritwatch_ingest_latency_seconds")
	for _, le := range strings.Fields("0.1 0.25 0.5 1") {
		tb.Logf("live batches that had arrived at the server within %s s: %.2f %%", le, 100*arrived[`gritwatch_ingest_latency_seconds_bucket{site="harrow-quay",le="`+le+`"}`]/arrived[`gritwatch_ingest_latency_seconds_count{site="harrow-quay"}`])
	}
	for name, v := range s.series("gritwatch_") {
		for _, bad := range []string{"gritwatch_store_waiting_dropped_total", "gritwatch_ingest_gaps_total", "gritwatch_journal_lost_total", "gritwatch_pot_dropped_total", "gritwatch_store_faults"} {
			if strings.HasPrefix(name, bad) && v != 0 {
				tb.Errorf("%s is %g", name, v)
			}
		}
	}
	s.checksStored()
	s.checksCycles()
}

// span are the arguments of an export of all that was filled in.
func (s *backlog) span() url.Values {
	form := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
	return url.Values{"from": {form(s.filled.First.Add(-time.Hour))}, "to": {form(s.filled.Last.Add(time.Hour))}, "epoch": {strconv.FormatUint(s.filled.Epoch, 10)}}
}

// export gives the answer to an export.
func (s *backlog) export(method string) *http.Response {
	tb := s.t
	tb.Helper()
	req, err := http.NewRequestWithContext(tb.Context(), method, "http://"+s.http+"/api/v1/pots/alder/export.csv?"+s.span().Encode(), nil)
	if err != nil {
		tb.Fatal(err)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		tb.Fatal(err)
	}
	if res.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(res.Body)
		res.Body.Close()
		tb.Fatalf("export: %s: %s", res.Status, text)
	}
	return res
}

// counted is how many readings of the journal's epoch are stored.
func (s *backlog) counted() uint64 {
	s.t.Helper()
	res := s.export(http.MethodHead)
	res.Body.Close()
	var n, bad, silent uint64
	if _, err := fmt.Sscanf(res.Header.Get("Gritwatch-Readings"), "good=%d, out-of-range=%d, no-reply=%d", &n, &bad, &silent); err != nil || bad+silent > 0 {
		s.t.Fatalf("readings are told as %q, %v", res.Header.Get("Gritwatch-Readings"), err)
	}
	return n
}

// checksStored holds the history to what was filled in: every record once, at its own time, to the last bit of its value.
func (s *backlog) checksStored() {
	tb := s.t
	tb.Helper()
	res := s.export(http.MethodGet)
	defer res.Body.Close()
	if told := res.Header.Get("Gritwatch-Times"); told != "told" {
		tb.Errorf("times are %q: the agent's clock was right", told)
	}
	rows := bufio.NewScanner(res.Body)
	if !rows.Scan() || rows.Text() != "time,supply,separator,vessel,hose,nozzle,control" {
		tb.Fatalf("columns %q, %v", rows.Text(), rows.Err())
	}
	sum := fnv.New64a()
	var n uint64
	var raw []byte
	for ; rows.Scan(); n++ {
		text, rest, _ := strings.Cut(rows.Text(), ",")
		at, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			tb.Fatal(err)
		}
		value := strings.Trim(rest, ",")
		point := strings.Index(rest, value)
		v, err := strconv.ParseFloat(value, 64)
		if err != nil {
			tb.Fatalf("row %q: %v", rows.Text(), err)
		}
		raw = binary.LittleEndian.AppendUint64(raw[:0], uint64(at.UnixMicro()))
		raw = binary.LittleEndian.AppendUint32(append(raw, byte(point)), math.Float32bits(float32(v*psi)))
		sum.Write(raw)
	}
	if err := rows.Err(); err != nil {
		tb.Fatal(err)
	}
	if got := fmt.Sprintf("%016x", sum.Sum64()); n != s.filled.Records || got != s.filled.Sum {
		tb.Errorf("%d readings of sum %s are stored, want %d of sum %s", n, got, s.filled.Records, s.filled.Sum)
	}
}

// checksCycles holds the cycles of the past to the presses that were filled in.
func (s *backlog) checksCycles() {
	tb := s.t
	tb.Helper()
	query := url.Values{"limit": {"500"}, "order": {"oldest"}, "to": {s.filled.Last.UTC().Format(time.RFC3339)}}
	var page live.Cycles
	eventually(tb, soon, fmt.Sprintf("%d cycles of the past", s.filled.Presses), func() bool { // they are written down behind the judging
		res, err := http.Get("http://" + s.http + "/api/v1/pots/alder/cycles?" + query.Encode())
		if err != nil {
			tb.Fatal(err)
		}
		defer res.Body.Close()
		text, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != http.StatusOK {
			tb.Fatalf("cycles: %s, %v: %s", res.Status, err, text)
		}
		page = live.Cycles{}
		if err := json.Unmarshal(text, &page); err != nil {
			tb.Fatal(err)
		}
		return len(page.Cycles) >= s.filled.Presses
	})
	n := 0
	for _, c := range page.Cycles {
		if c.Late && !c.Incomplete && math.Abs(c.BlastS-300) < 1 && c.Vent.Healthy != nil {
			n++
		} else {
			tb.Errorf("a cycle of 300 s, found late, with what its vent was judged by, is %+v", c)
		}
	}
	if n != s.filled.Presses {
		tb.Errorf("%d cycles of the past were found, want %d", n, s.filled.Presses)
	}
}

// A follower is a page that is open meanwhile.
type follower struct {
	conn *websocket.Conn
	done chan struct{}
	over bool

	// Until done is closed of the goroutine that reads.
	late    []time.Duration // each time that there was a newer reading: its age at the page
	silence time.Duration   // the longest time without one
	err     error
}

// follow opens a page.
func (s *backlog) follow() *follower {
	s.t.Helper()
	conn, _, err := websocket.DefaultDialer.Dial("ws://"+s.http+"/api/v1/live", nil)
	if err != nil {
		s.t.Fatal(err)
	}
	f := &follower{conn: conn, done: make(chan struct{})}
	go func() {
		defer close(f.done)
		f.err = f.read()
	}()
	return f
}

func (f *follower) read() error {
	var newest, heard time.Time
	for {
		_, text, err := f.conn.ReadMessage()
		if err != nil {
			return err
		}
		now := time.Now()
		var frame live.Frame
		if err := json.Unmarshal(text, &frame); err != nil {
			return err
		}
		for _, p := range frame.Pots {
			if p.T == "" {
				continue
			}
			at, err := time.Parse(time.RFC3339Nano, p.T)
			if err != nil {
				return err
			}
			if at.After(newest) {
				if !heard.IsZero() {
					f.silence = max(f.silence, now.Sub(heard))
				}
				newest, heard = at, now
				f.late = append(f.late, now.Sub(at))
			}
		}
		if err := f.conn.WriteJSON(live.Request{Ack: frame.Seq}); err != nil {
			return err
		}
	}
}

// end closes the page.
func (f *follower) end() {
	if f.over {
		return
	}
	f.over = true
	f.conn.Close()
	<-f.done
}

// latenesses are the ages in order, once the page is closed.
func (f *follower) latenesses() []time.Duration {
	slices.Sort(f.late)
	return f.late
}

// share is the value that a share of them does not exceed; there is one.
func share(sorted []time.Duration, of float64) time.Duration {
	return sorted[int(math.Ceil(of*float64(len(sorted))))-1]
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// most is the most memory that the program has had, MB (proc_pid_status(5), VmHWM).
func (p *program) most(tb testing.TB) float64 {
	tb.Helper()
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(p.cmd.Process.Pid), "status"))
	if err != nil {
		tb.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if f := strings.Fields(line); len(f) == 3 && f[0] == "VmHWM:" {
			kB, err := strconv.ParseFloat(f[1], 64)
			if err != nil {
				tb.Fatal(err)
			}
			return kB / 1000
		}
	}
	tb.Fatal("no VmHWM")
	return 0
}
