package config_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/config"
	"gritwatch/agent/internal/serialport"
	"gritwatch/internal/vent"
	"gritwatch/internal/yamlfile"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

const text = `agent: quay-1
site: harrow-quay
broker: {url: "mqtt://127.0.0.1"}
buses:
  - port: /dev/ttyUSB0
    mode: 9600 7E1
    period: 100ms
    text:
      - query: '#01\r'
        read:
          - {pot: cedar, point: vessel, pattern: '>(?P<value>[-+][0-9]{3}\.[0-9])', unit: psi, range: 0..200 psi}
      - query: '#02\r'
        read:
          - {pot: cedar, point: hose, pattern: '(?P<body>(?P<value>-?[0-9]+\.[0-9]+)(?P<unit>[a-z]+))(?P<check>[0-9A-F]{2})', check: sum}
  - port: /dev/ttyUSB1
    mode: 9600 8N1
    period: 100ms
    text:
      - read:
          - {pot: cedar, point: control, pattern: '(?P<value>[-+ 0-9]+)', unit: psi, scale: 0.1}
pots:
  - {name: cedar, vessel: {volume: 6.5 ft3, rated: 150 psi}, hose: {bore: 1.25 in, length: 50 ft}, nozzle: {bore: 7/16 in, target: 100 psi}, points: [vessel, control, hose]}
`

