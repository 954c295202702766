package airflow

import (
	"math"

	"gritwatch/protocol/si"
)

// Parallel is the one restriction that stands for several side by side, all of one subsonic index m:
//
//	C = sum C_i     C/(1-b)^m = sum C_i/(1-b_i)^m
//
// C is right where all are choked, b is right near equal pressures (the usual rule, for m 0.5). Between, the flow is off
// by at most 6 % of the choked flow for b from 0.1 to 0.6, and not at all for equal b.
func Parallel(paths ...Restriction) (Restriction, error) {
	if err := alike(paths); err != nil {
		return Restriction{}, err
	}
	m, c, slope := paths[0].M, 0.0, 0.0
	for _, r := range paths {
		c += float64(r.C)
		slope += float64(r.C) / math.Pow(1-float64(r.B), m)
	}
	out := Restriction{C: Conductance(c), B: si.Ratio(max(0, 1-math.Pow(c/slope, 1/m))), M: m}
	return out, out.check()
}

// Series is the one restriction that stands for several in a row, the first upstream, all of one subsonic index m. Its
// C is that of the row, found from the laws of its members; its b is by the usual rule, which is right near equal
// pressures, here for any m, and 0 where the rule would go below:
//
//	(1-b)/C^(1/m) = sum (1-b_i)/C_i^(1/m)
//
// Between, the flow is off by at most 5 % of the choked flow for b from 0.1 to 0.6; Chain has no such error. The rule
// 1/C^2 = sum 1/C_i^2 for C itself is exact for m 0.5 and b 0 only: two members of C 2 and b 0.3 make 1.51, not 1.41.
func Series(row ...Restriction) (Restriction, error) {
	if err := alike(row); err != nil {
		return Restriction{}, err
	}
	m, loss := row[0].M, 0.0
	c := chain(row, 1, 0, float64(ReferenceTemperature)) / float64(ReferenceDensity)
	for _, r := range row {
		loss += float64((1 - float64(r.B)) * math.Pow(c/float64(r.C), 1/m))
	}
	out := Restriction{C: Conductance(c), B: si.Ratio(min(max(0, 1-loss), math.Nextafter(1, 0))), M: m}
	return out, out.check()
}

// Chain is the flow through restrictions in a row, the first upstream, each by its own law, whose air has the upstream
// temperature everywhere; zero where down is not below up.
func Chain(up, down si.AbsPressure, t si.Temperature, row ...Restriction) (si.MassFlow, error) {
	if err := conditions(up, down, t); err != nil {
		return 0, err
	}
	if err := several(row); err != nil {
		return 0, err
	}
	if down >= up {
		return 0, nil
	}
	return finiteFlow(chain(row, float64(up), float64(down), float64(t)))
}

func several(rs []Restriction) error {
	if len(rs) == 0 {
		return &DomainError{"number of restrictions", 0, "at least 1"}
	}
	for _, r := range rs {
		if err := r.check(); err != nil {
			return err
		}
	}
	return nil
}

func alike(rs []Restriction) error {
	if err := several(rs); err != nil {
		return err
	}
	for _, r := range rs {
		if r.M != rs[0].M {
			return &DomainError{"subsonic index", r.M, "that of the others (Chain takes restrictions that differ)"}
		}
	}
	return nil
}

// chain is the largest flow that leaves the row at down or above, kg/s, found by halving: the pressure at the end
// falls as the flow grows.
func chain(row []Restriction, upPa, downPa, tK float64) float64 {
	most := row[0].choked(upPa, tK)
	passes := func(q float64) bool {
		p := upPa
		for _, r := range row {
			share := q / r.choked(p, tK)
			if !(share <= 1) {
				return false
			}
			b := float64(r.B)
			p *= b + float64((1-b)*math.Sqrt(1-math.Pow(share, 1/r.M)))
		}
		return p >= downPa
	}
	if passes(most) {
		return most
	}
	lo, hi := 0.0, most
	for range 1100 { // 53 unless the flow is next to nothing
		mid := lo + (hi-lo)/2
		if !(mid > lo && mid < hi) {
			break
		}
		if passes(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}
