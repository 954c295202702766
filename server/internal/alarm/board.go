package alarm

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"gritwatch/protocol/si"
)

// longestShelf is how long an alarm may be shelved at once: a long shift. Common practice.
const longestShelf = 12 * time.Hour

// A Unit is a pot and the agent that reads it.
type Unit struct{ Pot, Agent string }

// An Alarm is one as it stands in records: the fields are those of records.Alarm.
type Alarm struct {
	ID          string // ULID
	Pot         string // empty: of an agent
	Agent       string // empty: of a pot
	Kind        string
	Priority    string
	Raised      si.Instant
	Ended       si.Instant // 0: still open
	Transitions []Transition
}

// Key is what there is at most one open alarm of; an error where its kind is not one of this version.
func (r *Alarm) Key() (Key, error) {
	k, err := ParseKind(r.Kind)
	if err != nil {
		return Key{}, err
	}
	key := Key{Pot: r.Pot, Agent: r.Agent, Kind: k}
	if len(r.Transitions) > 0 {
		// What cannot be read is of no gauge.
		e, _ := ParseEvidence(r.Transitions[0].Evidence)
		key.Point, key.Fault = e.Point, e.Fault
	}
	return key, nil
}

// A Transition is a step in an alarm's life as it stands in records; its fields are those of records.Transition, so that
// one converts to the other.
type Transition struct {
	ID       string // ULID
	Alarm    string // ULID
	At       si.Instant
	Event    string
	By       string // person; empty: nobody
	Evidence string // JSON; empty: none
	Ends     bool   // nothing is left to do: the alarm is over
}

// A Change is one transition that has happened, to be recorded and told.
type Change struct {
	Transition
	New      bool // the alarm's first: the alarm is to be recorded with it
	Key      Key
	Priority Priority
	Raised   si.Instant
	State    State      // after it
	Was      si.Instant // when it happened: At is later where the records' order asks for it
	Loud     bool       // it has just come into sight, with its condition standing: people are to be told
	Note     string     // of the person; it stands in Evidence too
}

// Record is the alarm with its first transition, where the change is New.
func (c *Change) Record() Alarm {
	return Alarm{ID: c.Alarm, Pot: c.Key.Pot, Agent: c.Key.Agent, Kind: c.Key.Kind.String(), Priority: c.Priority.String(),
		Raised: c.Raised, Transitions: []Transition{c.Transition}}
}

// An Act is what a person does.
type Act struct {
	At   si.Instant
	By   string // named person
	Note string // may be empty, where no reason is asked for
	Seen string // id of the newest transition that the person knows of; empty: not told
}

// A View is an open alarm as people see it. The words are in Text.
type View struct {
	ID       string
	Key      Key
	Priority Priority
	Raised   si.Instant
	State    State
	Since    si.Instant // of State
	Active   bool       // its condition stands
	Until    si.Instant // Shelved: its end
	By       string     // who has acknowledged it; empty: nobody
	ByAt     si.Instant
	Cause    string // id of an open alarm that it follows from; empty: none
	First    bool   // no other alarm of the pot stood when it was raised
	Evidence Evidence
	Can      []string // what a person may do with it now
}

// Sounds tells whether the alarm is to be heard: it is critical, its condition stands in sight, and nobody has acknowledged it.
func (v *View) Sounds() bool { return v.Priority == Critical && v.State == Unacknowledged }

// A Board has all open alarms of a site and their history as figures. It is pure: instants are arguments, ids come from
// NewID. What it returns as changes is to be recorded in that order; Restore makes the same board from the records. Not
// safe for concurrent use.
type Board struct {
	newID func(si.Instant) string
	agent map[string]string // of a pot
	pots  map[string]bool   // agents' names too, with a prefix
	byKey map[Key]*alarm
	open  []*alarm          // the oldest first
	of    map[Unit][]*alarm // those of a pot, or of an agent, the oldest first; the other name is empty
	ended map[Key]ending    // of conditions that suppress others
	tick  si.Instant        // the newest; 0: none yet
	gone  time.Duration     // between ticks, as far as the clock went forward
	tally tally
}

// An ending is when a condition ended. What is suppressed for a while after it is vessel-unknown too, so that while goes by Board.gone: a clock that is set back must not
// keep it out of sight.
type ending struct {
	at   si.Instant
	gone time.Duration
}

