// Package baseline holds what a pot's losses are measured against: how its pressures lay along the air's path while it
// was known, or taken, to be healthy. It is pure, and allocates nothing.
//
// # Symbols
//
//	p      mean absolute pressure of a point over one second of blasting, Pa (package steady)
//	P      of a profile, Pa: the root of the mean of p^2 over its seconds, since losses begin with squares
//	Rate   dp/dt of the vessel, Pa/s, mean over the same seconds
//
// # Profiles
//
// A profile is P of each point along the path. Two of them say what a pot's healthy losses
// are: one with abrasive as usual (laden), which losses are told against, and one with air alone, which separates what
// abrasive costs from what the hose costs. Each comes
//
//	from commissioning   a named person wrote down the pressures, as gauges or a needle at the nozzle showed them
//	from a ritual        a named person declared the last steady blast to be one, for example with the metering shut
//	learned              from the first five minutes of steady blasting that were seen: provisional
//
// One that a person recorded takes the place of a learned one, and of an older one that a person recorded. Older ones
// stay in the records, so that the past can be judged by what held then. A learned one is shown as provisional for ever: a
// pot that was half clogged when it was first seen is taken for healthy, and nothing in its pressures can tell.
//
// # Assumptions
//
// The pot was sound while its profile was taken: nothing clogged or leaked, the choke was open, and the nozzle had the bore that is configured. The first five
// minutes of steady blasting are of the usual abrasive at the usual setting of the metering valve; five minutes are the mean over three or four loads and unloads
// of a cycling compressor (common practice, no source). Air alone is what a person says is air alone. Gauges keep their errors from then on. The vessel rises
// or falls by under 12 kPa/s, and what it takes in meanwhile is taken off by whoever compares (package losses); in the first eight seconds of a press the vessel's
// air is hot and takes in more than that rate tells, so they are left out. Both limits are from a study on simulated pots. A nozzle of another bore, once it is
// configured, makes what was learned or recorded worthless, and it is not used any more; what stands in the pot's own file is taken for one of the nozzle in that file.
//
// # What cannot be known
//
// Gauges have zero errors of some 0.25 psi, and a healthy separator loses little more than 1 psi. A profile that the pot's
// own gauges measured has the same errors as what is compared with it, so they fall out; one that was typed in has not,
// and its small drops are worth no more than the sum of the errors. So measure by a ritual rather than by pencil.
package baseline
