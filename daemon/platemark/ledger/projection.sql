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
    title           TEXT,
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

-- Jobs that were called back. The notice is the parcel that tells the lab, once it is sealed.
CREATE TABLE IF NOT EXISTS recalls (
    job    INTEGER PRIMARY KEY,
    seq    INTEGER NOT NULL,
    lab    TEXT    NOT NULL,
    parcel TEXT    NOT NULL,
    how    TEXT    NOT NULL,
    notice TEXT
) STRICT;
CREATE INDEX IF NOT EXISTS recalls_by_lab ON recalls (lab, seq);

CREATE TABLE decisions (
    id  TEXT PRIMARY KEY,
    seq INTEGER NOT NULL
) STRICT;

-- What the archive must have, by content, and for which job (0 where it is for none): needed, past
-- (another took its place before it was sent), or removed by rule.
CREATE TABLE IF NOT EXISTS kept (
    kind      TEXT    NOT NULL,
    job       INTEGER NOT NULL,
    sha256    TEXT    NOT NULL,
    extension TEXT    NOT NULL,
    bytes     INTEGER,
    seq       INTEGER NOT NULL,
    state     TEXT    NOT NULL,
    sent      INTEGER NOT NULL,
    PRIMARY KEY (kind, job, sha256)
) STRICT;
CREATE INDEX IF NOT EXISTS kept_by_content ON kept (sha256, extension, state);
CREATE INDEX IF NOT EXISTS kept_by_state ON kept (state, kind, seq);
CREATE INDEX IF NOT EXISTS kept_by_job ON kept (job);

-- Tickets and lists of parcels that left outgoing/ by rule.
CREATE TABLE IF NOT EXISTS papers (
    parcel    TEXT    NOT NULL,
    name      TEXT    NOT NULL,
    sha256    TEXT    NOT NULL,
    extension TEXT    NOT NULL,
    seq       INTEGER NOT NULL,
    PRIMARY KEY (parcel, name)
) STRICT;

-- Removals by rule, by the entry that said them before. `done` is the entry that ended one, or 0.
CREATE TABLE IF NOT EXISTS removals (
    seq  INTEGER PRIMARY KEY,
    done INTEGER NOT NULL
) STRICT;

CREATE TABLE IF NOT EXISTS damages (
    path     TEXT PRIMARY KEY,
    seq      INTEGER NOT NULL,
    expected TEXT    NOT NULL,
    found    TEXT    NOT NULL,
    open     INTEGER NOT NULL
) STRICT;

CREATE TABLE IF NOT EXISTS upkeep (
    what       TEXT    NOT NULL,
    local_date TEXT    NOT NULL,
    seq        INTEGER NOT NULL,
    late       INTEGER NOT NULL,
    done       INTEGER NOT NULL,
    PRIMARY KEY (what, local_date)
) STRICT;

-- Copies of the record that became the studio, and the numbers that are not given again since.
CREATE TABLE IF NOT EXISTS restored (
    seq      INTEGER PRIMARY KEY,
    last_job INTEGER NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS numbers (
    lab      TEXT PRIMARY KEY,
    at_least INTEGER NOT NULL,
    seq      INTEGER NOT NULL
) STRICT;

-- Archived files that no entry knew of when the record was read back from the files.
CREATE TABLE unplaced (
    sha256 TEXT PRIMARY KEY,
    seq    INTEGER NOT NULL
) STRICT;

-- How jobs hang together, each kind at most once a job: part-of (another print of the same test),
-- approved-by (the test that a final was held against), reprint-of, remake-of.
CREATE TABLE links (
    job   INTEGER NOT NULL,
    other INTEGER NOT NULL,
    kind  TEXT    NOT NULL,
    seq   INTEGER NOT NULL,
    PRIMARY KEY (job, kind)
) STRICT;
CREATE INDEX links_by_other ON links (other);

-- Tests that were approved, by the first job of the test; the newest word counts.
CREATE TABLE approvals (
    job      INTEGER PRIMARY KEY,
    seq      INTEGER NOT NULL,
    original TEXT    NOT NULL,
    name     TEXT    NOT NULL,
    surface  TEXT    NOT NULL,
    lab      TEXT    NOT NULL,
    state    TEXT    NOT NULL
) STRICT;
CREATE INDEX approvals_by_original ON approvals (original);
CREATE INDEX approvals_by_name ON approvals (name);

-- What was said of prints that came back.
CREATE TABLE returns (
    seq    INTEGER PRIMARY KEY,
    job    INTEGER NOT NULL,
    passed INTEGER NOT NULL
) STRICT;
CREATE INDEX returns_by_job ON returns (job);

-- What its lab said of a job last: accepted, question, refused, made.
CREATE TABLE lab_answers (
    job  INTEGER PRIMARY KEY,
    seq  INTEGER NOT NULL,
    says TEXT    NOT NULL
) STRICT;
CREATE INDEX lab_answers_by_word ON lab_answers (says, job);

-- The numbers of editions that are given. `part` is the size where each size is counted by itself;
-- `kind` is print or proof; the job is unknown for numbers that were given before, or elsewhere. What
-- a number was before its job took it, and whose, it is again when that job is withdrawn.
CREATE TABLE edition_numbers (
    edition TEXT    NOT NULL,
    part    TEXT    NOT NULL,
    kind    TEXT    NOT NULL,
    number  INTEGER NOT NULL,
    job     INTEGER,
    state   TEXT    NOT NULL,
    seq     INTEGER NOT NULL,
    was     TEXT    NOT NULL,
    was_job INTEGER,
    PRIMARY KEY (edition, part, kind, number)
) STRICT;
CREATE INDEX edition_numbers_by_job ON edition_numbers (job);

-- Editions of which a number was given, by the newest entry that gave one, else the first that said
-- what became of one: it has their terms.
CREATE TABLE edition_terms (
    edition TEXT PRIMARY KEY,
    seq     INTEGER NOT NULL
) STRICT;

-- The pictures of editions, by content and by the job that said so, with what another file of the
-- same picture is known by.
CREATE TABLE edition_pictures (
    edition  TEXT    NOT NULL,
    original TEXT    NOT NULL,
    job      INTEGER NOT NULL,
    likeness TEXT    NOT NULL,
    seq      INTEGER NOT NULL,
    PRIMARY KEY (edition, original, job)
) STRICT;
CREATE INDEX edition_pictures_by_original ON edition_pictures (original);
CREATE INDEX edition_pictures_by_job ON edition_pictures (job);

-- Readings of patch strips that came back.
CREATE TABLE strips (
    seq     INTEGER PRIMARY KEY,
    job     INTEGER NOT NULL,
    lab     TEXT    NOT NULL,
    surface TEXT    NOT NULL,
    verdict TEXT    NOT NULL,
    sha256  TEXT    NOT NULL,
    open    INTEGER NOT NULL
) STRICT;
CREATE INDEX strips_by_product ON strips (lab, surface, seq);
CREATE INDEX strips_by_job ON strips (job);
CREATE INDEX strips_by_file ON strips (sha256);

-- Readings that a person made the reference of their product.
CREATE TABLE strip_references (
    seq     INTEGER PRIMARY KEY,
    lab     TEXT    NOT NULL,
    surface TEXT    NOT NULL,
    reading INTEGER NOT NULL
) STRICT;
