package rtu

import "time"

// A tag is what can be told of a request from its reply: the function, and the length in bytes of the data frame.
type tag struct {
	fn   byte
	size int
}

// A frame is a whole reply, or an exception.
type frame struct {
	fn   byte // without the exception's mark
	size int
	data bool // no exception
}

// answers tells whether f can be the reply to a request with tag t.
func (f frame) answers(t tag) bool { return f.fn == t.fn && (!f.data || f.size == t.size) }

// maxRuns bounds what is remembered of a unit; a few are the rule.
const maxRuns = 8

// owed is the replies that a unit may still give, in the order of their requests. Neighbours with the same tag are one
// run. A slave answers in order and leaves some requests unanswered, so a reply tells that nothing older than its own
// request will follow; where several requests may be meant, the oldest is taken for it. Thus owed never holds less
// than the truth, and a reply after which it is empty is the reply to the last request.
type owed struct {
	runs [maxRuns]run
	n    int
}

type run struct {
	tag  tag
	n    int
	last time.Time // when the last request of the run was sent
}

func (o *owed) empty() bool { return o.n == 0 }

// sent adds a request. It is false where there is no room for another run; then nothing must be sent.
func (o *owed) sent(t tag, at time.Time) bool {
	if o.n == 0 || o.runs[o.n-1].tag != t {
		if o.n == maxRuns {
			return false
		}
		o.runs[o.n] = run{tag: t}
		o.n++
	}
	r := &o.runs[o.n-1]
	r.n++
	r.last = at
	return true
}

// came takes the oldest request that f can be the reply to, and all before it, away. It is false where there is none:
// nobody asked for f.
func (o *owed) came(f frame) bool {
	for i := range o.n {
		if !f.answers(o.runs[i].tag) {
			continue
		}
		if o.runs[i].n--; o.runs[i].n == 0 {
			i++
		}
		o.drop(i)
		return true
	}
	return false
}

// forget takes requests away that were sent before the time given. A run goes with its last request.
func (o *owed) forget(before time.Time) {
	i := 0
	for i < o.n && o.runs[i].last.Before(before) {
		i++
	}
	o.drop(i)
}

// drop takes the first i runs away.
func (o *owed) drop(i int) { o.n = copy(o.runs[:], o.runs[i:o.n]) }

// first is the place of the first run with tag t; maxRuns where there is none.
func (o *owed) first(t tag) int {
	for i := range o.n {
		if o.runs[i].tag == t {
			return i
		}
	}
	return maxRuns
}
