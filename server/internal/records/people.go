package records

import (
	"context"

	"gritwatch/protocol/si"
)

var refills = table[Refill]{
	name: "refills", columns: "id, pot, at_us, mass_kg, by_whom, note",
	at: "at_us", key: "id", owner: "pot",
	scan: func(r row) (x Refill, err error) {
		err = r.Scan(&x.ID, &x.Pot, &x.At, &x.Mass, &x.By, &x.Note)
		return x, err
	},
	place: func(x Refill) (si.Instant, string) { return x.At, x.ID },
}

func addRefill(ctx context.Context, s session, x Refill) error {
	return run(ctx, s, insert(refills.name, refills.columns)+" ON CONFLICT (id) DO NOTHING", x.ID, x.Pot, int64(x.At), float64(x.Mass), x.By, x.Note)
}

var services = table[Service]{
	name: "services", columns: "id, pot, at_us, part, work, by_whom, note",
	at: "at_us", key: "id", owner: "pot",
	scan: func(r row) (x Service, err error) {
		err = r.Scan(&x.ID, &x.Pot, &x.At, &x.Part, &x.Work, &x.By, &x.Note)
		return x, err
	},
	place: func(x Service) (si.Instant, string) { return x.At, x.ID },
}

func addService(ctx context.Context, s session, x Service) error {
	return run(ctx, s, insert(services.name, services.columns)+" ON CONFLICT (id) DO NOTHING", x.ID, x.Pot, int64(x.At), x.Part, x.Work, x.By, x.Note)
}

var shifts = table[Shift]{
	name: "shifts", columns: "id, name, from_us, to_us, by_whom, note",
	at: "from_us", key: "id",
	scan: func(r row) (x Shift, err error) {
		err = r.Scan(&x.ID, &x.Name, &x.From, &x.To, &x.By, &x.Note)
		return x, err
	},
	place: func(x Shift) (si.Instant, string) { return x.From, x.ID },
}

func putShift(ctx context.Context, s session, x Shift) error {
	return run(ctx, s, insert(shifts.name, shifts.columns)+` ON CONFLICT (id) DO UPDATE SET name = excluded.name,
		from_us = excluded.from_us, to_us = excluded.to_us, by_whom = excluded.by_whom, note = excluded.note`,
		x.ID, x.Name, int64(x.From), int64(x.To), x.By, x.Note)
}

var baselines = table[Baseline]{
	name: "baselines", columns: "id, pot, at_us, what, value, sd, by_whom, note",
	at: "at_us", key: "id", owner: "pot",
	scan: func(r row) (x Baseline, err error) {
		err = r.Scan(&x.ID, &x.Pot, &x.At, &x.What, &x.Value, &x.SD, &x.By, &x.Note)
		return x, err
	},
	place: func(x Baseline) (si.Instant, string) { return x.At, x.ID },
}

func addBaseline(ctx context.Context, s session, x Baseline) error {
	return run(ctx, s, insert(baselines.name, baselines.columns)+" ON CONFLICT (id) DO NOTHING",
		x.ID, x.Pot, int64(x.At), x.What, x.Value, x.SD, x.By, x.Note)
}
