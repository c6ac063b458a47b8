-- What is forwarded to another database. Nothing here repeats the record: it says how far forwarding has come. These
-- tables are made at the first start of a home that forwards, so that a journal without them is not the larger for it.

-- Where to, and how far: every stamp up to number `tick`, whose wall time is `at`, has arrived there. `version` is that of
-- these tables.
CREATE TABLE IF NOT EXISTS outbox (
    only    INTEGER PRIMARY KEY CHECK (only = 1),
    version INTEGER NOT NULL,
    target  TEXT NOT NULL,
    tick    INTEGER NOT NULL,
    at      INTEGER
);

-- Half hours whose energy is new or has changed since it was forwarded. A change while one is on its way gets a new
-- number, so that it is forwarded again.
CREATE TABLE IF NOT EXISTS energy_to_forward (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    flow   TEXT NOT NULL,
    start  INTEGER NOT NULL,
    UNIQUE (flow, start) ON CONFLICT REPLACE
);

CREATE TRIGGER IF NOT EXISTS energy_added AFTER INSERT ON energy BEGIN
    INSERT OR REPLACE INTO energy_to_forward (flow, start) VALUES (new.flow, new.start);
END;
CREATE TRIGGER IF NOT EXISTS energy_changed AFTER UPDATE ON energy BEGIN
    INSERT OR REPLACE INTO energy_to_forward (flow, start) VALUES (new.flow, new.start);
END;
CREATE TRIGGER IF NOT EXISTS energy_removed AFTER DELETE ON energy BEGIN
    INSERT OR REPLACE INTO energy_to_forward (flow, start) VALUES (old.flow, old.start);
END;

-- Spans to be forwarded again, since what is known of them has changed. Their stamps are among those with a number
-- after `done` up to `last`.
CREATE TABLE IF NOT EXISTS forward_again (
    id    INTEGER PRIMARY KEY,
    start INTEGER NOT NULL,
    until INTEGER NOT NULL,
    done  INTEGER NOT NULL,
    last  INTEGER NOT NULL
);

-- Points that the other database refused by themselves, as they were sent (line protocol, milliseconds), and why.
CREATE TABLE IF NOT EXISTS set_aside (
    id     INTEGER PRIMARY KEY,
    at     INTEGER NOT NULL,
    target TEXT NOT NULL,
    line   TEXT NOT NULL,
    reason TEXT NOT NULL
);
