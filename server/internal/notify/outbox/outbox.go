package outbox

import (
	"cmp"
	"slices"
	"time"

	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
)

const (
	// Most is how many alarms may wait.
	Most       = 1000
	mostInOne  = 50 // alarms in one message
	flood      = 5  // with more pots and agents due at once all come in one message
	firstRetry = time.Second
	lastRetry  = 5 * time.Minute

	firstRefused = 30 * time.Second
	lastRefused  = 10 * time.Minute
	givenUp      = time.Hour
)

// An Outbox is what one receiver is to know and what it was told. Not safe for concurrent use.
type Outbox struct {
	policy Policy
	items  []*item // in the order in which they came
	byID   map[string]*item

	notBefore time.Time // the receiver is left alone until then
	asked     bool      // it asked for that
	lastTry   time.Time
	tries     int       // in a row that did not reach it
	turn      time.Time // when it would have been tried, had nothing critical come; zero: at notBefore

	counts Counts
	owed   uint64 // dropped, and no message has said so yet
}

// Counts are of one receiver since the start.
type Counts struct {
	Sent    uint64 // messages that were taken
	Failed  uint64 // messages that were not, tries
	Dropped uint64 // alarms whose newest was never told: too many waited, or it had ended and was refused for too long
	Waiting int    // alarms that wait to be told now
}

// An item is one alarm that the receiver knows or is to know.
type item struct {
	entry   message.Entry
	told    alarm.State // of which the receiver knows; Normal: it knows nothing of it
	waiting bool
	since   time.Time // waiting: when it began to
	loud    bool      // it has come into sight since it was told last
	fresh   bool      // sending: the same since the message was made
	sending bool
	again   time.Time // Refresh: when it is told again

	refused      int // in a row
	refusedFirst time.Time
	notBefore    time.Time
}

// A Mark is what must be remembered over a restart: what the receiver knows of one alarm.
type Mark struct {
	Alarm     string
	Told      alarm.State // Normal: nothing
	Waiting   bool
	Simulated bool
	Gone      bool // nothing need be remembered of it any more
}

func (it *item) mark() Mark {
	return Mark{Alarm: it.entry.Alarm, Told: it.told, Waiting: it.waiting, Simulated: it.entry.Simulated}
}

// New is an outbox that knows nothing.
func New(p Policy) *Outbox { return &Outbox{policy: p, byID: map[string]*item{}} }

// Counts are those since New.
func (o *Outbox) Counts() Counts {
	c := o.counts
	for _, it := range o.items {
		if it.waiting {
			c.Waiting++
		}
	}
	return c
}

// Wants tells whether the receiver is told of such an alarm.
func (o *Outbox) Wants(k alarm.Key, p alarm.Priority) bool { return o.policy.wants(k, p) }

// Restore takes over an alarm at the start: its newest state, and what the receiver knew of it. known is false where nothing was
// remembered: of an alarm that is in sight then it is told. Call it before anything else.
func (o *Outbox) Restore(e message.Entry, m Mark, known bool, now time.Time) []Mark {
	if !o.policy.wants(e.Key, e.Priority) {
		return []Mark{{Alarm: e.Alarm, Gone: true}}
	}
	if !known && !e.State.Shown() {
		return nil
	}
	it := &item{entry: e, since: now}
	it.entry.Simulated = e.Simulated || m.Simulated
	it.entry.Held = message.Restarted
	it.again = now
	if known {
		it.told = m.Told
	}
	it.loud = !known
	it.waiting = known && m.Waiting && m.Told == alarm.Normal || o.worth(it)
	if !it.waiting && e.State == alarm.Normal {
		return []Mark{{Alarm: e.Alarm, Gone: true}}
	}
	o.add(it)
	return append(o.bound(it), it.mark())
}

// Put takes the newest of an alarm; loud: it has just come into sight.
func (o *Outbox) Put(e message.Entry, loud bool, now time.Time) []Mark {
	it := o.byID[e.Alarm]
	switch {
	case it == nil && (!loud || !o.policy.wants(e.Key, e.Priority)):
		return nil
	case it == nil:
		it = &item{entry: e}
		o.add(it)
	}
	was := it.mark()
	e.Held = message.NotHeld
	if it.waiting {
		e.Held = it.entry.Held
	}
	e.Simulated = e.Simulated || it.entry.Simulated
	it.entry = e
	it.loud = it.loud || loud
	it.fresh = it.sending && (it.fresh || loud)
	o.settle(it, was.Waiting, now)
	if loud && e.Priority == alarm.Critical && !o.asked {
		// Who could not be reached a while ago may be reached now.
		if soon := o.lastTry.Add(firstRetry); soon.Before(o.notBefore) {
			if o.turn.IsZero() {
				o.turn = o.notBefore
			}
			o.notBefore = soon
		}
	}
	if it.done() {
		o.remove(it)
		return []Mark{{Alarm: e.Alarm, Gone: true}}
	}
	out := o.bound(it)
	if m := it.mark(); m != was {
		out = append(out, m)
	}
	return out
}

