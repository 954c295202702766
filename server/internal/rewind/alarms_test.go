package rewind_test

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/records"
)

// alarms are the recorded alarms of the vessel, the oldest first: each with its events, and those that came late marked.
func (f *field) alarms() (out []string) {
	f.t.Helper()
	time.Sleep(2 * time.Second) // what waits to be stored is
	p, err := f.book.Alarms(f.t.Context(), records.Query{OldestFirst: true})
	if err != nil {
		f.t.Fatal(err)
	}
	for _, a := range p.Items {
		if a.Kind != "vent-slow" && a.Kind != "vessel-held" {
			continue
		}
		text := a.Kind
		for _, t := range a.Transitions {
			text += " " + t.Event
		}
		out = append(out, text)
	}
	return out
}

// raised is when an alarm of a kind was first raised.
func (f *field) raised(kind string) time.Time {
	p, err := f.book.Alarms(f.t.Context(), records.Query{OldestFirst: true})
	if err != nil {
		f.t.Fatal(err)
	}
	for _, a := range p.Items {
		if a.Kind == kind {
			return a.Raised.Time()
		}
	}
	return time.Time{}
}

// TestLateAlarms: a vent stalls in a gap of the radio. The alarms are raised with their own time once the readings have come, each once; neither
// the live readings that show it too, nor a restart with its rewind, raise them again; and live readings end them.
func TestLateAlarms(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.start()
		f.born()
		f.run(40 * time.Second)
		f.cycle()
		f.want("vented")
		var released time.Time
		f.silent(func() {
			f.press()
			f.run(10 * time.Second)
			f.shut = true
			f.release()
			released = time.Now()
			f.run(10 * time.Second)
		})
		f.run(time.Minute)
		want := []string{"vent-slow raised", "vessel-held raised"}
		if got := f.alarms(); !slices.Equal(got, want) {
			t.Fatalf("recorded %q, want %q", got, want)
		}
		for _, kind := range []string{"vent-slow", "vessel-held"} {
			if after := f.raised(kind).Sub(released); after < 0 || after > 6*time.Second {
				t.Errorf("%s was raised %v after the release", kind, after)
			}
		}
		// A restart, with the vent still held: it begins with a rewind over the same readings.
		f.stop()
		f.start()
		f.born()
		f.run(2 * time.Minute)
		if got := f.alarms(); !slices.Equal(got, want) {
			t.Errorf("after a restart: recorded %q, want %q", got, want)
		}
		f.shut, f.loosed = false, time.Now()
		f.run(6 * time.Minute)
		if got, want := f.alarms(), []string{"vent-slow raised returned", "vessel-held raised returned"}; !slices.Equal(got, want) {
			t.Errorf("vented at last: recorded %q, want %q", got, want)
		}
		f.stop()
	})
}

// TestAlarmWhileDown: the server is stopped during a stalled vent, and its end and a further stalled vent come while it is down. The history has
// both, the first with its end, and nothing twice over a restart in the middle of what comes late.
func TestAlarmWhileDown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newField(t)
		f.start()
		f.born()
		f.run(40 * time.Second)
		f.cycle()
		stall := func() {
			f.shut = false
			f.press()
			f.run(10 * time.Second)
			f.shut = true
			f.release()
			f.run(10 * time.Second)
		}
		stall()
		if got, want := f.alarms(), []string{"vent-slow raised", "vessel-held raised"}; !slices.Equal(got, want) {
			t.Fatalf("live: recorded %q, want %q", got, want)
		}
		f.stop()
		f.out = true
		f.shut, f.loosed = false, time.Now()
		f.run(20 * time.Second)
		stall()
		stalled := time.Now()
		f.out = false
		for i := range 3 {
			f.start()
			f.born()
			if i < 2 {
				f.run(3 * time.Second) // in the middle of it, or before anything was judged
				f.stop()
			}
		}
		f.run(2 * time.Minute)
		got := f.alarms()
		// Of one key there is one open alarm: the second stall re-raises that of the first, which nobody has acknowledged.
		want := []string{"vent-slow raised returned raised", "vessel-held raised returned raised"}
		if !slices.Equal(got, want) {
			t.Errorf("recorded %q, want %q", got, want)
		}
		p, err := f.book.Alarms(f.t.Context(), records.Query{OldestFirst: true})
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range p.Items {
			if n := len(a.Transitions); a.Kind == "vessel-held" && n == 3 {
				if at := a.Transitions[2].At.Time(); at.After(stalled) {
					t.Errorf("the second stall is told as of %v, it was before %v", at, stalled)
				}
			}
		}
		f.stop()
	})
}

// TestAssumedAfterRewind: pot-empty stands, the server is stopped, and the pot is filled and blasts on. Where the rewind goes on from a checkpoint the alarm ends as it would
// without a stop, after three minutes of a stream that flows; without one the estimate has just begun, takes any stream for one that flows, and must say so for ten.
func TestAssumedAfterRewind(t *testing.T) {
	for _, kept := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			f := newField(t)
			f.start()
			f.born()
			f.run(40 * time.Second)
			f.cycle()
			f.run(40 * time.Second)
			empty := alarm.Key{Pot: "alder", Kind: alarm.PotEmpty}
			f.desk.Found([]alarm.Found{{Key: empty, Priority: alarm.High, At: si.InstantOf(time.Now()), On: true}})
			f.stop()
			f.run(10 * time.Second)
			f.start()
			if !kept {
				if err := f.book.DropCheckpoints("alder", 0).Wait(t.Context()); err != nil {
					t.Fatal(err)
				}
			}
			f.born()
			f.run(10 * time.Second)
			f.press()
			blasted := time.Now()
			stands := func() bool {
				synctest.Wait()
				return slices.Contains(f.desk.Standing("alder", ""), empty)
			}
			for stands() && time.Since(blasted) < 15*time.Minute {
				f.run(time.Second)
			}
			want := 10 * time.Minute
			if kept {
				want = 3 * time.Minute
			}
			if got := time.Since(blasted); got < want || got > want+15*time.Second {
				t.Errorf("checkpoint %v: pot-empty ended %v after the stream began to flow again, want %v", kept, got, want)
			}
			f.stop()
		})
	}
}
