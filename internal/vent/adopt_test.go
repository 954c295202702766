package vent_test

import (
	"bytes"
	"flag"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"

	"pgregory.net/rapid"
)

// An outage is a stretch of a story that the live judge does not get in time.
type outage struct {
	from, to float64 // s of the story
	late     float64 // how long after to the samples in it have come
	broken   bool    // the live judge is told of it
	restart  bool    // the live judge begins anew
}

// mended is what judges say around an outage.
type mended struct {
	adopted float64 // when; 0: never
	exempt  bool    // the live judge found something against its gauge that is not so
	loose   bool    // a press over 5 s may have counted in a run before the one that goes on: the live judge may say less
	vented  int     // words vented after it
	early   int     // those that come before a new vent could have proven the gauge
}

// through tells a story with an outage to a judge that misses it and adopts the run of a second one, and holds every
// answer against a judge that was never interrupted, and against the oracle.
func through(t failer, s *story, o vent.Options, out outage) (m mended) {
	t.Helper()
	in := s.stream()
	live, whole, plain := vent.NewJudge(s.pot, o), vent.NewJudge(s.pot, o), vent.NewJudge(s.pot, o)
	reckons := o.Period > 0 || s.period[points.Vessel] < 0.5 // the oracle's margins are not made for slow readings called live
	or, torn := newOracle(s.pot, o), newOracle(s.pot, o)
	var second, saved *vent.Judge // saved: the live one, saved and restored soon after it has adopted
	first, last := -1.0, -1.0     // of the vessel's readings behind the outage
	fresh := false
	for i, it := range in {
		t2 := it.t
		if second == nil && t2 >= out.from-3 { // the last state before the outage
			second = restore(t, s, o, live.AppendState(nil), in[:i])
			if !second.Primed() {
				t.Errorf("not primed")
			}
		}
		missing := t2 >= out.from && t2 < out.to && it.brk == 0
		if out.broken && t2 >= out.to && first < 0 && !fresh {
			live.Break(vent.SourceSilent)
			plain.Break(vent.SourceSilent)
			torn.cut(vent.SourceSilent)
			if fresh = true; out.restart {
				live, plain = vent.NewJudge(s.pot, o), vent.NewJudge(s.pot, o)
			}
		}
		do(whole, it)
		if second != nil {
			do(second, it)
		}
		if it.brk != 0 {
			or.cut(it.brk)
			torn.cut(it.brk)
		} else {
			or.step(it.sample)
		}
		if missing {
			continue
		}
		do(live, it)
		do(plain, it)
		if it.brk == 0 {
			torn.step(it.sample)
			if it.sample.Point == points.Vessel && it.sample.Quality == points.Good && t2 >= out.to {
				if last = t2; first < 0 {
					first = t2
				}
			}
		}
		if t2 >= out.to && reckons {
			for _, why := range torn.wrong(plain.Answer(), i%8 != 0) {
				t.Errorf("%.2f s: not adopted: %s", t2, why)
			}
		}
		if m.adopted == 0 && t2 >= out.to+out.late {
			before := live.AppendState(nil)
			a := live.Answer()
			if live.AdoptRun(second) {
				m.adopted = t2
				m.exempt = live.Faulty() != whole.Faulty() || live.DoesNotFollow() != whole.DoesNotFollow()
				m.loose = live.LongCounted() != whole.LongCounted()
				if !bytes.Equal(second.AppendState(nil), whole.AppendState(nil)) {
					t.Errorf("%.2f s: the second judge is not what an uninterrupted one is", t2)
				}
			} else if !bytes.Equal(before, live.AppendState(nil)) || a != live.Answer() {
				t.Errorf("%.2f s: refused, and something has changed", t2)
			}
		}
		if m.adopted == 0 {
			continue
		}
		if saved != nil {
			do(saved, it)
			if saved.Answer() != live.Answer() {
				t.Errorf("%.2f s: saved after it has adopted, it says %+v and not %+v", t2, saved.Answer(), live.Answer())
			}
		} else if t2 > m.adopted+1 {
			saved = restore(t, s, o, live.AppendState(nil), in[:i+1])
			if !saved.Primed() {
				t.Errorf("saved after it has adopted, it is not primed")
			}
		}
		got, want := live.Answer(), whole.Answer()
		if vent.Worse(got.Word, want.Word) != got.Word {
			t.Errorf("%.2f s, adopted at %.2f: %v %v, better than the uninterrupted %v %v", t2, m.adopted, got.Word, got.Because.Strings(), want.Word, want.Because.Strings())
			return m
		}
		if reckons {
			for _, why := range or.wrong(got, i%8 != 0) {
				t.Errorf("%.2f s, adopted at %.2f: %s", t2, m.adopted, why)
			}
		}
		if got.Word == vent.Vented {
			m.vented++
			if plain.Answer().Word != vent.Vented {
				m.early++
			}
			if t2 < first+3-1e-6 || first < 0 {
				t.Errorf("vented at %.2f s, %.2f s after the first live reading of the vessel", t2, t2-first)
			}
		}
		if live.Handle() != whole.Handle() {
			t.Errorf("%.2f s: handle %+v, uninterrupted %+v", t2, live.Handle(), whole.Handle())
		}
		const lowers = 1<<vent.SensorFault | 1<<vent.GaugeDoesNotFollow
		if more := got.Because &^ want.Because; first >= 0 && t2 > first+6.5 {
			if !m.loose && (more&^lowers != 0 || more != 0 && !m.exempt || want.Because&^got.Because != 0 || got.At != want.At) {
				t.Errorf("%.2f s: %v %v, uninterrupted %v %v", t2, got.Word, got.Because.Strings(), want.Word, want.Because.Strings())
				return m
			}
		}
	}
	if saved != nil && !bytes.Equal(saved.AppendState(nil), live.AppendState(nil)) {
		t.Errorf("saved after it has adopted, it goes on otherwise")
	}
	if m.adopted != 0 && !m.exempt && !m.loose && first >= 0 && last > max(first, m.adopted)+6.5 && !bytes.Equal(live.AppendState(nil), whole.AppendState(nil)) {
		t.Errorf("at the end the state is not that of an uninterrupted judge")
	}
	return m
}

