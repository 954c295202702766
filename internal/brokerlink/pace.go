package brokerlink

import (
	"errors"
	"math/rand/v2"
	"time"
)

// StandingWait is the longest wait after a failure that lasts until somebody does something: a broker that refuses a password
// need not be asked so often.
const StandingWait = 30 * time.Second

// A Pace spaces the attempts to connect: each wait twice the last, up to Last, and each with so much chance that many who
// lost the same broker do not come back at once.
type Pace struct {
	First, Last time.Duration

	wait time.Duration
}

// Next is how long to wait after a failure: half to one and a half times the wait that is due.
func (p *Pace) Next(err error) time.Duration {
	last := p.Last
	var f *Failure
	if errors.As(err, &f) && f.Standing() {
		last = max(last, StandingWait)
	}
	p.wait = min(max(p.wait, p.First), last)
	d := p.wait/2 + rand.N(p.wait)
	p.wait *= 2
	return d
}

// Held says that a connection stood: the next failure is a new one.
func (p *Pace) Held() { p.wait = 0 }

// Quiet is how often the same failure is said.
const Quiet = time.Minute

// maxKept bounds the failures that are kept apart.
const maxKept = 32

// A Repeat keeps the same thing from filling the log. The zero value says it once in Quiet.
type Repeat struct {
	Every time.Duration // 0: Quiet

	seen map[string]*once
}

type once struct {
	said  time.Time
	times int
}

// Failure counts a failure, see Say.
func (r *Repeat) Failure(err error, now time.Time) (times int, say bool) {
	var f *Failure
	if errors.As(err, &f) {
		return r.Say(f.key(), now)
	}
	return r.Say(err.Error(), now)
}

// Say counts what happened and tells whether it is to be said now, and how often it happened since it was said last.
func (r *Repeat) Say(key string, now time.Time) (times int, say bool) {
	every := r.Every
	if every == 0 {
		every = Quiet
	}
	o := r.seen[key]
	if o == nil {
		if r.seen == nil || len(r.seen) >= maxKept {
			r.seen = make(map[string]*once)
		}
		o = &once{}
		r.seen[key] = o
	}
	o.times++
	if !o.said.IsZero() && now.Sub(o.said) < every {
		return 0, false
	}
	times = o.times
	*o = once{said: now}
	return times, true
}
