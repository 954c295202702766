package backlog

// MaxWaiting is how many requests wait at most, besides the one that is being answered.
const MaxWaiting = 8

// A Request asks for the positions From up to To (exclusive).
type Request struct {
	From, To uint64
}

// A Queue is requests in the order in which they came.
type Queue struct {
	waiting []Request
}

// Add puts a request behind the others; false where MaxWaiting wait already.
func (q *Queue) Add(r Request) bool {
	if len(q.waiting) >= MaxWaiting {
		return false
	}
	q.waiting = append(q.waiting, r)
	return true
}

// Next takes the oldest request out; false where there is none.
func (q *Queue) Next() (Request, bool) {
	if len(q.waiting) == 0 {
		return Request{}, false
	}
	r := q.waiting[0]
	q.waiting = q.waiting[:copy(q.waiting, q.waiting[1:])]
	return r, true
}

// Forget takes all of them out.
func (q *Queue) Forget() { q.waiting = q.waiting[:0] }