// NewBoard is a board without alarms. newID gives the ULID of an instant, of a later millisecond a greater one.
func NewBoard(units []Unit, newID func(si.Instant) string) *Board {
	b := &Board{newID: newID, agent: map[string]string{}, pots: map[string]bool{}, byKey: map[Key]*alarm{}, of: map[Unit][]*alarm{}, ended: map[Key]ending{}}
	for _, u := range units {
		b.agent[u.Pot] = u.Agent
		b.pots["agent "+u.Agent] = true
	}
	b.tally.init()
	return b
}

// configured tells whether what a key is of exists.
func (b *Board) configured(k Key) bool {
	if k.Pot == "" {
		return b.pots["agent "+k.Agent]
	}
	_, ok := b.agent[k.Pot]
	return ok
}

// Restore takes over the open alarms of the records, with all their transitions in the order of their instants; on a new
// board, before anything else. Those that are over by the rules of this version are ended at the instant given. What
// cannot be understood is left out and told in the error; the rest is restored all the same.
func (b *Board) Restore(open []Alarm, at si.Instant) ([]Change, error) {
	var errs []error
	var out []Change
	b.tick = at
	for i := range open {
		a, err := b.restore(&open[i])
		if err == nil && a.over() {
			out = b.commit(out, a, EventReset, at, "", Evidence{Note: "over by the rules of this version"})
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("alarm %s (%s of %s%s) was not taken over: %w", open[i].ID, open[i].Kind, open[i].Pot, open[i].Agent, err))
		}
	}
	return out, errors.Join(errs...)
}

func older(x, y *alarm) int {
	return cmp.Or(cmp.Compare(x.raised, y.raised), strings.Compare(x.id, y.id))
}

func (b *Board) restore(r *Alarm) (*alarm, error) {
	k, err := ParseKind(r.Kind)
	if err != nil {
		return nil, err
	}
	p, err := ParsePriority(r.Priority)
	if err != nil {
		return nil, err
	}
	a := &alarm{id: r.ID, key: Key{Pot: r.Pot, Agent: r.Agent, Kind: k}, priority: p, raised: r.Raised}
	if len(r.Transitions) == 0 { // its first was not stored
		a.apply(EventRaised, r.Raised, "", &Evidence{})
	}
	for i, t := range r.Transitions {
		e, err := ParseEvidence(t.Evidence)
		if err != nil {
			e = Evidence{} // what happened is known all the same
		}
		if i == 0 {
			a.key.Point, a.key.Fault = e.Point, e.Fault
		}
		was := a.mode
		if err := a.apply(t.Event, t.At, t.By, &e); err != nil {
			return nil, err
		}
		a.newest = max(a.newest, t.ID)
		if a.loud(t.Event, was) {
			a.begun = t.ID
		}
	}
	if b.byKey[a.key] != nil || !b.configured(a.key) {
		a.orphan = true
	} else {
		b.byKey[a.key] = a
	}
	b.put(a)
	return a, nil
}

// put takes an alarm into the lists.
func (b *Board) put(a *alarm) {
	u := Unit{a.key.Pot, a.key.Agent}
	b.open, b.of[u] = insert(b.open, a), insert(b.of[u], a)
}

// drop takes it out of them.
func (b *Board) drop(a *alarm) {
	u := Unit{a.key.Pot, a.key.Agent}
	b.open, b.of[u] = remove(b.open, a), remove(b.of[u], a)
	if len(b.of[u]) == 0 {
		delete(b.of, u)
	}
}

// insert puts an alarm behind those that are not younger.
func insert(list []*alarm, a *alarm) []*alarm {
	i, _ := slices.BinarySearchFunc(list, a, func(x, a *alarm) int { return cmp.Or(older(x, a), -1) })
	return slices.Insert(list, i, a)
}

func remove(list []*alarm, a *alarm) []*alarm {
	if i := slices.Index(list, a); i >= 0 {
		return slices.Delete(list, i, i+1)
	}
	return list
}

// near are the open alarms that concern what a key is of, the oldest first: those of the same pot or agent, and of a pot those of its
// agent.
func (b *Board) near(k Key) []*alarm {
	own := b.of[Unit{k.Pot, k.Agent}]
	if k.Pot == "" {
		return own
	}
	agents := b.of[Unit{"", b.agent[k.Pot]}]
	if len(agents) == 0 || b.agent[k.Pot] == "" {
		return own
	}
	all := append(slices.Clone(own), agents...)
	slices.SortStableFunc(all, older)
	return all
}

