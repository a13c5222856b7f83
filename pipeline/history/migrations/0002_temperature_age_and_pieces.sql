ALTER TABLE reading ADD COLUMN temperature_age_min DOUBLE;
ALTER TABLE reading ADD COLUMN pieces BIGINT;
