package httpapi_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"math/rand/v2"
	"mime"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"runtime/metrics"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/history"
	"gritwatch/server/internal/replay"
	"gritwatch/server/internal/samplecsv"
)

// alder is the pot whose file a replay of its readings is given.
func alder(t testing.TB, electric bool) potfile.Pot {
	t.Helper()
	text := `name: alder
vessel: {volume: 6.5 ft3, rated: 150 psi}
hose: {bore: 1.25 in, length: 50 ft}
nozzle: {bore: 7/16 in, target: 100 psi}
units: {pressure: psi}
points: [supply, separator, vessel, hose, nozzle, control]
`
	if electric {
		text += "control: electric\n"
	}
	p, err := potfile.ParsePot("pot.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// rows reads a file as replay does.
func rows(t testing.TB, text string, p potfile.Pot) (out []samplecsv.Row) {
	t.Helper()
	r, err := samplecsv.NewReader(strings.NewReader(text), samplecsv.Format{Name: "samples.csv", Points: p.Points, Pa: p.Units.Pa(), Electric: p.Control.Electric})
	if err != nil {
		t.Fatal(err)
	}
	var row samplecsv.Row
	for {
		switch err := r.Next(&row); {
		case errors.Is(err, io.EOF):
			return out
		case err != nil:
			t.Fatalf("%v\n%.2000s", err, text)
		}
		out = append(out, row)
	}
}

// samplesOf are the readings that rows hold, in the order of time and point.
func samplesOf(all []samplecsv.Row, electric bool) (out []points.Sample) {
	for _, row := range all {
		for _, p := range points.All() {
			if row.Has.Has(p) {
				s := points.Sample{Point: p, Quality: points.Good, At: row.At, Value: row.Value[p]}
				if p == points.Control && electric {
					s.Value, s.Pressed = 0, row.Pressed
				}
				out = append(out, s)
			}
		}
	}
	return out
}

// Every good reading is in the file once, with its time to the microsecond and every bit of the number that came over the wire,
// and nothing else is; and replay takes the file as it is.
func TestExportRoundTrip(t *testing.T) {
	s := openHistory(t)
	h := over(s, nil, slog.DiscardHandler)
	var n uint64
	const most = 400 // cases of 20 s in a store: it takes nothing that is far ahead of its clock
	rapid.Check(t, func(rt *rapid.T) {
		// An epoch of its own, and a time of its own: the store is one for many.
		if n++; n%most == 0 {
			s = openHistory(t)
			h = over(s, nil, slog.DiscardHandler)
		}
		base := after(time.Duration(n%most) * 20 * time.Second)
		electric := rapid.Bool().Draw(rt, "electric")
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0))
		seen := map[[2]int64]bool{}
		b := history.Batch{Pot: "alder", Epoch: n, Electric: electric}
		var want []points.Sample
		total := rapid.IntRange(0, 300).Draw(rt, "readings")
		for range total {
			p := points.Sample{Point: points.Point(r.IntN(points.Count)), Quality: points.Good, At: base + si.Instant(r.IntN(1+total*2)*r.IntN(30_000))}
			switch r.IntN(10) {
			case 0:
				p.Quality = points.NoReply
			case 1:
				p.Quality = points.OutOfRange
			}
			if key := [2]int64{int64(p.At), int64(p.Point)}; seen[key] || p.At >= base.Add(20*time.Second) {
				continue
			} else {
				seen[key] = true
			}
			switch {
			case electric && p.Point == points.Control:
				p.Pressed = r.IntN(2) == 1
			case r.IntN(20) == 0:
				p.Value = [...]si.GaugePressure{0, -12.5, math.SmallestNonzeroFloat32, 1e8, si.GaugePressure(float32(si.PSI))}[r.IntN(5)]
			default:
				p.Value = si.GaugePressure(float32(r.NormFloat64() * 7e5))
			}
			b.Samples = append(b.Samples, p)
		}
		store(t, s, b)
		q := history.Query{Pot: "alder", From: base, To: base.Add(20 * time.Second)}
		if err := s.Range(t.Context(), q, func(r history.Record) error {
			if r.Quality == points.Good {
				want = append(want, r.Sample)
			}
			return nil
		}); err != nil {
			rt.Fatal(err)
		}
		res := call(t, h, "GET", self, fmt.Sprintf("/api/v1/pots/alder/export.csv?from=%s&to=%s", q.From, q.To))
		text := body(t, res)
		pot := alder(t, electric)
		all := rows(t, text, pot)
		got := samplesOf(all, electric)
		if len(got) != len(want) || res.StatusCode != 200 {
			rt.Fatalf("%d readings, want %d\n%s", len(got), len(want), text)
		}
		for i := range got {
			if math.Abs(float64(got[i].Value)-float64(want[i].Value)) < 1e-6*math.Abs(float64(want[i].Value)) && float32(got[i].Value) == float32(want[i].Value) {
				got[i].Value = want[i].Value
			}
			if got[i] != want[i] {
				rt.Fatalf("reading %d is %+v, want %+v", i, got[i], want[i])
			}
		}
		var out bytes.Buffer
		sum, err := replay.Run(t.Context(), pot, strings.NewReader(text), &out, replay.Options{Name: "samples.csv"})
		if err != nil || sum.Rows != len(all) || sum.Columns != pot.Points || len(all) > 0 && sum.Lines == 0 {
			rt.Fatalf("replay: %+v of %d rows, %v", sum, len(all), err)
		}
	})
}

