package samplecsv_test

import (
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/samplecsv"
)

// FuzzReader: whatever a file holds, times grow, values are finite, a lenient reader gives at least the rows of a strict
// one in the same order, and every row of the file is either given or counted.
func FuzzReader(f *testing.F) {
	f.Add("time,vessel,control\n2026-05-04T10:15:00.250Z,99.5,0.25\n", false)
	f.Fuzz(func(t *testing.T, text string, electric bool) {
		form := format()
		form.Electric = electric
		strict, _, serr := read(strings.NewReader(text), form)
		form.Lenient = true
		r, err := samplecsv.NewReader(strings.NewReader(text), form)
		if err != nil {
			var bad *samplecsv.Error
			if !errors.As(err, &bad) || serr == nil {
				t.Fatalf("lenient %v, strict %v", err, serr)
			}
			return
		}
		var row samplecsv.Row
		var last si.Instant
		n := 0
		for ; ; n++ {
			if err = r.Next(&row); err != nil {
				break
			}
			if row.At <= last || row.At <= 0 {
				t.Fatalf("row %d at %d after %d", n, row.At, last)
			}
			last = row.At
			if n < len(strict) && describe(form, &row) != strict[n] {
				t.Fatalf("row %d is %s, strictly %s", n, describe(form, &row), strict[n])
			}
			for _, pt := range points.All() {
				v := float64(row.Value[pt])
				if math.IsNaN(v) || math.Abs(v) > 1e9 || v != 0 && !row.Has.Has(pt) {
					t.Fatalf("row %d has %s = %v", n, pt, v)
				}
			}
			if row.Has&^r.Columns() != 0 {
				t.Fatalf("row %d has points that no column is of", n)
			}
		}
		if !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		if n < len(strict) || (serr == nil) != (r.Skipped().Total() == 0) {
			t.Fatalf("%d rows and %v, strictly %d rows and %v", n, r.Skipped(), len(strict), serr)
		}
	})
}

// one reads a log of one row with the fields given, which must be clean of what separates fields.
func one(t *testing.T, at, vessel string) (row samplecsv.Row, err error) {
	if strings.ContainsAny(at+vessel, ",\"\n\r") || len(at+vessel) > 1000 {
		t.Skip()
	}
	r, err := samplecsv.NewReader(strings.NewReader("time,vessel\n"+at+","+vessel+"\n"), samplecsv.Format{Points: points.SetOf(points.Vessel), Pa: 1})
	if err != nil {
		t.Fatal(err)
	}
	err = r.Next(&row)
	return row, err
}

// FuzzNumber holds numbers against strconv, bit for bit.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1", "-0", "99.6", "1e5", "9007199254740993", "0.1234567890123456789012345", "123456789012345678", ".5", "5.", "1e-400", "562949953421311.9"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		text = strings.Trim(text, " \t")
		if text == "" {
			return
		}
		row, err := one(t, "10", text)
		want, werr := strconv.ParseFloat(text, 64)
		decimal := !strings.ContainsAny(text, "xX_")
		switch {
		case err == nil && (werr != nil || math.Float64bits(want) != math.Float64bits(float64(row.Value[points.Vessel]))):
			t.Fatalf("%q is %v; strconv says %v, %v", text, float64(row.Value[points.Vessel]), want, werr)
		case err != nil && werr == nil && decimal && math.Abs(want) <= 1e9:
			t.Fatalf("%q is %v, and is refused: %v", text, want, err)
		}
	})
}

// FuzzTime holds times against package time, to the microsecond.
func FuzzTime(f *testing.F) {
	for _, s := range []string{"2026-05-04T10:15:00.250Z", "2024-02-29T23:59:59.9999999+05:30", "2000-02-29T00:00:00Z", "2100-02-29T00:00:00Z", "1970-01-01T00:30:00+01:00",
		"1790000000.25", "9999-12-31T23:59:59-23:59", "2026-13-01T00:00:00Z"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		text = strings.Trim(text, " \t")
		row, err := one(t, text, "1")
		upper := []byte(strings.ToUpper(text))
		if len(upper) > 10 && upper[10] == ' ' {
			upper[10] = 'T'
		}
		want, werr := time.Parse(time.RFC3339Nano, string(upper))
		seconds, serr := strconv.ParseFloat(text, 64)
		switch {
		case err == nil && werr == nil && row.At.Time() != want.UTC().Truncate(time.Microsecond):
			t.Fatalf("%q is %v, package time says %v", text, row.At.Time(), want)
		case err == nil && werr != nil && (serr != nil || math.Abs(float64(row.At)/1e6-seconds) > 1e-4):
			t.Fatalf("%q is %v, which nobody else says", text, row.At)
		case err != nil && werr == nil && want.UnixMicro() > 0 && want.Year() > 999 && want.Year() < 5138:
			t.Fatalf("%q is %v, and is refused: %v", text, want, err)
		}
	})
}
