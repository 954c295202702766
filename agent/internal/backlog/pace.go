package backlog

import "time"

// Limits of the pace.
const (
	PerSecond = 50_000 // readings at most
	MinSize   = 16     // readings of a message
	MaxSize   = 512
	firstSize = 64
	look      = 5 * time.Millisecond
	quick     = 50 * time.Millisecond
	slow      = 200 * time.Millisecond
	reading   = 40 // bytes that one takes in a message, about
)

// A Pace says when the next message may go, and how large it should be. The zero value begins anew.
type Pace struct {
	size   int
	sent   time.Time // the last message
	due    time.Time // the next one, so that there are not too many readings a second
	judged bool      // it is known how long the last one took
}

// Size is how many readings the next message should have at most.
func (p *Pace) Size() int {
	if p.size == 0 {
		p.size = firstSize
	}
	return p.size
}

// Sent says that a message with so many readings went out.
func (p *Pace) Sent(now time.Time, readings int) {
	p.sent, p.judged = now, false
	p.due = now.Add(time.Duration(readings) * time.Second / PerSecond)
}

// Judging tells that it is not known yet how long the last message took: look soon, even if there is nothing to send.
func (p *Pace) Judging() bool { return !p.judged && !p.sent.IsZero() }

// Wait is how long the next message must wait, while so many bytes are unconfirmed; 0: it may go. After that look again.
func (p *Pace) Wait(now time.Time, unconfirmed int) time.Duration {
	size := p.Size()
	if unconfirmed > size*reading {
		return look
	}
	if p.Judging() {
		p.judged = true
		switch took := now.Sub(p.sent); {
		case took <= quick:
			p.size = min(2*size, MaxSize)
		case took > slow:
			p.size = max(size/2, MinSize)
		}
	}
	return max(0, p.due.Sub(now))
}
