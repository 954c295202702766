package keep

import (
	"sync"

	"gritwatch/server/internal/feed"
)

// leastRoom is how many samples at least may wait for Run. What finds no room is dropped, and asked for again.
const leastRoom = 400_000

// An item is one thing that arrived: an event, or one of the others.
type item struct {
	event   feed.Event
	echo    *feed.Echo
	journal *feed.Journal
	do      func()
}

// A box is a bounded queue of items. Putting never blocks.
type box struct {
	mu      sync.Mutex
	queue   []item
	samples int
	room    int           // samples that may wait
	notify  chan struct{} // has room for one
	hurry   chan struct{} // has room for one: somebody waits for what is in it
}

// put is false where an event was dropped for want of room; nothing else ever is.
func (b *box) put(i item) bool {
	b.mu.Lock()
	n := len(i.event.Samples)
	ok := n == 0 || b.samples+n <= b.room
	if ok {
		b.queue = append(b.queue, i)
		b.samples += n
	}
	b.mu.Unlock()
	signal(b.notify)
	if i.do != nil {
		signal(b.hurry)
	}
	return ok
}

// signal does not block: one is enough.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// take empties the queue into spare's room.
func (b *box) take(spare []item) []item {
	b.mu.Lock()
	defer b.mu.Unlock()
	queue := b.queue
	clear(spare)
	b.queue, b.samples = spare[:0], 0
	return queue
}
