package uplink_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/uplink"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

func TestBirths(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		at := r.clock.Now()
		r.read("alder", points.Vessel, 300)
		r.Uplink.Sample("alder", points.Sample{Point: points.Hose, Quality: points.OutOfRange, At: at, Value: -20000})
		r.Uplink.Sample("birch", points.Sample{Point: points.Control, Quality: points.Good, At: at, Pressed: true})
		r.connect()
		out := r.take()
		if k := kinds(out); k != "NBIRTH, DBIRTH alder, DBIRTH birch" {
			t.Fatal(k)
		}
		var got []string
		for _, s := range out {
			for _, m := range s.ms {
				text := fmt.Sprintf("%s %s type %d", s.pot, m.Name, m.Type)
				if m.Null {
					text += " null"
				}
				if v, ok := m.Value.Float(); ok {
					text += fmt.Sprintf(" %v", v)
				}
				if v, ok := m.Value.Text(); ok {
					text += " " + v
				}
				if v, ok := m.Value.Bool(); ok {
					text += fmt.Sprintf(" %v", v)
				}
				if m.Quality != points.Good {
					text += fmt.Sprintf(" quality %d", m.Quality.Code())
				}
				if m.Unit != "" {
					text += " " + m.Unit
				}
				if m.At != at {
					t.Errorf("%s: time %v, want %v", text, m.At, at)
				}
				got = append(got, strings.TrimSpace(text))
			}
		}
		want := []string{
			"Session/Id type 12 feed",
			fmt.Sprintf("Clock/Epoch type 8 %v", float64(r.clock.Epoch())),
			"Node Control/Echo type 8 null", "Clock/Echo type 8 null", "Clock/Echo At type 8 null",
			"Journal/Id type 12 null", "Journal/Oldest type 8 null", "Journal/Next type 8 null", "Journal/Lost type 8 null",
			"Journal/Void From type 8 null", "Journal/Void To type 8 null",
			"Node Control/Replay Id type 12 null", "Node Control/Replay From type 8 null", "Node Control/Replay To type 8 null",
			"alder Pressure/Vessel type 9 300000 Pa",
			"alder Pressure/Hose type 9 -20000 quality 0 Pa",
			"alder Pressure/Control type 9 null quality 500 Pa",
			"alder Journal/Position type 8 null", "alder Journal/Count type 8 null", "alder Journal/Epoch type 8 null",
			"alder Guard/State type 12 not-proven",
			"alder Config/Digest type 12 vent/1:aa",
			"alder Source/Simulated type 11 true",
			"birch Pressure/Supply type 9 null quality 500 Pa",
			"birch Pressure/Vessel type 9 null quality 500 Pa",
			"birch Control/Pressed type 11 true",
			"birch Journal/Position type 8 null", "birch Journal/Count type 8 null", "birch Journal/Epoch type 8 null",
			"birch Guard/State type 12 not-proven",
			"birch Config/Digest type 12 vent/1:bb",
			"birch Source/Simulated type 11 true",
		}
		if !slices.Equal(got, want) {
			t.Errorf("born with\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
	})
}

// At rest one message a pot every 500 ms, with all readings in order and the guard's word.
func TestBatches(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		r.connect()
		r.quietly(600 * time.Millisecond)
		r.take()
		n := r.quietly(5 * time.Second)
		out := r.take()
		if len(out) != 20 {
			t.Errorf("%d messages of two pots in 5 s: %s", len(out), kinds(out))
		}
		readings := 0
		for _, s := range out {
			if s.kind != "DDATA" {
				t.Fatalf("%s %s", s.kind, s.pot)
			}
			last := si.Instant(0)
			for _, x := range s.readings() {
				if x.At <= last {
					t.Errorf("reading of %v after one of %v", x.At, last)
				}
				last = x.At
				readings++
			}
			if g := s.find(points.MetricGuardState); g == nil || g.At < last || g.Historical {
				t.Errorf("guard's word %+v", g)
			}
		}
		if readings < n-2 || readings > n+2 {
			t.Errorf("%d readings sent, %d read", readings, n)
		}
	})
}

// What matters is out within 100 ms.
func TestUrgent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		r.connect()
		good := func(p points.Point, v float64) func() { return func() { r.read("alder", p, v) } }
		with := func(pot string, p points.Point, q points.Quality, pressed bool) func() {
			return func() {
				r.Uplink.Sample(pot, points.Sample{Point: p, Quality: q, At: r.clock.Now(), Pressed: pressed})
			}
		}
		settle := func() {
			for range 2 {
				for _, p := range []points.Point{points.Vessel, points.Hose, points.Control} {
					r.read("alder", p, 0)
				}
				with("birch", points.Control, points.Good, false)()
				time.Sleep(510 * time.Millisecond)
			}
			r.take()
		}
		for _, c := range []struct {
			name string
			do   func()
			fast bool
		}{
			{"vessel moves", good(points.Vessel, 3.6), true},
			{"vessel hardly moves", good(points.Vessel, 3.4), false},
			{"vessel falls", good(points.Vessel, -3.6), true},
			{"control moves", good(points.Control, 600), true},
			{"hose moves", good(points.Hose, 600), false},
			{"hose fails", with("alder", points.Hose, points.OutOfRange, false), true},
			{"vessel does not answer", with("alder", points.Vessel, points.NoReply, false), true},
			{"handle pressed", with("birch", points.Control, points.Good, true), true},
			{"guard's word", func() { r.say(vent.Pressurised) }, true},
		} {
			settle()
			began := time.Now()
			c.do()
			for r.quiet() && time.Since(began) < 600*time.Millisecond {
				time.Sleep(time.Millisecond)
				synctest.Wait()
			}
			took := time.Since(began)
			if (took <= 100*time.Millisecond) != c.fast || took > 510*time.Millisecond {
				t.Errorf("%s: sent after %v", c.name, took)
			}
		}
	})
}

