package config_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"gritwatch/agent/internal/config"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/modbus"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// one is a file that reads nothing but a vessel by the line given.
func one(read, vessel, pot string) string {
	return `agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1"}
atmosphere: {barometer: 900 mbar}
buses:
  - port: /dev/ttyUSB0
    mode: 19200 8E1
    period: 100ms
    units:
      - unit: 21
        read:
          - {pot: alder, point: vessel, ` + read + `}
pots:
  - {name: alder, vessel: {volume: 6.5 ft3, rated: 10 bar}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, ` + pot + `points: [` + vessel + `]}
`
}

// electric is the same file with a switch for the handle.
func electric(read string) string {
	text := one("input: 7, type: int16, unit: 0.001 bar", "vessel, control", "control: electric, ")
	return strings.Replace(text, "pots:\n", "          - {pot: alder, point: control, "+read+"}\npots:\n", 1)
}

// problems is what Parse finds wrong, one line a problem.
func problems(t *testing.T, text string) string {
	t.Helper()
	_, err := config.Parse("agent.yaml", []byte(text))
	var ye *yamlfile.Error
	if err != nil && !errors.As(err, &ye) {
		t.Fatalf("%v is no *yamlfile.Error", err)
	}
	if err == nil {
		return ""
	}
	return err.Error()
}

func TestTypes(t *testing.T) {
	for _, c := range []struct {
		read     string
		fn       modbus.Function
		typ      config.Type
		low      bool
		bytesLow bool
		perUnit  float64 // Pa
	}{
		{"input: 1, type: int16, unit: 0.001 bar", 4, config.Int16, false, false, 100},
		{"input: 1, type: int16, unit: bar, scale: 0.001", 4, config.Int16, false, false, 100},
		{"input: 1, type: int16, unit: bar, scale: 1e-3", 4, config.Int16, false, false, 100},
		{"holding: 1, type: int16, bytes: low-first, unit: mbar", 3, config.Int16, false, true, 100},
		{"input: 1, type: int32, order: high-first, unit: Pa", 4, config.Int32, false, false, 1},
		{"input: 1, type: int32, order: low-first, bytes: low-first, unit: kPa, scale: 0.1", 4, config.Int32, true, true, 100},
		{"input: 1, type: float32, order: low-first, bytes: high-first, unit: kPa", 4, config.Float32, true, false, 1000},
		{"input: 1, type: float32, order: high-first, bytes: low-first, unit: kPa, scale: 100", 4, config.Float32, false, true, 1e5},
		{"input: 65534, type: int32, order: high-first, unit: 1/2 mbar", 4, config.Int32, false, false, 50},
	} {
		cfg, err := config.Parse("agent.yaml", []byte(one(c.read, "vessel", "")))
		if err != nil {
			t.Errorf("%s: %v", c.read, err)
			continue
		}
		r := cfg.Buses[0].Units[0].Read[0]
		if r.Function != c.fn || r.Type != c.typ || r.LowFirst != c.low || r.BytesLow != c.bytesLow || math.Abs(r.Scale.PerUnit/c.perUnit-1) > 1e-12 {
			t.Errorf("%s: %+v", c.read, r)
		}
	}
}

func TestSwitch(t *testing.T) {
	for _, c := range []struct {
		read    string
		fn      modbus.Function
		inverse bool
	}{
		{"discrete: 3", modbus.ReadDiscreteInputs, false},
		{"coil: 3", modbus.ReadCoils, false},
		{"coil: 3, inverse: true", modbus.ReadCoils, true},
		{"discrete: 3, inverse: false", modbus.ReadDiscreteInputs, false},
		{"discrete: 3, inverse: true", modbus.ReadDiscreteInputs, true},
	} {
		cfg, err := config.Parse("agent.yaml", []byte(electric(c.read)))
		if err != nil {
			t.Errorf("%s: %v", c.read, err)
			continue
		}
		r := cfg.Buses[0].Units[0].Read[1]
		if r.Function != c.fn || r.Type != config.Discrete || r.Address != 3 || r.Inverse != c.inverse || r.Point != points.Control {
			t.Errorf("%s: %+v", c.read, r)
		}
	}
	// A coil and a discrete input of the same number are two things, and no register is either.
	text := strings.Replace(electric("coil: 7"), "points: [vessel, control]", "points: [vessel, hose, control]", 1)
	text = strings.Replace(text, "pots:\n", "          - {pot: alder, point: hose, holding: 7, type: int16, unit: mbar}\npots:\n", 1)
	if got := problems(t, text); got != "" {
		t.Errorf("coil 7 beside registers 7: %s", got)
	}
}

