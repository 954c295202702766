package samplecsv_test

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/samplecsv"
)

func format() samplecsv.Format {
	all := points.All()
	return samplecsv.Format{Name: "log.csv", Points: points.SetOf(all[:]...), Pa: si.KPa}
}

// describe writes rows so that a test can name them: the time and every reading in kPa.
func describe(f samplecsv.Format, row *samplecsv.Row) string {
	out := row.At.String()
	for _, pt := range points.All() {
		switch {
		case !row.Has.Has(pt):
		case pt == points.Control && f.Electric:
			out += fmt.Sprintf(" control=%v", row.Pressed)
		default:
			out += fmt.Sprintf(" %s=%g", pt, float64(row.Value[pt])/si.KPa)
		}
	}
	return out
}

// read reads all of a log: its rows, and the error at its end but for io.EOF.
func read(in io.Reader, f samplecsv.Format) (rows []string, r *samplecsv.Reader, err error) {
	r, err = samplecsv.NewReader(in, f)
	if err != nil {
		return nil, nil, err
	}
	var row samplecsv.Row
	for {
		if err = r.Next(&row); err != nil {
			break
		}
		rows = append(rows, describe(f, &row))
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return rows, r, err
}

func TestReads(t *testing.T) {
	electric := format()
	electric.Electric = true
	psi := format()
	psi.Pa = si.PSI
	for name, c := range map[string]struct {
		f    samplecsv.Format
		text string
		want string
	}{
		"plain": {format(), "time,vessel,control\n2026-05-04T10:15:00.250Z,99.5,0.25\n2026-05-04T10:15:00.350Z,-1,0\n",
			"2026-05-04T10:15:00.250Z vessel=99.5 control=0.25\n2026-05-04T10:15:00.350Z vessel=-1 control=0"},
		"any order":       {format(), "hose,time\n1,10\n2,11\n", "1970-01-01T00:00:10.000Z hose=1\n1970-01-01T00:00:11.000Z hose=2"},
		"missing":         {format(), "time,vessel,hose\n10,,2\n11,,\n12,3,\n", "1970-01-01T00:00:10.000Z hose=2\n1970-01-01T00:00:11.000Z\n1970-01-01T00:00:12.000Z vessel=3"},
		"zone":            {format(), "time,vessel\n2026-05-04T12:15:00+02:00,1\n", "2026-05-04T10:15:00.000Z vessel=1"},
		"space, no T":     {format(), "time,vessel\n2026-05-04 10:15:00z,1\n", "2026-05-04T10:15:00.000Z vessel=1"},
		"cut to us":       {format(), "time,vessel\n1790000000.1239999,1\n", "2026-09-21T14:13:20.123Z vessel=1"},
		"mark and CRLF":   {format(), "\xef\xbb\xbftime,vessel\r\n10,1\r\n\r\n11,2", "1970-01-01T00:00:10.000Z vessel=1\n1970-01-01T00:00:11.000Z vessel=2"},
		"quotes":          {format(), "\"time\",\"vessel\"\n\"10\", \"1.5\" \n11,\"2\"\n", "1970-01-01T00:00:10.000Z vessel=1.5\n1970-01-01T00:00:11.000Z vessel=2"},
		"blanks, capital": {format(), " Time , Vessel \n 10 , 1 \n", "1970-01-01T00:00:10.000Z vessel=1"},
		"semicolons":      {format(), "time;vessel\n10,5;1,25\n11,5;-0,5\n", "1970-01-01T00:00:10.500Z vessel=1.25\n1970-01-01T00:00:11.500Z vessel=-0.5"},
		"semicolons, iso": {format(), "time;vessel\n2026-05-04T10:15:00,25Z;1,25\n", "2026-05-04T10:15:00.250Z vessel=1.25"},
		"semicolon point": {format(), "time;vessel\n10.5;1.25\n", "1970-01-01T00:00:10.500Z vessel=1.25"},
		"tabs":            {format(), "time\tvessel\those\n10\t1.25\t\n", "1970-01-01T00:00:10.000Z vessel=1.25"},
		"empty last":      {format(), "time,vessel,\n10,1,\n11,2\n", "1970-01-01T00:00:10.000Z vessel=1\n1970-01-01T00:00:11.000Z vessel=2"},
		"exponents":       {format(), "time,vessel\n10,1.5e2\n11,+2E-1\n12,.5\n", "1970-01-01T00:00:10.000Z vessel=150\n1970-01-01T00:00:11.000Z vessel=0.2\n1970-01-01T00:00:12.000Z vessel=0.5"},
		"electric":        {electric, "time,control\n10,0\n11,1\n12,1.0\n13,\n", "1970-01-01T00:00:10.000Z control=false\n1970-01-01T00:00:11.000Z control=true\n1970-01-01T00:00:12.000Z control=true\n1970-01-01T00:00:13.000Z"},
		"header alone":    {format(), "time,vessel\n", ""},
		"psi":             {psi, "time,vessel\n10,100\n", "1970-01-01T00:00:10.000Z vessel=689.4757293168362"}, // 100 psi is 689.4757 kPa, NIST SP 811
	} {
		t.Run(name, func(t *testing.T) {
			for how, in := range map[string]io.Reader{"whole": strings.NewReader(c.text), "bytewise": iotest.OneByteReader(strings.NewReader(c.text))} {
				rows, _, err := read(in, c.f)
				if got := strings.Join(rows, "\n"); err != nil || got != c.want {
					t.Errorf("%s: %v\n%s\nwant\n%s", how, err, got, c.want)
				}
			}
		})
	}
}

func TestRefuses(t *testing.T) {
	electric := format()
	electric.Electric = true
	few := format()
	few.Points = points.SetOf(points.Vessel)
	long := strings.Repeat("x", samplecsv.MaxLine)
	for name, c := range map[string]struct {
		f    samplecsv.Format
		text string
		want string // a part of the error
	}{
		"empty":              {format(), "", "log.csv: the file is empty; it must begin with a header"},
		"UTF-16":             {format(), "\xff\xfet\x00i\x00m\x00e\x00\n\x00", "log.csv:1: the file is UTF-16; save it as CSV in UTF-8"},
		"compressed":         {format(), "\x1f\x8b\x08\x00\n", "name that ends in .gz"},
		"long header":        {format(), long + long, "log.csv:1: the header is longer than 4096 bytes"},
		"no time":            {format(), "vessel,hose\n", "log.csv:1: the header has no column time"},
		"no header":          {format(), "10,1.5\n", `unknown columns: "10", "1.5"; the header names time and any of supply,`},
		"only time":          {format(), "time\n", "names no measuring point"},
		"unknown columns":    {format(), "time,vessel (psi),note\n", `log.csv:1: unknown columns: "vessel (psi)", "note"`},
		"twice":              {format(), "time,vessel,VESSEL\n", "log.csv:1: vessel: this column stands here a second time"},
		"empty name inside":  {format(), "time,,vessel\n", `unknown columns: ""`},
		"not the pot's":      {few, "time,vessel,hose,supply\n", "log.csv:1: the pot has no point hose, supply; add it to points in the pot's file, or take the column out"},
		"few fields":         {format(), "time,vessel,hose\n10,1\n", "log.csv:2: 2 fields where the header has 3"},
		"many fields":        {format(), "time,vessel\n10,1,5\n", "log.csv:2: more fields than the header has"},
		"no such number":     {format(), "time,vessel\n10,1\n\n11,abc\n", `log.csv:4: vessel: "abc" is not a number; write for example 99.6`},
		"hex":                {format(), "time,vessel\n10,0x1p3\n", "is not a number"},
		"underscore":         {format(), "time,vessel\n10,1_0\n", "is not a number"},
		"two marks":          {format(), "time,vessel\n10,1.2.3\n", "is not a number"},
		"bare exponent":      {format(), "time,vessel\n10,1e\n", "is not a number"},
		"NaN":                {format(), "time,vessel\n10,NaN\n", `vessel: "NaN" is not a finite number; leave a missing reading empty`},
		"infinite":           {format(), "time,vessel\n10,-Infinity\n", "is not a finite number"},
		"out of range":       {format(), "time,vessel\n10,1e999\n", "is not a finite number"},
		"no gauge":           {format(), "time,vessel\n10,1e300\n", "is no pressure that a gauge can show"},
		"quoted comma":       {format(), "time,vessel\n10,\"1,034\"\n", "may be a decimal mark or part thousands"},
		"tab and comma":      {format(), "time\tvessel\n10\t1,034\n", "may be a decimal mark or part thousands"},
		"marks differ":       {format(), "time;vessel\n10;1,5\n11;1.5\n", `log.csv:3: vessel: "1.5" has another decimal mark than line 2`},
		"marks in a row":     {format(), "time;vessel;hose\n10;1,5;1.5\n", "has another decimal mark than line 2"},
		"thousands":          {format(), "time;vessel\n10;1.034,5\n", "is not a number"},
		"open quote":         {format(), "time,vessel\n10,\"1\n", "log.csv:2: a quote is not closed in its line"},
		"after a quote":      {format(), "time,vessel\n10,\"1\"2\n", "something follows a closing quote"},
		"long line":          {format(), "time,vessel\n10,1\n11," + long + "\n", "log.csv:3: the line is longer than 4096 bytes"},
		"surplus value":      {format(), "time,vessel,\n10,1,7\n", `the last column: "7" stands under no name`},
		"electric":           {electric, "time,control\n10,140\n", `control: "140" is neither 0 nor 1; the pot's handle is electric`},
		"no time in row":     {format(), "time,vessel\n,1\n", "log.csv:2: time: \"\" is no time: it is missing"},
		"no zone":            {format(), "time,vessel\n2026-05-04T10:15:00,1\n", "has no zone; write Z behind it where it is UTC, else for example +02:00"},
		"no such day":        {format(), "time,vessel\n2026-02-29T10:15:00Z,1\n", "is no day or time of day that there is"},
		"leap second":        {format(), "time,vessel\n2016-12-31T23:59:60Z,1\n", "is no day or time of day that there is"},
		"date alone":         {format(), "time,vessel\n2026-05-04,1\n", "is not a time; write RFC 3339"},
		"other date":         {format(), "time,vessel\n05/04/2026 10:15,1\n", "is not a time; write RFC 3339"},
		"milliseconds":       {format(), "time,vessel\n1790000000000,1\n", "is too large for seconds since 1970; divide milliseconds by 1000"},
		"rounded":            {format(), "time,vessel\n1.79E+09,1\n", "is a time that a spreadsheet has rounded; format the column as a number"},
		"rounded, no mark":   {format(), "time,vessel\n2E+09,1\n", "is a time that a spreadsheet has rounded"},
		"from its start":     {format(), "time,vessel\n0.0,1\n", "is not after 1970; add the time at which the log began"},
		"far ahead":          {format(), "time,vessel\n9999-12-31T23:59:59-23:59,1\n", "is further ahead than any log can be"},
		"negative":           {format(), "time,vessel\n-5,1\n", "is not a time"},
		"out of order":       {format(), "time,vessel\n11,1\n10,1\n", "log.csv:3: time: this is earlier than the row before; sort the rows"},
		"repeated":           {format(), "time,vessel\n10,1\n10.0,1\n", "log.csv:3: time: this is the time of the row before; times need as many decimals"},
		"zone turns it back": {format(), "time,vessel\n2026-05-04T10:15:00Z,1\n2026-05-04T10:15:01+01:00,1\n", "earlier than the row before"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := read(strings.NewReader(c.text), c.f)
			var bad *samplecsv.Error
			if !errors.As(err, &bad) || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("%v\nwant %s", err, c.want)
			}
			if strings.ContainsAny(err.Error(), "\n\r") || len(err.Error()) > 300 {
				t.Errorf("the message is no short line: %q", err)
			}
		})
	}
}