// TestAdoptRunRandom: whatever happens before, in and after an outage, a judge that adopts the run is never better than one
// that was never interrupted, and soon the same.
func TestAdoptRunRandom(t *testing.T) {
	checks(t, "50")
	runs, adopted, strict, vented, early, exempt := 0, 0, 0, 0, 0, 0
	draw := func(t *rapid.T) {
		s, o := randomStory(t)
		out := outage{from: rapid.Float64Range(0, s.cursor).Draw(t, "from"), late: rapid.SampledFrom([]float64{0, 0, 0.3, 2, 8}).Draw(t, "late"),
			broken: rapid.IntRange(0, 3).Draw(t, "told") > 0, restart: rapid.IntRange(0, 3).Draw(t, "restart") == 0}
		out.to = out.from + rapid.SampledFrom([]float64{0.3, 1.2, 3, 10, 40}).Draw(t, "for")
		if !out.broken && out.to-out.from < 3 {
			out.broken = true // else the live judge has its own run still
		}
		out.broken = out.broken || out.restart
		s.cursor = max(s.cursor, out.to+10)
		m := through(t, s, o, out)
		runs++
		if m.adopted != 0 {
			adopted++
			vented += m.vented
			early += m.early
		}
		if m.exempt {
			exempt++
		}
		if m.adopted != 0 && !m.loose {
			strict++
		}
	}
	for range 6 { // few outages are such that what is adopted makes the word
		if rapid.Check(t, draw); t.Failed() || early >= 50 {
			break
		}
	}
	t.Logf("%d of %d adopted, %d of them without a loss; %d words vented, %d of them by what was adopted; in %d the gauge was wronged meanwhile", adopted, runs, strict, vented, early, exempt)
	if !testing.Short() && !t.Failed() && (adopted*3 < runs || strict*2 < runs || early < 50 || exempt*10 > runs) {
		t.Error("the stories test little")
	}
}

