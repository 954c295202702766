// Package lines understands lines of ASCII text that pressure gauges send: what ends a line, which lines are taken,
// and the pressure in one. It is pure: no clock, no port.
//
// A value read here may decide whether a vessel is opened, therefore a Pattern must match a whole line, its value is
// a plain decimal or nothing, and a pattern that leaves open where its value begins and ends is refused when it is
// compiled: ".*(?P<value>[0-9.]+).*" would find 0 in a line that says 100.
package lines

import (
	"errors"
	"fmt"
	"regexp"
	"regexp/syntax"
	"slices"

	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
)

// Why a line gives no pressure.
var (
	ErrLine  = errors.New("line is not understood")
	ErrCheck = errors.New("line fails its check characters")
	ErrUnit  = errors.New("line has a unit that is no unit of pressure")
	ErrValue = errors.New("line has no value")
)

// A Check is a kind of check characters.
type Check uint8

// The kinds, all written as hexadecimal digits of either case: the exclusive or of the bytes, their sum in 8 bits, and
// the CRC of Modbus RTU with its low byte first.
const (
	NoCheck Check = iota
	XOR
	Sum
	CRC16
)

var checkNames = [...]string{"none", "xor", "sum", "crc16"}

// String is the kind as it stands in files; "none" for none.
func (c Check) String() string { return checkNames[c] }

// ParseCheck is the kind of a name: xor, sum or crc16.
func ParseCheck(name string) (Check, error) {
	if i := slices.Index(checkNames[1:], name); i >= 0 {
		return Check(i + 1), nil
	}
	return NoCheck, fmt.Errorf("%q is no kind of check characters; kinds: xor, sum, crc16", name)
}

// text is the check characters of body, in capitals.
func (c Check) text(body []byte) string {
	var x, sum byte
	for _, b := range body {
		x ^= b
		sum += b
	}
	switch c {
	case XOR:
		return fmt.Sprintf("%02X", x)
	case Sum:
		return fmt.Sprintf("%02X", sum)
	}
	crc := modbus.CRC(body)
	return fmt.Sprintf("%02X%02X", byte(crc), byte(crc>>8))
}

// Append adds the check characters of body to dst.
func (c Check) Append(dst, body []byte) []byte {
	if c == NoCheck {
		return dst
	}
	return append(dst, c.text(body)...)
}

// Bounds of a pattern: its bytes, and the digits of a value that it is asked about.
const (
	maxPattern = 512
	maxDigits  = 9
)

// A Pattern finds the pressure in a line. It may be used by several goroutines.
type Pattern struct {
	text                     string
	re                       *regexp.Regexp
	prog                     *syntax.Prog
	value, unit, body, check int // groups; 0: none
	kind                     Check
	perUnit                  si.GaugePressure
	mark                     byte // of decimals: '.', ',' or 0 for none
	signed                   bool
	decimals, digits         int // of a value: the fewest behind the mark, the most in front of it
	low, high                int // bytes of a line, shortest and longest
	bounded                  bool
}

// Compile makes a pattern of a regular expression (Go syntax) that is to match whole lines. Its groups: value, a plain
// decimal; unit, a unit of pressure as protocol/si writes it, needed where unit is 0 and not allowed else; with a
// check, body (the bytes that it covers, value and unit among them) and check (its digits). Unit is the pressure that
// 1 of the value stands for. The error says what is wrong with the pattern and what to write.
func Compile(pattern string, check Check, unit si.GaugePressure) (*Pattern, error) {
	if len(pattern) > maxPattern {
		return nil, fmt.Errorf("is longer than %d bytes; say less of the line", maxPattern)
	}
	// On its own first: "a)|(?:b" must not reach through the anchors.
	tree, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return nil, fmt.Errorf("is not a regular expression: %w", err)
	}
	p := &Pattern{text: pattern, kind: check, perUnit: unit}
	if p.re, err = regexp.Compile(`^(?:` + pattern + `)$`); err != nil {
		return nil, fmt.Errorf("is not a regular expression: %w", err)
	}
	if p.prog, err = program(tree); err != nil {
		return nil, err
	}
	p.value, p.unit = max(p.re.SubexpIndex("value"), 0), max(p.re.SubexpIndex("unit"), 0)
	p.body, p.check = max(p.re.SubexpIndex("body"), 0), max(p.re.SubexpIndex("check"), 0)
	if err := p.checkGroups(tree); err != nil {
		return nil, err
	}
	if err := p.checkValue(find(tree, p.value)); err != nil {
		return nil, err
	}
	if err := p.checkSpans(); err != nil {
		return nil, err
	}
	p.low, p.high, p.bounded = width(tree)
	if p.low > MaxLine {
		return nil, fmt.Errorf("wants a line of at least %d bytes, but lines are cut at %d", p.low, MaxLine)
	}
	return p, nil
}

