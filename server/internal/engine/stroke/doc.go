// Package stroke times what one press and one vent of a pot tell. It is pure, costs a constant time a sample, and allocates
// nothing.
//
// # Symbols
//
//	p        pressure, absolute, Pa; s supply, sep separator, h hose point, v vessel
//	W        usual working pressure of the vessel: a running mean of what it has at releases, kept until it is 6 % off
//	V        volume that air fills in the vessel, m3
//	C, b     sonic conductance, m3/(s Pa), and critical ratio of a restriction (ISO 6358-1); rho0, T0 its reference state
//	r        resistance of a segment: m^2 = (p1^2 - p2^2)/r
//
// # Equations
//
// A restriction passes m = C rho0 p sqrt(T0/T) g(p2/p), with g = 1 up to b and sqrt(1 - ((p2/p - b)/(1 - b))^2) over it. A
// vessel that keeps its temperature changes by dp/dt = R T m/V.
//
// Vent. Through the exhaust, while choked, p falls as exp(-t/tau) with tau = V/(C rho0 R T0). Vent.Tau is the time from 80 to 40 %
// of W over the logarithm of the two absolute pressures, Vent.Time that from 80 to 7 %, tail and all. The nozzle bleeds
// the vessel at the same time, and air that does not keep its temperature falls faster, by up to the ratio 1.4: both are in the figures.
// A vessel that a long press has not brought up to 80 % of W, as while the supply sags, has its tau from 90 to 45 % of what it had at the release, while that is choked.
//
// Meanwhile the vessel's air leaves by the nozzle too. From 80 to 25 % of W the sums of squares of joint instants give what is lost between vessel and hose
// point, and in the hose, over the nozzle's square: Vent.Bleed and Vent.Hose; Vent.Fall is how fast the hose point's pressure falls, 1/s. Package level
// tells by them whether air passes the metering valve. Below 25 % gauges' zeros count for too much.
//
// Press. What lies before the vessel is separator and valve, turbulent resistances in series, then the hose point, then one restriction into
// the vessel. The filling constant V/(C rho0 R T0) of that is
//
//	Fill = Rise mean(ph g(pv/ph)) / (0.5 W),   Rise from 10 to 60 % of W                   (1)
//
// which depends on no supply and on nothing before the hose point. While pv is 0.3 to 0.6 of psep the flow is near enough to
// choked that its square over ph^2 is the same at every press, and
//
//	(ps^2 - psep^2)/ph^2 = r (C rho0)^2 T0/T g(pv/ph)^2                                    (2)
//
// is the separator's resistance times what the inlet never changes; likewise the valve's. Sums of squares come first, the
// ratio after. g takes b = 0.25; from 0.2 to 0.5 the figure moves by a constant, which no baseline sees. The nozzle's flow
// passes here too: package wear takes it out.
//
// # Crossings
//
// The instant at which the vessel crosses a level is read from the straight line through its readings of 0.45 s around it
// (at most five), so a rate of 5 Hz costs little and noise is averaged.
//
// # Assumptions
//
// The gauges show one instant: a reading's time is when it was taken, and points polled one after another are brought together before their difference counts. A
// vessel passes each share of W once in a stroke. Presses end at about one pressure: W moves by a fifth of what each one differs, and times that were taken by another W are not held against each
// other. Nothing but nozzle and exhaust empties the vessel, and it fills through one way, which is choked up to 0.6 of the pressure before it; a critical ratio of 0.25 stands for all
// valves, whose own is 0.2 to 0.5. Gas has the same temperature in the strokes that are compared. A reading that comes three times as late as usual is a missing one, and what lies beside it is not timed.
//
// # What cannot be known
//
// The handle's instants are as coarse as the control point's readings: a lag is good to one of them. The first press of all is not
// timed, for want of W. Without a hose point what is lost in separator and valve counts as the inlet's, and Fill grows with a
// clog; without any feed point it grows when the supply falls. Bursts that never come to 80 % of W have vents without times.
package stroke