// TestAdoptRunShortHoles: readings that are missing without the live judge having been told: it has its own run still, and
// what it then adopts lowers as much as it raises.
func TestAdoptRunShortHoles(t *testing.T) {
	adopted := 0
	rapid.Check(t, func(t *rapid.T) {
		s, o := randomStory(t)
		in := s.stream()
		live, whole := vent.NewJudge(s.pot, o), vent.NewJudge(s.pot, o)
		hole := rapid.Float64Range(0, s.cursor).Draw(t, "hole")
		long := rapid.Float64Range(0.1, 1.9).Draw(t, "long")
		done, missed := 0.0, false
		for _, it := range in {
			do(whole, it)
			if it.t >= hole && it.t < hole+long && it.brk == 0 {
				missed = missed || it.sample.Point == points.Vessel && it.sample.Quality == points.Good
				continue
			}
			do(live, it)
			if done == 0 && it.t >= hole+long && live.AdoptRun(whole) {
				done = it.t
				adopted++
			}
			if done == 0 {
				continue
			}
			got, want := live.Answer(), whole.Answer()
			if vent.Worse(got.Word, want.Word) != got.Word {
				t.Fatalf("%v %v, better than the uninterrupted %v %v", got.Word, got.Because.Strings(), want.Word, want.Because.Strings())
			}
			if got.Word == vent.Vented && missed && it.t < hole+long+3-1e-6 {
				t.Fatalf("vented at %.2f s by readings of the hole from %.2f s", it.t, hole)
			}
		}
	})
	if !testing.Short() && adopted < 30 {
		t.Errorf("%d adopted", adopted)
	}
}

// The outages that a yard knows, at the moments of a cycle that matter: after it the pot is vented without another press.
func TestAdoptRunMends(t *testing.T) {
	for _, p := range []struct {
		name string
		pot  vent.Pot
	}{{"control and hose", alder()}, {"control", alder(points.Vessel, points.Control)}, {"hose", alder(points.Vessel, points.Hose)},
		{"electric", with(alder(points.Vessel, points.Control), electric)}, {"holds pressure", holder()}} {
		for _, at := range []float64{2, 4.9, 5.2, 12, 24.8, 25.1, 26, 28, 32} { // pressed from 5 to 25 s
			for _, long := range []float64{0.5, 5, 30} {
				s := newStory(p.pot)
				s.noise, s.grace = 0.3, 2
				s.rest(5)
				s.press(20)
				if p.pot.HoldsPressure {
					s.blow(points.Vessel, 0, 1.6)
				}
				s.release(20)
				s.cursor = max(s.cursor, at+long+10)
				m := through(t, s, vent.Options{}, outage{from: at, to: at + long, late: 1, broken: true})
				if m.adopted == 0 || m.early == 0 && m.vented < 10 {
					t.Errorf("%s, outage at %.1f s for %.1f s: adopted at %.2f s, %d words vented", p.name, at, long, m.adopted, m.vented)
				}
				if wait := m.adopted - (at + long); wait > 1.2 {
					t.Errorf("%s, outage at %.1f s for %.1f s: adopted after %.2f s", p.name, at, long, wait)
				}
			}
		}
	}
}

