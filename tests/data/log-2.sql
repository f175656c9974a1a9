PRAGMA application_id = 1633908332;
PRAGMA user_version = 2;
BEGIN TRANSACTION;
CREATE TABLE builds (
    id INTEGER PRIMARY KEY,
    network INTEGER NOT NULL REFERENCES networks,
    serial TEXT NOT NULL,      -- empty where none is stated
    measured TEXT NOT NULL,    -- JSON: measured values by reference [ohm or F]; {} by tolerance
    recorded TEXT NOT NULL,
    who TEXT NOT NULL,
    UNIQUE (network, serial, measured)
);
INSERT INTO "builds" VALUES(1,1,'N1','{"C1": 8.3e-09, "R1": 383000.0}','2026-11-29T02:48:31Z','root');
INSERT INTO "builds" VALUES(2,1,'N1','{}','2026-11-29T02:48:31Z','root');
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
INSERT INTO "captures" VALUES(1,0,'unit-200hz.csv','square','square','fafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafa',NULL);
INSERT INTO "captures" VALUES(2,0,'unit-200hz.csv','square','square','fafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafa',NULL);
INSERT INTO "captures" VALUES(3,0,'unit-200hz.csv','square','square','fafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafa',NULL);
INSERT INTO "captures" VALUES(4,0,'unit-200hz.csv','square','square','fafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafa',NULL);
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
INSERT INTO "constants" VALUES(1,0,'treble_s',7.5e-05,6.173e-05,6.14213499999999908846e-05,6.20386499999999824163e-05,'s');
INSERT INTO "constants" VALUES(1,1,'high_corner_hz',NULL,NULL,192000.0,NULL,'Hz');
INSERT INTO "constants" VALUES(2,0,'treble_s',7.5e-05,7.49e-05,7.45255e-05,7.52744999999999922415e-05,'s');
INSERT INTO "constants" VALUES(2,1,'high_corner_hz',NULL,NULL,192000.0,NULL,'Hz');
INSERT INTO "constants" VALUES(3,0,'treble_s',7.5e-05,7.52e-05,7.4824e-05,7.5576e-05,'s');
INSERT INTO "constants" VALUES(3,1,'high_corner_hz',NULL,NULL,192000.0,NULL,'Hz');
INSERT INTO "constants" VALUES(4,0,'treble_s',7.5e-05,7.52e-05,7.4824e-05,7.5576e-05,'s');
INSERT INTO "constants" VALUES(4,1,'high_corner_hz',NULL,NULL,192000.0,NULL,'Hz');
CREATE TABLE findings (
    verdict INTEGER NOT NULL REFERENCES verdicts ON DELETE CASCADE,
    position INTEGER NOT NULL, -- from 0, the gravest first
    text TEXT NOT NULL, kind TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (verdict, position)
) WITHOUT ROWID;
INSERT INTO "findings" VALUES(1,0,'Treble time constant 61.73 µs (61.32 to 62.09), 18 % low (nominal 75 µs): +1.3 dB at 10 kHz','Treble time constant …, … low');
INSERT INTO "findings" VALUES(2,0,'Every time constant agrees with its nominal value.','Every time constant agrees with its nominal value');
INSERT INTO "findings" VALUES(3,0,'Every time constant agrees with its nominal value.','Every time constant agrees with its nominal value');
INSERT INTO "findings" VALUES(4,0,'Every time constant agrees with its nominal value.','Every time constant agrees with its nominal value');
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
INSERT INTO "networks" VALUES(1,'Archive bench, disc','foster-1','0606060606060606060606060606060606060606060606060606060606060606',NULL,'2026-11-29T02:48:31Z','root');
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
CREATE TABLE reports (
    verdict INTEGER NOT NULL REFERENCES verdicts ON DELETE CASCADE,
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    sha256 TEXT,
    path TEXT,
    PRIMARY KEY (verdict, position)
) WITHOUT ROWID;
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
CREATE TABLE units (
    id INTEGER PRIMARY KEY,
    serial TEXT NOT NULL UNIQUE,
    recorded TEXT NOT NULL,
    who TEXT NOT NULL
);
INSERT INTO "units" VALUES(1,'A-7','2026-11-29T02:48:31Z','root');
INSERT INTO "units" VALUES(2,'Ω 12','2026-11-29T02:48:31Z','root');
CREATE TABLE verdict_files (
    verdict INTEGER PRIMARY KEY REFERENCES verdicts ON DELETE CASCADE,
    content TEXT NOT NULL      -- the whole verdict.json
);
INSERT INTO "verdict_files" VALUES(1,'{
 "format": "antecurve-verdict-1",
 "verdict": "fail",
 "limit_db": 0.5,
 "unit_curve": "disc",
 "deviation_db": 1.4,
 "expanded_uncertainty_db": 0.05,
 "fitted": [
  {
   "name": "treble_s",
   "nominal": 7.5e-05,
   "value": 6.173e-05,
   "low": 6.142134999999999e-05,
   "high": 6.203864999999998e-05,
   "unit": "s"
  },
  {
   "name": "high_corner_hz",
   "nominal": null,
   "value": null,
   "low": 192000.0,
   "high": null,
   "unit": "Hz"
  }
 ],
 "findings": [
  "Treble time constant 61.73 µs (61.32 to 62.09), 18 % low (nominal 75 µs): +1.3 dB at 10 kHz"
 ],
 "serial": "as stated",
 "date": "2026-05-04",
 "operator": null,
 "network_serial": "N1",
 "design": {
  "title": "Archive bench, disc",
  "form": "foster-1",
  "digest": "0606060606060606060606060606060606060606060606060606060606060606"
 },
 "captures": [
  {
   "name": "unit-200hz.csv",
   "kind": "square",
   "signal": "square",
   "understood": "a square wave by the names of its columns",
   "sha256": "fafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafa",
   "played": null
  }
 ],
 "software": "antecurve 0.1.0"
}');
INSERT INTO "verdict_files" VALUES(2,'{
 "format": "antecurve-verdict-1",
 "verdict": "pass",
 "limit_db": 0.5,
 "unit_curve": "disc",
 "deviation_db": 0.1,
 "expanded_uncertainty_db": 0.05,
 "fitted": [
  {
   "name": "treble_s",
   "nominal": 7.5e-05,
   "value": 7.49e-05,
   "low": 7.45255e-05,
   "high": 7.527449999999999e-05,
   "unit": "s"
  },
  {
   "name": "high_corner_hz",
   "nominal": null,
   "value": null,
   "low": 192000.0,
   "high": null,
   "unit": "Hz"
  }
 ],
 "findings": [
  "Every time constant agrees with its nominal value."
 ],
 "serial": "as stated",
 "date": "2026-05-11",
 "operator": "Ida",
 "network_serial": "N1",
 "design": {
  "title": "Archive bench, disc",
  "form": "foster-1",
  "digest": "0606060606060606060606060606060606060606060606060606060606060606"
 },
 "captures": [
  {
   "name": "unit-200hz.csv",
   "kind": "square",
   "signal": "square",
   "understood": "a square wave by the names of its columns",
   "sha256": "fafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafa",
   "played": null
  }
 ],
 "software": "antecurve 0.1.0"
}');
INSERT INTO "verdict_files" VALUES(3,'{
 "format": "antecurve-verdict-1",
 "verdict": "pass",
 "limit_db": 0.5,
 "unit_curve": "disc",
 "deviation_db": 0.1,
 "expanded_uncertainty_db": 0.05,
 "fitted": [
  {
   "name": "treble_s",
   "nominal": 7.5e-05,
   "value": 7.52e-05,
   "low": 7.4824e-05,
   "high": 7.5576e-05,
   "unit": "s"
  },
  {
   "name": "high_corner_hz",
   "nominal": null,
   "value": null,
   "low": 192000.0,
   "high": null,
   "unit": "Hz"
  }
 ],
 "findings": [
  "Every time constant agrees with its nominal value."
 ],
 "serial": "as stated",
 "date": "2026-06-02",
 "operator": null,
 "network_serial": "N1",
 "design": {
  "title": "Archive bench, disc",
  "form": "foster-1",
  "digest": "0606060606060606060606060606060606060606060606060606060606060606"
 },
 "captures": [
  {
   "name": "unit-200hz.csv",
   "kind": "square",
   "signal": "square",
   "understood": "a square wave by the names of its columns",
   "sha256": "fafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafa",
   "played": null
  }
 ],
 "software": "antecurve 0.1.0"
}');
INSERT INTO "verdict_files" VALUES(4,'{
 "format": "antecurve-verdict-1",
 "verdict": "undecided",
 "limit_db": 0.5,
 "unit_curve": "disc",
 "deviation_db": 0.1,
 "expanded_uncertainty_db": 0.05,
 "fitted": [
  {
   "name": "treble_s",
   "nominal": 7.5e-05,
   "value": 7.52e-05,
   "low": 7.4824e-05,
   "high": 7.5576e-05,
   "unit": "s"
  },
  {
   "name": "high_corner_hz",
   "nominal": null,
   "value": null,
   "low": 192000.0,
   "high": null,
   "unit": "Hz"
  }
 ],
 "findings": [
  "Every time constant agrees with its nominal value."
 ],
 "serial": "as stated",
 "date": "2026-06-02",
 "operator": null,
 "network_serial": "N1",
 "design": {
  "title": "Archive bench, disc",
  "form": "foster-1",
  "digest": "0606060606060606060606060606060606060606060606060606060606060606"
 },
 "captures": [
  {
   "name": "unit-200hz.csv",
   "kind": "square",
   "signal": "square",
   "understood": "a square wave by the names of its columns",
   "sha256": "fafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafafa",
   "played": null
  }
 ],
 "software": "antecurve 0.1.0"
}');
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
INSERT INTO "verdicts" VALUES(1,1,1,'','2026-05-04','2026-05-04','','fail',1.4,0.05,0.5,'disc','antecurve 0.1.0','a-7

2026-05-04

n1
fail
disc
archive bench, disc
treble time constant 61.73 μs (61.32 to 62.09), 18 % low (nominal 75 μs): +1.3 db at 10 khz
unit-200hz.csv','2026-11-29T02:48:31Z','root');
INSERT INTO "verdicts" VALUES(2,1,1,'','2026-05-11','2026-05-11','Ida','pass',0.1,0.05,0.5,'disc','antecurve 0.1.0','a-7

2026-05-11
ida
n1
pass
disc
archive bench, disc
every time constant agrees with its nominal value.
unit-200hz.csv','2026-11-29T02:48:31Z','Ida');
INSERT INTO "verdicts" VALUES(3,2,2,'left','2026-06-02','2026-06-02','','pass',0.1,0.05,0.5,'disc','antecurve 0.1.0','ω 12
left
2026-06-02

n1
pass
disc
archive bench, disc
every time constant agrees with its nominal value.
unit-200hz.csv','2026-11-29T02:48:31Z','root');
INSERT INTO "verdicts" VALUES(4,2,2,'right','2026-06-02','2026-06-02','','undecided',0.1,0.05,0.5,'disc','antecurve 0.1.0','ω 12
right
2026-06-02

n1
undecided
disc
archive bench, disc
every time constant agrees with its nominal value.
unit-200hz.csv','2026-11-29T02:48:31Z','root');
CREATE INDEX verdicts_by_unit ON verdicts (unit, taken);
CREATE INDEX verdicts_by_taken ON verdicts (taken);
CREATE INDEX constants_by_name ON constants (name, verdict);
CREATE INDEX repairs_by_unit ON repairs (unit);
CREATE INDEX findings_by_kind ON findings (kind, verdict);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('verdicts',4);
COMMIT;
