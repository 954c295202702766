package airflow

import (
	"math"

	"gritwatch/protocol/si"
)

// HandbookSlowing is the k of phi = 1/sqrt(1 + k mu) that fits the trade handbook's table of nozzle air and abrasive
// consumption (common practice; nozzles of 3/16 to 1/2 inch, 50 to 125 psig) with a discharge coefficient of 1 and
// air at 68 F: 0.39 within 0.1.
//
// The table hardly varies in loading, 1.26 to 1.38 kg of abrasive a kg of air, so it fixes one number, the flow of
// 0.81 (within 0.05 for any cell) of that of air alone near a loading of 1.3. The k, and the form of the law, are an
// extrapolation elsewhere; k also holds whatever coefficient and temperature the unknown rig had. Where a nozzle can
// be measured, calibrate coefficient times phi as one number.
const HandbookSlowing = 0.39

// Slowing is the share of the air flow that is left when a nozzle also passes mu kg of abrasive a kg of air:
// 1/sqrt(1 + k mu). With k 0 the abrasive takes nothing; with k 1 it would be dust that moves with the air.
func Slowing(k float64, mu si.Ratio) (si.Ratio, error) {
	if err := notNegative("slowing constant k", k); err != nil {
		return 0, err
	}
	if err := notNegative("loading", float64(mu)); err != nil {
		return 0, err
	}
	return si.Ratio(1 / math.Sqrt(1+float64(k*float64(mu)))), nil
}

// LoadingOf is the loading at which Slowing is phi, above 0 up to 1; k is above 0.
func LoadingOf(k float64, phi si.Ratio) (si.Ratio, error) {
	if err := positive("slowing constant k", k); err != nil {
		return 0, err
	}
	if !(phi > 0 && phi <= 1) {
		return 0, &DomainError{"share of the air flow", float64(phi), "above 0 and at most 1"}
	}
	p := float64(phi)
	mu := (1 - p) * (1 + p) / (p * p) / k
	if math.IsInf(mu, 0) {
		return 0, &DomainError{"share of the air flow", p, "large enough for a finite loading"}
	}
	return si.Ratio(mu), nil
}

// LadenFlow is the flow of air alone through the nozzle that also passes mu kg of abrasive a kg of air. The flow of
// abrasive is mu times it.
func (n Nozzle) LadenFlow(up, down si.AbsPressure, t si.Temperature, k float64, mu si.Ratio) (si.MassFlow, error) {
	phi, err := Slowing(k, mu)
	if err != nil {
		return 0, err
	}
	m, err := n.MassFlow(up, down, t)
	if err != nil {
		return 0, err
	}
	return m * si.MassFlow(phi), nil
}
