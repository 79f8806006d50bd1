-- How a clip was recorded: one row a clip that the program itself took from a sound device. Times in seconds from the clip's start.
CREATE TABLE capture (
    clip_id INTEGER PRIMARY KEY REFERENCES clip (id),
    device TEXT NOT NULL,
    ended TEXT NOT NULL CHECK (ended IN ('strokes', 'key', 'limit', 'end', 'gone', 'changed', 'disk', 'cut')),
    length_s REAL NOT NULL CHECK (length_s >= 0),
    overruns INTEGER NOT NULL CHECK (overruns >= 0),
    lost_frames INTEGER NOT NULL CHECK (lost_frames >= 0),
    -- JSON: a list of at_s, lost_frames, filled_frames.
    gaps TEXT NOT NULL,
    -- JSON: a list of times at which the rod of module 1 was at its crank end.
    taps_s TEXT NOT NULL
) STRICT;
