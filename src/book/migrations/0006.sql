-- What fixed sensors hear, one row a sensor and window. Many rows: the moment is kept as a number only, in ms since 1970 UTC.
CREATE TABLE watch_line (
    spot_id INTEGER NOT NULL REFERENCES spot (id),
    at_ms INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('steady', 'drifting', 'departed', 'unjudged', 'stopped')),
    departure REAL,
    spm REAL,
    strokes INTEGER,
    lock REAL,
    level_dbfs REAL,
    alarm INTEGER NOT NULL CHECK (alarm IN (0, 1)),
    reason TEXT,
    PRIMARY KEY (spot_id, at_ms)
) STRICT, WITHOUT ROWID;

-- Alarms, gaps, stops, what was kept and what was removed.
CREATE TABLE watch_event (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    pump_id INTEGER REFERENCES pump (id),
    spot_id INTEGER REFERENCES spot (id),
    at TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    kind TEXT NOT NULL,
    words TEXT NOT NULL
) STRICT;
CREATE INDEX watch_event_by_time ON watch_event (at_ms);
CREATE INDEX watch_event_by_spot ON watch_event (spot_id, at_ms) WHERE spot_id IS NOT NULL;

-- Rounds that the watch kept by itself: only hourly ones may be removed again.
CREATE TABLE watch_round (
    round_id INTEGER PRIMARY KEY REFERENCES round (id),
    kind TEXT NOT NULL CHECK (kind IN ('hourly', 'alarm'))
) STRICT;
