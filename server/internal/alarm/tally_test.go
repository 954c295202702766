package alarm

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"gritwatch/protocol/si"
)

// hour is when an hour of the clock begins, so that intervals are whole.
const hour = begin - begin%si.Instant(time.Hour/time.Microsecond)

// again raises an alarm and ends it.
func (r *rig) again(k Key) {
	r.found(k, true)
	r.found(k, false)
}

// TestFigures against counts by hand.
func TestFigures(t *testing.T) {
	r := newRig(t)
	r.at = hour
	// 12 in the first ten minutes, 7 in the second, 4 in the third, then one in each of the next 21: four hours in all.
	counts := []int{12, 7, 4}
	for range 21 {
		counts = append(counts, 1)
	}
	for i, n := range counts {
		for j := range n {
			r.at = hour.Add(time.Duration(i)*10*time.Minute + time.Duration(j)*30*time.Second)
			r.again(alone)
		}
	}
	r.at = hour.Add(4*time.Hour - time.Second)
	f := r.b.Figures(r.at)
	want := Span{Over: 4 * time.Hour, Alarms: 44, PerHour: 11, PerTen: 44.0 / 24, MostInTen: 12, BusyShare: 1.0 / 24, Floods: 1, FloodShare: 2.0 / 24}
	want.ByPriority[Medium] = 44
	f.Day.PerHour = math.Round(f.Day.PerHour*1e9) / 1e9
	if f.Day != want || f.LastTen != 1 || f.Flood {
		t.Errorf("got %+v\nwant %+v; last ten %d, flood %v", f.Day, want, f.LastTen, f.Flood)
	}
	if f.Month.Alarms != 44 {
		t.Errorf("month %+v", f.Month)
	}
	if len(f.Worst) != 1 || f.Worst[0] != (Source{Key: alone, Times: 44, Share: 1}) {
		t.Errorf("worst %+v", f.Worst)
	}
	r.at = hour.Add(30 * time.Hour)
	if f := r.b.Figures(r.at); f.Day.Alarms != 0 || f.Month.Alarms != 44 || f.Month.Over != 30*time.Hour+10*time.Minute || len(f.Worst) != 0 {
		t.Errorf("a day later %+v", f)
	}
	r.at = hour.Add(40 * 24 * time.Hour)
	if f := r.b.Figures(r.at); f.Month.Alarms != 0 || f.Month.Over != 30*24*time.Hour {
		t.Errorf("forty days later %+v", f.Month)
	}
}

// TestFlood: more than ten in the last ten minutes.
func TestFlood(t *testing.T) {
	r := newRig(t)
	r.at = hour.Add(7 * time.Minute)
	for i := range 11 {
		if f := r.b.Figures(r.at); f.Flood || f.LastTen != i {
			t.Fatalf("after %d: %+v", i, f)
		}
		r.again(alone)
		r.at = r.at.Add(30 * time.Second)
	}
	if f := r.b.Figures(r.at); !f.Flood || f.LastTen != 11 {
		t.Errorf("%+v", f)
	}
}

// TestChattering: three times in a minute, and not in sixty-one seconds.
func TestChattering(t *testing.T) {
	r := newRig(t)
	for _, k := range []Key{alone, {Pot: "birch", Kind: PressOverlong}} {
		for range 3 {
			r.again(k)
			r.at = r.at.Add(30 * time.Second)
			if k.Pot == "birch" {
				r.at = r.at.Add(500 * time.Millisecond)
			}
		}
	}
	if f := r.b.Figures(r.at); !slices.Equal(f.Chattering, []Key{alone}) {
		t.Errorf("chattering %v", f.Chattering)
	}
	r.after(24 * time.Hour)
	if f := r.b.Figures(r.at); len(f.Chattering) != 0 {
		t.Errorf("a day later %v", f.Chattering)
	}
}

// TestStandingAndStale: what is in sight counts, what is out of it does not.
func TestStandingAndStale(t *testing.T) {
	r := newRig(t)
	r.found(plain, true)
	r.found(latch, true)
	if err := r.do("acknowledge", plain); err != nil {
		t.Fatal(err)
	}
	r.found(silent, true)
	r.found(lost, true)
	r.after(24 * time.Hour)
	f := r.b.Figures(r.at)
	if f.Standing[High] != 1 || f.Standing[Critical] != 2 || f.Waiting[High] != 0 || f.Waiting[Critical] != 2 || f.Suppressed != 1 || len(f.Stale) != 0 {
		t.Errorf("%+v", f)
	}
	r.after(time.Second)
	if f := r.b.Figures(r.at); len(f.Stale) != 3 {
		t.Errorf("stale %v", f.Stale)
	}
	if err := r.do("shelve", plain); err != nil {
		t.Fatal(err)
	}
	if f := r.b.Figures(r.at); len(f.Stale) != 2 || f.Shelved != 1 || f.Standing[High] != 0 {
		t.Errorf("%+v", f)
	}
	r.after(2 * time.Hour)
	if f := r.b.Figures(r.at); len(f.Stale) != 2 || f.Standing[High] != 1 {
		t.Errorf("back from the shelf: %+v", f)
	}
}

// TestRecall: figures outlive a restart.
func TestRecall(t *testing.T) {
	r := newRig(t)
	for range 20 {
		r.again(alone)
		r.again(plain)
		r.found(silent, true)
		r.found(lost, true) // suppressed: not counted
		r.found(lost, false)
		r.found(silent, false)
		r.after(7 * time.Second)
	}
	want := r.b.Figures(r.at)
	if want.Day.Alarms != 60 {
		t.Fatalf("%+v", want)
	}
	if err := r.restart(); err != nil {
		t.Fatal(err)
	}
	for _, id := range r.s.order {
		r.b.Recall(r.s.alarms[id])
	}
	if got := r.b.Figures(r.at); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// TestBounded: whatever comes, no more sources are kept than there is room for, and the loud ones stay.
func TestBounded(t *testing.T) {
	var x tally
	x.init()
	at := hour
	for i := range 1500 {
		at = at.Add(time.Second)
		x.add(at, Low, Key{Pot: fmt.Sprint(i), Kind: DrainDue})
		x.add(at, Low, alone)
	}
	x.add(hour-1e15, Low, plain)
	x.add(-5, Low, plain)
	if x.sources[Key{Pot: "900", Kind: DrainDue}] != nil || x.sources[Key{Pot: "1100", Kind: DrainDue}] == nil {
		t.Error("others are kept than the latest")
	}
	if len(x.sources) != sources || x.sources[alone] == nil || x.sources[alone].day(at) != 1500 {
		t.Errorf("%d sources", len(x.sources))
	}
}

func BenchmarkFigures(b *testing.B) {
	r := newRig(nil)
	for range 2000 {
		r.again(alone)
		r.at = r.at.Add(20 * time.Minute)
	}
	b.ReportAllocs()
	for b.Loop() {
		r.b.Figures(r.at)
	}
}

func BenchmarkNote(b *testing.B) {
	r := newRig(nil)
	f := Found{Key: alone, Priority: Medium, Evidence: Evidence{PressurePa: []float64{690e3, 41e3}}}
	var c []Change
	b.ReportAllocs()
	for b.Loop() {
		r.at = r.at.Add(time.Minute)
		f.At, f.On = r.at, !f.On
		c = r.b.Note(f, c[:0])
	}
}
