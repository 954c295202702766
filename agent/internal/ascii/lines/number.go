package lines

import (
	"math"
	"strconv"

	"gritwatch/protocol/si"
)

// equalHex compares hexadecimal digits with capitals.
func equalHex(got []byte, want string) bool {
	if len(got) != len(want) {
		return false
	}
	for i, c := range got {
		if c >= 'a' && c <= 'f' {
			c -= 'a' - 'A'
		}
		if c != want[i] {
			return false
		}
	}
	return true
}

// unitOf is the pressure of 1 of a unit.
func unitOf(text []byte) (si.GaugePressure, bool) {
	for _, c := range text {
		if !isLetter(c) {
			return 0, false
		}
	}
	p, err := si.ParseGaugePressure("1 " + string(text))
	return p, err == nil
}

// number reads a plain decimal: blanks, a sign, blanks, digits with at most one mark among them. Step is 1 in its last
// digit.
func number(text []byte, mark byte) (v, step float64, ok bool) {
	i := 0
	blanks := func() {
		for i < len(text) && isBlank(text[i]) {
			i++
		}
	}
	blanks()
	plain := make([]byte, 0, 32)
	if i < len(text) && (text[i] == '-' || text[i] == '+') {
		plain = append(plain, text[i])
		i++
	}
	blanks()
	digits, decimals, marks := 0, 0, 0
	for ; i < len(text); i++ {
		switch c := text[i]; {
		case isDigit(c):
			plain = append(plain, c)
			digits++
			decimals += marks
		case c == mark && mark != 0 && marks == 0:
			plain = append(plain, '.')
			marks++
		default:
			return 0, 0, false
		}
	}
	if digits == 0 {
		return 0, 0, false
	}
	v, err := strconv.ParseFloat(string(plain), 64)
	return v, math.Pow10(-decimals), err == nil
}

// exponent tells whether what follows a number makes it one with an exponent, which is not read here.
func exponent(rest []byte) bool {
	if len(rest) < 2 || rest[0] != 'e' && rest[0] != 'E' {
		return false
	}
	return isDigit(rest[1]) || len(rest) > 2 && (rest[1] == '+' || rest[1] == '-') && isDigit(rest[2])
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' }

func isBlank(c byte) bool { return c == ' ' || c == '\t' }