func TestRegisterErrors(t *testing.T) {
	const at = "agent.yaml:12: buses[0].units[0].read[0]."
	for _, c := range []struct{ read, want string }{
		{"coil: 7", at + "coil: is for the handle of a pot with control: electric alone; read pressures with input or holding"},
		{"coil: 65536", at + `coil: "65536" is not a whole number from 0 to 65535`},
		{"input: 7, coil: 7, type: int16, unit: mbar", at + "coil: stands beside input; one point has one address"},
		{"type: int16, unit: mbar", at + "input: is missing; write input: N (function 04), holding: N (function 03) or, for a switch, discrete: N (function 02) or coil: N (function 01); N as on the wire, counted from 0"},
		{"input: 7, type: int16, inverse: true, unit: mbar", at + "inverse: is for a switch, read by discrete or coil; for a pneumatic line that works the other way write control: {inverse: true} under pots"},
		{"input: 7, type: int32, unit: mbar", at + "order: is missing; write for example order: high-first"},
		{"input: 7, type: int32, order: up, unit: mbar", at + `order: "up" is not one of the choices; choices: high-first, low-first`},
		{"input: 7, type: uint16, order: high-first, unit: mbar", at + "order: is for int32 and float32, which take two registers; take it out, or look at the type"},
		{"input: 7, type: int16, bytes: big, unit: mbar", at + `bytes: "big" is not one of the choices; choices: high-first, low-first`},
		{"input: 65535, type: int32, order: low-first, unit: mbar", at + "input: runs past the last register, 65535"},
		{"input: 7, type: int16, unit: bar, scale: 0", at + `scale: "0" is not above zero; value times scale must rise with the pressure`},
		{"input: 7, type: int16, unit: bar, scale: -0.001", at + `scale: "-0.001" is not above zero`},
		{"input: 7, type: int16, unit: bar, scale: .inf", at + `scale: ".inf" is not a number; write for example 0.01, so that value times scale is in the unit`},
		{"input: 7, type: int16, unit: bar, scale: inf", at + `scale: "inf" is not a number`},
		{"input: 7, type: int16, unit: bar, scale: nan", at + `scale: "nan" is not a number`},
		{"input: 7, type: int16, unit: bar, scale: 1e999", at + `scale: "1e999" is not a number`},
		{"input: 7, type: int16, unit: bar, scale: 0x1p-4", at + `scale: "0x1p-4" is not a number`},
		{"input: 7, type: int16, unit: bar, scale: 0.1 %", at + `scale: "0.1 %" is not a number`},
		{"input: 7, type: float32, order: low-first, unit: bar, scale: 1e-30", at + "unit: makes 1 of the value 1e-25 Pa, which no gauge has; look at unit and scale"},
		{"input: 7, type: float32, order: low-first, unit: bar, scale: 1e30", at + "unit: makes 1 of the value 1e+35 Pa, which no gauge has; look at unit and scale"},
		{"input: 7, type: int16, unit: 0.01 bar, scale: 0.1", at + "scale: stands beside a unit with a number of its own; write the number in one of the two"},
		{"input: 7, type: int16, unit: 0 bar", at + `unit: "0 bar" is not above zero`},
		{"input: 7, type: int16, scale: 0.1", at + "scale: stands without a unit; write the unit of the scaled value beside it, for example unit: psi"},
		{"input: 7, type: int16, counts: 0..27648, current: 0..20 mA, range: 0..20 bar, scale: 0.1", at + "scale: stands without a unit"},
		{"input: 7, type: float32, order: low-first, counts: 0..27648, current: 0..20 mA, range: 0..20 bar", at + "counts: are for int16, uint16 and int32; write unit for a value that is a pressure"},
		{"input: 7, type: int32, order: low-first, counts: 0..2147483648, current: 0..20 mA, range: 0..20 bar", at + "counts: are not from -2147483648 to 2147483647, as int32 has them"},
		{"input: 7, type: int32, order: low-first, counts: -2147483648..2147483647, current: 4..20 mA, range: 0..20 bar", at + "current: is a dead-zero input: int32 shows no current at or under 3.6 mA"},
		{"input: 7, type: int16, counts: -32768..32767, current: 4..20 mA, range: 0..20 bar", at + "current: is a dead-zero input: int16 shows no current at or under 3.6 mA"},
		{"input: 7, type: uint16, unit: mbar", at + "type: is a dead-zero input: uint16 shows nothing under zero, so a failed or drifted gauge looks like zero pressure; a vessel needs int16, int32 or float32 here"},
		// Whole numbers that end too early would wrap round: 32767 x 0.3 mbar are 9.83 bar.
		{"input: 7, type: int16, unit: mbar, scale: 0.3", at + "scale: lets int16 say at most 0.983 times the vessel's rating; it must reach at least 1.1 times, to show over-pressure; look at it, or at the type"},
		{"input: 7, type: int16, unit: mbar, scale: 0.3, range: 0..20 bar", at + "scale: lets int16 say at most 0.492 times the end of the range; look at it, or at the type"},
		// And too coarse ones show nothing where there is something.
		{"input: 7, type: int16, unit: bar", at + "unit: makes steps of 100 kPa; a vessel's gauge needs steps of at most 1 kPa, or pressure looks like none"},
		{"input: 7, type: int32, order: low-first, unit: mbar, scale: 10.1", at + "scale: makes steps of 1.01 kPa; "},
		// 8 bits: 204 counts for 20 bar are 9.8 kPa each.
		{"input: 7, type: int16, counts: 0..255, current: 0..20 mA, range: 0..20 bar", at + "counts: makes steps of 9.8 kPa; "},
	} {
		got := problems(t, one(c.read, "vessel", ""))
		if !strings.Contains("\n"+got+"\n", "\n"+c.want) {
			t.Errorf("%s:\n%s\nlacks the line\n%s", c.read, got, c.want)
		}
	}
	if got, want := problems(t, electric("discrete: 7, coil: 7")), "agent.yaml:13: buses[0].units[0].read[1].coil: stands beside discrete; one point has one address"; got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
	if got, want := problems(t, electric("coil: 7, inverse: maybe")), `agent.yaml:13: buses[0].units[0].read[1].inverse: "maybe" is not one of the choices; choices: true, false`; got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
	if got, want := problems(t, electric("input: 8, type: int16, unit: mbar")), "agent.yaml:13: buses[0].units[0].read[1].point: is a switch (control: electric); read it as one: discrete: 0 (function 02) or coil: 0 (function 01)"; got != want {
		t.Errorf("got %s\nwant %s", got, want)
	}
}