// settle decides anew whether an item waits.
func (o *Outbox) settle(it *item, waited bool, now time.Time) {
	it.waiting = waited && it.told == alarm.Normal || o.worth(it)
	if it.waiting && !waited {
		it.since, it.refused, it.notBefore = now, 0, time.Time{}
	}
}

// done tells whether nothing is left to be told of an alarm, and nothing will come.
func (it *item) done() bool { return !it.waiting && !it.sending && it.entry.State == alarm.Normal }

func (o *Outbox) add(it *item) {
	o.items = append(o.items, it)
	o.byID[it.entry.Alarm] = it
}

func (o *Outbox) remove(it *item) {
	delete(o.byID, it.entry.Alarm)
	o.items = slices.DeleteFunc(o.items, func(x *item) bool { return x == it })
}

// worth tells whether an alarm's newest is news to the receiver.
func (o *Outbox) worth(it *item) bool {
	told, now := it.told, it.entry.State
	switch {
	case it.loud:
		return true
	case told == alarm.Normal || told == now:
		return false
	case phase(told) == phase(now), !now.Shown() && now != alarm.Normal:
		return o.policy.Acts
	case now == alarm.Normal && told == alarm.ReturnedUnacknowledged:
		return o.policy.Acts
	}
	return true
}

// phase puts those states together between which only people change.
func phase(s alarm.State) int {
	switch s {
	case alarm.Unacknowledged, alarm.Acknowledged:
		return 1
	case alarm.ReturnedUnacknowledged:
		return 2
	case alarm.LatchedUnacknowledged, alarm.LatchedAcknowledged:
		return 3
	case alarm.Shelved, alarm.Suppressed, alarm.OutOfService:
		return 4
	}
	return 0
}

// bound drops the least urgent where too many wait.
func (o *Outbox) bound(newest *item) []Mark {
	n := 0
	var least *item
	for _, it := range o.items {
		if !it.waiting {
			continue
		}
		n++
		if it.sending {
			continue
		}
		if least == nil || it.entry.Priority < least.entry.Priority {
			least = it
		}
	}
	if n <= Most || least == nil {
		return nil
	}
	m := o.drop(least)
	if least == newest {
		return nil // its own mark says it
	}
	return []Mark{m}
}

// drop gives up telling the newest of an alarm.
func (o *Outbox) drop(it *item) Mark {
	o.counts.Dropped++
	o.owed++
	it.waiting, it.loud, it.refused, it.notBefore = false, false, 0, time.Time{}
	it.told = it.entry.State
	if it.entry.State == alarm.Normal {
		o.remove(it)
		return Mark{Alarm: it.entry.Alarm, Gone: true}
	}
	return it.mark()
}

// group is what comes in one message.
func (o *Outbox) group(it *item) string {
	switch k := it.entry.Key; {
	case o.policy.Mixed:
		return ""
	case k.Pot != "":
		return "pot " + k.Pot
	default:
		return "agent " + k.Agent
	}
}

// A Batch is one message that is due, to be handed back to Done.
type Batch struct {
	Entries []message.Entry
	Dropped uint64 // see message.Message
}

// Due is what is to be sent now; false: nothing before next, which is zero where nothing waits. A batch must be handed
// back to Done before the next is asked for.
func (o *Outbox) Due(now time.Time) (b Batch, due bool, next time.Time) {
	earliest := func(t time.Time) {
		if next.IsZero() || t.Before(next) {
			next = t
		}
	}
	end, quiet := o.policy.Quiet.Until(now)
	var best *item
	groups := map[string]bool{}    // of what is new and due
	urgent := func(it *item) int { // of what is due: what is new comes before what is told again
		if it.waiting {
			return 1 + int(it.entry.Priority)
		}
		return 0
	}
	for _, it := range o.items {
		at, ok := o.when(it, end, quiet)
		switch {
		case !ok:
			continue
		case at.After(now):
			earliest(at)
			continue
		}
		if it.waiting && len(groups) <= flood {
			groups[o.group(it)] = true
		}
		// Of the same urgency what waits longest comes first, but what was refused lets the rest pass.
		if best == nil || cmp.Or(cmp.Compare(urgent(it), urgent(best)), cmp.Compare(best.refused, it.refused)) > 0 {
			best = it
		}
	}
	switch {
	case best == nil:
		return Batch{}, false, orLater(next, o.notBefore)
	case o.notBefore.After(now):
		return Batch{}, false, o.notBefore
	}
	var with []*item
	for _, it := range o.items {
		_, ok := o.when(it, end, quiet)
		if it == best || ok && best.refused == 0 && it.refused == 0 && (len(groups) > flood || o.group(it) == o.group(best)) && (it.waiting || !it.again.After(now)) {
			with = append(with, it)
		}
	}
	slices.SortStableFunc(with, func(x, y *item) int { return cmp.Compare(urgent(y), urgent(x)) })
	for _, it := range with[:min(len(with), mostInOne)] {
		e := it.entry
		e.Repeats = !it.waiting
		it.sending = true
		b.Entries = append(b.Entries, e)
	}
	b.Dropped = o.owed
	o.lastTry = now
	return b, true, now
}