// Standing are the conditions that stand at a pot, or at an agent where pot is empty: for Assume.
func (b *Board) Standing(pot, agent string) []Key {
	var out []Key
	for _, a := range b.of[Unit{pot, agent}] {
		if a.active && !a.orphan {
			out = append(out, a.key)
		}
	}
	return out
}

// mostAhead is how far ahead of the present a clock may have been that made an id.
const mostAhead = 100 * 365 * 24 * time.Hour

// idAfter is an id of an instant, or of the first one behind it that comes after all of the alarm's: by their order people are asked whether they have seen the newest
// beginning, and clocks differ and are set back.
func (b *Board) idAfter(a *alarm, at si.Instant) string {
	id := b.newID(at)
	for d := time.Millisecond; id <= a.newest && d < mostAhead; d *= 2 {
		id = b.newID(at.Add(d))
	}
	a.newest = id
	return id
}

// commit makes an event happen and appends it to dst. Its instant is after those of all the alarm's events before.
func (b *Board) commit(dst []Change, a *alarm, event string, at si.Instant, by string, e Evidence) []Change {
	isNew, happened := a.since == 0, at
	if !isNew && at <= a.last {
		at = a.last + 1 // records are read by instant; what is told late must not move before what it found
	}
	was := a.mode
	if err := a.apply(event, at, by, &e); err != nil {
		panic("alarm: " + err.Error())
	}
	c := Change{Transition: Transition{ID: b.idAfter(a, at), Alarm: a.id, At: at, Event: event, By: by, Evidence: e.text(), Ends: a.over()},
		New: isNew, Key: a.key, Priority: a.priority, Raised: a.raised, State: a.state(), Was: happened, Note: e.Note}
	c.Loud = a.loud(event, was)
	if c.Loud {
		a.begun = c.ID
		b.tally.add(at, a.priority, a.key)
	}
	if c.Ends {
		b.drop(a)
		if b.byKey[a.key] == a {
			delete(b.byKey, a.key)
		}
	}
	return append(dst, c)
}

// Note takes what a detector has found, and appends what it changes to dst.
func (b *Board) Note(f Found, dst []Change) []Change {
	if !b.configured(f.Key) {
		return dst
	}
	a := b.byKey[f.Key]
	switch {
	case f.Proven:
		if a != nil && a.latched() {
			dst = b.commit(dst, a, EventReturned, f.At, "", f.Evidence)
		}
	case f.On && a == nil:
		dst = b.raise(f, dst)
	case f.On && !a.active && a.priority != f.Priority && a.mode == shown:
		dst = b.commit(dst, a, EventReset, f.At, "", Evidence{Note: "raised again with another priority"})
		dst = b.raise(f, dst)
	case f.On && !a.active:
		event := EventRaised
		if a.mode == shown && b.isUnder(&f) {
			event = EventSuppressed
		}
		dst = b.commit(dst, a, event, f.At, "", b.place(f))
	case !f.On && a != nil && a.active:
		dst = b.commit(dst, a, EventReturned, f.At, "", Evidence{Late: f.Evidence.Late})
		if a.mode == outOfService && a.key.Kind == AgentSilent {
			// What is heard again must not fall silent unheard.
			dst = b.commit(dst, a, EventBroughtBack, f.At, "", Evidence{})
		}
	default:
		return dst // nothing new: it stood before a start, or the other of live and late has found it already
	}
	if f.Proven || !suppresses[f.Kind] {
		return dst
	}
	if !f.On {
		b.ended[f.Key] = ending{f.At, b.gone}
		return dst
	}
	delete(b.ended, f.Key)
	return b.hide(f.Key, f.At, dst)
}

// raise makes a new alarm.
func (b *Board) raise(f Found, dst []Change) []Change {
	a := &alarm{id: b.newID(f.At), key: f.Key, priority: f.Priority, raised: f.At}
	e := b.place(f)
	b.byKey[a.key] = a
	b.put(a)
	event := EventRaised
	if b.isUnder(&f) {
		event = EventSuppressed
	}
	return b.commit(dst, a, event, f.At, "", e)
}

// place is the evidence with where the alarm stands among the pot's others.
func (b *Board) place(f Found) Evidence {
	e := f.Evidence
	e.Cause, e.First = "", true
	for _, a := range b.near(f.Key) {
		if a.key == f.Key {
			continue
		}
		e.First = e.First && !a.active
		if e.Cause == "" && a.makes(f.Kind) {
			e.Cause = a.id
		}
	}
	return e
}

