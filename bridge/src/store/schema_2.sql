-- Old hours, without loss but in another form: stretches of stamps, and for each a block of every series.

-- Stamps of at most one day of UTC that are no longer (or not only) rows of `tick`. `first_at` and `last_at` are the
-- earliest and the latest wall time among them. `stamps` is in a form of its own.
CREATE TABLE stretch (
    first_tick INTEGER PRIMARY KEY,
    last_tick  INTEGER NOT NULL,
    first_at   INTEGER NOT NULL,
    last_at    INTEGER NOT NULL,
    ticks      INTEGER NOT NULL,
    stamps     BLOB NOT NULL
);
CREATE INDEX stretch_at ON stretch (first_at, last_at, last_tick);

-- What one series has at the stamps of a stretch. `id` is first_tick * 65536 + the number of the series. `hours` has
-- least, greatest, sum and count of each hour, where that saves much reading.
CREATE TABLE block (
    id    INTEGER PRIMARY KEY,
    count INTEGER NOT NULL,
    hours BLOB,
    data  BLOB NOT NULL
);

-- Energy of local days, the sums of half hours that begin in them. `date` is YYYY-MM-DD in the home's zone, `start`
-- the wall time at which that day begins.
CREATE TABLE day (
    date      TEXT NOT NULL,
    flow      TEXT NOT NULL,
    start     INTEGER NOT NULL,
    kwh       REAL,
    covered_s REAL,
    PRIMARY KEY (date, flow)
) WITHOUT ROWID;

-- `sealed_to`: the newest tick that sealing has been over. `zone`: the home's zone, by which `day` was made.
CREATE TABLE setting (
    name  TEXT PRIMARY KEY,
    value
) WITHOUT ROWID;

CREATE INDEX decision_tick ON decision (tick);

-- It took more room than the rows it helped to find; they are found by flow and start.
DROP INDEX energy_start;
