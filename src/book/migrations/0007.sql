-- Photos of the tour, kept byte for byte like recordings, and the receiver's own signature on a frozen note.
CREATE TABLE photo (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    file TEXT NOT NULL UNIQUE,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
    bytes INTEGER NOT NULL CHECK (bytes >= 0),
    original TEXT NOT NULL,
    added_at TEXT NOT NULL
) STRICT;

-- Who took over, when, and the fingerprint of what was read: once a note, never changed.
CREATE TABLE takeover (
    id INTEGER PRIMARY KEY,
    uuid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    note_id INTEGER NOT NULL UNIQUE REFERENCES note (id),
    receiver TEXT NOT NULL,
    taken_at TEXT NOT NULL,
    taken_ms INTEGER NOT NULL,
    sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
    remark TEXT NOT NULL DEFAULT ''
) STRICT;