// TestLenient: bad rows are counted by kind, and what follows is read as if they had not been there.
func TestLenient(t *testing.T) {
	f := format()
	f.Lenient = true
	text := "time,vessel\n10,1\n9,2\n10,3\n11,abc\n11,NaN\n" + strings.Repeat("1", 3*samplecsv.MaxLine) + "\n12,4,5\n13,6\n13,7\n12,8\n99"
	rows, r, err := read(strings.NewReader(text), f)
	if want := "1970-01-01T00:00:10.000Z vessel=1 1970-01-01T00:00:13.000Z vessel=6"; err != nil || strings.Join(rows, " ") != want {
		t.Errorf("%v, %v", rows, err)
	}
	if got := r.Skipped(); got.String() != "4 malformed, 2 out of order, 2 repeated, 1 not finite" || got.Total() != 9 {
		t.Errorf("skipped %v, together %d", got, got.Total())
	}
	if r.Line() != 12 {
		t.Errorf("ended on line %d", r.Line())
	}
	if s := (samplecsv.Counts{}).String(); s != "none" {
		t.Errorf("nothing is %q", s)
	}
	// A header is never skipped: what the columns are is not known without it.
	if _, _, err := read(strings.NewReader("time,note\n10,1\n"), f); err == nil {
		t.Error("an unknown column is taken")
	}
}

