-- From where on the slowest healthy vent of a cycle falls slower, gauge, and how fast; 0: it falls as it began, as all did before.

-- +goose Up
ALTER TABLE cycles ADD COLUMN healthy_tail_pa DOUBLE PRECISION NOT NULL DEFAULT 0;
ALTER TABLE cycles ADD COLUMN healthy_tail_rate_per_s DOUBLE PRECISION NOT NULL DEFAULT 0;

-- +goose Down
ALTER TABLE cycles DROP COLUMN healthy_tail_rate_per_s;
ALTER TABLE cycles DROP COLUMN healthy_tail_pa;