// What must not be adopted is refused, and changes nothing.
func TestAdoptRunRefuses(t *testing.T) {
	s := newStory(alder())
	s.proven()
	in := s.stream()
	tail := in[len(in)-60:] // 2 s of three points
	judge := func(change func(i int, it item) (item, bool)) *vent.Judge {
		j := vent.NewJudge(s.pot, vent.Options{})
		for i, it := range in {
			if it, ok := change(i-len(in)+60, it); ok {
				do(j, it)
			}
		}
		return j
	}
	same := func(_ int, it item) (item, bool) { return it, true }
	live := func() *vent.Judge {
		j := vent.NewJudge(s.pot, vent.Options{})
		for _, it := range tail {
			do(j, it)
		}
		return j
	}
	newest := map[points.Point]int{}
	for i, it := range tail {
		newest[it.sample.Point] = i
	}
	fed := func(p vent.Pot, o vent.Options) *vent.Judge {
		j := vent.NewJudge(p, o)
		feed(j, in)
		return j
	}
	unprimed := func() *vent.Judge {
		j := vent.NewJudge(s.pot, vent.Options{})
		if err := j.SetState(judge(same).AppendState(nil)); err != nil {
			t.Fatal(err)
		}
		return j
	}
	broken := func(b vent.Break) *vent.Judge {
		j := judge(same)
		j.Break(b)
		return j
	}
	if j := live(); !j.AdoptRun(judge(same)) {
		t.Fatal("not even the right one is adopted")
	}
	type offer struct {
		name string
		with *vent.Judge
	}
	offers := []offer{
		{"has seen nothing", vent.NewJudge(s.pot, vent.Options{})},
		{"not yet primed", unprimed()},
		{"broken", broken(vent.SourceSilent)},
		{"another session", broken(vent.NewSession)},
		{"another target", fed(with(s.pot, func(p *vent.Pot) { p.Target++ }), vent.Options{})},
		{"another period", fed(s.pot, vent.Options{Period: time.Second})},
		{"another's zero", fed(with(s.pot, func(p *vent.Pot) { p.Gauges[points.Hose].Zero = zeroOf(0) }), vent.Options{})},
		{"a shorter run than its own", judge(func(i int, it item) (item, bool) { return it, i >= 30 })},
		{"vessel out of range now", judge(func(i int, it item) (item, bool) {
			if i == newest[points.Vessel] {
				it.sample.Quality = points.OutOfRange
			}
			return it, true
		})},
	}
	for p, n := range newest {
		offers = append(offers, offer{"lacks the newest of " + p.String(), judge(func(i int, it item) (item, bool) { return it, i != n })},
			offer{"another newest of " + p.String(), judge(func(i int, it item) (item, bool) {
				if i == n {
					it.sample.Value += 1
				}
				return it, true
			})},
			offer{"one more of " + p.String(), func() *vent.Judge {
				j := judge(same)
				x := tail[n].sample
				x.At++
				j.Step(x)
				return j
			}()})
	}
	for _, c := range offers {
		j := live()
		before := j.AppendState(nil)
		if j.AdoptRun(c.with) || !bytes.Equal(before, j.AppendState(nil)) {
			t.Errorf("%s: adopted, or something has changed", c.name)
		}
	}
	if j := vent.NewJudge(s.pot, vent.Options{}); j.AdoptRun(judge(same)) {
		t.Error("a judge without a reading adopts a run")
	}
	j := unprimed()
	if j.AdoptRun(judge(same)) {
		t.Error("a judge that is not primed adopts a run")
	}

	// A switch has no pressure: only the handle itself tells two readings apart.
	p := with(alder(points.Vessel, points.Control), electric)
	e := newStory(p)
	e.proven()
	stream := e.stream()
	a, b := vent.NewJudge(p, vent.Options{}), vent.NewJudge(p, vent.Options{})
	feed(b, stream)
	for _, it := range stream[len(stream)-40:] {
		a.Step(it.sample)
	}
	x := points.Sample{Point: points.Control, Quality: points.Good, At: stream[len(stream)-1].sample.At.Add(50 * time.Millisecond)}
	pressed := x
	pressed.Pressed = true
	a.Step(pressed)
	b.Step(x)
	if a.AdoptRun(b) {
		t.Error("one has the switch pressed, the other not")
	}
}

// What the live judge found against its gauge stays, whatever the second one thinks.
func TestAdoptRunClearsNothing(t *testing.T) {
	s := newStory(alder())
	s.proven()
	in := s.stream()
	whole := vent.NewJudge(s.pot, vent.Options{})
	feed(whole, in)
	tail := in[len(in)-60:]
	a := vent.NewJudge(s.pot, vent.Options{})
	a.MarkFaulty()
	feed(a, tail)
	if !a.AdoptRun(whole) || !a.Faulty() || !a.Answer().Because.Has(vent.SensorFault) {
		t.Error("a fault is cleared")
	}
	b := vent.NewJudge(s.pot, vent.Options{})
	feed(b, tail)
	faulty := vent.NewJudge(s.pot, vent.Options{})
	faulty.MarkFaulty()
	feed(faulty, in)
	if !b.AdoptRun(faulty) || !b.Faulty() {
		t.Error("a fault is not taken over")
	}

	// The press before the outage was not followed; the second judge never saw that.
	d := newStory(alder())
	d.rest(3)
	d.stuck(points.Vessel, 0)
	d.press(5)
	d.release(5)
	c := vent.NewJudge(s.pot, vent.Options{})
	for _, it := range d.stream() {
		it.sample.At = it.sample.At.Add(-time.Minute)
		c.Step(it.sample)
	}
	if !c.Answer().Because.Has(vent.GaugeDoesNotFollow) {
		t.Fatal("followed")
	}
	for _, it := range tail {
		c.Step(it.sample)
	}
	if !c.AdoptRun(whole) || !c.Answer().Because.Has(vent.GaugeDoesNotFollow) {
		t.Error("a press that was not followed is forgotten")
	}
}

