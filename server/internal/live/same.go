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
		a.Agent == b.Agent
}

func pressures(a, b *msg.Pressures) bool {
	return number(a.Supply, b.Supply) && number(a.Separator, b.Separator) && number(a.Vessel, b.Vessel) && number(a.Hose, b.Hose) &&
		number(a.Nozzle, b.Nozzle) && number(a.Control, b.Control)
}

func drops(a, b *msg.Drops) bool {
	return number(a.Separator, b.Separator) && number(a.Valve, b.Valve) && number(a.Mixing, b.Mixing) && number(a.Hose, b.Hose)
}

// number compares values that may be absent.
func number(a, b *float64) bool { return a == b || a != nil && b != nil && *a == *b }
