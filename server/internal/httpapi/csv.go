package httpapi

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"gritwatch/internal/potfile"
	"gritwatch/protocol/live"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/clocks"
	"gritwatch/server/internal/history"
)

// Bounds of GET /api/v1/pots/{name}/export.csv.
const (
	exportUsual   = time.Hour
	exportLongest = 31 * day
)

// Headers of an export: whether a simulator made the readings (simulated, measured, or unknown while the agent was not heard
// since the server started); how many there are by quality, of which the file has the good ones; and what their times are
// (told by the agent; shifted, because its clock was wrong; estimated, so that only their order is right; or unknown).
const (
	headerSource   = "Gritwatch-Source"
	headerReadings = "Gritwatch-Readings"
	headerTimes    = "Gritwatch-Times"
)

// export streams the readings of a range as a log that replay takes: samples.csv. A row is an instant at which a reading
// was made, to the microsecond, with the fields of all other points empty: points are read one after another, and a drop
// between two of them is only right where their times are.
//
// The format has no word for quality, and an empty row would say that no point answers. So readings that are not good are
// left out, and counted in a header; one out of range must not come back as a good one. A clock that was set back makes
// times that come twice: such a range is refused until an epoch is chosen.
func (a *api) export(w http.ResponseWriter, r *http.Request) {
	now := time.Now()
	pot, ok := a.known(w, r, now)
	if !ok {
		return
	}
	q := ask(r, "from", "to", "points", "epoch")
	set := q.points(pot.Points)
	epoch, chosen := q.epoch()
	s, _ := q.span(si.InstantOf(now), exportUsual, exportLongest, "export them in parts, each from where the one before ended")
	if q.refused(w, r) {
		return
	}
	if !a.exports.take(r.Context(), 0) {
		busy(w, r, fmt.Sprintf("%d exports are under way already; ask again", exportsAtOnce))
		return
	}
	defer a.exports.giveBack()
	query := history.Query{Pot: pot.Name, Points: set, From: s.from, To: s.to}
	var there []history.Stretch
	var placed map[uint64]clocks.Placement
	if !a.read(w, r, func(ctx context.Context) (err error) {
		there, err = a.o.History.Stretches(ctx, query)
		placed = a.placements(ctx, pot.Agent)
		return err
	}) {
		return
	}
	if chosen {
		there = of(there, epoch)
	}
	if why := mixed(there); why != "" {
		Problem(w, r, http.StatusConflict, why)
		return
	}
	c := newCSV(http.NewResponseController(w), w, set, potfile.Units{Pressure: pot.Unit}.Pa())
	describe(w, &pot, s, there, placed)
	if r.Method == http.MethodHead {
		return
	}
	err := a.o.History.Range(r.Context(), query, func(rec history.Record) error {
		if chosen && rec.Epoch != epoch {
			return nil
		}
		return c.add(&rec)
	})
	if err == nil {
		err = c.finish(count(there, points.Good))
	}
	if err == nil {
		return
	}
	if !c.sent {
		for _, name := range []string{"Content-Disposition", headerSource, headerReadings, headerTimes} {
			w.Header().Del(name)
		}
		a.unread(w, r, err)
		return
	}
	if r.Context().Err() == nil && !errors.Is(err, errClient) {
		a.o.Log.LogAttrs(r.Context(), slog.LevelError, "an export broke off", slog.String("path", r.URL.Path), slog.String("reason", err.Error()))
	}
	// The client must not take what it has for the whole: its connection ends without the mark of an answer's end.
	panic(http.ErrAbortHandler)
}

// epoch is the parameter; false: it is not there, or not in order.
func (q *asked) epoch() (uint64, bool) {
	if !q.values.Has("epoch") {
		return 0, false
	}
	n, err := strconv.ParseUint(q.values.Get("epoch"), 10, 64)
	if err != nil {
		q.fail("epoch is a whole number, as epochs of GET …/history has them")
	}
	return n, err == nil
}

// of are the stretches of an epoch.
func of(all []history.Stretch, epoch uint64) []history.Stretch {
	var out []history.Stretch
	for _, x := range all {
		if x.Epoch == epoch {
			out = append(out, x)
		}
	}
	return out
}

func count(all []history.Stretch, quality points.Quality) int {
	n := 0
	for _, x := range all {
		if x.Quality == quality {
			n += x.Count
		}
	}
	return n
}

// mixed says why good readings cannot stand in one file, and what to do; empty: they can. The stretches are in the order of
// epochs.
func mixed(all []history.Stretch) string {
	type stay struct {
		epoch       uint64
		first, last si.Instant
	}
	var epochs []stay
	var handle [2]bool // by electric
	for _, x := range all {
		if x.Quality != points.Good {
			continue
		}
		if x.Point == points.Control {
			i := 0
			if x.Electric {
				i = 1
			}
			handle[i] = true
		}
		if n := len(epochs); n == 0 || epochs[n-1].epoch != x.Epoch {
			epochs = append(epochs, stay{x.Epoch, x.First, x.Last})
		} else {
			e := &epochs[n-1]
			e.first, e.last = min(e.first, x.First), max(e.last, x.Last)
		}
	}
	if handle[0] && handle[1] {
		return "the control was a pressure and a switch in this range; leave it out with points=, or ask for the two in parts"
	}
	for i, e := range epochs {
		for _, f := range epochs[:i] {
			if e.first <= f.last && f.first <= e.last {
				return fmt.Sprintf("the agent's clock was set back, so readings of two of its epochs have the same times; ask for one with epoch=%d (from %v to %v) or epoch=%d (from %v to %v)",
					f.epoch, f.first, f.last, e.epoch, e.first, e.last)
			}
		}
	}
	return ""
}