// checkGroups looks whether the groups are there, and where they must be.
func (p *Pattern) checkGroups(tree *syntax.Regexp) error {
	switch {
	case p.value == 0:
		return errors.New("has no group value; put (?P<value>…) around the number, for example (?P<value>[-+]?[0-9]+\\.[0-9])")
	case p.unit == 0 && p.perUnit <= 0:
		return errors.New("has no group unit, and no unit is given; write unit: psi, or put (?P<unit>…) around the line's own")
	case p.unit != 0 && p.perUnit != 0:
		return errors.New("has a group unit, and a unit is given beside it; take one of them out")
	case p.kind == NoCheck && (p.body != 0 || p.check != 0):
		return errors.New("has a group body or check, but no kind of check is given; write check: xor, sum or crc16, or take the groups out")
	case p.kind != NoCheck && (p.body == 0 || p.check == 0):
		return errors.New("needs groups body (the bytes that are covered) and check (the digits) for its check characters")
	}
	for g, name := range p.re.SubexpNames() {
		if name != "" && g != p.re.SubexpIndex(name) {
			return fmt.Errorf("has two groups %s; a line has it once", name)
		}
	}
	for _, g := range []int{p.value, p.unit, p.body, p.check} {
		if g != 0 && repeated(tree, g) {
			return fmt.Errorf("repeats its group %s; a line has it once", p.re.SubexpNames()[g])
		}
	}
	if p.kind == NoCheck {
		return nil
	}
	body := find(tree, p.body)
	switch {
	case find(body, p.value) == nil, p.unit != 0 && find(body, p.unit) == nil:
		return errors.New("has value or unit outside body, where the check does not cover them; make body larger")
	case find(body, p.check) != nil:
		return errors.New("has check inside body; it cannot cover itself")
	}
	return nil
}

// checkValue finds out which numbers the value can be.
func (p *Pattern) checkValue(value *syntax.Regexp) error {
	prog, err := program(value.Sub[0])
	if err != nil {
		return err
	}
	var involved error
	can := func(number string) bool {
		tree, err := syntax.Parse(number, syntax.Perl)
		if err != nil {
			panic("lines: " + err.Error())
		}
		numbers, err := program(tree)
		if err != nil {
			panic("lines: " + err.Error())
		}
		ok, err := overlap(prog, numbers)
		involved = errors.Join(involved, err)
		return ok
	}
	point, comma := can(`[ \t]*[-+]?[ \t]*(?:[0-9]+\.[0-9]*|\.[0-9]+)`), can(`[ \t]*[-+]?[ \t]*(?:[0-9]+,[0-9]*|,[0-9]+)`)
	switch {
	case involved != nil:
		return errInvolved
	case point && comma:
		return errors.New("takes both 1.5 and 1,5 for its value, so that 1,234 may be either one or a thousand; let value match the one mark that the gauge sends, for example (?P<value>[-+]?[0-9]+\\.[0-9])")
	case point:
		p.mark = '.'
	case comma:
		p.mark = ','
	case !can(`[ \t]*[-+]?[ \t]*[0-9]+`):
		return errors.New("has a group value that can never be a number; write for example (?P<value>[-+]?[0-9]+\\.[0-9])")
	}
	p.signed = can(`[ \t]*-[ \t]*(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)`)
	if !can(`[ \t]*[-+]?[ \t]*[0-9]+[.,]?`) {
		for p.decimals = 1; p.decimals < maxDigits && !can(fmt.Sprintf(`[ \t]*[-+]?[ \t]*[0-9]*[.,][0-9]{%d}`, p.decimals)); {
			p.decimals++
		}
	}
	for p.digits < maxDigits && can(fmt.Sprintf(`[ \t]*[-+]?[ \t]*[0-9]{%d,}(?:[.,][0-9]*)?`, p.digits+1)) {
		p.digits++
	}
	if involved != nil {
		return errInvolved
	}
	return nil
}

