package line

import (
	"context"
	"errors"
	"os"
	"slices"
	"time"

	"gritwatch/sim-sensor/internal/fault"
)

const (
	// burst is the shortest time between two writes: several characters go together, so that a fast line does not
	// cost a wake-up each.
	burst = time.Millisecond
	// stall is how long a write may wait for a master that does not read.
	stall = time.Second
	// breath is how much random traffic is made at a time on a line that is never silent.
	breath = 20 * time.Millisecond
)

// errUnplugged is how serve ends when the scenario takes the port away.
var errUnplugged = errors.New("unplugged")

// A port is the gauges' end of a line.
type port interface {
	read(buf []byte, until time.Time) (int, error) // os.ErrDeadlineExceeded when nothing came; zero: for ever
	write(b []byte, until time.Time) error         // os.ErrDeadlineExceeded when nobody took it
	baud() (int, error)                            // as the master has set it
	wake()                                         // ends read, now and later, with errWoken
}

// A server is what goes on on one line: one goroutine's loop over a port, with an agenda of what is to be sent when.
type server struct {
	talk   talk
	opts   Options
	faults *fault.Player // never nil

	heard       []byte
	first, last time.Time // of heard
	agenda      []run     // by time; the first may be half sent
	free        time.Time // when the next frame may begin
	stations    [256]station
	own         time.Time // when a gauge sends by itself next; zero: none does
	babbling    bool
}

// A station is busy from a request until its reply has gone; meanwhile one more request waits with it, others are lost.
type station struct {
	busy    bool
	waiting *ask
}

// An ask is a request that a station has heard.
type ask struct {
	station uint8
	message []byte
	verdict fault.Verdict
}

// A run is a row of characters that goes on the line without a gap, from at on.
type run struct {
	at     time.Time
	bytes  []byte
	seams  []int // places where no gap may come
	sent   int
	ask    *ask   // whose reply it is; nil: nobody's
	good   []byte // the reply, where it is a whole one
	babble bool
}

// serve plays the line until ctx ends (nil), the scenario takes the port away (errUnplugged) or the port fails.
func (s *server) serve(ctx context.Context, p port) error {
	woken := make(chan struct{})
	stop := context.AfterFunc(ctx, func() { p.wake(); close(woken) })
	defer func() {
		if !stop() {
			<-woken // the port may be closed after this
		}
	}()
	s.heard, s.agenda, s.free, s.own, s.babbling = s.heard[:0], nil, time.Time{}, time.Time{}, false
	s.stations = [256]station{}
	every := time.Duration(0)
	if t, ok := s.talk.(*texts); ok {
		every = t.own()
	}
	if every > 0 {
		s.own = time.Now().Add(every)
	}
	buf := make([]byte, 512)
	for ctx.Err() == nil { // a master that never pauses could keep read from being woken
		at := s.opts.Clock()
		if s.faults.Holds(fault.Unplugged, at) {
			return errUnplugged
		}
		s.babble(at)
		n, err := p.read(buf, s.next(at))
		now := time.Now()
		switch {
		case errors.Is(err, errWoken):
			return nil
		case err != nil && !errors.Is(err, os.ErrDeadlineExceeded):
			return err
		}
		if n > 0 {
			if err := s.hear(p, buf[:n], now); err != nil {
				return err
			}
		}
		if _, patience := s.talk.timing(); len(s.heard) > 0 && !now.Before(s.last.Add(patience)) {
			s.understand(true)
		}
		if !s.own.IsZero() && !now.Before(s.own) {
			s.request(1, nil, s.own)
			s.own = s.own.Add(every)
			if s.own.Before(now) { // a suspended machine
				s.own = now.Add(every)
			}
		}
		if err := s.send(p, now); err != nil {
			return err
		}
	}
	return nil
}

// next is when there is something to do though nothing is heard.
func (s *server) next(at time.Duration) time.Time {
	next := s.own
	sooner := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	if len(s.agenda) > 0 {
		sooner(s.due())
	}
	if len(s.heard) > 0 {
		_, patience := s.talk.timing()
		sooner(s.last.Add(patience))
	}
	if change, ok := s.faults.Change(at); ok {
		sooner(time.Now().Add(max(change-at, time.Millisecond))) // the scenario's clock goes in steps
	}
	return next
}

// hear takes what has come from the master.
func (s *server) hear(p port, b []byte, now time.Time) error {
	if s.babbling {
		return nil // nobody can hear anything
	}
	if s.opts.Strict {
		baud, err := p.baud()
		if err != nil {
			return err
		}
		if baud != s.opts.Mode.Baud {
			s.heard = s.heard[:0]
			return nil
		}
	}
	if len(s.heard) == 0 {
		s.first = now
	}
	if s.faults.Holds(fault.Echo, s.opts.Clock()) {
		s.played(fault.Echo)
		s.schedule(run{at: s.first.Add(s.opts.Mode.frame(len(s.heard))), bytes: slices.Clone(b)})
	}
	s.heard, s.last = append(s.heard, b...), now
	s.understand(false)
	return nil
}

// understand looks whether what has been heard is whole.
func (s *server) understand(over bool) {
	station, done := s.talk.take(s.heard, over)
	if !done {
		return
	}
	if station != 0 {
		s.request(station, s.heard, s.first.Add(s.opts.Mode.frame(len(s.heard))))
	}
	s.heard = s.heard[:0]
}

// request lets a station have a message that ended at end.
func (s *server) request(station uint8, message []byte, end time.Time) {
	st := &s.stations[station]
	if st.busy && (st.waiting != nil || message == nil) {
		return
	}
	a := &ask{station: station, message: slices.Clone(message), verdict: s.faults.Request(s.opts.Clock(), station)}
	for _, k := range a.verdict.Played {
		s.played(k)
	}
	switch {
	case a.verdict.Silence:
	case st.busy:
		st.waiting = a
	default:
		s.accept(a, end)
	}
}

