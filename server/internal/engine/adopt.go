package engine

// Adopt gives a follower that missed samples what another one knows that has all of them: restored from a state of before
// the gap, primed, and stepped over everything since, up to the same newest samples. False, and nothing has changed: they
// do not meet (yet); see vent.Judge.AdoptRun, which says what becomes of the answer. The other one is to be dropped then.
//
// Whatever is found live stays found. The state, the vent or press that goes on, and what was learned of the gauges are
// those of the other one.
//
// Cycles: Out.Cycles is the larger of both and never falls; an adoption itself completes none. A caller learns of the
// cycles of the gap from the other follower, as it does from the live one: each Step after which Out.Cycles is one more
// than before it has completed Out.Cycle. One that both have seen whole comes from both, the same to the last bit; Press and
// Release name a cycle of a pot. (Where the vessel alone tells of the handle, Press and Release are estimates, and may
// differ by a reading or two.) The cycle that goes on at the adoption is completed by the live follower alone.
func (f *Follower) Adopt(rewound *Follower) bool {
	if f.params != rewound.params || f.identity != rewound.identity || !f.Judge.AdoptRun(rewound.Judge) {
		return false
	}
	watch, found := *f.Watch, *f.Gauges
	*f.Watch, *f.Gauges, f.infer = *rewound.Watch, *rewound.Gauges, rewound.infer
	f.Watch.Keep(&watch)
	f.Gauges.Keep(&found)
	f.Engine.adopt(rewound.Engine)
	f.about.take(&rewound.about)
	f.about.cycles = f.Engine.out.Cycles
	f.Out.Now = f.Engine.out
	f.about.tell(&f.Out)
	return true
}

func (e *Engine) adopt(rewound *Engine) {
	cycles, last := e.out.Cycles, e.out.Cycle
	*e = *rewound
	e.out.Cycles = max(e.out.Cycles, cycles)
	if last.Release > e.out.Cycle.Release {
		e.out.Cycle = last
	}
}
