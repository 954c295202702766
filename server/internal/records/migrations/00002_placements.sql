-- Where the epochs of agents' clocks stand. An epoch is a number of 64 bits, stored as the signed one of the same bits.

-- +goose Up
CREATE TABLE placements (
    agent TEXT NOT NULL,
    epoch BIGINT NOT NULL,
    shift_us BIGINT NOT NULL,
    estimated BOOLEAN NOT NULL,
    PRIMARY KEY (agent, epoch)
);

-- +goose Down
DROP TABLE placements;
