package desk

import (
	"time"

	"gritwatch/protocol/live"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/alarm"
	"gritwatch/server/internal/records"
)

// Alarms are the standing ones, in the order in which people should look at them, and their version, which counts up with each change. Nobody
// changes the list.
func (d *Desk) Alarms() ([]live.StandingAlarm, uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.listed != d.version {
		open := d.board.Open()
		d.list, d.listed = make([]live.StandingAlarm, len(open)), d.version
		for i := range open {
			d.list[i] = standing(&open[i])
			if a := d.kept[open[i].ID]; a != nil {
				d.list[i].Last = newest(a.Transitions)
			}
		}
	}
	return d.list, d.version
}

// Version is that of Alarms.
func (d *Desk) Version() uint64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.version
}

// Alarm is one that is open, or has ended lately, with its transitions; false: it is neither.
func (d *Desk) Alarm(id string) (records.Alarm, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	a := d.kept[id]
	if a == nil {
		return records.Alarm{}, false
	}
	out := *a
	out.Transitions = append([]records.Transition(nil), a.Transitions...)
	return out, true
}

// Views are the open alarms, in the order in which people should look at them.
func (d *Desk) Views() []alarm.View {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.board.Open()
}

// Figures tell how well the alarms serve people.
func (d *Desk) Figures(now time.Time) alarm.Figures {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.board.Figures(si.InstantOf(now))
}

func standing(v *alarm.View) live.StandingAlarm {
	return live.StandingAlarm{ID: v.ID, Pot: v.Key.Pot, Agent: v.Key.Agent, Alarm: v.Key.Kind.String(), Priority: v.Priority.String(),
		State: v.State.String(), Raised: v.Raised.String(), Since: v.Since.String(), Active: v.Active, Loud: v.Sounds(),
		Point: v.Key.Point, Fault: v.Key.Fault, By: v.By, ByT: when(v.ByAt), Until: when(v.Until), Cause: v.Cause, First: v.First, Can: v.Can}
}

// newest is the id of the transition that was recorded last; they stand in the order of what they tell of.
func newest(of []records.Transition) (id string) {
	for i := range of {
		id = max(id, of[i].ID)
	}
	return id
}

// when is an instant; empty for none.
func when(i si.Instant) string {
	if i == 0 {
		return ""
	}
	return i.String()
}
