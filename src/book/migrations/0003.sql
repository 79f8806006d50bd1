-- The trend's finer witness, and whose change a clip carries; what an earlier program judged has neither.
ALTER TABLE verdict_clip ADD COLUMN hiss_sd REAL;
ALTER TABLE verdict_clip ADD COLUMN heard_from INTEGER CHECK (heard_from > 0);

-- Recordings whose stroke maps wait to be made again after a change of method: a command does some of them after its answer.
CREATE TABLE to_analyse (
    clip_id INTEGER PRIMARY KEY REFERENCES clip (id),
    method INTEGER NOT NULL,
    hint_spm REAL
) STRICT;

-- The version of the method for which that list was last filled.
ALTER TABLE book ADD COLUMN method INTEGER;

-- Entries of a span, of all pumps and the rig.
CREATE INDEX check_entry_by_moment ON check_entry (at_ms);
