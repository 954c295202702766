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
// A third thing helps: the mix stays as long as nobody turns the metering valve, and it is turned at once. What moves u slowly is therefore bore or hose, and what moves it by
// 2.5 deviations from one quarter of a minute to the next, and stays there for the one after, is the mix, until inlet and tee have shown that it is not. One quarter of a minute alone is a
// gust, or has seconds of air alone in it, and is left out: taken for another mix it would cost what is known of the one that comes back, and the inlet, which knows the mix to a tenth, would have to find it anew.
// The observations, means of fifteen seconds, go into a Kalman filter (J. Basic Engineering 82 (1960) 35, from memory) of five states, linear about its own estimate:
//
//	a, h      each goes its way as a random walk, h four or five times as fast: a hose kinks within an hour, a nozzle wears in a shift
//	q         ln [(1 + kappa mu)(1 + k mu0)]/[(1 + kappa mu0)(1 + k mu)], which tells mu: it moves a fifth as fast as a, but where the valve was turned
//	b         what F is off by the inlet; it is forgotten in half an hour
//	e         share of the tee's loss that is an error of its two gauges: they show it in every loss alike, so that it falls out as the loss grows
//
//	u  =  a + h + q                                                                                               (5)
//	F - n by the inlet  =  a - ln (1 + k mu)/(1 + k mu0) + b                                                      (6)
//	x - n by the tee    =  F - n + s - e (F - n/2 + s),                  s = ln (1 + kt mu)/(1 + kt mu0)          (7)
//
// The tee is left out while the mean of ten observations shows more than the inlet by what no error of gauges explains, as it has clogged: one observation is as unsure as
// a tee that has half clogged, and to leave out those that show most would have every nozzle narrower than it is. Where it shows more still the choke is partly shut: air
// goes through the metering valve too, the mix is richer than (3) fits, and all is left out until the choke is open; q is then what it was. What the mix adds to the tee's loss
// is reckoned from the inlet, but is not less than q has it: the nozzle wears meanwhile, and the inlet, held against the former bore, would have the choke shut for ever. All is left out, too, while the tee shows
// less, as more then goes into the vessel than the nozzle takes, and in seconds of air alone. No hose becomes freer and no nozzle narrower than it was: an h or an a under 0 is drawn back to it. Two
// observations in a row that are three deviations off on one side are a kink, or the end of one, since no nozzle jumps: h is then found anew with the bore as it was. Of h
// nothing is said that is not two and a half deviations from none, or two where a kink has been said and not gone, and a is then the one of a sound hose. Where package wear finds another
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
// On simulated pots, their truth taken over the same second, every 20 s of 1,200 hours whose nozzles, separators and hoses wear and clog in hours what takes weeks
// in the field, the compressor cycling: the supply's sag within 0.5 psi or 10 % always, what a segment loses more too; what resistance costs in separator and valve
// in 99 of 100 seconds, in the tee, which the crew shuts partly, in 97. In the hose, whose drop is 2 to 40 psi and of which 1 % of the bore is 4 %, in 95 of 100 at 54 pots and
// in 97 at 39 others, on all of which its numbers were chosen, and in 96 at 30 on which they were not, 92 to 99 if pots are drawn anew (what flow costs in it in 95, 96 and 95; with one observation enough for another mix, and the valve believed as
// the separator is, 94, 95 and 95): in 70
// to 100 by the pot, and in half where the hose kinks while the choke is partly shut, or where a nozzle that has worn by a half of ln A^2 meets
// gauges of tee and inlet that err to opposite sides. Of what is missed a half is a kink of which nothing, or too little, is said yet as it grows. With an inlet that tells F without any error
// this filter has it in 97 of 100. That is not what the gauges leave: on these pots, whose valve nobody turns, a smoother told of jumps and of the choke has it in 99, the same filter without the
// future in 98, and one that is told nothing, takes the bore from the tee and keeps the mix where nothing jumps, in 98 at 75 pots and 95 at 54 to which its numbers were not fitted. With a mix that goes anywhere it is
// 95 without the future, 97 with it. Without a
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
