package app

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"gritwatch/internal/potfile"
	msg "gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/pot"
	"gritwatch/server/internal/records"
)

// A baseline that somebody recorded with one nozzle is not told at a start with another one in the file, and told again when the first one is back.
func TestBaselineOfNozzle(t *testing.T) {
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	kept, err := records.Open(filepath.Join(t.TempDir(), "records"), log)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := kept.Close(); err != nil {
			t.Error(err)
		}
	}()
	actor := func(nozzle string) *pot.Actor {
		p, err := potfile.ParsePot("pot.yaml", fmt.Appendf(nil, "name: alder\nvessel: {volume: 6.5 ft3, rated: 150 psi}\nhose: {bore: 1.25 in, length: 50 ft}\n"+
			"nozzle: {bore: %s in, target: 100 psi}\npoints: [supply, vessel, hose, control]\n", nozzle))
		if err != nil {
			t.Fatal(err)
		}
		a := pot.New(pot.Config{Site: "harrow-quay", Agent: "quay-1", Pot: p}, pot.Options{Start: time.Now(), Log: log})
		if err := remind(t.Context(), kept, a); err != nil {
			t.Fatal(err)
		}
		return a
	}
	record := func(nozzle string, vessel float64) {
		a := actor(nozzle)
		hose := vessel - 9e3
		if _, err := (&clerk{fleet: newFleet([]*pot.Actor{a}), records: kept}).Baseline(t.Context(), "alder",
			msg.NewBaseline{By: "Ada", PointsPa: &msg.Pressures{Vessel: &vessel, Hose: &hose}}); err != nil {
			t.Fatal(err)
		}
	}
	const worn, wide = "7/16", "1/2"
	record(worn, 750e3)
	for _, tt := range []struct {
		nozzle string
		vessel si.GaugePressure // that is told; 0: none
	}{{worn, 750e3}, {wide, 0}} {
		b := actor(tt.nozzle).Follower().Out.Baseline.Laden
		if got := si.AbsPressure(b.P[2]).Gauge(si.StandardAtmosphere); b.Known() != (tt.vessel > 0) || b.Known() && (b.How != baseline.Commissioned || got-tt.vessel > 1 || tt.vessel-got > 1) {
			t.Errorf("with %s in: %+v, want a vessel at %v", tt.nozzle, b, tt.vessel)
		}
	}
	record(wide, 700e3)
	if got := si.AbsPressure(actor(worn).Follower().Out.Baseline.Laden.P[2]).Gauge(si.StandardAtmosphere); got < 749e3 || got > 751e3 {
		t.Errorf("with the first nozzle back a vessel at %v, want 750 kPa", got)
	}
	// All of them stay listed.
	if found, _, err := baselinesOf(t.Context(), kept, "alder", si.StandardAtmosphere); err != nil || len(found) != 2 || found[0].Holds(found[1].Bore) {
		t.Errorf("%v: %+v", err, found)
	}
}

// A baseline that somebody records holds from then on, though this machine's clock was ahead when the one before it was recorded; after a start too.
func TestBaselineAfterClockWasAhead(t *testing.T) {
	log := slog.New(slog.NewTextHandler(t.Output(), nil))
	kept, err := records.Open(filepath.Join(t.TempDir(), "records"), log)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := kept.Close(); err != nil {
			t.Error(err)
		}
	}()
	p, err := potfile.ParsePot("pot.yaml", []byte("name: alder\nvessel: {volume: 6.5 ft3, rated: 150 psi}\nhose: {bore: 1.25 in, length: 50 ft}\nnozzle: {bore: 7/16 in, target: 100 psi}\n"+
		"points: [supply, vessel, hose, control]\n"))
	if err != nil {
		t.Fatal(err)
	}
	start := func() *pot.Actor {
		a := pot.New(pot.Config{Site: "harrow-quay", Agent: "quay-1", Pot: p}, pot.Options{Start: time.Now(), Log: log})
		if err := remind(t.Context(), kept, a); err != nil {
			t.Fatal(err)
		}
		return a
	}
	a := start()
	ahead := baseline.Profile{How: baseline.Commissioned, At: si.InstantOf(time.Now().Add(time.Hour)), Has: points.SetOf(points.Vessel, points.Hose)}
	ahead.P[points.Vessel], ahead.P[points.Hose] = 9e5, 8.9e5
	a.Record(baseline.Set{Laden: ahead})
	for _, vessel := range []float64{750e3, 740e3} {
		hose := vessel - 9e3
		if _, err := (&clerk{fleet: newFleet([]*pot.Actor{a}), records: kept}).Baseline(t.Context(), "alder",
			msg.NewBaseline{By: "Ada", PointsPa: &msg.Pressures{Vessel: &vessel, Hose: &hose}}); err != nil {
			t.Fatal(err)
		}
		for _, f := range []*pot.Actor{a, start()} {
			if got := float64(si.AbsPressure(f.Follower().Out.Baseline.Laden.P[points.Vessel]).Gauge(si.StandardAtmosphere)); got < vessel-1 || got > vessel+1 {
				t.Errorf("a vessel at %v holds, want %v", got, vessel)
			}
		}
	}
}
