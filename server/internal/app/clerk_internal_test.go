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

// An office is the records of a site with one pot, whose server may be started again.
type office struct {
	t    *testing.T
	log  *slog.Logger
	kept *records.SQLite
}

func newOffice(t *testing.T) *office {
	b := &office{t: t, log: slog.New(slog.NewTextHandler(t.Output(), nil))}
	var err error
	if b.kept, err = records.Open(filepath.Join(t.TempDir(), "records"), b.log); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.kept.Close(); err != nil {
			t.Error(err)
		}
	})
	return b
}

// start is the pot as a server has it that starts with a nozzle of so many inches in the file.
func (b *office) start(nozzle string) *pot.Actor {
	p, err := potfile.ParsePot("pot.yaml", fmt.Appendf(nil, "name: alder\nvessel: {volume: 6.5 ft3, rated: 150 psi}\nhose: {bore: 1.25 in, length: 50 ft}\n"+
		"nozzle: {bore: %s in, target: 100 psi}\npoints: [supply, vessel, hose, control]\n", nozzle))
	if err != nil {
		b.t.Fatal(err)
	}
	a := pot.New(pot.Config{Site: "harrow-quay", Agent: "quay-1", Pot: p}, pot.Options{Start: time.Now(), Log: b.log})
	if err := remind(b.t.Context(), b.kept, a); err != nil {
		b.t.Fatal(err)
	}
	return a
}

// baseline has somebody record one, with the vessel at a gauge pressure, Pa.
func (b *office) baseline(a *pot.Actor, vessel float64) {
	hose := vessel - 9e3
	if _, err := (&clerk{fleet: newFleet([]*pot.Actor{a}), records: b.kept}).Baseline(b.t.Context(), "alder",
		msg.NewBaseline{By: "Ada", PointsPa: &msg.Pressures{Vessel: &vessel, Hose: &hose}}); err != nil {
		b.t.Fatal(err)
	}
}

// A baseline that somebody recorded with one nozzle is not told at a start with another one in the file, and told again when the first one is back.
func TestBaselineOfNozzle(t *testing.T) {
	b := newOffice(t)
	const worn, wide = "7/16", "1/2"
	b.baseline(b.start(worn), 750e3)
	for _, tt := range []struct {
		nozzle string
		vessel si.GaugePressure // that is told; 0: none
	}{{worn, 750e3}, {wide, 0}} {
		laden := b.start(tt.nozzle).Follower().Out.Baseline.Laden
		if got := si.AbsPressure(laden.P[2]).Gauge(si.StandardAtmosphere); laden.Known() != (tt.vessel > 0) || laden.Known() && (laden.How != baseline.Commissioned || got-tt.vessel > 1 || tt.vessel-got > 1) {
			t.Errorf("with %s in: %+v, want a vessel at %v", tt.nozzle, laden, tt.vessel)
		}
	}
	b.baseline(b.start(wide), 700e3)
	if got := si.AbsPressure(b.start(worn).Follower().Out.Baseline.Laden.P[2]).Gauge(si.StandardAtmosphere); got < 749e3 || got > 751e3 {
		t.Errorf("with the first nozzle back a vessel at %v, want 750 kPa", got)
	}
	// All of them stay listed.
	if found, _, err := baselinesOf(t.Context(), b.kept, "alder", si.StandardAtmosphere); err != nil || len(found) != 2 || found[0].Holds(found[1].Bore) {
		t.Errorf("%v: %+v", err, found)
	}
}

// A baseline that somebody records holds from then on, though this machine's clock was ahead when the one before it was recorded; after a start too.
func TestBaselineAfterClockWasAhead(t *testing.T) {
	b := newOffice(t)
	a := b.start("7/16")
	ahead := baseline.Profile{How: baseline.Commissioned, At: si.InstantOf(time.Now().Add(time.Hour)), Has: points.SetOf(points.Vessel, points.Hose)}
	ahead.P[points.Vessel], ahead.P[points.Hose] = 9e5, 8.9e5
	a.Record(baseline.Set{Laden: ahead})
	for _, vessel := range []float64{750e3, 740e3} {
		b.baseline(a, vessel)
		for _, f := range []*pot.Actor{a, b.start("7/16")} {
			if got := float64(si.AbsPressure(f.Follower().Out.Baseline.Laden.P[points.Vessel]).Gauge(si.StandardAtmosphere)); got < vessel-1 || got > vessel+1 {
				t.Errorf("a vessel at %v holds, want %v", got, vessel)
			}
		}
	}
}