// makes tells whether an alarm of a kind at the same pot or its agent follows from this one. Of gauges that is so of the
// vessel's that is blind, of doubts about the configuration of pots whose gauges are exchanged.
func (a *alarm) makes(k Kind) bool {
	if !slices.Contains(rules[k].Causes, a.key.Kind) {
		return false
	}
	switch a.key.Kind {
	case SensorFault:
		return a.key.Point == vesselPoint && blinds(a.key.Fault)
	case ConfigDoubt:
		return a.evidence.Other != ""
	}
	return true
}

// causeOf is the open alarm that one follows from: that of its beginning, else the oldest one now, as a cause may be found
// after what follows from it. Nil: none.
func (b *Board) causeOf(a *alarm, ids map[string]*alarm) *alarm {
	if c := ids[a.evidence.Cause]; c != nil {
		return c
	}
	if len(rules[a.key.Kind].Causes) == 0 {
		return nil
	}
	for _, c := range b.near(a.key) {
		if c != a && c.active && c.mode == shown && c.makes(a.key.Kind) {
			return c
		}
	}
	return nil
}

// sees tells whether an alarm of the first key concerns what the second is of: the same pot or agent, or the pot's agent.
func (b *Board) sees(of, concerns Key) bool {
	if of.Pot != "" || concerns.Pot == "" {
		return of.Pot == concerns.Pot && of.Agent == concerns.Agent
	}
	return of.Agent == b.agent[concerns.Pot]
}

// suppresses are the kinds that others are suppressed under.
var suppresses = func() (s [Kinds]bool) {
	for _, r := range rules {
		for _, k := range r.Under {
			s[k] = true
		}
	}
	return s
}()

// stands tells whether an alarm that k is suppressed under stands, and else how the last one ended; false: none has.
func (b *Board) stands(k Key) (now bool, last ending, ended bool) {
	for _, kind := range rules[k.Kind].Under {
		u := Key{Pot: k.Pot, Agent: k.Agent, Kind: kind}
		if kind == AgentSilent && k.Pot != "" {
			u = Key{Agent: b.agent[k.Pot], Kind: kind}
		}
		if a := b.byKey[u]; a != nil && a.active {
			return true, ending{}, false
		}
		if x, ok := b.ended[u]; ok && (!ended || x.gone > last.gone) {
			last, ended = x, true
		}
	}
	return false, last, ended
}

// calmFor is how long an alarm stays suppressed after its suppressor's end.
func calmFor(k Kind) time.Duration { return rules[k].OffAfter + calm }

// isUnder tells whether an alarm of what was found is suppressed by design. Late readings tell of a time of their own.
func (b *Board) isUnder(f *Found) bool {
	now, last, ended := b.stands(f.Key)
	calm := calmFor(f.Kind)
	return now || ended && (b.gone < last.gone+calm || f.Evidence.Late && f.At < last.at.Add(calm))
}

// hide suppresses what stands under an alarm that was raised just now.
func (b *Board) hide(under Key, at si.Instant, dst []Change) []Change {
	for _, a := range slices.Clone(b.open) {
		if a.mode == shown && a.active && !a.orphan && slices.Contains(rules[a.key.Kind].Under, under.Kind) && b.sees(under, a.key) {
			dst = b.commit(dst, a, EventSuppressed, at, "", Evidence{})
		}
	}
	return dst
}

// Tick lets time pass: shelves end, and what is suppressed under an alarm that has ended comes into sight. To be called
// about once a second.
func (b *Board) Tick(at si.Instant, dst []Change) []Change {
	if b.tick != 0 {
		b.gone += max(0, at.Sub(b.tick))
	}
	b.tick = at
	for i := 0; i < len(b.open); {
		a := b.open[i]
		switch {
		case a.mode == shelved && (at >= a.until || a.until > at.Add(longestShelf)): // no longer than any may: else the clock was set back
			dst = b.commit(dst, a, EventUnshelved, at, "", Evidence{})
		case a.mode == suppressed && b.calmed(a):
			dst = b.commit(dst, a, EventUnsuppressed, at, "", Evidence{})
		}
		if i < len(b.open) && b.open[i] == a {
			i++
		}
	}
	return dst
}

// calmed tells whether nothing suppresses an alarm any more, and has not for long enough.
func (b *Board) calmed(a *alarm) bool {
	now, last, ended := b.stands(a.key)
	switch {
	case now:
		a.calmTo = 0
		return false
	case a.calmTo == 0:
		if !ended { // before the start
			last.gone = b.gone
		}
		a.calmTo = last.gone + calmFor(a.key.Kind)
	}
	return b.gone >= a.calmTo
}

