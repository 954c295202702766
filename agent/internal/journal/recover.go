package journal

import (
	"cmp"
	"crypto/rand"
	"fmt"
	"log/slog"
	"math"
	"slices"

	"gritwatch/agent/internal/journal/frame"
)

// A found is what a segment file holds.
type found struct {
	frames  int
	from    uint64 // first position
	upTo    uint64 // position behind its last record, or where it began
	mark    *frame.Mark
	head    *frame.Mark
	torn    int64 // bytes behind the last whole frame
	after   int64 // bytes that are no frame, behind the last mark
	skipped int64 // of all bytes, before the last whole frame
	gaps    []frame.Range
	unread  bool // some of it could not be read: it may be read another time, and is left as it is
}

// parse is the number of a segment file's name.
func parse(name string) (n uint64, ok bool) {
	if _, err := fmt.Sscanf(name, "%d.segment", &n); err != nil {
		return 0, false
	}
	return n, segment{number: n}.name() == name
}

// recover finds out how the journal stands, from what is in its folder; nothing is changed there.
func (j *Journal) recover() error {
	list, err := j.o.Folder.List()
	if err != nil {
		return err
	}
	var files []segment
	for _, e := range list {
		if n, ok := parse(e.Name); ok {
			files = append(files, segment{number: n, size: e.Size})
			j.number = max(j.number, n)
		}
	}
	slices.SortFunc(files, func(a, b segment) int { return cmp.Compare(a.number, b.number) })

	known := false
	for i := len(files) - 1; i >= 0 && !known; i-- {
		var m frame.Mark
		if m, _, known = j.firstMark(files[i]); known {
			j.id = m.ID
		}
	}
	if !known {
		rand.Read(j.id[:]) // never fails: the program would end first
	}
	j.salt = j.id.Salt()

	// The newest segment says how things stand. Where it is spoilt, or holds no record, older ones are gone through too.
	at := stand{begins: math.MaxUint64}
	for _, s := range slices.Backward(files) {
		if at.mark != nil && at.head != nil && at.filled {
			m, leads, ok := j.firstMark(s)
			if ok && m.ID != j.id {
				continue // of another journal: it stays where it is
			}
			if leads {
				s.base, s.ran = m.Next, m.Running
				j.segments = append(j.segments, s)
				continue
			}
		}
		f := j.look(s)
		if f.frames > 0 {
			j.segments = append(j.segments, j.take(&at, s, f))
			continue
		}
		if m, _, ok := j.firstMark(s); ok && m.ID != j.id {
			continue
		}
		if !f.unread {
			j.useless = append(j.useless, s)
		}
		at.bytes += s.size
		if at.mark == nil {
			at.doubt += s.size
		}
	}
	slices.Reverse(j.segments)

	j.next = at.upTo
	if m := at.mark; m != nil {
		j.ranThen, j.acked, j.lost, j.oldest = m.Running, m.Acknowledged, m.Lost, m.Oldest
		j.next = max(at.upTo, m.Limit, at.beyond())
	}
	if at.head != nil {
		for _, h := range at.head.Holes {
			j.holes.add(h.From, h.To)
		}
	}
	j.settle()
	j.recovered.Bytes = at.bytes
	for _, g := range at.gaps {
		j.recovered.Positions += j.miss(g.From, g.To)
	}
	j.recovered.Positions += j.miss(at.upTo, j.next)
	j.synced, j.limit, j.upTo = j.next, j.next, j.next
	if r := j.recovered; r.Positions > 0 {
		j.log(slog.LevelWarn, "not closed in order the last time; what was not safe is lost",
			slog.Int64("bytes_given_up", r.Bytes), slog.Uint64("positions_lost_at_most", r.Positions))
	}
	return nil
}

// A stand is how things stand, as far as the segments were gone through from the newest on.
type stand struct {
	mark   *frame.Mark // the newest
	head   *frame.Mark // the newest, which names the holes
	filled bool        // a segment with records was found
	upTo   uint64      // position behind the last record
	begins uint64      // first position of what was gone through
	gaps   []frame.Range
	bytes  int64 // given up
	doubt  int64 // of them, those that may have held a newer mark
}

