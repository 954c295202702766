package level

import (
	"math"

	"gritwatch/internal/statecodec"
)

// The filter's state. Shares are of capacity; the times of a sounder are counted in the first one that it gave.
const (
	iShare = iota // of capacity
	iFlow         // ln of the metering flow over what the formula gives
	iVent         // vent time of the empty vessel
	iVentA        // by how much it falls from empty to full
	iBleed        // by how much a unit of loading at the release adds to it
	iFill         // time constant of filling the empty vessel
	iFillA        // by how much it falls from empty to full
	states
)

// A belief is a state and its covariance.
//
// Share, flow factor and the fall of a time from empty to full are known only as products until the pot has been seen
// empty and full. A filter that linearises them at ever new estimates takes the wander of these for information, and
// becomes sure of what nobody has measured (Huang, Mourikis and Roumeliotis, 2010, of maps and places). So all
// gradients of one fill are taken along one line: where the estimates stood when it began.
type belief struct {
	x [states]float64
	p [states][states]float64
	line
}

// A line is what gradients are taken at.
type line struct {
	share, flow float64    // share, drawn down since, and the flow factor
	falls       [2]float64 // of vent and charge from empty to full
}

// straighten begins a new line where the estimates stand.
func (b *belief) straighten() {
	b.line = line{short(b.x[iShare]), coarse(math.Exp(b.x[iFlow])), [2]float64{coarse(b.x[iVentA]), coarse(b.x[iFillA])}}
}

// fine is how finely correlations are kept.
const fine = 16000

// settle keeps the covariance symmetric and positive, and the belief short: what is saved of it is the same bit for bit.
func (b *belief) settle() {
	var sd [states]float64
	for i := range states {
		b.x[i] = short(b.x[i])
		sd[i] = coarse(math.Sqrt(max(b.p[i][i], 1e-12)))
	}
	for i := range states {
		for j := range i {
			r := (b.p[i][j] + b.p[j][i]) / 2 / float64(sd[i]*sd[j])
			b.correlate(i, j, &sd, int(math.Round(max(-0.9999, min(0.9999, r))*fine)))
		}
		b.p[i][i] = float64(sd[i] * sd[i])
	}
}

func (b *belief) correlate(i, j int, sd *[states]float64, r int) {
	v := float64(float64(r)/fine) * float64(sd[i]*sd[j])
	b.p[i][j], b.p[j][i] = v, v
}

// short is x in single precision, which a saved state takes less room for.
func short(x float64) float64 { return float64(float32(x)) }

// coarse is x to one part in four thousand, which takes less room still: for what is renewed as a whole.
func coarse(x float64) float64 {
	return float64(math.Float32frombits((math.Float32bits(float32(x)) + 1<<11) &^ (1<<12 - 1)))
}

// fields lists a settled belief.
func (b *belief) fields(c *statecodec.Codec) {
	var sd [states]float64
	for i := range states {
		statecodec.Float(c, &b.x[i])
		sd[i] = coarse(math.Sqrt(b.p[i][i]))
		statecodec.Float(c, &sd[i])
		for j := range i {
			r := int(math.Round(b.p[i][j] / float64(sd[i]*sd[j]) * fine))
			statecodec.Int(c, &r)
			b.correlate(i, j, &sd, r)
		}
		b.p[i][i] = float64(sd[i] * sd[i])
	}
	for _, v := range [...]*float64{&b.line.share, &b.line.flow, &b.falls[0], &b.falls[1]} {
		statecodec.Float(c, v)
	}
}

// forget makes a state independent of all others, with a mean and a standard deviation.
func (b *belief) forget(i int, mean, sd float64) {
	b.x[i] = mean
	for j := range states {
		b.p[i][j], b.p[j][i] = 0, 0
	}
	b.p[i][i] = float64(sd * sd)
}

// gain is H P H' and P H' of a measurement with the gradient h.
func (b *belief) gain(h *[states]float64) (hph float64, ph [states]float64) {
	for i := range states {
		for j := range states {
			ph[i] += float64(b.p[i][j] * h[j])
		}
	}
	for i := range states {
		hph += float64(h[i] * ph[i])
	}
	return hph, ph
}

// update takes a measurement that is off the expected one by d, with variance r and gradient h. It gives the square of d
// over its expected variance.
func (b *belief) update(d, r float64, h *[states]float64) (squares float64) {
	hph, ph := b.gain(h)
	s := hph + r
	for i := range states {
		b.x[i] += ph[i] * d / s
		for j := range states {
			b.p[i][j] -= float64(ph[i]*ph[j]) / s
		}
	}
	b.bound()
	return float64(d*d) / s
}

// bound keeps states where they can be.
func (b *belief) bound() {
	b.x[iShare] = max(-1, min(mostShare, b.x[iShare]))
	b.x[iVentA], b.x[iFillA] = max(0.05, b.x[iVentA]), max(0.05, b.x[iFillA])
	b.x[iFlow] = max(-2, min(2, b.x[iFlow]))
}

// notNegative takes into account that a share is never under zero: mean and variance of the part of the normal
// distribution above it, where the mean is within so many standard deviations, -above, of zero (Johnson, Kotz and Balakrishnan, Continuous Univariate Distributions 1, section 13.10).
func (b *belief) notNegative(above float64) {
	v := b.p[iShare][iShare]
	sd := math.Sqrt(v)
	a := -b.x[iShare] / sd
	if a < above {
		return
	}
	tail := math.Erfc(a/math.Sqrt2) / 2
	l := a // of the far tail
	if tail > 1e-12 {
		l = math.Exp(-a*a/2) / math.Sqrt(2*math.Pi) / tail
	}
	left := max(0.02, 1-l*(l-a))
	col := [states]float64{}
	for i := range states {
		col[i] = b.p[i][iShare] / v
	}
	for i := range states {
		b.x[i] += col[i] * sd * l
		for j := range states {
			b.p[i][j] -= float64(col[i]*col[j]) * v * (1 - left)
		}
	}
	b.bound()
}

// mix makes one belief of several by their weights, which add up to 1: the same mean and covariance, and the line of the
// weightiest.
func mix(bs []belief, w []float64) (m belief) {
	most := 0
	for k := range bs {
		if w[k] > w[most] {
			most = k
		}
	}
	m.line = bs[most].line
	for k := range bs {
		for i := range states {
			m.x[i] += w[k] * bs[k].x[i]
		}
	}
	for k := range bs {
		for i := range states {
			for j := range states {
				m.p[i][j] += w[k] * (bs[k].p[i][j] + float64((bs[k].x[i]-m.x[i])*(bs[k].x[j]-m.x[j])))
			}
		}
	}
	return m
}
