package vent_test

import (
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/si"

	"pgregory.net/rapid"
)

const (
	digestA    = "vent/1:aa"
	digestB    = "vent/1:bb"
	otherRules = "vent/2:aa"
)

func witness(w vent.Word, age time.Duration, cs ...vent.Code) vent.Witness {
	return vent.Witness{Answer: vent.Answer{Word: w, Because: vent.CodesOf(cs...), At: epoch}, Age: age, Known: true}
}

// R6 and R8 at the moment of speaking.
func TestServe(t *testing.T) {
	const fresh = 300 * time.Millisecond
	yes, up := witness(vent.Vented, fresh), witness(vent.Pressurised, fresh, vent.OverLimit)
	no := witness(vent.NotProven, fresh, vent.NoVentSeen)
	unheard := yes
	unheard.Known = false
	good := vent.Claims{Agent: true, Own: digestA, Theirs: digestA}
	claims := func(change func(*vent.Claims)) vent.Claims { c := good; change(&c); return c }
	for _, c := range []struct {
		name       string
		own, guard vent.Witness
		claims     vent.Claims
		word       vent.Word
		because    []vent.Code // at least
	}{
		{"both vented", yes, yes, good, vent.Vented, nil},
		{"exactly 2 s old", witness(vent.Vented, 2*time.Second), yes, good, vent.Vented, nil},
		{"just over 2 s old", witness(vent.Vented, 2*time.Second+time.Millisecond), yes, good, vent.NotProven, []vent.Code{vent.VesselOld}},
		{"pressurised over 2 s ago", witness(vent.Pressurised, 3*time.Second, vent.OverLimit), yes, good, vent.NotProven, []vent.Code{vent.VesselOld}},
		{"no echo", unheard, yes, good, vent.NotProven, []vent.Code{vent.NoEcho}},
		{"no reading behind it", vent.Witness{Answer: vent.Answer{Word: vent.Vented}, Known: true}, yes, good, vent.NotProven, []vent.Code{vent.VesselOld}},
		{"guard absent", yes, vent.Witness{}, good, vent.NotProven, []vent.Code{vent.GuardAbsent}},
		{"guard's age unknown", yes, unheard, good, vent.NotProven, []vent.Code{vent.GuardAbsent}},
		{"guard stale", yes, witness(vent.Vented, 2100*time.Millisecond), good, vent.NotProven, []vent.Code{vent.GuardAbsent}},
		{"guard not proven", yes, no, good, vent.NotProven, []vent.Code{vent.GuardDiffers}},
		{"guard pressurised", yes, up, good, vent.Pressurised, []vent.Code{vent.GuardDiffers}},
		{"guard pressurised, own not proven", no, up, good, vent.Pressurised, []vent.Code{vent.NoVentSeen}},
		{"guard pressurised, own stale", witness(vent.Vented, 5*time.Second), up, good, vent.Pressurised, []vent.Code{vent.VesselOld}},
		{"own not proven, guard vented", no, yes, good, vent.NotProven, []vent.Code{vent.NoVentSeen}},
		{"own pressurised, guard vented", up, yes, good, vent.Pressurised, []vent.Code{vent.OverLimit}},
		{"both pressurised", up, up, good, vent.Pressurised, []vent.Code{vent.OverLimit}},
		{"configurations differ", yes, yes, claims(func(c *vent.Claims) { c.Theirs = digestB }), vent.NotProven, []vent.Code{vent.ConfigDiffers}},
		{"rules differ", yes, yes, claims(func(c *vent.Claims) { c.Theirs = otherRules }), vent.NotProven, []vent.Code{vent.RulesDiffer}},
		{"agent without a digest", yes, yes, claims(func(c *vent.Claims) { c.Theirs = "" }), vent.NotProven, nil},
		{"no digest on either side is no agreement", yes, yes, vent.Claims{Agent: true}, vent.NotProven, nil},
		{"agent gone", yes, yes, claims(func(c *vent.Claims) { c.Agent = false }), vent.NotProven, []vent.Code{vent.AgentSilent}},
		{"nothing claimed", yes, yes, vent.Claims{}, vent.NotProven, []vent.Code{vent.AgentSilent}},
		{"second agent", yes, yes, claims(func(c *vent.Claims) { c.SecondAgent = true }), vent.NotProven, []vent.Code{vent.SecondAgent}},
		{"second session", yes, yes, claims(func(c *vent.Claims) { c.SecondSession = true }), vent.NotProven, []vent.Code{vent.SecondSession}},
		{"pressurised stays with a second agent", up, yes, claims(func(c *vent.Claims) { c.SecondAgent = true }), vent.Pressurised, []vent.Code{vent.OverLimit}},
		{"nothing at all", vent.Witness{}, vent.Witness{}, vent.Claims{}, vent.NotProven, nil},
	} {
		got := vent.Serve(c.own, c.guard, c.claims)
		if want := vent.CodesOf(c.because...); got.Word != c.word || got.Because&want != want {
			t.Errorf("%s: %v %v, want %v with %v", c.name, got.Word, got.Because.Strings(), c.word, want.Strings())
		}
		if (got.Word == vent.Vented) != (got.Because == 0) {
			t.Errorf("%s: %v for %v; because is empty exactly with vented", c.name, got.Word, got.Because.Strings())
		}
	}
}

