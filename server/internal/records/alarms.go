package records

import (
	"context"

	"gritwatch/protocol/si"
)

// acknowledged is Transition.Event of an acknowledgement.
const acknowledged = "acknowledged"

var alarms = table[Alarm]{
	name: "alarms", columns: "id, pot, agent, kind, priority, raised_us, ended_us",
	at: "raised_us", key: "id", owner: "pot", over: "ended_us <> 0",
	scan: func(r row) (a Alarm, err error) {
		err = r.Scan(&a.ID, &a.Pot, &a.Agent, &a.Kind, &a.Priority, &a.Raised, &a.Ended)
		return a, err
	},
	place: func(a Alarm) (si.Instant, string) { return a.Raised, a.ID },
}

const transitionColumns = "id, alarm, at_us, event, by_whom, evidence, ends"

func scanTransition(r row) (t Transition, err error) {
	err = r.Scan(&t.ID, &t.Alarm, &t.At, &t.Event, &t.By, &t.Evidence, &t.Ends)
	return t, err
}

func addAlarm(ctx context.Context, s session, a Alarm) error {
	err := run(ctx, s, insert(alarms.name, alarms.columns)+" ON CONFLICT (id) DO NOTHING", a.ID, a.Pot, a.Agent, a.Kind, a.Priority, int64(a.Raised), int64(a.Ended))
	if err != nil || len(a.Transitions) == 0 {
		return err
	}
	return addTransition(ctx, s, a.Transitions[0])
}

func addTransition(ctx context.Context, s session, t Transition) error {
	err := run(ctx, s, insert("transitions", transitionColumns)+" ON CONFLICT (id) DO NOTHING", t.ID, t.Alarm, int64(t.At), t.Event, t.By, t.Evidence, t.Ends)
	if err != nil || !t.Ends {
		return err
	}
	return run(ctx, s, "UPDATE alarms SET ended_us = $1 WHERE id = $2 AND ended_us = 0", int64(t.At), t.Alarm)
}

const acknowledgementColumns = "id, alarm, at_us, by_whom, note, ends"

func acknowledge(ctx context.Context, s session, a Acknowledgement) error {
	err := run(ctx, s, insert("acknowledgements", acknowledgementColumns)+" ON CONFLICT (id) DO NOTHING", a.ID, a.Alarm, int64(a.At), a.By, a.Note, a.Ends)
	if err != nil {
		return err
	}
	return addTransition(ctx, s, Transition{ID: a.ID, Alarm: a.Alarm, At: a.At, Event: acknowledged, By: a.By, Evidence: a.Evidence, Ends: a.Ends})
}

func acknowledgements(ctx context.Context, s session, alarm string) ([]Acknowledgement, error) {
	return all(ctx, s, func(r row) (a Acknowledgement, err error) {
		err = r.Scan(&a.ID, &a.Alarm, &a.At, &a.By, &a.Note, &a.Ends)
		return a, err
	}, "SELECT "+acknowledgementColumns+" FROM acknowledgements WHERE alarm = $1 ORDER BY at_us, id", alarm)
}

func openAlarms(ctx context.Context, s session) ([]Alarm, error) {
	found, err := all(ctx, s, alarms.scan, "SELECT "+alarms.columns+" FROM alarms WHERE ended_us = 0 ORDER BY raised_us, id")
	if err != nil {
		return nil, err
	}
	return found, withTransitions(ctx, s, found)
}

func alarmOf(ctx context.Context, s session, id string) (Alarm, bool, error) {
	found, err := all(ctx, s, alarms.scan, "SELECT "+alarms.columns+" FROM alarms WHERE id = $1", id)
	if err != nil || len(found) == 0 {
		return Alarm{}, false, err
	}
	err = withTransitions(ctx, s, found)
	return found[0], err == nil, err
}

// withTransitions gives alarms their transitions.
func withTransitions(ctx context.Context, s session, of []Alarm) error {
	for i := range of {
		t, err := all(ctx, s, scanTransition, "SELECT "+transitionColumns+" FROM transitions WHERE alarm = $1 ORDER BY at_us, id", of[i].ID)
		if err != nil {
			return err
		}
		of[i].Transitions = t
	}
	return nil
}
