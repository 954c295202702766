package alarm

import (
	"cmp"
	"slices"
	"time"

	"gritwatch/protocol/si"
)

// Benchmarks of ANSI/ISA-18.2 and IEC 62682, clause 16, for one person who looks after all (from memory; the flood's limits, the
// rate of chattering and the age of stale alarms were found again in public texts on the standard). The rates are what is
// very likely acceptable, and twice that what can just be managed.
const (
	PerTenMinutes = 1.0  // alarms that come into sight, on average
	PerHour       = 6.0  //
	FloodBegins   = 10   // in ten minutes: more is a flood
	FloodEnds     = 5    // in ten minutes: less ends it
	FloodShare    = 0.01 // of the time at most
	StaleMost     = 5    // at any time
	chatterTimes  = 3    // within chatterTime: the alarm chatters
	chatterTime   = time.Minute
	staleAfter    = 24 * time.Hour
)

// PriorityShares are the benchmark's shares of alarms by priority, the most urgent under one in a hundred.
var PriorityShares = [Priorities]float64{Low: 0.80, Medium: 0.15, High: 0.05, Critical: 0.01}

const (
	interval     = 10 * time.Minute
	intervals    = 30 * 24 * 6 // of which counts are kept: the standard wants thirty days
	dayIntervals = 24 * 6
	minutes      = 10  // of which counts are kept for the present rate
	sources      = 512 // of which counts are kept; of more the one is forgotten that has been quiet for longest
	worstOf      = 10  // sources that are named
)

// A slot is the alarms of one interval by priority.
type slot struct {
	number int64 // of the interval; a slot of another is empty
	n      [Priorities]uint16
}

// tally counts alarms that come into sight. Its memory is bounded, whatever comes.
type tally struct {
	slots   [intervals]slot
	minutes [minutes]struct {
		number int64
		n      uint32
	}
	sources map[Key]*source
	began   si.Instant // of the first alarm that was counted
}

// A source is what is counted of one key.
type source struct {
	last    [chatterTimes]si.Instant // the newest first
	chatter si.Instant               // when it last chattered
	hours   [24]struct {
		number int64
		n      uint16
	}
}

func (t *tally) init() { t.sources = map[Key]*source{} }

// of is the number of a stretch of time that holds an instant.
func of(at si.Instant, length time.Duration) int64 { return int64(at) / length.Microseconds() }

func (t *tally) add(at si.Instant, p Priority, k Key) {
	if at <= 0 {
		return
	}
	if t.began == 0 || at < t.began {
		t.began = at
	}
	n := of(at, interval)
	if s := &t.slots[n%intervals]; s.number <= n { // what is older than the memory is not counted
		if s.number != n {
			*s = slot{number: n}
		}
		if s.n[p] < 1<<16-1 {
			s.n[p]++
		}
	}
	n = of(at, time.Minute)
	if m := &t.minutes[n%minutes]; m.number <= n {
		if m.number != n {
			m.number, m.n = n, 0
		}
		m.n++
	}
	s := t.sources[k]
	if s == nil {
		t.makeRoom()
		s = &source{}
		t.sources[k] = s
	}
	s.add(at)
}

func (s *source) add(at si.Instant) {
	if at >= s.last[0] {
		copy(s.last[1:], s.last[:])
		s.last[0] = at
		if oldest := s.last[chatterTimes-1]; oldest != 0 && at.Sub(oldest) <= chatterTime {
			s.chatter = at
		}
	}
	n := of(at, time.Hour)
	if h := &s.hours[n%24]; h.number <= n {
		if h.number != n {
			h.number, h.n = n, 0
		}
		if h.n < 1<<16-1 {
			h.n++
		}
	}
}

// day is how many there were in the 24 hours of the clock up to now.
func (s *source) day(now si.Instant) int {
	sum, n := 0, of(now, time.Hour)
	for _, h := range s.hours {
		if h.number > n-24 && h.number <= n {
			sum += int(h.n)
		}
	}
	return sum
}

func (t *tally) makeRoom() {
	if len(t.sources) < sources {
		return
	}
	var quiet *Key
	for k, s := range t.sources {
		if quiet == nil || s.last[0] < t.sources[*quiet].last[0] || s.last[0] == t.sources[*quiet].last[0] && compareKeys(k, *quiet) < 0 {
			quiet = &k
		}
	}
	delete(t.sources, *quiet)
}

func compareKeys(x, y Key) int {
	return cmp.Or(cmp.Compare(x.Pot, y.Pot), cmp.Compare(x.Agent, y.Agent), cmp.Compare(x.Kind, y.Kind), cmp.Compare(x.Point, y.Point),
		cmp.Compare(x.Fault, y.Fault))
}

