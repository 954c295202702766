package yamlfile

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"gritwatch/protocol/si"
)

// GaugePressure is a gauge pressure such as "150 psi".
func (m Map) GaugePressure(key string) si.GaugePressure {
	return Scalar(m, key, "150 psi", si.ParseGaugePressure)
}

// AbsPressure is an absolute pressure such as "1013 mbar".
func (m Map) AbsPressure(key string) si.AbsPressure {
	return Scalar(m, key, "1013 mbar", si.ParseAbsPressure)
}

// PressureDrop is a difference of pressures such as "0.25 psi".
func (m Map) PressureDrop(key string) si.PressureDrop {
	return Scalar(m, key, "0.25 psi", si.ParsePressureDrop)
}

// Length is a length such as "7/16 in".
func (m Map) Length(key string) si.Length { return Scalar(m, key, "1 in", si.ParseLength) }

// Volume is a volume such as "6.5 ft3".
func (m Map) Volume(key string) si.Volume { return Scalar(m, key, "6.5 ft3", si.ParseVolume) }

// Mass is a mass such as "50 lb".
func (m Map) Mass(key string) si.Mass { return Scalar(m, key, "50 lb", si.ParseMass) }

// Density is a density such as "100 lb/ft3".
func (m Map) Density(key string) si.Density { return Scalar(m, key, "100 lb/ft3", si.ParseDensity) }

// Ratio is a share such as "0.2 %".
func (m Map) Ratio(key string) si.Ratio { return Scalar(m, key, "0.2 %", si.ParseRatio) }

// Temperature is a temperature such as "20 C".
func (m Map) Temperature(key string) si.Temperature {
	return Scalar(m, key, "20 C", si.ParseTemperature)
}

// Duration is a time above zero such as "500ms" or "8 s".
func (m Map) Duration(key string) time.Duration { return Scalar(m, key, "8 s", si.ParseDuration) }

// GaugeRange is a range of gauge pressures such as "0..200 psi".
func (m Map) GaugeRange(key string) (lo, hi si.GaugePressure) {
	r := Scalar(m, key, "0..200 psi", func(s string) (r [2]si.GaugePressure, err error) {
		r[0], r[1], err = si.ParseGaugeRange(s)
		return r, err
	})
	return r[0], r[1]
}

// CurrentRange is a range of currents such as "4..20 mA".
func (m Map) CurrentRange(key string) (lo, hi si.Current) {
	r := Scalar(m, key, "4..20 mA", func(s string) (r [2]si.Current, err error) {
		r[0], r[1], err = si.ParseCurrentRange(s)
		return r, err
	})
	return r[0], r[1]
}

// Bytes is a size in bytes such as "512 MB", from lo to hi; MB and GB are powers of 1000 (IEC 80000-13).
func (m Map) Bytes(key string, lo, hi int64) int64 {
	return Scalar(m, key, "512 MB", func(s string) (int64, error) {
		digits := strings.TrimRight(s, " BGM")
		scale := map[string]float64{"MB": 1e6, "GB": 1e9}[strings.TrimSpace(s[len(digits):])]
		v, err := strconv.ParseFloat(digits, 64)
		switch {
		case err != nil || scale == 0:
			return 0, fmt.Errorf("%q is not a size; write for example 512 MB or 4 GB", s)
		case !(v*scale >= float64(lo) && v*scale <= float64(hi)):
			return 0, fmt.Errorf("%s is not from %d MB to %d GB", s, lo/1e6, hi/1e9)
		}
		return int64(math.Round(v * scale)), nil
	})
}
