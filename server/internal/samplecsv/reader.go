// Package samplecsv reads the log of one pot: a header line with time and any of the measuring points in any order, then
// one row an instant.
//
//	time,vessel,control
//	2026-05-04T10:15:00.250Z,99.6,0.1
//	2026-05-04T10:15:00.350Z,,0.1
//
// Times are RFC 3339 with a zone, or decimal seconds since 1970, and are cut to a microsecond. Pressures are gauge, in
// the pot's unit; the control of an electric handle is 0 or 1; an empty field is a missing reading. Times grow from row
// to row.
//
// What spreadsheets make of such a file is taken where it can mean one thing only: a byte-order mark, CRLF, quotes, blank
// lines, an empty last column, a space for the T, semicolons or tabs between the fields, and with semicolons a decimal
// comma. The first number with a decimal mark settles the mark of the whole file.
//
// A Reader holds one line at a time and allocates nothing for a good row.
package samplecsv

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// MaxLine is the longest line that is read, bytes.
const MaxLine = 4096

// Format is what must be known to read a log.
type Format struct {
	Name     string     // of the file, for errors
	Points   points.Set // that the pot has; another point's column is an error
	Pa       float64    // one unit of the pressures, Pa
	Electric bool       // control is 0 or 1
	Lenient  bool       // bad rows are counted and skipped
}

// A Row is what one instant holds.
type Row struct {
	At      si.Instant
	Line    int        // of the file, from 1
	Has     points.Set // points with a reading
	Value   [points.Count]si.GaugePressure
	Pressed bool // control, where the handle is electric
}

// A Reader reads the rows of a log.
type Reader struct {
	f       Format
	in      *bufio.Reader
	line    int
	comma   byte // between fields
	columns []column
	points  points.Set
	fields  [][]byte

	last     si.Instant
	mark     byte // decimal, 0: not settled
	markLine int
	counts   Counts
}

// A column is one of the file's. The last may be nothing: rows end in a separator.
type column struct {
	kind  columnKind
	point points.Point
}

type columnKind uint8

const (
	timeColumn columnKind = iota
	pointColumn
	emptyColumn
)

func (c column) String() string {
	switch c.kind {
	case timeColumn:
		return "time"
	case pointColumn:
		return c.point.String()
	}
	return "the last column"
}

// NewReader reads the header. Problems of the file are a *Error; others are those of in.
func NewReader(in io.Reader, f Format) (*Reader, error) {
	r := &Reader{f: f, in: bufio.NewReaderSize(in, MaxLine)}
	line, err := r.next()
	switch {
	case errors.Is(err, io.EOF):
		return nil, &Error{File: f.Name, Kind: Malformed, What: "the file is empty", Do: "it must begin with a header, for example time,vessel,control"}
	case errors.Is(err, bufio.ErrBufferFull):
		return nil, r.fault("", Malformed, "the header is longer than 4096 bytes", "look whether it is the right file, and whether its lines end in a line feed")
	case err != nil:
		return nil, err
	}
	if bytes.HasPrefix(line, []byte("\xff\xfe")) || bytes.HasPrefix(line, []byte("\xfe\xff")) {
		return nil, r.fault("", Malformed, "the file is UTF-16", "save it as CSV in UTF-8")
	}
	if bytes.HasPrefix(line, []byte("\x1f\x8b")) {
		return nil, r.fault("", Malformed, "the file is compressed", "give it a name that ends in .gz, or unpack it first")
	}
	if err := r.header(bytes.TrimPrefix(line, []byte("\xef\xbb\xbf"))); err != nil {
		return nil, err
	}
	return r, nil
}

