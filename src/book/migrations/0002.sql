-- The tour: the check sheet's entries, concerns, parts, running hours, work and signed notes. Entries are never changed: a correction is a new one.
CREATE TABLE check_entry (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    check_name TEXT NOT NULL,
    pump_id INTEGER REFERENCES pump (id),
    module INTEGER CHECK (module > 0),
    at TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    by_position TEXT NOT NULL,
    outcome TEXT NOT NULL CHECK (outcome IN ('fine', 'attention', 'skipped')),
    reason TEXT NOT NULL DEFAULT '',
    entered_at TEXT NOT NULL
) STRICT;
CREATE INDEX check_entry_by_time ON check_entry (pump_id, at_ms);
CREATE INDEX check_entry_by_check ON check_entry (check_name, pump_id, at_ms);

-- One row an answer. Readings are in SI, with the unit in which they were typed.
CREATE TABLE answer (
    id INTEGER PRIMARY KEY,
    check_entry_id INTEGER NOT NULL REFERENCES check_entry (id),
    ask TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('ok', 'attention', 'text', 'photo', 'reading')),
    words TEXT NOT NULL DEFAULT '',
    value_si REAL,
    unit TEXT,
    confirmed INTEGER NOT NULL DEFAULT 0 CHECK (confirmed IN (0, 1)),
    UNIQUE (check_entry_id, ask)
) STRICT;

CREATE TABLE concern (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    pump_id INTEGER REFERENCES pump (id),
    words TEXT NOT NULL,
    since_at TEXT NOT NULL,
    since_ms INTEGER NOT NULL,
    by_position TEXT NOT NULL,
    closed_at TEXT,
    closed_ms INTEGER,
    closed_by TEXT,
    closed_why TEXT
) STRICT;

CREATE TABLE part (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    module INTEGER NOT NULL CHECK (module > 0),
    kind TEXT NOT NULL,
    side TEXT CHECK (side IN ('suction', 'discharge')),
    fitted_at TEXT NOT NULL,
    fitted_ms INTEGER NOT NULL,
    fitted_by TEXT NOT NULL,
    out_at TEXT,
    out_ms INTEGER CHECK (out_ms >= fitted_ms),
    why TEXT,
    condition TEXT NOT NULL DEFAULT '',
    photo TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX part_by_pump ON part (pump_id, module, kind);
CREATE UNIQUE INDEX part_in_place ON part (pump_id, module, kind, coalesce(side, '')) WHERE out_ms IS NULL;

CREATE TABLE run_log (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    from_ms INTEGER NOT NULL,
    to_ms INTEGER NOT NULL CHECK (to_ms > from_ms),
    hours REAL NOT NULL CHECK (hours >= 0),
    by_position TEXT NOT NULL,
    entered_at TEXT NOT NULL
) STRICT;
CREATE INDEX run_log_by_pump ON run_log (pump_id, from_ms);

CREATE TABLE job (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    pump_id INTEGER NOT NULL REFERENCES pump (id),
    words TEXT NOT NULL,
    started_at TEXT NOT NULL,
    started_ms INTEGER NOT NULL,
    by_position TEXT NOT NULL
) STRICT;

CREATE TABLE job_entry (
    id INTEGER PRIMARY KEY,
    job_id INTEGER NOT NULL REFERENCES job (id),
    document TEXT NOT NULL,
    entered_at TEXT NOT NULL
) STRICT;
CREATE INDEX job_entry_by_job ON job_entry (job_id);

-- The bytes of a signed note, and their fingerprint: frozen.
CREATE TABLE note (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    tour_start_ms INTEGER NOT NULL UNIQUE,
    tour_end_ms INTEGER NOT NULL,
    html TEXT NOT NULL,
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    giver TEXT NOT NULL,
    given_at TEXT NOT NULL
) STRICT;

CREATE TABLE amendment (
    id INTEGER PRIMARY KEY,
    note_id INTEGER NOT NULL REFERENCES note (id),
    at TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    by_position TEXT NOT NULL,
    words TEXT NOT NULL
) STRICT;
