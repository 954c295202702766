package records

import "context"

const tellingColumns = "receiver, alarm, told, waiting, simulated"

func putTelling(ctx context.Context, s session, t Telling) error {
	return run(ctx, s, insert("tellings", tellingColumns)+` ON CONFLICT (receiver, alarm) DO UPDATE SET told = excluded.told,
		waiting = excluded.waiting, simulated = excluded.simulated`, t.Receiver, t.Alarm, t.Told, t.Waiting, t.Simulated)
}

func dropTelling(ctx context.Context, s session, t Telling) error {
	return run(ctx, s, "DELETE FROM tellings WHERE receiver = $1 AND alarm = $2", t.Receiver, t.Alarm)
}

func tellings(ctx context.Context, s session) ([]Telling, error) {
	return all(ctx, s, func(r row) (t Telling, err error) {
		err = r.Scan(&t.Receiver, &t.Alarm, &t.Told, &t.Waiting, &t.Simulated)
		return t, err
	}, "SELECT "+tellingColumns+" FROM tellings ORDER BY receiver, alarm")
}

func (t Telling) check() error {
	c := checker{what: "telling to " + t.Receiver}
	c.words("receiver", t.Receiver)
	c.id("alarm", t.Alarm)
	return c.err
}

// key is shared by what puts a telling and what drops it: of the two only the newer is done.
func (t Telling) key() string { return "telling/" + t.Receiver + "/" + t.Alarm }

// PutTelling stores what a receiver knows of an alarm.
func (s *SQLite) PutTelling(t Telling) *Write {
	return putEach(s, ofTelling, []Telling{t}, putTelling, Telling.key)
}

// DropTelling forgets an alarm of a receiver.
func (s *SQLite) DropTelling(receiver, alarm string) *Write {
	return putEach(s, ofTelling, []Telling{{Receiver: receiver, Alarm: alarm}}, dropTelling, Telling.key)
}

// Tellings gives those of all receivers.
func (s *SQLite) Tellings(ctx context.Context) ([]Telling, error) { return tellings(ctx, s.read) }
