package lines_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/protocol/si"

	"pgregory.net/rapid"
)

func compile(t testing.TB, pattern string, check lines.Check, unit si.GaugePressure) *lines.Pattern {
	t.Helper()
	p, err := lines.Compile(pattern, check, unit)
	if err != nil {
		t.Fatalf("%s: %v", pattern, err)
	}
	return p
}

const (
	signed = `(?P<value>[-+ ]*[0-9.]+)`
	plain  = `>(?P<value>[-+][0-9]{3}\.[0-9]{2})`
)

func TestMatch(t *testing.T) {
	const none = -1e9 // no pressure
	for _, c := range []struct {
		pattern, line string
		psi           float64
		err           error
	}{
		{plain, ">+012.34", 12.34, nil},
		{plain, ">-000.50", -0.5, nil},
		{plain, ">+012.34 ", none, lines.ErrLine},
		{plain, "x>+012.34", none, lines.ErrLine},
		{plain, ">+012.3", none, lines.ErrLine},
		{plain, "", none, lines.ErrLine},
		{signed + ` *psi`, "  12.5 psi", 12.5, nil},
		{signed + ` *psi`, "-  12.5psi", -12.5, nil},
		{signed + ` *psi`, "+.5 psi", 0.5, nil},
		{signed + ` *psi`, "7. psi", 7, nil},
		{signed + ` *psi`, "+-5 psi", none, lines.ErrValue},
		{signed + ` *psi`, "1.2.3 psi", none, lines.ErrValue},
		{signed + ` *psi`, "... psi", none, lines.ErrValue},
		{signed + ` *psi`, "1 2 psi", none, lines.ErrLine},
		{`(?P<value>[-+ 0-9.]+) psi`, "1 2 psi", none, lines.ErrValue},
		{`(?P<value>[-+0-9.]+)`, "-----", none, lines.ErrValue}, // over range
		{`(?P<value>[-+0-9.]+|ERR)`, "ERR", none, lines.ErrValue},
		{`(?P<value>[-+0-9.]+|ERR)`, "INF", none, lines.ErrLine},
		{`(?P<value>[-+0-9.a-zA-Z]+)`, "1e3", none, lines.ErrValue},
		{`(?P<value>[-+0-9.a-zA-Z]+)`, "0x1F", none, lines.ErrValue},
		{`(?P<value>[-+0-9.a-zA-Z]+)`, "nan", none, lines.ErrValue},
		{`(?P<value>[-+0-9.a-zA-Z]+)`, "Inf", none, lines.ErrValue},
		{`(?P<value>[-+0-9.]+)(?:[eE][-+]?[0-9]+)?`, "1.5E+02", none, lines.ErrValue},
		{`(?P<value>[-+]?[0-9]+,[0-9])`, "-12,5", -12.5, nil},
		{`A(?P<value>[-+]?[0-9.]+)|B`, "B", none, lines.ErrValue},
		{`01(?P<value>[0-9]{3}\.[0-9])`, "01012.5", 12.5, nil},
		{`1,(?P<value>[-+]?[0-9]+\.[0-9]),[0-9]+`, "1,-12.5,99", -12.5, nil},
		{`(?P<value>[0-9]{3})`, "\u0661\u0662\u0663", none, lines.ErrLine}, // digits, but not ours
		{signed, strings.Repeat("9", 256), 0, nil},
		{signed, strings.Repeat("9", 257), none, lines.ErrLine},
	} {
		got, err := compile(t, c.pattern, lines.NoCheck, si.PSI).Match([]byte(c.line))
		switch {
		case !errors.Is(err, c.err):
			t.Errorf("%s on %q: %v, want %v", c.pattern, c.line, err, c.err)
		case c.err == nil && c.psi != 0 && math.Abs(got.Own.PSI()-c.psi) > 1e-9:
			t.Errorf("%s on %q: %v psi, want %v", c.pattern, c.line, got.Own.PSI(), c.psi)
		case c.err != nil && got != (lines.Reading{}):
			t.Errorf("%s on %q: %v beside an error", c.pattern, c.line, got)
		}
	}
}