// Counts of every whole type are taken where they show a failed loop: signed ones count on under 4 mA, and an input of
// 0..20 mA has counts for it.
func TestLiveZero(t *testing.T) {
	for _, read := range []string{
		"input: 7, type: int16, counts: 0..27648, current: 4..20 mA, range: 0..20 bar",
		"input: 7, type: uint16, counts: 0..65535, current: 0..20 mA, range: 0..20 bar",
		"input: 7, type: uint16, counts: 6554..32767, current: 4..20 mA, range: 0..20 bar",
		"input: 7, type: int32, order: high-first, counts: 0..2147483647, current: 4..20 mA, range: 0..20 bar",
		"input: 7, type: int32, order: low-first, counts: -2147483648..2147483647, current: 0..20 mA, range: 0..20 bar",
	} {
		if got := problems(t, one(read, "vessel", "")); got != "" {
			t.Errorf("%s: %s", read, got)
		}
	}
	// The whole span of an int32, by hand: half of it is half of 0..20 mA.
	s := config.Scale{CountLo: math.MinInt32, CountHi: math.MaxInt32, CurrentHi: 20e-3}
	if got := s.Current(-0.5); math.Abs(float64(got)-10e-3) > 1e-15 {
		t.Errorf("the middle of an int32 is %v A, want 10 mA", float64(got))
	}
}