// find is the open alarm of an id, or why a person cannot do something.
func (b *Board) find(do, id string, act *Act) (*alarm, error) {
	act.By, act.Note = strings.TrimSpace(act.By), strings.TrimSpace(act.Note)
	for _, a := range b.open {
		if a.id == id {
			switch {
			case act.By == "":
				return nil, refuse(do, a, ErrNobody)
			case act.Seen != "" && act.Seen < a.begun:
				return nil, refuse(do, a, ErrAnew)
			}
			return a, nil
		}
	}
	return nil, &Refusal{Do: do, Alarm: id, Why: ErrUnknown}
}

func refuse(do string, a *alarm, why error) error {
	return &Refusal{Do: do, Alarm: a.id, Kind: a.key.Kind.String(), Pot: a.key.Pot, Agent: a.key.Agent, State: a.state(), Why: why}
}

// Acknowledge says that a person knows of an alarm. It changes no answer.
func (b *Board) Acknowledge(id string, act Act, dst []Change) ([]Change, error) {
	const do = "acknowledge"
	a, err := b.find(do, id, &act)
	switch {
	case err != nil:
		return dst, err
	case !a.state().Shown():
		return dst, refuse(do, a, ErrHidden)
	case a.acked:
		return dst, refuse(do, a, ErrAlready)
	}
	return b.commit(dst, a, EventAcknowledged, act.At, act.By, Evidence{Note: act.Note}), nil
}

// Reset lets a latched alarm go, by a named person and with a reason. It changes no answer. An alarm of a pot or agent
// that is no longer configured, which nothing else ends, can be reset too.
func (b *Board) Reset(id string, act Act, dst []Change) ([]Change, error) {
	const do = "reset"
	a, err := b.find(do, id, &act)
	switch {
	case err != nil:
		return dst, err
	case act.Note == "":
		return dst, refuse(do, a, ErrNoReason)
	case a.orphan:
	case a.active:
		return dst, refuse(do, a, ErrStands)
	case !a.latched():
		return dst, refuse(do, a, ErrNotLatched)
	}
	return b.commit(dst, a, EventReset, act.At, act.By, Evidence{Note: act.Note}), nil
}

// Shelve takes an alarm out of sight until an instant, which is rounded down to a whole second.
func (b *Board) Shelve(id string, until si.Instant, act Act, dst []Change) ([]Change, error) {
	const do = "shelve"
	until -= until % si.Instant(time.Second/time.Microsecond)
	a, err := b.find(do, id, &act)
	if err != nil {
		return dst, err
	}
	shelf, service := hidable(a.key, a.priority)
	switch {
	case !service:
		return dst, refuse(do, a, ErrVessel)
	case !shelf:
		return dst, refuse(do, a, ErrHides)
	case a.mode == shelved:
		return dst, refuse(do, a, ErrAlready)
	case a.mode != shown:
		return dst, refuse(do, a, ErrHidden)
	case until <= act.At || until > act.At.Add(longestShelf):
		return dst, refuse(do, a, ErrEnd)
	}
	return b.commit(dst, a, EventShelved, act.At, act.By, Evidence{Note: act.Note, Until: until.String()}), nil
}

// Unshelve brings a shelved alarm back before its time.
func (b *Board) Unshelve(id string, act Act, dst []Change) ([]Change, error) {
	return b.back("unshelve", id, act, shelved, EventUnshelved, dst)
}

// TakeOut takes an alarm out of service, with a reason, until somebody brings it back. That of a silent agent comes back
// by itself when the agent is heard.
func (b *Board) TakeOut(id string, act Act, dst []Change) ([]Change, error) {
	const do = "take out of service"
	a, err := b.find(do, id, &act)
	if err != nil {
		return dst, err
	}
	_, service := hidable(a.key, a.priority)
	switch {
	case act.Note == "":
		return dst, refuse(do, a, ErrNoReason)
	case !service:
		return dst, refuse(do, a, ErrVessel)
	case a.mode == outOfService:
		return dst, refuse(do, a, ErrAlready)
	case a.mode != shown:
		return dst, refuse(do, a, ErrHidden)
	}
	return b.commit(dst, a, EventTakenOut, act.At, act.By, Evidence{Note: act.Note}), nil
}