// Units by definition: 1 psi is 6894.757293168 Pa (NIST SP 811, B.8), 1 bar 1e5 Pa.
func TestUnitInTheLine(t *testing.T) {
	p := compile(t, `(?P<value>[-+]?[0-9]+\.[0-9]+) *(?P<unit>[a-zA-Z]*)`, lines.NoCheck, 0)
	for line, want := range map[string]float64{"12.5 psi": 12.5 * 6894.757293168, "12.5bar": 12.5e5, "-1.0 mbar": -100, "0.5 MPa": 5e5} {
		if got, err := p.Match([]byte(line)); err != nil || math.Abs(float64(got.Own)-want) > 1e-6*math.Abs(want) {
			t.Errorf("%q: %v, %v; want %v", line, float64(got.Own), err, want)
		}
	}
	for _, line := range []string{"12.5 PSI", "12.5 mmHg", "12.5 ", "12.5 mpa", "12.5 in"} {
		if got, err := p.Match([]byte(line)); !errors.Is(err, lines.ErrUnit) {
			t.Errorf("%q: %v, %v", line, got, err)
		}
	}
}

// XOR and sum by hand: "01+12.5" is 30 31 2B 31 32 2E 35 hex; their exclusive or is 32h, their sum 152h. The CRC of
// "123456789" is 4B37h (catalogue of parametrised CRC algorithms, CRC-16/MODBUS), on the line 37 4B.
func TestChecks(t *testing.T) {
	for _, c := range []struct {
		check      lines.Check
		body, want string
	}{{lines.XOR, "01+12.5", "32"}, {lines.Sum, "01+12.5", "52"}, {lines.CRC16, "123456789", "374B"}} {
		if got := string(c.check.Append(nil, []byte(c.body))); got != c.want {
			t.Errorf("%s of %q = %s, want %s", c.check, c.body, got, c.want)
		}
		pattern := `(?P<body>01(?P<value>[-+][0-9]{2}\.[0-9]))(?P<check>(?:[A-Fa-f0-9]{1,5})?)`
		if c.check == lines.CRC16 {
			pattern = `(?P<body>(?P<value>[0-9]{9}))(?P<check>[0-9A-Fa-f]*)`
		}
		p := compile(t, pattern, c.check, si.PSI)
		if again, err := lines.ParseCheck(c.check.String()); err != nil || again != c.check {
			t.Errorf("%s: %v, %v", c.check, again, err)
		}
		for _, tail := range []string{c.want, strings.ToLower(c.want)} {
			if _, err := p.Match([]byte(c.body + tail)); err != nil {
				t.Errorf("%s: %v", c.check, err)
			}
		}
		for _, tail := range []string{"", "0", c.want[1:], "0" + c.want, c.want + "0", "FF", "FFFF"} {
			if v, err := p.Match([]byte(c.body + tail)); err == nil {
				t.Errorf("%s: %q is taken: %v", c.check, c.body+tail, v)
			}
		}
	}
	if _, err := lines.ParseCheck("crc32"); err == nil || !strings.Contains(err.Error(), "xor, sum, crc16") {
		t.Error(err)
	}
}

