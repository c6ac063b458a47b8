-- One run of the daemon. Its moments are milliseconds of its own monotonic clock;
-- offset_ms is what to add to get wall time, once the wall clock could be believed.
CREATE TABLE run (
    id        INTEGER PRIMARY KEY,
    program   TEXT NOT NULL,
    home      TEXT NOT NULL,
    offset_ms INTEGER
);

-- One stamp: everything that was handled together. `at` is wall time in milliseconds
-- since 1970-01-01T00:00:00Z, unknown while the wall clock was not believed.
CREATE TABLE tick (
    id     INTEGER PRIMARY KEY,
    run    INTEGER NOT NULL,
    moment INTEGER NOT NULL,
    at     INTEGER
);
CREATE INDEX tick_at ON tick (at) WHERE at IS NOT NULL;
CREATE INDEX tick_undated ON tick (run) WHERE at IS NULL;

-- What sends numbers: point.<id>, point.<id>.<quantity>, input.<id>.
CREATE TABLE series (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
);

-- How the numbers of a point or an input were to be understood, from this run on (JSON).
CREATE TABLE definition (
    name TEXT NOT NULL,
    run  INTEGER NOT NULL,
    json TEXT NOT NULL,
    PRIMARY KEY (name, run)
) WITHOUT ROWID;

-- Numbers as received, in the order of arrival. NULL is a number that was none (NaN).
CREATE TABLE sample (
    tick      INTEGER NOT NULL,
    n         INTEGER NOT NULL,
    series    INTEGER NOT NULL,
    value     REAL,
    device_at INTEGER,
    retained  INTEGER NOT NULL,
    PRIMARY KEY (tick, n)
) WITHOUT ROWID;

-- Everything else that came in, in one order with the samples of its tick (`n`).
CREATE TABLE event (
    tick INTEGER NOT NULL,
    n    INTEGER NOT NULL,
    kind TEXT NOT NULL,
    json TEXT,
    PRIMARY KEY (tick, n)
) WITHOUT ROWID;

-- The text of rule files, each text once.
CREATE TABLE rule_text (
    id   INTEGER PRIMARY KEY,
    text TEXT NOT NULL UNIQUE
);

-- The power balance in watts; phase 0 is the whole home. `oldest` is the wall time of the oldest part used.
CREATE TABLE balance (
    tick      INTEGER NOT NULL,
    phase     INTEGER NOT NULL,
    oldest    INTEGER,
    grid_w    REAL,
    solar_w   REAL,
    battery_w REAL,
    house_w   REAL,
    import_w  REAL,
    export_w  REAL,
    loads_w   REAL,
    base_w    REAL,
    spare_w   REAL,
    PRIMARY KEY (tick, phase)
) WITHOUT ROWID;

CREATE TABLE setpoint (
    tick  INTEGER NOT NULL,
    load  TEXT NOT NULL,
    watts REAL,
    PRIMARY KEY (tick, load)
) WITHOUT ROWID;

-- `requests` and `readings` are JSON arrays: what each rule asked, highest rank first, and what was known.
CREATE TABLE decision (
    id         INTEGER PRIMARY KEY,
    tick       INTEGER NOT NULL,
    load       TEXT NOT NULL,
    is_on      INTEGER NOT NULL,
    setpoint_w REAL,
    rule       TEXT,
    reason     TEXT NOT NULL,
    limited_by TEXT,
    requests   TEXT NOT NULL,
    readings   TEXT NOT NULL
);
CREATE INDEX decision_load ON decision (load, tick);

-- `about` is home, point.<id>, input.<id>, load.<id> or rule.<name>.
CREATE TABLE notice (
    id       INTEGER PRIMARY KEY,
    tick     INTEGER NOT NULL,
    severity TEXT NOT NULL,
    code     TEXT NOT NULL,
    text     TEXT NOT NULL,
    about    TEXT NOT NULL
);
CREATE INDEX notice_tick ON notice (tick);

-- Energy of half hours; `flow` is import, export, solar, house, charge, discharge or load.<id>, `start` a wall time
-- at a multiple of 30 minutes of UTC. A half hour that saw two runs has a row of each; the parts add up.
-- `clock`: 0 measured by a believed clock, 1 start not known, 2 start found out later.
CREATE TABLE energy (
    flow      TEXT NOT NULL,
    start     INTEGER NOT NULL,
    run       INTEGER NOT NULL,
    clock     INTEGER NOT NULL,
    kwh       REAL,
    covered_s REAL,
    PRIMARY KEY (flow, start, run, clock)
) WITHOUT ROWID;
CREATE INDEX energy_start ON energy (start);

CREATE VIEW half_hour AS
    SELECT flow, start, sum(kwh) AS kwh, min(1800.0, sum(covered_s)) AS covered_s
    FROM energy WHERE clock <> 1 GROUP BY flow, start;

CREATE VIEW reading AS
    SELECT series.name AS name, tick.at AS at, sample.value AS value
    FROM sample JOIN tick ON tick.id = sample.tick JOIN series ON series.id = sample.series;

-- From here on: what the daemon must know again after a restart, one row for each thing that holds.

CREATE TABLE load_ratio (
    load  TEXT PRIMARY KEY,
    ratio REAL
) WITHOUT ROWID;

CREATE TABLE rule_memory (
    rule    TEXT PRIMARY KEY,
    version INTEGER NOT NULL,
    json    TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE held_override (
    load  TEXT PRIMARY KEY,
    is_on INTEGER NOT NULL,
    watts REAL,
    until INTEGER NOT NULL,
    by    TEXT
) WITHOUT ROWID;

CREATE TABLE out_of_service (
    load TEXT PRIMARY KEY,
    by   TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE override_id (
    seq INTEGER PRIMARY KEY,
    id  TEXT NOT NULL UNIQUE
);

-- When a load was last switched; tick is NULL for one that never was on. One that is_on at the start of a run was left
-- on by the former.
CREATE TABLE switched (
    load  TEXT PRIMARY KEY,
    is_on INTEGER NOT NULL,
    tick  INTEGER
) WITHOUT ROWID;

CREATE TABLE load_mark (
    load        TEXT NOT NULL,
    at          INTEGER NOT NULL,
    energy_kwh  REAL,
    run_time_ms INTEGER NOT NULL,
    PRIMARY KEY (load, at)
) WITHOUT ROWID;

-- The last rules that were found good as a whole (JSON, texts by their number in rule_text).
CREATE TABLE good_rules (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    json TEXT NOT NULL
);