// A Span is the figures of a stretch of time that ends now, in ten minutes of the clock.
type Span struct {
	Over       time.Duration // what is counted of the time asked for
	Alarms     int           // that came into sight
	ByPriority [Priorities]int
	PerHour    float64
	PerTen     float64 // in ten minutes, on average
	MostInTen  int
	BusyShare  float64 // of the ten minutes: those with more than FloodBegins
	FloodShare float64 // of the time in a flood
	Floods     int
}

// A Source is one alarm and how often it came into sight in the last day.
type Source struct {
	Key   Key
	Times int
	Share float64 // of all
}

// Figures tell how well the alarms serve people.
type Figures struct {
	At           si.Instant
	LastTen      int             // alarms that came into sight in the last ten minutes
	Flood        bool            // the last ten minutes are one
	Day, Month   Span            // 24 hours, 30 days
	Worst        []Source        // of the last day, ten at most
	Chattering   []Key           // in the last day
	Standing     [Priorities]int // in sight with their condition, now
	Waiting      [Priorities]int // for an acknowledgement, now
	Stale        []string        // ids of those in sight with their condition for over a day
	Shelved      int             // now
	Suppressed   int
	OutOfService int
}

// Recall counts alarms that came into sight before the start, from records, so that figures outlive it. Those of
// Restore's alarms are counted by it too.
func (b *Board) Recall(r *Alarm) {
	k, err := ParseKind(r.Kind)
	p, err2 := ParsePriority(r.Priority)
	if err != nil || err2 != nil {
		return
	}
	a := &alarm{id: r.ID, key: Key{Pot: r.Pot, Agent: r.Agent, Kind: k}, priority: p, raised: r.Raised}
	for i, t := range r.Transitions {
		e, _ := ParseEvidence(t.Evidence)
		if i == 0 {
			a.key.Point, a.key.Fault = e.Point, e.Fault
		}
		was := a.mode
		if a.apply(t.Event, t.At, t.By, &e) != nil {
			return
		}
		if a.loud(t.Event, was) {
			b.tally.add(t.At, p, a.key)
		}
	}
}

// Figures are those at an instant.
func (b *Board) Figures(at si.Instant) Figures {
	t := &b.tally
	f := Figures{At: at, Day: t.span(at, dayIntervals), Month: t.span(at, intervals)}
	for n, now := 0, of(at, time.Minute); n < minutes; n++ {
		if m := t.minutes[n]; m.number > now-minutes && m.number <= now {
			f.LastTen += int(m.n)
		}
	}
	f.Flood = f.LastTen > FloodBegins
	for k, s := range t.sources {
		if n := s.day(at); n > 0 {
			f.Worst = append(f.Worst, Source{Key: k, Times: n, Share: float64(n)})
		}
		if s.chatter != 0 && at.Sub(s.chatter) <= 24*time.Hour {
			f.Chattering = append(f.Chattering, k)
		}
	}
	slices.SortFunc(f.Chattering, compareKeys)
	slices.SortFunc(f.Worst, func(x, y Source) int { return cmp.Or(-cmp.Compare(x.Times, y.Times), compareKeys(x.Key, y.Key)) })
	all := 0
	for _, s := range f.Worst {
		all += s.Times
	}
	f.Worst = f.Worst[:min(worstOf, len(f.Worst))]
	for i := range f.Worst {
		f.Worst[i].Share /= float64(all)
	}
	for _, a := range b.open {
		switch a.mode {
		case shelved:
			f.Shelved++
			continue
		case suppressed:
			f.Suppressed++
			continue
		case outOfService:
			f.OutOfService++
			continue
		}
		if !a.acked {
			f.Waiting[a.priority]++
		}
		if a.active {
			f.Standing[a.priority]++
			if at.Sub(a.shownAt) > staleAfter {
				f.Stale = append(f.Stale, a.id)
			}
		}
	}
	return f
}

// span counts the last so many intervals, of which the last is the present one. Those before the first alarm that was
// counted are left out: nobody knows of them.
func (t *tally) span(at si.Instant, most int64) Span {
	var s Span
	now := of(at, interval)
	from := now - most + 1
	if t.began == 0 {
		return s
	}
	from = max(from, of(t.began, interval))
	flood, busy, flooded := false, 0, 0
	for n := from; n <= now; n++ {
		sum := 0
		if x := &t.slots[n%intervals]; x.number == n {
			for p, k := range x.n {
				s.ByPriority[p] += int(k)
				sum += int(k)
			}
		}
		s.Alarms += sum
		s.MostInTen = max(s.MostInTen, sum)
		switch {
		case sum > FloodBegins && !flood:
			flood = true
			s.Floods++
		case sum < FloodEnds:
			flood = false
		}
		if sum > FloodBegins {
			busy++
		}
		if flood {
			flooded++
		}
	}
	if n := now - from + 1; n > 0 {
		s.Over = time.Duration(n) * interval
		s.PerTen = float64(s.Alarms) / float64(n)
		s.PerHour = 6 * s.PerTen
		s.BusyShare, s.FloodShare = float64(busy)/float64(n), float64(flooded)/float64(n)
	}
	return s
}