// Any number of 32 bits comes back through the unit, whichever that is.
func TestExportDigits(t *testing.T) {
	const each = 20_000
	for _, unit := range []string{"psi", "bar", "kPa"} {
		s := openHistory(t)
		f := potsOfSite()
		p := f["alder"]
		p.Unit = unit
		f["alder"] = p
		r := rand.New(rand.NewPCG(7, 7))
		b := history.Batch{Pot: "alder", Epoch: 1}
		for i := range each {
			v := math.Float32frombits(r.Uint32())
			if math.Abs(float64(v)) > 1e8 || v != v {
				v = float32(r.NormFloat64() * 1e6)
			}
			b.Samples = append(b.Samples, points.Sample{Point: points.Vessel, Quality: points.Good, At: begin + si.Instant(i), Value: si.GaugePressure(v)})
		}
		store(t, s, b)
		pot := alder(t, false)
		pot.Units.Pressure = unit
		got := rows(t, body(t, call(t, overPots(f, s, nil, slog.DiscardHandler), "GET", self, "/api/v1/pots/alder/export.csv?points=vessel&"+rangeOf(0, time.Minute))), pot)
		if len(got) != each {
			t.Fatalf("%s: %d rows", unit, len(got))
		}
		for i, row := range got {
			if v := row.Value[points.Vessel]; float32(v) != float32(b.Samples[i].Value) || row.At != b.Samples[i].At {
				t.Fatalf("%s: row %d is %v at %v, want %v at %v", unit, i, v, row.At, b.Samples[i].Value, b.Samples[i].At)
			}
		}
	}
}

