// Package airflow holds published laws of air: isentropic flow through a nozzle, the flow characteristic of
// ISO 6358-1, and how long a vessel takes to blow down through either.
//
// Air is an ideal gas of constant ratio of specific heats 1.4 and gas constant 287.05 J/(kg K). All pressures are
// absolute. The package is pure: no clock, no I/O, and no allocation but for errors. What lies outside a law's domain
// gives a *DomainError, never NaN or infinity.
//
// # Sources
//
// Isentropic relations and the choked flow: NACA Report 1135 (1953), equations of one-dimensional isentropic flow,
// tables I and II for gamma 1.4. Mass flow through an area A of coefficient c, upstream p1 and T1, downstream p2:
//
//	choked, p2/p1 <= 0.5283:  c A p1 sqrt(gamma/(R T1)) (2/(gamma+1))^((gamma+1)/(2(gamma-1)))
//	subsonic, r = p2/p1:      c A p1 sqrt(2 gamma/((gamma-1) R T1) (r^(2/gamma) - r^((gamma+1)/gamma)))
//
// Restriction: ISO 6358-1:2013, sonic conductance C, critical ratio b, subsonic index m:
//
//	choked, p2/p1 <= b:  rho0 C p1 sqrt(T0/T1)
//	subsonic:            rho0 C p1 sqrt(T0/T1) (1 - ((p2/p1 - b)/(1 - b))^2)^m
//
// Blowdown of a vessel of volume V. Choked, isothermal and adiabatic (Bar-Meir, Fundamentals of Compressible Fluid
// Mechanics, chapter 11), tau = V p/(R T mdot), which is constant while choked and isothermal:
//
//	isothermal  tau ln(p1/p2)        adiabatic  5 tau ((p1/p2)^(1/7) - 1)
//
// Subsonic through the ideal nozzle from p down to the ambient pa, with y = sqrt((p/pa)^(2/7) - 1), s = sqrt(1 + y^2)
// (own integration of the laws above for gamma 1.4, checked against quadrature):
//
//	isothermal  V/(A sqrt(R T)) sqrt 7 (y + 2 y^3/3 + y^5/5)
//	adiabatic   V/(1.4 A sqrt(R Tf)) sqrt 7 (y s^3/4 + 3/8 (y s + asinh y)),  Tf the temperature on reaching pa
//
// The tail through an ISO 6358 restriction is integrated numerically, after a substitution that takes the
// singularity at equal pressures away. A vessel in truth lies between the two: adiabatic at first, isothermal late.
package airflow
