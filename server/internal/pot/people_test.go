package pot_test

import (
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/wear"
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
		f.a.Serve(wear.Exhaust.String(), "cleaned", si.InstantOf(time.Now()))
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
		again.Serve(engine.Service{At: 1, Part: wear.Hose.String(), Work: "replaced"})
		again.Step(points.Sample{Point: points.Vessel, Quality: points.Good, At: at.Add(3000 * time.Hour)})
		if s := again.Served(wear.Hose); s.At != 0 {
			t.Error("a service that is older than what was taken counts again")
		}
	})
}