// TestInputFails: an error of the input is told with its place, and is never skipped.
func TestInputFails(t *testing.T) {
	f := format()
	f.Lenient = true
	broken := errors.New("unplugged")
	rows, _, err := read(io.MultiReader(strings.NewReader("time,vessel\n10,1\n11,"), iotest.ErrReader(broken)), f)
	if len(rows) != 1 || !errors.Is(err, broken) || !strings.HasPrefix(err.Error(), "log.csv:3: ") {
		t.Errorf("%v, %v", rows, err)
	}
}

func TestNoAllocation(t *testing.T) {
	f := format()
	one := "2026-05-04T10:15:%02d.%03dZ,101.325,689.4757,689.4757293168,0.1,,%d\n"
	var b strings.Builder
	b.WriteString("time,supply,separator,vessel,hose,nozzle,control\n")
	const rows = 6000
	for i := range rows {
		fmt.Fprintf(&b, one, i/100%60, i%100*10, i%150)
	}
	r, err := samplecsv.NewReader(strings.NewReader(b.String()), f)
	if err != nil {
		t.Fatal(err)
	}
	var row samplecsv.Row
	next := func() {
		if err := r.Next(&row); err != nil {
			t.Fatal(err)
		}
	}
	next()
	if n := testing.AllocsPerRun(rows-10, next); n != 0 {
		t.Errorf("%v allocations a row", n)
	}
	if math.Abs(float64(row.Value[points.Vessel])-689475.7293168) > 1e-9 {
		t.Errorf("last vessel %v", float64(row.Value[points.Vessel]))
	}
}

func BenchmarkNext(b *testing.B) {
	const rows = 50_000
	var text strings.Builder
	text.WriteString("time,supply,separator,vessel,hose,control\n")
	for i := range rows {
		at := si.Instant(1_790_000_000_000_000 + int64(i)*100_000)
		fmt.Fprintf(&text, "%s,101.32,100.71,%.2f,87.5,%.1f\n", at, 99.5+float64(i%7)/10, float64(i%3)/10)
	}
	b.SetBytes(int64(text.Len()))
	b.ReportAllocs()
	var row samplecsv.Row
	n := 0
	for b.Loop() {
		r, err := samplecsv.NewReader(strings.NewReader(text.String()), format())
		if err != nil {
			b.Fatal(err)
		}
		for err == nil {
			err = r.Next(&row)
			n++
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Mrows/s")
	b.ReportMetric(float64(n)*5/b.Elapsed().Seconds()/1e6, "Mvalues/s")
}