// orLater is the later of two instants, and zero, which is never, where x is.
func orLater(x, y time.Time) time.Time {
	if x.IsZero() || x.After(y) {
		return x
	}
	return y
}

// when is from when on an item may be sent; false: it has nothing to say.
func (o *Outbox) when(it *item, end time.Time, quiet bool) (time.Time, bool) {
	switch {
	case !it.waiting:
		return it.again, o.policy.Refresh > 0 && it.told != alarm.Normal && it.entry.Stands()
	case it.entry.Priority == alarm.Critical:
		return it.notBefore, true
	case quiet:
		it.entry.Held = max(it.entry.Held, message.Quiet)
		return orLater(end, it.notBefore), true
	}
	return orLater(it.since.Add(o.policy.Gather), it.notBefore), true
}

// Done says what became of a batch: nil: it was taken.
func (o *Outbox) Done(b Batch, failed *message.Failure, now time.Time) []Mark {
	var out []Mark
	switch {
	case failed == nil:
		o.counts.Sent++
		o.tries, o.asked, o.notBefore = 0, false, time.Time{}
		o.owed -= b.Dropped
	case failed.Refused:
		o.counts.Failed++
		o.tries, o.asked = 0, failed.After > 0
		o.notBefore = now.Add(max(firstRetry, failed.After))
	default:
		o.counts.Failed++
		o.asked = failed.After > 0
		if o.turn.After(now) { // tried out of turn, which is no reason to wait longer than before
			o.notBefore = orLater(o.turn, now.Add(max(firstRetry, min(failed.After, lastRetry))))
			break
		}
		o.tries++
		o.notBefore = now.Add(max(backoff(firstRetry, lastRetry, o.tries), min(failed.After, lastRetry)))
	}
	o.turn = time.Time{}
	for i := range b.Entries {
		sent := &b.Entries[i]
		it := o.byID[sent.Alarm]
		if it == nil {
			continue
		}
		was := it.mark()
		it.sending = false
		switch {
		case failed == nil:
			it.told, it.loud, it.fresh = sent.State, it.fresh, false
			it.refused, it.notBefore = 0, time.Time{}
			it.again = now.Add(o.policy.Refresh)
			if it.entry.Same(sent) {
				it.loud = false
			}
			o.settle(it, false, now)
			if !it.waiting {
				it.entry.Held = message.NotHeld
			}
		case failed.Refused:
			if it.refused == 0 {
				it.refusedFirst = now
			}
			it.refused++
			it.fresh = false
			it.notBefore = now.Add(backoff(firstRefused, lastRefused, it.refused))
			it.entry.Held = max(it.entry.Held, message.Refused)
			if !it.waiting { // told again: it is tried again in any case
				it.again, it.refused = it.notBefore, 0
			} else if now.Sub(it.refusedFirst) >= givenUp && !it.entry.Stands() {
				out = append(out, o.drop(it))
				continue
			}
		default:
			it.fresh = false
			it.entry.Held = max(it.entry.Held, message.Failed)
		}
		if it.done() {
			o.remove(it)
			out = append(out, Mark{Alarm: sent.Alarm, Gone: true})
		} else if m := it.mark(); m != was {
			out = append(out, m)
		}
	}
	if failed != nil && !failed.Refused {
		for _, it := range o.items {
			if it.waiting {
				it.entry.Held = max(it.entry.Held, message.Failed)
			}
		}
	}
	return out
}

// backoff doubles from first on, up to last.
func backoff(first, last time.Duration, n int) time.Duration {
	d := first
	for i := 1; i < n && d < last; i++ {
		d *= 2
	}
	return min(d, last)
}
