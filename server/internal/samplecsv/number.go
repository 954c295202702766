package samplecsv

import (
	"bytes"
	"math"
	"strconv"
)

type numberStatus uint8

const (
	isNumber numberStatus = iota
	notNumber
	notFinite
)

type number struct {
	v      float64
	mark   byte // '.' or ',' where it has one
	status numberStatus
}

// pow10 are the powers of ten that a float64 holds exactly.
var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// exact is the largest integer up to which a float64 holds all.
const exact = 1 << 53

// parseNumber reads [+-]digits[.digits][e[+-]digits], the mark a point or a comma, to the nearest float64. It may change
// the mark in b. NaN and infinities by their names are not finite.
func parseNumber(b []byte) number {
	rest := b
	negative := false
	if len(rest) > 0 && (rest[0] == '-' || rest[0] == '+') {
		negative = rest[0] == '-'
		rest = rest[1:]
	}
	var n number
	var mantissa uint64
	digits, scale, big := 0, 0, false
	markAt := -1
	i := 0
loop:
	for ; i < len(rest); i++ {
		switch c := rest[i]; {
		case c >= '0' && c <= '9':
			digits++
			if mantissa < exact/16 {
				mantissa = mantissa*10 + uint64(c-'0')
			} else {
				big = true
			}
			if n.mark != 0 {
				scale++
			}
		case (c == '.' || c == ',') && n.mark == 0:
			n.mark, markAt = c, i
		default:
			break loop
		}
	}
	switch {
	case digits == 0 && named(rest):
		n.status = notFinite
		return n
	case digits == 0, i < len(rest) && !exponent(rest[i:]):
		n.status = notNumber
		return n
	case i == len(rest) && !big && scale < len(pow10):
		// Integer and power of ten are exact, so their quotient is the nearest float64 (Clinger 1990).
		n.v = float64(mantissa) / pow10[scale]
		if negative {
			n.v = -n.v
		}
		return n
	}
	if markAt >= 0 {
		rest[markAt] = '.'
	}
	v, err := strconv.ParseFloat(string(b), 64)
	if err != nil || math.IsInf(v, 0) {
		n.status = notFinite // its grammar is right: it is out of range
		return n
	}
	n.v = v
	return n
}

// exponent tells whether b is e, a sign or none, and digits.
func exponent(b []byte) bool {
	if b[0] != 'e' && b[0] != 'E' {
		return false
	}
	b = b[1:]
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		b = b[1:]
	}
	for _, c := range b {
		if c < '0' || c > '9' {
			return false
		}
	}
	return len(b) > 0
}

// named tells whether b is what programs write for a value that is no finite number.
func named(b []byte) bool {
	for _, name := range [...]string{"nan", "inf", "infinity"} {
		if len(b) == len(name) && bytes.EqualFold(b, []byte(name)) {
			return true
		}
	}
	return false
}