// header takes the names of the columns.
func (r *Reader) header(line []byte) error {
	r.comma = ','
	for _, c := range []byte{',', ';', '\t'} {
		if bytes.IndexByte(line, c) >= 0 {
			r.comma = c
			break
		}
	}
	if problem := r.split(line, MaxLine); problem != "" {
		return r.fault("", Malformed, problem, "")
	}
	var unknown, absent []string
	seen := map[string]bool{}
	hasTime := false
	for i, field := range r.fields {
		name := strings.ToLower(string(field))
		if name != "" && seen[name] {
			return r.fault(name, Malformed, "this column stands here a second time", "name each column once")
		}
		seen[name] = true
		pt, err := points.Parse(name)
		switch {
		case name == "time":
			hasTime = true
			r.columns = append(r.columns, column{kind: timeColumn})
		case name == "" && i == len(r.fields)-1 && i > 0:
			r.columns = append(r.columns, column{kind: emptyColumn})
		case err != nil:
			unknown = append(unknown, fmt.Sprintf("%q", Cut(string(field))))
		case !r.f.Points.Has(pt):
			absent = append(absent, name)
		default:
			r.points |= points.SetOf(pt)
			r.columns = append(r.columns, column{pointColumn, pt})
		}
	}
	switch {
	case len(unknown) > 0:
		return r.fault("", Malformed, "unknown columns: "+strings.Join(unknown, ", "),
			"the header names time and any of supply, separator, vessel, hose, nozzle, control; rename or remove the others")
	case len(absent) > 0:
		return r.fault("", Malformed, "the pot has no point "+strings.Join(absent, ", "),
			"add it to points in the pot's file, or take the column out")
	case !hasTime:
		return r.fault("", Malformed, "the header has no column time", "the first line must name the columns, for example time,vessel,control")
	case r.points == 0:
		return r.fault("", Malformed, "the header names no measuring point", "add any of supply, separator, vessel, hose, nozzle, control")
	}
	return nil
}

// Columns are the points that the file has a column for.
func (r *Reader) Columns() points.Set { return r.points }

// Line is that of the newest line read, from 1.
func (r *Reader) Line() int { return r.line }

// Skipped tells how many rows were left out, by kind.
func (r *Reader) Skipped() Counts { return r.counts }

// Next is the next good row, or io.EOF. A bad row is a *Error, or counted and skipped where the format is lenient. Any
// other error is that of the input, with file and line. Next must not be called after an error.
func (r *Reader) Next(row *Row) error {
	for {
		line, err := r.next()
		var bad *Error
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			bad = r.fault("", Malformed, "the line is longer than 4096 bytes", "take it out")
		case err != nil:
			return err
		default:
			bad = r.row(line, row)
		}
		if bad == nil {
			return nil
		}
		if !r.f.Lenient {
			return bad
		}
		r.counts[bad.Kind]++
	}
}

// next is the next line that is not blank, without its end. Of a line that is too long nothing is left in the input.
func (r *Reader) next() ([]byte, error) {
	for {
		line, err := r.in.ReadSlice('\n')
		r.line++
		tooLong := false
		for errors.Is(err, bufio.ErrBufferFull) {
			tooLong = true
			_, err = r.in.ReadSlice('\n')
		}
		switch {
		case tooLong && (err == nil || errors.Is(err, io.EOF)):
			return nil, bufio.ErrBufferFull
		case errors.Is(err, io.EOF) && len(line) == 0:
			r.line--
			return nil, io.EOF
		case err != nil && !errors.Is(err, io.EOF):
			return nil, fmt.Errorf("%s:%d: %w", r.f.Name, r.line, err)
		}
		line = bytes.TrimSuffix(line, []byte("\n"))
		if line = bytes.TrimSuffix(line, []byte("\r")); len(line) > 0 {
			return line, nil
		}
	}
}

// row takes a line; nil: row holds it.
func (r *Reader) row(line []byte, row *Row) *Error {
	if problem := r.split(line, len(r.columns)); problem != "" {
		return r.fault("", Malformed, problem, "")
	}
	if len(r.fields) < len(r.columns) && !(len(r.fields) == len(r.columns)-1 && r.columns[len(r.columns)-1].kind == emptyColumn) {
		return r.fault("", Malformed, fmt.Sprintf("%d fields where the header has %d", len(r.fields), len(r.columns)),
			"write every column's separator; leave a missing reading empty")
	}
	*row = Row{Line: r.line}
	mark := r.mark
	for i, field := range r.fields {
		c := r.columns[i]
		switch {
		case c.kind == timeColumn:
			at, problem := parseTime(field, r.comma == ';')
			if problem != nil {
				return r.value(c, field, Malformed, problem.what, problem.do)
			}
			row.At = at
		case c.kind == emptyColumn && len(field) > 0:
			return r.value(c, field, Malformed, "stands under no name", "name the column in the header, or take it out")
		case len(field) == 0:
		default:
			if bad := r.reading(c, field, row, &mark); bad != nil {
				return bad
			}
		}
	}
	switch {
	case row.At == r.last:
		return r.fault("time", Repeated, "this is the time of the row before", "times need as many decimals as the log is fast; take rows that stand twice out")
	case row.At < r.last:
		return r.fault("time", OutOfOrder, "this is earlier than the row before", "sort the rows by time; where the logger's clock was set back, make it two files")
	}
	r.last = row.At
	if mark != r.mark {
		r.mark, r.markLine = mark, r.line
	}
	return nil
}

