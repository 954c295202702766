package si_test

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/si"
	"pgregory.net/rapid"
)

// float makes the parsers alike.
func float[T ~float64](parse func(string) (T, error)) func(string) (float64, error) {
	return func(s string) (float64, error) {
		v, err := parse(s)
		return float64(v), err
	}
}

// parsers are the single quantities, with a text that each reads.
var parsers = map[string]struct {
	parse func(string) (float64, error)
	good  string
}{
	"gauge":       {float(si.ParseGaugePressure), "150 psi"},
	"abs":         {float(si.ParseAbsPressure), "1013 mbar"},
	"drop":        {float(si.ParsePressureDrop), "0.25 psi"},
	"length":      {float(si.ParseLength), "7/16 in"},
	"volume":      {float(si.ParseVolume), "6.5 ft3"},
	"mass":        {float(si.ParseMass), "50 lb"},
	"density":     {float(si.ParseDensity), "100 lb/ft3"},
	"ratio":       {float(si.ParseRatio), "0.2 %"},
	"temperature": {float(si.ParseTemperature), "20 C"},
	"duration": {func(s string) (float64, error) {
		d, err := si.ParseDuration(s)
		return d.Seconds(), err
	}, "8 s"},
}

// Wanted figures by the exact definitions: inch 25.4 mm and pound 0.45359237 kg (international yard and pound
// agreement, 1959), standard gravity 9.80665 m/s2 (1901), litre 1e-3 m3 (1964), 0 C = 273.15 K.
func TestParse(t *testing.T) {
	for _, tt := range []struct {
		parser, text string
		want         float64
	}{
		{"gauge", "150 psi", 1034213.5939752},
		{"gauge", "150psi", 1034213.5939752},
		{"gauge", "  150   psi  ", 1034213.5939752},
		{"gauge", "1.2 bar", 120000},
		{"gauge", "-0.5 kPa", -500},
		{"gauge", "- 0.5 kPa", -500},
		{"gauge", "0.7 MPa", 700000},
		{"gauge", "12 mbar", 1200},
		{"gauge", "12 hPa", 1200},
		{"gauge", "7000 Pa", 7000},
		{"gauge", ".5 bar", 50000},
		{"gauge", "5. bar", 500000},
		{"gauge", "0 bar", 0},
		{"gauge", "150\u00a0psi", 1034213.5939752}, // a no-break space, as editors put between number and unit
		{"abs", "1013 mbar", 101300},
		{"abs", "14.7 psi", 101352.9322095696},
		{"drop", "1/4 psi", 1723.689323292},
		{"length", "7/16 in", 0.0111125},
		{"length", "1-1/4 in", 0.03175},
		{"length", "1 1/4 in", 0.03175},
		{"length", "1  1/4 in", 0.03175},
		{"length", "-1-1/4 in", -0.03175},
		{"length", "1.25in", 0.03175},
		{"length", "5/4 in", 0.03175},
		{"length", "50 ft", 15.24},
		{"length", "12 m", 12},
		{"length", "31.75 mm", 0.03175},
		{"length", "3.175 cm", 0.03175},
		{"volume", "6.5 ft3", 0.184059502848},
		{"volume", "6.5ft3", 0.184059502848},
		{"volume", "184 L", 0.184},
		{"volume", "184 l", 0.184},
		{"volume", "0.184 m3", 0.184},
		{"volume", "3 m3", 3},
		{"mass", "50 lb", 22.6796185},
		{"mass", "1.5 t", 1500},
		{"mass", "250 g", 0.25},
		{"mass", "25 kg", 25},
		{"density", "100 lb/ft3", 1601.846337396},
		{"density", "1600 kg/m3", 1600},
		{"density", "1.6 kg/L", 1600},
		{"ratio", "0.2 %", 0.002},
		{"ratio", "25%", 0.25},
		{"temperature", "20 C", 293.15},
		{"temperature", "-40 C", 233.15},
		{"temperature", "-40 F", 233.15},
		{"temperature", "68 F", 293.15},
		{"temperature", "293.15 K", 293.15},
		{"duration", "100ms", 0.1},
		{"duration", "8 s", 8},
		{"duration", "2 min", 120},
		{"duration", "1.5 h", 5400},
	} {
		got, err := parsers[tt.parser].parse(tt.text)
		if err != nil || math.Abs(got-tt.want) > 2e-12*math.Abs(tt.want) {
			t.Errorf("%s %q = %.16g, %v; want %.16g", tt.parser, tt.text, got, err, tt.want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, tt := range []struct{ parser, text, why string }{
		{"gauge", "", "has no number"},
		{"gauge", "psi", "has no number"},
		{"gauge", "150", "has no unit"},
		{"gauge", "1..5", "has no unit"},
		{"gauge", "150 PSI", "which is not known here"},
		{"gauge", "150 psig", "which is not known here"},
		{"gauge", "150 ft", "which is not known here"},
		{"gauge", "1,5 bar", `has "1,5" where a number should be`},
		{"gauge", "1.2.3 bar", "where a number should be"},
		{"gauge", "1..5 bar", "where a number should be"},
		{"gauge", "1e3 Pa", "which is not known here"},
		{"gauge", "0x10 Pa", "where a number should be"},
		{"gauge", "1_000 Pa", "where a number should be"},
		{"gauge", "+5 psi", "where a number should be"},
		{"gauge", "--5 psi", "where a number should be"},
		{"gauge", "\u22125 psi", "where a number should be"}, // a typographic minus
		{"gauge", "NaN psi", "has no number"},
		{"gauge", "inf bar", "has no number"},
		{"gauge", "5 psi 3", "has no unit"},
		{"gauge", "٣ psi", "has no number"}, // an Arabic three
		{"gauge", strings.Repeat("9", 305) + " MPa", "is larger than any number here"},
		{"gauge", strings.Repeat("9", 400) + " Pa", "where a number should be"},
		{"abs", "0 bar", "is not above zero"},
		{"abs", "-1 bar", "is not above zero"},
		{"length", "7/0 in", "where a number should be"},
		{"length", "7/ in", "which is not known here"},
		{"length", "/16 in", "where a number should be"},
		{"length", "7/16/2 in", "where a number should be"},
		{"length", "1.5 1/2 in", "where a number should be"},
		{"length", "0.5/2 in", "where a number should be"},
		{"length", "1-5/4 in", "where a number should be"},
		{"length", "1 - 1/4 in", "where a number should be"},
		{"length", "1-1-1/4 in", "where a number should be"},
		{"volume", "6.5 ft", "which is not known here"},
		{"ratio", "0.002", "has no unit"},
		{"temperature", "20", "has no unit"},
		{"temperature", "-274 C", "is not above absolute zero"},
		{"temperature", "0 K", "is not above absolute zero"},
		{"duration", "0 s", "is not a length of time above zero"},
		{"duration", "-1 s", "is not a length of time above zero"},
		{"duration", "0.0000000001 s", "is not a length of time above zero"},
		{"duration", "10000000000 s", "under 31 years"},
		{"duration", "5 m", "which is not known here"},
	} {
		got, err := parsers[tt.parser].parse(tt.text)
		var ue *si.UnitError
		if !errors.As(err, &ue) || !strings.Contains(ue.Why, tt.why) {
			t.Errorf("%s %q = %v, %v; want an error that it %s", tt.parser, tt.text, got, err, tt.why)
			continue
		}
		if ue.Text != tt.text && !strings.Contains(tt.text, ue.Text) {
			t.Errorf("%s %q: the error names %q", tt.parser, tt.text, ue.Text)
		}
		if !strings.Contains(ue.Hint, "write for example "+parsers[tt.parser].good) && tt.parser != "abs" && tt.parser != "drop" {
			t.Errorf("%s %q: hint %q", tt.parser, tt.text, ue.Hint)
		}
	}
}

func TestUnitErrorReadsWell(t *testing.T) {
	_, err := si.ParseGaugePressure("150")
	want := `"150" is not a pressure: it has no unit; write for example 150 psi; units: MPa, Pa, bar, hPa, kPa, mbar, psi`
	if err == nil || err.Error() != want {
		t.Errorf("got %v", err)
	}
}

// Every quantity's own hint must be readable by its own parser.
func TestHintsAreGood(t *testing.T) {
	for name, p := range parsers {
		if _, err := p.parse(p.good); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		_, err := p.parse("")
		var ue *si.UnitError
		if !errors.As(err, &ue) {
			t.Fatalf("%s: %v", name, err)
		}
		example, units, _ := strings.Cut(strings.TrimPrefix(ue.Hint, "write for example "), "; units: ")
		if _, err := p.parse(example); err != nil {
			t.Errorf("%s hints at %q: %v", name, example, err)
		}
		for u := range strings.SplitSeq(units, ", ") {
			if _, err := p.parse("300 " + u); err != nil {
				t.Errorf("%s hints at the unit %s: %v", name, u, err)
			}
		}
	}
}

func TestParseRange(t *testing.T) {
	for _, tt := range []struct {
		text   string
		lo, hi float64 // Pa
	}{
		{"0..200 psi", 0, 1378951.4586336},
		{"0 .. 200 psi", 0, 1378951.4586336},
		{"-14.5..0 psi", -99973.980750936, 0},
		{"-1..10 bar", -1e5, 1e6},
		{"0 bar..1 MPa", 0, 1e6},
		{"0.5..1.5 bar", 5e4, 1.5e5},
	} {
		lo, hi, err := si.ParseGaugeRange(tt.text)
		if err != nil || math.Abs(float64(lo)-tt.lo) > 1e-6 || math.Abs(float64(hi)-tt.hi) > 1e-6 {
			t.Errorf("%q = %v, %v, %v", tt.text, float64(lo), float64(hi), err)
		}
	}
	if lo, hi, err := si.ParseCurrentRange("4..20 mA"); err != nil || math.Abs(float64(lo)-0.004) > 1e-15 || math.Abs(float64(hi)-0.02) > 1e-15 {
		t.Errorf("4..20 mA = %v, %v, %v", lo, hi, err)
	}
	for _, text := range []string{"", "..", "200 psi", "0..200", "0-200 psi", "200..0 psi", "5..5 psi", "0...200 psi", "0....200 psi", "0..200..300 psi",
		"..200 psi", "0.. psi", "x..200 psi", "0..200 ft", "0 ft..200 psi"} {
		var ue *si.UnitError
		if lo, hi, err := si.ParseGaugeRange(text); !errors.As(err, &ue) || lo != 0 || hi != 0 {
			t.Errorf("%q = %v, %v, %v", text, lo, hi, err)
		}
	}
}

// Any decimal text of a pressure comes back as the number it is, times its unit.
func TestParseRoundTrip(t *testing.T) {
	units := map[string]float64{"psi": 6894.757293168, "bar": 1e5, "kPa": 1e3, "Pa": 1}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e9, 1e9).Draw(t, "value")
		u := rapid.SampledFrom([]string{"psi", "bar", "kPa", "Pa"}).Draw(t, "unit")
		text := strconv.FormatFloat(v, 'f', -1, 64) + rapid.SampledFrom([]string{"", " ", "  "}).Draw(t, "gap") + u
		got, err := si.ParseGaugePressure(text)
		if want := v * units[u]; err != nil || math.Abs(float64(got)-want) > 1e-13*math.Abs(want) {
			t.Errorf("%q = %v, %v; want %v", text, float64(got), err, want)
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		whole, den := rapid.IntRange(0, 99).Draw(t, "whole"), rapid.IntRange(2, 64).Draw(t, "den")
		num := rapid.IntRange(1, den-1).Draw(t, "num")
		text := strconv.Itoa(whole) + rapid.SampledFrom([]string{" ", "-"}).Draw(t, "gap") + strconv.Itoa(num) + "/" + strconv.Itoa(den) + " in"
		got, err := si.ParseLength(text)
		if want := (float64(whole) + float64(num)/float64(den)) * 0.0254; err != nil || math.Abs(float64(got)-want) > 1e-14*want {
			t.Errorf("%q = %v, %v; want %v", text, float64(got), err, want)
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		ms := rapid.IntRange(1, 1e9).Draw(t, "ms")
		if got, err := si.ParseDuration(strconv.Itoa(ms) + "ms"); err != nil || got != time.Duration(ms)*time.Millisecond {
			t.Errorf("%d ms = %v, %v", ms, got, err)
		}
	})
}

// FuzzParse: no text makes a parser panic; what it takes is finite, has a digit, and ends in a unit.
func FuzzParse(f *testing.F) {
	for _, p := range parsers {
		f.Add(p.good)
	}
	for _, s := range []string{"", "-", "1-1/4 in", "0..200 psi", "0...2 psi", "1e999 Pa", "-.", "/", "9 %", "\xff psi", "5\x00psi", "3 ft3ft3", "1//2 in"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		check := func(name string, v float64, err error) {
			var ue *si.UnitError
			switch {
			case err != nil && !errors.As(err, &ue):
				t.Errorf("%s %q: %T", name, text, err)
			case err == nil && (math.IsNaN(v) || math.IsInf(v, 0)):
				t.Errorf("%s %q = %v", name, text, v)
			case err == nil && !strings.ContainsAny(text, "0123456789"):
				t.Errorf("%s %q = %v out of nothing", name, text, v)
			case err == nil && strings.ContainsAny(text[len(text)-1:], "0123456789.") && !strings.HasSuffix(strings.TrimSpace(text), "3"):
				t.Errorf("%s %q = %v without a unit", name, text, v)
			}
		}
		for name, p := range parsers {
			v, err := p.parse(text)
			check(name, v, err)
		}
		lo, hi, err := si.ParseGaugeRange(text)
		check("range", float64(lo), err)
		if err == nil && !(lo < hi) {
			t.Errorf("range %q = %v, %v", text, lo, hi)
		}
	})
}
