// Package airflow holds published laws of air: isentropic flow through a nozzle, clean or laden with abrasive; the flow
// characteristic of ISO 6358 and its combinations; isothermal flow through pipe and hose; how long a vessel takes to
// charge and to blow down; humid air and its condensate; and the reference states at which volumes of air are counted.
//
// Air is an ideal gas of constant ratio of specific heats 1.4 and gas constant 287.05 J/(kg K). All pressures are
// absolute. The package is pure: no clock, no I/O, and no allocation but for errors. What lies outside a law's domain
// gives a *DomainError, which wraps ErrDomain, never NaN or infinity.
//
// # Laws
//
// Isentropic relations and the choked flow: NACA Report 1135 (1953), equations of one-dimensional isentropic flow.
// Mass flow through an area A of coefficient c, upstream p1 and T1, downstream p2:
//
//	choked, p2/p1 <= 0.5283:  c A p1 sqrt(gamma/(R T1)) (2/(gamma+1))^((gamma+1)/(2(gamma-1)))
//	subsonic, r = p2/p1:      c A p1 sqrt(2 gamma/((gamma-1) R T1) (r^(2/gamma) - r^((gamma+1)/gamma)))
//
// Abrasive of mu kg a kg of air leaves the share 1/sqrt(1 + k mu) of the air's flow; see HandbookSlowing for how little
// is known of k.
//
// Restriction: ISO 6358-1:2013, sonic conductance C, critical ratio b, subsonic index m:
//
//	choked, p2/p1 <= b:  rho0 C p1 sqrt(T0/T1)
//	subsonic:            rho0 C p1 sqrt(T0/T1) (1 - ((p2/p1 - b)/(1 - b))^2)^m
//
// Pipe and hose: isothermal compressible flow of mass flux G, with Darcy's factor f by Colebrook or Haaland, minor
// losses K in velocity heads, and friction multiplied for solids (kappa is not published: it is learned). It chokes
// where the outlet would pass sqrt(R T):
//
//	p1^2 - p2^2 = G^2 R T (f L/D (1 + kappa mu) + K + 2 ln(p1/p2))
//
// Vessel: polytropic between isothermal (n 1) and adiabatic (n 1.4). Choked (Bar-Meir, Fundamentals of Compressible
// Fluid Mechanics, chapter 11), with tau = V p/(R T mdot) at the start:
//
//	venting    2 tau/(n-1) ((p1/p2)^((n-1)/(2n)) - 1), for n 1 tau ln(p1/p2)
//	charging   V (p2 - p1)/(n R Ts mdot), Ts the supply's temperature
//
// Subsonic, in closed form (own integration, for gamma 1.4), with y = sqrt((p/pa)^(2/7) - 1), s = sqrt(1 + y^2),
// from p down to the ambient pa, Tf the temperature on reaching it; and with u = (r - b)/(1 - b) for m 0.5:
//
//	nozzle, isothermal        V/(A sqrt(R T)) sqrt 7 (y + 2 y^3/3 + y^5/5)
//	nozzle, adiabatic         V/(1.4 A sqrt(R Tf)) sqrt 7 (y s^3/4 + 3/8 (y s + asinh y))
//	restriction, isothermal   tau q (F(a1) - F(a2)), 1 - u = 2 sin^2 a, q = 2(1-b), F the integral of da/(1 - q sin^2 a)
//	nozzle, charging          7 sqrt(crit) sqrt(1 - r^(2/7)), crit = r^(10/7) - r^(12/7) at 0.5283
//	restriction, charging     (1-b) acos u
//
// All else is integrated to twelve digits by the tanh-sinh rule, in coordinates that take the singularity at equal
// pressures away. A true vessel's n moves: high at first and when empty, near 1 late and when full of grit.
//
// Humid air: saturation over water by IAPWS-IF97 region 4, over ice by IAPWS R14-08; ideal mixing.
//
// # How far from the published figures
//
// The tests hold every line to its rows, which stand in them with their sources, and this table to the tests. Where
// theory and figure disagree, the test says why.
//
//	law                      | source                                                          | rows | largest difference
//	-------------------------|-----------------------------------------------------------------|------|-------------------
//	isentropic ratios        | NACA Report 1135, tables I and II                               |   55 | 4.9e-05 of rest
//	isentropic area          | the same                                                        |   18 | 6.5e-05 of A*
//	choked nozzle            | textbooks; Moss's constant of 1906                              |    6 | 0.27 %
//	nozzle, 1/16 in and up   | handbook orifice table (Moss, 0.3 % low)                        |  225 | 0.72 %
//	nozzle, 1/64 and 1/32 in | the same, printed to 2 and 3 digits                             |   50 | 1.1 %
//	sharp-edged leak         | leak tables after US DOE, coefficients of Leak, RoundedEntrance |   15 | 4.5 %
//	laden nozzle, air        | trade handbook, 6 nozzles and number 2                          |   49 | 8.3 %
//	laden nozzle, abrasive   | the same, at its mean loading of 1.32                           |   49 | 8.6 %
//	laden nozzle, air again  | Surface Finishing Guidebook 2011-12                             |   41 | 8.3 %
//	nozzle wear              | areas; steps of the trade handbook (two series)                 |   17 | 7.5 %
//	ISO 6358 flow            | course text on ISO 6358-1:2013                                  |   27 | 1 %
//	ISO 6358 valve data      | the same, rough rules for Cv, Kv, Qn                            |    3 | 1.8 %
//	restrictions in series   | the same, rule 1/C^2 = sum 1/C_i^2                              |    2 | 7.4 %
//	friction, Colebrook      | Colebrook-White by another program                              |   12 | 0.0033 %
//	friction, Haaland        | Haaland by another program                                      |   12 | 0.0021 %
//	Haaland for Colebrook    | one law for the other, Re 1e4 to 1e6                            |   12 | 1.3 %
//	pipe, inlet density      | Crane TP-410, appendix B, at inlet density                      |   26 | 1.4 %
//	pipe, compressible       | the same; the air expands, which it neglects                    |   26 | 6.2 %
//	pipe, another program    | both ways by another program                                    |   52 | 0.12 %
//	pipe, worked examples    | Crane TP-410, Y charts count exit loss                          |    3 | 6.3 %
//	pipe, trade chart        | trade chart, 1 inch Schedule 40                                 |   16 | 7.1 %
//	hose, loss over 2 psi    | handbook hose table, from memory                                |    9 | 14 %
//	hose, loss under 2 psi   | the same, grows as flow to the 2.24                             |    8 | 0.38 psi
//	hose, other points       | two pages; hose must be calibrated                              |    5 | 32 %
//	blowdown, published      | Balmer 16.8; White 3.27; course text                            |   10 | 0.77 %
//	blowdown, closed forms   | closed forms by another program                                 |   20 | 0.0083 %
//	charge                   | course text on ISO 6358                                         |    2 | 0.29 %
//	settling                 | the same; rebound by hand                                       |    5 | 0.055 %
//	pressure decay           | NAVFAC MO-206; 40 CFR 1065.644                                  |    8 | 0.077 %
//	saturation, IF97         | python3-iapws; IAPWS R7-97, tables 35, 36                       |   40 | 1.8e-07 %
//	saturation, printed      | Hyland-Wexler, Magnus (WMO), course text                        |   69 | 2.4 %
//	humid air                | npm psychrolib 1.1.1 (ASHRAE)                                   |  450 | 0.028 %
//	dew point                | the same; course text, whole degrees                            |   52 | 0.3 K
//	condensate               | course text; CAGI handbook; trade rules                         |   36 | 6 %
//	reference states         | tables of free air; ANR by convention                           |   12 | 0.29 %
package airflow
