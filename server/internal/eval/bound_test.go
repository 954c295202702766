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

// perHour is a bound under which a rate lies of which k were seen in so many hours: the quantile of a gamma distribution
// that Garwood (Biometrika 28, 1936) gives for Poisson's law.
func perHour(k int, hours float64) float64 {
	if hours <= 0 {
		return math.Inf(1)
	}
	return distuv.Gamma{Alpha: float64(k + 1), Beta: 1}.Quantile(surety) / hours
}

// A mean is a sum of how many, of one pot.
type mean struct {
	sum float64
	n   int
}

func (m *mean) take(x float64) { m.sum, m.n = m.sum+x, m.n+1 }

// meanOf is the mean of all, and bounds under and over it of 95 % each, as shareOver has them.
func meanOf(parts []mean) (all, from, to float64, n int) {
	var sum, of float64
	pots := 0
	for _, p := range parts {
		if p.n > 0 {
			sum, of, n, pots = sum+p.sum, of+float64(p.n), n+p.n, pots+1
		}
	}
	all = sum / max(1, of)
	if pots < 2 {
		return all, math.Inf(-1), math.Inf(1), n
	}
	squares := 0.0
	for _, p := range parts {
		off := p.sum - all*float64(p.n)
		squares += off * off
	}
	deviation := math.Sqrt(squares*float64(pots)/float64(pots-1)) / of
	wide := distuv.StudentsT{Sigma: 1, Nu: float64(pots - 1)}.Quantile(surety) * deviation
	return all, all - wide, all + wide, n
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

// The upper limits of a count of Poisson's law with 95 % (one-sided), by Garwood's table: 3.00, 4.74, 10.51 and 16.96 of 0, 1, 5
// and 10.
func TestPerHour(t *testing.T) {
	for k, want := range map[int]float64{0: 2.996, 1: 4.744, 5: 10.513, 10: 16.962} {
		if got := 2 * perHour(k, 2); math.Abs(got-want) > 2e-3 {
			t.Errorf("%d seen: %.3f, want %.3f", k, got, want)
		}
	}
	if !math.IsInf(perHour(0, 0), 1) {
		t.Error("a bound of no time")
	}
}

// The mean of pots of one size is bounded as in shareOver, both ways.
func TestMeanOf(t *testing.T) {
	all, from, to, n := meanOf([]mean{{9, 10}, {10, 10}, {9.5, 10}, {8.5, 10}, {10, 10}, {10, 10}, {0, 0}})
	wide := 2.015 * 0.0632456 / math.Sqrt(6)
	if math.Abs(all-0.95) > 1e-9 || math.Abs(from-0.95+wide) > 1e-4 || math.Abs(to-0.95-wide) > 1e-4 || n != 60 {
		t.Errorf("%v from %v to %v of %d", all, from, to, n)
	}
	if _, _, to, _ := meanOf([]mean{{1, 1}}); !math.IsInf(to, 1) {
		t.Errorf("a bound of one pot: %v", to)
	}
}
