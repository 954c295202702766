package pot

import (
	"sync"

	"gritwatch/server/internal/feed"
)

// Bounds of a mailbox: readings are dropped before anything that can only lower the word.
const (
	maxData = 256
	maxAll  = 512
)

// A letter is one thing in a mailbox: an event or an echo.
type letter struct {
	event feed.Event
	echo  *feed.Echo
}

// A mailbox is a bounded queue of letters. Putting never blocks.
type mailbox struct {
	mu     sync.Mutex
	queue  []letter
	burst  bool          // something other than readings was dropped
	notify chan struct{} // has room for one
}

func newMailbox() *mailbox { return &mailbox{notify: make(chan struct{}, 1)} }

// put is false where the letter was dropped.
func (m *mailbox) put(l letter) bool {
	readings := l.echo != nil || l.event.Kind == feed.Data || l.event.Kind == feed.LateData
	m.mu.Lock()
	ok := len(m.queue) < maxData || !readings && len(m.queue) < maxAll
	if ok {
		m.queue = append(m.queue, l)
	} else if !readings {
		m.burst = true
	}
	m.mu.Unlock()
	select {
	case m.notify <- struct{}{}:
	default:
	}
	return ok
}

// take empties the queue into spare's room.
func (m *mailbox) take(spare []letter) (queue []letter, burst bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	queue, burst = m.queue, m.burst
	clear(spare[:cap(spare)])
	m.queue, m.burst = spare[:0], false
	return queue, burst
}

// full tells whether readings are being dropped.
func (m *mailbox) full() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.queue) >= maxData
}
