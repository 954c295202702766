package alarm

import (
	"errors"
	"testing"
	"time"
)

// Keys of the tests: a plain alarm whose end must be acknowledged, one whose end need not be, one that latches, and one
// that is suppressed by design.
var (
	plain  = Key{Pot: "alder", Kind: StopSlow}
	alone  = Key{Pot: "alder", Kind: PressOverlong}
	latch  = Key{Pot: "alder", Kind: VesselHeld}
	under  = Key{Pot: "alder", Kind: NozzleLow}
	over   = Key{Pot: "alder", Kind: SupplyLow}
	silent = Key{Agent: "quay-1", Kind: AgentSilent}
	lost   = Key{Pot: "alder", Kind: VesselUnknown}
)

// ways lead to each state: on, off, and what people do.
var ways = map[State][]string{
	Normal:                 {},
	Unacknowledged:         {"on"},
	Acknowledged:           {"on", "acknowledge"},
	ReturnedUnacknowledged: {"on", "off"},
	LatchedUnacknowledged:  {"on", "off"},
	LatchedAcknowledged:    {"on", "off", "acknowledge"},
	Shelved:                {"on", "shelve"},
	Suppressed:             {"suppressor on", "on"},
	OutOfService:           {"on", "take out"},
}

func (r *rig) walk(k Key, step string) error {
	switch step {
	case "on":
		r.found(k, true)
	case "off":
		r.found(k, false)
	case "suppressor on":
		r.found(over, true)
	case "suppressor off":
		r.found(over, false)
		r.after(time.Hour)
	case "answer":
		r.proven(k.Pot)
	case "time":
		r.after(2 * time.Hour)
	default:
		return r.do(step, k)
	}
	return nil
}

// TestStandard follows each transition of the standard's state diagram (ANSI/ISA-18.2-2016 figure of the alarm state
// transitions, with the letters of its states; from memory).
func TestStandard(t *testing.T) {
	for _, x := range []struct {
		name string
		key  Key
		from State
		step string
		to   State
		loud int // how often people are told
	}{
		{"A-B alarm occurs", plain, Normal, "on", Unacknowledged, 1},
		{"B-C acknowledge", plain, Unacknowledged, "acknowledge", Acknowledged, 0},
		{"C-A return to normal", plain, Acknowledged, "off", Normal, 0},
		{"B-D return to normal, unacknowledged", plain, Unacknowledged, "off", ReturnedUnacknowledged, 0},
		{"B-A return to normal, no acknowledgement asked for", alone, Unacknowledged, "off", Normal, 0},
		{"D-A acknowledge", plain, ReturnedUnacknowledged, "acknowledge", Normal, 0},
		{"D-B re-alarm", plain, ReturnedUnacknowledged, "on", Unacknowledged, 1},
		{"B-E return to normal, latching", latch, Unacknowledged, "off", LatchedUnacknowledged, 0},
		{"C-F return to normal, latching", latch, Acknowledged, "off", LatchedAcknowledged, 0},
		{"E-F acknowledge", latch, LatchedUnacknowledged, "acknowledge", LatchedAcknowledged, 0},
		{"E-B re-alarm", latch, LatchedUnacknowledged, "on", Unacknowledged, 1},
		{"F-B re-alarm", latch, LatchedAcknowledged, "on", Unacknowledged, 1},
		{"F-A reset by a person", latch, LatchedAcknowledged, "reset", Normal, 0},
		{"E-A reset by a person", latch, LatchedUnacknowledged, "reset", Normal, 0},
		{"F-A reset by the answer", latch, LatchedAcknowledged, "answer", Normal, 0},
		{"E stays with the answer alone", latch, LatchedUnacknowledged, "answer", LatchedUnacknowledged, 0},
		{"F stays with time", latch, LatchedAcknowledged, "time", LatchedAcknowledged, 0},
		{"B stays with the answer", latch, Unacknowledged, "answer", Unacknowledged, 0},
		{"B-G shelve", plain, Unacknowledged, "shelve", Shelved, 0},
		{"C-G shelve", plain, Acknowledged, "shelve", Shelved, 0},
		{"D-G shelve", plain, ReturnedUnacknowledged, "shelve", Shelved, 0},
		{"G-B unshelve", plain, Shelved, "unshelve", Unacknowledged, 1},
		{"G-B the shelf ends", plain, Shelved, "time", Unacknowledged, 1},
		{"G stays with the condition's end", plain, Shelved, "off", Shelved, 0},
		{"A stays without a condition", under, Normal, "suppressor on", Normal, 1},
		{"B-H suppressed by design", under, Unacknowledged, "suppressor on", Suppressed, 1},
		{"C-H suppressed by design", under, Acknowledged, "suppressor on", Suppressed, 1},
		{"H-B unsuppressed", under, Suppressed, "suppressor off", Unacknowledged, 1},
		{"H-A return to normal", under, Suppressed, "off", Normal, 0},
		{"H stays with time", under, Suppressed, "time", Suppressed, 0},
		{"B-I out of service", plain, Unacknowledged, "take out", OutOfService, 0},
		{"C-I out of service", plain, Acknowledged, "take out", OutOfService, 0},
		{"D-I out of service", plain, ReturnedUnacknowledged, "take out", OutOfService, 0},
		{"I-B back into service", plain, OutOfService, "bring back", Unacknowledged, 1},
		{"I stays with time", plain, OutOfService, "time", OutOfService, 0},
		{"I stays with the condition's end", plain, OutOfService, "off", OutOfService, 0},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := newRig(t)
			for _, step := range ways[x.from] {
				if err := r.walk(x.key, step); err != nil {
					t.Fatal(err)
				}
			}
			if s := r.state(x.key); s != x.from {
				t.Fatalf("the way leads to %s", s)
			}
			r.loud = 0
			if err := r.walk(x.key, x.step); err != nil {
				t.Fatal(err)
			}
			if s := r.state(x.key); s != x.to || r.loud != x.loud {
				t.Errorf("%s, %d told; want %s, %d", s, r.loud, x.to, x.loud)
			}
			before := r.b.Open()
			if err := r.restart(); err != nil {
				t.Fatal(err)
			}
			wantSame(t, before, r.b.Open())
		})
	}
}