// reading takes one field of a point.
func (r *Reader) reading(c column, field []byte, row *Row, mark *byte) *Error {
	n := parseNumber(field)
	switch {
	case n.status == notNumber:
		return r.value(c, field, Malformed, "is not a number", "write for example 99.6; leave a missing reading empty")
	case n.status == notFinite:
		return r.value(c, field, NotFinite, "is not a finite number", "leave a missing reading empty")
	case n.mark == ',' && r.comma != ';':
		return r.value(c, field, Malformed, "has a comma, which may be a decimal mark or part thousands", "write a decimal point, or separate the fields by semicolons")
	case n.mark != 0 && *mark != 0 && n.mark != *mark:
		at := r.markLine
		if at == 0 {
			at = r.line
		}
		return r.value(c, field, Malformed, fmt.Sprintf("has another decimal mark than line %d", at), "write numbers without marks for thousands, and one decimal mark in the whole file")
	case n.mark != 0:
		*mark = n.mark
	}
	row.Has |= points.SetOf(c.point)
	if c.point == points.Control && r.f.Electric {
		if n.v != 0 && n.v != 1 {
			return r.value(c, field, Malformed, "is neither 0 nor 1", "the pot's handle is electric: write 0 for released and 1 for pressed")
		}
		row.Pressed = n.v == 1
		return nil
	}
	pa := n.v * r.f.Pa
	if pa > maxPa || pa < -maxPa {
		return r.value(c, field, NotFinite, "is no pressure that a gauge can show", "leave a missing reading empty")
	}
	row.Value[c.point] = si.GaugePressure(pa)
	return nil
}

// maxPa bounds what is taken for a pressure: a number over it marks a fault of the logger. Ten thousand bar.
const maxPa = 1e4 * si.Bar

// split cuts a line into r.fields, without quotes and the blanks around them. It stops after most fields and one more.
func (r *Reader) split(line []byte, most int) (problem string) {
	r.fields = r.fields[:0]
	quoted := bytes.IndexByte(line, '"') >= 0
	for {
		if len(r.fields) > most-1 {
			return "more fields than the header has; take the separators of surplus fields out"
		}
		var field, rest []byte
		more := false
		if quoted {
			field, rest, more, problem = cutQuoted(line, r.comma)
			if problem != "" {
				return problem
			}
		} else if i := bytes.IndexByte(line, r.comma); i >= 0 {
			field, rest, more = line[:i], line[i+1:], true
		} else {
			field = line
		}
		r.fields = append(r.fields, trim(field))
		if !more {
			return ""
		}
		line = rest
	}
}

// cutQuoted cuts the first field, which may be quoted, off a line. Doubled quotes are made single in place.
func cutQuoted(line []byte, comma byte) (field, rest []byte, more bool, problem string) {
	start := 0
	for start < len(line) && line[start] == ' ' {
		start++
	}
	if start == len(line) || line[start] != '"' {
		field, rest, more = bytes.Cut(line, []byte{comma})
		return field, rest, more, ""
	}
	body := line[start+1:]
	n := 0
	for i := 0; i < len(body); i++ {
		if body[i] == '"' {
			if i+1 == len(body) || body[i+1] != '"' {
				after := bytes.TrimLeft(body[i+1:], " ")
				switch {
				case len(after) == 0:
					return body[:n], nil, false, ""
				case after[0] == comma:
					return body[:n], after[1:], true, ""
				}
				return nil, nil, false, "something follows a closing quote; put quotes around whole fields only"
			}
			i++
		}
		body[n] = body[i]
		n++
	}
	return nil, nil, false, "a quote is not closed in its line; close it"
}

func trim(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t') {
		b = b[:len(b)-1]
	}
	return b
}

func (r *Reader) fault(column string, k Kind, what, do string) *Error {
	return &Error{File: r.f.Name, Line: r.line, Column: column, Kind: k, What: what, Do: do}
}

// value is a fault of one field, which is quoted.
func (r *Reader) value(c column, field []byte, k Kind, what, do string) *Error {
	return r.fault(c.String(), k, fmt.Sprintf("%q %s", Cut(string(field)), what), do)
}
