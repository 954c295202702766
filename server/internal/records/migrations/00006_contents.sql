-- What the vessel held over a cycle, shares of its capacity: at the press, at its end, and the 80 % interval of that; of older cycles, and
-- where it was not known, all are 0.

-- +goose Up
ALTER TABLE cycles ADD COLUMN contents_before DOUBLE PRECISION NOT NULL DEFAULT 0;
ALTER TABLE cycles ADD COLUMN contents_left DOUBLE PRECISION NOT NULL DEFAULT 0;
ALTER TABLE cycles ADD COLUMN contents_low DOUBLE PRECISION NOT NULL DEFAULT 0;
ALTER TABLE cycles ADD COLUMN contents_high DOUBLE PRECISION NOT NULL DEFAULT 0;

-- +goose Down
ALTER TABLE cycles DROP COLUMN contents_high;
ALTER TABLE cycles DROP COLUMN contents_low;
ALTER TABLE cycles DROP COLUMN contents_left;
ALTER TABLE cycles DROP COLUMN contents_before;