// TestLonger are ways of more than one step.
func TestLonger(t *testing.T) {
	for _, x := range []struct {
		name  string
		key   Key
		steps []string
		want  State
	}{
		{"the condition ends on the shelf", plain, []string{"on", "shelve", "off", "time"}, Normal},
		{"and comes again there", plain, []string{"on", "shelve", "off", "on", "time"}, Unacknowledged},
		{"the condition ends out of service", plain, []string{"on", "take out", "off", "bring back"}, Normal},
		{"the answer first, then a person", latch, []string{"on", "off", "answer", "acknowledge"}, Normal},
		{"a person while it stands, then the answer", latch, []string{"on", "acknowledge", "off", "answer"}, Normal},
		{"the answer before the end does not count", latch, []string{"on", "acknowledge", "answer", "off"}, LatchedAcknowledged},
		{"the answer before it came again does not count", latch, []string{"on", "off", "answer", "on", "acknowledge", "off"}, LatchedAcknowledged},
		{"what somebody knew before it was suppressed", under, []string{"on", "acknowledge", "suppressor on", "suppressor off"}, Acknowledged},
		{"nobody knew", under, []string{"on", "suppressor on", "suppressor off"}, Unacknowledged},
		{"it begins and ends suppressed", under, []string{"suppressor on", "on", "off", "suppressor off"}, Normal},
	} {
		t.Run(x.name, func(t *testing.T) {
			r := newRig(t)
			for _, step := range x.steps {
				if err := r.walk(x.key, step); err != nil {
					t.Fatal(err)
				}
				if err := r.restart(); err != nil { // no restart between two steps changes anything
					t.Fatal(err)
				}
			}
			if s := r.state(x.key); s != x.want {
				t.Errorf("%s, want %s", s, x.want)
			}
		})
	}
}

