-- What version 1 wrote of the records in records_test.go.
BEGIN TRANSACTION;
CREATE TABLE acknowledgements (
    id TEXT NOT NULL PRIMARY KEY,
    alarm TEXT NOT NULL REFERENCES alarms (id),
    at_us BIGINT NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL,
    ends BOOLEAN NOT NULL
);
INSERT INTO "acknowledgements" VALUES('01M62Y9M0D2D5C8W2M9Q6V0X03','01M62Y9M0D2D5C8W2M9Q6V0XJC',1790000000000009,'A. Person','gauge at zero; it''s shut',1);
CREATE TABLE alarms (
    id TEXT NOT NULL PRIMARY KEY,
    pot TEXT NOT NULL,
    agent TEXT NOT NULL,
    kind TEXT NOT NULL,
    priority TEXT NOT NULL,
    raised_us BIGINT NOT NULL,
    ended_us BIGINT NOT NULL
);
INSERT INTO "alarms" VALUES('01M62Y9M0D2D5C8W2M9Q6V0XJC','alder','','vessel-held','critical',1790000000000000,1790000000000009);
INSERT INTO "alarms" VALUES('01M62Y9M0D2D5C8W2M9Q6V0XJD','','quay-1','agent-silent','high',1790000000000001,0);
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
INSERT INTO "baselines" VALUES('01M62Y9M0D2D5C8W2M9Q6V0XJC','alder',1790000000000000,'exhaust_m3_s',3.33333333333333314829e-01,1.0e-300,'A. Person','x');
CREATE TABLE checkpoints (
    pot TEXT NOT NULL,
    at_us BIGINT NOT NULL,
    positions TEXT NOT NULL, -- JSON: of each journal, the first that is not in state
    version BIGINT NOT NULL,
    state BYTEA NOT NULL,
    checksum BIGINT NOT NULL, -- CRC-32C of pot, at_us, positions, version and state
    PRIMARY KEY (pot, at_us)
);
INSERT INTO "checkpoints" VALUES('alder',1790000000000000,'[{"Journal":"0123456789abcdef0123456789abcdef","Position":9223372036854775807}]',3,X'00FF7374617465',2456830527);
INSERT INTO "checkpoints" VALUES('birch',1790000000000001,'null',4294967295,X'01',2069499970);
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
INSERT INTO "cycles" VALUES('alder',1790000000000000,1790000030000000,1790000040000000,1,0,0,689000.123456789,1.9,7400001,-900.5);
INSERT INTO "cycles" VALUES('birch',1790000001000000,1790000031000000,1790000041000000,0,1,1,5000.0,0.0,0,0.0);
CREATE TABLE goose_db_version (
		id INTEGER PRIMARY KEY AUTOINCREMENT,
		version_id INTEGER NOT NULL,
		is_applied INTEGER NOT NULL,
		tstamp TIMESTAMP DEFAULT (datetime('now'))
	);
INSERT INTO "goose_db_version" VALUES(1,0,1,'2026-11-29 00:37:23');
INSERT INTO "goose_db_version" VALUES(2,1,1,'2026-11-29 00:37:23');
CREATE TABLE losses (
    id TEXT NOT NULL PRIMARY KEY,
    agent TEXT NOT NULL,
    journal TEXT NOT NULL,
    from_position BIGINT NOT NULL,
    to_position BIGINT NOT NULL,
    at_us BIGINT NOT NULL,
    why TEXT NOT NULL
);
INSERT INTO "losses" VALUES('01M3250V006C3CSBYNW4A9C1HC','quay-1','0123456789abcdef0123456789abcdef',5,9,1790000000000000,'dropped: the journal was full');
CREATE TABLE positions (
    agent TEXT NOT NULL,
    journal TEXT NOT NULL,
    stored BIGINT NOT NULL,
    stored_before BIGINT NOT NULL,
    at_us BIGINT NOT NULL,
    PRIMARY KEY (agent, journal)
);
INSERT INTO "positions" VALUES('quay-1','0123456789abcdef0123456789abcdef',9223372036854775807,7,1790000000000000);
INSERT INTO "positions" VALUES('quay-2','00000000000000000000000000000000',0,0,1790000000000000);
CREATE TABLE refills (
    id TEXT NOT NULL PRIMARY KEY,
    pot TEXT NOT NULL,
    at_us BIGINT NOT NULL,
    mass_kg DOUBLE PRECISION NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL
);
INSERT INTO "refills" VALUES('01M62Y9M0D2D5C8W2M9Q6V0XJC','alder',1790000000000000,45.5,'A. Person','ümläut');
CREATE TABLE services (
    id TEXT NOT NULL PRIMARY KEY,
    pot TEXT NOT NULL,
    at_us BIGINT NOT NULL,
    part TEXT NOT NULL,
    work TEXT NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL
);
INSERT INTO "services" VALUES('01M62Y9M0D2D5C8W2M9Q6V0XJC','alder',1790000000000000,'exhaust','cleaned','A. Person','line 1
line 2');
CREATE TABLE shifts (
    id TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    from_us BIGINT NOT NULL,
    to_us BIGINT NOT NULL,
    by_whom TEXT NOT NULL,
    note TEXT NOT NULL
);
INSERT INTO "shifts" VALUES('01M62Y9M0D2D5C8W2M9Q6V0XJC','early',1790000000000000,1790000000000005,'A. Person','x');
INSERT INTO "shifts" VALUES('01M62Y9M0D2D5C8W2M9Q6V0XJD','late',1790000000000005,0,'','');
CREATE TABLE transitions (
    id TEXT NOT NULL PRIMARY KEY,
    alarm TEXT NOT NULL REFERENCES alarms (id),
    at_us BIGINT NOT NULL,
    event TEXT NOT NULL,
    by_whom TEXT NOT NULL,
    evidence TEXT NOT NULL,
    ends BOOLEAN NOT NULL
);
INSERT INTO "transitions" VALUES('01M62Y9M0D2D5C8W2M9Q6V0X01','01M62Y9M0D2D5C8W2M9Q6V0XJC',1790000000000000,'raised','','{"p_pa":[690000,655000]}',0);
INSERT INTO "transitions" VALUES('01M62Y9M0D2D5C8W2M9Q6V0X02','01M62Y9M0D2D5C8W2M9Q6V0XJC',1790000000000007,'returned','','',0);
INSERT INTO "transitions" VALUES('01M62Y9M0D2D5C8W2M9Q6V0X03','01M62Y9M0D2D5C8W2M9Q6V0XJC',1790000000000009,'acknowledged','A. Person','',1);
CREATE INDEX cycles_by_press ON cycles (press_us, pot);
CREATE INDEX alarms_by_raised ON alarms (raised_us, id);
CREATE INDEX alarms_open ON alarms (raised_us, id) WHERE ended_us = 0;
CREATE INDEX transitions_by_alarm ON transitions (alarm, at_us, id);
CREATE INDEX acknowledgements_by_alarm ON acknowledgements (alarm, at_us, id);
CREATE INDEX refills_by_at ON refills (at_us, id);
CREATE INDEX services_by_at ON services (at_us, id);
CREATE INDEX shifts_by_from ON shifts (from_us, id);
CREATE INDEX baselines_by_at ON baselines (at_us, id);
CREATE INDEX losses_by_at ON losses (at_us, id);
CREATE INDEX losses_by_position ON losses (agent, journal, from_position);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('goose_db_version',3);
COMMIT;
