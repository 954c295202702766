package live

import (
	"maps"
	"slices"

	msg "gritwatch/protocol/live"
)

// same tells whether two estimates say the same.
func same(a, b *msg.Pot) bool {
	return a.Kind == b.Kind && a.Name == b.Name && a.Site == b.Site && a.T == b.T && number(a.AgeS, b.AgeS) && a.Simulated == b.Simulated &&
		a.State == b.State && number(a.StateForS, b.StateForS) && pressures(&a.PressurePa, &b.PressurePa) && maps.Equal(a.Quality, b.Quality) &&
		drops(&a.DropPa, &b.DropPa) && number(a.NozzlePa, b.NozzlePa) && a.NozzleMeasured == b.NozzleMeasured && number(a.Production, b.Production) &&
		a.Answer.Word == b.Answer.Word && slices.Equal(a.Answer.Because, b.Answer.Because) && number(a.Answer.AgeS, b.Answer.AgeS) &&
		a.Air == b.Air && number(a.TargetPa, b.TargetPa) && a.RatedPa == b.RatedPa && a.Unit == b.Unit && slices.Equal(a.Points, b.Points) &&
		a.Agent == b.Agent && figures(&a.Figures, &b.Figures) && both(a.Vent, b.Vent, vent) && both(a.Doubt, b.Doubt, doubt)
}

func doubt(a, b *msg.Doubt) bool {
	return pressures(&a.PressurePa, &b.PressurePa) && number(a.NozzlePa, b.NozzlePa) && both(a.Losses, b.Losses, account)
}

func vent(a, b *msg.RunningVent) bool {
	return a.Released == b.Released && slices.Equal(a.Trace.TS, b.Trace.TS) && slices.Equal(a.Trace.PPa, b.Trace.PPa) && plain(a.Envelope, b.Envelope) && a.Over == b.Over
}

func pressures(a, b *msg.Pressures) bool {
	return number(a.Supply, b.Supply) && number(a.Separator, b.Separator) && number(a.Vessel, b.Vessel) && number(a.Hose, b.Hose) &&
		number(a.Nozzle, b.Nozzle) && number(a.Control, b.Control)
}

func drops(a, b *msg.Drops) bool {
	return number(a.Separator, b.Separator) && number(a.Valve, b.Valve) && number(a.Mixing, b.Mixing) && number(a.Hose, b.Hose)
}

// number compares values that may be absent.
func number(a, b *float64) bool { return plain(a, b) }

// figures compares what is estimated of the pot.
func figures(a, b *msg.Figures) bool {
	return number(a.AirKgS, b.AirKgS) && number(a.LevelKg, b.LevelKg) && number(a.LevelSdKg, b.LevelSdKg) && number(a.LevelShare, b.LevelShare) &&
		number(a.LevelLow, b.LevelLow) && number(a.LevelHigh, b.LevelHigh) && number(a.FlowKgS, b.FlowKgS) && number(a.Loading, b.Loading) &&
		number(a.UsedKg, b.UsedKg) && plain(a.EmptyS, b.EmptyS) && plain(a.EmptyClockS, b.EmptyClockS) && number(a.BoreMm, b.BoreMm) &&
		number(a.BoreSdMm, b.BoreSdMm) && ratios(&a.Resistance, &b.Resistance) && number(a.Exhaust, b.Exhaust) && both(a.Losses, b.Losses, account) &&
		plain(a.Baseline, b.Baseline) && wears(&a.Wear, &b.Wear) && plain(a.Condensate, b.Condensate) && slices.Equal(a.Findings, b.Findings)
}

func ratios(a, b *msg.Ratios) bool {
	return number(a.Separator, b.Separator) && number(a.Valve, b.Valve) && number(a.Mixing, b.Mixing) && number(a.Hose, b.Hose)
}

func account(a, b *msg.Account) bool {
	return cost(&a.Fall, &b.Fall) && cost(&a.Sag, &b.Sag) && a.SagAt == b.SagAt && both(a.Separator, b.Separator, segment) && both(a.Valve, b.Valve, segment) &&
		both(a.Mixing, b.Mixing, segment) && both(a.Hose, b.Hose, segment) && both(a.Short, b.Short, cost) && a.Currency == b.Currency
}

func segment(a, b *msg.SegmentLoss) bool {
	return a.From == b.From && cost(&a.Excess, &b.Excess) && number(a.FlowPa, b.FlowPa) && number(a.MixPa, b.MixPa) && number(a.ResistancePa, b.ResistancePa)
}

func cost(a, b *msg.Cost) bool {
	return a.Pa == b.Pa && a.Share == b.Share && number(a.MoneyH, b.MoneyH)
}

func wears(a, b *msg.Wears) bool {
	return both(a.Separator, b.Separator, wear) && both(a.Valve, b.Valve, wear) && both(a.Mixing, b.Mixing, wear) && both(a.Hose, b.Hose, wear) &&
		both(a.Exhaust, b.Exhaust, wear) && both(a.Bore, b.Bore, wear)
}

func wear(a, b *msg.Wear) bool {
	return a.Index == b.Index && a.SD == b.SD && a.Due == b.Due && number(a.TrendH, b.TrendH) && a.Changed == b.Changed && a.T10 == b.T10 &&
		a.T50 == b.T50 && a.T90 == b.T90
}

// both compares what may be absent by what is in it.
func both[T any](a, b *T, same func(a, b *T) bool) bool {
	return a == b || a != nil && b != nil && same(a, b)
}

// plain is both for what == compares.
func plain[T comparable](a, b *T) bool { return a == b || a != nil && b != nil && *a == *b }
