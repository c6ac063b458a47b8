-- The greatest reading of a half hour in watts, and how many milliseconds after its start; of import, export, solar and
-- house only. NULL where no single readings were known: energy from a file, from a register, or of an older version.
ALTER TABLE energy ADD COLUMN peak_w REAL;
ALTER TABLE energy ADD COLUMN peak_ms INTEGER;
