package vent_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/internal/vent"
	"gritwatch/protocol/si"
)

func anyAnswer(t *rapid.T, name string) vent.Answer {
	a := vent.Answer{Word: rapid.SampledFrom(vent.AllWords()).Draw(t, name), At: si.Instant(rapid.Int64Range(0, 1e15).Draw(t, name+" at"))}
	if !a.Word.IsVented() {
		a.Because = vent.CodesOf(rapid.SampledFrom(vent.AllCodes()).Draw(t, name+" because"))
	}
	return a
}

// A fault of the vessel's gauge never makes a word better, never leaves it vented, and always names itself (R2).
func TestSensorFaultLowers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := anyAnswer(t, "own")
		low := a.WithSensorFault()
		if low.Word.IsVented() || vent.Worse(low.Word, a.Word) != low.Word || !low.Because.Has(vent.SensorFault) || low.Because&a.Because != a.Because || low.At != a.At {
			t.Fatalf("%+v became %+v", a, low)
		}
		if a.Word == vent.Pressurised && low.Word != vent.Pressurised {
			t.Fatalf("%+v became %+v", a, low)
		}
	})
}

// So it is when it is served, whatever else is claimed.
func TestServeSensorFault(t *testing.T) {
	fresh := vent.Witness{Answer: vent.Answer{Word: vent.Vented, At: 1}, Age: time.Second, Known: true}
	best := vent.Claims{Agent: true, Own: "vent/1:a", Theirs: "vent/1:a"}
	if a := vent.Serve(fresh, fresh, best); !a.Word.IsVented() {
		t.Fatalf("without a fault %+v", a)
	}
	best.SensorFault = true
	if a := vent.Serve(fresh, fresh, best); a.Word != vent.NotProven || a.Because != vent.CodesOf(vent.SensorFault) {
		t.Fatalf("with a fault %+v", a)
	}
	rapid.Check(t, func(t *rapid.T) {
		age := func(name string) time.Duration {
			return time.Duration(rapid.Int64Range(0, int64(3*time.Second)).Draw(t, name))
		}
		often := rapid.SampledFrom([]bool{true, true, true, true, false})
		own := vent.Witness{Answer: anyAnswer(t, "own"), Age: age("own age"), Known: often.Draw(t, "own known")}
		guard := vent.Witness{Answer: anyAnswer(t, "guard"), Age: age("guard age"), Known: often.Draw(t, "guard known")}
		c := vent.Claims{Agent: often.Draw(t, "agent"), Own: "vent/1:a", Theirs: rapid.SampledFrom([]string{"vent/1:a", "vent/1:a", "vent/1:b", "vent/2:a"}).Draw(t, "theirs"),
			SecondAgent: !often.Draw(t, "second agent"), SecondSession: !often.Draw(t, "second session")}
		without := vent.Serve(own, guard, c)
		c.SensorFault = true
		with := vent.Serve(own, guard, c)
		if with.Word.IsVented() || vent.Worse(with.Word, without.Word) != with.Word || !with.Because.Has(vent.SensorFault) {
			t.Fatalf("%+v became %+v", without, with)
		}
	})
}

// A vent counts within twice the commissioned one, or 30 s, from the release to the first of the 3 s at rest (R3 b).
func TestAllowance(t *testing.T) {
	if got := (vent.Pot{}).Allowance(); got != 33*time.Second {
		t.Errorf("not commissioned: %v", got)
	}
	if got := (vent.Pot{Commissioned: &vent.Vent{Time: 8 * time.Second}}).Allowance(); got != 19*time.Second {
		t.Errorf("commissioned with 8 s: %v", got)
	}
}
