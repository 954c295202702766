// Package wear follows what slowly clogs and wears in a pot: separator, valve, mixing, hose, exhaust and the nozzle's bore.
// It is pure, works once a second of blasting and once a stroke, and allocates nothing.
//
// # Symbols
//
//	Ps Psep Pv Ph Pn  absolute pressures of supply, separator, vessel, hose point and nozzle, Pa; squares are means of a steady second (package steady)
//	d1, d2, dv   Ps^2 - Psep^2, Psep^2 - Ph^2, Psep^2 - Pv^2, Pa^2
//	dt, dh       Pv^2 - Ph^2, Ph^2 - Pn^2, Pa^2
//	X, Z         what a press loses in the separator and the valve segment, over Ph^2 (package stroke)
//	Tv, Tf       time constants of vent and filling, s (package stroke)
//	r, rt        resistance of separator or valve when healthy, and of mixing: of m^2 = d/r, Pa^2 s^2/kg^2
//	s, v, b      indices of separator and valve: their resistance over the baseline's; what they have in common
//	c            index of the exhaust: its conductance over the baseline's
//	q            the nozzle's share in how fast a healthy vent falls
//	C, Cn, Cin   conductances of exhaust, nozzle and inlet, m3/(s Pa)
//	Va, V        volume that air fills in the vessel, and the whole vessel's, m3
//	rho0, T0     density and temperature of ISO 6358-1, 1.185 kg/m3 and 293.15 K
//	R, T         gas constant of air, 287.05 J/(kg K); its temperature, taken for T0
//	m, mu        flow of air through the nozzle, kg/s; loading, kg of abrasive a kg of air
//	k, kappa     how a unit of loading slows the nozzle's air, and what it adds to the hose's friction
//	K            of a choked nozzle, m sqrt(T)/(A Pn), 0.0404 s sqrt(K)/m
//	A, A0        area of the bore, and that of the baseline, m2
//	g, n         what fills the vessel and what the nozzle passes, over Ph, kg/(s Pa)
//	f            what fills the vessel over what the nozzle passes, in a second of blasting
//	a, p, l      slope of ln Tv over ln Tf; means of ln Tf and of ln Tv over the baseline's vents
//	y, z         half logarithms of what inlet and mixing lose over Pn^2
//	h, w         logarithm of what the hose loses over what the inlet does; slope of y over h
//	e            what y of the laden stream has gained since the last air alone
//	y0, S0       y that air alone has told before, and its standard deviation;  S1 that before the next air alone, S after it
//	G            how much of what the next air alone shows is taken
//	u, t         what blasting adds to ln Tf, 1/s; blasting since the press, s
//	sd           standard deviation of one vent's ln Tv
//
// # Separator and valve
//
// Two streams pass them at a press: the one that fills the vessel, g Ph while the restriction before it is choked, and the
// nozzle's, n Ph; over Ph neither depends on the supply. Of the separator
//
//	X = s r (g + n)^2,  and in steady blasting  d1/Ph^2 = s r n^2                                          (1)
//
// and likewise Z and d2 of the valve. So n is told by the steady seconds (mean of the last minute) and taken out, and
// neither a worn nozzle nor the mixture looks like a clog. Where more than twelve presses pass without ten such seconds n
// is not known, and X and Z count as they are for good. What X and Z gain at once and alike is more flow, as through the
// metering valve of an empty pot, and no clog. Both go with ln Tf besides, along a slope that is learned (-0.25 before;
// simulated pots): what fills fast is ahead of its gauges, and the air before it must be brought to speed as well.
//
// # Exhaust
//
// Tv = Va/(R T0 rho0 (C + Cn)) and Tf = Va/(R T0 rho0 Cin) share Va (ISO 6358-1, isothermal), so
//
//	ln Tv - a ln Tf = - ln(c (1 - q) + q) + constant,  q = Cn/(C + Cn) when healthy                        (2)
//
// hardly depends on the level. a would be 1, were it not for the heat: air between the grains of a full pot keeps its
// temperature, that of an empty one does not. It is learned, 0.75 before (simulated pots). q is reckoned from half of what
// an ideal nozzle of the configured bore passes (no source) and three quarters of V, and is 0.4 at the most. Tf is that of
// the next press, which finds the vessel as the vent has left it: a long blast uses much, and the press before it found
// more. A vent before a refill tells nothing, nor one before a press that is not timed or that another way of the air has
// shortened; whatever the press before the vent was. That nobody has filled in abrasive between is known of a press that is
// timed, against the last such one, and of one that begins at a vessel that is up.
//
// Four things are corrected, the first three with numbers of simulated pots. What was pressed in fast is warm: of a blast
// of t seconds 0.12 exp(-t/10) is added to ln Tv. Behind a choke that is partly shut the vessel fills sooner than by the
// hose point's pressure: 0.05 of ln rt over its baseline is taken off where that is over nothing (0.046 to 0.055 in three
// pots). A vent that begins far over the usual pressure, as after the supply has sagged for long, is timed from the usual
// one on, when its air is colder: 0.25 of what it is over 1.05 of that is taken off, and over 1.5 it tells nothing. A
// nozzle that has worn bleeds the vessel faster: where the bore is known q A/A0 stands for the second q of (2). Else the
// index is too good by half of what the nozzle's diameter has gained, at a q of 0.2, and a clog is told late.
//
// # Bore
//
// The nozzle is choked and meters the air, m = K A Pn/sqrt(T (1 + k mu)), so
//
//	y = 1/2 ln(b (d1/s + dv/v)/((1 + f)^2 Pn^2)) = ln A - 1/2 ln(1 + k mu) + constant                      (3)
//	h = ln(dh (1 + f)^2/(b (d1/s + dv/v))) = ln(1 + kappa mu) + constant                                   (4)
//
// and y - w h is nearly free of the loading. By (3) and (4)
//
//	w = - k (1 + kappa mu)/(2 kappa (1 + k mu))                                                            (5)
//
// which with k 0.39 (airflow.HandbookSlowing) and kappa 2.3 (package losses) is -0.14 at mu 0.4, -0.20 at 1 and -0.28 at
// 2.3. w is learned as the mixture changes, -0.18 before, and held between the first and the last of these: an error of d1
// + dv is in y and h with opposite signs, and would draw a slope of its own. f = V/(R T) dPv/dt/m passes d1 and dv and no
// nozzle; its rate is that of the second's own middle, its m that of the configured bore with four fifths of clean air, and
// V is the whole vessel's, which fits simulated pots (package steady). b is what both s and v are over 1, or both under it:
// no clog of both but a flow that is not known better, and it is not taken off. dv ends at the vessel, since a choke that
// is partly shut loses behind it what a wider nozzle would. A hose that is bent moves h by its own resistance, which
// package losses tells; from 0.15 of its logarithm on that is taken off where y comes nearer by it to what the bore was and
// what (6) tells of it.
//
// The mixing segment tells the bore too. What abrasive adds to its loss it takes from the nozzle's flow (package losses has
// 0.4 for its kappa, and k is 0.39), so that
//
//	z = 1/2 ln(dt/Pn^2) = ln A + 1/2 ln rt + constant                                                      (6)
//
// hardly holds the mixture, nor hose, separator, valve or f; but it holds the choke. Inlet and tee err by 0.1 mm alike
// (p95, simulated pots), and each by causes of its own: where what z has gained is over what y - w h has by 0.015 at most,
// or under it by 0.05 (a choke shuts more often than an inlet leaks), the bore is the mean of both. Where they differ by
// more, one blast moves ln A by 0.008 at most towards the nearer one, and by 0.003 downwards, as no nozzle narrows; and no
// slope is learned then. Where the tee loses nothing, as where a pot is blown down, it has no z, and speaks against a wider
// nozzle alike. Another nozzle shows in both at once and alike, by 0.1 and more, the tee's gauges granted two fifths of
// that, and is taken at once, as any step: from two blasts. Five blasts make the baseline of both; a nozzle that is put in
// meanwhile ends it.
//
// The bore owes nothing to what others make of it: a second with the h of a stream with abrasive is one with abrasive,
// though a smaller nozzle makes package level believe that the stream has stopped, and its loading seem nothing. The
// indices of mixing and hose are means over a blast of what package losses makes of their resistances, but not of one in
// which the bore steps, as those were reckoned with the former one.
//
// # Bore without a nozzle point
//
// Ph stands for Pn, and only seconds with air alone count: as dh goes with m^2, and m with A Pn, they show (Pn/Ph)^2 of the
// growth, which is taken for 0.9. While ln rt is 0.5 over its baseline or 0.1 under it, they tell nothing. Air alone is a
// stream that was seen to stop (package level), from two seconds after that and up to eight before it is seen to flow
// again, and not in the first 25 s of a press, whose warm air takes 0.1 of y at first. Its y is over that of any mixture of
// late by 0.08. Where it has fallen by 0.08 or more since the air alone before, it is believed if it is over the mixture by
// 0.6 of what that one was. One such blast has a deviation of 0.02 in y, however long it is: that is what the gauges, the
// load and unload of the compressor and the weather leave in it on simulated pots, their true resistances given, and with
// those that the presses tell it is hardly more.
//
// The first such blast makes the baseline, with the next four as long as the mixture shows no wear. Between two of them y
// of the laden seconds is watched. Its gain e, at most 0.25 an hour of blasting, is wear or a leaner mixture. Nobody can
// tell which, so each counts as likely: ln A is said to have grown by e/2, with a deviation of e/2 besides its own, and of
// a stream that has become richer by nothing, as unsure. The next air alone then makes
//
//	y0 + e/2 + G (y - y0 - e/2),  G = S1^2/(S1^2 + 0.02^2),  S1^2 = S0^2 + (e/2)^2 + 0.01^2                (7)
//
// of what was known, with S^2 = 0.02^2 G: much of it is new where the laden stream has moved, and it is a mean of many
// where that has not (the filter of one state; Kalman, J. Basic Engineering 82 (1960) 35, from memory). What has worn
// before the first air alone is told in the same way by what the laden stream gained until then. Where all of it is over
// 0.06 of y the bore is not known until air alone tells. One blast that is four deviations off moves nothing; two that
// agree do. One that is two deviations under what was expected counts for less, by what it is under, as no nozzle narrows
// and a stream that has not quite stopped passes less. One of the first five that is 0.08 over the baseline, where the
// laden stream has not moved with it, makes a new baseline: it was the old one's stream that had not quite stopped.
//
// # From observations to a finding
//
// Every index is followed as a logarithm. The first five observations make the baseline, which those after them refine (up
// to 30 in all; of the exhaust 15, of which long blasts give few an hour; of the bore none, as it only grows), and what
// each of them is off those before it the first scatter, 0.02 at the least: a log of one reading a second times a vent by a
// fifth. After that the scatter is learned (the median of the distances from the level, by steps of equal size: no outlier
// counts more than another). The level is a running mean; two observations in a row that are four deviations off on one
// side, and 0.06 at the least, are a step; one alone moves nothing. Where the two do not agree how far, the level goes to
// the nearer one, and the newer waits for the next. Smaller changes are found by cumulative sums (NIST/SEMATECH e-Handbook
// 6.3.2.3, slack half a deviation), and the level follows faster while these grow. Slopes are learned from what both
// quantities are off their own slow means, so that what changes slowly is not taken for one, and where the first has moved
// well over its noise, which they share.
//
// A part is due at 1.30 of its resistance, the exhaust at 0.90 of its conductance, the bore a sixteenth of an inch over the
// configured one (common practice, no source). A finding begins when the level, less its own deviation, is 80 % of the way
// to the limit, in logarithms, and ends at 60 %. That of the exhaust begins at 65 %, less two deviations, and ends at 45:
// it is to be told within five vents of a tenth that is lost, and to stay away under a twentieth, where slope, weather and
// mixture leave 0.02 in its index for hours (simulated pots).
//
// The trend is the level against a mean that goes back about 128 observations, over the hours of blasting between the two;
// the date of the limit follows from it by the share of the clock that is blasting, where it is three of its deviations.
// There is none before the two are half an hour of blasting apart, which takes about an hour: what moves within a shift's
// first presses is setting, level and weather. Nor have separator, valve and exhaust one while the mixing segment's index
// is over 1.15: a choke that is partly shut sends air through the metering valve, and they seem to clog by up to half of
// the way to their limits (simulated pots). Nor has the hose while the bore is more than half of the way to its own.
//
// A recorded service keeps what was before, and takes the next four observations for what is after (of a bore without a
// nozzle point the next air alone); it is proven where the step is three deviations for the better. A part that is then
// better than its baseline was clogged when that was learned, and makes a new one; so does a new nozzle. One that is by
// more than half of what wears it out larger than the configured one, though, is told as that, and found: it is to be
// entered in the pot's file, and nobody can tell it from a worn one that was not replaced. With the separator's or the
// valve's baseline goes n of (1), which is over the same r; it is told better by what follows, and the new baseline is
// refined as the first was. While the one of the two is found clogged the other's baseline is not refined: behind it the
// vessel fills too slowly for the restriction to be choked all the time, and the loss looks smaller by a tenth or so
// (simulated pots).
//
// # The next vent
//
// Expect is (2) the other way round, for the press that goes on: the slowest that a healthy vent can be now,
//
//	ln Tv = l + a (ln Tf + u t - p) + 0.10 + 3 sd,  lag = mean + 80 ms + 4 mean deviations                 (8)
//
// with u one and a half times what blasting adds to ln Tf in the mean, and a lag of 100 ms at least, from twenty vents on.
// The vent watch holds the fall against it, finds a shut or half-shut exhaust sooner by that, and never later: its own
// envelope, of commissioning or nominal dimensions, stands beside. (8) never goes by what has clogged since. A vent through
// half an exhaust takes 1/(0.5 (1 - q) + q) times as long, 1.4 to 2, so an error of 0.10 in ln Tv costs nothing but a few
// tenths of a second, where a wrong Tf would cost a false finding at every vent. Tf is therefore taken with care:
//
//   - An empty pot that is blasted on fills through its open metering valve too, in half the time or so, and vents like an empty one.
//     Abrasive that was filled in shortens Tf by filling the vessel: what it adds to ln X and ln Z is 0.1 to 0.45 of what it takes from ln Tf,
//     through the slower gauges. Another way of the air adds over 1.1 of that (simulated pots), since X and Z go with the square of all that
//     passes. From 0.75 on the press is not believed, and the vessel counts as emptied further by all that blasting can have used.
//   - Where X and Z are not both known, a press that took far less time is not believed until a vent goes with it.
//   - A press that is not timed, as after a vent through a shut exhaust that has left the vessel up, tells nothing; what was known
//     before it holds, less what was used. Nobody fills abrasive into a vessel that is up; if somebody has, the vent is faster.
//   - Nothing is expected before one vent has gone with it, at first and after every recorded service of exhaust or nozzle. A much smaller
//     nozzle that nobody has recorded lets the vessel bleed less, and looks like an exhaust that has lost as much.
//
// # Assumptions
//
// The nozzle had the configured bore when its baseline was learned, is choked, and hardly narrows; the first five blasts
// had the usual choke. The restriction before the vessel is choked at a press, and separator and valve keep their share of
// what passes it. Gauges keep their errors from the baseline on, and what is polled one after another was brought to one
// instant. Somebody who records a service has done it by then. Nothing wears faster than the blasts that tell of it follow
// each other.
//
// # What cannot be known
//
// Separator and valve that clog alike and at once look like more flow. Without a hose point there is no Z, and an empty pot
// is told from a clog only by who knows the level. Without a separator point the two are one, and stand as the valve.
// Without a supply point the separator is unknown. A pot with a vessel point alone tells the exhaust against the inlet, as
// one number: what clogs the inlet then looks like a better exhaust, and its cleaning like a clog.
//
// Without a nozzle point a leaner mixture looks like a worn nozzle, and the bore is told by air-only seconds or not at all;
// between them it is as unsure as the laden stream has moved. A pot that never has air alone never has a bore; what wore
// before the first of it is half of what the laden stream gained until then, be that as it may. With a nozzle point a choke
// that closes while the hose kinks or the inlet leaks hides half of a step, and lets the bore go astray by 0.2 to 0.3 mm
// for as long. What wears before the first observations is in the baseline.
//
// The slopes, kappa and the warmth of short presses were fitted to simulated pots, the slopes only until they are learned;
// no published figures of them were found.
package wear