// TestServeEverything goes through all combinations: vented is served exactly when nothing at all speaks against it,
// and the served word is never better than either judge's.
func TestServeEverything(t *testing.T) {
	var words []vent.Witness
	for _, w := range []vent.Word{vent.NotProven, vent.Pressurised, vent.Vented} {
		for _, age := range []time.Duration{0, time.Second, 2 * time.Second, 2*time.Second + 1, time.Hour} {
			for _, known := range []bool{true, false} {
				x := witness(w, age)
				if w != vent.Vented {
					x.Answer.Because = vent.CodesOf(vent.OverLimit)
				}
				x.Known = known
				words = append(words, x)
			}
		}
	}
	ok := func(w vent.Witness) bool { return w.Known && w.Age <= 2*time.Second }
	served := 0
	for _, own := range words {
		for _, guard := range words {
			for bits := range 32 {
				c := vent.Claims{Agent: bits&1 == 0, Own: digestA, Theirs: digestA, SecondAgent: bits&4 != 0, SecondSession: bits&8 != 0}
				if bits&2 != 0 {
					c.Theirs = digestB
				}
				if bits&16 != 0 {
					c.Theirs = otherRules
				}
				got := vent.Serve(own, guard, c)
				want := own.Answer.Word == vent.Vented && guard.Answer.Word == vent.Vented && ok(own) && ok(guard) && bits == 0
				if want != (got.Word == vent.Vented) || want != (got.Because == 0) {
					t.Fatalf("own %+v, guard %+v, %+v: %v %v", own, guard, c, got.Word, got.Because.Strings())
				}
				if c.Agent && (own.Answer.Word == vent.Pressurised && ok(own) || guard.Answer.Word == vent.Pressurised && ok(guard)) && got.Word != vent.Pressurised {
					t.Fatalf("own %+v, guard %+v, %+v: %v, want pressurised, the worse word", own, guard, c, got.Word)
				}
				if got.Word == vent.Pressurised && own.Answer.Word != vent.Pressurised && guard.Answer.Word != vent.Pressurised {
					t.Fatalf("own %+v, guard %+v, %+v: nobody said pressurised", own, guard, c)
				}
				if want {
					served++
				}
			}
		}
	}
	if served != 9 {
		t.Errorf("vented served %d times, want 9: three fresh ages on either side", served)
	}
}

// age gives Age in seconds, -1 where it cannot be told.
func age(c *vent.Clock, at si.Instant, now time.Duration) float64 {
	d, ok := c.Age(at, now)
	if !ok {
		return -1
	}
	return d.Seconds()
}