// checkSpans refuses a pattern that may cut its value or its unit out of a longer one.
func (p *Pattern) checkSpans() error {
	const how = "; write what stands in front of it and behind it, for example P=(?P<value>[-+]?[0-9]+\\.[0-9]) *"
	for _, c := range []struct {
		group int
		name  string
		part  func(b byte) bool
	}{
		{p.value, "value", func(b byte) bool { return isDigit(b) || b == '.' || b == ',' && p.mark == ',' }},
		{p.unit, "unit", isLetter},
	} {
		if c.group == 0 {
			continue
		}
		open, err := ambiguous(p.prog, c.group)
		if err != nil {
			return err
		}
		if open {
			return fmt.Errorf("leaves open where its %s begins and ends%s", c.name, how)
		}
		switch cuts(p.prog, c.group, p.check, c.part) {
		case cutPart:
			return fmt.Errorf("may cut its %s out of a longer one%s", c.name, how)
		case cutSign:
			return fmt.Errorf("may leave a minus sign in front of its %s; take the sign into the group, for example (?P<value>[-+]? *[0-9]+\\.[0-9])", c.name)
		}
	}
	return nil
}

// String is the pattern as it was written.
func (p *Pattern) String() string { return p.text }

// Check is the kind of its check characters.
func (p *Pattern) Check() Check { return p.kind }

// Unit is the pressure that 1 of the value stands for; 0: the line says its own unit.
func (p *Pattern) Unit() si.GaugePressure { return p.perUnit }

// Signed tells whether the value can be below zero.
func (p *Pattern) Signed() bool { return p.signed }

// Decimals is the fewest digits behind the mark that a value comes with: its steps are that coarse.
func (p *Pattern) Decimals() int { return p.decimals }

// Digits is the most digits in front of the mark that a value comes with; 9 may be more.
func (p *Pattern) Digits() int { return p.digits }

// FixedWidth tells whether every line that is matched has the same number of bytes, and which.
func (p *Pattern) FixedWidth() (n int, ok bool) { return p.low, p.bounded && p.low == p.high }

// Shortest is the bytes of the shortest line that can be matched.
func (p *Pattern) Shortest() int { return p.low }

// Longest is the bytes of the longest line that can be matched. Where the pattern has no bound, known is false and n a
// guess: eight of what may be repeated without end.
func (p *Pattern) Longest() (n int, known bool) { return min(p.high, MaxLine), p.bounded }

// Overlaps tells whether a line may exist that both patterns match, check characters and values aside. Where that
// cannot be found out it is true.
func (p *Pattern) Overlaps(q *Pattern) bool {
	ok, _ := overlap(p.prog, q.prog)
	return ok
}

// A Reading is the pressure in a line, in the gauge's own terms (gauge, sealed or absolute), and that of 1 in its last
// digit.
type Reading struct {
	Own, Step si.GaugePressure
}

// Match gives the reading in a line, which comes without its end. The error wraps one of the Err values.
func (p *Pattern) Match(line []byte) (Reading, error) {
	if len(line) > MaxLine {
		return Reading{}, fmt.Errorf("%w: %d bytes are too many", ErrLine, len(line))
	}
	at := p.re.FindSubmatchIndex(line)
	if at == nil {
		return Reading{}, fmt.Errorf("%w: %q", ErrLine, line)
	}
	group := func(g int) []byte {
		if at[2*g] < 0 {
			return nil
		}
		return line[at[2*g]:at[2*g+1]]
	}
	if p.kind != NoCheck {
		if want, got := p.kind.text(group(p.body)), group(p.check); !equalHex(got, want) {
			return Reading{}, fmt.Errorf("%w: %q has %q, not %s", ErrCheck, line, got, want)
		}
	}
	perUnit := p.perUnit
	if p.unit != 0 {
		var ok bool
		if perUnit, ok = unitOf(group(p.unit)); !ok {
			return Reading{}, fmt.Errorf("%w: %q in %q", ErrUnit, group(p.unit), line)
		}
	}
	v, step, ok := number(group(p.value), p.mark)
	if end := at[2*p.value+1]; ok && (p.check == 0 || at[2*p.check] != end) {
		ok = !exponent(line[end:])
	}
	if !ok {
		return Reading{}, fmt.Errorf("%w: %q in %q", ErrValue, group(p.value), line)
	}
	return Reading{si.GaugePressure(v) * perUnit, si.GaugePressure(step) * perUnit}, nil
}
