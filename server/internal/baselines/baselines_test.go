package baselines_test

import (
	"math"
	"strings"
	"testing"

	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/baselines"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/records"
)

const (
	at      = si.Instant(1_900_000_000_000_000)
	ambient = si.AbsPressure(101325)
	bore    = 5.0 / 16 * si.Inch
)

var configured = points.SetOf(points.Supply, points.Vessel, points.Hose)

func pa(v float64) *float64 { return &v }

func last() baseline.Profile {
	p := baseline.Profile{How: baseline.Ritual, At: at - 5_000_000, Seconds: 45, Has: configured}
	p.P[points.Supply], p.P[points.Vessel], p.P[points.Hose] = 9e5, 8.8e5, 8.7e5
	return p
}

// What is recorded comes back from its rows as it was, and is told in gauge terms.
func TestThereAndBack(t *testing.T) {
	written := &live.Pressures{Supply: pa(775e3), Vessel: pa(753e3), Hose: pa(743e3), Nozzle: pa(697e3)}
	var rows []records.Baseline
	for i, in := range []live.NewBaseline{{By: "Ada", PointsPa: written, Note: "new hose"}, {By: "Ada", AirOnly: true}, {By: " Bo "}} {
		b, err := baselines.Of("alder", in, at+si.Instant(i), ambient, configured, bore, last())
		if err != nil {
			t.Fatal(err)
		}
		own := b.Rows(ambient)
		rows = append(rows, own...)
		rows = append(rows, records.Baseline{ID: records.NewID(at), Pot: "alder", At: at + si.Instant(i), What: "exhaust_m3_s", Value: 1})
		got, ids := baselines.Group(own, ambient)
		if len(got) != 1 || got[0].By != strings.TrimSpace(in.By) || got[0].Air != in.AirOnly || got[0].Profile.Has != b.Profile.Has ||
			got[0].Profile.How != b.Profile.How || got[0].Profile.At != at+si.Instant(i) || got[0].Profile.Seconds != b.Profile.Seconds || got[0].Bore != bore || ids[0] != own[0].ID {
			t.Fatalf("got %+v\nwant %+v", got, b)
		}
		for p := range b.Profile.P {
			if math.Abs(got[0].Profile.P[p]-b.Profile.P[p]) > 1e-6 {
				t.Errorf("%v: %v, want %v", points.Point(p), got[0].Profile.P[p], b.Profile.P[p])
			}
		}
	}
	all, ids := baselines.Group(rows, ambient)
	if len(all) != 3 || len(ids) != 3 {
		t.Fatalf("%d baselines", len(all))
	}
	m := all[0].Message(ids[0], ambient)
	if m.How != "commissioned" || m.AirOnly || m.Seconds != 0 || m.By != "Ada" || m.Note != "new hose" || m.PointsPa.Separator != nil || math.Abs(*m.PointsPa.Nozzle-697e3) > 1e-6 {
		t.Errorf("%+v", m)
	}
	if m := all[1].Message(ids[1], ambient); m.How != "ritual" || !m.AirOnly || m.Seconds != 45 {
		t.Errorf("%+v", m)
	}
	if s := all[1].Set(); s.Air.How != baseline.Ritual || s.Laden.Known() {
		t.Errorf("air only: %+v", s)
	}
}

// One of another nozzle does not hold; one that was recorded before nozzles were told, and a pot that does not tell its own, are given the benefit.
func TestHolds(t *testing.T) {
	for _, tt := range []struct {
		then, now si.Length
		want      bool
	}{
		{bore, bore, true}, {bore, 3.0 / 8 * si.Inch, false}, {3.0 / 8 * si.Inch, bore, false}, {bore, 0.0079375, true}, {0, bore, true}, {bore, 0, true},
	} {
		if b := (baselines.Baseline{Bore: tt.then}); b.Holds(tt.now) != tt.want {
			t.Errorf("recorded with %v, configured %v: holds %v", tt.then, tt.now, !tt.want)
		}
	}
}

// What is wrong with it is said.
func TestRefused(t *testing.T) {
	whole := func(change func(*live.Pressures)) live.NewBaseline {
		p := &live.Pressures{Supply: pa(775e3), Vessel: pa(753e3), Hose: pa(743e3)}
		change(p)
		return live.NewBaseline{By: "Ada", PointsPa: p}
	}
	for _, tt := range []struct {
		in   live.NewBaseline
		last baseline.Profile
		want string
	}{
		{live.NewBaseline{By: "  "}, last(), "by is missing"},
		{live.NewBaseline{By: "Ada"}, baseline.Profile{}, "no steady blast of 20 s or more has ended in the last 10 minutes"},
		{whole(func(p *live.Pressures) { p.Separator = pa(770e3) }), last(), "points_pa.separator: the pot has no such point"},
		{whole(func(p *live.Pressures) { p.Hose = pa(760e3) }), last(), "points_pa.hose is not under that of vessel"},
		{whole(func(p *live.Pressures) { p.Vessel = pa(75) }), last(), "points_pa.vessel: 75 is not from 100000"},
		{whole(func(p *live.Pressures) { p.Vessel = pa(math.NaN()) }), last(), "points_pa.vessel: NaN"},
		{whole(func(p *live.Pressures) { p.Vessel = nil }), last(), "vessel and one more point"},
		{whole(func(p *live.Pressures) { p.Control = pa(6e5) }), last(), "points_pa.control"},
	} {
		if _, err := baselines.Of("alder", tt.in, at, ambient, configured, bore, tt.last); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("got %v, want %s", err, tt.want)
		}
	}
}
