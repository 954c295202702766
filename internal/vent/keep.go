package vent

// Keep marks as found what another watch over the same pot has found, until readings end it.
func (w *Watch) Keep(other *Watch) {
	for c, f := range other.found {
		if f.On {
			w.found[c] = f
		}
	}
}
