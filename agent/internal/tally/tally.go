// Package tally counts what happens on one serial line, in all and unit by unit: it is fed by the events of package
// poll and read by whoever shows or exports the figures.
package tally

import (
	"cmp"
	"errors"
	"slices"
	"sync"

	"gritwatch/agent/internal/ascii"
	"gritwatch/agent/internal/ascii/lines"
	"gritwatch/agent/internal/poll"
	"gritwatch/agent/internal/rtu"
	"gritwatch/protocol/modbus"
)

// A Kind is what became of a request (or query) that got no good reply and no exception.
type Kind uint8

// The kinds, in the order in which they are shown. NotUnderstood and Unused are of lines of text: one that its pattern
// does not fit, and one that may belong to an earlier query. PortLost: the port failed in the middle of it.
const (
	NoReply Kind = iota
	Late
	Cut
	Damaged
	NotUnderstood
	Unused
	Extra
	Babble
	Resting
	PortLost
	Other

	Kinds = 11 // how many there are
)

var kindNames = [Kinds]string{"no reply", "late", "cut short", "damaged", "not understood", "not used", "extra bytes", "line never silent",
	"left in peace", "port lost", "other"}

// String is the kind in words.
func (k Kind) String() string { return kindNames[k] }

// KindOf is the kind of an error of rtu.Master.Read, exceptions apart, or of a line of text.
func KindOf(err error) Kind {
	for _, c := range [...]struct {
		is   error
		kind Kind
	}{{rtu.ErrPort, PortLost}, {rtu.ErrLate, Late}, {rtu.ErrTimeout, NoReply}, {rtu.ErrDamaged, Damaged}, {rtu.ErrCut, Cut},
		{rtu.ErrExtra, Extra}, {rtu.ErrBabble, Babble}, {rtu.ErrResting, Resting},
		{ascii.ErrPort, PortLost}, {ascii.ErrLate, Late}, {ascii.ErrTimeout, NoReply}, {ascii.ErrUnsure, Unused}, {ascii.ErrCut, Cut},
		{ascii.ErrExtra, Extra}, {ascii.ErrBabble, Babble}, {ascii.ErrResting, Resting},
		{lines.ErrCheck, Damaged}, {lines.ErrNoise, Damaged}, {lines.ErrLine, NotUnderstood}, {lines.ErrValue, NotUnderstood},
		{lines.ErrUnit, NotUnderstood}, {lines.ErrTooLong, NotUnderstood}, {lines.ErrPart, NotUnderstood}} {
		if errors.Is(err, c.is) {
			return c.kind
		}
	}
	return Other
}

// Counts are those of a line, a unit or a gauge of text.
type Counts struct {
	Requests   uint64 // sent, those included that only ask whether a late reply is still on its way
	Replies    uint64 // good ones, to those too
	Exceptions []Exception
	Failed     [Kinds]uint64 // by Kind
	Echoes     uint64        // own requests that came back
}

// An Exception is how often a unit refused with a code.
type Exception struct {
	Code  modbus.Code
	Times uint64
}

// Refused is how many exceptions there were, of whatever code.
func (c Counts) Refused() (n uint64) {
	for _, e := range c.Exceptions {
		n += e.Times
	}
	return n
}

// Errors is how many requests failed in whatever way, exceptions apart.
func (c Counts) Errors() (n uint64) {
	for _, f := range c.Failed {
		n += f
	}
	return n
}

// A Unit is one slave of the line.
type Unit struct {
	Unit   uint8
	Silent bool   // now, by the judgement of the schedule
	Fell   uint64 // times it fell silent
	Back   uint64 // times it answered again
	Counts
}

// A Gauge speaks lines of text.
type Gauge struct {
	Gauge  int    // its place in the configuration, from 0
	Silent bool   // as with Unit
	Fell   uint64 // times it fell silent
	Back   uint64 // times it answered again
	Counts
}

// A Snapshot is the state of the counters at one moment. It belongs to whoever asked for it.
type Snapshot struct {
	Open       bool // the port, now
	Opened     uint64
	Lost       uint64
	Skipped    uint64 // periods left out because the line was still busy
	StrayBytes uint64 // that nobody asked for
	Total      Counts
	Units      []Unit  // those that were heard of, by number
	Gauges     []Gauge // the same
}

// A Tally counts one line. The zero value is ready. Its events come from the goroutine of the line; Snapshot may be
// called from any.
type Tally struct {
	mu      sync.Mutex
	open    bool
	opened  uint64
	lost    uint64
	skipped uint64
	stray   uint64
	units   [modbus.MaxUnit + 1]*counter // nil: not heard of
	gauges  []*counter                   // the same
}

