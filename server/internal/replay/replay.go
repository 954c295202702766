// Package replay runs the answer's judge, the watches over vents and gauges and the engine over a logged CSV and writes what
// they find, one JSON object a line: an estimate now and then, each cycle when it ends, the alarms of the watches when they
// are raised and when they return, and the event no-vent-seen once a release that the answer has no witness for, or loses it
// again (R3). It has no clock: everything follows from the rows, so the same log gives the same bytes. Nothing in it is the
// present; the judge stands alone (of R8's two), and R6's age at serving does not apply. The word is the judge's, lowered
// while something is found of the vessel's gauge (R2).
//
// # Time
//
// Rows move time on. An empty field is a missing reading: the point's former one stands until it is no longer fresh, so
// that columns may be logged at different rates. A row without any reading is silence, and so is a gap in the rows: once
// the readings before it are no longer fresh, all three are told that nothing is heard.
//
// Estimates stand on a grid of whole multiples of Every since 1970: the first row in each cell, with all rows up to it,
// gives one. A gap gives one for the first instant of the grid at which nothing is fresh any more, and then none until the
// rows go on.
//
// # Slow logs
//
// A reading is fresh for the larger of 2 s and 2.5 periods, and a log whose period is over 2 s never proves a vent (the
// answer then has log-too-slow among its reasons). The period is the one that the user states, else the median of the
// first 100 intervals between readings of the vessel; where the log's beginning holds fewer than two of them, between its
// rows. A log that is fast at first and slow later is judged by the fast one, which is the stricter.
//
// # Ranges
//
// Where a point's range is declared, a reading beyond it by more than the limits of NAMUR NE 43 (3.8 to 20.5 mA: 1.25 % of
// the span under, 3.125 % over) is out of range, as the agent has it: its value is kept, and not good.
package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/samplecsv"
)

// Options of a replay. The zero value is right but for Name.
type Options struct {
	Name    string        // of the log, for errors
	Lenient bool          // bad rows are counted and skipped
	Every   time.Duration // between estimates, s; 0: 1 s
	Period  time.Duration // of the log; 0: measured

	// Progress is told now and then how many rows were taken; may be nil.
	Progress func(rows int)
}

// A Summary says what a replay did.
type Summary struct {
	Rows     int // good ones
	Lines    int // written
	Skipped  samplecsv.Counts
	Columns  points.Set // that the log has
	Period   time.Duration
	From, To si.Instant // first and last row; 0: none
}

// TooSlow tells whether the log comes too seldom ever to prove a vent.
func (s Summary) TooSlow() bool { return s.Period > vent.MaxAge }

// A HeaderError is a log that cannot be read at all.
type HeaderError struct{ Err error }

func (e *HeaderError) Error() string { return e.Err.Error() }

// Unwrap gives the reader's own error.
func (e *HeaderError) Unwrap() error { return e.Err }

// checkEvery is how many rows pass between looks at the context; a power of two.
const checkEvery = 1024

// Run plays a log of the pot from in and writes its lines to out, which it does not buffer. When ctx ends it returns nil:
// what was written is whole lines. A bad log is a *HeaderError or, with the line, a *samplecsv.Error.
func Run(ctx context.Context, pot potfile.Pot, in io.Reader, out io.Writer, o Options) (Summary, error) {
	var s Summary
	rows, err := samplecsv.NewReader(in, samplecsv.Format{Name: o.Name, Points: pot.Points, Pa: pot.Units.Pa(),
		Electric: pot.Control.Electric, Lenient: o.Lenient})
	if err != nil {
		if ctx.Err() != nil {
			return s, nil
		}
		return s, &HeaderError{err}
	}
	s.Columns = rows.Columns()
	first, err := readAhead(rows)
	s.Period = o.Period
	if s.Period == 0 {
		s.Period = period(first)
	}
	p := NewPlayer(pot, Settings{Every: o.Every, Period: s.Period}, out)
	take := func(row *samplecsv.Row) error {
		if s.Rows == 0 {
			s.From = row.At
		}
		s.To = row.At
		s.Rows++
		if s.Rows%checkEvery == 0 && o.Progress != nil {
			o.Progress(s.Rows)
		}
		return p.Row(row)
	}
	var werr error
	for i := range first {
		if werr = take(&first[i]); werr != nil {
			break
		}
	}
	var row samplecsv.Row
	for err == nil && werr == nil && (s.Rows%checkEvery != 0 || ctx.Err() == nil) {
		if err = rows.Next(&row); err == nil {
			werr = take(&row)
		}
	}
	s.Skipped, s.Lines = rows.Skipped(), p.Lines()
	switch {
	case werr != nil:
		return s, fmt.Errorf("write the lines: %w", werr)
	case errors.Is(err, io.EOF), ctx.Err() != nil:
		return s, nil
	}
	return s, err
}