// R6: how old a reading is in the worst case.
func TestClock(t *testing.T) {
	sec := func(v float64) time.Duration { return time.Duration(v * 1e9) }
	near := func(name string, got, lo, hi float64) {
		t.Helper()
		if got < lo || got > hi {
			t.Errorf("%s: age %v s, want %v to %v", name, got, lo, hi)
		}
	}
	var c vent.Clock
	near("no echo", age(&c, instant(0), sec(1)), -1, -1)

	// The agent's clock reads 1000 s where the server's reads 100 s.
	c.Add(sec(100), sec(100.2), instant(1000.1))
	near("stamped when it answered, heard at once", age(&c, instant(1000.1), sec(100.2)), 0.2, 0.201)
	near("stamped a second later, heard then", age(&c, instant(1001.1), sec(101.2)), 0.2, 0.201)
	near("stamped a second before", age(&c, instant(999.1), sec(100.2)), 1.2, 1.201)
	c.Add(sec(110), sec(115), instant(1014))
	near("the shortest round trip counts, not the last", age(&c, instant(1015.1), sec(115.2)), 0.2, 0.21)
	c.Add(sec(120), sec(120.05), instant(1020.02))
	near("a shorter one replaces it", age(&c, instant(1020.02), sec(120.05)), 0.05, 0.051)
	c.Add(sec(130), sec(129), instant(5000))
	near("an answer before its question is no echo", age(&c, instant(1020.02), sec(120.05)), 0.05, 0.051)
	near("9 min later", age(&c, instant(1560.02), sec(660.05)), 0.05, 0.05+0.2)
	near("10 min and 6 s after the last echo", age(&c, instant(1020.02), sec(726)), -1, -1)
	c.Reset()
	near("forgotten", age(&c, instant(1020.02), sec(121)), -1, -1)

	// The shortest one is older than ten minutes, another is not.
	c.Add(sec(1000), sec(1000.1), instant(1000.05))
	c.Add(sec(1590), sec(1590.5), instant(1590.2))
	near("an echo of the last ten minutes takes over", age(&c, instant(1605), sec(1605)), 0.2, 0.6)
	c.Add(sec(1605), sec(1606), instant(1605.5))
	near("and the shortest of them counts", age(&c, instant(1606), sec(1606)), 0.2, 0.6)

	// A link that is always 20 s late, either way or both: never fresh.
	for _, way := range []struct{ to, from float64 }{{20, 20}, {0, 20}, {0.01, 20}} {
		c.Reset()
		for k := range 60 {
			sent := 10 * float64(k)
			c.Add(sec(sent), sec(sent+way.to+way.from), instant(sent+way.to))
			heard := sent + way.to + way.from
			if got := age(&c, instant(heard-way.from), sec(heard)); got <= 2 {
				t.Fatalf("link %v s there, %v s back, always: a reading counts as %v s old, truly %v s", way.to, way.from, got, way.from)
			}
		}
	}
}

// TestClockNeverTooYoung: whatever the delays, the offset and the drift of quartz clocks, no reading is taken for
// younger than it is; and on a quick link a new reading is fresh.
func TestClockNeverTooYoung(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		offset := rapid.Float64Range(-1e6, 1e6).Draw(t, "offset")
		drift := rapid.Float64Range(-100e-6, 100e-6).Draw(t, "drift")
		slowest := rapid.SampledFrom([]float64{0.1, 1, 30}).Draw(t, "slowest")
		agent := func(now float64) si.Instant { return instant(offset + now*(1+drift)) }
		delay := func(name string) float64 { return rapid.Float64Range(0, slowest).Draw(t, name) }
		var c vent.Clock
		now := 0.0
		for range rapid.IntRange(1, 40).Draw(t, "rounds") {
			to, from := delay("to"), delay("from")
			c.Add(time.Duration(now*1e9), time.Duration((now+to+from)*1e9), agent(now+to))
			now += to + from
			back := delay("reading's delay")
			later := now + rapid.Float64Range(0, 700).Draw(t, "later")
			stamped := later - back
			got, ok := c.Age(agent(stamped), time.Duration(later*1e9))
			// Agents stamp to a microsecond, and by their own quartz.
			if ok && got.Seconds() < back-5e-6-200e-6*back {
				t.Fatalf("a reading of %.6f s counts as %v old", back, got)
			}
			if ok && slowest == 0.1 && later-now < 300 && got > vent.MaxAge {
				t.Fatalf("quick link: a reading of %.3f s counts as %v old", back, got)
			}
			now += rapid.Float64Range(0, 30).Draw(t, "pause")
		}
	})
}
