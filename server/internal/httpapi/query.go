package httpapi

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// An asked is the query of a request. What is not in order is kept in err, the first only: words of what and what to do.
type asked struct {
	values url.Values
	err    string
}

// ask reads the query of a request; any parameter but those known is not in order.
func ask(r *http.Request, known ...string) *asked {
	values, err := url.ParseQuery(r.URL.RawQuery)
	q := &asked{values: values}
	if err != nil {
		q.fail("the query cannot be read")
	}
	for key, v := range values {
		switch {
		case !slices.Contains(known, key):
			q.fail("%q is not known here; known: %s", key, strings.Join(known, ", "))
		case len(v) > 1:
			q.fail("%s stands more than once", key)
		}
	}
	return q
}

func (q *asked) fail(format string, args ...any) {
	if q.err == "" {
		q.err = fmt.Sprintf(format, args...)
	}
}

// refused answers a query that is not in order.
func (q *asked) refused(w http.ResponseWriter, r *http.Request) bool {
	if q.err != "" {
		Problem(w, r, http.StatusBadRequest, q.err)
	}
	return q.err != ""
}

// limit is the most items of a page.
func (q *asked) limit(usual int) int {
	text := q.values.Get("limit")
	if text == "" && !q.values.Has("limit") {
		return usual
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > maxLimit {
		q.fail("limit is a whole number from 1 to %d", maxLimit)
		return usual
	}
	return n
}

// oldestFirst is the order of a list of records.
func (q *asked) oldestFirst() bool {
	switch text := q.values.Get("order"); {
	case text == "oldest":
		return true
	case text != "newest" && q.values.Has("order"):
		q.fail("order is newest (the usual one) or oldest")
	}
	return false
}

// lastSecond is the end of the year 9999, s since 1970: the last that RFC 3339 can tell. What is greater than maxSeconds is
// taken for milliseconds.
const (
	lastSecond = 253_402_300_799
	maxSeconds = 100_000_000_000 // in the year 5138; in ms it is the year 1973
)

// instant is the instant of a parameter; false: it is not there, or not in order.
func (q *asked) instant(key string) (si.Instant, bool) {
	text := q.values.Get(key)
	if !q.values.Has(key) {
		return 0, false
	}
	if strings.Trim(text, "0123456789.") == "" && text != "" {
		s, err := strconv.ParseFloat(text, 64)
		switch {
		case err != nil:
			q.fail("%s: %q is no time; %s", key, text, timeForm)
		case s > maxSeconds:
			q.fail("%s: %q is too large for seconds since 1970; divide milliseconds by 1000", key, text)
		default:
			return si.Instant(s*1e6 + 0.5), true
		}
		return 0, false
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || t.Unix() < 0 || t.Unix() > lastSecond {
		hint := ""
		if strings.Contains(text, " ") {
			hint = ", and + as %2B"
		}
		q.fail("%s: %q is no time; %s%s", key, text, timeForm, hint)
		return 0, false
	}
	return si.InstantOf(t), true
}

const timeForm = "write RFC 3339 with its zone, for example 2026-05-04T10:15:00Z, or seconds since 1970"

// points are those of the parameter; absent: those of the pot.
func (q *asked) points(of []string) points.Set {
	list := of
	if q.values.Has("points") {
		list = strings.Split(q.values.Get("points"), ",")
	}
	var out points.Set
	for _, name := range list {
		p, err := points.Parse(name)
		if err != nil {
			q.fail("points: %v; separate them by commas", err)
			return 0
		}
		out |= points.SetOf(p)
	}
	return out
}

// step is the length of the parameter; 0: it is not there, or not in order.
func (q *asked) step() time.Duration {
	text := q.values.Get("step")
	if !q.values.Has("step") {
		return 0
	}
	if s, err := strconv.ParseFloat(text, 64); err == nil && strings.Trim(text, "0123456789.") == "" {
		text = strconv.FormatFloat(s, 'f', -1, 64) + " s"
	}
	d, err := si.ParseDuration(text)
	if err != nil || d < time.Millisecond {
		q.fail("step: %q is no length of time from 1 ms on; write seconds, for example 0.5, or a unit, for example 500ms or 5min", q.values.Get("step"))
		return 0
	}
	return d.Round(time.Microsecond)
}

// span is a range of time that is not empty.
type span struct{ from, to si.Instant }

func (s span) length() time.Duration { return s.to.Sub(s.from) }

// span is the range of the query. Without to it ends now; without from it is as long as usual. longest bounds it, and instead
// says what to do about a longer one.
func (q *asked) span(now si.Instant, usual, longest time.Duration, instead string) (s span, began bool) {
	var ok bool
	if s.to, ok = q.instant("to"); !ok {
		s.to = now
	}
	if s.from, began = q.instant("from"); !began {
		s.from = max(0, s.to.Add(-usual))
	}
	switch {
	case q.err != "":
	case s.from > s.to || s.from == s.to:
		q.fail("to (%v) does not lie after from (%v)", s.to, s.from)
	case s.length() > longest:
		q.fail("from %v to %v are more than %d days; %s", s.from, s.to, longest/day, instead)
	}
	return s, began
}

const day = 24 * time.Hour

// instant writes an instant in RFC 3339, with as many decimals as it needs: 3 or 6.
func instant(i si.Instant) string {
	if i%1000 == 0 {
		return i.String()
	}
	return i.Time().Format("2006-01-02T15:04:05.000000Z")
}
