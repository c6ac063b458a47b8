-- What each shadow came to beside the live rules: since when, up to when (milliseconds since 1970), a mark of the texts
-- of rules that it compares, its books and what its rules remember (JSON).
CREATE TABLE shadow (
    name   TEXT PRIMARY KEY,
    since  INTEGER NOT NULL,
    at     INTEGER NOT NULL,
    mark   TEXT NOT NULL,
    books  TEXT NOT NULL,
    memory TEXT NOT NULL
) WITHOUT ROWID;
