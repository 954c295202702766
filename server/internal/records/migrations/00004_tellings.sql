-- What receivers outside the building know of alarms, and what still waits to be told to them. alarm is not a reference: what is
-- told does not wait for its record.

-- +goose Up
CREATE TABLE tellings (
    receiver TEXT NOT NULL,
    alarm TEXT NOT NULL,
    told TEXT NOT NULL, -- the state of which the receiver knows; empty: it knows nothing yet
    waiting BOOLEAN NOT NULL,
    simulated BOOLEAN NOT NULL,
    PRIMARY KEY (receiver, alarm)
);

-- +goose Down
DROP TABLE tellings;
