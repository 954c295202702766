package gauges

// Keep marks as found what another watch over the same pot has found. What ends a finding must be seen from now on.
func (w *Watch) Keep(other *Watch) {
	for p := range w.found {
		for k := range w.found[p] {
			f := other.found[p][k]
			if !f.On {
				continue
			}
			if !w.found[p][k].On {
				w.endAnew(p, Kind(k))
			}
			w.found[p][k] = f
		}
	}
}

// endAnew forgets what was counted towards the end of a finding.
func (w *Watch) endAnew(p int, k Kind) {
	switch k {
	case Stuck:
		w.stuck[p].changes = 0
	case SlowPort:
		for i, q := range downstream {
			if int(q) == p {
				w.lags.out[i] = 0
				if i > 0 {
					w.owns[i-1].out = 0
				}
			}
		}
	case Swapped:
		w.swaps.clean = 0
	case OutOfRange:
		w.ranges[p].good = 0
	}
}
