-- History that did not come over the wire, and what was put right afterwards.

-- One import of a CSV file with numbers as of a moment (power, volts). It is a run of its own, with definitions of its
-- own. `counted` is 0 until the half hours it reaches into are.
CREATE TABLE import (
    run      INTEGER PRIMARY KEY,
    file     TEXT NOT NULL,
    at       INTEGER NOT NULL,
    first_at INTEGER,
    last_at  INTEGER,
    counted  INTEGER NOT NULL
);

-- A number of an imported series stands until the next one, where that comes within `stands_ms`; else for `interval_ms`.
CREATE TABLE import_series (
    run         INTEGER NOT NULL,
    name        TEXT NOT NULL,
    interval_ms INTEGER NOT NULL,
    stands_ms   INTEGER NOT NULL,
    PRIMARY KEY (run, name)
) WITHOUT ROWID;

-- Energy columns of CSV files as they came, in kilowatt-hours from `start` to just before `until`. `name` is a point and
-- one of its directions, such as point.grid.import.
CREATE TABLE imported_energy (
    name  TEXT NOT NULL,
    start INTEGER NOT NULL,
    until INTEGER NOT NULL,
    kwh   REAL NOT NULL,
    PRIMARY KEY (name, start, until)
) WITHOUT ROWID;

-- What somebody found wrong with the numbers of a point (its id) from `start` to just before `until`: they are negated,
-- scaled by `factor`, or those of the point `other`; or the device was replaced at `start`. The numbers themselves stay.
CREATE TABLE correction (
    id        INTEGER PRIMARY KEY,
    point     TEXT NOT NULL,
    start     INTEGER NOT NULL,
    until     INTEGER NOT NULL,
    kind      TEXT NOT NULL,
    factor    REAL,
    other     TEXT,
    by        TEXT NOT NULL,
    at        INTEGER NOT NULL,
    undone_by TEXT,
    undone_at INTEGER
);

-- What `half_hour` said until this correction was made (`undo` 0) or taken back (`undo` 1), where that changed it.
CREATE TABLE believed (
    correction INTEGER NOT NULL,
    undo       INTEGER NOT NULL,
    flow       TEXT NOT NULL,
    start      INTEGER NOT NULL,
    kwh        REAL,
    covered_s  REAL,
    PRIMARY KEY (correction, undo, flow, start)
) WITHOUT ROWID;

-- `energy.clock` says how a row came to be: 0 to 2 as before, 3 from energy columns of a CSV file, 4 counted from power
-- columns, 5 counted again because of corrections. Rows of 3 to 5 have run 0 and are whole half hours.
DROP VIEW half_hour;

-- What was counted as it happened, whatever was found out later.
CREATE VIEW recorded_half_hour AS
    SELECT flow, start, sum(kwh) AS kwh, min(1800.0, sum(covered_s)) AS covered_s
    FROM energy WHERE clock IN (0, 2) GROUP BY flow, start;

-- The best that is known: counted again, else recorded, unless an import covers over a minute more of the half hour.
CREATE VIEW half_hour AS
    SELECT flow, start,
           CASE WHEN again_s IS NOT NULL THEN again_kwh
                WHEN told_s IS NOT NULL AND told_s >= coalesce(power_s, 0) AND told_s > coalesce(seen_s, 0) + 60
                    THEN told_kwh
                WHEN power_s IS NOT NULL AND power_s > coalesce(seen_s, 0) + 60 THEN power_kwh
                ELSE coalesce(seen_kwh, told_kwh, power_kwh) END AS kwh,
           CASE WHEN again_s IS NOT NULL THEN again_s
                WHEN told_s IS NOT NULL AND told_s >= coalesce(power_s, 0) AND told_s > coalesce(seen_s, 0) + 60
                    THEN told_s
                WHEN power_s IS NOT NULL AND power_s > coalesce(seen_s, 0) + 60 THEN power_s
                ELSE coalesce(seen_s, told_s, power_s) END AS covered_s
    FROM (SELECT flow, start,
                 sum(kwh) FILTER (WHERE clock IN (0, 2)) AS seen_kwh,
                 min(1800.0, sum(covered_s) FILTER (WHERE clock IN (0, 2))) AS seen_s,
                 max(kwh) FILTER (WHERE clock = 3) AS told_kwh,
                 max(covered_s) FILTER (WHERE clock = 3) AS told_s,
                 max(kwh) FILTER (WHERE clock = 4) AS power_kwh,
                 max(covered_s) FILTER (WHERE clock = 4) AS power_s,
                 max(kwh) FILTER (WHERE clock = 5) AS again_kwh,
                 max(covered_s) FILTER (WHERE clock = 5) AS again_s
          FROM energy WHERE clock <> 1 GROUP BY flow, start);
