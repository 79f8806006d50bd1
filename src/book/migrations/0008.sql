-- Rounds that an import began and has not filled yet: what was typed of time and operating point (JSON), and the recordings that are to come
-- into it (JSON: a list of file, taken_at, sha256 or null). By it the same import, interrupted, is known again and goes on; gone when all are in.
CREATE TABLE import_begun (
    round_id INTEGER PRIMARY KEY REFERENCES round (id),
    asked TEXT NOT NULL,
    files TEXT NOT NULL
) STRICT;
