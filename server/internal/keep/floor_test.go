package keep_test

import (
	"bufio"
	"encoding/base64"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/history"
)

// BenchmarkFloor is what the samples of many pots cost at the very least: their payloads decoded, and appended to the history,
// a tenth of a second of them at a time; no broker, no order, no engine. FLOOR names a file of payloads as they went over the
// wire (a topic and base64 a line, births first), of which each pot stands for as many as FLOOR_POTS asks for; without it they
// are made here. cpu-us/sample is all processor time of the process, collecting garbage included.
func BenchmarkFloor(b *testing.B) {
	pots := 1000
	if s := os.Getenv("FLOOR_POTS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 {
			b.Fatalf("FLOOR_POTS %q is no number of pots", s)
		}
		pots = n
	}
	wire := madeUp()
	if name := os.Getenv("FLOOR"); name != "" {
		wire = read(b, name)
	}
	born := map[string]*sparkplug.Aliases{}
	var data []sent
	for _, m := range wire {
		pot := m.topic[strings.LastIndexByte(m.topic, '/')+1:]
		switch {
		case strings.Contains(m.topic, "/DBIRTH/"):
			msg, err := sparkplug.Decode(m.payload)
			if err == nil {
				born[pot] = &sparkplug.Aliases{}
				err = born[pot].Born(msg.Metrics)
			}
			if err != nil {
				b.Fatalf("%s: %v", m.topic, err)
			}
		case strings.Contains(m.topic, "/DDATA/") && born[pot] != nil:
			data = append(data, sent{pot, m.payload})
		}
	}
	if len(born) == 0 || len(data) < 10*len(born) {
		b.Fatalf("%d pots were born, and %d messages of them are there: too few", len(born), len(data))
	}
	for b.Loop() {
		floor(b, data, born, pots)
	}
}

type sent struct {
	topic   string
	payload []byte
}

// floor plays the payloads once, each pot for some.
func floor(b *testing.B, data []sent, born map[string]*sparkplug.Aliases, pots int) {
	b.StopTimer()
	store, err := history.Open(b.TempDir(), history.Options{Site: "yard", Log: slog.New(slog.DiscardHandler), Retention: 24 * time.Hour, Block: 15 * time.Minute})
	if err != nil {
		b.Fatal(err)
	}
	clones := max(1, (pots+len(born)-1)/len(born))
	names := map[string][]string{}
	for pot := range born {
		for i := range clones {
			names[pot] = append(names[pot], fmt.Sprintf("%s-%d", pot, i))
		}
	}
	var batch []history.Batch
	var due si.Instant
	samples := 0
	put := func() {
		res, err := store.Append(batch...)
		if err != nil || res.Stored != samples {
			b.Fatalf("%d samples: %+v, %v", samples, res, err)
		}
		clear(batch)
		batch, samples = batch[:0], 0
	}
	all := 0
	var began time.Time // a second after the first payload: by then the store knows all series
	var cpu time.Duration
	var first si.Instant
	for _, m := range data {
		for _, name := range names[m.topic] {
			msg, err := sparkplug.Decode(m.payload)
			if err == nil {
				err = born[m.topic].Resolve(msg.Metrics)
			}
			if err != nil {
				b.Fatalf("%s: %v", name, err)
			}
			if first == 0 {
				first = msg.At
			}
			if began.IsZero() && msg.At > first.Add(time.Second) {
				put()
				b.StartTimer()
				began, cpu, all = time.Now(), processor(b), 0
			}
			out := make([]points.Sample, 0, len(msg.Metrics))
			for i := range msg.Metrics {
				if s, ok := msg.Metrics[i].Sample(); ok {
					out = append(out, s)
				}
			}
			batch = append(batch, history.Batch{Pot: name, Epoch: 1, Samples: out})
			samples, all = samples+len(out), all+len(out)
			if msg.At >= due {
				due = msg.At.Add(100 * time.Millisecond)
				put()
			}
		}
	}
	put()
	b.StopTimer()
	used := processor(b) - cpu
	b.ReportMetric(float64(used.Nanoseconds())/float64(all)/1000, "cpu-us/sample")
	b.ReportMetric(float64(all)/time.Since(began).Seconds(), "samples/s")
	b.ReportMetric(float64(len(born)*clones), "pots")
	if err := store.Close(); err != nil {
		b.Fatal(err)
	}
	b.StartTimer()
}

// processor is the processor time that this process has used.
func processor(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func read(b *testing.B, name string) (out []sent) {
	b.Helper()
	f, err := os.Open(name)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	r := bufio.NewReader(f)
	for {
		line, err := r.ReadString('\n')
		if err == io.EOF {
			return out
		}
		topic, text, _ := strings.Cut(strings.TrimSpace(line), " ")
		payload, bad := base64.StdEncoding.DecodeString(text)
		if err != nil || bad != nil {
			b.Fatalf("%s: %v, %v", name, err, bad)
		}
		out = append(out, sent{topic, payload})
	}
}

// madeUp is ten seconds of ten pots with six points that are read ten times a second and sent twice.
func madeUp() (out []sent) {
	start := si.InstantOf(time.Now()).Add(-time.Minute) / 1000 * 1000
	add := func(kind string, pot int, payload []byte, err error) {
		if err != nil {
			panic(err)
		}
		out = append(out, sent{fmt.Sprintf("spBv1.0/yard/%s/load-1/pot-%d", kind, pot), payload})
	}
	alias := func(pot, point int) uint64 { return uint64(1025 + 10*pot + point) }
	for pot := range 10 {
		ms := []sparkplug.Metric{}
		for i, pt := range points.All() {
			m := sparkplug.OfSample(points.Sample{Point: pt, Quality: points.Good, At: start}, false)
			m.Alias, m.Aliased = alias(pot, i), true
			ms = append(ms, m)
		}
		p, err := sparkplug.EncodeBirth(start, 1, ms)
		add("DBIRTH", pot, p, err)
	}
	for half := range 20 {
		for pot := range 10 {
			var ms []sparkplug.Metric
			for k := range 5 * points.Count {
				at := start.Add(time.Duration(half)*500*time.Millisecond + time.Duration(k/points.Count)*100*time.Millisecond + time.Duration(k%points.Count)*3*time.Millisecond)
				v := 650e3 + 3e3*math.Sin(float64(half)/5+float64(k+pot))
				m := sparkplug.OfSample(points.Sample{Point: points.Point(k % points.Count), Quality: points.Good, At: at, Value: si.GaugePressure(v)}, false)
				m.Alias, m.Aliased = alias(pot, k%points.Count), true
				ms = append(ms, m)
			}
			p, err := sparkplug.EncodeData(start.Add(time.Duration(half+1)*500*time.Millisecond+time.Duration(pot)*50*time.Millisecond), 1, ms)
			add("DDATA", pot, p, err)
		}
	}
	return out
}
