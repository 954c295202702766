package samplecsv

import "gritwatch/protocol/si"

// A timeProblem says why a field is no time that can be used.
type timeProblem struct{ what, do string }

const timeForm = "write RFC 3339 with its zone, for example 2026-05-04T10:15:00.250Z, or seconds since 1970"

func noTime() *timeProblem { return &timeProblem{"is not a time", timeForm} }

// maxSeconds is more seconds since 1970 than any log will have (year 5138), and fewer than any log of our days has
// milliseconds.
const maxSeconds = 100_000_000_000

// parseTime reads a field of the column time; comma tells whether a decimal comma stands for a decimal point.
func parseTime(b []byte, comma bool) (si.Instant, *timeProblem) {
	if len(b) == 0 {
		return 0, &timeProblem{"is no time: it is missing", "every row needs its time"}
	}
	if len(b) > 4 && b[4] == '-' {
		return parseDate(b)
	}
	var s int64
	i := 0
	for ; i < len(b) && b[i] >= '0' && b[i] <= '9'; i++ {
		if s = s*10 + int64(b[i]-'0'); s >= maxSeconds {
			return 0, &timeProblem{"is too large for seconds since 1970", "divide milliseconds by 1000; or write RFC 3339"}
		}
	}
	us, rest, ok := fraction(b[i:], comma)
	switch {
	case i == 0 || !ok:
		return 0, noTime()
	case len(rest) > 1 && (rest[0] == 'e' || rest[0] == 'E'):
		return 0, &timeProblem{"is a time that a spreadsheet has rounded", "format the column as a number with three decimals and export it again"}
	case len(rest) > 0:
		return 0, noTime()
	}
	return after1970(s, us)
}

func after1970(s, us int64) (si.Instant, *timeProblem) {
	if s >= maxSeconds {
		return 0, &timeProblem{"is further ahead than any log can be", timeForm}
	}
	if at := si.Instant(s*1_000_000 + us); at > 0 {
		return at, nil
	}
	return 0, &timeProblem{"is not after 1970", "add the time at which the log began, where it counts seconds from its start"}
}

// fraction reads a mark and digits, if there are any, as microseconds, cut.
func fraction(b []byte, comma bool) (us int64, rest []byte, ok bool) {
	if len(b) == 0 || b[0] != '.' && !(comma && b[0] == ',') {
		return 0, b, true
	}
	i, unit := 1, int64(100_000)
	for ; i < len(b) && b[i] >= '0' && b[i] <= '9'; i++ {
		us += int64(b[i]-'0') * unit
		unit /= 10
	}
	return us, b[i:], i > 1
}

// parseDate reads RFC 3339; a space may stand for the T, and with comma a comma for the point of the seconds.
func parseDate(b []byte) (si.Instant, *timeProblem) {
	const form = "0000-00-00T00:00:00"
	if len(b) < len(form) {
		return 0, noTime()
	}
	for i := range len(form) {
		switch c := b[i]; form[i] {
		case '0':
			if c < '0' || c > '9' {
				return 0, noTime()
			}
		case 'T':
			if c != 'T' && c != 't' && c != ' ' {
				return 0, noTime()
			}
		default:
			if c != form[i] {
				return 0, noTime()
			}
		}
	}
	two := func(i int) int64 { return int64(b[i]-'0')*10 + int64(b[i+1]-'0') }
	year, month, day := two(0)*100+two(2), two(5), two(8)
	hour, minute, second := two(11), two(14), two(17)
	if month < 1 || month > 12 || day < 1 || day > monthDays(year, month) || hour > 23 || minute > 59 || second > 59 {
		return 0, &timeProblem{"is no day or time of day that there is", timeForm}
	}
	us, zone, ok := fraction(b[len(form):], true)
	if !ok {
		return 0, noTime()
	}
	var offset int64
	switch {
	case len(zone) == 0:
		return 0, &timeProblem{"has no zone", "write Z behind it where it is UTC, else for example +02:00"}
	case len(zone) == 1 && (zone[0] == 'Z' || zone[0] == 'z'):
	case len(zone) == 6 && (zone[0] == '+' || zone[0] == '-') && zone[3] == ':':
		for _, i := range [...]int{1, 2, 4, 5} {
			if zone[i] < '0' || zone[i] > '9' {
				return 0, noTime()
			}
		}
		h, m := int64(zone[1]-'0')*10+int64(zone[2]-'0'), int64(zone[4]-'0')*10+int64(zone[5]-'0')
		if h > 23 || m > 59 {
			return 0, noTime()
		}
		if offset = h*3600 + m*60; zone[0] == '-' {
			offset = -offset
		}
	default:
		return 0, noTime()
	}
	return after1970(dayNumber(year, month, day)*86400+hour*3600+minute*60+second-offset, us)
}

func monthDays(year, month int64) int64 {
	switch month {
	case 2:
		if year%4 == 0 && (year%100 != 0 || year%400 == 0) {
			return 29
		}
		return 28
	case 4, 6, 9, 11:
		return 30
	}
	return 31
}

// dayNumber counts the days from 1970-01-01 in the Gregorian calendar, for years from 0. The year is reckoned from March,
// so that the leap day is its last.
func dayNumber(year, month, day int64) int64 {
	if month <= 2 {
		year--
		month += 12
	}
	// 306 days lie between March 1 and January 1; (153m+2)/5 are those of the whole months since March.
	return 365*year + floorDiv(year, 4) - floorDiv(year, 100) + floorDiv(year, 400) + (153*(month-3)+2)/5 + day - 1 - 719468
}

func floorDiv(a, b int64) int64 {
	if a < 0 {
		return -((-a + b - 1) / b)
	}
	return a / b
}
