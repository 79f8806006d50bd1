-- The listening page: the answer to each entry by the key that the phone gave it, so that what is sent again is entered once.
CREATE TABLE page_answer (
    key TEXT PRIMARY KEY,
    asked TEXT NOT NULL,
    answer TEXT NOT NULL,
    entered_at TEXT NOT NULL
) STRICT;

-- Recordings that arrive in pieces. The bytes lie in incoming/ under the upload's id until they are whole; then they are a clip.
CREATE TABLE upload (
    id TEXT PRIMARY KEY CHECK (length(id) = 32),
    key TEXT NOT NULL UNIQUE,
    round_id INTEGER NOT NULL REFERENCES round (id),
    spot_id INTEGER NOT NULL REFERENCES spot (id),
    bytes INTEGER NOT NULL CHECK (bytes > 0),
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    taken_at TEXT NOT NULL,
    taken_ms INTEGER NOT NULL,
    taps TEXT,
    clip_id INTEGER REFERENCES clip (id),
    begun_at TEXT NOT NULL,
    touched_ms INTEGER NOT NULL
) STRICT;
CREATE INDEX upload_waiting ON upload (touched_ms) WHERE clip_id IS NULL;

-- Times in s from a recording's start at which somebody tapped as the rod passed its end, a comma between them: crank marks.
CREATE TABLE clip_taps (
    clip_id INTEGER PRIMARY KEY REFERENCES clip (id),
    taps_s TEXT NOT NULL
) STRICT;