// What stands in front of the readings, and how they look.
func TestExportForm(t *testing.T) {
	s := openHistory(t)
	h := over(s, nil, slog.DiscardHandler)
	good := func(p points.Point, us si.Instant, v float64) points.Sample {
		return points.Sample{Point: p, Quality: points.Good, At: begin + us, Value: si.GaugePressure(v)}
	}
	for _, pot := range []string{"alder", "birch", "cedar"} {
		store(t, s, history.Batch{Pot: pot, Epoch: 1, Samples: []points.Sample{good(points.Vessel, 1, 689475.75), good(points.Hose, 1, 100),
			good(points.Vessel, 1_000_000, -0.25), {Point: points.Vessel, Quality: points.OutOfRange, At: begin + 1_100_000, Value: 0},
			{Point: points.Vessel, Quality: points.NoReply, At: begin + 1_200_000}, good(points.Supply, 2_000_000, 1.0/3)}})
	}
	for pot, want := range map[string]struct{ source, file string }{
		"alder": {"simulated", "SIMULATED-harrow-quay-alder-20260301T060000Z-20260301T060100Z.csv"},
		"birch": {"unknown", "harrow-quay-birch-20260301T060000Z-20260301T060100Z.csv"},
		"cedar": {"measured", "harrow-quay-cedar-20260301T060000Z-20260301T060100Z.csv"},
	} {
		for _, method := range []string{"GET", "HEAD"} {
			res := call(t, h, method, self, "/api/v1/pots/"+pot+"/export.csv?points=hose,vessel,supply&"+rangeOf(0, time.Minute))
			_, disposition, err := mime.ParseMediaType(res.Header.Get("Content-Disposition"))
			if err != nil || disposition["filename"] != want.file || res.Header.Get("Gritwatch-Source") != want.source || res.Header.Get("Cache-Control") != "no-store" ||
				res.Header.Get("Gritwatch-Readings") != "good=4, out-of-range=1, no-reply=1" || res.Header.Get("Content-Type") != "text/csv; charset=utf-8; header=present" {
				t.Errorf("%s %s: %v, %v", method, pot, res.Header, err)
			}
			// 689475.75 / 6894.757293168 = 100.0000030; 100 / 6894.757... = 0.0145037738; 1/3 is no number of 32 bits.
			const text = `time,supply,vessel,hose
2026-03-01T06:00:00.000001Z,,100.000003,0.0145037738
2026-03-01T06:00:01.000000Z,,-3.62594344e-05,
2026-03-01T06:00:02.000000Z,4.83459125767364e-05,,
`
			if got := body(t, res); method == "GET" && got != text {
				t.Errorf("%s:\n%s", pot, got)
			}
		}
	}
	// Nothing in the range is a file without rows, which says so.
	res := call(t, h, "GET", self, "/api/v1/pots/alder/export.csv?points=vessel&"+rangeOf(time.Minute, time.Hour))
	if got := body(t, res); got != "time,vessel\n" || res.Header.Get("Gritwatch-Readings") != "good=0, out-of-range=0, no-reply=0" {
		t.Errorf("nothing: %q %v", got, res.Header)
	}
}

// A range that cannot stand in one file is refused with what to do, and can be had in parts.
func TestExportRefused(t *testing.T) {
	s := openHistory(t)
	h := over(s, nil, slog.DiscardHandler)
	at := func(p points.Point, d time.Duration) points.Sample {
		return points.Sample{Point: p, Quality: points.Good, At: after(d), Value: 700e3}
	}
	// The clock went on without a step at 10 s (a new start), and was set back from 30 s to 15 s.
	store(t, s, history.Batch{Pot: "alder", Epoch: 5, Samples: []points.Sample{at(points.Vessel, 0), at(points.Hose, 9*time.Second)}})
	store(t, s, history.Batch{Pot: "alder", Epoch: 9, Samples: []points.Sample{at(points.Vessel, 11*time.Second), at(points.Hose, 30*time.Second)}})
	store(t, s, history.Batch{Pot: "alder", Epoch: 8, Samples: []points.Sample{at(points.Vessel, 15*time.Second), at(points.Hose, 16*time.Second)}})
	// The control became a switch.
	store(t, s, history.Batch{Pot: "birch", Epoch: 1, Samples: []points.Sample{at(points.Control, 0), at(points.Vessel, 0)}})
	store(t, s, history.Batch{Pot: "birch", Epoch: 2, Electric: true, Samples: []points.Sample{{Point: points.Control, Quality: points.Good, At: after(time.Second), Pressed: true}}})

	for target, want := range map[string]struct {
		status int
		says   string
	}{
		"alder/export.csv?" + rangeOf(0, time.Minute):                          {409, "epoch=8 (from 2026-03-01T06:00:15.000Z to 2026-03-01T06:00:16.000Z) or epoch=9 (from 2026-03-01T06:00:11.000Z"},
		"alder/export.csv?epoch=8&" + rangeOf(0, time.Minute):                  {200, "06:00:15.000000Z"},
		"alder/export.csv?epoch=9&" + rangeOf(0, time.Minute):                  {200, "06:00:30.000000Z"},
		"alder/export.csv?" + rangeOf(0, 15*time.Second):                       {200, "06:00:11.000000Z"},
		"birch/export.csv?" + rangeOf(0, time.Minute):                          {409, "points="},
		"birch/export.csv?points=vessel&" + rangeOf(0, time.Minute):            {200, "time,vessel"},
		"birch/export.csv?points=control&" + rangeOf(time.Second, time.Minute): {200, "06:00:01.000000Z,1\n"},
		"alder/export.csv?" + rangeOf(-32*24*time.Hour, 0):                     {400, "more than 31 days; export them in parts"},
		"alder/export.csv?epoch=x":                                             {400, "whole number"},
		"alder/export.csv?step=1":                                              {400, "known: from, to, points, epoch"},
		"oak/export.csv":                                                       {404, "no pot of this name"},
	} {
		res := call(t, h, "GET", self, "/api/v1/pots/"+target)
		if got := body(t, res); res.StatusCode != want.status || !strings.Contains(got, want.says) {
			t.Errorf("%s: %d %s, want %d %q", target, res.StatusCode, got, want.status, want.says)
		}
	}
	if got := samplesOf(rows(t, body(t, call(t, h, "GET", self, "/api/v1/pots/alder/export.csv?epoch=9&"+rangeOf(0, time.Minute))), alder(t, false)), false); len(got) != 2 {
		t.Errorf("epoch 9 has %v", got)
	}
}

