package si

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
	"time"
)

// A UnitError is a quantity that could not be read: what was expected, the text, and what to write instead.
type UnitError struct {
	Want string // "a pressure", "a length"
	Text string // as found
	Why  string // "has no unit"
	Hint string // "write for example 150 psi; units: bar, kPa, MPa, mbar, Pa, psi"
}

func (e *UnitError) Error() string {
	return fmt.Sprintf("%q is not %s: it %s; %s", e.Text, e.Want, e.Why, e.Hint)
}

type dimension struct {
	want, example string
	units         map[string]float64
}

var (
	pressureDim = dimension{"a pressure", "150 psi", map[string]float64{
		"psi": PSI, "bar": Bar, "kPa": KPa, "MPa": MPa, "mbar": 100, "hPa": 100, "Pa": 1}}
	lengthDim = dimension{"a length", "7/16 in", map[string]float64{
		"in": Inch, "ft": Foot, "mm": 1e-3, "cm": 1e-2, "m": 1}}
	volumeDim = dimension{"a volume", "6.5 ft3", map[string]float64{
		"ft3": CubicFoot, "L": Litre, "l": Litre, "m3": 1}}
	massDim    = dimension{"a mass", "50 lb", map[string]float64{"lb": Pound, "kg": 1, "g": 1e-3, "t": 1000}}
	densityDim = dimension{"a density", "100 lb/ft3", map[string]float64{
		"lb/ft3": PoundPerCubicFoot, "kg/m3": 1, "kg/L": 1000}}
	currentDim = dimension{"a current", "20 mA", map[string]float64{"mA": 1e-3, "A": 1}}
	ratioDim   = dimension{"a share", "0.2 %", map[string]float64{"%": 0.01}}
	secondsDim = dimension{"a time", "8 s", map[string]float64{"ms": 1e-3, "s": 1, "min": 60, "h": 3600}}
)

func (d dimension) hint() string {
	names := make([]string, 0, len(d.units))
	for u := range d.units {
		names = append(names, u)
	}
	sort.Strings(names)
	return fmt.Sprintf("write for example %s; units: %s", d.example, strings.Join(names, ", "))
}

func (d dimension) fail(text, why string) error {
	return &UnitError{Want: d.want, Text: text, Why: why, Hint: d.hint()}
}

// split cuts "7/16 in" into "7/16" and "in".
func split(text string) (number, unit string) {
	text = strings.TrimSpace(text)
	i := len(text)
	for i > 0 {
		c := text[i-1]
		if c >= '0' && c <= '9' && !isUnitDigit(text, i-1) || c == '.' {
			break
		}
		i--
	}
	return strings.TrimSpace(text[:i]), strings.TrimSpace(text[i:])
}

// isUnitDigit tells the 3 of "ft3" from the 3 of "3 ft".
func isUnitDigit(text string, i int) bool {
	return i > 0 && (text[i-1] >= 'a' && text[i-1] <= 'z' || text[i-1] >= 'A' && text[i-1] <= 'Z')
}

// number reads "150", "7/16", "1-1/4", "1 1/4", "-3.5". It takes no exponents, hexadecimal, NaN or infinity, and no
// points inside fractions; the fraction beside a whole number must be below one.
func number(s string) (float64, bool) {
	sign := 1.0
	if rest, ok := strings.CutPrefix(s, "-"); ok {
		sign, s = -1, strings.TrimSpace(rest)
	}
	if whole, frac, ok := strings.Cut(s, "/"); ok {
		if strings.Contains(s, ".") {
			return 0, false
		}
		lead, mixed := 0.0, false
		if i := strings.LastIndexAny(whole, " -"); i >= 0 {
			v, ok := plain(strings.TrimRight(whole[:i], " "))
			if !ok {
				return 0, false
			}
			lead, mixed, whole = v, true, whole[i+1:]
		}
		num, ok1 := plain(whole)
		den, ok2 := plain(frac)
		if !ok1 || !ok2 || den == 0 || mixed && num >= den {
			return 0, false
		}
		return sign * (lead + num/den), true
	}
	v, ok := plain(s)
	return sign * v, ok
}

func plain(s string) (float64, bool) {
	if s == "" || strings.Trim(s, "0123456789.") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil && !math.IsInf(v, 0)
}

func (d dimension) parse(text string) (float64, error) {
	n, u := split(text)
	if n == "" {
		return 0, d.fail(text, "has no number")
	}
	if u == "" {
		return 0, d.fail(text, "has no unit")
	}
	f, ok := d.units[u]
	if !ok {
		return 0, d.fail(text, fmt.Sprintf("has the unit %q, which is not known here", u))
	}
	v, ok := number(n)
	if !ok {
		return 0, d.fail(text, fmt.Sprintf("has %q where a number should be", n))
	}
	if math.IsInf(v*f, 0) {
		return 0, d.fail(text, "is larger than any number here")
	}
	return v * f, nil
}

