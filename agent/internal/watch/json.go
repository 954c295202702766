package watch

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"gritwatch/protocol/points"
)

// Readings of several lines come a moment apart from the order of their times: they are held for that moment, sorted
// and written together.
const (
	holdFor    = 40 * time.Millisecond
	flushEvery = 40 * time.Millisecond
	maxHeld    = 1 << 16 // more than that waits only where nobody takes the output
)

const timeFormat = "2006-01-02T15:04:05.000000Z"

// appendReading appends one reading as a line of JSON. Names hold nothing that JSON would escape.
func appendReading(b []byte, p *point, s points.Sample) []byte {
	b = append(b, `{"t":"`...)
	b = s.At.Time().AppendFormat(b, timeFormat)
	b = append(b, `","pot":"`...)
	b = append(b, p.pot.Name...)
	b = append(b, `","point":"`...)
	b = append(b, p.point.String()...)
	b = append(b, '"')
	switch {
	case !p.hasValue(s):
	case p.electric():
		b = append(b, `,"pressed":`...)
		b = strconv.AppendBool(b, s.Pressed)
	default:
		b = append(b, `,"pa":`...)
		format := byte('f')
		if v := math.Abs(float64(s.Value)); v != 0 && (v < 1e-6 || v >= 1e21) {
			format = 'e'
		}
		b = strconv.AppendFloat(b, float64(s.Value), format, -1, 64)
	}
	b = append(b, `,"quality":"`...)
	b = append(b, s.Quality.String()...)
	return append(b, '"', '}', '\n')
}

// A reading waits to be written.
type reading struct {
	point  *point
	sample points.Sample
}

// A writer writes the readings of a session as lines of JSON.
type writer struct {
	session *session
	out     io.Writer
	held    []reading // with lost guarded by the session's mu
	lost    int
	ready   []reading
	text    bytes.Buffer
}

// newWriter taps the session, which must not have begun.
func newWriter(s *session, out io.Writer) *writer {
	w := &writer{session: s, out: out}
	s.tap = func(p *point, sample points.Sample) {
		if len(w.held) == maxHeld {
			w.lost++
			return
		}
		w.held = append(w.held, reading{p, sample})
	}
	return w
}

// run writes until ctx ends, then what is left.
func (w *writer) run(ctx context.Context) error {
	t := time.NewTicker(flushEvery)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			if err := w.flush(false); err != nil {
				return err
			}
			continue
		case <-ctx.Done():
		}
		err := w.flush(true)
		w.session.mu.Lock()
		defer w.session.mu.Unlock()
		if err == nil && w.lost > 0 {
			err = fmt.Errorf("%d readings were left out: whatever takes the output is too slow", w.lost)
		}
		return err
	}
}

// flush writes what has been held long enough, or all.
func (w *writer) flush(all bool) error {
	edge := w.session.clock.Now().Add(-holdFor)
	w.ready = w.ready[:0]
	w.session.mu.Lock()
	w.held = slices.DeleteFunc(w.held, func(r reading) bool {
		due := all || r.sample.At <= edge
		if due {
			w.ready = append(w.ready, r)
		}
		return due
	})
	w.session.mu.Unlock()
	slices.SortStableFunc(w.ready, func(a, b reading) int { return cmp.Compare(a.sample.At, b.sample.At) })
	w.text.Reset()
	for _, r := range w.ready {
		w.text.Write(appendReading(w.text.AvailableBuffer(), r.point, r.sample))
	}
	if _, err := w.out.Write(w.text.Bytes()); err != nil {
		return fmt.Errorf("write the readings: %w", err)
	}
	return nil
}
