-- The slowest healthy vent that a cycle's vent was judged by at the time (healthy_open_us from the release); of older cycles, and of
-- vents that were not timed, all are 0.

-- +goose Up
ALTER TABLE cycles ADD COLUMN healthy_from_pa DOUBLE PRECISION NOT NULL DEFAULT 0;
ALTER TABLE cycles ADD COLUMN healthy_open_us BIGINT NOT NULL DEFAULT 0;
ALTER TABLE cycles ADD COLUMN healthy_rate_per_s DOUBLE PRECISION NOT NULL DEFAULT 0;
ALTER TABLE cycles ADD COLUMN healthy_down_to_pa DOUBLE PRECISION NOT NULL DEFAULT 0;
ALTER TABLE cycles ADD COLUMN healthy_ambient_pa DOUBLE PRECISION NOT NULL DEFAULT 0;

-- +goose Down
ALTER TABLE cycles DROP COLUMN healthy_ambient_pa;
ALTER TABLE cycles DROP COLUMN healthy_down_to_pa;
ALTER TABLE cycles DROP COLUMN healthy_rate_per_s;
ALTER TABLE cycles DROP COLUMN healthy_open_us;
ALTER TABLE cycles DROP COLUMN healthy_from_pa;
