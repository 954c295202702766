package sparkplug

// A Counter gives an edge node's sequence numbers. The zero value's first is 0.
type Counter struct{ next uint8 }

// Birth is the number of an NBIRTH, always 0; the next message has 1.
func (c *Counter) Birth() uint8 {
	c.next = 1
	return 0
}

// Next is the number of the next message, 255 followed by 0.
func (c *Counter) Next() uint8 {
	n := c.next
	c.next++
	return n
}

// An Order checks at the host that none of an edge node's messages is missing. The zero value has seen no birth.
type Order struct {
	born bool
	next uint8
}

// Birth takes the number of an NBIRTH and starts anew.
func (o *Order) Birth(seq uint8) { o.born, o.next = true, seq+1 }

// Take takes the number of any other message. It is false before a birth, or when the number is not the one due;
// the order then goes on from the number taken, so that one hole is told once.
func (o *Order) Take(seq uint8) bool {
	if !o.born {
		return false
	}
	ok := seq == o.next
	o.next = seq + 1
	return ok
}

// Ahead is how many messages before this one are still due; 0 where it is the next, or there was no birth. A number that
// was taken already is far ahead, as numbers come round.
func (o *Order) Ahead(seq uint8) uint8 {
	if !o.born {
		return 0
	}
	return seq - o.next
}

// Reset forgets the birth: the node died, or its messages were lost sight of.
func (o *Order) Reset() { *o = Order{} }

// NextBdSeq is the birth and death number after n: 255 is followed by 0.
func NextBdSeq(n uint8) uint8 { return n + 1 }