// standing is after how long a vessel that stands still is told; over 600 ms are not waited for.
func (r *rig) standing() time.Duration {
	r.take()
	began := time.Now()
	r.read("alder", points.Vessel, 600)
	for r.quiet() && time.Since(began) < 600*time.Millisecond {
		time.Sleep(time.Millisecond)
		synctest.Wait()
	}
	return time.Since(began)
}

// A vessel that stands still is told within 100 ms for ten seconds after the control has moved, and not longer: a vent that does not
// begin is what must be known first.
func TestUrgentAfterTheHandle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		r.connect()
		r.read("alder", points.Vessel, 600)
		r.read("alder", points.Control, 600)
		time.Sleep(11 * time.Second)
		slow := false
		for range 7 { // the flush comes when it comes
			slow = r.standing() > 100*time.Millisecond || slow
			time.Sleep(37 * time.Millisecond)
		}
		if !slow {
			t.Error("a vessel that stands is told at once without cause")
		}
		r.read("alder", points.Control, 0)
		for range 12 {
			time.Sleep(700 * time.Millisecond)
			if d := r.standing(); d > 100*time.Millisecond {
				t.Errorf("told after %v", d)
			}
		}
	})
}

// Where no handle is read the hose point tells of the release: the vessel that stands is told at once for ten seconds after the hose has lost
// its pressure, and not where the hose only sways, nor of a pot that has a control.
func TestUrgentAfterTheHose(t *testing.T) {
	for name, c := range map[string]struct {
		control bool
		to      float64 // kPa at the hose, from 600
		hurries bool
	}{"release": {false, 0, true}, "a fall of the supply": {false, 570, false}, "a pot with a control": {true, 0, false}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				set := points.SetOf(points.Vessel, points.Hose)
				if c.control {
					set = points.SetOf(points.Vessel, points.Hose, points.Control)
				}
				r := startWith(t, func(o *uplink.Options) { o.Pots[0].Points = set })
				defer r.stop()
				r.connect()
				slow := func(over time.Duration) (slow int) { // how often the vessel was told later than at once
					for end := time.Now().Add(over); time.Now().Before(end); time.Sleep(137 * time.Millisecond) {
						if r.standing() > 100*time.Millisecond {
							slow++
						}
					}
					return slow
				}
				r.read("alder", points.Vessel, 600)
				r.read("alder", points.Hose, 600)
				if c.control {
					r.read("alder", points.Control, 0)
				}
				time.Sleep(12 * time.Second)
				if slow(3*time.Second) == 0 {
					t.Fatal("told at once without cause")
				}
				r.read("alder", points.Hose, c.to)
				if n := slow(9 * time.Second); (n == 0) != c.hurries {
					t.Errorf("within nine seconds told late %d times", n)
				}
				time.Sleep(2 * time.Second)
				if slow(3*time.Second) == 0 {
					t.Error("told at once after eleven seconds still")
				}
			})
		})
	}
}

func TestGuardsWordGoesAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		r.connect()
		r.take()
		time.Sleep(700 * time.Millisecond)
		if out := r.take(); len(out) != 0 {
			t.Fatalf("sent without cause: %s", kinds(out))
		}
		r.say(vent.Pressurised)
		time.Sleep(100 * time.Millisecond)
		out := r.take()
		if kinds(out) != "DDATA alder, DDATA birch" || len(out[0].ms) != 1 {
			t.Fatalf("sent %s", kinds(out))
		}
		if w, _ := out[0].find(points.MetricGuardState).Value.Text(); w != "pressurised" {
			t.Errorf("said %q", w)
		}
	})
}

// Readings over a second old at hand-off travel apart, as historical, every metric of the message.
func TestLateReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		r.connect()
		r.quietly(time.Second)
		time.Sleep(200 * time.Millisecond)
		r.take()
		held := make(chan struct{})
		r.session.mu.Lock()
		r.held = held
		r.session.mu.Unlock()
		n := r.quietly(3 * time.Second)
		r.session.mu.Lock()
		r.held = nil
		r.session.mu.Unlock()
		release := r.clock.Now()
		close(held)
		synctest.Wait()
		time.Sleep(600 * time.Millisecond)
		out := r.take()
		got, historical := 0, 0
		for _, s := range out {
			flag := s.ms[0].Historical
			for _, m := range s.ms {
				if m.Historical != flag {
					t.Fatalf("live and historical in one message: %+v", s.ms)
				}
			}
			for _, x := range s.readings() {
				got++
				if flag {
					historical++
				}
				if old := release.Sub(x.At) > time.Second; flag && !old {
					t.Errorf("reading of %v before hand-off is historical", release.Sub(x.At))
				}
			}
		}
		if got != n || r.lostCount() != 0 {
			t.Errorf("%d of %d readings sent, %d lost", got, n, r.lostCount())
		}
		if historical < n/2 || historical > n*4/5 {
			t.Errorf("%d of %d historical, after 3 s of waiting", historical, n)
		}
	})
}