// BringBack brings an alarm back into service.
func (b *Board) BringBack(id string, act Act, dst []Change) ([]Change, error) {
	return b.back("bring back into service", id, act, outOfService, EventBroughtBack, dst)
}

// Comment keeps what a person writes with an open alarm. It changes nothing else, so that it does not matter what the person has seen.
func (b *Board) Comment(id string, act Act, dst []Change) ([]Change, error) {
	act.Seen = ""
	a, err := b.find(doComment, id, &act)
	switch {
	case err != nil:
		return dst, err
	case act.Note == "":
		return dst, refuse(doComment, a, ErrNoComment)
	}
	return b.commit(dst, a, EventCommented, act.At, act.By, Evidence{Note: act.Note}), nil
}

const doComment = "comment on"

// CommentAfter is what a person writes to an alarm that is on no board, as one that has ended: the transition to be
// recorded with it, after all that it has.
func (b *Board) CommentAfter(r *Alarm, act Act) (Transition, error) {
	act.By, act.Note = strings.TrimSpace(act.By), strings.TrimSpace(act.Note)
	refusal := &Refusal{Do: doComment, Alarm: r.ID, Kind: r.Kind, Pot: r.Pot, Agent: r.Agent}
	switch {
	case act.By == "":
		refusal.Why = ErrNobody
		return Transition{}, refusal
	case act.Note == "":
		refusal.Why = ErrNoComment
		return Transition{}, refusal
	}
	at := act.At
	for i := range r.Transitions {
		at = max(at, r.Transitions[i].At+1)
	}
	return Transition{ID: b.newID(at), Alarm: r.ID, At: at, Event: EventCommented, By: act.By, Evidence: Evidence{Note: act.Note}.text()}, nil
}

func (b *Board) back(do, id string, act Act, from mode, event string, dst []Change) ([]Change, error) {
	act.Seen = "" // what it brings into sight is seen then
	a, err := b.find(do, id, &act)
	switch {
	case err != nil:
		return dst, err
	case a.mode != from:
		return dst, refuse(do, a, ErrNotHidden)
	}
	return b.commit(dst, a, event, act.At, act.By, Evidence{Note: act.Note}), nil
}

// Open are all open alarms, in the order in which people should look at them: by priority, and of one those first that
// nobody knows of, then the oldest. An alarm comes with the priority of the worst that follows from it, and before it, so
// that no consequence hides its cause.
func (b *Board) Open() []View {
	ids := map[string]*alarm{}
	for _, a := range b.open {
		ids[a.id] = a
	}
	type group struct {
		root    *alarm
		worst   Priority
		waiting bool // somebody must acknowledge one of it
	}
	groups := map[*alarm]*group{}
	type spot struct {
		root  *alarm
		depth int
	}
	spots := map[*alarm]spot{}
	for _, a := range b.open {
		x := spot{root: a}
		for ; x.depth < Kinds; x.depth++ { // kinds follow from each other without a circle
			c := b.causeOf(x.root, ids)
			if c == nil || a.mode != shown || c.mode != shown {
				break
			}
			x.root = c
		}
		spots[a] = x
	}
	for _, a := range b.open {
		root := spots[a].root
		g := groups[root]
		if g == nil {
			g = &group{root: root}
			groups[root] = g
		}
		g.worst = max(g.worst, a.priority)
		g.waiting = g.waiting || a.mode == shown && !a.acked
	}
	first := func(x, y bool) int { // where true comes first
		switch {
		case x == y:
			return 0
		case x:
			return -1
		}
		return 1
	}
	list := slices.Clone(b.open)
	slices.SortStableFunc(list, func(x, y *alarm) int {
		sx, sy := spots[x], spots[y]
		gx, gy := groups[sx.root], groups[sy.root]
		return cmp.Or(first(x.mode == shown, y.mode == shown), -cmp.Compare(gx.worst, gy.worst), first(gx.waiting, gy.waiting),
			older(sx.root, sy.root), cmp.Compare(sx.depth, sy.depth), older(x, y))
	})
	out := make([]View, 0, len(list))
	for _, a := range list {
		v := View{ID: a.id, Key: a.key, Priority: a.priority, Raised: a.raised, State: a.state(), Since: a.since, Active: a.active,
			Until: a.until, By: a.by, ByAt: a.byAt, First: a.evidence.First, Evidence: a.evidence, Can: a.can()}
		if c := b.causeOf(a, ids); c != nil {
			v.Cause = c.id
		}
		out = append(out, v)
	}
	return out
}