// counter is what is counted of a unit or gauge.
type counter struct {
	silent         bool
	fell, back     uint64
	requests, good uint64
	failed         [Kinds]uint64
	echoes         uint64
	codes          [256]uint64 // exceptions
}

// Events gives what the line's task must call. Nothing is allocated in them once a unit was seen.
func (t *Tally) Events() poll.Events {
	return poll.Events{
		RTU: rtu.Events{
			Sent:      func(unit uint8) { t.unit(unit, (*counter).sent) },
			Reply:     func(unit uint8) { t.unit(unit, (*counter).replied) },
			Exception: func(unit uint8, code modbus.Code) { t.unit(unit, func(c *counter) { c.codes[code]++ }) },
			Failed: func(unit uint8, err error) {
				kind := KindOf(err)
				t.unit(unit, func(c *counter) { c.failed[kind]++ })
			},
			Echo:  func(unit uint8) { t.unit(unit, (*counter).echoed) },
			Stray: t.strayed,
		},
		Text: ascii.Events{
			Sent: func(gauge int) { t.gauge(gauge, (*counter).sent) },
			Line: func(gauge int) { t.gauge(gauge, (*counter).replied) },
			Failed: func(gauge int, err error) {
				kind := KindOf(err)
				t.gauge(gauge, func(c *counter) { c.failed[kind]++ })
			},
			Echo:  func(gauge int) { t.gauge(gauge, (*counter).echoed) },
			Stray: t.strayed,
		},
		Unit:    func(unit uint8, answers bool) { t.unit(unit, func(c *counter) { c.turned(answers) }) },
		Gauge:   func(gauge int, answers bool) { t.gauge(gauge, func(c *counter) { c.turned(answers) }) },
		Skipped: func(periods int) { t.line(func() { t.skipped += uint64(periods) }) },
		Port: func(open bool) {
			t.line(func() {
				if t.open = open; open {
					t.opened++
				} else {
					t.lost++
				}
			})
		},
	}
}

func (c *counter) sent()    { c.requests++ }
func (c *counter) replied() { c.good++ }
func (c *counter) echoed()  { c.echoes++ }

func (c *counter) turned(answers bool) {
	if c.silent = !answers; answers {
		c.back++
	} else {
		c.fell++
	}
}

func (t *Tally) strayed(n int) { t.line(func() { t.stray += uint64(n) }) }

func (t *Tally) line(f func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	f()
}

func (t *Tally) unit(unit uint8, f func(*counter)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.units[unit] == nil {
		t.units[unit] = new(counter)
	}
	f(t.units[unit])
}

func (t *Tally) gauge(gauge int, f func(*counter)) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for len(t.gauges) <= gauge {
		t.gauges = append(t.gauges, nil)
	}
	if t.gauges[gauge] == nil {
		t.gauges[gauge] = new(counter)
	}
	f(t.gauges[gauge])
}

// Snapshot gives the counters as they stand.
func (t *Tally) Snapshot() Snapshot {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := Snapshot{Open: t.open, Opened: t.opened, Lost: t.lost, Skipped: t.skipped, StrayBytes: t.stray}
	for unit, c := range t.units {
		if c != nil {
			s.Units = append(s.Units, Unit{Unit: uint8(unit), Silent: c.silent, Fell: c.fell, Back: c.back, Counts: c.counts()})
			s.Total.add(s.Units[len(s.Units)-1].Counts)
		}
	}
	for place, c := range t.gauges {
		if c != nil {
			s.Gauges = append(s.Gauges, Gauge{Gauge: place, Silent: c.silent, Fell: c.fell, Back: c.back, Counts: c.counts()})
			s.Total.add(s.Gauges[len(s.Gauges)-1].Counts)
		}
	}
	return s
}

func (c *counter) counts() Counts {
	out := Counts{Requests: c.requests, Replies: c.good, Failed: c.failed, Echoes: c.echoes}
	for code, n := range c.codes {
		if n > 0 {
			out.Exceptions = append(out.Exceptions, Exception{modbus.Code(code), n})
		}
	}
	return out
}

// add sums up; exceptions stay sorted by code.
func (c *Counts) add(d Counts) {
	c.Requests += d.Requests
	c.Replies += d.Replies
	c.Echoes += d.Echoes
	for k, n := range d.Failed {
		c.Failed[k] += n
	}
	for _, e := range d.Exceptions {
		i, found := slices.BinarySearchFunc(c.Exceptions, e.Code, func(x Exception, code modbus.Code) int { return cmp.Compare(x.Code, code) })
		if !found {
			c.Exceptions = slices.Insert(c.Exceptions, i, Exception{Code: e.Code})
		}
		c.Exceptions[i].Times += e.Times
	}
}
