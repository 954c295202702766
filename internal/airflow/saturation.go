package airflow

import (
	"math"

	"gritwatch/protocol/si"
)

// The triple point of water.
const (
	triplePressure                     = 611.657 // Pa
	TripleTemperature   si.Temperature = 273.16
	criticalTemperature                = 647.096 // K
	criticalPressure                   = 22.064e6
)

// Limits of the saturation laws. Over water they reach to supercooled drops, see SaturationOverWater.
const (
	coldestWater = 223.15 // K
	coldestIce   = 50.0
)

// SaturationOverWater is the pressure of water vapour in equilibrium with liquid water, from 223.15 to 647.096 K, by
// equation 30 of IAPWS-IF97 (R7-97(2012), region 4, which holds from 273.15 K). Below that it is carried on: there no
// table of IAPWS holds, and it lies within 1 % of Magnus's formula over water as the WMO gives it, down to 233 K.
func SaturationOverWater(t si.Temperature) (si.AbsPressure, error) {
	if !(t >= coldestWater && t <= criticalTemperature) {
		return 0, &DomainError{"temperature", float64(t), "from 223.15 to 647.096 K"}
	}
	return si.AbsPressure(overWater(float64(t))), nil
}

func overWater(tK float64) float64 {
	v := tK - 0.23855557567849/(tK-650.17534844798)
	a := float64(v*v) + float64(1167.0521452767*v) - 724213.16703206
	b := float64(-17.073846940092*v*v) + float64(12020.824702470*v) - 3232555.0322333
	c := float64(14.915108613530*v*v) - float64(4823.2657361591*v) + 405113.40542057
	q := 2 * c / (-b + math.Sqrt(float64(b*b)-float64(4*a*c)))
	return 1e6 * q * q * q * q
}

// boils is the temperature at which water's saturation pressure is p, by equation 31 of IAPWS-IF97, the exact inverse.
func boils(pPa float64) float64 {
	b := math.Sqrt(math.Sqrt(pPa / 1e6))
	e := float64(b*b) - float64(17.073846940092*b) + 14.915108613530
	f := float64(1167.0521452767*b*b) + float64(12020.824702470*b) - 4823.2657361591
	g := float64(-724213.16703206*b*b) - float64(3232555.0322333*b) + 405113.40542057
	d := 2 * g / (-f - math.Sqrt(float64(f*f)-float64(4*e*g)))
	s := 650.17534844798 + d
	return (s - math.Sqrt(float64(s*s)-float64(4*(-0.23855557567849+float64(650.17534844798*d))))) / 2
}

// SaturationOverIce is the pressure of water vapour in equilibrium with ice, from 50 to 273.16 K, by the sublimation
// equation of IAPWS R14-08(2011).
func SaturationOverIce(t si.Temperature) (si.AbsPressure, error) {
	if !(t >= coldestIce && t <= TripleTemperature) {
		return 0, &DomainError{"temperature", float64(t), "from 50 to 273.16 K"}
	}
	p, _ := overIce(float64(t))
	return si.AbsPressure(p), nil
}

// overIce is the saturation pressure, and the slope of its logarithm, 1/K.
func overIce(tK float64) (pPa, slope float64) {
	theta := tK / float64(TripleTemperature)
	ln := math.Log(theta)
	sum, rise := 0.0, 0.0
	for _, k := range [...][2]float64{{-21.2144006, 0.00333333333}, {27.3203819, 1.20666667}, {-6.10598130, 1.70333333}} {
		v := float64(k[0] * math.Exp(k[1]*ln))
		sum += v
		rise += float64(v * k[1])
	}
	return triplePressure * math.Exp(sum/theta), (rise - sum) / (theta * tK)
}

// Saturation is SaturationOverWater from the triple point up, and SaturationOverIce below it.
func Saturation(t si.Temperature) (si.AbsPressure, error) {
	if t < TripleTemperature {
		return SaturationOverIce(t)
	}
	return SaturationOverWater(t)
}

// DewPoint is the temperature at which vapour of this partial pressure begins to condense: the inverse of Saturation,
// so that it is a frost point below the triple point. From 1e-6 Pa to the critical pressure.
func DewPoint(vapour si.AbsPressure) (si.Temperature, error) {
	p := float64(vapour)
	if !(p >= 1e-6 && p <= criticalPressure) {
		return 0, &DomainError{"partial pressure of vapour", p, "from 1e-6 Pa to the critical pressure of 22.064 MPa"}
	}
	if p >= triplePressure {
		return si.Temperature(boils(p)), nil
	}
	// ln p is nearly straight in 1/T: Newton's method in 1/T.
	inv := 1 / float64(TripleTemperature)
	for range 20 {
		t := 1 / inv
		at, slope := overIce(t)
		d := math.Log(at/p) / (slope * t * t)
		inv += d
		if !(math.Abs(d) > 1e-15*inv) {
			break
		}
	}
	return si.Temperature(1 / inv), nil
}
