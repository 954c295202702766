package uplink_test

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

func TestDeathAndReturn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		r.connect()
		r.quietly(time.Second)
		r.take()
		silent := func(d time.Duration) {
			for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
				r.read("birch", points.Vessel, 0)
				r.Uplink.Sample("alder", points.Sample{Point: points.Vessel, At: r.clock.Now()})
			}
		}
		silent(1900 * time.Millisecond)
		if k := kinds(r.take()); strings.Contains(k, "DDEATH") {
			t.Fatalf("dead too early: %s", k)
		}
		silent(300 * time.Millisecond)
		if k := kinds(r.take()); strings.Count(k, "DDEATH alder") != 1 || strings.Contains(k, "DDEATH birch") {
			t.Fatalf("2.2 s of silence: %s", k)
		}
		silent(5 * time.Second)
		if k := kinds(r.take()); strings.Contains(k, "alder") {
			t.Errorf("told of a dead pot: %s", k)
		}
		// A rebirth names all pots, and tells the silent one dead again.
		r.Rebirth()
		silent(300 * time.Millisecond)
		if k := kinds(r.take()); !strings.HasPrefix(k, "NBIRTH, DBIRTH alder, DBIRTH birch") || strings.Count(k, "DDEATH alder") != 1 {
			t.Errorf("rebirth of a dead pot: %s", k)
		}
		s := r.read("alder", points.Vessel, 300)
		time.Sleep(100 * time.Millisecond)
		out := slices.DeleteFunc(r.take(), func(s sent) bool { return s.pot != "alder" })
		if kinds(out) != "DBIRTH alder, DDATA alder" {
			t.Fatalf("return: %s", kinds(out))
		}
		if got := out[1].readings(); len(got) != 1 || got[0].Value != s.Value || got[0].At != s.At {
			t.Errorf("the first reading after the return: %+v", got)
		}
	})
}

func TestOffline(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		n := r.quietly(3 * time.Second)
		r.connect()
		time.Sleep(500 * time.Millisecond)
		sentN := 0
		for _, s := range r.take() {
			if s.kind == "DDATA" {
				sentN += len(s.readings())
			}
		}
		if r.lostCount()+sentN != n || sentN > 2*6 {
			t.Errorf("%d read, %d lost, %d sent", n, r.lostCount(), sentN)
		}
	})
}

// A step of the clock: nothing more goes out under the old epoch, births of the new one come before its readings.
func TestClockStep(t *testing.T) {
	for name, by := range map[string]time.Duration{"an hour back": -time.Hour, "an hour on": time.Hour} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := start(t)
				defer r.stop()
				r.connect()
				r.quietly(time.Second)
				r.take()
				before := r.clock.Epoch()
				time.Sleep(20 * time.Millisecond)
				old := r.read("alder", points.Vessel, 0).At // waits for the next flush
				r.step(by)
				r.Uplink.Sample("alder", points.Sample{Point: points.Vessel, Quality: points.Good, At: old, Value: 1})
				if r.clock.Epoch() == before {
					t.Fatal("no new epoch")
				}
				first := r.clock.Now()
				r.quietly(time.Second)
				out := r.take()
				if k := kinds(out); !strings.HasPrefix(k, "NBIRTH, DBIRTH alder, DBIRTH birch, DDATA") || strings.Count(k, "NBIRTH") != 1 {
					t.Fatalf("after the step: %s", k)
				}
				if e, _ := out[0].find(points.MetricClockEpoch).Value.Uint(); e != r.clock.Epoch() {
					t.Errorf("epoch %d", e)
				}
				for _, s := range out[1:] {
					for _, x := range s.readings() {
						if live := !s.ms[0].Historical; live && x.Quality == points.Good && (x.At < first || x.At > r.clock.Now()) {
							t.Errorf("%s: live reading at %v in the new epoch", s.kind, x.At)
						}
					}
				}
			})
		})
	}
}

func TestEcho(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		ask := func(m sparkplug.Metric) []sent {
			r.Command(r.session, sparkplug.Message{Metrics: []sparkplug.Metric{m}})
			return r.take()
		}
		if out := ask(sparkplug.Uint(points.MetricEcho, 1, 9)); len(out) != 0 {
			t.Errorf("answered before any birth: %s", kinds(out))
		}
		r.connect()
		r.take()
		out := ask(sparkplug.Uint(points.MetricEcho, 1, 1<<63))
		if kinds(out) != "NDATA" {
			t.Fatalf("answer: %s", kinds(out))
		}
		nonce, _ := out[0].find(points.MetricClockEcho).Value.Uint()
		at, _ := out[0].find(points.MetricClockEchoAt).Value.Uint()
		if nonce != 1<<63 || at != uint64(r.clock.Now()) {
			t.Errorf("nonce %d, at %d", nonce, at)
		}
		for _, m := range []sparkplug.Metric{sparkplug.Str(points.MetricEcho, 1, "9"), {Name: points.MetricEcho, Null: true}, sparkplug.Uint("other", 1, 9)} {
			if out := ask(m); len(out) != 0 {
				t.Errorf("%+v: answered %s", m, kinds(out))
			}
		}
	})
}

// Readings that nobody takes are bounded; the oldest go first, and are counted.
func TestBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		r.connect()
		held := make(chan struct{})
		r.session.mu.Lock()
		r.held = held
		r.session.mu.Unlock()
		time.Sleep(time.Second) // Run hangs in the session by now
		r.say(vent.Pressurised)
		time.Sleep(time.Second)
		const n = 10_000
		for i := range n {
			r.read("alder", points.Vessel, float64(i))
		}
		close(held)
		time.Sleep(time.Second)
		r.stop()
		got, last := 0, si.GaugePressure(0)
		for _, s := range r.take() {
			if s.kind == "DDATA" {
				for _, x := range s.readings() {
					got++
					last = x.Value
				}
			}
		}
		if got+r.lostCount() != n || got > 3000 || got < 2000 || last != (n-1)*si.KPa {
			t.Errorf("%d sent, %d lost of %d; last %v", got, r.lostCount(), n, last)
		}
	})
}

func TestEndSendsTheRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		r.connect()
		r.read("alder", points.Vessel, 0)
		time.Sleep(600 * time.Millisecond)
		r.take()
		s := r.read("alder", points.Vessel, 1)
		r.stop()
		out := r.take()
		if len(out) == 0 || len(out[0].readings()) != 1 || out[0].readings()[0].Value != s.Value {
			t.Errorf("sent at the end: %s", kinds(out))
		}
	})
}
