package uplink_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/agent/internal/uplink"
	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
)

// count sets what a line's counter says.
func (r *rig) count(line int, item points.LineItem, n uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.lines[line-1].Values[item] = n
}

// A follower holds what a listener knows of the lines: births replace everything, data one by one.
type follower map[string]string

func (f follower) take(out []sent) {
	for _, s := range out {
		if s.kind == "NBIRTH" {
			clear(f)
		}
		for _, m := range s.ms {
			if _, _, ok := points.ParseLine(m.Name); ok && s.pot == "" {
				f[m.Name] = value(m)
			}
		}
	}
}

func value(m sparkplug.Metric) string {
	if v, ok := m.Value.Text(); ok {
		return v
	}
	if v, ok := m.Value.Bool(); ok {
		return fmt.Sprint(v)
	}
	v, _ := m.Value.Uint()
	return fmt.Sprint(v)
}

func names(ms []sparkplug.Metric) string {
	var out []string
	for _, m := range ms {
		out = append(out, m.Name+" "+value(m))
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

// A birth tells everything of the lines, data what has changed, no more often than every 10 s.
func TestLines(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		r.mu.Lock()
		r.lines = []points.Line{{Port: "/dev/serial/by-id/quay"}, {Port: "/dev/line-2"}}
		r.mu.Unlock()
		r.count(1, points.LineOpen, 1)
		r.count(1, points.LineRequests, 70)
		r.count(2, points.LineSilentUnits, 3)
		r.connect()
		birth := r.take()[0]
		f := follower{}
		f.take([]sent{birth})
		if birth.kind != "NBIRTH" || len(f) != 2*points.LineItems {
			t.Fatalf("%s with %d metrics of two lines", birth.kind, len(f))
		}
		for _, m := range birth.ms {
			_, item, ok := points.ParseLine(m.Name)
			want := sparkplug.UInt64
			switch item {
			case points.LinePort:
				want = sparkplug.String
			case points.LineOpen:
				want = sparkplug.Boolean
			}
			if ok && (m.Type != want || m.At == 0 || m.Null || m.Historical || m.Quality != points.Good) {
				t.Errorf("born with %+v", m)
			}
		}
		for name, want := range map[string]string{"Line/1/Port": "/dev/serial/by-id/quay", "Line/1/Open": "true", "Line/1/Requests": "70", "Line/1/Replies": "0",
			"Line/2/Port": "/dev/line-2", "Line/2/Open": "false", "Line/2/Silent Units": "3"} {
			if f[name] != want {
				t.Errorf("%s is %q, want %q", name, f[name], want)
			}
		}

		time.Sleep(2 * uplink.LinesEvery)
		if k := kinds(r.take()); k != "DDEATH alder, DDEATH birch" { // of pots that nobody reads here
			t.Fatalf("nothing changed, and yet was sent: %s", k)
		}
		began := r.clock.Now()
		for i := range 600 { // a minute
			r.count(1, points.LineRequests, uint64(71+i))
			if i == 130 {
				r.count(2, points.LineOpen, 1)
			}
			time.Sleep(100 * time.Millisecond)
		}
		out := r.take()
		if len(out) < 5 || len(out) > 6 {
			t.Errorf("%d messages in a minute: %s", len(out), kinds(out))
		}
		last := began
		opened := 0
		for _, s := range out {
			at := s.ms[0].At
			if s.kind != "NDATA" || at < last {
				t.Errorf("%s at %v after %v", s.kind, at, last)
			}
			last = at
			switch n := names(s.ms); {
			case strings.Count(n, "Line/") == 1 && strings.HasPrefix(n, "Line/1/Requests "):
			case strings.HasPrefix(n, "Line/1/Requests ") && strings.HasSuffix(n, ", Line/2/Open true"):
				opened++
			default:
				t.Errorf("sent %s", n)
			}
		}
		if opened != 1 {
			t.Errorf("line 2 is told to be open %d times", opened)
		}
	})
}

// What could not be sent, or was overtaken by a birth, is told later: a listener ends with the truth.
func TestLinesAreToldInTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := start(t)
		defer r.stop()
		r.mu.Lock()
		r.lines = []points.Line{{Port: "/dev/line-1"}}
		r.mu.Unlock()
		f := follower{}
		check := func(what string) {
			t.Helper()
			f.take(r.take())
			want := follower{}
			r.mu.Lock()
			defer r.mu.Unlock()
			for i := range points.LineItem(points.LineItems) {
				want[i.Metric(1)] = fmt.Sprint(r.lines[0].Values[i])
			}
			want["Line/1/Port"], want["Line/1/Open"] = "/dev/line-1", fmt.Sprint(r.lines[0].Values[points.LineOpen] == 1)
			if !maps.Equal(f, want) {
				t.Errorf("%s: heard\n%v\nwant\n%v", what, f, want)
			}
		}
		r.count(1, points.LineRequests, 1)
		time.Sleep(3 * uplink.LinesEvery) // without a session
		r.connect()
		check("the first births")

		r.disconnect()
		r.count(1, points.LineDamaged, 5)
		time.Sleep(2 * uplink.LinesEvery)
		r.connect()
		check("a new session")

		held := make(chan struct{})
		r.session.mu.Lock()
		r.heldN = held
		r.session.mu.Unlock()
		r.count(1, points.LineOpen, 1)
		r.count(1, points.LineRequests, 2)
		time.Sleep(uplink.LinesEvery + time.Second) // read, and not sent
		r.count(1, points.LineOpen, 0)
		r.count(1, points.LineRequests, 3)
		r.count(1, points.LineSilentUnits, 1)
		r.Rebirth() // comes in between with newer values
		r.count(1, points.LineSilentUnits, 0)
		r.session.mu.Lock()
		r.heldN = nil
		r.session.mu.Unlock()
		close(held)
		time.Sleep(2 * uplink.LinesEvery)
		check("births between reading and sending")

		for i := range uint64(10) { // where both are due at once, the births of the new epoch come first
			time.Sleep(uplink.LinesEvery - time.Since(r.session.start)%uplink.LinesEvery - 50*time.Millisecond)
			f.take(r.take())
			r.step(time.Hour)
			r.count(1, points.LineStrayBytes, 9+i)
			time.Sleep(100 * time.Millisecond)
			out := r.take()
			if k := kinds(out); !strings.HasPrefix(k, "NBIRTH") {
				t.Errorf("after a step of the clock: %s", k)
			}
			f.take(out)
		}
		check("steps of the clock")
	})
}
