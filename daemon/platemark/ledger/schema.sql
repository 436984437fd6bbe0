-- The record: append-only, each entry hashed over the one before it.
CREATE TABLE entries (
    seq      INTEGER PRIMARY KEY,
    at       TEXT    NOT NULL,
    job      INTEGER,
    kind     TEXT    NOT NULL,
    actor    TEXT    NOT NULL,
    body     TEXT    NOT NULL,
    previous BLOB    NOT NULL,
    hash     BLOB    NOT NULL UNIQUE
) STRICT;
CREATE INDEX entries_of_job ON entries (job, seq);
CREATE INDEX entries_of_kind ON entries (kind, seq);

CREATE TRIGGER entries_are_never_changed BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'the record is never changed'); END;
CREATE TRIGGER entries_are_never_removed BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'the record is never shortened'); END;

-- Personal words stand beside the chain, so that one can be erased and the chain still verifies.
CREATE TABLE words (
    digest TEXT PRIMARY KEY,
    salt   BLOB NOT NULL,
    text   TEXT
) STRICT;
CREATE INDEX words_by_text ON words (text);

-- How often a step was begun; written before the step, so that a crash counts. Not part of the record.
CREATE TABLE attempts (
    job  INTEGER NOT NULL,
    step TEXT    NOT NULL,
    n    INTEGER NOT NULL,
    PRIMARY KEY (job, step)
) STRICT;

-- Up to where the record was proved, so that a start need not follow all of it. Not part of the record.
CREATE TABLE marks (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;