// ask asks a server over the network and gives what came, and how it ended.
func ask(t *testing.T, handler http.Handler, target string) (*http.Response, string, error) {
	t.Helper()
	srv := httptest.NewUnstartedServer(handler)
	srv.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	srv.Start()
	defer srv.Close()
	res, err := srv.Client().Get(srv.URL + target)
	if err != nil {
		return nil, "", err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	return res, string(text), err
}

// A file that cannot be given whole is never given as if it were: the connection breaks off, or, where nothing has gone out
// yet, a problem comes.
func TestExportBreakOff(t *testing.T) {
	s := openHistory(t)
	minutes(t, s, "alder", 1, 10)
	target := "/api/v1/pots/alder/export.csv?" + rangeOf(0, time.Hour)
	whole := &watched{Store: s, each: func(int) error { return nil }}
	_, text, err := ask(t, over(whole, nil, slog.DiscardHandler), target)
	if n := len(rows(t, text, alder(t, false))); err != nil || n != 12_000 {
		t.Fatalf("whole: %d rows, %v", n, err)
	}
	var log bytes.Buffer
	fails := &watched{Store: s, each: func(n int) error {
		if n == 9000 {
			return errors.New("disk fault")
		}
		return nil
	}}
	_, text, err = ask(t, over(fails, nil, slog.NewTextHandler(&log, nil)), target)
	if n := strings.Count(text, "\n"); !errors.Is(err, io.ErrUnexpectedEOF) || n < 8000 {
		t.Errorf("%v after %d rows", err, n)
	}
	if !strings.Contains(log.String(), "an export broke off") || !strings.Contains(log.String(), "disk fault") {
		t.Errorf("logged %q", log.String())
	}
	early := &watched{Store: s, each: func(int) error { return errors.New("disk fault") }}
	res, text, err := ask(t, over(early, nil, slog.DiscardHandler), target)
	if err != nil || res.StatusCode != 503 || res.Header.Get("Content-Disposition") != "" || !strings.Contains(text, "Ask again") || strings.Contains(text, "disk fault") {
		t.Errorf("at once: %+v %q %v", res, text, err)
	}
	// The store itself goes away in the midst.
	gone := &watched{Store: s, each: func(n int) error {
		if n == 5000 {
			return s.Close()
		}
		return nil
	}}
	if _, text, err := ask(t, over(gone, nil, slog.DiscardHandler), target); !errors.Is(err, io.ErrUnexpectedEOF) || strings.Count(text, "\n") < 4000 {
		t.Errorf("store gone: %v after %d rows", err, strings.Count(text, "\n"))
	}
}

// A shrinking history gives less than Stretches has counted.
type shrinking struct{ *history.Store }

func (s shrinking) Range(ctx context.Context, q history.Query, each func(history.Record) error) error {
	q.From += 60_000_000
	return s.Store.Range(ctx, q, each)
}

// Readings that were removed while they were to be read are missed.
func TestExportMissed(t *testing.T) {
	s := openHistory(t)
	minutes(t, s, "alder", 1, 10)
	if _, _, err := ask(t, over(shrinking{s}, nil, slog.DiscardHandler), "/api/v1/pots/alder/export.csv?"+rangeOf(0, time.Hour)); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("%v", err)
	}
}