func TestCompileErrors(t *testing.T) {
	for _, c := range []struct {
		pattern string
		check   lines.Check
		unit    si.GaugePressure
		want    string
	}{
		{`[0-9]+`, 0, 1, "has no group value"},
		{`(?P<value>[0-9]+`, 0, 1, "is not a regular expression"},
		{`(?P<value>[0-9]+)|a)|(?:b`, 0, 1, "is not a regular expression"},
		{`(?P<value>[0-9]+)(?P<value>x)`, 0, 1, "has two groups value"},
		{strings.Repeat("a", 600) + signed, 0, 1, "is longer than 512 bytes"},
		{`a{300}(?P<value>[0-9]+)`, 0, 1, "is too involved"},
		{`(?:a{250}){0,1}(?P<value>[0-9]+)`, 0, 1, ""},
		{signed, 0, 0, "has no group unit, and no unit is given"},
		{signed + ` (?P<unit>psi|bar)`, 0, 1, "has a group unit, and a unit is given beside it"},
		{`(?P<body>` + signed + `)`, 0, 1, "no kind of check is given"},
		{signed, lines.XOR, 1, "needs groups body"},
		{signed + `(?P<body>x)(?P<check>[0-9A-F]{2})`, lines.XOR, 1, "has value or unit outside body"},
		{`(?P<body>` + signed + `(?P<check>[A-F]{2}))`, lines.XOR, 1, "has check inside body"},
		{`(?:(?P<value>[0-9]+);)+`, 0, 1, "repeats its group value"},
		{`(?:(?P<value>[0-9]+);){2}`, 0, 1, "repeats its group value"},
		{`(?P<value>[A-F]+)`, 0, 1, "can never be a number"},
		{`(?P<value>\S+)`, 0, 1, "takes both 1.5 and 1,5"},
		{`(?P<value>[-+0-9.,]+)`, 0, 1, "takes both 1.5 and 1,5"},
		// Values cut out of longer ones.
		{`.*(?P<value>[-+]?[0-9]+\.[0-9]).*`, 0, 1, "leaves open where its value begins and ends"},
		{`.*(?P<value>[0-9.]+)`, 0, 1, "leaves open where its value begins and ends"},
		{`[^.]*(?P<value>[0-9]\.[0-9])`, 0, 1, "may cut its value out of a longer one"},
		{`[0-9]{2}(?P<value>[0-9]{3}\.[0-9])`, 0, 1, "may cut its value out of a longer one"},
		{`(?P<value>[-+]?[0-9]+)\.[0-9]+`, 0, 1, "may cut its value out of a longer one"},
		{`0\.(?P<value>[0-9]+)`, 0, 1, "may cut its value out of a longer one"},
		{`(?P<value>[0-9]+\.[0-9])[0-9]*`, 0, 1, "may cut its value out of a longer one"},
		{`(?P<value>[0-9]{3})[0-9A-F]{2}`, 0, 1, "may cut its value out of a longer one"},
		{`[-+](?P<value>[0-9]+\.[0-9])`, 0, 1, "may leave a minus sign in front of its value"},
		{`[-+ ]*(?P<value>[0-9]+\.[0-9])`, 0, 1, "may leave a minus sign in front of its value"},
		{`[-+]?(?P<value>[-+]?[0-9]+\.[0-9])`, 0, 1, "leaves open where its value begins and ends"},
		{`(?P<value>[-+]?[0-9]+\.[0-9]) *[a-zA-Z]?(?P<unit>Pa|bar)`, 0, 0, "may cut its unit out of a longer one"},
		{`(?P<value>[-+]?[0-9]+\.[0-9]) *(?P<unit>[a-z]+)[a-z]*`, 0, 0, "leaves open where its unit begins and ends"},
		{`a{300}`, 0, 1, "is too involved"},
		{`x{200}y{57}(?P<value>[0-9])`, 0, 1, "lines are cut at 256"},
	} {
		p, err := lines.Compile(c.pattern, c.check, c.unit)
		switch {
		case c.want == "" && err == nil:
		case err == nil || p != nil || !strings.Contains(err.Error(), c.want):
			t.Errorf("%s: %v, want %q", c.pattern, err, c.want)
		case strings.Contains(err.Error(), "\n"):
			t.Errorf("%s: more than a line: %v", c.pattern, err)
		}
	}
}

func TestWidths(t *testing.T) {
	for _, c := range []struct {
		pattern   string
		low, high int
		known     bool
	}{
		{plain, 8, 8, true},
		{`(?i)p(?:si|ax) (?P<value>[-+][0-9]{3})`, 8, 8, true},
		{`(?P<value>[0-9]{3}) (?:psi|bar|MPa)`, 7, 7, true},
		{`(?P<value>[0-9]{3}) (?:psi|mbar)`, 7, 8, true},
		{`(?P<value>[0-9]{2,4}) ?x`, 3, 6, true},
		{`(?P<value>[0-9]+)x`, 2, 10, false},
		{` *(?P<value>[0-9]{1,3})`, 1, 11, false},
		{`\b(?:)*(?P<value>[0-9])$`, 1, 1, true},
		{`.(?s:.)[^a](?P<value>[-+ ][0-9])`, 5, 5, true},
	} {
		p, err := lines.Compile(c.pattern, lines.NoCheck, si.PSI)
		if err != nil {
			if strings.HasPrefix(c.pattern, `.`) { // blank or digit in front; the width is what counts here
				continue
			}
			t.Errorf("%s: %v", c.pattern, err)
			continue
		}
		high, known := p.Longest()
		n, fixed := p.FixedWidth()
		if p.Shortest() != c.low || high != c.high || known != c.known || fixed != (c.known && c.low == c.high) || fixed && n != c.low {
			t.Errorf("%s: %d to %d, known %v, fixed %v", c.pattern, p.Shortest(), high, known, fixed)
		}
	}
}