// A vessel's range must end at 1.1 to 3 times the rating, 10 bar gauge, wherever the range is written. Under an ambient
// of 0.9 bar an absolute gauge ends 0.9 bar later, and a sealed one (against 1.01325 bar, ISO 2533) 0.11325 bar earlier.
func TestRangeAgainstRating(t *testing.T) {
	digits := func(r string) string { return "input: 7, type: int32, order: low-first, unit: Pa" + r }
	loop := func(r string) string { return "input: 7, type: int16, counts: 0..27648, current: 4..20 mA" + r }
	for kind, c := range map[string]struct{ lo, first, last float64 }{
		"gauge": {0, 11, 30}, "sealed": {0, 10.88675, 29.88675}, "absolute": {0, 11.9, 30.9},
	} {
		for _, end := range []struct {
			bar  float64
			want string
		}{
			{c.first, ""}, {c.last, ""},
			{c.first - 0.01, "range: ends at 1.10 times the vessel's rating; it must reach at least 1.1 times, to show over-pressure"},
			{c.last + 0.01, "range: ends at 3.00 times the vessel's rating; over 3 times the gauge is too coarse to prove zero"},
			{c.first / 2, "times the vessel's rating; it must reach at least 1.1 times"},
		} {
			r := fmt.Sprintf("range: %g..%.5f bar", c.lo, end.bar)
			for name, text := range map[string]string{
				"digits, range in read":    one(digits(", "+r), "{vessel: {kind: "+kind+"}}", ""),
				"counts, range in read":    one(loop(", "+r), "{vessel: {kind: "+kind+"}}", ""),
				"digits, range under pots": one(digits(""), "{vessel: {kind: "+kind+", "+r+"}}", ""),
				"counts, range under pots": one(loop(""), "{vessel: {kind: "+kind+", "+r+"}}", ""),
				"counts, range in both":    one(loop(", "+r), "{vessel: {kind: "+kind+", "+r+"}}", ""),
			} {
				got := problems(t, text)
				if end.want == "" && got != "" || !strings.Contains(got, end.want) || strings.Count(got, "times the vessel's rating") > 1 {
					t.Errorf("%s, %s to %.5f bar: %q, want %q once", name, kind, end.bar, got, end.want)
				}
			}
		}
	}
}

// A vented vessel, at 0 bar gauge, must lie within the range, however the range is written, also one that ends at zero
// or under it.
func TestRangeReachesZero(t *testing.T) {
	for _, c := range []struct{ kind, r, want string }{
		{"gauge", "-1..20 bar", ""},
		{"gauge", "0..20 bar", ""},
		{"gauge", "0.01..20 bar", "does not reach down to zero gauge"},
		{"gauge", "-1..0 bar", "ends at 0.00 times"},
		{"gauge", "-2..-1 bar", "ends at -0.10 times"},
		{"sealed", "0..20 bar", ""},
		{"sealed", "0.01..20 bar", "does not reach down to zero gauge"},
		{"absolute", "0.9..20 bar", ""}, // the ambient is 900 mbar
		{"absolute", "0.91..20 bar", "does not reach down to zero gauge"},
	} {
		inRead := one("input: 7, type: int16, counts: 0..27648, current: 4..20 mA, range: "+c.r, "{vessel: {kind: "+c.kind+"}}", "")
		under := one("input: 7, type: int16, counts: 0..27648, current: 4..20 mA", "{vessel: {kind: "+c.kind+", range: "+c.r+"}}", "")
		for name, text := range map[string]string{"in read": inRead, "under pots": under} {
			if got := problems(t, text); (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
				t.Errorf("%s %s %s: %q, want %q", c.kind, c.r, name, got, c.want)
			}
		}
	}
}

// 1/2 psi is half a psi; a bare unit is one of it.
func TestUnitWithFraction(t *testing.T) {
	for unit, want := range map[string]float64{"1/8 psi": si.PSI / 8, "0.125 psi": si.PSI / 8, "mbar": 100} {
		c, err := config.Parse("agent.yaml", []byte(one("input: 7, type: int16, unit: "+unit, "vessel", "")))
		if err != nil {
			t.Error(err)
		} else if got := c.Buses[0].Units[0].Read[0].Scale.PerUnit; math.Abs(got/want-1) > 1e-12 {
			t.Errorf("unit %s is %v Pa, want %v", unit, got, want)
		}
	}
}