// describe sets the headers.
func describe(w http.ResponseWriter, pot *live.Pot, s span, there []history.Stretch, placed map[uint64]clocks.Placement) {
	const stamp = "20060102T150405Z"
	name := strings.Join([]string{pot.Site, pot.Name, s.from.Time().Format(stamp), s.to.Time().Format(stamp)}, "-") + ".csv"
	source := "unknown"
	if sim := simulated(pot); sim != nil {
		source = "measured"
		if *sim {
			source, name = "simulated", "SIMULATED-"+name
		}
	}
	h := w.Header()
	h.Set("Content-Type", typeCSV+"; charset=utf-8; header=present")
	h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	h.Set(headerSource, source)
	h.Set(headerTimes, times(there, placed))
	h.Set(headerReadings, fmt.Sprintf("good=%d, out-of-range=%d, no-reply=%d", count(there, points.Good), count(there, points.OutOfRange), count(there, points.NoReply)))
}

// times says what the times of readings are, by the worst of their epochs.
func times(there []history.Stretch, placed map[uint64]clocks.Placement) string {
	out := "told"
	for _, x := range there {
		switch p := placed[x.Epoch]; {
		case p.Estimated:
			return "estimated"
		case p.Shift != 0:
			out = "shifted"
		}
	}
	if placed == nil {
		return "unknown"
	}
	return out
}

// errClient is that the client takes nothing more.
var errClient = errors.New("the client is gone or too slow")

// A csv writes readings as rows. It holds one row and one part of the answer.
type csv struct {
	deadlines *http.ResponseController
	out       http.ResponseWriter
	points    points.Set
	pa        float64 // one unit, Pa
	buf       []byte
	good      int  // written
	sent      bool // a part of the answer has gone out

	second int64 // since 1970, that prefix is of
	prefix []byte

	at     si.Instant // of the row; 0: none
	has    points.Set
	fields [points.Count]history.Record
}

// csvPart is how many bytes of an answer go out at once.
const csvPart = 32 << 10

func newCSV(deadlines *http.ResponseController, out http.ResponseWriter, set points.Set, pa float64) *csv {
	c := &csv{deadlines: deadlines, out: out, points: set, pa: pa, buf: make([]byte, 0, csvPart+1<<10), second: -1}
	c.buf = append(c.buf, "time"...)
	for _, p := range points.All() {
		if set.Has(p) {
			c.buf = append(append(c.buf, ','), p.String()...)
		}
	}
	c.buf = append(c.buf, '\n')
	return c
}

// add takes a reading; they come in the order of time.
func (c *csv) add(r *history.Record) error {
	if r.Quality != points.Good {
		return nil
	}
	if r.At != c.at {
		if err := c.row(); err != nil {
			return err
		}
		c.at = r.At
	}
	if c.has.Has(r.Point) {
		return fmt.Errorf("two readings of %s at %v: the clock was set back meanwhile", r.Point, r.At)
	}
	c.has |= points.SetOf(r.Point)
	c.fields[r.Point] = *r
	return nil
}

// row writes the row.
func (c *csv) row() error {
	if c.at == 0 {
		return nil
	}
	c.time()
	for p := points.Point(0); p < points.Count; p++ {
		if !c.points.Has(p) {
			continue
		}
		c.buf = append(c.buf, ',')
		if c.has.Has(p) {
			c.good++
			c.value(&c.fields[p])
		}
	}
	c.buf = append(c.buf, '\n')
	c.at, c.has = 0, 0
	if len(c.buf) >= csvPart {
		return c.flush()
	}
	return nil
}

// time writes the row's time, RFC 3339 in UTC to the microsecond.
func (c *csv) time() {
	second := int64(c.at) / 1e6
	if second != c.second {
		c.second = second
		c.prefix = (si.Instant(second) * 1e6).Time().AppendFormat(c.prefix[:0], "2006-01-02T15:04:05.")
	}
	c.buf = append(c.buf, c.prefix...)
	us := int64(c.at) % 1e6
	for unit := int64(100_000); unit > 0; unit /= 10 {
		c.buf = append(c.buf, byte('0'+us/unit%10))
	}
	c.buf = append(c.buf, 'Z')
}

// value writes a reading in the pot's unit. What came over the wire is a number of 32 bits, of which nine digits give back
// every bit (IEEE 754-2019, 5.12.2), also through the unit: their error is under a sixth of half a step of such a number. Any
// other gets all the digits of a 64-bit one.
func (c *csv) value(r *history.Record) {
	if r.Electric {
		if r.Pressed {
			c.buf = append(c.buf, '1')
		} else {
			c.buf = append(c.buf, '0')
		}
		return
	}
	digits := -1
	if v := float64(r.Value); float64(float32(v)) == v {
		digits = 9
	}
	c.buf = strconv.AppendFloat(c.buf, float64(r.Value)/c.pa, 'g', digits, 64)
}

// finish writes the rest. Fewer readings than there were when it began are an error: some were removed meanwhile.
func (c *csv) finish(least int) error {
	if err := c.row(); err != nil {
		return err
	}
	if c.good < least {
		return fmt.Errorf("%d of %d readings were gone when they were to be read: they were past their time", least-c.good, least)
	}
	return c.flush()
}

// flush sends what is written so far.
func (c *csv) flush() error {
	// A writer that has no deadlines, as of tests, needs none.
	_ = c.deadlines.SetWriteDeadline(time.Now().Add(sendTime))
	c.sent = true
	if _, err := c.out.Write(c.buf); err != nil {
		return fmt.Errorf("%w: %w", errClient, err)
	}
	c.buf = c.buf[:0]
	return nil
}
