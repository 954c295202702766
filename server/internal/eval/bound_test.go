package eval_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// surety is how sure the bounds are. All are one-sided.
const surety = 0.95

// upper is the bound under which a share lies of which k of n were seen: the rule of three where none was, else that of
// Clopper and Pearson, which is a quantile of a beta distribution.
func upper(k, n int) float64 {
	switch {
	case n == 0 || k >= n:
		return 1
	case k == 0:
		return min(1, 3/float64(n))
	}
	return distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(surety)
}

// bound is upper in words.
func bound(k, n int) string {
	if n == 0 {
		return "none looked at"
	}
	return fmt.Sprintf("share under %.2g", upper(k, n))
}

// quantile is a quantile of what was measured; 0 where nothing was. It sorts d.
func quantile[T ~int64 | ~float64](d []T, q float64) T {
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[min(len(d)-1, int(q*float64(len(d))))]
}

// quantileUnder is a bound under which a quantile of whatever d was drawn from lies, whatever its distribution: the
// smallest of the measured that at least one binomial share of surety says lies over it. ok is false where too few were
// measured for any. It sorts d.
func quantileUnder[T ~int64 | ~float64](d []T, q float64) (over T, ok bool) {
	n := len(d)
	slices.Sort(d)
	below := distuv.Binomial{N: float64(n), P: q}
	for r := 1; r <= n; r++ {
		// d[r-1] is over the quantile unless r or more of the n lie under it.
		if below.CDF(float64(r-1)) >= surety {
			return d[r-1], true
		}
	}
	return over, false
}

// p95Under is quantileUnder of a time's p95, in words.
func p95Under(d []time.Duration) string {
	over, ok := quantileUnder(d, 0.95)
	if !ok {
		return fmt.Sprintf("p95: none from %d, it takes 59", len(d))
	}
	return fmt.Sprintf("p95 under %.1f s", over.Seconds())
}

// A part is what was given of what was due.
type part struct{ given, due int }

// shareOver is the share of all that was given, and a bound over which it lies. What belongs to one pot goes together, so
// each part of a pot counts as one observation of a ratio (linearised; Student's t for as many pots).
func shareOver(parts []part) (share, bound float64) {
	var given, due float64
	n := 0
	for _, p := range parts {
		if p.due > 0 {
			given, due, n = given+float64(p.given), due+float64(p.due), n+1
		}
	}
	if n < 2 {
		return given / max(1, due), 0
	}
	share = given / due
	squares := 0.0
	for _, p := range parts {
		off := float64(p.given) - share*float64(p.due)
		squares += off * off
	}
	deviation := math.Sqrt(squares*float64(n)/float64(n-1)) / due
	return share, share - distuv.StudentsT{Sigma: 1, Nu: float64(n - 1)}.Quantile(surety)*deviation
}

// atMost is the probability of k or fewer of n, summed from the definition of the binomial distribution.
func atMost(k, n int, p float64) (sum float64) {
	term := math.Pow(1-p, float64(n))
	for i := 0; i <= k; i++ {
		sum += term
		term *= float64(n-i) / float64(i+1) * p / (1 - p)
	}
	return sum
}

// By its definition the bound of Clopper and Pearson (Biometrika 26, 1934) is the share at which so few would be seen in
// one of twenty. Hanley and Lippman-Hand (JAMA 249, 1983) have the rule of three: 3/n where none of n was seen. Wilks
// (Annals of Mathematical Statistics 12, 1941): of 59 measured the largest is over the p95 with 95 %, of 58 it is not.
func TestBounds(t *testing.T) {
	for _, c := range []struct{ k, n int }{{1, 10}, {3, 10}, {9, 10}, {1, 10_000}, {37, 400}} {
		if p := atMost(c.k, c.n, upper(c.k, c.n)); math.Abs(p-0.05) > 1e-6 {
			t.Errorf("%d of %d: so few with %v at the bound %v", c.k, c.n, p, upper(c.k, c.n))
		}
	}
	if u := upper(0, 10_000); u != 3e-4 {
		t.Errorf("none of 10000: %v", u)
	}
	if upper(0, 0) != 1 || upper(4, 4) != 1 || upper(0, 2) != 1 {
		t.Error("a bound without ground")
	}
	count := func(n int) (d []time.Duration) {
		for i := range n {
			d = append(d, time.Duration(n-i))
		}
		return d
	}
	if over, ok := quantileUnder(count(59), 0.95); !ok || over != 59 {
		t.Errorf("of 59: %d, %v", over, ok)
	}
	if over, ok := quantileUnder(count(58), 0.95); ok {
		t.Errorf("of 58: %d", over)
	}
	// Of 93 measured the largest but one is over the p95 (Wilks again, second order).
	if over, ok := quantileUnder(count(93), 0.95); !ok || over != 92 {
		t.Errorf("of 93: %d, %v", over, ok)
	}
	if q := quantile(count(100), 0.95); q != 96 {
		t.Errorf("p95 of 1 to 100: %d", q)
	}
	// Pots of one size: the mean of their shares and Student's t of it, 2.015 for five degrees of freedom (the usual table).
	share, over := shareOver([]part{{90, 100}, {100, 100}, {95, 100}, {85, 100}, {100, 100}, {100, 100}, {0, 0}})
	if want := 0.95 - 2.015*0.0632456/math.Sqrt(6); math.Abs(share-0.95) > 1e-9 || math.Abs(over-want) > 1e-4 {
		t.Errorf("share %v over %v, want over %v", share, over, want)
	}
	if _, over := shareOver([]part{{1, 1}}); over != 0 {
		t.Errorf("a bound of one pot: %v", over)
	}
}
