// Package condensate reckons how much water a pot's moisture separator has caught since it was drained, from the weather and
// the temperatures that a site states. It is an estimate, and is to be called one. It is pure, and allocates nothing.
//
// # Symbols
//
//	w1 w2 w3   humidity ratio, kg of vapour a kg of dry air: of the intake air, behind the aftercooler, behind the separator
//	ws(p, T)   the most that a kg of dry air can hold at p and T
//	p          absolute pressure in the separator, Pa
//	Ta, Ts     temperature of the air at the aftercooler's outlet and in the separator, K
//	m          air that is used, kg;  W water caught, kg
//	V, f       volume of the vessel, m3, and the share of it that air fills
//	p1, p2     absolute pressure of the vessel before and after a filling, Pa
//	R, T       gas constant of air, 293.15 K
//
// # Equations
//
// A kilogram of dry air that the compressor draws in carries w1 kg of vapour, by the intake's temperature, humidity and barometer, and can carry at most ws(p, T)
// once it is compressed and cooled (package airflow: IAPWS-IF97 and R14-08, ideal mixing):
//
//	w2 = min(w1, ws(p, Ta))     behind the aftercooler, whose own drain takes w1 - w2; without one w2 = w1       (1)
//	w3 = min(w2, ws(p, Ts))     behind the separator, which takes w2 - w3                                        (2)
//	W  = integral of (w2 - w3) dm since the drain                                                                (3)
//
// Air is used in two ways. While blasting dm is the nozzle's air (package losses), and p what the supply point shows, else the separator's or the vessel's. A
// filling of the vessel takes, as an ideal gas of the temperature T,
//
//	m = f V (p2 - p1)/(R T)                                                                                      (4)
//
// and counts with p = p2. The separator is to be drained when W has reached the volume that the site states, at 998 kg/m3.
//
// # Assumptions
//
// The aftercooler's drain and the separator take every drop; real ones let up to a tenth go on (common practice, no source). The temperatures are those that
// somebody wrote down, and the weather does not keep to them: 5 K more in the separator is about a third more water that passes it. Air behind the separator is
// weighed as if it were dry, which is under a per cent off. All of a filling passes the separator at the pressure that the vessel has in the end. Blasting whose
// air is not known is not counted, nor is air that others take from the same compressor behind the separator, nor what a drain that is left open lets out.
//
// # What cannot be known
//
// Whether the separator is full, or was drained without anybody recording it: pressures do not tell. A separator that fills up shows
// as its resistance, and that is another estimate.
package condensate
