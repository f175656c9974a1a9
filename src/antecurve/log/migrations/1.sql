-- Networks as designed, and the builds that verdicts were made through.
CREATE TABLE networks (
    id INTEGER PRIMARY KEY,
    title TEXT NOT NULL,
    form TEXT NOT NULL,
    digest TEXT NOT NULL,      -- SHA-256 of the design's file; empty for one from a stream
    path TEXT,                 -- of the design's file, relative to the log's folder
    recorded TEXT NOT NULL,    -- UTC, ISO 8601
    who TEXT NOT NULL,
    UNIQUE (digest, title, form)
);
CREATE TABLE builds (
    id INTEGER PRIMARY KEY,
    network INTEGER NOT NULL REFERENCES networks,
    serial TEXT NOT NULL,      -- empty where none is stated
    measured TEXT NOT NULL,    -- JSON: measured values by reference [ohm or F]; {} by tolerance
    recorded TEXT NOT NULL,
    who TEXT NOT NULL,
    UNIQUE (network, serial, measured)
);

-- Units under test and the verdicts on them.
CREATE TABLE units (
    id INTEGER PRIMARY KEY,
    serial TEXT NOT NULL UNIQUE,
    recorded TEXT NOT NULL,
    who TEXT NOT NULL
);
CREATE TABLE verdicts (
    id INTEGER PRIMARY KEY AUTOINCREMENT,  -- the number of a deleted verdict is not used again
    unit INTEGER NOT NULL REFERENCES units,
    build INTEGER NOT NULL REFERENCES builds,
    channel TEXT NOT NULL,
    date TEXT NOT NULL,        -- as stated; otherwise the day recorded
    taken TEXT NOT NULL,       -- the same, to sort by: ISO 8601 without zone
    operator TEXT NOT NULL,
    decision TEXT NOT NULL CHECK (decision IN ('pass', 'fail', 'undecided')),
    deviation_db REAL,
    expanded_uncertainty_db REAL,
    limit_db REAL NOT NULL,
    unit_curve TEXT NOT NULL,
    software TEXT NOT NULL,
    words TEXT NOT NULL,       -- what a search looks through, in one case
    recorded TEXT NOT NULL,
    who TEXT NOT NULL
);
CREATE INDEX verdicts_by_unit ON verdicts (unit, taken);
CREATE INDEX verdicts_by_taken ON verdicts (taken);
CREATE TABLE verdict_files (
    verdict INTEGER PRIMARY KEY REFERENCES verdicts ON DELETE CASCADE,
    content TEXT NOT NULL      -- the whole verdict.json
);
CREATE TABLE constants (
    verdict INTEGER NOT NULL REFERENCES verdicts ON DELETE CASCADE,
    position INTEGER NOT NULL, -- from 0, as in the verdict
    name TEXT NOT NULL,
    nominal REAL,
    value REAL,                -- no value: infinite, a corner that is not seen
    low REAL,
    high REAL,
    unit TEXT NOT NULL,
    PRIMARY KEY (verdict, position)
) WITHOUT ROWID;
CREATE INDEX constants_by_name ON constants (name, verdict);
CREATE TABLE findings (
    verdict INTEGER NOT NULL REFERENCES verdicts ON DELETE CASCADE,
    position INTEGER NOT NULL, -- from 0, the gravest first
    text TEXT NOT NULL,
    PRIMARY KEY (verdict, position)
) WITHOUT ROWID;
CREATE TABLE captures (
    verdict INTEGER NOT NULL REFERENCES verdicts ON DELETE CASCADE,
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    kind TEXT NOT NULL,
    signal TEXT NOT NULL,
    sha256 TEXT,
    path TEXT,                 -- relative to the log's folder; none for a file outside
    PRIMARY KEY (verdict, position)
) WITHOUT ROWID;
CREATE TABLE reports (
    verdict INTEGER NOT NULL REFERENCES verdicts ON DELETE CASCADE,
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT,
    path TEXT,
    PRIMARY KEY (verdict, position)
) WITHOUT ROWID;

-- What was deleted: that there was a verdict stays known, and by its digest which one.
CREATE TABLE tombstones (
    verdict INTEGER PRIMARY KEY,
    serial TEXT NOT NULL,
    channel TEXT NOT NULL,
    date TEXT NOT NULL,
    decision TEXT NOT NULL,
    digest TEXT NOT NULL,      -- SHA-256 of the verdict's JSON
    deleted TEXT NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL
);
