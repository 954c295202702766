// Package potparams turns what is configured of a pot into what follows it, for all who follow pots: live, over stored samples, and
// over a log.
package potparams

import (
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/points"
	"gritwatch/server/internal/engine"
	"gritwatch/server/internal/engine/baseline"
	"gritwatch/server/internal/engine/condensate"
)

// Follower is one for a pot that has seen nothing. Period is that of a log that is slower than live readings; 0: live.
func Follower(p potfile.Pot, period time.Duration) *engine.Follower {
	return engine.NewFollower(p.Vent(), engine.Params{Nozzle: p.Nozzle.Bore, Ambient: p.Atmosphere.Pressure(), Period: period,
		HoseBore: p.Hose.Bore, HoseLength: p.Hose.Length, Bulk: p.Abrasive.Bulk, Solid: p.Abrasive.Solid,
		Baseline: Baseline(p), Condensate: condensate.Params{Intake: p.Intake.Temperature, Humidity: p.Intake.Humidity,
			Aftercooler: p.Intake.Aftercooler, Separator: p.Intake.Separator, DrainAt: p.Intake.DrainAt}})
}

// Baseline is what was written down at commissioning.
func Baseline(p potfile.Pot) baseline.Set {
	return baseline.Set{Laden: profile(p, p.Baselines.Blasting), Air: profile(p, p.Baselines.AirOnly)}
}

func profile(p potfile.Pot, b *potfile.Baseline) baseline.Profile {
	if b == nil {
		return baseline.Profile{}
	}
	out := baseline.Profile{How: baseline.Commissioned, At: b.Day(), Has: b.Has}
	for pt := range out.P {
		if b.Has.Has(points.Point(pt)) {
			out.P[pt] = float64(b.P[pt].Absolute(p.Atmosphere.Pressure()))
		}
	}
	return out
}