// A client that goes away ends the reading.
func TestExportCancelled(t *testing.T) {
	s := openHistory(t)
	minutes(t, s, "alder", 1, 10)
	ctx, leave := context.WithCancel(t.Context())
	w := &watched{Store: s, ended: make(chan error, 1)}
	seen := 0
	w.each = func(n int) error {
		seen = n
		if n == 100 {
			leave()
		}
		return nil
	}
	r := httptest.NewRequestWithContext(ctx, "GET", "/api/v1/pots/alder/export.csv?"+rangeOf(0, time.Hour), nil)
	r.Host = self
	func() {
		defer func() {
			if p := recover(); p != nil && p != http.ErrAbortHandler {
				panic(p)
			}
		}()
		over(w, nil, slog.NewTextHandler(failing{t}, nil)).ServeHTTP(httptest.NewRecorder(), r)
	}()
	if err := <-w.ended; !errors.Is(err, context.Canceled) || seen > 10_000 {
		t.Errorf("%v after %d readings", err, seen)
	}
}

// failing is a log that nothing may be written to.
type failing struct{ t *testing.T }

func (f failing) Write(b []byte) (int, error) {
	f.t.Errorf("logged: %s", b)
	return len(b), nil
}

// pipes is a listener in memory, whose deadlines keep to the time of a bubble.
type pipes chan net.Conn

func (p pipes) Accept() (net.Conn, error) {
	if c, ok := <-p; ok {
		return c, nil
	}
	return nil, net.ErrClosed
}
func (p pipes) Close() error   { close(p); return nil }
func (p pipes) Addr() net.Addr { return &net.TCPAddr{} }

// An export goes on for longer than the server gives other requests and answers, as long as its parts are taken; a client that
// takes nothing is not waited for.
func TestExportSlow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := openHistory(t)
		minutes(t, s, "alder", 1, 20) // more than is read from the store at once
		w := &watched{Store: s, ended: make(chan error, 2), each: func(n int) error {
			if n%2000 == 0 {
				time.Sleep(8 * time.Second) // of the bubble
			}
			return nil
		}}
		// Times as of the server.
		srv := &http.Server{Handler: over(w, nil, slog.DiscardHandler), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second,
			WriteTimeout: 20 * time.Second, IdleTimeout: time.Minute, ErrorLog: slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)}
		listener := make(pipes)
		done := make(chan error)
		go func() { done <- srv.Serve(listener) }()
		dial := func() (net.Conn, *bufio.Reader) {
			client, server := net.Pipe()
			listener <- server
			fmt.Fprintf(client, "GET /api/v1/pots/alder/export.csv?%s HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n", rangeOf(0, time.Hour))
			return client, bufio.NewReader(client)
		}
		began := time.Now()
		conn, in := dial()
		res, err := http.ReadResponse(in, nil)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(res.Body)
		if n := strings.Count(string(text), "\n"); err != nil || n != 24_001 || time.Since(began) < 90*time.Second || <-w.ended != nil {
			t.Errorf("%d rows in %v, %v", n, time.Since(began), err)
		}
		conn.Close()

		began = time.Now()
		conn, in = dial()
		if _, err := in.ReadByte(); err != nil {
			t.Fatal(err)
		}
		if err := <-w.ended; err == nil || time.Since(began) > 2*time.Minute {
			t.Errorf("a client that takes nothing was served for %v: %v", time.Since(began), err)
		}
		conn.Close()
		if err := srv.Close(); err != nil {
			t.Error(err)
		}
		<-done
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		synctest.Wait()
	})
}

