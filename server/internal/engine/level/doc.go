// Package level tells what is left in a blasting pot, how fast it goes, and when it will be gone, from pressures alone. It
// is pure: seconds of blasting, presses and vents in, an estimate out; no clock, no I/O, no goroutine, and nothing
// allocated after New. Like all of the engine it never says whether a vessel may be opened.
//
// # Symbols
//
//	s        abrasive in the pot, share of capacity
//	p_s p_v p_h p_n   absolute pressures of supply, vessel, hose point and nozzle inlet, Pa; squares are means of squares
//	mu       loading, kg of abrasive a kg of air
//	m        flow of air, kg/s; phi its share of clean air's at the same nozzle pressure
//	X        (p_h^2 - p_n^2)/p_n^2
//	T        vent time, or time constant of the charge, in the first one that the pot gave
//
// # Capacity
//
// A pot that is filled to the full holds 0.9 of its vessel's volume of abrasive (common practice, no source) of the
// configured bulk density, else of 1600 kg/m3. That is the share 1: what the pot truly holds is known to no gauge. If it
// holds a tenth more, every kilogram told is a tenth too few, and shares and times are right all the same.
//
// # Flow through the metering valve
//
// The nozzle is choked above about 0.9 bar gauge (NACA Report 1135), so it meters the air: m = phi A p_n 0.0404/sqrt(T),
// phi = 1/sqrt(1 + k mu) with k 0.39 from the trade's table of nozzles, see airflow.HandbookSlowing. Abrasive multiplies the
// hose's friction at the wall by 1 + kappa mu, so with both of these, W the friction's part of X in clean air, u one
// velocity head over p_n^2, K minor losses (package airflow has the law of the pipe and its sources)
//
//	X (1 + k mu) = W (1 + kappa mu) + u (K + ln(1 + X))
//
// X does not depend on the supply, nor on what clogs before the hose, nor on whether the vessel's pressure stands still.
// No value of kappa is published; 2.2 is the median of simulated pots, and what a pot's own is off by goes into the
// factor of the flow, ln of which is a state of the filter. W follows from the hose's and the nozzle's dimensions. What X
// of clean air is off them, by the gauges' zeros above all, is learned: nothing can be below clean air, and when the
// stream has stopped for four times the hose's time it is clean air. What enters the hose is told from what is in it
// by an observer of first order; the hose's time is 2.5 times that of its air (of simulated pots).
//
// Without a nozzle point p_h^2 (1 + f)^2/(p_s^2 - p_v^2) takes the place of X, and grows by the factor 1 + mu (k + kappa W)/(1 + X): a third as
// much. p_s is the separator's pressure where there is such a point, as a separator clogs within days. f = V/(R T) dp_v/dt/m is what fills the vessel meanwhile over
// what the nozzle passes, with the rate of that second's own middle, and V the whole vessel's (package steady). Its value in clean air is known only after the
// stream has stopped once, before that the first stream is taken for an ordinary one; it moves with every clog between, and goes back within two hours to where
// the loading before earlier stops would have it. With vessel
// and control alone nothing tells the setting: the flow is that of the trade's table for the nozzle, mu 1.3, times the
// pot's factor, and the intervals say so.
//
// # Soundings
//
// Grit displaces air, so a full pot vents and charges faster. Gas between the grains keeps its temperature, free gas does
// not, so the time falls by less than the volume: T = c - a s, with a/c 0.8 of the share of the volume that the grains
// themselves take, give or take 15 % (0.8 and 15 % of simulated pots), until the pot has taught its own c and a.
// Corrected are: a blast under half a minute leaves the air warm, and the vent is shorter by up to 12 %; a rich stream
// lets less air out through the nozzle, and the vent is longer, by about 5 % a unit of loading, which is a state of
// the filter. Between a vent and the next press nothing is drawn, so both together are one sounding, free of half
// the noise of each. A vent after the pot ran empty belongs to another path (the open metering valve bleeds too), and is no
// sounding.
//
// # Filter
//
// An extended Kalman filter of seven states: s, ln of the flow's factor, c and a of the vent, the vent's gradient by the
// loading, and c and a of the charge. What all soundings of one fill are off together is in c and a. Between strokes only
// what was drawn is summed; the belief moves with vents and presses. How well soundings fit is learned for each kind and widens or
// narrows their noise; one that is more than three deviations off counts less. Gradients are taken along one line for each
// fill: see belief.
//
// # Known empty and known full
//
// The stream stops with the level near zero: the pot is empty. The first time all that was guessed before is dropped, but
// for the times as they are now. After a rest of over half a minute at no pressure, the first sounding weighs four
// stories: not filled; filled to the full; filled to the full after it ran empty; topped up. The belief becomes their
// mixture. The longer the rest, and the emptier the pot, the likelier a fill was beforehand (common practice, no source).
//
// # Stopped
//
// What enters the hose is under 0.15 of the usual for two seconds: the stream has stopped. A damp lump that lets a tenth
// through is not a stop for ten seconds. Without a nozzle point a second's loading is off by a tenth and more: there the logarithm of how much likelier a
// stop is than a stream is summed (Wald, Sequential Analysis, 1947), with the scatter that the pot has shown, from the twelfth second of a press on, until it is 10; at 0
// abrasive flows again.
//
// # Empty or blocked
//
// The level's own distribution against a blocked valve, which happens at any level, five times rarer; at once a cause is said that is
// likelier than four to one. One that is not told yet is waited for, two seconds at most: then the word is undecided, and the next vent decides by its time. One level in a hundred is off
// by far more than its deviation, as an exhaust, a setting or a hose changed meanwhile, so no level is held to be impossible. Four things more are held against it.
//
// How the stream ends. Behind a blocked valve nothing comes from one moment to the next, and the hose clears in its own time; the last of a pot comes thinner and thinner, as the cone
// above the valve runs empty. With e what enters the hose over the usual, o the instant at which the end begins, M what is in the cone by then, m_s the usual flow, c the hose's time,
//
//	e = 0 behind a blocked valve,  exp(-(t - o) m_s/M) of a pot that runs empty;  c dmu/dt = e - mu, mu over the usual
//
// What is lost between vessel and hose point over the square of the nozzle's flow, that is by tee and push line, goes with e in the same second, and mu with what the hose loses. Both lines are
// fitted to the last twenty seconds, with each o, with nine M from a fifth of a kilogram to three (common practice, no source) and two c; the sums of the likelihoods of either story are held against
// each other, for at most a hundred to one. A hose that surges, or a compressor that swings, fits neither: then both sums are widened by what the best of them is off, and
// the hose counts for a third at all times. A hose that has not been filled shows nothing of it. A press in which nothing comes after one in which abrasive came to the end is thirty times likelier that of a blocked valve. What was seen of a stop that goes on is still known in the next press.
//
// What the tee loses. Between vessel and hose point air passes push line and mixing tee. Over the square of the nozzle's flow that loses y_0 of clean air, and y_0 (1 + beta mu) where abrasive is
// taken along; what gauges are off is in both. While abrasive flows y and mu are followed, as means of the last twenty seconds of a full hose. Behind a blocked valve y falls to y_0, and lower in
// a pot that has run empty, as its open valve is a second way beside the push line: resistances in parallel lose less, to about three quarters in simulated pots, and taken for anything from 0.35 to
// 0.95 until a stop was proven. So y (1 + beta mu)/y_0, of the stop and of the stream before, tells the cause in the first second and in a pot's first stop, without a level. No value of beta is published;
// 0.38 is the median of simulated pots, give or take a third of that, by which y_0 is off by 15 % at the most; a stop that is proven blocked shows the pot's own. What was proven empty
// is kept likewise. It counts for a hundred to one at the most.
//
// How the air parts. Behind the inlet valve one branch is the push line, the other one vessel and metering valve, both end in the mixing tee. Abrasive in the
// valve, or a lump, lets as good as no air through, and the vessel has the pressure of the parting. An empty pot's open
// valve lets air through: with the losses in squares s of the separator, v from there to the vessel and x from the vessel to
// the hose point, v/s rises and x/v falls, both at any flow. By how much is another matter for each pot: 4 to 9 % and a
// quarter to a third of simulated ones, nothing where the valve is small. So first the sign alone counts, over what errors of gauges can do: that is
// zeros and spans times what the flow has grown since abrasive flowed, less what supply and separator show apart at rest, and it is hardly
// more than two to one. A stop is proven blocked when abrasive flows again, and empty when the pot is filled; from then on, without a nozzle point, by which
// the tee would tell the same, x/v of the next stop is held against that of the one that was proven, in which the same errors are, and that is mostly a hundred to one, which is as far as it counts. In the
// first seconds, when the valve of an emptying pot is still closing, it does not count. As a stop goes on its cause is judged again
// each second.
//
// How the vessel vents. Meanwhile the nozzle goes on blowing. What it takes comes out of the hose's own air, as the pressure falls by lambda a second, and out
// of the vessel: through the line by which that is filled and, in a pot that has run empty, through the open metering valve besides. With the hose's volume V_h, phi
// of the loading that X shows in the vent, and all over the nozzle's flow of clean air, a p_n,
//
//	q = phi - lambda (V_h/(R T)) (p_h + p_n)/(2 p_n)/a,   (p_v^2 - p_h^2)/p_n^2 = e + r q |q|
//
// Resistances in parallel lose less: r of a blocked valve is that of all the vents before, when abrasive lay in it; an open one leaves some share of it,
// another one in each pot. e is what the gauges are off, less their zeros, which every rest shows. A filter of three states follows e, r
// and what phi is off, from the vents in which abrasive flowed; the next vent after a stop is then held against r and against all shares of it up to 0.7, for at most 30 to
// one. It needs no stop that was proven, and no level. Where the hose gives nearly all that the nozzle takes, q is small, nothing passes either way, and it tells nothing: that is so
// of wide and long hoses behind small nozzles, and of the first vents of all: two fifths of the stops of simulated pots.
//
// What was drawn. A pot of which neither end was seen began full in all but 15 % of the cases, as crews fill at set-up, else with anything (common practice, no source). What
// was drawn since then is told by flow and vents to 7 to 10 % in simulated pots, half of what the filter reckons with, and in a few by far worse, for which a tenth of the cases is set aside. As much as a pot holds: it has run empty. Less: it may be blocked or have
// begun with less, and no gauge tells. There the word may be undecided also after the vent. If such a pot was topped up, it may hold anything with a probability of a fifth.
//
// When abrasive flows again it was blocked; when the pot is filled first, it was empty.
//
// # Time to empty
//
// s over the flow's factor and the flow by the formula, of which the last minute goes back to the usual of forty minutes
// with a time constant of ten minutes of blasting, as a process of Ornstein and Uhlenbeck (Uhlenbeck and Ornstein, Physical
// Review 36, 1930); its variance is that of this pot's own settings. The interval holds the variances of s and of the
// factor, how they lean on one another, and that of the mean flow to come. What the factor is off goes with the loading, so it wanders as
// the setting does: of a pot whose setting stays a fifth of its variance counts (of simulated pots). On the clock: over the share of blasting in the
// last half hour, breaks of over five minutes cut to that.
//
// # Assumptions
//
// Abrasive, nozzle and hose are as configured, and all of one pot's abrasive is alike. What leaves the vessel leaves by the hose: what is taken out by hand is missing from the
// sum until the next sounding. Flow scales with the loading by one factor that changes slowly. The exhaust is the same from vent to vent but for a slow change, and so is the inlet. A pot is filled
// only at no pressure, in a rest of over half a minute, and one that has run empty mostly is: where a crew goes on to press an empty pot and never fills it, a rest is now and then taken for a fill, and the
// press after it for one of a blocked valve. The metering valve lets either all or nothing through: one that clogs over many seconds looks as a pot that runs empty. A vessel under the pressure of its hose point gives no abrasive yet, and is given
// time; one that falls by over 40 kPa a second vents, whatever has been heard of the handle. Seconds of blasting that are more than three seconds apart are of two presses. The tee loses in proportion to what abrasive is in
// it, by beta; simulated pots all have push lines and tees of one kind, so how far beta differs from piping to piping is a guess. Numbers that are said to be of simulated pots are of no others.
//
// # What cannot be known
//
//   - Before the pot has run empty or been filled to the full once, times and flow tell only how the level changes. The
//     first shift is taken to begin full, give or take a quarter; a pot that begins half empty is told too full until then.
//   - A pot that is only topped up never shows either end: its interval stays wide, and one fill from full to empty cures it.
//   - A hose that clogs, or a nozzle that wears, moves X as a richer stream does. Only air alone tells them apart: a ritual,
//     or the seconds after the pot ran empty. Until then the loading is off by as much as X, and the flow's factor follows
//     from fill to fill.
//   - What the crew will do to the metering valve next. The interval holds if it goes on as it did.
//   - An exhaust that clogs lengthens the vent as an emptier pot does; the charge does not. The filter takes a slow change for
//     a change of level until the next fill.
//   - Abrasive that hangs in the pot, beside a hole that the stream has made, is not told from abrasive that is gone.
package level
