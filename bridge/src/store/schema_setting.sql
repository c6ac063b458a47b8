-- What a person made of a setting: the value as JSON (a number, true or false, a text), until when (milliseconds since
-- 1970, NULL where it stays), and who said so. A setting at its default has no row.
CREATE TABLE held_setting (
    setting TEXT PRIMARY KEY,
    value   TEXT NOT NULL,
    until   INTEGER,
    by      TEXT
) WITHOUT ROWID;
