-- Instants are microseconds since 1970-01-01 UTC (_us), 0 where there is none. Positions are from 0 up; to_position is exclusive.
-- Only standard SQL, so that PostgreSQL takes it too. BYTEA is its type for bytes; SQLite leaves bytes in such a column as they are.

-- +goose Up
CREATE TABLE cycles (
    pot TEXT NOT NULL,
    press_us BIGINT NOT NULL,
    release_us BIGINT NOT NULL,
    ended_us BIGINT NOT NULL,
    inferred BOOLEAN NOT NULL,
    late BOOLEAN NOT NULL,
    incomplete BOOLEAN NOT NULL,
    vent_from_pa DOUBLE PRECISION NOT NULL,
    vent_tau_s DOUBLE PRECISION NOT NULL,
    vent_settled_us BIGINT NOT NULL,
    vent_residual_pa DOUBLE PRECISION NOT NULL,
    PRIMARY KEY (pot, press_us)
);
CREATE INDEX cycles_by_press ON cycles (press_us, pot);

CREATE TABLE alarms (
    id TEXT NOT NULL PRIMARY KEY,
    pot TEXT NOT NULL,
    agent TEXT NOT NULL,
    kind TEXT NOT NULL,
    priority TEXT NOT NULL,
    raised_us BIGINT NOT NULL,
    ended_us BIGINT NOT NULL
);
CREATE INDEX alarms_by_raised ON alarms (raised_us, id);
CREATE INDEX alarms_open ON alarms (raised_us, id) WHERE ended_us = 0;

CREATE TABLE transitions (
    id TEXT NOT NULL PRIMARY KEY,
    alarm TEXT NOT NULL REFERENCES alarms (id),
    at_us BIGINT NOT NULL,
    event TEXT NOT NULL,
    by_whom TEXT NOT NULL,
    evidence TEXT NOT NULL,
    ends BOOLEAN NOT NULL
);
CREATE INDEX transitions_by_alarm ON transitions (alarm, at_us, id);

CREATE TABLE acknowledgements (
    id TEXT NOT NULL PRIMARY KEY,
    alarm TEXT NOT NULL REFERENCES alarms (id),
    at_us BIGINT NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL,
    ends BOOLEAN NOT NULL
);
CREATE INDEX acknowledgements_by_alarm ON acknowledgements (alarm, at_us, id);

CREATE TABLE refills (
    id TEXT NOT NULL PRIMARY KEY,
    pot TEXT NOT NULL,
    at_us BIGINT NOT NULL,
    mass_kg DOUBLE PRECISION NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL
);
CREATE INDEX refills_by_at ON refills (at_us, id);

CREATE TABLE services (
    id TEXT NOT NULL PRIMARY KEY,
    pot TEXT NOT NULL,
    at_us BIGINT NOT NULL,
    part TEXT NOT NULL,
    work TEXT NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL
);
CREATE INDEX services_by_at ON services (at_us, id);

CREATE TABLE shifts (
    id TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    from_us BIGINT NOT NULL,
    to_us BIGINT NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL
);
CREATE INDEX shifts_by_from ON shifts (from_us, id);

CREATE TABLE baselines (
    id TEXT NOT NULL PRIMARY KEY,
    pot TEXT NOT NULL,
    at_us BIGINT NOT NULL,
    what TEXT NOT NULL,
    value DOUBLE PRECISION NOT NULL,
    sd DOUBLE PRECISION NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL
);
CREATE INDEX baselines_by_at ON baselines (at_us, id);

CREATE TABLE positions (
    agent TEXT NOT NULL,
    journal TEXT NOT NULL,
    stored BIGINT NOT NULL,
    stored_before BIGINT NOT NULL,
    at_us BIGINT NOT NULL,
    PRIMARY KEY (agent, journal)
);

CREATE TABLE losses (
    id TEXT NOT NULL PRIMARY KEY,
    agent TEXT NOT NULL,
    journal TEXT NOT NULL,
    from_position BIGINT NOT NULL,
    to_position BIGINT NOT NULL,
    at_us BIGINT NOT NULL,
    why TEXT NOT NULL
);
CREATE INDEX losses_by_at ON losses (at_us, id);
CREATE INDEX losses_by_position ON losses (agent, journal, from_position);

CREATE TABLE checkpoints (
    pot TEXT NOT NULL,
    at_us BIGINT NOT NULL,
    positions TEXT NOT NULL, -- JSON: of each journal, the first that is not in state
    version BIGINT NOT NULL,
    state BYTEA NOT NULL,
    checksum BIGINT NOT NULL, -- CRC-32C of pot, at_us, positions, version and state
    PRIMARY KEY (pot, at_us)
);

-- +goose Down
DROP TABLE checkpoints;
DROP TABLE losses;
DROP TABLE positions;
DROP TABLE baselines;
DROP TABLE shifts;
DROP TABLE services;
DROP TABLE refills;
DROP TABLE acknowledgements;
DROP TABLE transitions;
DROP TABLE alarms;
DROP TABLE cycles;