func TestParseText(t *testing.T) {
	c, err := config.Parse("agent.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	b := c.Buses[0]
	if b.Mode != (serialport.Mode{Baud: 9600, DataBits: 7, Parity: 'E', StopBits: 1}) || b.Units != nil || len(b.Text) != 2 {
		t.Errorf("%+v", b)
	}
	r := b.Text[0].Read[0]
	if string(b.Text[0].Query) != "#01\r" || r.Pot != "cedar" || r.Point != points.Vessel || r.Scale.PerUnit != 1 || math.Abs(r.Scale.Hi.PSI()-200) > 1e-9 || r.Scale.Kind != vent.KindGauge {
		t.Errorf("%+v", r)
	}
	if got, err := r.Pattern.Match([]byte(">-012.5")); err != nil || math.Abs(got.Own.PSI()+12.5) > 1e-9 {
		t.Errorf("%v, %v", got, err)
	}
	if r = b.Text[1].Read[0]; r.Pattern.Unit() != 0 || r.Pattern.Check() != lines.Sum {
		t.Errorf("%+v", r)
	}
	free := c.Buses[1].Text[0]
	if free.Query != nil || math.Abs(float64(free.Read[0].Pattern.Unit())-0.1*si.PSI) > 1e-9 {
		t.Errorf("%+v", free)
	}
}

func TestQueryEscapes(t *testing.T) {
	for written, want := range map[string]string{`'\x05'`: "\x05", `'R1\r\n'`: "R1\r\n", `READ?`: "READ?", `'say "p"\t\\'`: "say \"p\"\t\\", `"#01\\r"`: "#01\r"} {
		c, err := config.Parse("agent.yaml", []byte(strings.Replace(text, `'#01\r'`, written, 1)))
		if err != nil || string(c.Buses[0].Text[0].Query) != want {
			t.Errorf("%s: %v", written, err)
		}
	}
}

// An absolute gauge cannot show anything under zero, and need not.
func TestAbsoluteTextGauge(t *testing.T) {
	s := strings.Replace(text, `[-+][0-9]{3}`, `[0-9]{3}`, 1)
	s = strings.Replace(s, "points: [vessel,", "atmosphere: {altitude: 12 m}, points: [{vessel: {kind: absolute}},", 1)
	if _, err := config.Parse("agent.yaml", []byte(s)); err != nil {
		t.Error(err)
	}
}

func TestTextErrors(t *testing.T) {
	const vessel, hose, control = `agent.yaml:11: buses[0].text[0].read[0].`, `agent.yaml:14: buses[0].text[1].read[0].`, `agent.yaml:20: buses[1].text[0].read[0].`
	const two = "      - query: '#02\\r'\n"
	for _, c := range []struct{ old, new, want string }{
		// The vessel: no character may be lost or spoilt unseen.
		{"9600 7E1", "9600 7N1", vessel + "check: is missing: a character lost or spoilt on the line would pass for another pressure; let the gauge send check characters and write check: xor, sum or crc16; or use parity (E or O) together with a pattern that takes lines of one length only ([0-9]{3}, not [0-9]+)"},
		{`[-+][0-9]{3}`, `[-+]?[0-9]{3}`, vessel + "check: is missing: a character lost"},
		{`[-+][0-9]{3}`, `[-+][0-9]{1,3}`, vessel + "check: is missing: a character lost"},
		{`[-+][0-9]{3}`, `[0-9]{3}`, vessel + "pattern: is a dead-zero input: its value shows nothing under zero, so a failed or drifted gauge looks like zero pressure; let value take a sign"},
		{`[-+][0-9]{3}`, `\+[0-9]{3}`, vessel + "pattern: is a dead-zero input"},
		{`{3}\.[0-9])', unit: psi`, `{3})', unit: psi`, vessel + "pattern: takes a value with 0 decimals, in steps of 6.89 kPa; a vessel's gauge needs steps of at most 1 kPa"},
		{`unit: psi, range: 0..200 psi`, `unit: bar, range: 0..200 psi`, vessel + "pattern: takes a value with 1 decimals, in steps of 10 kPa"},
		{`[-+][0-9]{3}`, `[-+][0-9]{2}`, vessel + "pattern: lets value have 2 digits in front of its decimals, which do not reach the end of the range"},
		{`[-+][0-9]{3}\.[0-9])', unit: psi, range: 0..200 psi`, `[-+][0-9]{2}\.[0-9])', unit: psi`, vessel + "pattern: lets value say at most 0.667 times the vessel's rating; it must reach at least 1.1 times"},
		{"range: 0..200 psi", "range: 0..160 psi", vessel + "range: ends at 1.07 times the vessel's rating"},
		{"range: 0..200 psi", "range: 0..500 psi", vessel + "range: ends at 3.33 times the vessel's rating"},
		{"points: [vessel,", "points: [{vessel: {range: 0..250 psi}},", vessel + "range: differs from the one of vessel under pots"},
		// Patterns, units, checks.
		{`'>(?P<value>[-+][0-9]{3}\.[0-9])'`, `'.*(?P<value>[-+]?[0-9]{3}\.[0-9]).*'`, vessel + "pattern: leaves open where its value begins and ends"},
		{`'>(?P<value>[-+][0-9]{3}\.[0-9])'`, `'(?P<value>[0-9'`, vessel + "pattern: is not a regular expression"},
		{`, pattern: '>(?P<value>[-+][0-9]{3}\.[0-9])'`, ``, vessel + "pattern: is missing; write for example pattern: "},
		{"unit: psi, range", "range", vessel + "pattern: has no group unit, and no unit is given; write unit: psi, or put"},
		{"unit: psi, range", "unit: furlong, range", vessel + `unit: "furlong" is not a unit of pressure`},
		{"unit: psi, range", "scale: 0.1, range", vessel + `unit: is missing; write for example unit: psi`},
		{"check: sum", "check: sum, unit: psi", hose + "pattern: has a group unit, and a unit is given beside it"},
		{"check: sum", "check: parity", hose + `check: "parity" is no kind of check characters; kinds: xor, sum, crc16`},
		{", check: sum", "", hose + "pattern: has a group body or check, but no kind of check is given"},
		{"unit: psi, scale", "check: xor, unit: psi, scale", control + "pattern: needs groups body"},
		{"unit: psi, scale", "type: int16, unit: psi, scale", control + "type: "},
		// Points.
		{"point: hose", "point: vessel", hose + "point: vessel of cedar is read already; every point has one gauge"},
		{"pot: cedar, point: hose", "pot: oak, point: hose", hose + `pot: "oak" is not among the pots of this file`},
		{"points: [vessel,", "points: [supply, vessel,", "agent.yaml:22: pots[0].points: supply of cedar is read nowhere"},
		{"points: [vessel,", "control: electric, points: [vessel,", control + "point: is a switch (control: electric); a line of text cannot say it"},
		// Queries.
		{two + "        read:", "      - read:", "agent.yaml:12: buses[0].text[1].query: is missing; a gauge that sends by itself is alone on its line"},
		{`'#02\r'`, `'#01\r'`, `agent.yaml:12: buses[0].text[1].query: "#01\r" ends like "#01\r": both gauges would answer`},
		{`'#02\r'`, `'##01\r'`, `agent.yaml:12: buses[0].text[1].query: "##01\r" ends like "#01\r"`},
		{`'#02\r'`, `'#02\q'`, `agent.yaml:12: buses[0].text[1].query: "#02\\q" has a backslash that stands for nothing; write \r, \n, \t, \\ or for example \x05, in single quotes`},
		{`'#02\r'`, `'#02\xff'`, `agent.yaml:12: buses[0].text[1].query: "#02\\xff" is no ASCII text`},
		{`'#02\r'`, `'` + strings.Repeat("x", 65) + `'`, `agent.yaml:12: buses[0].text[1].query: "` + strings.Repeat("x", 65) + `" is longer than 64 bytes`},
		{`'#02\r'`, `"#02\r"`, `agent.yaml:12: buses[0].text[1].query: runs over several lines`},
		// Lines.
		{"9600 7E1", "9600 6E1", `agent.yaml:6: buses[0].mode: "9600 6E1" has 6 data bits, but lines of text need 7 or 8; `},
		{"    text:\n      - query", "    units: [{unit: 1, read: []}]\n    text:\n      - query", `agent.yaml:9: buses[0].text: stands beside units; a line has either units of Modbus RTU or gauges that speak text`},
		{"      - read:\n          - {pot: cedar, point: control, pattern: '(?P<value>[-+ 0-9]+)', unit: psi, scale: 0.1}\n", "      []\n", `agent.yaml:18: buses[1].text: has no gauge; add one: query and read`},
		{"          - {pot: cedar, point: control, pattern: '(?P<value>[-+ 0-9]+)', unit: psi, scale: 0.1}\n", "          []\n", `agent.yaml:19: buses[1].text[0].read: has no point; add one`},
	} {
		s := strings.Replace(text, c.old, c.new, 1)
		if s == text {
			t.Fatalf("%q is not in the file", c.old)
		}
		_, err := config.Parse("agent.yaml", []byte(s))
		var ye *yamlfile.Error
		if err == nil || !errors.As(err, &ye) {
			t.Errorf("%q: %v, want %s", c.new, err, c.want)
			continue
		}
		if !strings.Contains("\n"+err.Error()+"\n", "\n"+c.want) {
			t.Errorf("%q:\n%v\nlacks the line\n%s", c.new, err, c.want)
		}
	}
}
