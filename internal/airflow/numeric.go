package airflow

import "math"

// root is where f, rising, passes zero between lo and hi: by false position with the Illinois rule, and a bisection
// in every fourth step. It ends when |f| is at most small.
func root(f func(float64) float64, lo, hi, small float64) float64 {
	flo, fhi := f(lo), f(hi)
	switch {
	case flo >= -small:
		return lo
	case fhi <= small:
		return hi
	}
	side := 0
	x := lo
	for i := range 200 {
		x = hi - float64(fhi*(hi-lo)/(fhi-flo))
		if i%4 == 3 || !(x > lo && x < hi) {
			x = lo + (hi-lo)/2
			if !(x > lo && x < hi) {
				return x
			}
		}
		v := f(x)
		switch {
		case math.Abs(v) <= small:
			return x
		case v < 0:
			lo, flo = x, v
			if side < 0 {
				fhi /= 2
			}
			side = -1
		default:
			hi, fhi = x, v
			if side > 0 {
				flo /= 2
			}
			side = 1
		}
	}
	return x
}

// integral of f from lo to hi by the tanh-sinh rule (Takahasi and Mori, 1974), which does not mind a root or another
// power at either end. 57 points give twelve digits of the integrals here.
func integral(f func(float64) float64, lo, hi float64) float64 {
	const (
		step = 0.125
		side = 28
	)
	half := (hi - lo) / 2
	sum := float64(math.Pi / 2 * f(lo+half))
	for i := 1; i <= side; i++ {
		e := math.Exp(step * float64(i))
		// x = tanh(pi/2 sinh t); q is exp(-pi sinh t), 1 - x is 2q/(1+q), the derivative is pi/2 cosh t 4q/(1+q)^2.
		q := math.Exp(-math.Pi / 2 * (e - 1/e))
		d := float64(half * (2 * q / (1 + q)))
		w := math.Pi * (e + 1/e) * q / ((1 + q) * (1 + q))
		sum += float64(w * (f(lo+d) + f(hi-d)))
	}
	return sum * half * step
}