// take goes on with an older segment.
func (j *Journal) take(at *stand, s segment, f found) segment {
	s.base, s.empty = f.from, f.from == f.upTo
	if f.mark != nil {
		s.ran = f.mark.Running
	}
	if at.mark == nil {
		at.doubt += f.after
	}
	if !at.filled {
		at.bytes += f.torn + f.skipped
		s.size -= f.torn
		// Records behind the last mark came through the end of a process, and were never synced.
		if unsafe := f.mark == nil || f.mark.Next < f.upTo; (f.torn > 0 || unsafe) && !f.unread {
			j.trims = append(j.trims, s)
		}
	}
	if !at.filled || at.mark == nil {
		for _, g := range f.gaps {
			at.gaps = append(at.gaps, frame.Range{From: g.From, To: min(g.To, at.begins)})
		}
	}
	if at.mark == nil {
		at.mark = f.mark
	}
	if at.head == nil {
		at.head = f.head
	}
	at.upTo = max(at.upTo, f.upTo)
	if !s.empty {
		at.filled, at.begins = true, min(at.begins, f.from)
	}
	return s
}

// beyond is the first position that was surely given to nobody, as far as bytes that are no frame make that doubtful.
// A cut of the power tears off what was not safe, and nothing was given away behind the limit of the last mark that was.
// But a card may also spoil what was safe, newer marks with it: so many records may have lain there, and so many more
// positions have been reserved.
func (at *stand) beyond() uint64 {
	if at.doubt == 0 {
		return 0
	}
	torn := uint64(at.doubt) / frame.MinRecord
	records := torn + at.upTo - min(at.upTo, at.mark.Next)
	return at.upTo + torn + max(minReserve, reserveTimes*records)
}

// settle brings segments and what the newest mark says of the oldest position to one.
func (j *Journal) settle() {
	end, ran := j.next, j.ranThen
	for i := range slices.Backward(j.segments) { // each ends where the next with records begins
		g := &j.segments[i]
		began := g.ran
		g.ran, ran = max(g.ran, ran), began // where the next begins, this one had ended
		if g.empty {
			g.end = g.base
			continue
		}
		g.end = max(g.base, end)
		end = g.base
	}
	for len(j.segments) > 1 && j.segments[0].end <= j.oldest { // dropped, and come back with the cut of power
		j.doomed = append(j.doomed, j.segments[0])
		j.segments = j.segments[1:]
	}
	if len(j.segments) > 0 && j.segments[0].base > j.oldest { // dropped, with no mark after that; or gone
		j.lost += j.unaccounted(j.oldest, j.segments[0].base)
		j.oldest = j.segments[0].base
	}
	j.holes.cut(j.oldest)
}

// firstMark is the first mark of a file, of whatever journal, and whether the file leads with it, as it should.
func (j *Journal) firstMark(s segment) (m frame.Mark, leads, ok bool) {
	f, err := j.o.Folder.Open(s.name())
	if err != nil {
		return frame.Mark{}, false, false
	}
	defer f.Close() // only read
	sc := scan{file: f, size: s.size}
	for {
		fr, ok := sc.next()
		if !ok {
			return frame.Mark{}, false, false
		}
		if fr.Kind == frame.KindBatch {
			continue
		}
		if m, err := frame.DecodeMark(fr.Kind, fr.Body); err == nil && m.Segment == s.number {
			return m, sc.whole == int64(fr.Size), true
		}
	}
}

// look goes through a whole file.
func (j *Journal) look(s segment) found {
	var out found
	f, err := j.o.Folder.Open(s.name())
	if err != nil {
		return found{unread: true}
	}
	defer f.Close() // only read
	sc := scan{file: f, size: s.size, salt: j.salt}
	var whole, skipped, atMark int64
	begin := func(at uint64) {
		if out.frames == 0 {
			out.from, out.upTo = at, at
		}
		out.frames++
		whole, skipped = sc.whole, sc.skipped
	}
	for {
		fr, ok := sc.next()
		if !ok {
			break
		}
		if fr.Kind == frame.KindBatch {
			span, err := frame.Span(fr.Body)
			if err != nil || out.frames > 0 && span.To <= out.upTo {
				continue
			}
			begin(span.From)
			if span.From > out.upTo {
				out.gaps = append(out.gaps, frame.Range{From: out.upTo, To: span.From})
			}
			out.upTo = span.To
			continue
		}
		m, err := frame.DecodeMark(fr.Kind, fr.Body)
		if err != nil || m.ID != j.id || m.Segment != s.number {
			continue
		}
		begin(m.Next)
		out.mark, atMark = &m, sc.skipped
		if fr.Kind == frame.KindHead {
			out.head = &m
		}
	}
	out.unread = sc.bad > 0
	out.torn, out.skipped = s.size-whole, skipped
	out.after = sc.skipped - atMark
	return out
}
