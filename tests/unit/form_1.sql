-- The tables of a record of form 1, as the last version that made one had them.
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

CREATE TABLE words (
    digest TEXT PRIMARY KEY,
    salt   BLOB NOT NULL,
    text   TEXT
) STRICT;
CREATE INDEX words_by_text ON words (text);

CREATE TABLE attempts (
    job  INTEGER NOT NULL,
    step TEXT    NOT NULL,
    n    INTEGER NOT NULL,
    PRIMARY KEY (job, step)
) STRICT;

CREATE TABLE marks (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;
CREATE TABLE jobs (
    job             INTEGER PRIMARY KEY,
    state           TEXT    NOT NULL,
    seq             INTEGER NOT NULL,
    claimed_seq     INTEGER NOT NULL,
    examined_seq    INTEGER,
    held_seq        INTEGER,
    rendered_seq    INTEGER,
    surface         TEXT    NOT NULL,
    lab             TEXT,
    order_word      TEXT,
    set_word        TEXT,
    purpose         TEXT,
    size            TEXT,
    copies          INTEGER,
    due             TEXT,
    request_key     TEXT,
    original_name   TEXT    NOT NULL,
    original_sha256 TEXT    NOT NULL,
    print_sha256    TEXT,
    parcel          TEXT,
    moved_at        TEXT    NOT NULL,
    moved_seq       INTEGER NOT NULL
) STRICT;
CREATE INDEX jobs_by_state ON jobs (state, job);
CREATE INDEX jobs_by_original ON jobs (original_sha256);
CREATE INDEX jobs_by_name ON jobs (original_name);
CREATE INDEX jobs_by_parcel ON jobs (parcel);

CREATE TABLE drops (
    job      INTEGER PRIMARY KEY,
    path_hex TEXT    NOT NULL,
    device   INTEGER NOT NULL,
    inode    INTEGER NOT NULL,
    size     INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    sha256   TEXT    NOT NULL,
    sidecar_hex TEXT,
    here     INTEGER NOT NULL
) STRICT;
CREATE INDEX drops_here ON drops (here, job);
CREATE INDEX drops_by_path ON drops (path_hex);

CREATE TABLE parcels (
    name        TEXT PRIMARY KEY,
    lab         TEXT    NOT NULL,
    number      INTEGER NOT NULL,
    state       TEXT    NOT NULL,
    seq         INTEGER NOT NULL,
    tagmanifest TEXT    NOT NULL,
    staging     TEXT    NOT NULL,
    UNIQUE (lab, number)
) STRICT;
CREATE INDEX parcels_by_state ON parcels (state, lab, number);

CREATE TABLE profiles (
    lab     TEXT    NOT NULL,
    surface TEXT    NOT NULL,
    sha256  TEXT    NOT NULL,
    seq     INTEGER NOT NULL,
    state   TEXT    NOT NULL,
    PRIMARY KEY (lab, surface, sha256)
) STRICT;

CREATE TABLE settled (
    original TEXT    NOT NULL,
    surface  TEXT    NOT NULL,
    seq      INTEGER NOT NULL,
    version  INTEGER NOT NULL,
    adjust   TEXT,
    intent   TEXT,
    PRIMARY KEY (original, surface)
) STRICT;

CREATE TABLE decisions (
    id  TEXT PRIMARY KEY,
    seq INTEGER NOT NULL
) STRICT;