// parseRange reads "0..200 psi": one unit for both ends, the first below the second.
func (d dimension) parseRange(text string) (lo, hi float64, err error) {
	first, second, ok := strings.Cut(text, "..")
	if !ok {
		return 0, 0, d.fail(text, "has no .. between two ends")
	}
	if strings.HasPrefix(second, ".") { // 0...200 would be read as 0 to 0.200
		return 0, 0, d.fail(text, "has more than two points between its ends")
	}
	if hi, err = d.parse(second); err != nil {
		return 0, 0, err
	}
	_, u := split(second)
	if n, own := split(first); own == "" {
		first = n + " " + u
	}
	if lo, err = d.parse(first); err != nil {
		return 0, 0, err
	}
	if lo >= hi {
		return 0, 0, d.fail(text, "does not rise from its first end to its second")
	}
	return lo, hi, nil
}

// ParseGaugePressure reads a gauge pressure such as "150 psi", "1.2 bar" or "-0.5 kPa".
func ParseGaugePressure(text string) (GaugePressure, error) {
	v, err := pressureDim.parse(text)
	return GaugePressure(v), err
}

// ParseAbsPressure reads an absolute pressure such as "1013 mbar"; it must be above zero.
func ParseAbsPressure(text string) (AbsPressure, error) {
	v, err := pressureDim.parse(text)
	if err == nil && v <= 0 {
		err = pressureDim.fail(text, "is not above zero, as an absolute pressure must be")
	}
	return AbsPressure(v), err
}

// ParsePressureDrop reads a difference of pressures such as "0.25 psi".
func ParsePressureDrop(text string) (PressureDrop, error) {
	v, err := pressureDim.parse(text)
	return PressureDrop(v), err
}

// ParseGaugeRange reads a range of gauge pressures such as "0..200 psi".
func ParseGaugeRange(text string) (lo, hi GaugePressure, err error) {
	l, h, err := pressureDim.parseRange(text)
	return GaugePressure(l), GaugePressure(h), err
}

// ParseCurrentRange reads a range of currents such as "0..20 mA".
func ParseCurrentRange(text string) (lo, hi Current, err error) {
	l, h, err := currentDim.parseRange(text)
	return Current(l), Current(h), err
}

// ParseLength reads a length such as "7/16 in", "1-1/4 in", "50 ft" or "12 m".
func ParseLength(text string) (Length, error) {
	v, err := lengthDim.parse(text)
	return Length(v), err
}

// ParseVolume reads a volume such as "6.5 ft3" or "184 L".
func ParseVolume(text string) (Volume, error) {
	v, err := volumeDim.parse(text)
	return Volume(v), err
}

// ParseMass reads a mass such as "50 lb".
func ParseMass(text string) (Mass, error) {
	v, err := massDim.parse(text)
	return Mass(v), err
}

// ParseDensity reads a density such as "100 lb/ft3".
func ParseDensity(text string) (Density, error) {
	v, err := densityDim.parse(text)
	return Density(v), err
}

// ParseRatio reads a share with its percent sign, such as "0.2 %".
func ParseRatio(text string) (Ratio, error) {
	v, err := ratioDim.parse(text)
	return Ratio(v), err
}

// ParseTemperature reads a temperature such as "20 C", "68 F" or "293.15 K"; it must be above absolute zero.
func ParseTemperature(text string) (Temperature, error) {
	d := dimension{"a temperature", "20 C", map[string]float64{"C": 1, "F": 5.0 / 9, "K": 1}}
	v, err := d.parse(text)
	if err != nil {
		return 0, err
	}
	switch _, u := split(text); u {
	case "C":
		v += ZeroCelsius
	case "F":
		v += 459.67 * 5 / 9
	}
	if v <= 0 {
		return 0, d.fail(text, "is not above absolute zero")
	}
	return Temperature(v), nil
}

// ParseDuration reads a time such as "100ms", "8 s" or "2 min"; it must be above zero.
func ParseDuration(text string) (time.Duration, error) {
	v, err := secondsDim.parse(text)
	if err != nil {
		return 0, err
	}
	if v < 1e-9 || v > 1e9 {
		return 0, secondsDim.fail(text, "is not a length of time above zero and under 31 years")
	}
	return time.Duration(math.Round(v * 1e9)), nil
}