// Of exports only so many are under way; one more is sent away at once, and others still read what is stored.
func TestExportAtOnce(t *testing.T) {
	s := openHistory(t)
	minutes(t, s, "alder", 1, 1)
	held, let := make(chan struct{}), make(chan struct{})
	w := &watched{Store: s, each: func(n int) error {
		if n == 0 {
			held <- struct{}{}
			<-let
		}
		return nil
	}}
	h := over(w, nil, slog.DiscardHandler)
	target := "/api/v1/pots/alder/export.csv?" + rangeOf(0, time.Hour)
	done := make(chan int)
	serve := func() {
		r := httptest.NewRequest("GET", target, nil)
		r.Host = self
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		done <- strings.Count(rec.Body.String(), "\n")
	}
	for range 2 {
		go serve()
		<-held
	}
	res := call(t, h, "GET", self, target)
	if got := body(t, res); res.StatusCode != 503 || res.Header.Get("Retry-After") == "" || !strings.Contains(got, "2 exports") {
		t.Errorf("%d %s", res.StatusCode, got)
	}
	if res := call(t, h, "GET", self, "/api/v1/pots/alder/history"); res.StatusCode != 200 {
		t.Errorf("history: %d", res.StatusCode)
	}
	close(let)
	for range 2 {
		if n := <-done; n != 1201 {
			t.Errorf("%d rows", n)
		}
	}
	go func() { <-held }()
	if res := call(t, h, "GET", self, target); res.StatusCode != 200 {
		t.Errorf("after that: %d", res.StatusCode)
	}
}

// A day of one pot, six points at 10 Hz: how fast it is given, and how much memory that takes.
func BenchmarkExport(b *testing.B) {
	now := begin
	s, err := history.Open(b.TempDir(), history.Options{Site: "harrow-quay", Log: slog.New(slog.DiscardHandler), MinFree: 1, Now: func() time.Time { return now.Time() }})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	for m := range 24 * 60 {
		batch := history.Batch{Pot: "alder", Epoch: 1}
		for i := range 600 * points.Count {
			p := points.Point(i % points.Count)
			at := after(time.Duration(m)*time.Minute + time.Duration(i/points.Count)*100*time.Millisecond + time.Duration(p)*15*time.Millisecond)
			v := 690e3 - 1e4*float64(p) + 3e3*math.Sin(float64(m*600+i)/20) + 200*math.Sin(float64(i*31))
			batch.Samples = append(batch.Samples, points.Sample{Point: p, Quality: points.Good, At: at, Value: si.GaugePressure(float32(v))})
		}
		now = after(time.Duration(m+1) * time.Minute)
		if _, err := s.Append(batch); err != nil {
			b.Fatal(err)
		}
	}
	ctx, stop := context.WithTimeout(b.Context(), 15*time.Second) // time to write blocks, as a server has done long before
	defer stop()
	if err := s.Run(ctx); err != nil {
		b.Fatal(err)
	}
	h := over(s, nil, slog.DiscardHandler)
	for _, hours := range []int{1, 24} { // memory is the same
		b.Run(fmt.Sprintf("hours=%d", hours), func(b *testing.B) {
			total := hours * 3600 * 10 * points.Count
			target := "/api/v1/pots/alder/export.csv?" + rangeOf(0, time.Duration(hours)*time.Hour)
			runtime.GC()
			heap := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
			metrics.Read(heap)
			before, peak := heap[0].Value.Uint64(), uint64(0)
			for b.Loop() {
				sink := &discard{header: http.Header{}, each: func() {
					metrics.Read(heap)
					peak = max(peak, heap[0].Value.Uint64())
				}}
				r := httptest.NewRequest("GET", target, nil)
				r.Host = self
				h.ServeHTTP(sink, r)
				if sink.lines != total+1 {
					b.Fatalf("%d rows", sink.lines)
				}
				b.SetBytes(sink.bytes)
			}
			b.ReportMetric(float64(total*b.N)/b.Elapsed().Seconds(), "samples/s")
			b.ReportMetric(float64(peak-min(peak, before))/(1<<20), "MiB-peak")
		})
	}
}

// discard counts what is written.
type discard struct {
	header http.Header
	bytes  int64
	lines  int
	parts  int
	each   func()
}

func (d *discard) Header() http.Header { return d.header }
func (d *discard) WriteHeader(int)     {}
func (d *discard) Write(b []byte) (int, error) {
	d.bytes += int64(len(b))
	d.lines += bytes.Count(b, []byte("\n"))
	if d.parts++; d.parts%64 == 0 {
		d.each()
	}
	return len(b), nil
}
