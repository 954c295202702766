// Package steady turns readings of a blasting pot, all brought to one instant, into means over one second, and says
// which of these seconds are steady enough for laws of steady flow. It is pure, and allocates nothing.
//
// # Why squares
//
// In steady turbulent flow a segment of resistance r passes m with m^2 = (p1^2 - p2^2)/r, both pressures absolute (see
// package airflow, and there the isothermal law of a pipe). What follows from gauges therefore begins with squares. Their
// mean over a second comes first, ratios and logarithms after: the mean of a ratio of noisy readings is not the ratio
// of their means. Gauge noise of standard deviation s adds s^2 to the mean of each square alike, which falls out of
// their difference where the gauges are alike.
//
// # Symbols
//
//	PP, P   mean of the square of the absolute pressure, Pa^2, over the second, and its root, Pa. With noise or swings of
//	        standard deviation s the root is s^2/(2 p) over the mean: 1 Pa for gauge noise of 1 kPa at 6 bar
//	Rate    how fast the vessel's pressure rises, Pa/s: the mean of this second against the mean of the second before
//	        the last, so it belongs to a moment one second before the middle of this one
//	Steady  |Rate| is under 4 kPa/s (0.6 psi/s) and three seconds of one press stand behind it
//
// While the vessel's pressure moves, air goes into it or comes out of it, m_in - m_out = V_air/(R T) dp/dt, and the
// segments before and behind it carry different flows: a vessel of 0.18 m3 of air that rises by 4 kPa/s takes 9 g/s, a
// fifteenth of what a 10 mm nozzle passes. Ratios of one segment to another hold only below that; the limit is from a
// study on simulated pots.
//
// The vessel's filling can be taken off instead, if the rate belongs to the second itself: that of a second's own middle comes with the next one.
// On simulated pots behind compressors that load and unload, what separator and valve lose then scatters by 2 % from second to second and not
// by 12 %, where V is the whole vessel's volume; with the air's share of it, as the law has it, by 4 %. What else takes in air there is not known.
//
// # Assumptions
//
// All points of an instant belong to that instant: who brings them together has done so. Who calls Step says rightly whether the pot blasts; of a press whose end was
// seen late the last second has some of the vent in it. The noise of a pot's gauges is about alike: one of 0.2 % of 14 bar beside one without noise makes a difference of 6 Pa, and
// a gauge that is broken more. Instants are spread evenly over the second: a point that is missing in a part of it, up to half, has the mean of the rest.
//
// # What cannot be known
//
// Zero and span errors of the gauges are in every mean: no averaging takes them out.
package steady
