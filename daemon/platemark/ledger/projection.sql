-- Everything below is derived from the entries and can be made again from them.
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
CREATE INDEX IF NOT EXISTS jobs_by_state ON jobs (state, job);
CREATE INDEX IF NOT EXISTS jobs_by_original ON jobs (original_sha256);
CREATE INDEX IF NOT EXISTS jobs_by_name ON jobs (original_name);
CREATE INDEX IF NOT EXISTS jobs_by_parcel ON jobs (parcel);

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
CREATE INDEX IF NOT EXISTS drops_here ON drops (here, job);
CREATE INDEX IF NOT EXISTS drops_by_path ON drops (path_hex);

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
CREATE INDEX IF NOT EXISTS parcels_by_state ON parcels (state, lab, number);

CREATE TABLE profiles (
    lab     TEXT    NOT NULL,
    surface TEXT    NOT NULL,
    sha256  TEXT    NOT NULL,
    seq     INTEGER NOT NULL,
    state   TEXT    NOT NULL,
    PRIMARY KEY (lab, surface, sha256)
) STRICT;

-- What was settled last for a picture on a surface. A record from before there was any lacks the
-- table, and is given it when the service opens it: no entry of such a record is about it.
CREATE TABLE IF NOT EXISTS settled (
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
