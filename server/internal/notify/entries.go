package notify

import (
	"context"
	"fmt"
	"slices"
	"time"

	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/notify/message"
	"gritwatch/server/internal/notify/outbox"
	"gritwatch/server/internal/records"
)

// entryOf is what a change makes to be told. Evidence that cannot be read is left out: the alarm is told all the same.
func entryOf(n Notice) message.Entry {
	c := &n.Change
	ev, err := alarm.ParseEvidence(c.Evidence)
	if err != nil {
		ev = alarm.Evidence{}
	}
	return message.Entry{Alarm: c.Alarm, Key: c.Key, Agent: n.Agent, Priority: c.Priority, Raised: c.Raised, At: c.At,
		Event: c.Event, State: c.State, By: c.By, Note: c.Note, Until: until(&ev), Evidence: ev, Simulated: n.Simulated}
}

func until(e *alarm.Evidence) si.Instant {
	t, err := time.Parse(time.RFC3339, e.Until)
	if err != nil {
		return 0
	}
	return si.InstantOf(t)
}

// ofView is an alarm that stands on the board at the start.
func ofView(v *alarm.View, agent string) message.Entry {
	e := message.Entry{Alarm: v.ID, Key: v.Key, Agent: agent, Priority: v.Priority, Raised: v.Raised, At: v.Since,
		State: v.State, Until: v.Until, Evidence: v.Evidence}
	switch v.State {
	case alarm.Unacknowledged:
		e.Event = alarm.EventRaised
	case alarm.Acknowledged, alarm.LatchedAcknowledged:
		e.Event, e.By = alarm.EventAcknowledged, v.By
	case alarm.Shelved:
		e.Event = alarm.EventShelved
	case alarm.Suppressed:
		e.Event = alarm.EventSuppressed
	case alarm.OutOfService:
		e.Event = alarm.EventTakenOut
	default:
		e.Event = alarm.EventReturned
	}
	return e
}

// ofRecord is an alarm that was over before the start.
func ofRecord(r *records.Alarm, agents map[string]string) (message.Entry, error) {
	kind, err := alarm.ParseKind(r.Kind)
	if err != nil {
		return message.Entry{}, err
	}
	priority, err := alarm.ParsePriority(r.Priority)
	if err != nil {
		return message.Entry{}, err
	}
	e := message.Entry{Alarm: r.ID, Key: alarm.Key{Pot: r.Pot, Agent: r.Agent, Kind: kind}, Agent: r.Agent, Priority: priority,
		Raised: r.Raised, At: r.Ended, Event: alarm.EventReturned, State: alarm.Normal}
	if r.Pot != "" {
		e.Agent = agents[r.Pot]
	}
	for i, t := range r.Transitions {
		ev, err := alarm.ParseEvidence(t.Evidence)
		if err != nil {
			continue
		}
		if i == 0 {
			e.Key.Point, e.Key.Fault, e.Evidence = ev.Point, ev.Fault, ev
		}
		if t.Ends {
			e.Event, e.By, e.Note = t.Event, t.By, ev.Note
		}
	}
	return e, nil
}

// resume brings the outboxes to where they were at the end of the last run, and to what has become of the alarms since.
func (d *Dispatcher) resume(ctx context.Context, o Options) error {
	if len(d.workers) == 0 {
		return nil
	}
	tellings, err := o.Memory.Tellings(ctx)
	if err != nil {
		return err
	}
	agents := map[string]string{}
	for _, u := range o.Units {
		agents[u.Pot] = u.Agent
	}
	entries := map[string]message.Entry{}
	var open []string
	for i := range o.Open {
		v := &o.Open[i]
		agent := v.Key.Agent
		if v.Key.Pot != "" {
			agent = agents[v.Key.Pot]
		}
		entries[v.ID] = ofView(v, agent)
		open = append(open, v.ID)
	}
	known := map[string]map[string]records.Telling{} // by receiver and alarm
	var over []string
	for _, t := range tellings {
		w := slices.IndexFunc(d.workers, func(w *worker) bool { return w.name == t.Receiver })
		if w < 0 { // no longer in the file
			o.Memory.DropTelling(t.Receiver, t.Alarm)
			continue
		}
		if known[t.Receiver] == nil {
			known[t.Receiver] = map[string]records.Telling{}
		}
		known[t.Receiver][t.Alarm] = t
		if _, ok := entries[t.Alarm]; ok {
			continue
		}
		e, ok, err := ended(ctx, o.Memory, t.Alarm, agents)
		switch {
		case err != nil:
			return fmt.Errorf("alarm %s, of which %s is to be told: %w", t.Alarm, t.Receiver, err)
		case !ok: // its own record was lost: nothing can be said of it
			o.Memory.DropTelling(t.Receiver, t.Alarm)
		default:
			entries[t.Alarm] = e
			over = append(over, t.Alarm)
		}
	}
	now := time.Now()
	for _, w := range d.workers {
		for _, id := range slices.Concat(over, open) {
			t, ok := known[w.name][id]
			e := entries[id]
			if !ok && e.State == alarm.Normal {
				continue // it concerns another receiver
			}
			told, err := stateOf(t.Told)
			if err != nil { // of another version: it is told anew
				ok = false
			}
			marks := w.box.Restore(e, outbox.Mark{Told: told, Waiting: t.Waiting, Simulated: t.Simulated}, ok, now)
			if !ok { // there is nothing to forget
				marks = slices.DeleteFunc(marks, func(m outbox.Mark) bool { return m.Gone })
			}
			w.remember(marks)
		}
	}
	return nil
}

// ended is an alarm that is over, from its records; false: there is none, or none that this version understands.
func ended(ctx context.Context, m Memory, id string, agents map[string]string) (message.Entry, bool, error) {
	r, ok, err := m.Alarm(ctx, id)
	if err != nil || !ok || r.Ended == 0 {
		return message.Entry{}, false, err
	}
	e, err := ofRecord(&r, agents)
	return e, err == nil, nil
}

func stateOf(name string) (alarm.State, error) {
	if name == "" {
		return alarm.Normal, nil
	}
	for s := alarm.State(0); s < alarm.States; s++ {
		if s.String() == name {
			return s, nil
		}
	}
	return 0, fmt.Errorf("%q is no state of alarms", name)
}