func TestSteps(t *testing.T) {
	for _, c := range []struct {
		pattern, line    string
		decimals, digits int
		step             float64
	}{
		{plain, ">+012.34", 2, 3, 0.01},
		{signed, "12", 0, 9, 1},
		{signed, "12.500", 0, 9, 0.001},
		{`(?P<value>[-+]?[0-9]+(?:\.[0-9]{2}|\.[0-9]{4}))`, "1.2500", 2, 9, 1e-4},
		{`(?P<value>[-+ ]{2}[0-9]?,[0-9])`, "- 7,5", 1, 1, 0.1},
		{`(?P<value>-?[0-9]{1,3})`, "-7", 0, 3, 1},
	} {
		p := compile(t, c.pattern, lines.NoCheck, si.PSI)
		r, err := p.Match([]byte(c.line))
		if err != nil || math.Abs(r.Step.PSI()-c.step) > 1e-12 || p.Decimals() != c.decimals || p.Digits() != c.digits {
			t.Errorf("%s on %q: step %v, %v; %d decimals, %d digits", c.pattern, c.line, r.Step.PSI(), err, p.Decimals(), p.Digits())
		}
	}
}

func TestSigned(t *testing.T) {
	for pattern, want := range map[string]bool{
		plain: true, signed: true, `(?P<value>[0-9]+\.[0-9])`: false, `(?P<value>[0-9]{3}|-{3})`: false,
		`(?P<value>- *[0-9])`: true, `(?P<value>\+[0-9]+|-OVER)`: false, `-(?P<value>[0-9]+)`: false,
	} {
		if p := compile(t, pattern, lines.NoCheck, si.PSI); p.Signed() != want {
			t.Errorf("%s: signed %v", pattern, p.Signed())
		}
	}
}

func TestOverlaps(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want bool
	}{
		{plain, plain, true},
		{`01` + plain, `02` + plain, false},
		{`0[0-5]` + plain, `0[5-9]` + plain, true},
		{`(?P<value>[0-9]{3})`, `(?P<value>[0-9]{4})`, false},
		{`(?P<value>[0-9]{2,5})`, `(?P<value>[0-9]{4})`, true},
		{`(?P<value>[0-9]+) psi`, `(?P<value>[0-9]+) bar`, false},
	} {
		a, b := compile(t, c.a, 0, si.PSI), compile(t, c.b, 0, si.PSI)
		if a.Overlaps(b) != c.want || b.Overlaps(a) != c.want {
			t.Errorf("%s and %s: %v", c.a, c.b, a.Overlaps(b))
		}
	}
}

// Whatever single character of a line with check characters is changed, lost or added: its value is not taken for
// another one.
func TestOneSpoiltCharacter(t *testing.T) {
	for _, check := range []lines.Check{lines.XOR, lines.Sum, lines.CRC16} {
		digits := 2
		if check == lines.CRC16 {
			digits = 4
		}
		p := compile(t, fmt.Sprintf(`#(?P<body>[0-9A-F]*P(?P<value>[-+ ]*[0-9.]+) *(?:psi|bar)?);?(?P<check>[0-9A-Fa-f]{%d})`, digits), check, si.PSI)
		rapid.Check(t, func(t *rapid.T) {
			body := fmt.Sprintf("%02XP%+07.1f psi", rapid.Byte().Draw(t, "address"), rapid.Float64Range(-20, 200).Draw(t, "psi"))
			good := string(check.Append([]byte("#"+body), []byte(body)))
			want, err := p.Match([]byte(good))
			if err != nil {
				t.Fatal(err)
			}
			at := rapid.IntRange(0, len(good)-1).Draw(t, "at")
			bad := []byte(good)
			switch rapid.IntRange(0, 2).Draw(t, "kind") {
			case 0:
				bad[at] ^= byte(rapid.IntRange(1, 255).Draw(t, "bits"))
			case 1:
				bad = append(bad[:at], bad[at+1:]...)
			default:
				bad = append(bad[:at], append([]byte{rapid.Byte().Draw(t, "more")}, good[at:]...)...)
			}
			if got, err := p.Match(bad); err == nil && (got != want || !inCaseOnly(good, string(bad))) && !outside(good, string(bad)) {
				t.Fatalf("%q for %q is taken: %v", bad, good, got.Own.PSI())
			}
		})
	}
}

// inCaseOnly: a hexadecimal digit may change its case, which says the same.
func inCaseOnly(a, b string) bool { return strings.EqualFold(a, b) }

// outside: the optional mark in front of the check characters is under no check, and says nothing.
func outside(good, bad string) bool { return strings.Replace(bad, ";", "", 1) == good }
