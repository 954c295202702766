package line

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gritwatch/protocol/modbus"
)

// A Template is the form of a gauge's line of text. It is plain ASCII text with fields in braces:
//
//	{value}         the value with as few digits as tell it
//	{value:+07.2f}  as the C library prints it: flags + (sign always), 0 (zeros in front), - (to the left) or a blank,
//	                width, point and digits, f
//	{xor} {sum}     exclusive or, or sum, of the bytes of the body, two hexadecimal digits
//	{crc16}         CRC-16 of Modbus of the bytes of the body, four hexadecimal digits, low byte first
//	{body} {/body}  where the body begins and ends; absent: it begins with the text, and ends where the check stands
//	{{              a brace
//
// Hexadecimal digits are capitals. A reply has exactly one value and at most one check.
type Template struct {
	parts []part
}

type part struct {
	kind string // "" for literal text, else the field's name
	text string // literal
	form format
}

type format struct {
	plus, zero, left, blank bool
	width, digits           int
	plain                   bool // {value}
}

// maxReply is the length of the longest line of text.
const maxReply = modbus.MaxFrame

var formPattern = regexp.MustCompile(`^([-+0 ]*)([1-9][0-9]?)?(?:\.([0-9]))?f$`)

// ParseTemplate reads a template.
func ParseTemplate(text string) (*Template, error) {
	t := &Template{}
	literal := strings.Builder{}
	flush := func() {
		if literal.Len() > 0 {
			t.parts = append(t.parts, part{text: literal.String()})
			literal.Reset()
		}
	}
	seen := map[string]int{}
	var order []string // of check and body
	for rest := text; rest != ""; {
		c := rest[0]
		switch {
		case c >= 0x80:
			return nil, fmt.Errorf("%q holds a character that is not ASCII", text)
		case strings.HasPrefix(rest, "{{"):
			literal.WriteByte('{')
			rest = rest[2:]
			continue
		case c != '{':
			literal.WriteByte(c)
			rest = rest[1:]
			continue
		}
		inner, after, ok := strings.Cut(rest[1:], "}")
		if !ok {
			return nil, fmt.Errorf("%q has a brace that is not closed; write {{ for a brace", text)
		}
		rest = after
		name, form, hasForm := strings.Cut(inner, ":")
		p := part{kind: name, form: format{plain: true}}
		switch name {
		case "value":
			if hasForm {
				if p.form, ok = parseForm(form); !ok {
					return nil, fmt.Errorf("%q is no form of a number; write for example {value:+07.2f}", form)
				}
			}
		case "xor", "sum", "crc16":
			name = "check"
		case "body", "/body":
		default:
			ok = false
		}
		if !ok || hasForm && p.kind != "value" {
			return nil, fmt.Errorf("{%s} is no field; fields: {value}, {value:+07.2f}, {xor}, {sum}, {crc16}, {body}, {/body}", inner)
		}
		if seen[name]++; name != "value" {
			order = append(order, name)
		}
		flush()
		t.parts = append(t.parts, p)
	}
	flush()
	switch {
	case seen["value"] != 1:
		return nil, fmt.Errorf("%q has %d values; it needs exactly one, for example {value:.2f}", text, seen["value"])
	case len(order) > 0 && !slices.Contains([]string{"check", "body check", "/body check", "body /body check", "check body", "check body /body"}, strings.Join(order, " ")):
		return nil, fmt.Errorf("%q has no single check outside a single body; write for example {body}P={value}{/body}*{xor}", text)
	}
	if len(t.Append(nil, -1e9)) > maxReply {
		return nil, fmt.Errorf("the text is over %d characters long", maxReply)
	}
	return t, nil
}

func parseForm(text string) (f format, ok bool) {
	m := formPattern.FindStringSubmatch(text)
	if m == nil {
		return f, false
	}
	f = format{plus: strings.Contains(m[1], "+"), zero: strings.Contains(m[1], "0"), left: strings.Contains(m[1], "-"),
		blank: strings.Contains(m[1], " "), digits: 6} // the C library's default
	if m[2] != "" {
		f.width, _ = strconv.Atoi(m[2]) // digits only
	}
	if m[3] != "" {
		f.digits, _ = strconv.Atoi(m[3])
	}
	return f, true
}

// print is v in the form.
func (f format) print(v float64) string {
	if f.plain {
		return strconv.FormatFloat(v, 'f', -1, 32)
	}
	s := strconv.FormatFloat(v, 'f', f.digits, 64)
	sign := ""
	switch {
	case strings.HasPrefix(s, "-") || strings.HasPrefix(s, "+"):
		sign, s = s[:1], s[1:]
	case f.plus:
		sign = "+"
	case f.blank:
		sign = " "
	}
	pad := max(0, f.width-len(sign)-len(s))
	switch {
	case f.left:
		return sign + s + strings.Repeat(" ", pad)
	case f.zero && s[0] >= '0' && s[0] <= '9': // not NaN
		return sign + strings.Repeat("0", pad) + s
	}
	return strings.Repeat(" ", pad) + sign + s
}

// Shown is the number that a text with v shows: v rounded as the form has it.
func (t *Template) Shown(v float64) float64 {
	for _, p := range t.parts {
		if p.kind == "value" {
			shown, err := strconv.ParseFloat(strings.TrimSpace(p.form.print(v)), 64)
			if err == nil {
				return shown
			}
		}
	}
	return v
}

// Checked tells whether the text has check characters.
func (t *Template) Checked() bool {
	for _, p := range t.parts {
		if p.kind == "xor" || p.kind == "sum" || p.kind == "crc16" {
			return true
		}
	}
	return false
}

// Append appends the text that shows v. A value that is not a number shows as NaN.
func (t *Template) Append(dst []byte, v float64) []byte {
	start := len(dst)
	body, ends := start, -1
	var check, at = "", 0
	for _, p := range t.parts {
		switch p.kind {
		case "":
			dst = append(dst, p.text...)
		case "value":
			dst = append(dst, p.form.print(v)...)
		case "body":
			body = len(dst)
		case "/body":
			ends = len(dst)
		default:
			check, at = p.kind, len(dst)
			dst = append(dst, "    "[:checkSize(check)]...)
		}
	}
	if check == "" {
		return dst
	}
	if ends < 0 {
		ends = at
		if body > at {
			ends = len(dst)
		}
	}
	copy(dst[at:], checkOf(check, dst[min(body, ends):ends]))
	return dst
}

func checkSize(check string) int {
	if check == "crc16" {
		return 4
	}
	return 2
}

func checkOf(check string, body []byte) string {
	if check == "crc16" {
		crc := modbus.CRC(body)
		return fmt.Sprintf("%02X%02X", byte(crc), byte(crc>>8))
	}
	var xor, sum byte
	for _, b := range body {
		xor ^= b
		sum += b
	}
	if check == "xor" {
		return fmt.Sprintf("%02X", xor)
	}
	return fmt.Sprintf("%02X", sum)
}