// TestRefused are all that people may ask for and not get.
func TestRefused(t *testing.T) {
	for _, x := range []struct {
		key  Key
		from []string
		do   string
		want error
	}{
		{plain, nil, "acknowledge", ErrUnknown},
		{plain, []string{"on", "acknowledge"}, "acknowledge", ErrAlready},
		{plain, []string{"on", "shelve"}, "acknowledge", ErrHidden},
		{plain, []string{"on", "take out"}, "acknowledge", ErrHidden},
		{under, []string{"suppressor on", "on"}, "acknowledge", ErrHidden},
		{under, []string{"suppressor on", "on"}, "shelve", ErrHidden},
		{under, []string{"suppressor on", "on"}, "take out", ErrHidden},
		{plain, []string{"on", "shelve"}, "shelve", ErrAlready},
		{plain, []string{"on", "shelve"}, "take out", ErrHidden},
		{plain, []string{"on", "take out"}, "take out", ErrAlready},
		{plain, []string{"on", "take out"}, "shelve", ErrHidden},
		{plain, []string{"on"}, "unshelve", ErrNotHidden},
		{plain, []string{"on"}, "bring back", ErrNotHidden},
		{plain, []string{"on"}, "reset", ErrStands},
		{plain, []string{"on", "off"}, "reset", ErrNotLatched},
		{latch, []string{"on"}, "reset", ErrStands},
		{latch, []string{"on", "off", "answer"}, "reset", ErrNotLatched},
		{silent, []string{"on"}, "shelve", ErrHides},
	} {
		r := newRig(t)
		for _, step := range x.from {
			if err := r.walk(x.key, step); err != nil {
				t.Fatal(err)
			}
		}
		before := r.b.Open()
		err := r.do(x.do, x.key)
		var refusal *Refusal
		if !errors.Is(err, x.want) || !errors.As(err, &refusal) || refusal.Do == "" {
			t.Errorf("%s of %v after %v: %v, want %v", x.do, x.key.Kind, x.from, err, x.want)
		}
		wantSame(t, before, r.b.Open())
	}
}

// TestVesselStaysInSight: none of the critical alarms of a vessel is shelved or taken out of service, in any state.
func TestVesselStaysInSight(t *testing.T) {
	keys := []Key{{Pot: "alder", Kind: SensorFault, Point: "vessel", Fault: "stuck"}}
	for _, name := range []string{"vessel-held", "vent-slow", "pressure-creep", "vessel-unknown", "over-pressure"} {
		k, err := ParseKind(name)
		if err != nil {
			t.Fatal(err)
		}
		keys = append(keys, Key{Pot: "alder", Kind: k})
	}
	for _, k := range keys {
		for _, steps := range [][]string{{"on"}, {"on", "acknowledge"}, {"on", "off"}} {
			for _, do := range []string{"shelve", "take out"} {
				r := newRig(t)
				for _, step := range steps {
					if err := r.walk(k, step); err != nil {
						t.Fatal(err)
					}
				}
				if err := r.do(do, k); !errors.Is(err, ErrVessel) {
					t.Errorf("%s of %s after %v: %v", do, k.Kind, steps, err)
				}
			}
		}
	}
}

// TestNamedWithReason: a person is named, and a reason is given where it must be.
func TestNamedWithReason(t *testing.T) {
	r := newRig(t)
	r.found(latch, true)
	r.found(latch, false)
	id := r.b.Open()[0].ID
	for _, x := range []struct {
		act  Act
		want error
	}{{Act{At: r.at, By: " ", Note: "x"}, ErrNobody}, {Act{At: r.at, By: "A. Person", Note: "\t"}, ErrNoReason}} {
		if _, err := r.b.Reset(id, x.act, nil); !errors.Is(err, x.want) {
			t.Errorf("reset: %v, want %v", err, x.want)
		}
	}
	if _, err := r.b.Acknowledge(id, Act{At: r.at}, nil); !errors.Is(err, ErrNobody) {
		t.Errorf("acknowledge: %v", err)
	}
	r.found(plain, true)
	id = r.b.Open()[1].ID
	for _, d := range []time.Duration{-time.Second, 0, 13 * time.Hour} {
		if _, err := r.b.Shelve(id, r.at.Add(d), r.act(), nil); !errors.Is(err, ErrEnd) {
			t.Errorf("shelved for %s: %v", d, err)
		}
	}
	if _, err := r.b.TakeOut(id, Act{At: r.at, By: "A. Person"}, nil); !errors.Is(err, ErrNoReason) {
		t.Errorf("taken out without a reason: %v", err)
	}
	if err := r.do("reset", latch); err != nil {
		t.Fatal(err)
	}
	a := r.s.alarms[r.s.order[0]]
	last := a.Transitions[len(a.Transitions)-1]
	e, err := ParseEvidence(last.Evidence)
	if err != nil || last.By != "A. Person" || last.Event != "reset" || e.Note != "seen" || !last.Ends {
		t.Errorf("recorded %+v, %+v, %v", last, e, err)
	}
}
