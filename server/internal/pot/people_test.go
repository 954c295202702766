package pot_test

import (
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/wear"
	"gritwatch/server/internal/pot"
)

// What people record counts for the live pot, and for a follower that is made for a rewind.
func TestPeople(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := vented(t)
		if p := f.a.Estimate(time.Now()); p.Baseline != nil {
			t.Errorf("a baseline of nothing: %+v", p.Baseline)
		}
		b := baseline.Profile{How: baseline.Commissioned, At: si.InstantOf(time.Now()), Has: points.SetOf(points.Vessel, points.Hose)}
		b.P[points.Vessel], b.P[points.Hose] = 8e5, 7.9e5
		before := f.a.News()
		f.a.Record(baseline.Set{Laden: b})
		f.a.Serve("01JD", wear.Exhaust.String(), "cleaned")
		if f.a.News() == before {
			t.Error("pages would not hear of it")
		}
		p := f.a.Estimate(time.Now())
		if p.Baseline == nil || p.Baseline.How != "commissioned" || p.Baseline.Provisional {
			t.Errorf("%+v", p.Baseline)
		}
		again := f.a.Follower()
		if again.Out.Baseline.Laden != b {
			t.Errorf("for a rewind: %+v", again.Out.Baseline)
		}
		at := si.InstantOf(f.began)
		for i := range 20 { // samples go past the service's time
			again.Step(points.Sample{Point: points.Vessel, Quality: points.Good, At: at.Add(time.Duration(i) * 100 * time.Hour)})
		}
		if s := again.Served(wear.Exhaust); s.At == 0 {
			t.Error("a rewind does not hear of the service")
		}
		if s := again.Served(wear.Hose); s.At != 0 {
			t.Error("a service of another part")
		}
		served := again.Served(wear.Exhaust)
		again.Serve(engine.Service{ID: "01JD", At: again.Out.At + 1, Part: wear.Exhaust.String(), Work: "cleaned"})
		again.Step(points.Sample{Point: points.Vessel, Quality: points.Good, At: at.Add(3000 * time.Hour)})
		if s := again.Served(wear.Exhaust); s != served {
			t.Error("a service that was taken counts again")
		}
	})
}

// What is recorded while a rewind is under way is not lost with what the live follower knew before it took over.
func TestServedDuringRewind(t *testing.T) {
	bubble(t, func(t *testing.T) {
		f := start(t, pot.Options{})
		f.all = []points.Sample{}
		f.birth()
		f.cycle()
		now, ok := f.a.Hold()
		if !ok {
			t.Fatal("the pot is not heard")
		}
		rewound := f.a.Follower()
		for _, s := range f.all {
			rewound.Step(s)
		}
		served := func() si.Instant {
			c, ok := f.a.Checkpoint(nil)
			again := f.a.Follower()
			if !ok {
				t.Fatal("nothing to save")
			}
			if err := again.SetState(c.State); err != nil {
				t.Fatal(err)
			}
			return again.Served(wear.Exhaust).At
		}
		f.a.Serve("01JD", wear.Exhaust.String(), "cleaned")
		f.run(2 * time.Second)
		at := served()
		if at == 0 {
			t.Fatal("the live follower has not taken it")
		}
		if !f.a.Adopt(now, rewound, true, rewound.Step) {
			t.Fatal("nothing was taken over")
		}
		f.run(2 * time.Second)
		if got := served(); got != at {
			t.Errorf("after the rewind the service is of %v, was of %v", got, at)
		}
	})
}
