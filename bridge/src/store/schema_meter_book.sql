-- Readings of the billing meter and of a generation meter, entered by hand. `kwh` is the text as it stood on the meter, so
-- that its last digit is known; `digits` are those before the point, where they are known; `new_meter` is 1 for the first
-- reading of a new meter.
CREATE TABLE meter_reading (
    register  TEXT NOT NULL,
    at        INTEGER NOT NULL,
    kwh       TEXT NOT NULL,
    digits    INTEGER,
    new_meter INTEGER NOT NULL,
    by        TEXT NOT NULL,
    entered   INTEGER NOT NULL,
    PRIMARY KEY (register, at)
) WITHOUT ROWID;
