-- Repairs, between verdicts on a unit.
CREATE TABLE repairs (
    id INTEGER PRIMARY KEY,
    unit INTEGER NOT NULL REFERENCES units,
    date TEXT NOT NULL,        -- as stated; otherwise the day recorded
    taken TEXT NOT NULL,       -- the same, to sort by: ISO 8601 without zone
    behind INTEGER NOT NULL,   -- number of the log's last verdict then; 0 for none
    text TEXT NOT NULL,
    operator TEXT NOT NULL,
    recorded TEXT NOT NULL,
    who TEXT NOT NULL
);
CREATE INDEX repairs_by_unit ON repairs (unit);

-- Findings that say the same with other numbers are of one kind.
ALTER TABLE findings ADD COLUMN kind TEXT NOT NULL DEFAULT '';
UPDATE findings SET kind = finding_kind(text);
CREATE INDEX findings_by_kind ON findings (kind, verdict);
