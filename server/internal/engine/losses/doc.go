// Package losses tells where the nozzle's pressure is lost, against a baseline, and what part of it is flow, what the mix and what
// resistance. It is pure, allocates nothing, and works once a second of blasting.
//
// # Symbols
//
//	i          segment: separator, valve, mixing, hose; its ends are p1 and p2, absolute, Pa
//	D          p1 - p2, the drop; D0 that of the baseline, as all with a 0
//	d          p1^2 - p2^2 of one second's means (package steady);  x = ln d/d0
//	m          flow of air through the nozzle, kg/s;  F = ln m^2/m0^2
//	r          resistance of a segment: m^2 = d/r
//	mu         loading, kg of abrasive a kg of air
//	k, kappa   how mu slows the nozzle's air, and adds to the hose's friction
//	pN, A      absolute pressure at the nozzle, area of its bore;  n = ln pN^2/pN0^2 + ln A^2/A0^2
//	u          x of the hose less ln pN^2/pN0^2: what abrasive, bore and hose leave of it
//	kt, s      kappa of the mixing tee, and what by it the mix adds to the tee's x
//	a, h, q    what the filter follows, of bore, hose and mix (below);  b, e what it follows of the errors of inlet and tee
//	K          of a choked nozzle, m sqrt(T)/(A pN), s sqrt(K)/m
//	m_in, p    flow into the pot, kg/s, and pressure of the vessel, Pa;  V_air what air fills of it, m3
//	R, T       gas constant of air, 293.15 K
//
// # Equations
//
// The nozzle meters the air, as it is choked (package airflow; NACA Report 1135; for k see airflow.HandbookSlowing):
//
//	m = K A pN/sqrt(T (1 + k mu)),  so F = n - ln (1 + k mu)/(1 + k mu0)                        (1)
//
// Segments lose by turbulent friction, in hose and mixing tee with the abrasive that they carry:
//
//	x = ln r/r0 + F                                    separator, valve                         (2)
//	x = ln r/r0 + F + ln (1 + kappa mu)/(1 + kappa mu0)    hose; mixing with a smaller kappa    (3)
//
// Every segment shares F and owns its resistance: a rise that all have in common is flow, a rise in one is that segment. While the
// vessel fills, what goes through separator and valve is more than what the nozzle takes,
//
//	m_in = m + V_air/(R T) dp/dt                                                                (4)
//
// and is corrected by it; seconds with more than 12 kPa/s, and the first eight of each press, in which the vessel's air is hot and takes in more
// while it cools, are left out. How fast a second filled the vessel is known after the next one: a compressor that loads and unloads every few
// seconds turns it over in between.
//
// Hose and nozzle. (3) less (1) does not hold F: u = x - n = ln r/r0 + ln [(1 + kappa mu)(1 + k mu0)]/[(1 + kappa mu0)(1 + k mu)] + ln A^2/A0^2, with n of the
// pressure alone. So, given hose and bore, each second tells mu, and by (1) F. What separator and valve say of F then tells a + w h of a = ln A^2/A0^2 and h = ln r/r0
// of the hose, with w a third to a half by the loading: a little clogged hose and a half as much worn nozzle look alike to hose, nozzle and inlet. The mixing tee
// knows them apart: what abrasive adds to its loss it takes from the nozzle's flow, so that x - n of the tee is a, and hardly holds mu or h, where the tee itself does not clog.
// A third thing helps: the mix stays as long as nobody turns the metering valve, and it is turned at once. What moves u slowly is therefore bore or hose; a step of u is one of
// the valve or of the hose (or of the nozzle, where inlet and tee show the same step), and of one of them alone. Which one, the inlet and the tee tell in minutes: the valve moves F, the hose
// does not. Until they have, both explanations are followed, and what was known of the other one is not lost. One quarter of a minute alone that is far off is a
// gust, or has seconds of air alone in it, and is left out; so is what is followed by another that differs, as while the pot runs empty.
// The observations, means of fifteen seconds, go into a Kalman filter (J. Basic Engineering 82 (1960) 35, from memory) of five states, linear about its own estimate:
//
//	a, h      each goes its way as a random walk, h three or four times as fast: a hose kinks within an hour, a nozzle wears in a shift
//	q         ln [(1 + kappa mu)(1 + k mu0)]/[(1 + kappa mu0)(1 + k mu)], which tells mu: it moves a fifth as fast as a, but in steps
//	b         what F is off by the inlet; it is forgotten in three quarters of an hour
//	e         share of the tee's loss that is an error of its two gauges: they show it in every loss alike, so that it falls out as the loss grows
//
//	u  =  a + h + q                                                                                               (5)
//	F - n by the inlet  =  a - ln (1 + k mu)/(1 + k mu0) + b                                                      (6)
//	x - n by the tee    =  F - n + s - e (F - n/2 + s),                  s = ln (1 + kt mu)/(1 + kt mu0)          (7)
//
// A step begins with two observations in a row that are far off to one side and by the same. With the covariance P of one filter the two explanations are x and x + d, and an observation of
// H x moves d by K times the difference of its two innovations, so that a second filter needs its d alone. Each observation by (6) and (7) moves the logarithm of the odds by half the difference of the
// squares of its innovations over their variance, and no more than by a little, as errors of inlet and tee last for minutes. That which is likelier is told; in the end it stays alone, and what
// is left of the other's likelihood p goes into P as p (1 - p) d d', the covariance of a mixture of two normal distributions. A hose that is straightened has less than before, and hardly less than
// nothing: of a step down from a sound hose there is one explanation, and of one that takes a clogged hose to a sound one that is the likelier to begin with.
//
// The tee is left out while the mean of ten observations shows more than the inlet by what no error of gauges explains: it has clogged, or the choke is partly shut. Then air
// goes through the metering valve too, and q moves faster. The inlet is left out while the tee shows 0.3 less, since more then goes into the vessel than the nozzle takes.
// All is left out in seconds of air alone. No hose becomes freer and no nozzle narrower than it was: an h or an a under 0 is drawn back to it. Of h
// nothing is said that is not three and a half deviations from none, and a is then the one of a sound hose. Where package wear finds another
// nozzle, a bore that has grown or shrunk by a tenth of ln A^2 at once, a begins there.
//
// The inlet's flow. A rise that separator and valve have in common is a leak: of neither. Where the presses tell of the separator (package stroke: its choked inlet
// knows nothing of nozzle, hose or grit), that is taken out of its x first. What supply and separator show apart at rest, when no air passes and both have one
// pressure, is an error of their gauges, a third of a psi of the one and a half that a sound separator loses, and is taken off both losses of (2): what it leaves of F is two per cent.
// Between separator and vessel no rest tells: there the same third of a psi is a sixth of what the valve loses, and its F is off by 0.1 to 0.2 where a nozzle has worn by half of ln A^2. Beside a nozzle point
// (6) is therefore the separator's F alone, unless it is 0.1 over the valve's: then the separator has clogged since the presses told of it, and the valve's holds. That presses find the separator freer than it was,
// as they do by 8 % while the hose is kinked, is not believed.
//
// Without a nozzle point hose and nozzle are solved together from the hose point, with F from separator and valve over half a minute; (1) and (3) are then
// linear in mu, and the hose's own resistance is taken for unchanged. The mixing segment helps little: what abrasive adds to its loss it takes from the
// flow, so that its x hardly moves with mu. The nozzle's pressure is then computed, never measured, and rests on the hose as configured: Darcy
// friction after Haaland, and kappa.
//
// kappa has no published value for abrasives, nor has that of the mixing tee: 2.3 and 0.4 fit simulated pots, and no other source. The air-only profile
// of a ritual gives kappa and mu0 of the pot itself. Without one mu0 is what package level makes of the loading over minutes, while bore and hose are as they were (level takes a worn
// nozzle or a kinked hose for another mix), else the mean of the trade's nozzle table, 1.32.
//
// # The account
//
// With p at the first point S that the pot has and at the nozzle N,
//
//	pN0 - pN = (pS0 - pS) + sum (D - D0)                                                        (8)
//
// holds to the last digit, since both sides are the same readings. Each excess is split by the logarithmic mean (LMDI-I, Ang, Energy Policy
// 33 (2005) 867, from memory: a decomposition without a rest), with L = (D - D0)/ln(D/D0):
//
//	by resistance   L ln r/r0
//	by the mix      L ln (1 + kappa mu)/(1 + kappa mu0), of hose and mixing
//	by flow         the rest: L F, and what thinner air at lower pressure loses more
//
// A clogged separator lowers pN and with it the flow, so the flow's parts of all other segments are then negative. Target less baseline is a row
// of its own. A psi at the nozzle is worth 1.5 % of the work (common practice, no source).
//
// # How good it is
//
// On simulated pots, their truth taken over the same second, every 20 s of 1,900 hours whose nozzles, separators and hoses wear and clog in hours what takes weeks
// in the field, the compressor cycling: the supply's sag within 0.5 psi or 10 % always, what a segment loses more too; what resistance costs in separator and valve
// in 99 of 100 seconds, in the tee, which the crew shuts partly, in 98. In the hose, whose drop is 2 to 40 psi and of which 1 % of the bore is 4 %, what resistance costs in 96.3 of 100 at 54 pots
// that were looked at only for the last few of its numbers, and what flow costs in 96.2; in 96.6 and 96.2 at the 261 on which they were chosen. By the pot it is 50 to 100. If somebody turned the metering valve
// of these pots once an hour of blasting, by up to a quarter of q either way, what resistance costs is held in 95 at both. (Numbers that were chosen without turned valves, and let bore and hose follow every step, had 98 while
// nobody turned it, and 83 where somebody did.) Of what is missed two thirds are a kink of which nothing, or too little, is said yet as it grows, or while the choke is partly shut; much of the rest is beside a gauge of the tee that is
// off by more than its e is taken to be, while the nozzle wears: a gauge of the vessel that is 0.3 psi off moves F by up to 0.05. On 129 of these pots a smoother that is told of steps and of the choke has
// it in 99, and without the future in 98. Without a
// nozzle point the fall is within 0.5 psi or 10 % in 3 to 95 of 100 seconds, and within 1.3 psi (of one pot with 26 psi in its hose, 2.6) in 95.
//
// # Assumptions
//
// The bore was the configured one when the baseline was taken, and only grows. What clogs does not leak: a leak before the vessel (an open drain) looks like a
// clogged separator unless the presses say otherwise. The crew turns the metering valve at once, and what else moves the mix is slower than the hose: where abrasive gets richer by
// and by, as with a valve that opens by itself, a part of it is told as a hose that kinks, until inlet and tee have told otherwise.
//
// # What cannot be known
//
// Separator and valve clogged alike, and a leak behind them, look the same. A bore that is 1 % larger than believed is 4 % of m^2, and is
// found again as 4 % of the hose's resistance. Gauges of half a psi may have a seventh of what tee and inlet lose: where the inlet shows so much too much of what has
// changed, and the tee so much too little, a nozzle that has worn by 0.5 of ln A^2 in front of a sound hose shows the same as one that has worn by 0.43 in front of a hose with a quarter more resistance. What the vessel shows over the
// hose point in a vented pot tells little of it, as a gauge's error grows with the pressure. Without a nozzle point a kinked hose, a richer mix and a worn nozzle look alike. With the vessel
// and one more point nothing can be told apart; with the vessel and the control point alone nothing of this is known. A learned baseline is only as
// healthy as the pot was. Drops of a psi are told no better than the gauges' drift since the baseline.
package losses
