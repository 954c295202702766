-- Abrasive that went through the metering valve in a cycle, 0 where it is not known.

-- +goose Up
ALTER TABLE cycles ADD COLUMN abrasive_kg DOUBLE PRECISION NOT NULL DEFAULT 0;

-- +goose Down
ALTER TABLE cycles DROP COLUMN abrasive_kg;
