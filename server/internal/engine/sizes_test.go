package engine

// StateSizes are the bytes of the states of what follows strokes and blasting, by part.
func (f *Follower) StateSizes() map[string]int {
	x := &f.about
	return map[string]int{"strokes": len(x.strokes.AppendState(nil)), "level": len(x.level.AppendState(nil)), "wear": len(x.wear.AppendState(nil)),
		"losses": len(x.losses.AppendState(nil)), "water": len(x.water.AppendState(nil)), "all": len(x.AppendState(nil))}
}