// accept puts the reply to a message that ended at end on the agenda, with what comes before it.
func (s *server) accept(a *ask, end time.Time) {
	s.stations[a.station].busy = true
	gap, _ := s.talk.timing()
	room := gap + s.opts.Turnaround
	if a.message == nil {
		room = 0 // sent by itself
	}
	for _, e := range a.verdict.Early {
		s.schedule(run{at: end.Add(time.Duration(e.Share * float64(room))), bytes: e.Bytes})
	}
	s.schedule(run{at: end.Add(room), ask: a})
}

// schedule puts a run on the agenda, behind those of the same time.
func (s *server) schedule(r run) {
	i := len(s.agenda)
	for i > 0 && s.agenda[i-1].at.After(r.at) && s.agenda[i-1].sent == 0 {
		i--
	}
	s.agenda = slices.Insert(s.agenda, i, r)
}

// babble begins and ends the time in which the line is never silent.
func (s *server) babble(at time.Duration) {
	switch holds := s.faults.Holds(fault.Babble, at); {
	case holds && !s.babbling:
		s.babbling, s.agenda, s.heard, s.stations = true, nil, s.heard[:0], [256]station{}
		s.schedule(s.nonsense(time.Now()))
		s.played(fault.Babble)
	case !holds && s.babbling:
		s.babbling, s.agenda = false, nil
	}
}

func (s *server) nonsense(at time.Time) run {
	n := max(1, int(breath/s.opts.Mode.frame(1)))
	return run{at: at, bytes: s.faults.Babble(nil, n), babble: true}
}

// chunk is how many of the first run's characters have been sent after the next write.
func (s *server) chunk(r *run) int {
	next := r.sent + max(1, int(burst/s.opts.Mode.frame(1)))
	if r.bytes == nil {
		return min(next, 2) // not made yet; hardly a reply is shorter
	}
	for slices.Contains(r.seams, next) {
		next++
	}
	return min(next, len(r.bytes))
}

// due is when the agenda goes on. A reply that comes late is made when it should have come.
func (s *server) due() time.Time {
	r := &s.agenda[0]
	if r.ask != nil && r.bytes == nil && r.ask.verdict.Late > 0 {
		return r.at
	}
	return s.start(r).Add(s.opts.Mode.frame(s.chunk(r)))
}

// start is when a run begins: not before the last one is over.
func (s *server) start(r *run) time.Time {
	if r.sent > 0 || r.babble || r.at.After(s.free) {
		return r.at
	}
	return s.free
}

// send writes what is due, so that each character arrives no sooner than the line's speed allows.
func (s *server) send(p port, now time.Time) error {
	for len(s.agenda) > 0 && !s.due().After(now) {
		r := &s.agenda[0]
		if r.ask != nil && r.bytes == nil {
			s.answer(now)
			continue
		}
		r.at = s.start(r)
		next := s.chunk(r)
		for next < len(r.bytes) && !r.at.Add(s.opts.Mode.frame(next+1)).After(now) {
			next++ // what a late wake-up has left behind
		}
		patience := stall
		if r.babble {
			patience = burst
		}
		err := p.write(r.bytes[r.sent:next], now.Add(patience))
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			return err
		}
		if r.sent = next; err != nil { // nobody reads: the rest is lost, as on a real line
			r.sent = len(r.bytes)
		}
		if r.sent == len(r.bytes) {
			s.finish(now)
		}
	}
	return nil
}

// answer makes the reply that stands first on the agenda, so that its value is the one of now.
func (s *server) answer(now time.Time) {
	r := &s.agenda[0]
	a := r.ask
	reply, ok := s.talk.reply(nil, a.station, a.message, a.verdict.Code)
	if !ok {
		s.agenda = slices.Delete(s.agenda, 0, 1)
		s.freed(a.station, now)
		return
	}
	if a.verdict.Whole() {
		r.good = reply
	}
	r.bytes, r.seams = a.verdict.Dress(nil, reply, s.talk.style(a.station))
	if a.verdict.Late > 0 {
		late := *r
		late.at = late.at.Add(a.verdict.Late)
		s.agenda = slices.Delete(s.agenda, 0, 1)
		s.schedule(late)
	}
}

// finish takes the first run off the agenda and does what follows on it.
func (s *server) finish(now time.Time) {
	r := s.agenda[0]
	s.agenda = slices.Delete(s.agenda, 0, 1)
	end := r.at.Add(s.opts.Mode.frame(len(r.bytes)))
	if end.Before(now.Add(-breath)) {
		end = now // a stopped process: time is not made up for
	}
	if r.babble {
		s.free = end
		if s.babbling {
			s.schedule(s.nonsense(end))
		}
		return
	}
	gap, _ := s.talk.timing()
	s.free = end.Add(gap)
	if r.ask == nil {
		return
	}
	if r.good != nil {
		s.faults.Gave(r.ask.station, r.good)
	}
	for _, a := range r.ask.verdict.After {
		s.schedule(run{at: end.Add(a.Wait), bytes: a.Bytes})
	}
	s.freed(r.ask.station, end)
}

// freed lets a station turn to the request that has waited.
func (s *server) freed(id uint8, at time.Time) {
	next := s.stations[id].waiting
	s.stations[id] = station{}
	if next != nil {
		gap, _ := s.talk.timing()
		s.accept(next, at.Add(-gap)) // the silence behind it is long over
	}
}

func (s *server) played(k fault.Kind) {
	if s.opts.Events.Fault != nil {
		s.opts.Events.Fault(k)
	}
}