// TestAdoptRunAtOnce: R1 is not fed by what was replayed, however early the run is adopted, and the word comes 3 s after
// the first reading whose half second was live.
func TestAdoptRunAtOnce(t *testing.T) {
	s := newStory(alder())
	s.noise = 0.3
	s.proven()
	s.rest(30)
	in := s.stream()
	whole, live := vent.NewJudge(s.pot, vent.Options{}), vent.NewJudge(s.pot, vent.Options{})
	from := in[len(in)-1].t - 10
	adopted, said := 0.0, 0.0
	for _, it := range in {
		do(whole, it)
		if it.t < from {
			continue
		}
		do(live, it)
		if adopted == 0 && live.AdoptRun(whole) {
			adopted = it.t - from
		}
		if said == 0 && live.Answer().Word == vent.Vented {
			said = it.t - from
		}
	}
	t.Logf("adopted after %.2f s, vented after %.2f s", adopted, said)
	if adopted < 0.3 || adopted > 0.7 || said < 3.3 || said > 3.8 {
		t.Errorf("adopted after %.2f s, vented after %.2f s", adopted, said)
	}
	if !bytes.Equal(whole.AppendState(nil), live.AppendState(nil)) {
		t.Error("10 s later it is not as the uninterrupted one")
	}
}

// The readings of an outage prove pressure no more than its absence: of the live judge's word nothing but the run changes.
func TestAdoptRunIsNotFedByValues(t *testing.T) {
	s := newStory(alder())
	s.proven()
	in := s.stream()
	high := vent.NewJudge(s.pot, vent.Options{})
	live := vent.NewJudge(s.pot, vent.Options{})
	from := in[len(in)-1].t - 1
	for _, it := range in {
		if it.t < from && it.t > from-1.5 && it.sample.Point == points.Vessel {
			it.sample.Value = si.GaugePressure(50 * si.KPa) // in the outage
		}
		do(high, it)
		if it.t >= from {
			do(live, it)
		}
	}
	before := live.Answer()
	if !live.AdoptRun(high) || live.Answer().Word != before.Word || !live.Answer().Because.Has(vent.Settling) {
		t.Errorf("%v %v, before %v", live.Answer().Word, live.Answer().Because.Strings(), before.Because.Strings())
	}
}

// A press of which the beginning was not seen has no time, whatever ended the run.
func TestHandleOutOfSight(t *testing.T) {
	s := newStory(alder())
	s.rest(3)
	s.press(10)
	s.breakRun(vent.SourceSilent)
	s.rest(3)
	in := s.stream()
	j := vent.NewJudge(s.pot, vent.Options{})
	seen := false
	for _, it := range in {
		do(j, it)
		h := j.Handle()
		switch {
		case it.t > 3.3 && it.t < 13 && (!h.Pressed || h.Since == 0):
			t.Fatalf("%.2f s: %+v", it.t, h)
		case it.t > 13.2 && (!h.Pressed || h.Since != 0):
			t.Fatalf("%.2f s, out of sight: %+v", it.t, h)
		}
		seen = seen || it.t > 13.2
	}
	if !seen {
		t.Fatal("nothing was looked at")
	}
}

// After a restart a press of under 5 s counts only where the longer one that must come before it was in the run that goes on.
func TestAdoptRunAfterARestart(t *testing.T) {
	for _, gap := range []bool{false, true} {
		s := newStory(alder())
		s.rest(5)
		s.press(20)
		s.release(16)
		if gap {
			s.silent(points.Vessel, 3)
			s.rest(8)
		}
		begun := s.cursor
		s.rest(10)
		s.press(4)
		s.release(16)
		whole, live := vent.NewJudge(s.pot, vent.Options{}), vent.NewJudge(s.pot, vent.Options{})
		adopted := false
		for _, it := range s.stream() {
			do(whole, it)
			if it.t >= begun {
				do(live, it)
				adopted = adopted || live.AdoptRun(whole)
			}
		}
		if a, b := live.Answer(), whole.Answer(); !adopted || b.Word != vent.Vented || (a.Word == vent.Vented) == gap {
			t.Errorf("gap %v: adopted %v; %v %v, uninterrupted %v %v", gap, adopted, a.Word, a.Because.Strings(), b.Word, b.Because.Strings())
		}
	}
}

// checks has a property held on fewer stories than usual, unless the command line says how many: each is a whole shift.
func checks(t *testing.T, n string) {
	t.Helper()
	f := flag.Lookup("rapid.checks")
	if was := f.Value.String(); was == f.DefValue {
		if err := f.Value.Set(n); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = f.Value.Set(was) })
	}
}
