-- Units stand in the column names (SI); times are RFC 3339 text with the zone as entered, *_ms the same moment in ms since 1970 UTC.
CREATE TABLE book (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    uuid TEXT NOT NULL DEFAULT (lower(hex(randomblob(16)))),
    made_at TEXT NOT NULL
) STRICT;

CREATE TABLE pump (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    name TEXT NOT NULL UNIQUE COLLATE NOCASE,
    firing_order TEXT NOT NULL,
    stroke_m REAL NOT NULL CHECK (stroke_m > 0),
    rod_m REAL CHECK (rod_m > 0),
    gear_ratio REAL CHECK (gear_ratio > 0),
    rod_load_n REAL CHECK (rod_load_n > 0),
    liner_m REAL CHECK (liner_m > 0),
    units TEXT NOT NULL CHECK (units IN ('us', 'si')),
    made_at TEXT NOT NULL
) STRICT;

CREATE TABLE liner (
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    bore_m REAL NOT NULL CHECK (bore_m > 0),
    rating_pa REAL NOT NULL CHECK (rating_pa > 0),
    PRIMARY KEY (pump_id, bore_m)
) STRICT, WITHOUT ROWID;

CREATE TABLE spot (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    module INTEGER NOT NULL CHECK (module > 0),
    name TEXT NOT NULL COLLATE NOCASE,
    note TEXT NOT NULL DEFAULT '',
    UNIQUE (pump_id, module, name)
) STRICT;

CREATE TABLE round (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    started_at TEXT NOT NULL,
    started_ms INTEGER NOT NULL,
    closed_at TEXT,
    spm REAL CHECK (spm > 0),
    pressure_pa REAL CHECK (pressure_pa >= 0),
    mud_kg_m3 REAL CHECK (mud_kg_m3 > 0),
    liner_m REAL CHECK (liner_m > 0),
    crew TEXT NOT NULL DEFAULT '',
    remarks TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX round_by_pump_and_time ON round (pump_id, started_ms);
CREATE INDEX round_by_time ON round (started_ms);

CREATE TABLE clip (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    round_id INTEGER NOT NULL REFERENCES round (id),
    spot_id INTEGER NOT NULL REFERENCES spot (id),
    file TEXT NOT NULL UNIQUE,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
    bytes INTEGER NOT NULL,
    original TEXT NOT NULL,
    taken_at TEXT NOT NULL,
    pulse INTEGER CHECK (pulse > 0),
    added_at TEXT NOT NULL
) STRICT;
CREATE INDEX clip_by_round ON clip (round_id, spot_id);
CREATE INDEX clip_by_spot ON clip (spot_id);

-- One row a module of an accepted round. A dropped one stays, with the time and the reason.
CREATE TABLE good (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    round_id INTEGER NOT NULL REFERENCES round (id),
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    module INTEGER NOT NULL,
    started_ms INTEGER NOT NULL,
    accepted_at TEXT NOT NULL,
    accepted_by TEXT NOT NULL DEFAULT '',
    dropped_at TEXT,
    dropped_why TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE UNIQUE INDEX good_once ON good (round_id, module) WHERE dropped_at IS NULL;
CREATE INDEX good_by_module ON good (pump_id, module, started_ms) WHERE dropped_at IS NULL;

-- From this moment a module's baseline starts anew.
CREATE TABLE restart (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    module INTEGER NOT NULL,
    at TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    why TEXT NOT NULL
) STRICT;
CREATE INDEX restart_by_module ON restart (pump_id, module, at_ms);

-- What a clip gave, by the version of the method: can be recomputed from the clip.
CREATE TABLE analysis (
    clip_id INTEGER NOT NULL REFERENCES clip (id),
    method INTEGER NOT NULL,
    hint_spm REAL,
    data BLOB NOT NULL,
    made_at TEXT NOT NULL,
    PRIMARY KEY (clip_id, method)
) STRICT;

CREATE TABLE verdict (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    round_id INTEGER NOT NULL REFERENCES round (id),
    method INTEGER NOT NULL,
    basis TEXT NOT NULL,
    made_at TEXT NOT NULL,
    current INTEGER NOT NULL CHECK (current IN (0, 1)),
    document TEXT NOT NULL
) STRICT;
CREATE UNIQUE INDEX verdict_current ON verdict (round_id) WHERE current = 1;
CREATE INDEX verdict_by_round ON verdict (round_id);

-- One row a clip; the round's pump and time are copied so that a trend is one range of an index.
CREATE TABLE verdict_clip (
    verdict_id INTEGER NOT NULL REFERENCES verdict (id),
    clip_id INTEGER NOT NULL REFERENCES clip (id),
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    module INTEGER NOT NULL,
    started_ms INTEGER NOT NULL,
    current INTEGER NOT NULL CHECK (current IN (0, 1)),
    state TEXT NOT NULL,
    departure REAL,
    false_alarm REAL,
    excess_db REAL,
    half TEXT NOT NULL,
    pattern TEXT NOT NULL,
    spm REAL,
    level_db REAL,
    PRIMARY KEY (verdict_id, clip_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX verdict_clip_by_module ON verdict_clip (pump_id, module, started_ms) WHERE current = 1;
CREATE INDEX verdict_clip_by_clip ON verdict_clip (clip_id);
